"""A machine's history as a PDF: amount, median size and kinds over its samples, its visits, the trend."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from triage.report import words
from triage.report.flow import ACCENT, INK, RULE, SOFT, bordered, paragraph, printable, style
from triage.report.letterhead import Head, Paper, column_width, document_bytes
from triage.report.units import thou_is_first

if TYPE_CHECKING:
    from triage.record.entries import ServiceVisit
    from triage.record.history import History, HistoryRow

TITLE = "Fuel filter debris: history"
MOST = 14  # samples drawn and listed, the last ones
PANEL, LEFT = 92.0, 54.0  # points
GREYS = ("#0b5563", "#8a4b08", "#7b8794", "#b9c9c9")  # the three commonest kinds, and the rest
NO_TREND = "Too little to tell a trend: samples of one place, taken alike over two months, show it."


def history_pdf(found: History, visits: Sequence[ServiceVisit], trend: str, paper: Paper = "a4") -> bytes:
    """Return the history as the bytes of a PDF; `trend` is its sentence, empty where there is none."""
    from reportlab.platypus import Spacer

    width = column_width(paper)
    machine = found.machine
    rows = found.rows[-MOST:]
    whose = ", ".join(part for part in (machine.unit, machine.type, machine.engine) if part)
    held = f"{_many(len(found.rows), 'sample')}, {_many(len(visits), 'visit')}."
    said = f"{held} Pieces over {words.size(found.from_um)}, "
    story = [
        paragraph((trend or NO_TREND).replace(" %", "\u00a0%"), style(13, bold=True, after=4)),
        paragraph(
            f"{said}the size that all its photos could measure. Lines: 95 % from counting alone; two samples "
            "of one tank differ by more."
            + (f" The last {MOST} are shown." if len(found.rows) > MOST else ""),
            style(9.5, SOFT, after=8),
        ),
    ]
    if rows:
        story += [*_panels(rows, width), Spacer(1, 8), _samples(rows, width)]
    if visits:
        story += [
            paragraph("Visits", style(11, ACCENT, bold=True, before=12, after=3)),
            _visits(visits, width),
        ]
    return document_bytes(story, Head(TITLE, whose, _day(date.today()), paper))


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _day(on: date) -> str:
    return f"{on.day} {on:%b %Y}"


def _panels(rows: Sequence[HistoryRow], width: float) -> list[Any]:
    amounts = _panel("How much: pieces", rows, width)
    most = max(row.count_high for row in rows) or 1.0
    _bars(amounts, [(row.count, row.count_low, row.count_high) for row in rows], most, width)
    units = "thou (µm)" if thou_is_first() else "µm (thou)"
    sizes = _panel(f"How big: half of them over, {units}", rows, width)
    tallest = max((row.median_um or 0.0) for row in rows) or 1.0
    _bars(sizes, [(row.median_um, None, None) for row in rows], tallest, width)
    return [amounts, sizes, _kinds_panel(rows, width)]


def _panel(title: str, rows: Sequence[HistoryRow], width: float) -> Any:
    from reportlab.graphics.shapes import Drawing, Line, String
    from reportlab.lib.colors import HexColor

    drawing = Drawing(width, PANEL + 30)
    drawing.add(
        String(0, PANEL + 18, title, fontName="Helvetica-Bold", fontSize=9, fillColor=HexColor(ACCENT))
    )
    drawing.add(Line(LEFT, 16, width, 16, strokeColor=HexColor(RULE), strokeWidth=0.8))
    for at, row in enumerate(rows):
        x, _ = _slot(at, len(rows), width)
        day = f"{row.day.day} {row.day:%b %y}"
        drawing.add(String(x, 5, day, fontSize=6.5, textAnchor="middle", fillColor=HexColor(SOFT)))
    return drawing


def _slot(at: int, count: int, width: float) -> tuple[float, float]:
    """Return the middle of a sample's place, and how wide its bar is."""
    wide = (width - LEFT) / count
    return LEFT + (at + 0.5) * wide, min(0.6 * wide, 34.0)


def _bars(
    drawing: Any,
    values: Sequence[tuple[float | None, float | None, float | None]],
    most: float,
    width: float,
) -> None:
    from reportlab.graphics.shapes import Line, Rect, String
    from reportlab.lib.colors import HexColor

    def tall(value: float) -> float:
        return (PANEL - 14) * value / most

    for at, (value, low, high) in enumerate(values):
        x, wide = _slot(at, len(values), width)
        if value is None:
            continue
        bar = Rect(x - wide / 2, 16, wide, tall(value), fillColor=HexColor(ACCENT), strokeColor=None)
        drawing.add(bar)
        if low is not None and high is not None:
            line = Line(
                x, 16 + tall(low), x, 16 + tall(high), strokeColor=HexColor(GREYS[1]), strokeWidth=1.6
            )
            drawing.add(line)
        top = 16 + tall(max(value, high or 0.0)) + 3
        text = f"{value:.0f}" if high is not None else _both_units(value)
        drawing.add(String(x, top, text, fontSize=7.5, textAnchor="middle", fillColor=HexColor(INK)))


def _both_units(um: float) -> str:
    first, second = words.microns(um), words.thou(um)
    return f"{second} ({first})" if thou_is_first() else f"{first} ({second})"


def _kinds_panel(rows: Sequence[HistoryRow], width: float) -> Any:
    from reportlab.graphics.shapes import Rect, String
    from reportlab.lib.colors import HexColor
    from reportlab.pdfbase.pdfmetrics import stringWidth

    drawing = _panel("What it looks like: share of the pieces", rows, width)
    total: dict[str, int] = {}
    for row in rows:
        for kind, count in row.kinds.items():
            total[kind] = total.get(kind, 0) + count
    common = sorted(total, key=lambda kind: -total[kind])[:3]
    for at, row in enumerate(rows):
        x, wide = _slot(at, len(rows), width)
        parts = [row.kinds.get(kind, 0) for kind in common]
        parts.append(sum(row.kinds.values()) - sum(parts))
        bottom, whole = 16.0, sum(parts)
        for part, colour in zip(parts, (*GREYS[: len(common)], GREYS[3]), strict=True):
            tall = (PANEL - 14) * part / whole if whole else 0.0
            bar = Rect(x - wide / 2, bottom, wide, tall, fillColor=HexColor(colour), strokeColor=None)
            drawing.add(bar)
            bottom += tall
    names = [*(words.KIND_WORDS.get(kind, kind) for kind in common), "all else"]
    x = 190.0
    for name, colour in zip(names, (*GREYS[: len(common)], GREYS[3]), strict=True):
        drawing.add(Rect(x, PANEL + 18, 7, 7, fillColor=HexColor(colour), strokeColor=None))
        drawing.add(String(x + 10, PANEL + 18, printable(name), fontSize=8, fillColor=HexColor(INK)))
        x += stringWidth(printable(name), "Helvetica", 8) + 24
    return drawing


def _samples(rows: Sequence[HistoryRow], width: float) -> Any:
    heads = ("day", "sample", "work order", "from", "since the change", "pieces (95 %)", "half over")
    cells = [[paragraph(text, style(7.6, SOFT, bold=True)) for text in heads]]
    for row in rows:
        texts = (
            _day(row.day),
            str(row.sample),
            (row.work_order or "")[:30],
            words.ORIGIN_WORDS.get(row.origin or "", "").removeprefix("from "),
            _since(row),
            f"{row.count} ({row.count_low:.0f} to {row.count_high:.0f})",
            "" if row.median_um is None else words.size(row.median_um),
        )
        cells.append([paragraph(text, style(8)) for text in texts])
    parts = (0.13, 0.09, 0.14, 0.16, 0.15, 0.15, 0.18)
    return bordered(cells, tuple(part * width for part in parts))


def _since(row: HistoryRow) -> str:
    amounts = ((row.hours, "h"), (row.months, "months"), (row.litres, "l"))
    return ", ".join(f"{value:g} {unit}" for value, unit in amounts if value is not None)


def _visits(visits: Sequence[ServiceVisit], width: float) -> Any:
    heads = ("day", "work order", "complaint", "parts fitted, notes", "next due", "by")
    cells = [[paragraph(text, style(7.6, SOFT, bold=True)) for text in heads]]
    for each in visits[-MOST:]:
        done = "; ".join(part for part in (each.parts, each.notes) if part)
        texts = (_day(each.visited_on), each.work_order, each.complaint, done, each.next_due, each.technician)
        cells.append([paragraph((text or "")[:300], style(8)) for text in texts])
    parts = (0.13, 0.14, 0.22, 0.29, 0.14, 0.08)
    return bordered(cells, tuple(part * width for part in parts))
