"""A frame of the card drawn as vectors on a PDF page: the only drawing of it there is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from calibration.card import Disc, Frame, Point, Polygon, Rect, Rects, Shape, Text

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PT_PER_MM = 72 / 25.4
FONT, BOLD = "Helvetica", "Helvetica-Bold"
_NON_ZERO = 1  # overlapping parts of one area stay filled


def draw_frame(canvas: Canvas, frame: Frame, left_mm: float = 0.0, top_mm: float = 0.0) -> None:
    """Draw the frame with its top-left corner so far from the page's."""
    draw_shapes(canvas, frame.shapes, left_mm, top_mm)


def draw_shapes(canvas: Canvas, shapes: tuple[Shape, ...], left_mm: float = 0.0, top_mm: float = 0.0) -> None:
    """Draw shapes whose origin lies so far from the page's top-left corner, in their order."""
    canvas.saveState()
    canvas.translate(left_mm * PT_PER_MM, canvas._pagesize[1] - top_mm * PT_PER_MM)
    for shape in shapes:
        if isinstance(shape, Text):
            _draw_text(canvas, shape)
        else:
            _draw_area(canvas, shape)
    canvas.restoreState()


def _draw_area(canvas: Canvas, shape: Rects | Polygon | Disc) -> None:
    path = canvas.beginPath()
    if isinstance(shape, Rects):
        rects = _halves(*shape.rects_mm) if len(shape.rects_mm) == 1 else shape.rects_mm
        for rect in rects:
            _add_polygon(path, _corners(rect))
    elif isinstance(shape, Polygon):
        _add_polygon(path, shape.points_mm)
    else:
        x, y = shape.centre_mm
        path.circle(x * PT_PER_MM, -y * PT_PER_MM, shape.diameter_mm / 2 * PT_PER_MM)
    canvas.setFillGray(1 - shape.ink)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=_NON_ZERO)


def _corners(rect: Rect) -> tuple[Point, ...]:
    x, y, w, h = rect
    return (x, y), (x + w, y), (x + w, y + h), (x, y + h)


def _halves(rect: Rect) -> tuple[Rect, Rect]:
    """One rectangle as two in one area: rasterisers snap a lone rectangle outward to whole pixels."""
    x, y, w, h = rect
    return (x, y, w / 2, h), (x + w / 2, y, w / 2, h)


def _add_polygon(path: Any, points_mm: tuple[Point, ...]) -> None:
    for i, (x, y) in enumerate(points_mm):
        (path.lineTo if i else path.moveTo)(x * PT_PER_MM, -y * PT_PER_MM)
    path.close()


def _draw_text(canvas: Canvas, text: Text) -> None:
    canvas.saveState()
    canvas.setFillGray(0)
    canvas.setFont(FONT, text.size_mm * PT_PER_MM)
    canvas.translate(text.at_mm[0] * PT_PER_MM, -text.at_mm[1] * PT_PER_MM)
    if text.upward:
        canvas.rotate(90)
    canvas.drawCentredString(0, 0, text.text)
    canvas.restoreState()
