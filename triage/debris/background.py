"""Background: the bare paper under the debris, and each pixel's departure from it in linear light.

The paper's level is estimated from the window itself at one eighth of the resolution: pixels that
look like paper are averaged with a Gaussian weight, pixels that do not are left out, and the choice
is repeated until it settles. Uneven light and soft shadows are slow compared with debris, so they
end up in the background.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]

REDUCTION = 8
SMOOTHING = 6.0  # Gaussian sigma of the paper average, in reduced pixels
ROUNDS = 4
STRIP_ROWS = 512  # a multiple of REDUCTION
DARK = 0.15  # linear light: an even picture darker than this is a dark ground
PLAIN_STEP = 0.4  # natural logarithm of light between two kinds of places: half as bright again


@dataclass(frozen=True)
class Departure:
    """How far each pixel departs from the paper below it, as a part of the paper's own light.

    `step` is (H, W, 3), signed: positive where darker than pale paper, or brighter than a dark card.
    `paper` is (h, w, 3), the background in linear light at 1 / REDUCTION of the resolution.
    """

    step: Image
    paper: Image


def find_departure(
    rgb: NDArray[np.uint8], lut: Image, window: NDArray[np.uint8], white: Image | None = None
) -> Departure:
    """Separate debris from paper.

    Parameters
    ----------
    rgb : (H, W, 3), the photo cropped round the debris window
    lut : (256,), code value to linear light
    window : (H, W), nonzero inside the debris window
    white : (3,), linear light of white paper; given for a dark card only, whose debris is brighter than it

    Raises
    ------
    ValueError
        when the window holds no pixel.
    """
    if not window.any():
        raise ValueError("the debris window lies outside the photo")
    table = np.ascontiguousarray(np.repeat(lut[:, None], 3, axis=1).reshape(1, 256, 3))
    paper = _paper(_reduce(rgb, table), _reduce_mask(window), dark=white is not None)
    step = np.empty(rgb.shape, np.float32)
    for rows in _strips(rgb.shape[0]):
        level = _enlarge(paper, rgb.shape, rows)
        np.subtract(level, cv2.LUT(rgb[rows], table), out=step[rows])
        step[rows] /= level if white is None else -np.maximum(white - level, 0.2 * white)
    return Departure(step, paper)


def _strips(height: int) -> list[slice]:
    return [slice(top, min(top + STRIP_ROWS, height)) for top in range(0, height, STRIP_ROWS)]


def _reduced_shape(height: int, width: int) -> tuple[int, int]:
    return max(1, height // REDUCTION), max(1, width // REDUCTION)


def _reduce(rgb: NDArray[np.uint8], table: Image) -> Image:
    """Average whole blocks in linear light; rows and columns beyond the last whole block are left out."""
    rows, columns = _reduced_shape(*rgb.shape[:2])
    reduced = np.empty((rows, columns, 3), np.float32)
    for strip in _strips(rgb.shape[0]):
        linear = cv2.LUT(rgb[strip, : columns * REDUCTION], table)
        last = min(strip.stop // REDUCTION, rows)
        first = strip.start // REDUCTION
        if last > first:
            block = linear[: (last - first) * REDUCTION]
            reduced[first:last] = cv2.resize(block, (columns, last - first), interpolation=cv2.INTER_AREA)
    return reduced


def _reduce_mask(window: NDArray[np.uint8]) -> NDArray[np.bool_]:
    rows, columns = _reduced_shape(*window.shape)
    part = cv2.resize(
        (window[: rows * REDUCTION, : columns * REDUCTION] > 0).astype(np.float32),
        (columns, rows),
        interpolation=cv2.INTER_AREA,
    )
    return part > 0.999 if (part > 0.999).any() else part > 0


def _enlarge(paper: Image, shape: tuple[int, ...], rows: slice) -> Image:
    """Bring the reduced background back to photo pixels for some rows, linearly interpolated."""
    padded = cv2.copyMakeBorder(paper, 1, 2, 0, 1, cv2.BORDER_REPLICATE)
    first = rows.start // REDUCTION  # of `padded`: one row above the first needed
    part = padded[first : first + STRIP_ROWS // REDUCTION + 2]
    size = (part.shape[1] * REDUCTION, part.shape[0] * REDUCTION)
    large = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
    return large[REDUCTION : REDUCTION + rows.stop - rows.start, : shape[1]]


def is_darker_than_debris(rgb: NDArray[np.uint8], lut: Image, window: NDArray[np.uint8]) -> bool:
    """Tell whether what the debris lies on is the darker of the picture's two kinds of places."""
    brightness = lut[rgb[::REDUCTION, ::REDUCTION]].mean(axis=2)
    inside = window[::REDUCTION, ::REDUCTION] > 0
    foreign = _foreign(brightness, inside)
    if not foreign.any():
        return bool(np.median(brightness[inside]) < DARK)
    return bool(np.median(brightness[foreign]) > np.median(brightness[inside & ~foreign]))


def _foreign(brightness: Image, inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where the picture is plainly not background: the kind of place its rim mostly does not show.

    Otsu's threshold on the logarithm of the light; nothing is foreign where the two kinds hardly differ.
    """
    level = np.log(np.maximum(brightness, 1e-3))
    low, high = float(level[inside].min()), float(level[inside].max())
    coded = ((level - low) * (255 / max(high - low, 1e-6))).clip(0, 255).astype(np.uint8)
    cut, _ = cv2.threshold(coded[inside].reshape(-1, 1), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    bright = (coded > cut) & inside
    if not bright.any() or level[bright].mean() - level[inside & ~bright].mean() < PLAIN_STEP:
        return np.zeros_like(inside)
    rim = inside & ~cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=0).astype(bool)
    return bright if bright[rim].mean() < 0.5 else inside & ~bright


def _paper(reduced: Image, inside: NDArray[np.bool_], *, dark: bool) -> Image:
    """Estimate the bare paper in the reduced picture, (h, w, 3)."""
    brightness = reduced.mean(axis=2)
    background = inside & ~cv2.dilate(_foreign(brightness, inside).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    inside = background if background.any() else inside
    terms = _cubic_terms(brightness.shape)
    smooth = _first_guess(brightness, inside, dark=dark)
    keep = inside
    for _ in range(ROUNDS):
        keep = inside & ~_looks_like_debris(brightness / smooth - 1, keep, dark=dark)
        # The polynomial carries the slope up to the window's edge; the average only what is left of it.
        trend = _fit(terms, brightness, keep)
        smooth = trend * _average(brightness / trend, keep)
    channels = []
    for channel in range(3):
        trend = _fit(terms, reduced[..., channel], keep)
        channels.append(trend * _average(reduced[..., channel] / trend, keep))
    return np.maximum(np.stack(channels, axis=2), 1e-4)


def _looks_like_debris(residual: Image, keep: NDArray[np.bool_], *, dark: bool) -> NDArray[np.bool_]:
    middle = np.median(residual[keep])
    spread = 1.4826 * np.median(np.abs(residual[keep] - middle))
    cut = np.clip(3 * spread, 0.006, 0.05)
    off = np.abs(residual - middle) > cut
    grown = cv2.dilate(off.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    # Where hardly anything is left the light, not the debris, is what departs.
    return grown if (keep & ~grown).sum() > 0.2 * keep.sum() else off & ~keep


def _cubic_terms(shape: tuple[int, ...]) -> Image:
    y, x = (np.linspace(-1, 1, size, dtype=np.float32) for size in shape)
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    return np.stack([y[:, None] ** i * x[None, :] ** j for i, j in powers], axis=2)


def _fit(terms: Image, values: Image, keep: NDArray[np.bool_]) -> Image:
    if keep.sum() < 4 * terms.shape[2]:
        return np.full_like(values, max(float(np.median(values[keep])), 1e-4))
    known = terms[keep].astype(np.float64)
    weights = np.linalg.lstsq(known.T @ known, known.T @ values[keep], rcond=None)[0]
    fitted: Image = (terms @ weights).astype(np.float32)
    return np.maximum(fitted, 0.05 * float(np.median(values[keep])) + 1e-4)


def _first_guess(brightness: Image, inside: NDArray[np.bool_], *, dark: bool) -> Image:
    """Take the upper (dark card: lower) quartile of each block as paper, joined by a cubic surface."""
    block = 12
    rows, columns = (-(-size // block) for size in brightness.shape)
    padded = np.full((rows * block, columns * block), np.nan, np.float32)
    padded[: brightness.shape[0], : brightness.shape[1]] = np.where(inside, brightness, np.nan)
    blocks = padded.reshape(rows, block, columns, block).transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    known = np.isfinite(blocks).any(axis=2)
    level = np.zeros((rows, columns), np.float32)
    ordered = np.sort(blocks[known], axis=1)  # what lies outside comes last
    quartile = (np.isfinite(ordered).sum(axis=1) - 1) * (0.25 if dark else 0.75)
    level[known] = np.take_along_axis(ordered, quartile.astype(int)[:, None], axis=1)[:, 0]
    spread = np.repeat(np.repeat(level, block, axis=0), block, axis=1)
    cut = (slice(brightness.shape[0]), slice(brightness.shape[1]))
    usable = np.repeat(np.repeat(known, block, axis=0), block, axis=1)[cut]
    return _fit(_cubic_terms(brightness.shape), np.ascontiguousarray(spread[cut]), usable)


def _average(values: Image, keep: NDArray[np.bool_], sigma: float = SMOOTHING) -> Image:
    """Gaussian average of the kept pixels only; where none is near, the wider neighbourhood decides."""
    weight = keep.astype(np.float32)
    total = np.zeros_like(values, np.float32)
    mass = np.zeros_like(total)
    for factor, share in ((1, 1.0), (4, 1e-3)):
        total += share * cv2.GaussianBlur(values * weight, (0, 0), sigma * factor, borderType=cv2.BORDER_CONSTANT)
        mass += share * cv2.GaussianBlur(weight, (0, 0), sigma * factor, borderType=cv2.BORDER_CONSTANT)
    everywhere = values[keep].mean() if keep.any() else values.mean()
    return ((total + 1e-9 * everywhere) / (mass + 1e-9)).astype(np.float32)
