"""Outlines of debris in mm: grains as star-shaped polygons, fibres as bands along a curve; their sizes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray

Points = NDArray[np.float64]
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Grain:
    """A polygon (N, 2), mm, about its own origin, every corner visible from there."""

    outline: Points

    def depth(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return (distance to the outline in mm, positive inside; radius over the outline's radius there)."""
        corners, angles, edge_normal = self._edges()
        theta = np.arctan2(y, x)
        edge = (np.searchsorted(angles, theta, side="right") - 1) % len(angles)
        normal = edge_normal[edge]
        reach = (normal * corners[edge]).sum(axis=-1)
        along = normal[..., 0] * x + normal[..., 1] * y
        return reach - along, along / reach

    def _edges(self) -> tuple[Points, Array, Points]:
        angles = np.arctan2(self.outline[:, 1], self.outline[:, 0])
        order = np.argsort(angles)
        corners = self.outline[order]
        step = np.roll(corners, -1, axis=0) - corners
        normal = np.column_stack([step[:, 1], -step[:, 0]]) / np.hypot(step[:, 0], step[:, 1])[:, None]
        return corners, angles[order], normal

    @cached_property
    def polygon(self) -> shapely.Polygon:
        """Return the silhouette."""
        return shapely.Polygon(self.outline)

    def discs(self) -> Array:
        """Return circles (M, 3: x, y, radius) that together cover the piece, for placing it."""
        return np.array([[0.0, 0.0, np.hypot(self.outline[:, 0], self.outline[:, 1]).max()]])


@dataclass(frozen=True)
class Fibre:
    """A band of constant width along a centre line (N, 2), mm, about its own origin."""

    centre_line: Points
    width: float

    def depth(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return (distance to the outline in mm, positive inside; to the centre line, over half width)."""
        near = np.full(x.shape, 2 * self.width)
        for start, end in zip(self.centre_line[:-1], self.centre_line[1:], strict=True):
            box = _box_around(x, y, start, end, 1.2 * self.width)
            near[box] = np.minimum(near[box], _to_segment(x[box], y[box], start, end))
        return self.width / 2 - near, near / (self.width / 2)

    @cached_property
    def polygon(self) -> shapely.Polygon:
        """Return the silhouette, ends rounded."""
        return shapely.LineString(self.centre_line).buffer(self.width / 2, quad_segs=16)

    def length(self) -> float:
        """Return the length along the centre line, tip to tip."""
        return float(shapely.LineString(self.centre_line).length + self.width)

    def discs(self) -> Array:
        """Return circles (M, 3: x, y, radius) that together cover the piece, for placing it."""
        step = np.hypot(*np.diff(self.centre_line, axis=0).T).max()
        radius = np.full(len(self.centre_line), self.width / 2 + step / 2)
        return np.column_stack([self.centre_line, radius])


@dataclass(frozen=True)
class Sizes:
    """Sizes of a silhouette in the outline's unit."""

    area: float
    ecd: float
    feret_max: float
    feret_min: float


def sizes_of(polygon: shapely.Polygon) -> Sizes:
    """Measure a silhouette exactly: area by shapely, Feret diameters over its convex hull."""
    hull = np.asarray(polygon.convex_hull.exterior.coords)[:-1]
    edge = np.roll(hull, -1, axis=0) - hull
    normal = np.column_stack([edge[:, 1], -edge[:, 0]]) / np.hypot(edge[:, 0], edge[:, 1])[:, None]
    reach = hull @ normal.T
    gaps = hull[:, None, :] - hull[None, :, :]
    return Sizes(
        area=float(polygon.area),
        ecd=float(np.sqrt(4 * polygon.area / np.pi)),
        feret_max=float(np.sqrt((gaps**2).sum(axis=-1)).max()),
        feret_min=float((reach.max(axis=0) - reach.min(axis=0)).min()),
    )


def random_grain(
    rng: np.random.Generator, ecd_mm: float, corners: int, roughness: float, stretch: float
) -> Grain:
    """Return an irregular grain of exactly that ECD: few corners give facets, many a rounded blob."""
    angles = np.sort((np.arange(corners) + rng.uniform(-0.35, 0.35, corners)) * 2 * np.pi / corners)
    radius = np.exp(roughness * _ring_noise(rng, angles))
    outline = np.column_stack([radius * np.cos(angles) * stretch, radius * np.sin(angles)])
    turn = rng.uniform(0, 2 * np.pi)
    outline = outline @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    area = shapely.Polygon(outline).area
    return Grain(outline * ecd_mm * np.sqrt(np.pi / 4 / area))


def random_fibre(rng: np.random.Generator, width_mm: float, length_mm: float, curl: float) -> Fibre:
    """Return a smooth curved fibre; `curl` is the deviation of its direction in radians."""
    parts = int(np.clip(length_mm / width_mm * 2, 12, 160))
    modes = np.arange(1, 4)
    place = np.linspace(0, 1, parts)
    bend = rng.normal(0, curl / modes, 3) @ np.sin(
        np.pi * modes[:, None] * place + rng.uniform(0, 6.28, (3, 1))
    )
    heading = rng.uniform(0, 2 * np.pi) + bend
    steps = np.column_stack([np.cos(heading), np.sin(heading)]) * (length_mm - width_mm) / parts
    line = np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
    return Fibre(line - line.mean(axis=0), width_mm)


def _ring_noise(rng: np.random.Generator, angles: Array) -> Array:
    modes = np.arange(2, 8)
    strength = rng.normal(0, 1, (2, len(modes))) / modes
    return np.asarray(
        strength[0] @ np.cos(modes[:, None] * angles) + strength[1] @ np.sin(modes[:, None] * angles)
    )


def _box_around(x: Array, y: Array, start: Points, end: Points, reach: float) -> tuple[slice, slice]:
    """Return the part of a nearly affine grid that lies within `reach` of a short segment."""
    rows, cols = x.shape[0] - 1, x.shape[1] - 1
    across = np.array([x[0, cols] - x[0, 0], y[0, cols] - y[0, 0]]) / cols
    down = np.array([x[rows, 0] - x[0, 0], y[rows, 0] - y[0, 0]]) / rows
    to_grid = np.linalg.inv(np.column_stack([across, down]))
    ends = (np.array([start, end]) - [x[0, 0], y[0, 0]]) @ to_grid.T
    margin = reach * np.abs(to_grid).sum(axis=1).max() + 3
    low = np.maximum(np.floor(ends.min(axis=0) - margin), 0).astype(int)
    high = np.maximum(np.ceil(ends.max(axis=0) + margin), 0).astype(int)
    return slice(low[1], high[1]), slice(low[0], high[0])


def _to_segment(x: Array, y: Array, start: Points, end: Points) -> Array:
    way = end - start
    place = np.clip(((x - start[0]) * way[0] + (y - start[1]) * way[1]) / (way @ way), 0, 1)
    return np.asarray(np.hypot(x - start[0] - place * way[0], y - start[1] - place * way[1]))
