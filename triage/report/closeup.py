"""The customer's picture: the biggest piece from the photo, beside a hair drawn to the same scale."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.analysis import Analysis
from triage.debris.particles import FLAG_BIT
from triage.report.labels import font, write
from triage.report.words import KIND_WORDS, microns, size
from triage.sizing import inches

Picture = NDArray[np.uint8]

# Hairs are published as 17 to 181 um; that 70 um is typical is common knowledge, no source.
HAIR_UM = 70.0
HAIR_WORDS = "a typical hair, about 70 µm (0.0028 in) thick; hairs are 17 to 180 µm"
PANEL = (244, 244, 241)
INK = (27, 33, 38)
WIDTH, HEIGHT, BESIDE = 1080, 900, 420
HAIR_FIELD_UM = HAIR_UM * HEIGHT / (0.6 * BESIDE)  # so that the hair leaves room beside it
CLEARLY = 1.1  # times as long
SMALLEST_FIELD_PX = 24  # so that a piece of a few pixels is not blown up to mere blocks


def shown_particle(analysis: Analysis) -> Any | None:
    """Return the row of the biggest piece; one that is whole, single and no fibre, if there is such."""
    rows = analysis.particles[~analysis.particles["below_sizing_limit"]]
    if not len(rows):
        return None
    clump = rows["flags"] & FLAG_BIT["clump"] != 0
    unwanted = 4 * rows["touches_edge"] + 2 * clump + (rows["kind"] == "fibre")
    return max(zip(-unwanted, rows["ecd_um"], rows, strict=True), key=lambda entry: entry[:2])[2]


def closeup(analysis: Analysis) -> Picture | None:
    """Draw the biggest piece with a hair beside it, RGB uint8; None where nothing was sized."""
    particle = shown_particle(analysis)
    if particle is None:
        return None
    scale = analysis.photos[particle["photo"]].scale
    if scale is None:
        return None
    field_um = max(1.7 * float(particle["feret_max_um"]), SMALLEST_FIELD_PX * scale.um_per_px, HAIR_FIELD_UM)
    factor = HEIGHT * scale.um_per_px / field_um
    rgb = analysis.pictures[particle["photo"]].rgb
    crop = _cut(rgb, (float(particle["x_px"]), float(particle["y_px"])), factor)
    return np.hstack([crop, _panel(scale.um_per_px / factor)])


def closeup_words(analysis: Analysis) -> str:
    """Return the picture's caption."""
    particle = shown_particle(analysis)
    if particle is None:
        return ""
    named = "the biggest piece by area" if longer_piece(analysis) is not None else "the biggest piece"
    return f"Left: {named}, {size(float(particle['feret_max_um']))} across. Right: {HAIR_WORDS}."


def longer_piece(analysis: Analysis) -> Any | None:
    """Return the row of the longest whole piece, where it is clearly longer than the biggest by area."""
    biggest, table = shown_particle(analysis), analysis.particles
    rows = table[~table["below_sizing_limit"] & ~table["touches_edge"]]
    if biggest is None or not len(rows):
        return None
    longest = rows[np.argmax(rows["length_um"])]
    longer = longest["length_um"] > CLEARLY * biggest["feret_max_um"]
    return longest if longer and longest["id"] != biggest["id"] else None


def biggest_words(analysis: Analysis) -> str:
    """Return the biggest piece in a sentence, and the longest where that is another one."""
    biggest, longest = shown_particle(analysis), longer_piece(analysis)
    if biggest is None:
        return ""
    across = f"{size(float(biggest['feret_max_um']))} across"
    if longest is None:
        return f"The biggest piece is {across}."
    kind = f"a {KIND_WORDS[longest['kind']]}" if longest["kind"] == "fibre" else "another one"
    return (
        f"The biggest piece by area is {across}; the longest, {kind}, is {size(float(longest['length_um']))}."
    )


def _cut(rgb: Picture, centre: tuple[float, float], factor: float) -> Picture:
    """Return the field around `centre` enlarged by `factor`, blank beyond the photo's edge."""
    if factor < 1:
        rgb = np.asarray(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
        centre, factor = (centre[0] * factor, centre[1] * factor), 1.0
    shift = np.array(
        [[factor, 0, WIDTH / 2 - factor * centre[0]], [0, factor, HEIGHT / 2 - factor * centre[1]]]
    )
    cut = cv2.warpAffine(rgb, shift, (WIDTH, HEIGHT), flags=cv2.INTER_CUBIC, borderValue=PANEL)
    return np.asarray(cut, np.uint8)


def _panel(um_per_px: float) -> Picture:
    """Draw the hair as an upright bar, with its width in words."""
    panel = np.full((HEIGHT, BESIDE, 3), PANEL, np.uint8)
    half = HAIR_UM / um_per_px / 2
    middle, letters = BESIDE / 2, 38
    left, right = max(0, round(middle - half)), min(BESIDE, round(middle + half))
    cv2.rectangle(panel, (left, 0), (max(right, left + 1), HEIGHT - 190), INK, -1)
    for row, line in enumerate(("one hair", f"{microns(HAIR_UM)} µm", f"{inches(HAIR_UM)} in")):
        start = round(middle - font(letters).getlength(line) / 2)
        write(panel, line, (start, HEIGHT - 170 + row * 50), letters)
    return panel
