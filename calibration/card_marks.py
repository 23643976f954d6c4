"""What the card is made of: its marks, each with its place, and the plain shapes they are drawn with.

Places are millimetres from the frame picture's top-left corner, x right, y down.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PatchKind = Literal["white", "grey", "black"]
Axis = Literal["x", "y"]
Point = tuple[float, float]
Rect = tuple[float, float, float, float]  # x, y, width, height

DOT_MM = 25.4 / 600  # a dot of the printer the card is made for
MARKER_MODULES = 8  # 6 x 6 bits and a black border


@dataclass(frozen=True)
class Marker:
    """A square ArUco marker; side_mm is that of its black border's outside."""

    id: int
    centre_mm: Point
    side_mm: float


@dataclass(frozen=True)
class Patch:
    """An even patch; coverage is the toner asked of the printer, 0 paper to 1 solid (grey is halftoned)."""

    kind: PatchKind
    rect_mm: Rect
    coverage: float


@dataclass(frozen=True)
class LinePatch:
    """Whole periods of black lines, the first line starting on the rectangle's edge.

    stacked is the axis along which line follows line.
    """

    rect_mm: Rect
    line_dots: int
    pitch_dots: int
    stacked: Axis


@dataclass(frozen=True)
class SlantedEdge:
    """One straight black/white edge; black lies to the right of the way from start to end (y points down).

    clear_mm: how far from the edge both sides are even.
    """

    start_mm: Point
    end_mm: Point
    clear_mm: float


@dataclass(frozen=True)
class Scale:
    """Ticks along x at origin_mm[0] + n * step_mm, n = 0..count - 1, standing on y = origin_mm[1]."""

    unit: Literal["mm", "thou"]
    origin_mm: Point
    step_mm: float
    count: int


@dataclass(frozen=True)
class Rects:
    """Filled rectangles drawn as one area."""

    rects_mm: tuple[Rect, ...]
    ink: float = 1.0


@dataclass(frozen=True)
class Polygon:
    """A filled polygon."""

    points_mm: tuple[Point, ...]
    ink: float = 1.0


@dataclass(frozen=True)
class Disc:
    """A filled disc."""

    centre_mm: Point
    diameter_mm: float
    ink: float = 1.0


@dataclass(frozen=True)
class Text:
    """A line of text centred on at_mm along its baseline; upward text reads from bottom to top."""

    at_mm: Point
    size_mm: float
    text: str
    upward: bool = False


Shape = Rects | Polygon | Disc | Text
