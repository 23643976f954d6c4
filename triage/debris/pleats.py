"""Pleats: folded element paper as ground, bands of light and dark, made even along the folds.

Light changes quickly across a fold and hardly along it, so the bare paper at a place is the middle value of
what lies before and behind it along its own fold. Where the folds run is followed from place to place:
perspective makes them converge, and paper never lies straight.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

GLANCE = 256  # pixels along the longer side are enough to tell folds
PARTS = 3  # of the window along each side, each judged alone
ALIKE = 0.75  # coherence of the slopes' directions in a part with folds
BANDED = 0.6  # of a part's variance explained by its profile across the folds
LEAST_DEPTH = 0.1  # deviation of the logarithm of light between bands
MOST_PARTS = 0.6  # of the parts must show folds
FOLD_PX = (4.0, 120.0)  # least and greatest distance of folds at a glance
REDUCED_FOLD = 30  # reduced pixels from fold to fold
REACH = 1.5  # folds, to either side along the fold: longer than a grain, shorter than a bend
SAMPLES = 8  # to either side
DARKEST = 0.12  # of the ridges' light: a deeper valley shows nothing
LEAST_LIGHT = 1e-3


@dataclass(frozen=True)
class Folds:
    """Distance from fold to fold in pixels, middle of the window."""

    apart_px: float


def find_folds(rgb: NDArray[np.uint8], window: Mask) -> Folds | None:
    """Find pleats in a photo (H, W, 3) inside `window` (H, W); None on any other ground."""
    by = max(1, max(window.shape) // GLANCE)
    light = np.log(rgb[::by, ::by, 1].astype(np.float32) + 4)
    inside = window[::by, ::by] > 0
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), 1.0), np.float32)
    apart = []
    rows, columns = (np.array_split(np.arange(side), PARTS) for side in light.shape)
    for row in rows:
        for column in columns:
            cut = np.ix_(row, column)
            if inside[cut].mean() > 0.9:
                apart.append(_fold_distance(light[cut]))
    known = np.array([each for each in apart if each is not None])
    if len(apart) < PARTS or known.size < MOST_PARTS * len(apart):
        return None
    return Folds(float(np.median(known)) * by)


def _fold_distance(part: Image) -> float | None:
    """Distance of the bands in one small part, in its pixels; None where there are none."""
    down, across = np.gradient(part)
    doubled = (across + 1j * down) ** 2
    total = complex(doubled.sum())
    if part.std() < LEAST_DEPTH or abs(total) < ALIKE * float(np.abs(doubled).sum()):
        return None
    angle = np.angle(total) / 2
    y, x = np.mgrid[: part.shape[0], : part.shape[1]]
    place = np.cos(angle) * x + np.sin(angle) * y
    number = np.round(place - place.min()).astype(int)
    count = np.maximum(np.bincount(number.ravel()), 1)
    profile = np.bincount(number.ravel(), part.ravel()) / count
    if np.var(profile[number]) < BANDED * np.var(part):
        return None
    busy = profile[count > 0.3 * count.max()]
    level = busy - np.polyval(np.polyfit(np.arange(busy.size), busy, 1), np.arange(busy.size))
    crossings = np.flatnonzero(np.diff(np.signbit(level)))
    if crossings.size < 3:
        return None
    distance = 2 * float(np.mean(np.diff(crossings)))
    return distance if FOLD_PX[0] <= distance <= FOLD_PX[1] else None


@dataclass(frozen=True)
class Unfolded:
    """A photo with its pleats made even; `seen` (H, W) is 0 in valleys too dark to show anything."""

    rgb: NDArray[np.uint8]
    seen: Mask


def without_pleats(rgb: NDArray[np.uint8], lut: Image, window: Mask, folds: Folds) -> Unfolded:
    """Make the folds' light and dark even; `lut` (256,) is code value to linear light."""
    by = max(1, round(folds.apart_px / REDUCED_FOLD))
    shape = (-(-rgb.shape[0] // by), -(-rgb.shape[1] // by))
    light = lut[rgb]
    small = np.maximum(_reduced(light, by), LEAST_LIGHT)
    fold = folds.apart_px / by
    bare = _along(small, _directions(np.log(small.mean(axis=2)), fold), fold)
    size = 2 * round(fold / 2) + 1
    ridge = cv2.GaussianBlur(cv2.dilate(bare.mean(axis=2), np.ones((size, size), np.uint8)), (0, 0), fold)
    level = np.stack([cv2.GaussianBlur(each, (0, 0), 1.5 * fold) for each in cv2.split(bare)], axis=2)
    part = np.asarray(bare.mean(axis=2) / ridge, np.float32)

    def full(image: Image) -> Image:
        large = cv2.resize(image, (shape[1] * by, shape[0] * by), interpolation=cv2.INTER_LINEAR)
        return np.asarray(large[: rgb.shape[0], : rgb.shape[1]], np.float32)

    bare, level, part = full(bare), full(np.asarray(level, np.float32)), full(part)
    even = np.where((part > DARKEST)[..., None], light / bare, 1) * level
    codes = np.interp(np.clip(even, lut[0], lut[-1]), lut, np.arange(256))
    return Unfolded(np.round(codes).astype(np.uint8), ((part > DARKEST) & (window > 0)).astype(np.uint8))


def _directions(level: Image, fold: float) -> Array:
    """Unit vectors (h, w, 2: x, y) along the folds, from the slopes of a neighbourhood together."""
    smooth = cv2.GaussianBlur(level, (0, 0), fold / 10)
    across = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    down = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    # Held down so that a black grain has no more say than a fold.
    length = np.hypot(across, down)
    say = 1 / np.maximum(length, float(np.percentile(length, 75)) + 1e-9)
    across, down = across * say, down * say
    real = cv2.GaussianBlur(across * across - down * down, (0, 0), fold)
    imaginary = cv2.GaussianBlur(2 * across * down, (0, 0), fold)
    angle = np.arctan2(imaginary, real) / 2 + np.pi / 2
    return np.stack([np.cos(angle), np.sin(angle)], axis=2)


def _along(light: Image, direction: Array, fold: float) -> Image:
    """Middle value of the light along each pixel's own fold, (h, w, 3)."""
    height, width = light.shape[:2]
    y, x = np.mgrid[:height, :width].astype(np.float32)
    step = np.float32(REACH * fold / SAMPLES)
    field = direction.astype(np.float32)
    samples = [light]
    for sign in (1, -1):
        at_x, at_y, way = x, y, field * np.float32(sign)
        for _ in range(SAMPLES):
            at_x, at_y = at_x + step * way[..., 0], at_y + step * way[..., 1]
            samples.append(_read(light, at_x, at_y, np.inf))
            ahead = _read(field, at_x, at_y, 0.0)
            # A direction has two senses: keep to the one that goes on.
            same = np.sign((ahead * way).sum(axis=2, keepdims=True))
            way = ahead * np.where(same == 0, 1, same)
    ordered = np.sort(np.stack(samples), axis=0)  # what lies outside the picture comes last
    known = np.isfinite(ordered).sum(axis=0)
    return np.asarray(np.take_along_axis(ordered, (known[None] - 1) // 2, axis=0)[0], np.float32)


def _read(image: Image, x: Image, y: Image, outside: float) -> Image:
    border = (outside,) * 4
    return np.asarray(
        cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=border),
        np.float32,
    )


def _reduced(image: Image, by: int) -> Image:
    down, across = (-side % by for side in image.shape[:2])
    padded = cv2.copyMakeBorder(image, 0, down, 0, across, cv2.BORDER_REPLICATE)
    size = (padded.shape[1] // by, padded.shape[0] // by)
    return np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), np.float32)
