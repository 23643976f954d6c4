"""Shape: Feret diameters, hull, fibre length and width, from sub-pixel outline points in micrometres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.outline import Segments

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Shapes:
    """One row a piece, in micrometres and square micrometres, before any correction for blur."""

    area: Array
    perimeter: Array
    feret_max: Array
    feret_min: Array
    hull_area: Array
    extent: Array  # (N, 2) along x and y


def measure_shapes(segments: Segments, count: int) -> Shapes:
    """Measure all outlines; `segments` carries points already mapped to micrometres."""
    centre = np.stack(
        [np.bincount(segments.label - 1, axis, count).astype(float) for axis in segments.start.T], axis=1
    )
    centre /= np.maximum(np.bincount(segments.label - 1, minlength=count), 1)[:, None]
    start = segments.start - centre[segments.label - 1]
    end = segments.end - centre[segments.label - 1]
    twice = start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0]
    ferets = np.zeros((count, 3))
    bounds = np.searchsorted(segments.label, np.arange(1, count + 2))
    points = start.astype(np.float32)
    extent, traced = np.zeros((count, 2)), np.flatnonzero(np.diff(bounds))
    if traced.size:
        first = bounds[traced]
        extent[traced] = np.maximum.reduceat(start, first) - np.minimum.reduceat(start, first)
    for index in range(count):
        if bounds[index + 1] - bounds[index] > 2:
            ferets[index] = feret_diameters(points[bounds[index] : bounds[index + 1]])
    return Shapes(
        area=np.asarray(np.bincount(segments.label - 1, twice / 2, count), float),
        perimeter=np.asarray(np.bincount(segments.label - 1, np.hypot(*(end - start).T), count), float),
        feret_max=ferets[:, 0],
        feret_min=ferets[:, 1],
        hull_area=ferets[:, 2],
        extent=extent,
    )


def feret_diameters(points: NDArray[np.float32]) -> tuple[float, float, float]:
    """Return longest and shortest Feret diameter and hull area of points (N, 2).

    The shortest lies square to a side of the hull, the longest joins two of its corners.
    """
    hull = cv2.convexHull(points)[:, 0].astype(np.float64)
    following = np.concatenate([hull[1:], hull[:1]])
    side = following - hull
    length = np.hypot(side[:, 0], side[:, 1])
    side = side[length > 0] / length[length > 0, None]
    across = hull @ np.stack([-side[:, 1], side[:, 0]])
    square = (hull * hull).sum(axis=1)
    longest = float(np.sqrt(max((square[:, None] + square - 2 * hull @ hull.T).max(), 0)))
    area = abs(float(hull[:, 0] @ following[:, 1] - hull[:, 1] @ following[:, 0])) / 2
    return longest, float(np.ptp(across, axis=0).min()) if across.size else 0.0, area


def strip_length_and_width(area: Array, perimeter: Array) -> tuple[Array, Array]:
    """Length and width of the strip with this area and perimeter, bent or straight.

    Half the perimeter is length plus width, the area their product.
    """
    half = perimeter / 2
    root = np.sqrt(np.maximum(half**2 - 4 * area, 0))
    length = (half + root) / 2
    return length, area / np.maximum(length, 1e-9)
