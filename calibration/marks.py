"""The place of one printed mark in a photo, to a small part of a pixel.

A mark is registered as a whole against its drawing, by shift only. Blur is symmetric, and ink that spread
moves every edge outward along its normal, which sums to nothing round a closed outline: neither moves
the answer, as either would move a corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import Frame, Marker, marker_bits
from calibration.card_marks import MARKER_MODULES
from calibration.scale import Floats, PlaneMap

Picture = NDArray[np.uint8]
Rects = NDArray[np.float64]  # (N, 4) left, top, right, bottom

SAMPLES = 64  # across a mark: more would only repeat what blur has made alike
TEMPLATE_BLUR = 1.2  # samples; the answer hardly depends on it
LEAST_LIKENESS = 0.8  # correlation of a mark with its drawing; half-covered marks fall below
LEAST_LIKENESS_SEEN = 0.55  # before the ink's spread has been allowed for
CROSS_REACH = 0.7  # half the patch over a cross, in lengths of the cross: white all round it
SETTLING_STEPS = 5
STILL = 0.005  # samples: no further turn would show in the scale
SETTLED = 0.1  # samples: a mark still moving after the last step is none
MARKER_QUIET = 0.75  # modules of white round a marker that belong to it


@dataclass(frozen=True)
class Mark:
    """Black rectangles round a centre."""

    kind: Literal["marker", "cross"]
    centre_mm: tuple[float, float]
    half_mm: float
    black_mm: Rects  # from the centre


@dataclass(frozen=True)
class FoundMark:
    """Where a mark is in the photo, and how like its drawing it looks (correlation)."""

    xy_px: tuple[float, float]
    likeness: float


def marks_of(frame: Frame) -> list[Mark]:
    """Markers first, then crosses, in the frame's order."""
    return [_marker_mark(marker) for marker in frame.markers] + [
        _cross_mark(centre, *frame.cross_mm) for centre in frame.crosses
    ]


def _marker_mark(marker: Marker) -> Mark:
    module = marker.side_mm / MARKER_MODULES
    rows, columns = np.nonzero(marker_bits(marker.id))
    corner = np.column_stack([columns, rows]) * module - marker.side_mm / 2.0
    return Mark(
        "marker",
        marker.centre_mm,
        marker.side_mm / 2.0 + MARKER_QUIET * module,
        np.hstack([corner, corner + module]),
    )


def _cross_mark(centre: tuple[float, float], length: float, stroke: float) -> Mark:
    a, b = length / 2.0, stroke / 2.0
    black = np.array([[-b, -a, b, a], [-a, -b, -b, b], [b, -b, a, b]])
    return Mark("cross", centre, CROSS_REACH * length, black)


@dataclass(frozen=True)
class Pyramid:
    """A grey photo and its halvings, so that a large mark costs no more than a small one."""

    levels: tuple[Picture, ...]

    @classmethod
    def of(cls, grey: Picture) -> Pyramid:
        """Halve (area mean) down to about 400 px."""
        levels = [grey]
        while min(levels[-1].shape) >= 800:
            height, width = (side // 2 for side in levels[-1].shape)
            even = levels[-1][: 2 * height, : 2 * width]
            levels.append(
                np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
            )
        return cls(tuple(levels))

    def sample(self, xy_px: Floats, step_px: float) -> tuple[Floats, NDArray[np.bool_]]:
        """Grey at (H, W, 2) full-size pixels that lie `step_px` apart, and which of them are in the photo."""
        level = min(max(int(math.log2(max(step_px, 1.0)) + 0.1), 0), len(self.levels) - 1)
        picture = self.levels[level]
        x, y = (((xy_px[..., i] + 0.5) / 2**level - 0.5).astype(np.float32) for i in (0, 1))
        height, width = picture.shape
        inside = (x >= 0) & (y >= 0) & (x <= width - 1) & (y <= height - 1)
        grey = cv2.remap(picture, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return grey.astype(np.float64), inside


@dataclass(frozen=True)
class _Drawing:
    """A mark drawn on a grid of samples: ink, its slopes along x and y (per mm), and their size."""

    step_mm: float
    at_mm: Floats  # (n,) sample places along either axis, from the centre
    ink: Floats
    slope_x: Floats
    slope_y: Floats
    growth: Floats


def seek(pyramid: Pyramid, plane: PlaneMap, mark: Mark, reach_mm: float) -> tuple[float, float] | None:
    """Where on the card (mm) the mark seems to stand, at most `reach_mm` off; None if nothing is like it."""
    drawing = _draw(mark, _step_mm(plane, mark))
    spare = math.ceil(reach_mm / drawing.step_mm)
    n = len(drawing.at_mm) + 2 * spare
    at = _grid_mm(n, drawing.step_mm)
    grey, _ = pyramid.sample(*_grid_px(plane, mark.centre_mm, at))
    likeness = cv2.matchTemplate(
        grey.astype(np.float32), (-drawing.ink).astype(np.float32), cv2.TM_CCOEFF_NORMED
    )
    _, best, _, (column, row) = cv2.minMaxLoc(likeness)
    if best < LEAST_LIKENESS_SEEN:
        return None
    shift = (np.array([column, row]) - spare) * drawing.step_mm
    return float(mark.centre_mm[0] + shift[0]), float(mark.centre_mm[1] + shift[1])


def settle(pyramid: Pyramid, plane: PlaneMap, mark: Mark, start_mm: tuple[float, float]) -> FoundMark | None:
    """Register the mark from a start within half a stroke; None if cut off, covered or unlike its drawing."""
    drawing = _draw(mark, _step_mm(plane, mark))
    design = _design(drawing)
    grid, step_px = _grid_px(plane, start_mm, drawing.at_mm)
    px_per_mm = np.linalg.inv(plane.jacobian(plane.to_px([start_mm]))[0])
    shift = np.zeros(2)
    trust = np.ones(len(design))
    for turn in range(SETTLING_STEPS):
        grey, inside = pyramid.sample(grid + px_per_mm @ shift, step_px)
        values = grey.ravel()
        weighted = design * trust[:, None]
        terms = np.linalg.solve(weighted.T @ design, weighted.T @ values)
        if not inside.all() or terms[2] >= 0.0:  # cut off, or pale where it should be dark
            return None
        move = -terms[:2] / terms[2]
        shift += move
        trust = _tukey(values - design @ terms)
        if np.abs(shift).max() > mark.half_mm:
            return None
        if (
            turn and np.abs(move).max() < STILL * drawing.step_mm
        ):  # the first turn still trusts a grain's pixels
            break
    likeness = _likeness(values, design @ terms)
    if likeness < LEAST_LIKENESS or np.abs(move).max() > SETTLED * drawing.step_mm:
        return None
    x, y = plane.to_px([start_mm + shift])[0]
    return FoundMark((float(x), float(y)), likeness)


def _step_mm(plane: PlaneMap, mark: Mark) -> float:
    """Sample distance: one pixel, or more for a large mark."""
    pixel = float(plane.um_per_px(plane.to_px([mark.centre_mm]))[0]) / 1000.0
    return max(pixel, 2.0 * mark.half_mm / SAMPLES)


def _grid_mm(n: int, step_mm: float) -> Floats:
    return np.asarray((np.arange(n) - (n - 1) / 2.0) * step_mm, np.float64)


def _grid_px(plane: PlaneMap, centre_mm: tuple[float, float], at_mm: Floats) -> tuple[Floats, float]:
    """(n, n, 2) pixels of a square grid on the card, and their distance in pixels."""
    n = len(at_mm)
    x, y = np.meshgrid(centre_mm[0] + at_mm, centre_mm[1] + at_mm)
    px = plane.to_px(np.column_stack([x.ravel(), y.ravel()])).reshape(n, n, 2)
    return px, float(np.linalg.norm(px[-1, -1] - px[0, 0])) / (math.sqrt(2.0) * (n - 1))


def _draw(mark: Mark, step_mm: float) -> _Drawing:
    """Each rectangle blurred exactly: a product of two error-function steps."""
    n = 2 * int(mark.half_mm / step_mm) + 1
    at = _grid_mm(n, step_mm)
    sigma = TEMPLATE_BLUR * step_mm
    left, top, right, bottom = (mark.black_mm[:, i, None] for i in range(4))
    across, across_slope = _bar(at, left, right, sigma)
    down, down_slope = _bar(at, top, bottom, sigma)
    slope_x, slope_y = down.T @ across_slope, down_slope.T @ across
    return _Drawing(step_mm, at, down.T @ across, slope_x, slope_y, np.asarray(np.hypot(slope_x, slope_y)))


def _bar(at: Floats, start: Floats, end: Floats, sigma: float) -> tuple[Floats, Floats]:
    """(N, n) of blurred bars, and their slope."""
    from scipy.special import ndtr

    a, b = (at - start) / sigma, (at - end) / sigma
    edge_a, edge_b = (np.exp(-0.5 * z * z) / (sigma * math.sqrt(2.0 * math.pi)) for z in (a, b))
    return np.asarray(ndtr(a) - ndtr(b)), np.asarray(edge_a - edge_b)


def _design(drawing: _Drawing) -> Floats:
    """(n * n, 7) what a photo of the mark is made of: shift in x and y, ink, its spread, level, two ramps."""
    along = np.broadcast_to(drawing.at_mm / drawing.at_mm[-1], drawing.ink.shape)
    parts = (
        drawing.slope_x,
        drawing.slope_y,
        drawing.ink,
        drawing.growth,
        np.ones_like(along),
        along,
        along.T,
    )
    return np.column_stack([part.ravel() for part in parts])


def _tukey(residual: Floats) -> Floats:
    """Weights that drop to nothing for what does not belong to the mark: a grain, a shadow's edge."""
    reach = 6.0 * max(1.4826 * float(np.median(np.abs(residual))), 1.0)
    return np.asarray(np.maximum(1.0 - (residual / reach) ** 2, 0.0) ** 2)


def _likeness(values: Floats, model: Floats) -> float:
    values, model = values - values.mean(), model - model.mean()
    return float(np.sum(values * model) / max(math.sqrt(np.sum(values**2) * np.sum(model**2)), 1e-9))
