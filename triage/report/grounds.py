"""What the debris lay on where it was no plain paper, and what was found there that is no debris."""

from __future__ import annotations

from typing import Any

import numpy as np

from triage.analysis import Analysis, PhotoResult
from triage.debris.ground import GroundSeen
from triage.debris.particles import FLAG_BIT
from triage.filters.pipes import SIEVE_WIRE
from triage.report import words

# Cloth of one rating may differ so much in pitch: permitted average openings and wires of 150 and 75 um cloth
# together, ASTM E11-17.
CLOTH_REL = 0.09
LOOKALIKES = (("water_drop", "water drops or reflections in them"), ("film_edge", "edges of dried gum films"))


def as_data(ground: GroundSeen | None) -> dict[str, Any] | None:
    """The ground for the JSON result."""
    if ground is None:
        return None
    return {
        "kind": ground.kind,
        "seen_share": ground.seen_share,
        "smallest_seen_um": ground.hidden_um or None,
        "smallest_sized_um": ground.unsized_um or None,
        "pitch_um": ground.pitch_um,
        "pitch_rel_u": ground.pitch_rel_u,
        "opening_um": None if ground.pitch_um is None else opening_um(ground.pitch_um),
    }


def opening_um(pitch_um: float) -> float:
    """Opening of standard cloth of this pitch."""
    return pitch_um / (1 + SIEVE_WIRE)


def ground_lines(photo: PhotoResult, analysis: Analysis) -> list[str]:
    """Say what a photo's debris lay on, in sentences; none on plain paper."""
    ground = photo.ground
    if ground is None:
        return []
    if ground.kind == "pleated":
        lost = 100 * (1 - ground.seen_share)
        return [
            f"{photo.file}: the debris lies on pleated paper. Areas are those in the card's plane: "
            f"a piece on a flank is larger than it shows. {lost:.0f} % of the window lies in valleys too "
            "dark to show anything, and faint pieces are lost on the folds. Open the pleats flat."
        ]
    lines = [f"{photo.file}: the debris lies on woven screen. {_pitch(ground, analysis)}"]
    lines.append(
        f"Pieces under {words.size(ground.hidden_um)} and faint ones are lost in the weave; sizes are given "
        f"from {words.size(ground.unsized_um)} up. {100 * ground.seen_share:.0f} % of the window shows the "
        "screen and was searched. Tip the debris onto the card to measure finer."
    )
    return lines


def _pitch(ground: GroundSeen, analysis: Analysis) -> str:
    if ground.pitch_um is None or ground.pitch_rel_u is None:
        return (
            "Its pitch is not stated: wires could not be told from their over and under, which would make it "
            "wrong by a factor of 1.4. Go nearer, or turn the lamp."
        )
    opening = opening_um(ground.pitch_um)
    told = (
        f"Its wires are {words.size(ground.pitch_um)} apart (±{200 * ground.pitch_rel_u:.2g} %, 95 %), which "
        f"in standard cloth means openings of about {words.size(opening)}."
    )
    screens = [row.rating_um for row in analysis.passing if row.element == "screen"]
    alike = [rating for rating in screens if abs(opening / rating - 1) <= CLOTH_REL]
    if alike:
        nearest = min(alike, key=lambda rating: abs(opening / rating - 1))
        told += f" That is the {words.microns(nearest)} µm screen of the filter list."
    elif screens:
        told += " No screen of the filter list has such cloth."
    return f"{told} {_check(opening, analysis)}".strip()


def _check(opening: float, analysis: Analysis) -> str:
    """What the installed filter says of the scale, or of itself."""
    installed = analysis.sample.installed_um
    if installed is None or analysis.sample.element not in (None, "screen"):
        return ""
    off = opening / installed - 1
    if abs(off) <= CLOTH_REL:
        return (
            f"It agrees with the installed {words.microns(installed)} µm screen: a free check on the scale, "
            f"no finer than {100 * CLOTH_REL:.0f} %, since cloth of one rating differs by as much."
        )
    return (
        f"It is {100 * abs(off):.0f} % {'coarser' if off > 0 else 'finer'} than the installed "
        f"{words.microns(installed)} µm screen: either that is not the screen fitted, or the scale is wrong. "
        "Measure the card's long bars with a caliper."
    )


def lookalike_lines(analysis: Analysis) -> list[str]:
    """Say what was found that is no debris, or more than one piece."""
    flags = analysis.particles["flags"]
    lines = []
    for name, called in LOOKALIKES:
        count = int(np.count_nonzero(flags & FLAG_BIT[name]))
        if count:
            verb = "looks" if count == 1 else "look"
            lines.append(f"{words.pieces(count)} {verb} like {called}: shown, in no count and no share.")
    clumps = analysis.particles[flags & FLAG_BIT["clump"] > 0]
    if len(clumps):
        least, most = int(clumps["pieces_least"].sum()), int(clumps["pieces_most"].sum())
        lines.append(
            f"Clumps that could not be parted: {len(clumps)}, of {least} to {most} pieces in all, each clump "
            "counted as one."
        )
    return lines
