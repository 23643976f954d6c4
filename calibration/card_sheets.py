"""The sheets of the printed card: which frame stands where, the long bars, and the words round them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from calibration import card_text
from calibration.card import BAR_MM, DOT_MM, Frame, Rect, Rects, make_frame
from calibration.card_text import Block, Columns
from calibration.card_vector import BOLD, FONT, PT_PER_MM, draw_frame, draw_shapes

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAPER_DOTS = {"a4": (4961, 7016), "letter": (5100, 6600)}  # A4 to the nearest printer dot
PAPER_NAMES = {"a4": "A4", "letter": "US Letter"}
LEFT_MM = 564 * DOT_MM  # frames, the lying bar and words begin here, right of the upright bar
TOP_MM = 852 * DOT_MM
WIDTH_MM = 3960 * DOT_MM
FOOT_MM = 268.0  # words end here on either paper
_BAR_MM = 72 * DOT_MM  # thick enough for a caliper's jaws
X_BAR_MM: Rect = (LEFT_MM, 560 * DOT_MM, BAR_MM, _BAR_MM)
Y_BAR_MM: Rect = (236 * DOT_MM, TOP_MM, _BAR_MM, BAR_MM)
_GAP_MM = 6.0


@dataclass(frozen=True)
class Placed:
    """A frame and the place of its top-left corner on the sheet."""

    frame: Frame
    left_mm: float
    top_mm: float


@dataclass(frozen=True)
class Sheet:
    """A sheet with frames: thin lines to cut them apart, and the words below words_top_mm."""

    title: str
    placed: tuple[Placed, ...]
    cut_lines: tuple[Rects, ...]
    words_top_mm: float
    words: Columns


def sheets(number: int) -> tuple[Sheet, ...]:
    """The sheets that carry frames, in printing order; the instructions follow them."""
    return (
        _wide(number, dark=False),
        _wide(number, dark=True),
        _small(number, dark=False),
        _small(number, dark=True),
        _cutouts(number),
    )


def draw_sheets(canvas: Canvas, number: int, paper: str) -> None:
    """Draw every sheet, a page each, on the canvas."""
    with_frames = sheets(number)
    total = len(with_frames) + 1
    for page, sheet in enumerate(with_frames, 1):
        _draw_header(
            canvas, f"Debris card {number}: {sheet.title}", f"sheet {page} of {total}, {PAPER_NAMES[paper]}"
        )
        _draw_bars(canvas)
        for placed in sheet.placed:
            draw_frame(canvas, placed.frame, placed.left_mm, placed.top_mm)
        draw_shapes(canvas, sheet.cut_lines)
        _draw_columns(canvas, sheet.words, sheet.words_top_mm)
        canvas.showPage()
    _draw_header(
        canvas,
        f"Debris card {number}: from filter to card",
        f"sheet {total} of {total}, {PAPER_NAMES[paper]}",
    )
    _draw_instructions(canvas)
    canvas.showPage()


def _wide(number: int, *, dark: bool) -> Sheet:
    placed = _single(make_frame("wide", number=number, dark=dark))
    below = placed.top_mm + placed.frame.height_mm + _GAP_MM
    if dark:
        return Sheet("wide frame, dark", (placed,), (), below, card_text.wide_dark_words(number))
    return Sheet("wide frame, pale", (placed,), (), below, card_text.wide_words(number))


def _single(frame: Frame) -> Placed:
    """A wide frame, its corner markers in line with the lying bar's end and the words."""
    marker = frame.markers[0]
    return Placed(frame, LEFT_MM - _whole_dots(marker.centre_mm[0] - marker.side_mm / 2), TOP_MM)


def _small(number: int, *, dark: bool) -> Sheet:
    closeups = _row(make_frame("closeup", number=number, dark=dark), 3, TOP_MM, 1060 * DOT_MM)
    micro_top = TOP_MM + 1060 * DOT_MM
    micros = _row(make_frame("micro", number=number, dark=dark), 6, micro_top, 560 * DOT_MM)
    end = micro_top + 560 * DOT_MM
    lines = (_cuts(3, TOP_MM, micro_top), _cuts(6, micro_top, end))
    title = f"close-up and micro frames, {'dark' if dark else 'pale'}"
    return Sheet(title, closeups + micros, lines, end + _GAP_MM, card_text.small_words(dark=dark))


def _cutouts(number: int) -> Sheet:
    wide = make_frame("cutout", number=number)
    row_top = TOP_MM + 2460 * DOT_MM
    closeups = _row(make_frame("cutout_closeup", number=number), 3, row_top, 1060 * DOT_MM)
    end = row_top + 1060 * DOT_MM
    return Sheet(
        "cut-out frames",
        (_single(wide), *closeups),
        (_cuts(3, row_top, end),),
        end + _GAP_MM,
        card_text.cutout_words(),
    )


def _row(frame: Frame, count: int, top_mm: float, height_mm: float) -> tuple[Placed, ...]:
    """Copies in the middles of equal cells, on whole dots."""
    cell = WIDTH_MM / count
    left, top = (_whole_dots(room / 2) for room in (cell - frame.width_mm, height_mm - frame.height_mm))
    return tuple(Placed(frame, LEFT_MM + i * cell + left, top_mm + top) for i in range(count))


def _whole_dots(mm: float) -> float:
    return round(mm / DOT_MM) * DOT_MM


def _cuts(count: int, top_mm: float, end_mm: float) -> Rects:
    """Thin lines round a row of cells."""
    stroke, cell = 2 * DOT_MM, WIDTH_MM / count
    flat = [(LEFT_MM, y, WIDTH_MM + stroke, stroke) for y in (top_mm, end_mm)]
    upright = [(LEFT_MM + i * cell, top_mm, stroke, end_mm - top_mm) for i in range(count + 1)]
    return Rects(tuple(flat + upright))


def _draw_header(canvas: Canvas, title: str, place: str) -> None:
    _write(canvas, BOLD, 15, (LEFT_MM, 15.0), title)
    canvas.setFont(FONT, 8)
    canvas.drawRightString((LEFT_MM + WIDTH_MM) * PT_PER_MM, canvas._pagesize[1] - 15.0 * PT_PER_MM, place)
    _write(canvas, BOLD, 9.5, (LEFT_MM, 20.5), card_text.PRINT_HINT)


def _draw_bars(canvas: Canvas) -> None:
    draw_shapes(canvas, (Rects((X_BAR_MM, Y_BAR_MM)),))
    x, y, length, thick = X_BAR_MM
    _write(canvas, FONT, 8, (x, y + thick + 3.6), f"x bar: {card_text.BAR_WORDS}; measured ________ mm")
    x, y, thick, length = Y_BAR_MM
    at = (x + thick + 3.6, y + length)
    _write(canvas, FONT, 8, at, f"y bar: {card_text.BAR_WORDS}; measured ________ mm", upward=True)


def _write(
    canvas: Canvas, font: str, size: float, at_mm: tuple[float, float], text: str, *, upward: bool = False
) -> None:
    canvas.saveState()
    canvas.setFillGray(0)
    canvas.setFont(font, size)
    canvas.translate(at_mm[0] * PT_PER_MM, canvas._pagesize[1] - at_mm[1] * PT_PER_MM)
    if upward:
        canvas.rotate(90)
    canvas.drawString(0, 0, text)
    canvas.restoreState()


def _draw_columns(canvas: Canvas, columns: Columns, top_mm: float) -> float:
    """Set two columns of words; the depth in mm where the longer one ends."""
    width = (WIDTH_MM - _GAP_MM) / 2
    lefts = (LEFT_MM, LEFT_MM + width + _GAP_MM)
    return max(
        _draw_flow(canvas, _paragraphs(blocks), left, top_mm, width)
        for blocks, left in zip(columns, lefts, strict=True)
    )


def _draw_flow(canvas: Canvas, flow: Iterable[Any], left_mm: float, top_mm: float, width_mm: float) -> float:
    """Set one thing under the other; the depth in mm where the last ends. ValueError for a full sheet."""
    y = top_mm
    for item in flow:
        _, height = item.wrap(width_mm * PT_PER_MM, 1000)
        y += item.getSpaceBefore() / PT_PER_MM
        below = y + height / PT_PER_MM
        item.drawOn(canvas, left_mm * PT_PER_MM, canvas._pagesize[1] - below * PT_PER_MM)
        y = below + item.getSpaceAfter() / PT_PER_MM
    if y > FOOT_MM:
        raise ValueError(f"the words on this sheet end {y - FOOT_MM:.0f} mm too low")
    return y


def _paragraphs(blocks: tuple[Block, ...]) -> list[Any]:
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    plain = ParagraphStyle("plain", fontName=FONT, fontSize=9.5, leading=12.2, spaceAfter=3.4)
    step = ParagraphStyle("step", parent=plain, leftIndent=13, bulletFontName=BOLD, bulletFontSize=9.5)
    heading = ParagraphStyle("heading", parent=plain, fontName=BOLD, fontSize=11, leading=13.5, spaceBefore=5)
    styles = {"plain": plain, "step": step, "heading": heading}
    flow: list[Any] = []
    count = 0
    for block in blocks:
        count = {"step": count + 1, "heading": 0, "plain": count}[block.kind]
        flow.append(Paragraph(block.text, styles[block.kind], f"{count}" if block.kind == "step" else None))
    return flow


def _draw_instructions(canvas: Canvas) -> None:
    """Care first, then the way from filter to card, then what each frame can answer."""
    y = _draw_columns(canvas, card_text.SAFETY, 24.0)
    draw_shapes(canvas, (Rects(((LEFT_MM, y + 1, WIDTH_MM, 6 * DOT_MM),)),))
    y = _draw_columns(canvas, card_text.FROM_FILTER_TO_CARD, y + 2)
    note = _paragraphs((Block("plain", card_text.TABLE_NOTE),))
    _draw_flow(canvas, [_table(), *note], LEFT_MM, y + 2, WIDTH_MM)


def _table() -> Any:
    from reportlab.platypus import Table

    widths = [share * WIDTH_MM * PT_PER_MM for share in (0.11, 0.18, 0.19, 0.18, 0.19, 0.15)]
    style = [
        ("FONT", (0, 0), (-1, -1), FONT, 8.5, 10.5),
        ("FONT", (0, 0), (-1, 0), BOLD, 8.5, 10.5),
        ("FONT", (0, 1), (0, -1), BOLD, 8.5, 10.5),
        ("LINEABOVE", (0, 0), (-1, 0), 0.8, "black"),
        ("LINEBELOW", (0, 0), (-1, 0), 0.8, "black"),
        ("LINEBELOW", (0, 1), (-1, -1), 0.3, "black"),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 2),
        ("RIGHTPADDING", (0, 0), (-1, -1), 2),
        ("TOPPADDING", (0, 0), (-1, -1), 2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 3),
    ]
    table = Table([list(row) for row in card_text.FRAME_TABLE], colWidths=widths, style=style)
    table.spaceAfter = 4
    return table
