"""The printed card's geometry: every mark's place in millimetres, for drawing it and for finding it.

Frame coordinates: origin at the frame picture's top-left corner, x right, y down, millimetres.
Everything but the millimetre scale stands on the grid of a 600 dpi printer, so that a mark prints as drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import cv2
import numpy as np

from calibration.card_layout import CLOSEUP, MICRO, WIDE, Layout
from calibration.card_marks import (
    DOT_MM,
    MARKER_MODULES,
    Axis,
    Disc,
    LinePatch,
    Marker,
    Patch,
    PatchKind,
    Point,
    Polygon,
    Rect,
    Rects,
    Scale,
    Shape,
    SlantedEdge,
    Text,
)

__all__ = [
    "BAR_MM",
    "DOT_MM",
    "FRAME_NAMES",
    "MARKER_DICTIONARY",
    "MAX_NUMBER",
    "Disc",
    "Frame",
    "FrameName",
    "LinePatch",
    "Marker",
    "Patch",
    "Point",
    "Polygon",
    "Rect",
    "Rects",
    "Scale",
    "Shape",
    "SlantedEdge",
    "Text",
    "identify",
    "make_frame",
    "marker_bits",
]

FrameName = Literal["wide", "closeup", "micro", "cutout", "cutout_closeup"]
FRAME_NAMES: tuple[FrameName, ...] = get_args(FrameName)
BAR_MM = 3000 * DOT_MM  # the long bars for a caliper: 127.00 mm, 5.000 in
MAX_NUMBER = 40
MARKER_DICTIONARY = cv2.aruco.DICT_6X6_1000
IDS_PER_NUMBER = 24
LINE_PITCH_DOTS = 8

_Cell = tuple[str, int, int, Axis]  # a mark's sign, its centre x and y in dots, the way its row runs


@dataclass(frozen=True)
class Frame:
    """One frame of the card: the debris window, the marks round it, and everything drawn.

    Nothing is printed in debris_rect_mm nor within 1 mm of it (a dark frame is solid black there).
    """

    name: FrameName
    number: int
    dark: bool
    width_mm: float
    height_mm: float
    debris_rect_mm: Rect
    markers: tuple[Marker, ...]
    crosses: tuple[Point, ...]
    cross_mm: tuple[float, float]  # whole length of an arm pair, stroke
    check_dots: tuple[Disc, ...]
    patches: tuple[Patch, ...]
    line_patches: tuple[LinePatch, ...]
    slanted_edges: tuple[SlantedEdge, ...]
    scales: tuple[Scale, ...]
    groove: Rect | None
    shapes: tuple[Shape, ...]


_PLAIN_NAMES = {
    "wide": "wide frame",
    "closeup": "close-up",
    "micro": "micro",
    "cutout": "cut-out, wide",
    "cutout_closeup": "cut-out, close-up",
}


def identify(marker_id: int) -> tuple[int, FrameName, int]:
    """Card number, frame and corner (0 top-left, then clockwise) of a marker id; ValueError if on no card."""
    number, place = divmod(marker_id, IDS_PER_NUMBER)
    index, corner = divmod(place, 4)
    if not 0 <= number <= MAX_NUMBER or index >= len(FRAME_NAMES):
        raise ValueError(f"marker {marker_id} stands on no card")
    return number, FRAME_NAMES[index], corner


def make_frame(name: FrameName, *, number: int = 0, dark: bool = False) -> Frame:
    """The named frame of the card with this number. ValueError, in a plain sentence, for an unknown one."""
    if name not in FRAME_NAMES:
        raise ValueError(f"there is no frame called {name!r}; choose one of {', '.join(FRAME_NAMES)}")
    if not 0 <= number <= MAX_NUMBER:
        raise ValueError(f"there is no card number {number}; choose a whole number from 0 to {MAX_NUMBER}")
    layout = {"wide": WIDE, "cutout": WIDE, "micro": MICRO}.get(name, CLOSEUP)
    width, height = layout.size
    markers = _markers(layout, IDS_PER_NUMBER * number + 4 * FRAME_NAMES.index(name))
    cells = _cells(layout)
    crosses = tuple(_mm(x, y) for sign, x, y, _ in cells if sign == "+")
    squares = [_slanted_square(layout, x, y) for sign, x, y, _ in cells if sign == "/"]
    dots = tuple(dot for sign, x, y, _ in cells if sign == "o" for dot in _check_dots(layout, x, y))
    patches = tuple(_patch(layout, sign, x, y) for sign, x, y, _ in cells if sign in "wgb")
    lines = tuple(_line_patch(layout, int(sign), x, y, axis) for sign, x, y, axis in cells if sign in "246")
    scales = _scales(layout)
    groove = _groove(layout)
    cross_mm = _mm(*layout.cross)
    shapes: list[Shape] = [_border(layout, dark=dark)]
    shapes += [shape for marker in markers for shape in _marker_shapes(marker)]
    shapes += [_cross_shape(centre, cross_mm) for centre in crosses]
    shapes += [Polygon(square) for square in squares]
    shapes += dots
    shapes += [shape for patch in patches for shape in _patch_shapes(patch)]
    shapes += [_line_shape(patch) for patch in lines]
    shapes += [shape for scale in scales for shape in _scale_shapes(layout, scale)]
    shapes += _groove_shapes(layout, groove)
    shapes.append(_label(layout, name, number))
    return Frame(
        name=name,
        number=number,
        dark=dark,
        width_mm=width * DOT_MM,
        height_mm=height * DOT_MM,
        debris_rect_mm=_rect(*layout.margin, *layout.window),
        markers=markers,
        crosses=crosses,
        cross_mm=cross_mm,
        check_dots=dots,
        patches=patches,
        line_patches=lines,
        slanted_edges=tuple(edge for square in squares for edge in _edges(layout, square)),
        scales=scales,
        groove=groove,
        shapes=tuple(shapes),
    )


def marker_bits(marker_id: int) -> np.ndarray:
    """The marker's modules, (8, 8) bool, True where black."""
    dictionary = cv2.aruco.getPredefinedDictionary(MARKER_DICTIONARY)
    bits = cv2.aruco.Dictionary.getBitsFromByteList(dictionary.bytesList[marker_id : marker_id + 1], 6)
    return np.pad(bits == 0, 1, constant_values=True)


def _mm(x: float, y: float) -> Point:
    return x * DOT_MM, y * DOT_MM


def _rect(x: float, y: float, width: float, height: float) -> Rect:
    return x * DOT_MM, y * DOT_MM, width * DOT_MM, height * DOT_MM


def _cells(layout: Layout) -> list[_Cell]:
    """The marks along the four sides, at even steps between the corner markers."""
    width, height = layout.size
    inset = layout.row_inset
    top, bottom, left, right = layout.sides
    cells: list[_Cell] = []
    for row, y in ((top, inset), (bottom, height - inset)):
        cells += [(sign, x, y, "x") for sign, x in zip(row, _spread(layout, width, len(row)), strict=True)]
    for row, x in ((left, inset), (right, width - inset)):
        cells += [(sign, x, y, "y") for sign, y in zip(row, _spread(layout, height, len(row)), strict=True)]
    return cells


def _spread(layout: Layout, side: int, count: int) -> list[int]:
    step = (side - 2 * layout.row_start) / count
    return [round(layout.row_start + step * (i + 0.5)) for i in range(count)]


def _markers(layout: Layout, first_id: int) -> tuple[Marker, ...]:
    width, height = layout.size
    side = MARKER_MODULES * layout.module
    near = layout.marker_inset + side / 2
    centres = ((near, near), (width - near, near), (width - near, height - near), (near, height - near))
    return tuple(Marker(first_id + i, _mm(*centre), side * DOT_MM) for i, centre in enumerate(centres))


def _marker_shapes(marker: Marker) -> tuple[Rects, Rects]:
    """A white island one module wider all round, then runs of black modules as one area, without seams."""
    module = marker.side_mm / MARKER_MODULES
    left, top = (c - marker.side_mm / 2 for c in marker.centre_mm)
    island = marker.side_mm + 2 * module
    runs: list[Rect] = []
    for row, bits in enumerate(marker_bits(marker.id)):
        turns = np.flatnonzero(np.diff(np.pad(bits.astype(int), 1))).reshape(-1, 2)
        runs += [(left + a * module, top + row * module, (b - a) * module, module) for a, b in turns]
    return Rects(((left - module, top - module, island, island),), ink=0.0), Rects(tuple(runs))


def _cross_shape(centre: Point, cross_mm: tuple[float, float]) -> Rects:
    (x, y), (length, stroke) = centre, cross_mm
    return Rects(
        (
            (x - length / 2, y - stroke / 2, length, stroke),
            (x - stroke / 2, y - length / 2, stroke, length),
        )
    )


def _slanted_square(layout: Layout, x: int, y: int) -> tuple[Point, ...]:
    """A square turned by 7.1 degrees (1 in 8), corners on whole dots, clockwise."""
    step = layout.slant
    a, b = 8 * step, step  # one side runs (a, b), the next (-b, a)
    left, top = x - (a - b) // 2, y - (a + b) // 2
    return tuple(_mm(left + dx, top + dy) for dx, dy in ((0, 0), (a, b), (a - b, a + b), (-b, a)))


def _edges(layout: Layout, square: tuple[Point, ...]) -> list[SlantedEdge]:
    clear = min(4 * layout.slant, layout.clear) * DOT_MM
    return [SlantedEdge(square[i], square[(i + 1) % 4], clear) for i in range(4)]


def _check_dots(layout: Layout, x: int, y: int) -> list[Disc]:
    """Discs in a cell's quarters and its middle; an odd diameter is centred on a dot, not between two."""
    step = layout.dot_step
    places = ((-step, -step), (step, -step), (step, step), (-step, step), (0, 0))
    return [
        Disc(_mm(x + dx + dots % 2 / 2, y + dy + dots % 2 / 2), dots * DOT_MM)
        for dots, (dx, dy) in zip(layout.dot_diameters, places, strict=False)
    ]


def _patch(layout: Layout, sign: str, x: int, y: int) -> Patch:
    kinds: dict[str, tuple[PatchKind, float]] = {"w": ("white", 0.0), "g": ("grey", 0.5), "b": ("black", 1.0)}
    kind, coverage = kinds[sign]
    return Patch(kind, _cell_rect(layout, x, y), coverage)


def _patch_shapes(patch: Patch) -> list[Shape]:
    if patch.coverage == 0:  # bare paper, its corners marked on the outside
        x, y, w, h = patch.rect_mm
        s = 2 * DOT_MM
        return [
            Rects(
                (
                    (x - s, y - s, w + 2 * s, s),
                    (x - s, y + h, w + 2 * s, s),
                    (x - s, y, s, h),
                    (x + w, y, s, h),
                )
            )
        ]
    return [Rects((patch.rect_mm,), patch.coverage)]


def _cell_rect(layout: Layout, x: int, y: int) -> Rect:
    return _rect(x - layout.patch // 2, y - layout.patch // 2, layout.patch, layout.patch)


def _line_patch(layout: Layout, line_dots: int, x: int, y: int, axis: Axis) -> LinePatch:
    return LinePatch(_cell_rect(layout, x, y), line_dots, LINE_PITCH_DOTS, axis)


def _line_shape(patch: LinePatch) -> Rects:
    x, y, w, h = patch.rect_mm
    pitch, line = patch.pitch_dots * DOT_MM, patch.line_dots * DOT_MM
    starts = [i * pitch for i in range(round(w / pitch))]
    if patch.stacked == "x":
        return Rects(tuple((x + start, y, line, h) for start in starts))
    return Rects(tuple((x, y + start, w, line) for start in starts))


def _border(layout: Layout, *, dark: bool) -> Rects:
    """The line round the window, at its distance; on a dark frame all within it is black."""
    gap, stroke = layout.border
    (mx, my), (w, h) = layout.margin, layout.window
    x, y = mx - gap - stroke, my - gap - stroke
    width, height = w + 2 * (gap + stroke), h + 2 * (gap + stroke)
    if dark:
        return Rects((_rect(x, y, width, height),))
    flat = [_rect(x, at, width, stroke) for at in (y, y + height - stroke)]
    upright = [_rect(at, y, stroke, height) for at in (x, x + width - stroke)]
    return Rects(tuple(flat + upright))


def _scales(layout: Layout) -> tuple[Scale, Scale]:
    """Thousandths of an inch above the window, millimetres below it, both from its left edge."""
    (mx, my), (w, h) = layout.margin, layout.window
    out = sum(layout.border)
    thou = Scale("thou", _mm(mx, my - out), layout.thou_step * DOT_MM, w // layout.thou_step + 1)
    mm = Scale("mm", _mm(mx, my + h + out), layout.mm_step, int(w * DOT_MM / layout.mm_step + 0.01) + 1)
    return thou, mm


def _scale_shapes(layout: Layout, scale: Scale) -> list[Shape]:
    """Ticks pointing away from the window, the long ones numbered."""
    x, y = scale.origin_mm
    stroke, short, long = (dots * DOT_MM for dots in layout.tick)
    down, every = (True, layout.numbered[0]) if scale.unit == "mm" else (False, layout.numbered[1])
    lengths = [short if n % every else long for n in range(scale.count)]
    ticks = tuple(
        (x + n * scale.step_mm - stroke / 2, y if down else y - length, stroke, length)
        for n, length in enumerate(lengths)
    )
    return [
        Rects(ticks),
        *(_numerals(layout, scale, every) if layout.numerals else [_step_word(layout, scale, every)]),
    ]


def _numerals(layout: Layout, scale: Scale, every: int) -> list[Text]:
    """A numeral at every long tick, the unit beside the first after zero."""
    x, y = scale.origin_mm
    size, long = layout.numerals * DOT_MM, layout.tick[2] * DOT_MM
    baseline = y + long + 0.9 * size if scale.unit == "mm" else y - long - 0.2 * size
    return [
        Text(
            (x + n * scale.step_mm, baseline),
            size,
            _reading(scale, n) + (f" {scale.unit}" if n == every else ""),
        )
        for n in range(0, scale.count, every)
    ]


def _step_word(layout: Layout, scale: Scale, every: int) -> Text:
    """Where numerals would be too small to print: the length between long ticks, in the gap of the row."""
    top, bottom = (layout.sides[0], layout.row_inset), (layout.sides[1], layout.size[1] - layout.row_inset)
    row, y = bottom if scale.unit == "mm" else top
    x = _spread(layout, layout.size[0], len(row))[row.index("...") + 1]
    return Text(_mm(x, y + layout.label / 3), layout.label * DOT_MM, f"{_reading(scale, every)} {scale.unit}")


def _reading(scale: Scale, ticks: int) -> str:
    return f"{ticks * scale.step_mm / (1.0 if scale.unit == 'mm' else 0.0254):.0f}"


def _groove(layout: Layout) -> Rect | None:
    if layout.groove is None:
        return None
    gap, width, length = layout.groove
    (mx, my), (w, h) = layout.margin, layout.window
    return _rect(mx + w + gap, my + h / 2 - length / 2, width, length)


def _groove_shapes(layout: Layout, groove: Rect | None) -> list[Shape]:
    """A thin line along each long side, the ends open, and what to lay in it."""
    if groove is None:
        return []
    x, y, w, h = groove
    stroke, size = 2 * DOT_MM, layout.label * DOT_MM
    lines = Rects(((x - stroke, y, stroke, h), (x + w, y, stroke, h)))
    return [lines, Text((x + w + 2 * stroke + 0.75 * size, y + h / 2), size, layout.groove_word, upward=True)]


def _label(layout: Layout, name: FrameName, number: int) -> Text:
    words = f"card {number}, {_PLAIN_NAMES[name]}"
    if name.startswith("cutout"):
        words += ": cut out along this line"
    baseline = layout.margin[0] - sum(layout.border) - 0.25 * layout.label
    return Text(_mm(baseline, layout.size[1] / 2), layout.label * DOT_MM, words, upward=True)
