"""Where in a photo something is wrong, as rectangles to draw: (x, y, width, height) in its upright pixels."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import identify, make_frame

if TYPE_CHECKING:
    from calibration.scale import PlaneMap

FloatArray = NDArray[np.float64]
Area = tuple[float, float, float, float]
Areas = tuple[Area, ...]

MOST_AREAS = 6  # the largest are enough to show
STRIP = 0.03  # of the photo's longer side: how wide what lies outside is drawn along the edge
PARTS = 4  # the window is judged in so many parts a side


def box(points_px: FloatArray, size: tuple[int, int]) -> Areas:
    """Return the rectangle round points (N, 2), cut to a photo of (width, height).

    Where they lie outside it is a strip along the photo's nearest edge.
    """
    last = np.array(size, float)
    strip = STRIP * last.max()
    low = np.clip(points_px.min(axis=0), 0, last - strip)
    high = np.clip(points_px.max(axis=0), low + np.minimum(strip, last), last)
    return ((float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])),)


def quarter(points_px: FloatArray, which: tuple[int, int], size: tuple[int, int]) -> Areas:
    """Return the quarter (column, row) of the box round points (N, 2), cut to a photo of (width, height)."""
    ((x, y, width, height),) = box(points_px, size)
    return ((x + which[0] * width / 2, y + which[1] * height / 2, width / 2, height / 2),)


def cell_areas(hit: NDArray[np.bool_], corner: tuple[float, float], side_px: float) -> Areas:
    """Return the largest patches of a map of square cells, its first cell's corner at (x, y) px."""
    _, _, stats, _ = cv2.connectedComponentsWithStats(hit.astype(np.uint8), connectivity=8)
    patches = stats[1:]
    largest = patches[np.argsort(-patches[:, cv2.CC_STAT_AREA], kind="stable")][:MOST_AREAS]
    return tuple(
        (
            corner[0] + float(x) * side_px,
            corner[1] + float(y) * side_px,
            float(width) * side_px,
            float(height) * side_px,
        )
        for x, y, width, height, _ in largest
    )


def far_side(plane: PlaneMap, window_px: FloatArray, size: tuple[int, int]) -> Areas:
    """Return the part of the window's outline (N, 2) where a pixel covers most."""
    um_per_px = plane.um_per_px(window_px)
    far = window_px[um_per_px >= np.quantile(um_per_px, 0.7)]
    middle = window_px.mean(axis=0)
    return box(np.vstack([far, far + 0.4 * (middle - far)]), size)


def cut_sides(window_px: FloatArray, size: tuple[int, int]) -> Areas:
    """Return a strip along each edge of the photo over which the window's outline (N, 2) runs."""
    found: list[Area] = []
    for axis in (0, 1):
        for beyond in (window_px[:, axis] < -0.5, window_px[:, axis] > size[axis] - 0.5):
            if beyond.any():
                found += box(window_px[beyond], size)
    return tuple(found)


def darkest_parts(rgb: NDArray[np.uint8], window_px: FloatArray) -> Areas:
    """Return the quarter of the window's parts that get the least light; photo (H, W, 3), outline (N, 2)."""
    height, width = rgb.shape[:2]
    low = np.clip(window_px.min(axis=0), 0, (width - PARTS, height - PARTS))
    high = np.clip(window_px.max(axis=0), low + PARTS, (width, height))
    xs, ys = (np.linspace(low[k], high[k], PARTS + 1) for k in (0, 1))
    parts = [(i, j) for j in range(PARTS) for i in range(PARTS)]
    levels = [
        float(np.median(rgb[int(ys[j]) : int(ys[j + 1]) : 4, int(xs[i]) : int(xs[i + 1]) : 4, 1]))
        for i, j in parts
    ]
    dark = sorted(zip(levels, parts, strict=True))[: len(parts) // 4]
    return tuple(
        (float(xs[i]), float(ys[j]), float(xs[i + 1] - xs[i]), float(ys[j + 1] - ys[j])) for _, (i, j) in dark
    )


def missing_markers(seen: int, corners_px: FloatArray, size: tuple[int, int]) -> Areas:
    """Return where the frame's other markers should be, by corners (4, 2) of the one seen; to a glance."""
    try:
        number, name, _ = identify(seen)
    except ValueError:
        return ()
    places = {marker.id: np.asarray(marker.centre_mm) for marker in make_frame(name, number=number).markers}
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    square = square * make_frame(name, number=number).markers[0].side_mm
    to_px = cv2.getPerspectiveTransform(
        (places[seen] + square).astype(np.float32), corners_px.astype(np.float32)
    )
    found: list[Area] = []
    for marker, centre in places.items():
        if marker != seen:
            corners = cv2.perspectiveTransform((centre + square)[None], to_px)[0]
            found += box(np.asarray(corners, float), size)
    return tuple(found)
