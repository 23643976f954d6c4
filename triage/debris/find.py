"""Find: which pixels depart from the paper, at a stated signal-to-noise, cut at half of their own peak.

Detection happens on the departure smoothed by the photo's own blur, the matched filter of a speck.
The bright side of the paper is the yardstick for false alarms: paper fibres and blotches depart to
both sides alike, debris to one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Departure, Image
from triage.debris.halves import Half, above, halved, restored
from triage.debris.tiles import Cut, filter_tiles, map_tiles

Mask = NDArray[np.uint8]

SMOOTHING_PX = 0.6  # for measuring: takes the worst of the noise off, costs little resolution
# Where single pixels' noise comes near what counts as seen, outlines fray; under a wide blur more smoothing
# costs no resolution.
NOISY, SMOOTHING_SHARE = 5.0, 0.4
NOISE_FACTOR = 2.0  # of that smoothing
SEED_SNR = 6.0  # a window holds about a million independent places: six sigma keeps false seeds rare
GROW_SNR = 3.0
YARDSTICK_MARGIN = 1.25
SEED_FLOOR = 0.04  # of the paper's light
COLOUR_WEIGHT = 1.5  # colour counts more than brightness: a shadow darkens paper, it hardly colours it
HALO = 0.4  # of a strong piece: what is fainter close beside it is its own dim seam
HALO_SIGMAS = 8
DUSTY = 0.6  # of the spread of all pixels: so much smaller a spread on the bright side means dust all over
HANDFUL = 20
TILE = 64
NOISE_TILES = 250  # spread over the window, tell its noise as well as all of them
# Channels to light and two colour axes at right angles to it, whose squares add up to COLOUR_WEIGHT times the
# channels' variance.
LIGHT_AND_COLOUR = np.array([[1 / 3, 1 / 3, 1 / 3], [0, 0, 0], [0, 0, 0]], np.float32)
LIGHT_AND_COLOUR[1:] = np.array([[1, -1, 0], [1 / 3**0.5, 1 / 3**0.5, -2 / 3**0.5]]) * (
    COLOUR_WEIGHT / 6**0.5
)
ALL = np.ones((1, 3), np.float32)


@dataclass(frozen=True)
class Found:
    """Debris pixels: `mask` (H, W) is 1 inside debris; `light` and `strength` are as smoothed for measuring.

    `noise` is the standard deviation of `light` on bare paper, `seed_level` what counts as seen,
    `smoothing_px` what both were smoothed by.
    """

    mask: Mask
    light: Half
    strength: Half
    noise: float
    seed_level: float
    detection_noise: float
    smoothing_px: float

    @property
    def pixel_noise(self) -> float:
        """Standard deviation of one independent pixel: smoothing and JPEG spread noise over neighbours."""
        return NOISE_FACTOR * self.smoothing_px / SMOOTHING_PX * self.noise


def disc(radius_px: float) -> Mask:
    """Return a round structuring element."""
    size = 2 * max(1, round(radius_px)) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def find(departure: Departure, window: Mask, sigma_px: float) -> Found:
    """Find debris inside `window`; `sigma_px` is the photo's blur."""
    found = find_smoothed(departure, window, sigma_px, SMOOTHING_PX)
    wide = SMOOTHING_SHARE * sigma_px
    noisy = wide > SMOOTHING_PX and NOISY * found.noise > found.seed_level
    return find_smoothed(departure, window, sigma_px, wide) if noisy else found


def find_smoothed(departure: Departure, window: Mask, sigma_px: float, smoothing_px: float) -> Found:
    """Find debris inside `window`, measured at a stated smoothing."""

    def smoothed(cut: Cut) -> tuple[Half, ...]:
        step = np.asarray(cv2.transform(departure.inside(cut), LIGHT_AND_COLOUR), np.float32)
        both = *light_and_strength(step, sigma_px), *light_and_strength(step, smoothing_px)
        return tuple(halved(picture) for picture in both)

    halo = int(np.ceil(4 * max(sigma_px, smoothing_px))) + 2
    light, strength, fine_light, fine_strength = filter_tiles(smoothed, window.shape, halo)
    strength[window == 0] = 0
    noise = noise_of(light, window)
    yardstick = _bright_side(light, strength, sigma_px)
    seed = max(SEED_SNR * noise, YARDSTICK_MARGIN * yardstick, SEED_FLOOR)
    blobs = _hysteresis(strength, seed, max(GROW_SNR * noise, seed / 2))
    del light, strength  # memory is fullest below
    reach = disc(2.5 * np.hypot(sigma_px, smoothing_px) + 1)
    around = np.ones((2 * round(HALO_SIGMAS * sigma_px) + 1,) * 2, np.uint8)

    def at_half(cut: Cut) -> tuple[Mask]:
        part = restored(fine_strength[cut])
        level = np.maximum(0.5 * cv2.dilate(part, reach), HALO * cv2.dilate(part, around))
        return ((blobs[cut] & (part > level)).astype(np.uint8),)

    (mask,) = filter_tiles(at_half, window.shape, max(len(reach), len(around)))
    fine_noise = noise_of(fine_light, window)
    return Found(mask, fine_light, fine_strength, fine_noise, seed, noise, smoothing_px)


def light_and_strength(step: Image, sigma_px: float) -> tuple[Image, Image]:
    """Signed light departure, and strength (light and colour together), smoothed, (H, W) each.

    `step` is the departure in light and two colour axes, (H, W, 3).
    """
    if sigma_px > 0:
        step = blurred(step, sigma_px)
    power = cv2.transform(cv2.multiply(step, step), ALL)
    return np.asarray(cv2.extractChannel(step, 0), np.float32), np.asarray(cv2.sqrt(power), np.float32)


def blurred(image: Image, sigma_px: float) -> Image:
    """Blur by a Gaussian, cut off where a thousandth is left: OpenCV's own goes farther and takes longer."""
    across = 2 * int(np.ceil(3 * sigma_px)) + 1
    return np.asarray(cv2.GaussianBlur(image, (across, across), sigma_px), np.float32)


def noise_of(values: Half, window: Mask) -> float:
    """Standard deviation on bare paper: the lower third of the tiles' robust spreads."""
    height, width = min(TILE, values.shape[0]), min(TILE, values.shape[1])
    rows, columns = values.shape[0] // height, values.shape[1] // width

    def tiles(image: NDArray[Any]) -> NDArray[Any]:
        cut = image[: rows * height, : columns * width]
        return cut.reshape(rows, height, columns, width).transpose(0, 2, 1, 3)

    row, column = np.nonzero(tiles(window).min(axis=(2, 3)))
    if not row.size:
        row, column = np.divmod(np.arange(rows * columns), columns)
    some = slice(None, None, max(1, row.size // NOISE_TILES))
    chosen = tiles(values)[row[some], column[some]].reshape(-1, height * width)[:, ::3].astype(np.float32)
    chosen.sort(axis=1)
    middle = np.median(chosen, axis=1, keepdims=True)
    noise = _third_of(np.median(np.abs(chosen - middle), axis=1))
    # Between dust no tile is bare, and only what is brighter than paper is noise alone.
    brighter = (chosen < 0).sum(axis=1)
    both = np.flatnonzero(brighter)
    if both.size:
        last = brighter[both] - 1
        bright = _third_of(-(chosen[both, last // 2] + chosen[both, (last + 1) // 2]) / 2)
        noise = bright if bright < DUSTY * noise else noise
    return noise + 1e-5


def _third_of(spreads: NDArray[Any]) -> float:
    """Standard deviation of normal noise from the lower third of median deviations."""
    return float(1.4826 * np.percentile(spreads, 33))


def _bright_side(light: Half, strength: Half, sigma_px: float) -> float:
    """Return the strength that only a handful of places on the debris-free side of the paper exceed."""
    reach = np.ones((2 * round(8 * sigma_px) + 1,) * 2, np.uint8)

    def strongest(cut: Cut, own: Cut) -> tuple[int, NDArray[np.float32]]:
        debris = cv2.dilate(above(strength[cut], 0.15), reach)[own]
        bare = (debris == 0) & (above(light[cut][own], 0.0) == 0)
        values = strength[cut][own][bare].astype(np.float32)
        return values.size, np.partition(values, -HANDFUL)[-HANDFUL:] if values.size > HANDFUL else values

    counts, values = zip(*map_tiles(strongest, light.shape, len(reach)), strict=True)
    return float(np.sort(np.concatenate(values))[-HANDFUL]) if sum(counts) > 50 * HANDFUL else 0.0


def _hysteresis(strength: Half, seed: float, grow: float) -> NDArray[np.bool_]:
    count, blobs = cv2.connectedComponents(above(strength, grow), connectivity=8)
    seeded = np.zeros(count, bool)
    seeded[blobs[above(strength, seed) > 0]] = True
    seeded[0] = False
    chosen: NDArray[np.bool_] = seeded[blobs]
    return chosen
