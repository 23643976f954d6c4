"""Background: the bare paper under the debris, and each pixel's departure from it in linear light.

The paper's level is estimated from the window itself at a fraction of the resolution: pixels that
look like paper are averaged with a Gaussian weight, pixels that do not are left out, and the choice
is repeated until it settles. Uneven light and soft shadows are slow compared with debris, so they
end up in the background.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.tiles import Cut

Image = NDArray[np.float32]

LARGEST_REDUCTION = 8
LEAST_ACROSS = 128  # reduced pixels along the longer side: a small picture is reduced less
SMOOTHING = 6.0  # Gaussian sigma of the paper average, in reduced pixels
WIDER, WIDER_SHARE = 4, 1e-3  # where no paper is near: so much wider, and its say beside what is near
ROUNDS = 4
STRIP_ROWS = 512  # shared out into whole reduced rows
FIT_PIXELS = 20_000  # spread over the picture, tell a smooth surface as well as all of them
NEIGHBOURS = np.ones((3, 3), np.uint8)
LEAST_LIGHT = 1e-3
LEAST_SPAN = 0.2  # of white, between a dark ground and white
MOST_FALL = 3.0  # natural logarithm: twenty times
DARK = 0.15  # linear light: an even picture darker than this is a dark ground
PLAIN_STEP = 0.4  # natural logarithm of light between two kinds of places: half as bright again


@dataclass(frozen=True)
class Departure:
    """How far each pixel departs from the paper below it, as a part of the paper's own light.

    A departure has one number a channel, positive where darker than pale paper or brighter than a dark
    ground. It is worked out for the tile or pixels asked for, never for the whole window at once.
    `paper` is (h, w, 3), the background in linear light at 1 / `reduction` of the resolution; `span` is
    what a departure of 1 amounts to, at the same resolution.
    """

    rgb: NDArray[np.uint8]
    table: Image
    paper: Image
    span: Image
    reduction: int

    def inside(self, cut: Cut) -> Image:
        """Departure of the rows and columns of a cut, (h, w, 3)."""
        light, paper = cv2.LUT(self.rgb[cut], self.table), _enlarge(self.paper, cut, self.reduction)
        step = np.subtract(paper, light)
        step /= paper if self.span is self.paper else _enlarge(self.span, cut, self.reduction)
        return step

    def at(self, row: NDArray[np.intp], column: NDArray[np.intp]) -> Image:
        """Departure of single pixels, (N, 3)."""
        light = self.table[0, self.rgb[row, column], np.arange(3)]
        paper, span = (_between(image, row, column, self.reduction) for image in (self.paper, self.span))
        return np.asarray((paper - light) / span, np.float32)


def find_departure(
    rgb: NDArray[np.uint8], lut: Image, window: NDArray[np.uint8], white: Image | None = None
) -> Departure:
    """Separate debris from paper.

    Parameters
    ----------
    rgb : (H, W, 3), the photo cropped round the debris window
    lut : (256,), code value to linear light
    window : (H, W), nonzero inside the debris window
    white : (3,), linear light of white paper in the middle of the window's light; given for a dark ground
        only, whose debris is brighter than it

    Raises
    ------
    ValueError
        when the window holds no pixel.
    """
    if not window.any():
        raise ValueError("the debris window lies outside the photo")
    table = np.ascontiguousarray(np.repeat(lut[:, None], 3, axis=1).reshape(1, 256, 3))
    by = _reduction(rgb.shape)
    reduced, inside = _reduce(rgb, table, by), _reduce_mask(window, by)
    paper = _paper(reduced, inside, dark=white is not None)
    if white is None:
        span = paper
    else:
        whole = white * _lamp(reduced.mean(axis=2), inside)[..., None]
        span = -np.maximum(whole - paper, LEAST_SPAN * whole)
    return Departure(rgb, table, paper, span, by)


def _reduction(shape: tuple[int, ...]) -> int:
    return int(np.clip(max(shape[:2]) // LEAST_ACROSS, 1, LARGEST_REDUCTION))


def _strips(height: int, by: int) -> list[slice]:
    rows = STRIP_ROWS // by * by
    return [slice(top, min(top + rows, height)) for top in range(0, height, rows)]


def _reduced_shape(shape: tuple[int, ...], by: int) -> tuple[int, int]:
    return max(1, shape[0] // by), max(1, shape[1] // by)


def _reduce(rgb: NDArray[np.uint8], table: Image, by: int) -> Image:
    """Average whole blocks in linear light; rows and columns beyond the last whole block are left out."""
    rows, columns = _reduced_shape(rgb.shape, by)
    reduced = np.empty((rows, columns, 3), np.float32)
    for strip in _strips(rgb.shape[0], by):
        linear = cv2.LUT(rgb[strip, : columns * by], table)
        last = min(strip.stop // by, rows)
        first = strip.start // by
        if last > first:
            block = linear[: (last - first) * by]
            reduced[first:last] = cv2.resize(block, (columns, last - first), interpolation=cv2.INTER_AREA)
    return reduced


def _reduce_mask(window: NDArray[np.uint8], by: int) -> NDArray[np.bool_]:
    rows, columns = _reduced_shape(window.shape, by)
    part = cv2.resize(
        (window[: rows * by, : columns * by] > 0).astype(np.float32),
        (columns, rows),
        interpolation=cv2.INTER_AREA,
    )
    return part > 0.999 if (part > 0.999).any() else part > 0


def _enlarge(paper: Image, cut: Cut, by: int) -> Image:
    """Bring the reduced background back to photo pixels for a cut, linearly interpolated."""
    padded = cv2.copyMakeBorder(paper, 1, 2, 1, 2, cv2.BORDER_REPLICATE)
    # Of `padded`, from one before the first needed to one after the last.
    part = padded[tuple(slice(side.start // by, (side.stop - 1) // by + 3) for side in cut)]
    size = (part.shape[1] * by, part.shape[0] * by)
    large = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
    own = (slice(by + side.start % by, by + side.start % by + side.stop - side.start) for side in cut)
    return np.asarray(large[tuple(own)], np.float32)


def _between(image: Image, row: NDArray[np.intp], column: NDArray[np.intp], by: int) -> Image:
    """Read a reduced image at single photo pixels, linearly interpolated, (N, 3)."""
    places = []
    for pixel, size in zip((row, column), image.shape[:2], strict=True):
        place = np.clip((pixel - (by - 1) / 2) / by, 0, size - 1).astype(np.float32)
        low = np.minimum(place.astype(np.intp), max(size - 2, 0))
        places.append((low, np.minimum(low + 1, size - 1), (place - low)[:, None]))
    (top, bottom, down), (left, right, across) = places
    above = image[top, left] * (1 - across) + image[top, right] * across
    below = image[bottom, left] * (1 - across) + image[bottom, right] * across
    return np.asarray(above * (1 - down) + below * down, np.float32)


def is_darker_than_debris(rgb: NDArray[np.uint8], lut: Image, window: NDArray[np.uint8]) -> bool:
    """Tell whether what the debris lies on is the darker of the picture's two kinds of places."""
    by = _reduction(rgb.shape)
    brightness = lut[rgb[::by, ::by]].mean(axis=2)
    inside = window[::by, ::by] > 0
    foreign = _foreign(brightness, inside)
    if not foreign.any():
        return bool(np.median(brightness[inside]) < DARK)
    ground = inside & ~foreign
    step = np.where(foreign, np.log(np.maximum(brightness, LEAST_LIGHT)), 0)
    step -= np.where(foreign, _log_trend(brightness, ground), 0)
    return bool(np.median(step[foreign]) > 0)


def brightest(rgb: NDArray[np.uint8], lut: Image, window: NDArray[np.uint8]) -> tuple[float, float]:
    """Linear light of a dark ground and of the brightest things on it, the lamp's fall-off taken out."""
    by = _reduction(rgb.shape)
    light = lut[rgb[::by, ::by]].max(axis=2)
    inside = window[::by, ::by] > 0
    even = (light / _lamp(light, inside))[inside]
    return float(np.median(even)), float(np.percentile(even, 99.8))


def _lamp(brightness: Image, inside: NDArray[np.bool_]) -> Image:
    """How the lamp falls off over the ground, (h, w), 1 on average: it dims debris and ground alike."""
    foreign = cv2.dilate(_foreign(brightness, inside).astype(np.uint8), NEIGHBOURS).astype(bool)
    trend = _log_trend(brightness, inside & ~foreign)
    return np.asarray(np.exp(np.clip(trend - trend[inside].mean(), -MOST_FALL, MOST_FALL)), np.float32)


def _foreign(brightness: Image, inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where the picture is plainly not background: the kind of place its rim mostly does not show.

    Otsu's threshold on the logarithm of the light, the background's slope taken out and the threshold
    found anew until it settles; nothing is foreign where the two kinds hardly differ.
    """
    level = np.log(np.maximum(brightness, LEAST_LIGHT))
    flat = level
    foreign = np.zeros_like(inside)
    for _ in range(ROUNDS):
        found = _unlike_rim(flat, inside)
        if not found.any() or (found == foreign).all():
            return found
        foreign = found
        flat = level - _log_trend(
            brightness, inside & ~cv2.dilate(foreign.astype(np.uint8), NEIGHBOURS).astype(bool)
        )
    return foreign


def _unlike_rim(level: Image, inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    low, high = np.percentile(level[inside], [0.5, 99.5])
    coded = ((level - low) * (255 / max(high - low, 1e-6))).clip(0, 255).astype(np.uint8)
    cut, _ = cv2.threshold(coded[inside].reshape(-1, 1), 0, 255, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    bright = (coded > cut) & inside
    if not bright.any() or level[bright].mean() - level[inside & ~bright].mean() < PLAIN_STEP:
        return np.zeros_like(inside)
    rim = inside & ~cv2.erode(inside.astype(np.uint8), NEIGHBOURS, borderValue=0).astype(bool)
    return np.asarray(bright if bright[rim].mean() < 0.5 else inside & ~bright)


def _log_trend(brightness: Image, keep: NDArray[np.bool_]) -> Image:
    """Quadratic surface through the logarithm of the kept light: ground under a lamp falls off by ratios."""
    level = np.log(np.maximum(brightness, LEAST_LIGHT))
    if keep.sum() < 100:
        return np.full_like(level, np.median(level[keep]) if keep.any() else np.median(level))
    terms = _terms(brightness.shape, 2)
    known = terms[keep].astype(np.float64)
    weights = np.linalg.lstsq(known.T @ known, known.T @ level[keep], rcond=None)[0]
    trend: Image = (terms @ weights).astype(np.float32)
    return trend


def _paper(reduced: Image, inside: NDArray[np.bool_], *, dark: bool) -> Image:
    """Estimate the bare paper in the reduced picture, (h, w, 3)."""
    brightness = reduced.mean(axis=2)
    foreign = cv2.dilate(_foreign(brightness, inside).astype(np.uint8), NEIGHBOURS).astype(bool)
    background = inside & ~foreign
    inside = background if background.any() else inside
    terms = _terms(brightness.shape, 3)
    smooth = _first_guess(brightness, inside, dark=dark)
    keep = inside
    for _ in range(ROUNDS):
        keep = inside & ~_looks_like_debris(brightness / smooth - 1, keep)
        # The polynomial carries the slope up to the window's edge; the average only what is left of it.
        trend = _fit(terms, brightness, keep)
        smooth = trend * average(brightness / trend, keep)
    channels = []
    for channel in range(3):
        trend = _fit(terms, reduced[..., channel], keep)
        channels.append(trend * average(reduced[..., channel] / trend, keep))
    return np.maximum(np.stack(channels, axis=2), 1e-4)


def _looks_like_debris(residual: Image, keep: NDArray[np.bool_]) -> NDArray[np.bool_]:
    middle = np.median(residual[keep])
    spread = 1.4826 * np.median(np.abs(residual[keep] - middle))
    cut = np.clip(3 * spread, 0.006, 0.05)
    off = np.abs(residual - middle) > cut
    grown = cv2.dilate(off.astype(np.uint8), NEIGHBOURS).astype(bool)
    # Where hardly anything is left the light, not the debris, is what departs.
    return grown if (keep & ~grown).sum() > 0.2 * keep.sum() else off & ~keep


def _terms(shape: tuple[int, ...], degree: int) -> Image:
    y, x = (np.linspace(-1, 1, size, dtype=np.float32) for size in shape)
    powers = [(i, j) for i in range(degree + 1) for j in range(degree + 1 - i)]
    return np.asarray(np.stack([y[:, None] ** i * x[None, :] ** j for i, j in powers], axis=2))


def _fit(terms: Image, values: Image, keep: NDArray[np.bool_]) -> Image:
    middle = float(np.median(values[keep]))
    if keep.sum() < 4 * terms.shape[2]:
        return np.full_like(values, max(middle, 1e-4))
    place = np.flatnonzero(keep)
    some = place[:: max(1, place.size // FIT_PIXELS)]
    known = terms.reshape(-1, terms.shape[2])[some].astype(np.float64)
    weights = np.linalg.lstsq(known.T @ known, known.T @ values.ravel()[some], rcond=None)[0]
    fitted: Image = (terms @ weights.astype(np.float32)).astype(np.float32)
    return np.maximum(fitted, 0.05 * middle + 1e-4)


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
    return _fit(_terms(brightness.shape, 3), np.ascontiguousarray(spread[cut]), usable)


def average(values: Image, keep: NDArray[np.bool_], sigma: float = SMOOTHING) -> Image:
    """Gaussian average of the kept pixels only; where none is near, the wider neighbourhood decides."""
    weight = keep.astype(np.float32)
    both = cv2.merge([values * weight, weight])
    near = cv2.GaussianBlur(both, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    size = tuple(max(1, round(side / WIDER)) for side in keep.shape[::-1])
    wide = cv2.resize(both, size, interpolation=cv2.INTER_AREA)
    wide = cv2.GaussianBlur(wide, (0, 0), sigma, borderType=cv2.BORDER_CONSTANT)
    far = cv2.resize(wide, keep.shape[::-1], interpolation=cv2.INTER_LINEAR)
    total, mass = (near[..., part] + WIDER_SHARE * far[..., part] for part in (0, 1))
    everywhere = values[keep].mean() if keep.any() else values.mean()
    return np.asarray((total + 1e-9 * everywhere) / (mass + 1e-9), np.float32)
