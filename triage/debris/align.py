"""Align: how the pixels of one photo of a spread lie in another, and whether the lamp was moved between them.

The calibrations of both photos, or their pieces, give the map to a fraction of a pixel or a few. What is left
over, from marks, lens, and grains that stand proud of the paper, is smooth: it is found from all outlines in
the picture at once. Where the lamp was moved that would follow the shadows, so it must be told first.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.edges import magnitude
from calibration.scale import PlaneMap
from triage.debris.background import Image
from triage.debris.register import inverse, moved
from triage.debris.relative import RelativeLight

Array = NDArray[np.float64]

KNOT = 8  # pixels between places at which the map is worked out; linear between them
SMOOTHINGS_PX = (3.0, 1.2)  # coarse to fine: each finds what is off by about as much
ROUNDS = 6
MOST_PLACES = 60_000
STEEP = 6.0  # times the typical slope: an outline
LEAST_SLOPE = 0.01  # of the paper's light a pixel
LEAST_MISFIT = 0.004
FEWEST_PLACES = 300
HOLD = 1e-4  # keeps what the places do not tell at nothing
RING_PX = (1.5, 3.0, 5.0)  # beyond the blur's reach: where a cast shadow lies beside its piece
RING_SIGMAS = 2.5
ANGLES = 24
MOST_LEAN = 0.1
LEAST_LEAN, SURE_LEAN = 0.004, 6.0
FEWEST_PIECES = 8


@dataclass(frozen=True)
class PixelMap:
    """Pixels of the first photo to those of the second; `nudge` (6, 2) is what registering added.

    `move` (2, 3) takes the second photo's millimetres to the first's; `middle`, `half`: of the window, px.
    """

    first: PlaneMap
    second: PlaneMap
    move: Array
    middle: Array
    half: float
    nudge: Array

    def at(self, xy_px: Array) -> Array:
        """(N, 2) pixels of the first photo to (N, 2) of the second."""
        own = xy_px - self.terms(xy_px) @ self.nudge
        return self.second.to_px(moved(self.first.to_mm(own), inverse(self.move)))

    def terms(self, xy_px: Array) -> Array:
        """(N, 6) what a nudge is made of: shift, stretch and bend."""
        u, v = ((xy_px - self.middle) / self.half).T
        return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)

    def tile(self, left: float, top: float, shape: tuple[int, int], step: float) -> tuple[Image, Image]:
        """Map a tile of places `step` pixels apart, the first at pixel (left, top): x and y, `shape` each."""
        counts = [side // KNOT + 3 for side in shape]
        rows, columns = (step * (KNOT * (np.arange(count) - 1) + (KNOT - 1) / 2) for count in counts)
        mesh = np.stack(np.meshgrid(left + columns, top + rows), axis=-1).reshape(-1, 2)
        size = (counts[1] * KNOT, counts[0] * KNOT)
        part = (slice(KNOT, KNOT + shape[0]), slice(KNOT, KNOT + shape[1]))
        x, y = self.at(mesh).T.reshape(2, *counts).astype(np.float32)
        large = [cv2.resize(axis, size, interpolation=cv2.INTER_LINEAR)[part] for axis in (x, y)]
        return np.asarray(large[0], np.float32), np.asarray(large[1], np.float32)


def align(start: PixelMap, first: RelativeLight, second: RelativeLight) -> PixelMap:
    """Register the second photo to the first, beginning from `start`."""
    found = start
    for sigma_px in SMOOTHINGS_PX:
        found = _settled(found, first, first.smooth_grey(sigma_px), second, second.smooth_grey(sigma_px))
    return found


def _settled(
    start: PixelMap, first: RelativeLight, grey: Image, second: RelativeLight, other: Image
) -> PixelMap:
    place = _outline_places(grey, first.crop.window)
    if len(place) < FEWEST_PLACES:
        return start
    corner = np.array([first.crop.left, first.crop.top])
    column, row = place.T
    slope = np.stack(
        [grey[row, column + 1] - grey[row, column - 1], grey[row + 1, column] - grey[row - 1, column]], axis=1
    )
    terms = start.terms(place + corner)
    design = np.concatenate([terms * slope[:, :1] / 2, terms * slope[:, 1:] / 2], axis=1)
    nudge = start.nudge
    for _ in range(ROUNDS):
        now = PixelMap(start.first, start.second, start.move, start.middle, start.half, nudge)
        at = (now.at((place + corner).astype(float)) - [second.crop.left, second.crop.top]).astype(np.float32)
        seen = _read(other, at) - grey[row, column]
        off = np.median(seen)
        spread = max(1.4826 * float(np.median(np.abs(seen - off))), LEAST_MISFIT)
        trust = np.maximum(1 - (seen / (3 * spread)) ** 2, 0) ** 2
        normal = design.T @ (design * trust[:, None])
        hold = HOLD * np.trace(normal) / len(normal) * np.eye(len(normal))
        nudge = nudge + np.linalg.solve(normal + hold, design.T @ (trust * seen)).reshape(2, 6).T
    return PixelMap(start.first, start.second, start.move, start.middle, start.half, nudge)


def _outline_places(grey: Image, window: NDArray[np.uint8]) -> NDArray[np.intp]:
    """(N, 2) columns and rows of the steepest places in the window."""
    across = cv2.Sobel(grey, cv2.CV_32F, 1, 0, scale=1 / 8)
    steep = magnitude(across, cv2.Sobel(grey, cv2.CV_32F, 0, 1, scale=1 / 8))
    inner = cv2.erode(window, np.ones((9, 9), np.uint8), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    steep[inner == 0] = 0
    least = max(STEEP * float(np.median(steep[::4, ::4])), LEAST_SLOPE)
    place = np.flatnonzero(steep > least)
    place = place[:: max(1, place.size // MOST_PLACES)]
    row, column = np.divmod(place, grey.shape[1])
    return np.stack([column, row], axis=1)


def _read(grey: Image, at: Image) -> Array:
    """Values at (N, 2) places between pixels; remap takes no list longer than 32767, so in a block."""
    width = 1000
    padded = np.zeros((-(-len(at) // width) * width, 2), np.float32)
    padded[: len(at)] = at
    block = padded.reshape(-1, width, 2)
    read = cv2.remap(grey, block[..., 0], block[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(read.ravel()[: len(at)], float)


def shadow_lean(light: RelativeLight, centre_px: Array, radius_px: Array, sigma_px: float) -> Array:
    """(N, 2) to which side the paper beside each piece is darker, and by how much of its light.

    `centre_px` (N, 2) and `radius_px` (N,) are the pieces' places and half lengths in this photo.
    """
    grey = light.smooth_grey(1.0)
    angle = np.linspace(0, 2 * np.pi, ANGLES, endpoint=False)
    way = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    reach = radius_px[:, None] + RING_SIGMAS * sigma_px + np.array(RING_PX)
    at = centre_px[:, None, None] + reach[:, :, None, None] * way
    at -= [light.crop.left, light.crop.top]
    seen = _read(grey, at.reshape(-1, 2).astype(np.float32)).reshape(at.shape[:3])
    return np.asarray(np.einsum("nra,ac->nc", np.clip(1 - seen, -0.05, 0.6), way) / seen[0].size)


def lamps_apart(lean: Array, other: Array) -> bool:
    """Tell from two photos' `shadow_lean` of the same pieces whether the lamp was moved between them."""
    if len(lean) < FEWEST_PIECES:
        return False
    turned = np.clip(other - lean, -MOST_LEAN, MOST_LEAN)
    mean = turned.mean(axis=0)
    error = float(turned.std(axis=0).mean()) / np.sqrt(len(turned))
    return bool(np.hypot(*mean) > max(LEAST_LEAN, SURE_LEAN * error))
