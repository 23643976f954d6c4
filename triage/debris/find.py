"""Find: which pixels depart from the paper, at a stated signal-to-noise, cut at half of their own peak.

Detection happens on the departure smoothed by the photo's own blur, the matched filter of a speck.
The bright side of the paper is the yardstick for false alarms: paper fibres and blotches depart to
both sides alike, debris to one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Departure, Image
from triage.debris.strips import filter_strips

Mask = NDArray[np.uint8]

SEED_SNR = 6.0  # a window holds about a million independent places: six sigma keeps false seeds rare
GROW_SNR = 3.0
YARDSTICK_MARGIN = 1.25
SEED_FLOOR = 0.04  # of the paper's light
COLOUR_WEIGHT = 1.5  # colour counts more than brightness: a shadow darkens paper, it hardly colours it
HALO = 0.4  # of a strong piece: what is fainter close beside it is its own dim seam
HALO_SIGMAS = 8
TILE = 64
MEAN = np.full((1, 3), 1 / 3, np.float32)


@dataclass(frozen=True)
class Found:
    """Debris pixels: `mask` (H, W) is 1 inside debris; `light` and `strength` are as smoothed for measuring.

    `noise` is the standard deviation of `light` on bare paper, `seed_level` what counts as seen.
    """

    mask: Mask
    light: Image
    strength: Image
    noise: float
    seed_level: float
    detection_noise: float


def disc(radius_px: float) -> Mask:
    """Return a round structuring element."""
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def find(departure: Departure, window: Mask, sigma_px: float, smoothing_px: float) -> Found:
    """Find debris inside `window`; `sigma_px` is the photo's blur, `smoothing_px` that for measuring."""

    def smoothed(rows: slice) -> tuple[Image, ...]:
        step = departure.rows(rows)
        return *light_and_strength(step, sigma_px), *light_and_strength(step, smoothing_px)

    height = len(window)
    halo = int(np.ceil(4 * max(sigma_px, smoothing_px))) + 2
    light, strength, fine_light, fine_strength = filter_strips(smoothed, height, halo)
    strength[window == 0] = 0
    noise = noise_of(light, window)
    yardstick = _bright_side(light, strength, sigma_px)
    seed = max(SEED_SNR * noise, YARDSTICK_MARGIN * yardstick, SEED_FLOOR)
    blobs = _hysteresis(strength, seed, max(GROW_SNR * noise, seed / 2))
    reach = disc(2.5 * np.hypot(sigma_px, smoothing_px) + 1)
    around = np.ones((2 * round(HALO_SIGMAS * sigma_px) + 1,) * 2, np.uint8)

    def cut(rows: slice) -> tuple[Mask]:
        part = fine_strength[rows]
        level = np.maximum(0.5 * cv2.dilate(part, reach), HALO * cv2.dilate(part, around))
        return ((blobs[rows] & (part > level)).astype(np.uint8),)

    (mask,) = filter_strips(cut, height, max(len(reach), len(around)))
    return Found(mask, fine_light, fine_strength, noise_of(fine_light, window), seed, noise)


def light_and_strength(step: Image, sigma_px: float) -> tuple[Image, Image]:
    """Signed light departure, and strength (light and colour together), smoothed, (H, W) each.

    `step` is the departure by channel, (H, W, 3).
    """
    if sigma_px > 0:
        step = np.asarray(cv2.GaussianBlur(step, (0, 0), sigma_px), np.float32)
    light = np.asarray(cv2.transform(step, MEAN), np.float32)
    spread = np.asarray(cv2.transform(cv2.multiply(step, step), MEAN), np.float32)
    spread -= light * light
    np.maximum(spread, 0, out=spread)
    spread *= COLOUR_WEIGHT**2
    spread += light * light
    return light, np.sqrt(spread, out=spread)


def noise_of(values: Image, window: Mask) -> float:
    """Standard deviation on bare paper: the lower third of the tiles' robust spreads."""
    height, width = min(TILE, values.shape[0]), min(TILE, values.shape[1])
    rows, columns = values.shape[0] // height, values.shape[1] // width

    def tiles(image: Image | Mask) -> Image:
        cut = image[: rows * height, : columns * width].reshape(rows, height, columns, width)
        return np.asarray(cut.transpose(0, 2, 1, 3).reshape(rows * columns, -1)[:, ::3], np.float32)

    whole = tiles(window).min(axis=1) > 0
    chosen = tiles(values)[whole if whole.any() else slice(None)]
    middle = np.median(chosen, axis=1, keepdims=True)
    return float(1.4826 * np.percentile(np.median(np.abs(chosen - middle), axis=1), 33)) + 1e-5


def _bright_side(light: Image, strength: Image, sigma_px: float) -> float:
    """Return the strength that only a handful of places on the debris-free side of the paper exceed."""
    debris = cv2.dilate((strength > 0.15).astype(np.uint8), disc(8 * sigma_px))
    values = strength[(debris == 0) & (light < 0)]
    handful = 20
    return float(np.partition(values, -handful)[-handful]) if values.size > 50 * handful else 0.0


def _hysteresis(strength: Image, seed: float, grow: float) -> NDArray[np.bool_]:
    count, blobs = cv2.connectedComponents((strength > grow).astype(np.uint8), connectivity=8)
    seeded = np.zeros(count, bool)
    seeded[blobs[strength > seed]] = True
    seeded[0] = False
    chosen: NDArray[np.bool_] = seeded[blobs]
    return chosen
