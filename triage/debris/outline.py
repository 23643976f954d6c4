"""Sub-pixel outlines of all labelled particles at once, by marching squares on a signed field.

The field is positive inside particles and negative outside; the outline runs where it is zero,
interpolated linearly between pixel centres. Where two labels touch, it runs half-way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.halves import Half
from triage.debris.tiles import Cut, map_tiles

Points = NDArray[np.float64]

# Corners of a cell of four pixels: 0 top-left, 1 top-right, 2 bottom-right, 3 bottom-left.
# Edges: 0 top (0-1), 1 right (1-2), 2 bottom (2-3), 3 left (3-0).
# For each of the 16 patterns (bit k: corner k inside), segments as (from edge, to edge) with the
# inside on the right in image coordinates, so that the shoelace sum is positive.
_SEGMENTS: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((0, 3),),
    2: ((1, 0),),
    3: ((1, 3),),
    4: ((2, 1),),
    5: ((2, 3), (0, 1)),
    6: ((2, 0),),
    7: ((2, 3),),
    8: ((3, 2),),
    9: ((0, 2),),
    10: ((3, 0), (1, 2)),
    11: ((1, 2),),
    12: ((3, 1),),
    13: ((0, 1),),
    14: ((3, 0),),
}
_CORNER = np.array([[0, 0], [0, 1], [1, 1], [1, 0]])  # (row, col) of each corner
_EDGE = np.array([[0, 1], [1, 2], [2, 3], [3, 0]])  # corners an edge joins


@dataclass(frozen=True)
class Segments:
    """Directed outline pieces of all particles, sorted by label; (x, y) in pixels."""

    label: NDArray[np.int32]  # (M,)
    start: Points  # (M, 2)
    end: Points  # (M, 2)
    start_key: NDArray[np.int64]  # (M,), names the pixel pair a point lies between
    end_key: NDArray[np.int64]  # (M,)

    def rows(self, chosen: NDArray[np.bool_]) -> Segments:
        """Some of the parts."""
        return Segments(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))

    def middle_px(self, shape: tuple[int, ...]) -> NDArray[np.intp]:
        """Pixel (column, row) at the middle of each part, (2, M), inside a picture of that shape."""
        middle = np.round((self.start + self.end) / 2).astype(np.intp).T
        return np.clip(middle, 0, np.array([[shape[1]], [shape[0]]]) - 1)


_Pieces = tuple[NDArray[np.int32], Points, Points, NDArray[np.int64], NDArray[np.int64]]


@dataclass(frozen=True)
class _Cells:
    """Cells of four pixels: top-left pixel, the label outlined, labels and field at the corners (N, 4)."""

    row: NDArray[np.intp]
    column: NDArray[np.intp]
    label: NDArray[np.int32]
    labels: NDArray[np.int32]
    values: NDArray[np.float32]

    def rows(self, chosen: NDArray[np.bool_]) -> _Cells:
        """Some of the cells."""
        return _Cells(
            self.row[chosen],
            self.column[chosen],
            self.label[chosen],
            self.labels[chosen],
            self.values[chosen],
        )


def trace(labels: NDArray[np.int32], field: Half) -> Segments:
    """Outline every label. Both arrays are (H, W); labels 0 is background; a one-pixel border is needed.

    A labelled pixel counts as inside whatever the field says there, so the caller decides what
    belongs to a particle and the field only places the line.
    """
    row, column = _mixed_cells(labels)
    corner_labels = labels[row[:, None] + _CORNER[:, 0], column[:, None] + _CORNER[:, 1]]
    corner_values = field[row[:, None] + _CORNER[:, 0], column[:, None] + _CORNER[:, 1]].astype(np.float32)
    parts: list[_Pieces] = []
    for corner in range(4):
        label = corner_labels[:, corner]
        fresh = label > 0
        for earlier in range(corner):
            fresh &= corner_labels[:, earlier] != label
        cells = _Cells(row[fresh], column[fresh], label[fresh], corner_labels[fresh], corner_values[fresh])
        parts += _segments(cells, labels.shape[1])
    return _gather(parts)


def _mixed_cells(labels: NDArray[np.int32]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    def of_tile(cut: Cut, own: Cut) -> NDArray[np.intp]:
        tile = labels[cut][tuple(slice(side.start, side.stop + 1) for side in own)]
        first = tile[:-1, :-1]
        mixed = (tile[:-1, 1:] != first) | (tile[1:, 1:] != first) | (tile[1:, :-1] != first)
        corner = [side.start + part.start for side, part in zip(cut, own, strict=True)]
        return np.asarray(np.argwhere(mixed) + corner, np.intp)

    row, column = np.concatenate(map_tiles(of_tile, labels.shape, halo=1)).T
    return row, column


def _segments(cells: _Cells, width: int) -> list[_Pieces]:
    pattern = (cells.labels == cells.label[:, None]) @ np.array([1, 2, 4, 8])
    parts: list[_Pieces] = []
    for code, pairs in _SEGMENTS.items():
        chosen = cells.rows(pattern == code)
        if not chosen.label.size:
            continue
        for ends in pairs:
            (start, start_key), (end, end_key) = (_crossing(edge, code, chosen, width) for edge in ends)
            parts.append((chosen.label, start, end, start_key, end_key))
    return parts


def _crossing(edge: int, code: int, cells: _Cells, width: int) -> tuple[Points, NDArray[np.int64]]:
    """Return the point (N, 2) where the outline crosses one cell edge, and the key of that edge."""
    one, other = _EDGE[edge]
    if not code >> int(one) & 1:
        one, other = other, one
    inner = np.maximum(cells.values[:, one], 1e-6)
    outer = np.minimum(cells.values[:, other], -1e-6)
    part = np.where(cells.labels[:, other] > 0, 0.5, inner / (inner - outer))
    here = _CORNER[one] + part[:, None] * (_CORNER[other] - _CORNER[one])
    point = np.stack([cells.column + here[:, 1], cells.row + here[:, 0]], axis=1)
    corner = _CORNER[[one, other]].min(axis=0)
    across = int(edge in (0, 2))
    return point, ((cells.row + corner[0]) * width + cells.column + corner[1]) * 2 + across


def _gather(parts: list[_Pieces]) -> Segments:
    if not parts:
        nothing = np.empty((0, 2))
        none = np.empty(0, np.int64)
        return Segments(np.empty(0, np.int32), nothing, nothing, none, none)
    label, start, end, start_key, end_key = (np.concatenate(column) for column in zip(*parts, strict=True))
    order = np.argsort(label, kind="stable")
    return Segments(label[order], start[order], end[order], start_key[order], end_key[order])


def cell_segments(labels: NDArray[np.int32]) -> Segments:
    """Outline every label along the pixels' own sides: exact for a picture of only two levels."""
    height, width = labels.shape
    parts = []
    # A pixel's side: the step to its neighbour, its ends from the pixel's centre (clockwise on screen).
    for step, start, end in (
        ((-1, 0), (-0.5, -0.5), (0.5, -0.5)),
        ((0, 1), (0.5, -0.5), (0.5, 0.5)),
        ((1, 0), (0.5, 0.5), (-0.5, 0.5)),
        ((0, -1), (-0.5, 0.5), (-0.5, -0.5)),
    ):
        neighbour = np.zeros_like(labels)
        rows = slice(max(0, -step[0]), height - max(0, step[0]))
        columns = slice(max(0, -step[1]), width - max(0, step[1]))
        neighbour[rows, columns] = labels[
            rows.start + step[0] : rows.stop + step[0], columns.start + step[1] : columns.stop + step[1]
        ]
        row, column = np.nonzero((labels > 0) & (neighbour != labels))
        centre = np.stack([column, row], axis=1).astype(np.float64)
        ends = [centre + start, centre + end]
        keys = [((point[:, 1] + 0.5) * (width + 1) + point[:, 0] + 0.5).astype(np.int64) for point in ends]
        parts.append((labels[row, column], ends[0], ends[1], keys[0], keys[1]))
    return _gather(parts)


def polygons(segments: Segments, count: int) -> list[NDArray[np.float32]]:
    """Link the pieces into one closed outline a label, (N, 2) px; the longest where there are several."""
    outlines = [np.empty((0, 2), np.float32)] * count
    bounds = np.searchsorted(segments.label, np.arange(1, count + 2))
    for index in range(count):
        part = slice(bounds[index], bounds[index + 1])
        outlines[index] = _longest_loop(
            segments.start[part], segments.start_key[part], segments.end_key[part]
        )
    return outlines


def _longest_loop(
    start: Points, start_key: NDArray[np.int64], end_key: NDArray[np.int64]
) -> NDArray[np.float32]:
    follow = {key: index for index, key in enumerate(start_key.tolist())}
    ends = end_key.tolist()
    best: list[int] = []
    while follow:
        _, index = follow.popitem()
        loop = [index]
        while (following := follow.pop(ends[loop[-1]], None)) is not None:
            loop.append(following)
        best = max(best, loop, key=len)
    return start[best].astype(np.float32)
