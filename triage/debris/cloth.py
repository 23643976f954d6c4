"""Cloth: a woven ground's repeating pattern taken out of a photo, so that only what lies on it is left.

The repeat is averaged from all its copies in a neighbourhood, debris left out. A grain hides the pattern as
far as it covers it: what is left of the pattern near a pixel, by weighted least squares, says how much of it
has to be taken out there. What is handed on is an ordinary picture of debris on an even ground.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image, average
from triage.debris.slips import settle
from triage.debris.weave import Lattice
from triage.debris.wires import Followed, enlarged

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]
Places = Callable[[slice, slice], list[Image]]

BINS = 2.5  # along a side of the repeat, a pixel of it
FEWEST_BINS, MOST_BINS = 12, 80
BLOCK = 20.0  # repeats from one block's middle to the next
ROUNDS = 3
OFF = 3.5  # robust deviations: so far off the pattern is debris
COVER_SIGMA = 0.3  # of a repeat: the neighbourhood in which coverage is judged
HIDDEN_U = 0.25  # standard uncertainty of coverage judged from a pixel's neighbours
SHARPER = 3  # rounds
MADE_U = 0.06  # of the mean light: how true the pattern is in single places
LEAST_LIGHT = 1e-3


@dataclass(frozen=True)
class Pattern:
    """The bare cloth in linear light, (H, W, 3): as it repeats, and its mean over a few repeats."""

    repeating: Image
    mean: Image


def without_cloth(
    rgb: NDArray[np.uint8], lut: Image, followed: Followed, lattice: Lattice
) -> NDArray[np.uint8]:
    """Take the cloth's pattern out of a photo (H, W, 3); `lut` (256,) is code value to linear light."""
    light, period_px = lut[rgb], lattice.period_px
    keep, places, settled = followed.cloth, followed.at, None
    mean = _mean_light(light, keep, followed.step, period_px)
    repeating = _repeating(light / mean, places, keep, period_px) * mean
    for _ in range(ROUNDS):
        if lattice.wires is not None:  # before what is off the pattern is left out: a wire aside is off, too
            grey = (light / mean).mean(axis=2), (repeating / mean).mean(axis=2)
            settled = settle(*grey, keep, followed, lattice.wires, settled)
            places = settled.at
        keep = followed.cloth & (1 - _off_pattern(light, repeating, mean, keep, period_px))
        mean = _mean_light(light, keep, followed.step, period_px)
        repeating = _repeating(light / mean, places, keep, period_px) * mean
    pattern = Pattern(repeating, mean)
    open_part = 1 - _cover(light, pattern, keep, period_px)
    even = light + open_part[..., None] * (mean - repeating)
    codes = np.interp(np.clip(even, lut[0], lut[-1]), lut, np.arange(256))
    return np.asarray(np.round(codes), np.uint8)


def _mean_light(light: Image, keep: Mask, step: int, period_px: float) -> Image:
    weight = _reduced(keep.astype(np.float32), step)
    nodes = np.stack(
        [_mean(_reduced(light[..., each] * keep, step), weight, period_px / step) for each in range(3)],
        axis=2,
    )
    whole = (slice(0, keep.shape[0]), slice(0, keep.shape[1]))
    return np.asarray(enlarged(np.pad(nodes, ((1, 1), (1, 1), (0, 0)), mode="edge"), *whole, step))


def _repeating(light: Image, places: Places, keep: Mask, period_px: float) -> Image:
    """The repeat's mean near every pixel, (H, W, 3), of light over its own mean."""
    total = np.zeros_like(light)
    mass = np.full(keep.shape, 1e-9, np.float32)
    bins = int(np.clip(BINS * period_px, FEWEST_BINS, MOST_BINS))
    for cut, hat in _blocks(keep.shape, round(BLOCK * period_px)):
        place = places(*cut)
        repeat = _repeat(light[cut], place, keep[cut], bins)
        if repeat is not None:
            total[cut] += hat[..., None] * _read(repeat, place)
            mass[cut] += hat
    return np.where(mass[..., None] > 1e-6, total / mass[..., None], 1)


def _blocks(shape: tuple[int, ...], side: int) -> Iterator[tuple[tuple[slice, slice], Image]]:
    """Overlapping squares and how much each counts at its pixels: hats that add up to 1."""
    for middle_row in range(0, shape[0] + side, side):
        for middle_column in range(0, shape[1] + side, side):
            spans = [
                np.arange(max(middle - side + 1, 0), min(middle + side, size))
                for middle, size in zip((middle_row, middle_column), shape, strict=True)
            ]
            if all(span.size for span in spans):
                hats = [
                    (1 - np.abs(span - middle) / side).astype(np.float32)
                    for span, middle in zip(spans, (middle_row, middle_column), strict=True)
                ]
                cut = tuple(slice(int(span[0]), int(span[-1]) + 1) for span in spans)
                yield (cut[0], cut[1]), hats[0][:, None] * hats[1]


def _repeat(light: Image, places: list[Image], keep: Mask, bins: int) -> Image | None:
    """Mean light over the repeat, (bins, bins, 3); None where too little of it is seen."""
    some = keep > 0
    some[1::2] = some[:, 1::2] = False  # a quarter of the pixels fills the bins as well
    row, column = ((each[some] * np.float32(bins)).astype(np.int32) % bins for each in places)
    cell = row * bins + column
    count = np.bincount(cell, minlength=bins * bins).astype(np.float32)
    if np.count_nonzero(count) < bins * bins / 2:
        return None
    sums = [np.bincount(cell, light[..., each][some], bins * bins) for each in range(3)]
    cells = np.stack([*sums, count], axis=1).reshape(bins, bins, 4).astype(np.float32)
    wrapped = np.pad(cells, ((1, 1), (1, 1), (0, 0)), mode="wrap")
    near = cv2.blur(wrapped, (3, 3))[1:-1, 1:-1]
    cells = np.where(cells[..., 3:] > 0, cells, near)  # a bin without a pixel takes its neighbours'
    return np.asarray(cells[..., :3] / np.maximum(cells[..., 3:], 1e-6), np.float32)


def _read(repeat: Image, places: list[Image]) -> Image:
    bins = len(repeat)
    padded = np.pad(repeat, ((1, 1), (1, 1), (0, 0)), mode="wrap")
    row, column = (each * np.float32(bins) + np.float32(0.5) for each in places)
    return np.asarray(cv2.remap(padded, column, row, cv2.INTER_LINEAR), np.float32)


def _off_pattern(light: Image, repeating: Image, mean: Image, keep: Mask, period_px: float) -> Mask:
    """Where the photo plainly is not the pattern, (H, W)."""
    off = np.abs(light - repeating).mean(axis=2) / mean.mean(axis=2)
    off = cv2.GaussianBlur(off, (0, 0), max(period_px / 6, 0.8))
    usual = off[keep > 0][::7]
    middle = float(np.median(usual))
    spread = 1.4826 * float(np.median(np.abs(usual - middle)))
    size = 2 * max(1, round(period_px / 4)) + 1
    return np.asarray(
        cv2.dilate((off > middle + OFF * spread).astype(np.uint8), np.ones((size, size), np.uint8)), np.uint8
    )


def _cover(light: Image, pattern: Pattern, keep: Mask, period_px: float) -> Image:
    """How much of the pattern is hidden near each pixel, 0 to 1, (H, W).

    light = (1 - cover) pattern + cover times some colour, both constant nearby: the slope of light against
    pattern is what is left of it. Where the pattern hardly shows, the slope leans on 1.
    """
    sigma = max(COVER_SIGMA * period_px, 0.8)

    def near(image: Image) -> Image:
        return np.asarray(cv2.GaussianBlur(image, (0, 0), sigma), np.float32)

    both = np.zeros(keep.shape, np.float32)
    own = np.zeros(keep.shape, np.float32)
    noise = 0.0
    for each in range(3):
        seen, made = light[..., each], pattern.repeating[..., each]
        mean_seen, mean_made = near(seen), near(made)
        both += near(seen * made) - mean_seen * mean_made
        own += near(made * made) - mean_made * mean_made
        noise += float(np.median(np.square(seen - made)[keep > 0][::7])) / 0.4549
        noise += float(np.mean(pattern.mean[::16, ::16, each])) ** 2 * MADE_U**2
    hidden = np.asarray(1 - np.clip((both + noise) / (own + noise), 0, 1), np.float32)
    for _ in range(SHARPER):
        hidden = _sharper(light, pattern, hidden, noise, sigma)
    return hidden


def _sharper(light: Image, pattern: Pattern, hidden: Image, noise: float, sigma: float) -> Image:
    """Coverage pixel by pixel: how far the light is on its way from the pattern to the debris' colour.

    `hidden` tells the colour. Where that and the pattern are alike, as black grains and openings are, the
    neighbours decide.
    """
    weight = hidden**4 + 1e-6
    mass = cv2.GaussianBlur(weight, (0, 0), sigma)
    along, length = (np.zeros_like(hidden) for _ in range(2))
    for each in range(3):
        seen, made = light[..., each], pattern.repeating[..., each]
        way = np.asarray(cv2.GaussianBlur(weight * seen, (0, 0), sigma) / mass - made, np.float32)
        along += way * (seen - made)
        length += way * way
    own = np.clip(along / (length + 1e-9), 0, 1)
    sure = length / (length + noise / HIDDEN_U**2)
    near = cv2.GaussianBlur(sure * own, (0, 0), sigma / 2) / (
        cv2.GaussianBlur(sure, (0, 0), sigma / 2) + 1e-9
    )
    return np.asarray(sure * own + (1 - sure) * near, np.float32)


def _mean(total: Image, weight: Image, repeat: float) -> Image:
    known = weight > 0.3
    filled_in = np.where(known, total / np.maximum(weight, 1e-6), 0)
    return np.maximum(average(filled_in.astype(np.float32), known, 2 * repeat), LEAST_LIGHT)


def _reduced(image: Image, step: int) -> Image:
    down, across = (-side % step for side in image.shape[:2])
    padded = cv2.copyMakeBorder(image, 0, down, 0, across, cv2.BORDER_REPLICATE)
    size = (padded.shape[1] // step, padded.shape[0] // step)
    return np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), np.float32)
