"""Shape: Feret diameters, hull, fibre length and width, from sub-pixel outline points in micrometres."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.outline import Segments

Array = NDArray[np.float64]

HULLS_AT_ONCE = 64


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
    wide = np.flatnonzero(np.diff(bounds) > 2)
    if wide.size:
        ferets[wide] = feret_diameters([points[bounds[index] : bounds[index + 1]] for index in wide])
    return Shapes(
        area=np.asarray(np.bincount(segments.label - 1, twice / 2, count), float),
        perimeter=np.asarray(np.bincount(segments.label - 1, np.hypot(*(end - start).T), count), float),
        feret_max=ferets[:, 0],
        feret_min=ferets[:, 1],
        hull_area=ferets[:, 2],
        extent=extent,
    )


def feret_diameters(pieces: list[NDArray[np.float32]]) -> Array:
    """Return longest and shortest Feret diameter and hull area, (N, 3), of N sets of points (M, 2).

    The shortest lies square to a side of the hull, the longest joins two of its corners.
    """
    hulls = [cv2.convexHull(points)[:, 0] for points in pieces]
    sizes = np.array([len(hull) for hull in hulls])
    ferets = np.empty((sizes.size, 3))
    order = np.argsort(sizes, kind="stable")
    for some in np.array_split(order, max(1, sizes.size // HULLS_AT_ONCE)):
        if some.size:
            ferets[some] = _feret_diameters(_padded([hulls[index] for index in some]))
    return ferets


def _padded(hulls: list[NDArray[np.float32]]) -> Array:
    """Hulls with their last corner repeated up to the length of the longest, (N, K, 2)."""
    longest = max(len(hull) for hull in hulls)
    return np.stack([hull[np.minimum(np.arange(longest), len(hull) - 1)] for hull in hulls]).astype(float)


def _feret_diameters(hulls: Array) -> Array:
    side = np.roll(hulls, -1, axis=1) - hulls
    length = np.hypot(side[..., 0], side[..., 1])
    normal = np.stack([-side[..., 1], side[..., 0]], axis=1) / np.where(length > 0, length, np.inf)[:, None]
    # A corner given twice makes no side; a point has none at all, and no width.
    across = np.where(length > 0, np.ptp(hulls @ normal, axis=1), np.inf).min(axis=1)
    across[~np.isfinite(across)] = 0
    apart = hulls[:, :, None] - hulls[:, None]
    longest = np.sqrt((apart**2).sum(axis=3).max(axis=(1, 2)))
    x, y = hulls[..., 0], hulls[..., 1]
    twice = (x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1)
    return np.stack([longest, across, np.abs(twice) / 2], axis=1)


def strip_length_and_width(area: Array, perimeter: Array) -> tuple[Array, Array]:
    """Length and width of the strip with this area and perimeter, bent or straight.

    Half the perimeter is length plus width, the area their product.
    """
    half = perimeter / 2
    root = np.sqrt(np.maximum(half**2 - 4 * area, 0))
    length = (half + root) / 2
    return length, area / np.maximum(length, 1e-9)
