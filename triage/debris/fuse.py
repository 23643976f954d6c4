"""Fuse: several photos of one spread, laid over each other to a fraction of a pixel, become one picture.

Each photo is divided by its own bare paper, so that lamps and exposures no longer differ, and brought to the
pixels of the first. Where the lamp stayed they are averaged: noise falls with the root of their number. Where
it was moved, the brightest of them is unshadowed paper. Where the pixels are coarse beside the blur, and the
photos lie at fractions of a pixel to each other, the picture is made on a grid twice as fine.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import Calibration
from calibration.light import measure_noise
from calibration.scale import PlaneMap
from calibration.sharpness import measure_blur
from calibration.tone import Tone
from triage.debris.align import PixelMap, align, lamps_apart, shadow_lean
from triage.debris.background import Image
from triage.debris.find import disc
from triage.debris.relative import RelativeLight, mean_of_channels, relative_light

Array = NDArray[np.float64]

TILE = 768
CODES = 1 << 16
AGREE = 0.012  # of the paper's light: photos nearer than this are averaged, else the brighter is unshadowed
PAPER = 0.8  # of the paper's light: what is darker in every photo is debris
RIM_SIGMAS = 3.0  # farther from the paper than this a piece's own light is averaged
FINER = 2
# From this blur up the pixels already hold all that the lens lets through: a finer grid gains nothing.
COARSE_SIGMA_PX = 0.5
FEWEST_FINER = 4  # photos
COVERED = 0.6  # of the quarters of a pixel, on average, that some photo's pixel centre falls into


@dataclass(frozen=True)
class View:
    """One photo of the spread; `move` (2, 3) takes its millimetres to those of the first photo."""

    rgb: NDArray[np.uint8]
    calibration: Calibration
    move: Array


@dataclass(frozen=True)
class Landmarks:
    """Pieces of the first photo that tell of moved lamps: centres (N, 2), half lengths (N,) and blur, px."""

    centre_px: Array
    radius_px: Array
    sigma_px: float


@dataclass(frozen=True)
class Fused:
    """The window as one picture, its corner in the first photo, and how it was made.

    `finer` of its pixels go to one of the first photo's, each way. `registered`: the maps from the first
    to the other photos; `lamps_apart`: shadows were cancelled.
    """

    rgb: NDArray[np.uint8]
    calibration: Calibration
    left: int
    top: int
    finer: int
    registered: tuple[PixelMap, ...]
    lamps_apart: bool

    def in_first(self, xy_px: NDArray[np.floating]) -> Array:
        """(N, 2) pixels of this picture to pixels of the first photo."""
        return np.asarray((xy_px - (self.finer - 1) / 2) / self.finer + [self.left, self.top])


def fuse(views: Sequence[View], landmarks: Landmarks) -> Fused:
    """Lay all views over the first and make one picture of its debris window."""
    first, *others = views
    base = relative_light(first.rgb, first.calibration)
    lean = shadow_lean(base, landmarks.centre_px, landmarks.radius_px, landmarks.sigma_px)
    layers, apart = [], False
    for view in others:
        light = relative_light(view.rgb, view.calibration)
        place = _start(first, view)
        other = shadow_lean(light, place.at(landmarks.centre_px), landmarks.radius_px, landmarks.sigma_px)
        dark = first.calibration.dark
        moved_lamp = not dark and lamps_apart(lean, other)
        # A shadow (on a dark card a lit side) turned about looks like a piece that moved: marks alone decide.
        layers.append((place if moved_lamp or dark else align(place, base, light), light))
        apart |= moved_lamp
    registered = tuple(place for place, _ in layers)
    finer = FINER if _gains_by_finer(registered, landmarks.sigma_px) and not apart else 1
    tone = first.calibration.light.tone
    rgb = _picture(base, layers, tone, _Plan(finer, landmarks.sigma_px if apart else None))
    left, top = base.crop.left, base.crop.top
    calibration = _calibration(rgb, first.calibration, (left, top), finer)
    calibration = replace(calibration, light=replace(calibration.light, unshadowed=apart))
    return Fused(rgb, calibration, left, top, finer, registered, apart)


def _gains_by_finer(registered: Sequence[PixelMap], sigma_px: float) -> bool:
    """Whether the pixels are coarse beside the blur and enough photos fall between each other's pixels."""
    if sigma_px >= COARSE_SIGMA_PX or len(registered) + 1 < FEWEST_FINER:
        return False
    steps = np.linspace(-1, 1, 9)
    whole = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    grid = np.rint(whole * registered[0].half + registered[0].middle)
    places = [grid, *(place.at(grid) for place in registered)]
    quarter = np.stack([(np.floor(2 * at) % 2) @ [1, 2] for at in places])
    return float(np.mean([(quarter == each).any(axis=0) for each in range(4)])) >= COVERED


@dataclass(frozen=True)
class _Plan:
    """How the picture is made: pixels to one of the first photo's; the blur, where shadows are to go."""

    finer: int
    shadow_sigma_px: float | None


def _start(first: View, view: View) -> PixelMap:
    outline = first.calibration.window_px
    low, high = outline.min(axis=0), outline.max(axis=0)
    return PixelMap(
        first.calibration.plane,
        view.calibration.plane,
        view.move,
        (low + high) / 2,
        float((high - low).max() / 2),
        np.zeros((6, 2)),
    )


def _picture(
    base: RelativeLight, layers: Sequence[tuple[PixelMap, RelativeLight]], tone: Tone, plan: _Plan
) -> NDArray[np.uint8]:
    finer, sigma = plan.finer, plan.shadow_sigma_px
    height, width = (side * finer for side in base.crop.window.shape)
    rgb = np.empty((height, width, 3), np.uint8)
    codes = _codes(tone)
    halo = 0 if sigma is None else int(np.ceil(8 * sigma))

    def work(corner: tuple[int, int]) -> None:
        top, left = corner
        bottom, right = min(top + TILE, height), min(left + TILE, width)
        up, back = min(halo, top), min(halo, left)
        rows = np.arange(top - up, min(bottom + halo, height), dtype=np.float32)
        columns = np.arange(left - back, min(right + halo, width), dtype=np.float32)
        x, y = (
            np.asarray((axis - (finer - 1) / 2) / finer, np.float32) for axis in np.meshgrid(columns, rows)
        )
        stack, seen = _stack(base, layers, x, y)
        light = _mean(stack, seen) if sigma is None else _unshadowed(stack, seen, sigma)
        light *= base.paper(x, y)
        own = light[up : up + bottom - top, back : back + right - left]
        index = np.clip(own * (CODES - 1) + 0.5, 0, CODES - 1).astype(np.uint16)
        rgb[top:bottom, left:right] = codes[index]

    corners = [(top, left) for top in range(0, height, TILE) for left in range(0, width, TILE)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        list(pool.map(work, corners))
    return rgb


def _stack(
    base: RelativeLight, layers: Sequence[tuple[PixelMap, RelativeLight]], x: Image, y: Image
) -> tuple[list[Image], list[Image]]:
    """Relative light of each photo (h, w, 3) at pixels x, y of the first's window; where it shows them."""
    left, top = float(x[0, 0] + base.crop.left), float(y[0, 0] + base.crop.top)
    stack = [base.read(x + np.float32(base.crop.left), y + np.float32(base.crop.top))]
    seen = [np.ones(x.shape, np.float32)]
    for place, light in layers:
        at = place.tile(left, top, x.shape, float(x[0, 1] - x[0, 0]))
        stack.append(light.read(*at))
        seen.append(light.shows(*at).astype(np.float32))
    return stack, seen


def _mean(stack: Sequence[Image], weight: Sequence[Image]) -> Image:
    total = sum(cv2.multiply(layer, cv2.merge([part] * 3)) for layer, part in zip(stack, weight, strict=True))
    return np.asarray(total / np.maximum(sum(weight), np.float32(1e-6))[..., None], np.float32)


def _unshadowed(stack: Sequence[Image], seen: Sequence[Image], sigma_px: float) -> Image:
    """The brightest photo at paper and outlines, the mean inside pieces and where the photos agree."""
    grey = np.stack([cv2.GaussianBlur(mean_of_channels(layer), (0, 0), 1.0) for layer in stack])
    grey[np.stack(seen) == 0] = -1
    brightest = grey.max(axis=0)
    near_paper = cv2.dilate(brightest, disc(RIM_SIGMAS * sigma_px)) > PAPER
    weight = np.exp(-0.5 * ((brightest - grey) / AGREE) ** 2)
    weight = np.where(near_paper, weight, 1).astype(np.float32) * np.stack(seen)
    return _mean(stack, list(weight))


def _codes(tone: Tone) -> NDArray[np.uint8]:
    """Code of each linear light, (CODES,)."""
    light = np.linspace(0, 1, CODES)
    return np.asarray(np.rint(np.interp(light, tone.lut.astype(float), np.arange(256))), np.uint8)


def _calibration(
    rgb: NDArray[np.uint8], first: Calibration, corner: tuple[int, int], finer: int
) -> Calibration:
    """The first photo's calibration for the fused picture, with the fused picture's own noise and blur."""

    def cut(plane: PlaneMap) -> PlaneMap:
        x, y = (finer * (at - low) + (finer - 1) / 2 for at, low in zip(plane.centre_px, corner, strict=True))
        return replace(plane, centre_px=(x, y), radius_px=finer * plane.radius_px)

    window = finer * (first.window_px - corner) + (finer - 1) / 2
    plane, print_plane = cut(first.plane), cut(first.print_plane)
    noise = measure_noise(rgb, print_plane, None, window, first.light)
    blur = measure_blur(rgb, print_plane, None, window, first.light, noise)
    if blur is None and first.blur is not None:
        blur = replace(
            first.blur, sigma_px=finer * first.blur.sigma_px, sigma_u_px=finer * first.blur.sigma_u_px
        )
    return replace(
        first,
        plane=plane,
        print_plane=print_plane,
        um_per_px=first.um_per_px / finer,
        window_px=window,
        noise=noise,
        blur=blur,
        problems=(),
    )
