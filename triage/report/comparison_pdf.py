"""A comparison as a PDF: verdict, both photos side by side at one scale, the numbers, how far to trust it."""

from __future__ import annotations

from datetime import date
from typing import Any

from triage.analysis import Analysis
from triage.rate_words import PER_WORDS
from triage.report import words
from triage.report.comparison import note, rate_words, spread_text, target_lines
from triage.report.flow import SOFT, bordered, image, paragraph, style
from triage.report.letterhead import Head, Paper, column_width, document_bytes
from triage.report.picture import across_px, annotate
from triage.sizing.compare import Comparison, Side

TITLE = "Fuel filter debris: before and after"
GAP = 14.0
TALLEST = 300.0  # of the pictures, points
MM_PER_POINT = 25.4 / 72
DOTS_PER_POINT = 260 / 72
SHOWN_KINDS = 4


Sides = tuple[Analysis | None, Analysis | None]


def comparison_pdf(
    found: Comparison, sides: Sides, work_order: str | None = None, paper: Paper = "a4"
) -> bytes:
    """Return the comparison as the bytes of a PDF; a side without its photo is shown by its numbers alone."""
    width = column_width(paper)
    head = Head(TITLE, _whose(found, sides, work_order), _days(sides), paper)
    _, finding, what = (words.typeset(line).replace(" %", "\u00a0%") for line in note(found))
    story = [
        paragraph(finding, style(15, bold=True, after=5)),
        *(paragraph(words.typeset(line), style(11.5, after=4)) for line in target_lines(found)),
        paragraph(what, style(11.5, after=10)),
        *_pictures(sides, width),
        _table(found, width),
        paragraph(
            f"Only pieces over {words.size(found.sizes_from_um)}, which both could size, are compared. "
            f"{words.typeset(spread_text(found.spread))}",
            style(9, SOFT, before=8, after=3),
        ),
        *(paragraph(words.typeset(each), style(9, SOFT, after=3)) for each in found.cautions),
    ]
    return document_bytes(story, head)


def _whose(found: Comparison, sides: Sides, work_order: str | None) -> str:
    units = dict.fromkeys(each.sample.machine for each in sides if each and each.sample.machine)
    names = words.listed([*found.before.names, *found.after.names])
    return ", ".join([*units, *([f"work order {work_order}"] if work_order else []), names])


def _days(sides: Sides) -> str:
    days = [_day(each.analysed_on) for each in sides if each is not None]
    return " and ".join(dict.fromkeys(days)) or _day(date.today())


def _day(on: date) -> str:
    return f"{on.day} {on:%B %Y}"


def _pictures(sides: Sides, width: float) -> list[Any]:
    """Return both photos beside each other, a millimetre of debris as long in one as in the other."""
    from reportlab.platypus import Table

    shown = [(each, _first(each)) for each in sides]
    mm = [0.0 if each is None or index is None else _across_mm(each, index) for each, index in shown]
    if not any(mm):
        return []
    half = (width - GAP) / 2
    cells = []
    for (analysis, index), across, name in zip(shown, mm, ("Before", "After"), strict=True):
        label = paragraph(name, style(11, bold=True, after=3))
        if analysis is None or index is None:
            cells.append([label, paragraph("Its photo is not at hand.", style(9, SOFT))])
            continue
        cells.append([label, _picture(analysis, index, half * across / max(mm))])
    table = Table([cells], colWidths=(half + GAP, half), hAlign="LEFT", spaceAfter=4)
    table.setStyle([("VALIGN", (0, 0), (-1, -1), "TOP"), ("LEFTPADDING", (0, 0), (-1, -1), 0)])
    same = "Both at the same scale; every piece is outlined, the biggest are named."
    return [table, paragraph(same, style(8.5, SOFT, after=8))]


def _first(analysis: Analysis | None) -> int | None:
    if analysis is None or not analysis.pictures:
        return None
    scaled = (i for i, photo in enumerate(analysis.photos) if photo.counted and photo.scale)
    return next(scaled, None)


def _across_mm(analysis: Analysis, index: int) -> float:
    scale = analysis.photos[index].scale
    return across_px(analysis, index) * scale.um_per_px / 1000 if scale else 0.0


def _picture(analysis: Analysis, index: int, width: float) -> Any:
    drawn = annotate(analysis, index, max(200, round(width * DOTS_PER_POINT)), width * MM_PER_POINT)
    return image(drawn, width, TALLEST * 4)


def _table(found: Comparison, width: float) -> Any:
    look, head = style(10), style(9, SOFT, bold=True)
    rows = [
        ("", "before", "after"),
        ("pieces", *(f"{side.count}" for side in (found.before, found.after))),
        (f"per {PER_WORDS[found.per]}", *(rate_words(side) for side in (found.before, found.after))),
        ("half of them over", *(_median(side) for side in (found.before, found.after))),
        ("look like", *(_kinds(side) for side in (found.before, found.after))),
    ]
    cells = [
        [paragraph(text, head if at == 0 or not column else look) for column, text in enumerate(row)]
        for at, row in enumerate(rows)
    ]
    return bordered(cells, (0.2 * width, 0.4 * width, 0.4 * width))


def _median(side: Side) -> str:
    return "not known" if side.median_um is None else words.size(side.median_um)


def _kinds(side: Side) -> str:
    named = [f"{words.KIND_WORDS.get(kind, kind)} {count}" for kind, count in side.kinds[:SHOWN_KINDS]]
    return ", ".join(named) or "nothing sized"
