"""Shapes of known size, drawn by how much of each pixel they cover, blurred, coded as a photo."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from calibration.calibrate import ByStated, HowScaled, calibrate
from tests.scenes.phone import srgb
from triage.debris.measure import measure_debris
from triage.debris.tabulate import Debris

Cover = NDArray[np.float32]
SUB_ROWS = 16  # lines a pixel; along a line the cover is exact


def disc(diameter: float) -> shapely.Polygon:
    return shapely.Point(0, 0).buffer(diameter / 2, quad_segs=90)


def ellipse(long: float, short: float) -> shapely.Polygon:
    return affinity.scale(disc(1), long, short)


def rectangle(wide: float, tall: float) -> shapely.Polygon:
    return shapely.box(-wide / 2, -tall / 2, wide / 2, tall / 2)


def triangle(side: float) -> shapely.Polygon:
    """Equilateral."""
    return shapely.Polygon(np.array([[0, 0], [1, 0], [0.5, np.sqrt(0.75)]]) * side)


def ell(unit: float) -> shapely.Polygon:
    """A square of two units less a corner of one."""
    return shapely.Polygon(np.array([[0, 0], [2, 0], [2, 1], [1, 1], [1, 2], [0, 2]]) * unit)


def plus(unit: float) -> shapely.Polygon:
    """Five unit cells."""
    across, down = rectangle(3 * unit, unit), rectangle(unit, 3 * unit)
    return across.union(down).simplify(0)


def placed(shape: shapely.Polygon, x: float, y: float, turn_deg: float = 0.0) -> shapely.Polygon:
    """The shape turned, its centroid at (x, y) px."""
    turned = affinity.rotate(shape, turn_deg, origin="centroid")
    return affinity.translate(turned, x - turned.centroid.x, y - turned.centroid.y)


def cover(shape: shapely.Polygon, size: tuple[int, int]) -> Cover:
    """Part of each pixel (H, W) that a polygon without holes covers; pixel centres are whole numbers."""
    height, width = size
    low, high = shape.bounds[1], shape.bounds[3]
    first, last = max(0, int(np.floor(low + 0.5))), min(height, int(np.floor(high + 0.5)) + 1)
    lines = (np.arange((last - first) * SUB_ROWS) + 0.5) / SUB_ROWS + first - 0.5
    corners = np.asarray(shape.exterior.coords)
    (x0, y0), (x1, y1) = corners[:-1].T, corners[1:].T
    crosses = (y0 <= lines[:, None]) != (y1 <= lines[:, None])
    rise = np.where(y1 == y0, 1, y1 - y0)
    x = np.where(crosses, x0 + (lines[:, None] - y0) * (x1 - x0) / rise, np.inf)
    x = np.sort(x, axis=1)[:, : crosses.sum(axis=1).max(initial=0)]
    whole = np.zeros(size, np.float32)
    sides = np.arange(width + 1) - 0.5
    for enter, leave in zip(x[:, ::2].T, x[:, 1::2].T, strict=True):
        passed = np.clip(leave[:, None], sides[:-1], sides[1:]) - np.clip(
            enter[:, None], sides[:-1], sides[1:]
        )
        whole[first:last] += passed.reshape(last - first, SUB_ROWS, width).mean(axis=1)
    return whole


def blurred_cover(shapes: Iterable[shapely.Polygon], size: tuple[int, int], sigma_px: float) -> Cover:
    """Cover of several shapes under a lens of that blur."""
    whole = np.zeros(size, np.float32)
    for shape in shapes:
        np.maximum(whole, cover(shape, size), out=whole)
    return cv2.GaussianBlur(whole, (0, 0), sigma_px) if sigma_px else whole


def photo(
    missing: Cover, *, paper: float | Cover = 0.8, noise: float = 0.004, seed: int = 1
) -> NDArray[np.uint8]:
    """The sRGB picture of paper of that light, of which `missing` (H, W) is gone; grey.

    `noise`: standard deviation of one pixel, relative to the paper's light.
    """
    grain = np.random.default_rng(seed).standard_normal(missing.shape).astype(np.float32)
    light = (paper * (1 - missing + noise * grain)).astype(np.float32)
    grey = np.asarray(np.clip(srgb(light) * 255 + 0.5, 0, 255), np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)


def rows_of(shapes: Sequence[shapely.Polygon], pitch: int) -> tuple[list[shapely.Polygon], tuple[int, int]]:
    """Lay the shapes out on a square pitch (px), each at its own sub-pixel place; also the picture's size."""
    columns = int(np.ceil(np.sqrt(len(shapes))))
    shift = np.random.default_rng(len(shapes)).uniform(-0.5, 0.5, (len(shapes), 2))
    laid = [
        affinity.translate(
            shape,
            (k % columns + 0.5) * pitch + shift[k, 0] - shape.centroid.x,
            (k // columns + 0.5) * pitch + shift[k, 1] - shape.centroid.y,
        )
        for k, shape in enumerate(shapes)
    ]
    return laid, (-(-len(shapes) // columns) * pitch, columns * pitch)


def measured(
    rgb: NDArray[np.uint8], um_per_px: float = 10.0, window: tuple[float, ...] | None = None
) -> Debris:
    """Measure a picture of stated scale."""
    how = HowScaled(by=ByStated(um_per_px), window=window)  # type: ignore[arg-type]
    return measure_debris(rgb, calibrate(rgb, how))


def in_reading_order(debris: Debris, pitch: int) -> NDArray[np.void]:
    """Rows of the table in the order in which `rows_of` laid the shapes out."""
    table = debris.table
    row, column = (table[name] // pitch for name in ("y_px", "x_px"))
    return table[np.lexsort((column, row))]
