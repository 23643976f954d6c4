"""Discs near the limit of a picture: how the tool and three plain scripts find and size them.

    python -m tests.benchmarks.blurred_discs [--mixed]

The discs are those of the ISO working group on image analysis (`iso_discs` beside the checkout; drawn by the
same rule where they are missing), shrunk by area averaging, blurred, made noisy, sRGB coded and sent through
JPEG. Without it one size a picture, nothing else in it, so that neither blur nor contrast can be learnt from
larger pieces. `--mixed`: a dozen resolved discs of the same ink lie beside the small ones. The plain scripts
(`plain_scripts.py`) are given the scale and told which side is debris.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import ByStated, HowScaled, calibrate
from tests.benchmarks.plain_scripts import PLAIN, Array, Grey, Measured
from triage.debris.measure import measure_debris

ISO_DISC = Path(__file__).resolve().parents[2] / ".." / "shared" / "iso_discs" / "Monodisperse_n100_90px.tif"
ISO_PX = 90
SIZES_PX = (1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
BLURS_PX = (0.8, 1.3, 2.0)
NOISE = 2 / 255  # of the coded picture
PAPER = 0.8  # linear light
CONTRAST = 0.9
QUALITY = 92
GAP_SIGMAS = 6
RESOLVED_PX = 26.0
SHRUNK = (60, 45, 30, 22, 15, 11, 7)  # whole numbers of ISO pixels in one: near SIZES_PX


@dataclass(frozen=True)
class Picture:
    """A photo of discs: grey values, true places (N, 2) and diameters (N,) in pixels, blur of the lens."""

    grey: Grey
    xy: Array
    diameter: Array
    blur_px: float


def picture(diameters: Array, blur_px: float, seed: int) -> Picture:
    """Lay discs on a jittered grid, gaps of at least GAP_SIGMAS blurs, and take a phone-like photo."""
    rng = np.random.default_rng(seed)
    pitch = int(diameters.max() + 2 * GAP_SIGMAS * blur_px + 6)
    columns = int(np.ceil(np.sqrt(diameters.size * 1.3)))
    rows = -(-diameters.size // columns)
    cover = np.zeros((rows * pitch + 40, columns * pitch + 40), np.float32)
    diameters = rng.permutation(diameters)
    places = []
    for index, diameter in enumerate(diameters):
        row, column = divmod(index, columns)
        tile, centre, true = _shrunk(diameter, pitch, rng)
        top, left = 20 + row * pitch, 20 + column * pitch
        cover[top : top + pitch, left : left + pitch] = tile
        places.append((left + centre[0], top + centre[1], true))
    blurred = cv2.GaussianBlur(cover, (0, 0), blur_px)
    light = PAPER * (1 - CONTRAST * blurred)
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    noisy = np.clip(coded + rng.normal(0, NOISE, coded.shape), 0, 1)
    grey = np.round(noisy * 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    table = np.array(places)
    return Picture(
        np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8), table[:, :2], table[:, 2], blur_px
    )


def _shrunk(
    diameter: float, pitch: int, rng: np.random.Generator
) -> tuple[Array, tuple[float, float], float]:
    """One ISO disc shrunk by a whole factor at a random place; its tile, centre and true diameter."""
    by = round(ISO_PX / diameter)
    disc = iso_disc()
    high = np.zeros((pitch * by, pitch * by), np.float32)
    spare = (pitch * by - len(disc)) // 2
    right, down = spare + rng.integers(-by, by + 1, 2)
    high[down : down + len(disc), right : right + len(disc)] = disc
    tile = high.reshape(pitch, by, pitch, by).mean(axis=(1, 3))
    centre = [(start + (len(disc) - 1) / 2 + 0.5) / by - 0.5 for start in (right, down)]
    return tile.astype(np.float64), (centre[0], centre[1]), float(np.sqrt(disc.sum() * 4 / np.pi)) / by


def iso_disc() -> NDArray[np.float32]:
    """One whole disc of the reference picture, cut to its box, or one drawn by the pixel-centre rule."""
    page = cv2.imread(str(ISO_DISC), cv2.IMREAD_GRAYSCALE) if ISO_DISC.exists() else None
    if page is None:
        y, x = np.mgrid[:ISO_PX, :ISO_PX] - (ISO_PX - 1) / 2
        return (np.hypot(x, y) <= ISO_PX / 2).astype(np.float32)
    dark = (page < 128).astype(np.uint8)
    _, labels, boxes, _ = cv2.connectedComponentsWithStats(dark)
    whole = [k for k in range(1, len(boxes)) if boxes[k][2] == boxes[k][3] == ISO_PX] or [1]
    left, top, wide, tall = boxes[whole[0]][:4]
    return (labels[top : top + tall, left : left + wide] == whole[0]).astype(np.float32)


def by_tool(grey: Grey) -> Measured:
    """The tool itself, told only that a pixel is 1 um."""
    rgb = np.repeat(grey[:, :, None], 3, axis=2)
    table = measure_debris(rgb, calibrate(rgb, HowScaled(by=ByStated(1.0)))).table
    xy = np.stack([table["x_px"], table["y_px"]], axis=1)
    names = ("ecd_um", "length_um", "width_um", "ecd_u_um")
    return Measured(xy, *(table[name].astype(float) for name in names))


@dataclass(frozen=True)
class Score:
    """Of the true discs of one size: recall and precision, ECD bias and scatter; uncertainty held (95 %)."""

    recall: float
    precision: float
    bias: float
    scatter: float
    held: float


def score(found: Measured, true: Picture, size: NDArray[np.bool_]) -> Score:
    """Pair what was found with the true discs chosen by `size` (N,), each with the nearest in reach."""
    from scipy.spatial import cKDTree

    nothing = Score(0.0, 0.0, np.nan, np.nan, np.nan)
    if not len(found.xy):
        return nothing
    reach = np.maximum(true.diameter / 2, 1.0) + true.blur_px
    apart, nearest = cKDTree(found.xy).query(true.xy)
    hit = apart < reach
    taken = np.unique(nearest[hit]).size
    precision = taken / len(found.xy)
    chosen = hit & size
    if not chosen.any():
        return Score(0.0, precision, np.nan, np.nan, np.nan)
    ratio = found.diameter[nearest[chosen]] / true.diameter[chosen] - 1
    held = np.nan
    if found.uncertainty is not None:
        rel_u = found.uncertainty[nearest[chosen]] / true.diameter[chosen]
        held = float(np.mean(np.abs(ratio) < 1.96 * rel_u))
    return Score(float(hit[size].mean()), precision, float(ratio.mean()), float(ratio.std()), held)


METHODS: dict[str, Callable[[Grey], Measured]] = {"tool": by_tool, **PLAIN}


def scenes(mixed: bool) -> Iterator[tuple[float, Picture]]:
    """One picture for each size and blur; the first number is the nominal size."""
    for blur in BLURS_PX:
        for size, by in zip(SIZES_PX, SHRUNK, strict=True):
            diameters = np.full(400, ISO_PX / by)
            if mixed:
                diameters = np.append(diameters, np.full(12, RESOLVED_PX))
            yield size, picture(diameters, blur, seed=int(100 * blur + size))


def main() -> None:
    """Print one row a picture."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    arguments.add_argument("--mixed", action="store_true", help="resolved discs of the same ink beside them")
    mixed = arguments.parse_args().mixed
    print(f"{'disc, blur':>14}   " + "".join(f"{name:^34}" for name in METHODS))
    for _, true in scenes(mixed):
        size = true.diameter < RESOLVED_PX / 2
        cells = []
        for method in METHODS.values():
            got = score(method(true.grey), true, size)
            found = f"{got.recall:5.0%}{got.precision:5.0%}"
            cells.append(f"{found} {got.bias:+6.1%} ±{got.scatter:5.1%} {got.held:5.0%}")
        print(f"{np.median(true.diameter):5.2f}px {true.blur_px:.1f}px   " + "  |  ".join(cells), flush=True)


if __name__ == "__main__":
    main()
