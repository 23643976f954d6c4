"""The PDF: a page for the customer, a page for the technician."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from itertools import groupby
from pathlib import Path
from typing import Any, Literal

from triage.analysis import Analysis
from triage.report import content
from triage.report.chart import chart
from triage.report.closeup import closeup, closeup_words
from triage.report.files import write_whole
from triage.report.flow import ACCENT, SOFT, beside, bordered, image, paragraph, printable, rich, rule, style
from triage.report.further import further_lines
from triage.report.letterhead import draw_letterhead
from triage.report.picture import annotate, aspect
from triage.report.small_print import small_print
from triage.report.units import in_shop_units, thou_is_first
from triage.report.visit import Visit

Paper = Literal["a4", "letter"]

MARGIN, FOOT = 46.0, 26.0
LETTERS = (8.4, 7.8, 7.2, 6.9)  # of the advice, points, the first that fits
MM_PER_POINT = 25.4 / 72
DOTS_PER_POINT = 260 / 72  # pictures are sent at 260 dots an inch
SMALL = style(7, SOFT, after=1)
SECTION = style(11, ACCENT, bold=True, before=8, after=2)
TABLE_HEADS = (
    "filter<br/>µm",
    "thou",
    "nearest<br/>sieve",
    "stopped",
    "through",
    "by number<br/>(95 % interval)",
    "by area",
    "by volume<br/>(estimated)",
    "over what a<br/>rating can mean",
)
TABLE_PARTS = (0.1, 0.055, 0.085, 0.07, 0.07, 0.165, 0.145, 0.17, 0.14)


@dataclass(frozen=True)
class Layout:
    """How the technician's page is laid out: height of the picture, part of the page; whether it is tight.

    A tight page has the sizes in the chart's place beside the picture, whose shares stand in the table too,
    and the ratings that are not measurable in one row.
    """

    picture: float
    tight: bool = False


LAYOUTS = (Layout(0.27), Layout(0.18), Layout(0.16, tight=True))


def write_pdf(analysis: Analysis, path: Path, *, paper: Paper = "a4", visit: Visit | None = None) -> None:
    """Write the report as a PDF of two pages, more where there is more to say.

    Raises
    ------
    UserError
        The file cannot be written.
    """
    write_whole(path, pdf_bytes(analysis, paper, visit or Visit()))


def pdf_bytes(analysis: Analysis, paper: Paper, visit: Visit) -> bytes:
    """Return the report as the bytes of a PDF file."""
    from reportlab import rl_config
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.platypus import BaseDocTemplate, Frame, PageBreak, PageTemplate

    rl_config.useA85 = 0  # pictures as they are: a fifth smaller, and no slow text coding
    stream = io.BytesIO()
    width, height = A4 if paper == "a4" else LETTER
    document = BaseDocTemplate(
        stream,
        pagesize=(width, height),
        title=f"{content.TITLE}: {_whose(analysis, visit) or content.day(analysis)}",
        keywords=[analysis.analysed_on.isoformat(), *_known_as(analysis, visit)],
        author=f"triage {analysis.program_version}",
        creator=f"triage {analysis.program_version}",
        subject=in_shop_units(content.found(analysis)),
        lang="en",
    )
    column = width - 2 * MARGIN
    frame = Frame(MARGIN, FOOT + 14, column, height - FOOT - 50, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=_foot(analysis)))
    if content.refused(analysis):
        story = _retake_page(analysis, column)
    else:
        customer = _customer_page(analysis, visit, column, 0.39 * height)
        story = [*customer, PageBreak(), *_fitted(analysis, column, height - FOOT - 50)]
    document.build(story)
    return stream.getvalue()


def _known_as(analysis: Analysis, visit: Visit) -> list[str]:
    """Return what a record finds this report by: machine, work order."""
    order = f"work order {visit.work_order}" if visit.work_order else ""
    return [name for name in (content.machine(analysis), order) if name]


def _whose(analysis: Analysis, visit: Visit) -> str:
    return ", ".join(_known_as(analysis, visit))


def _head(analysis: Analysis, width: float, visit: Visit) -> list[Any]:
    """Return the title, the machine and the day, and a line across."""
    who = _whose(analysis, visit) or "Machine: ______________________________"
    return [
        paragraph(content.TITLE, style(22, bold=True, after=3)),
        paragraph(f"{who}  ·  {content.day(analysis)}", style(12.5, SOFT, after=7)),
        rule(width, ACCENT, 1.6, after=12),
    ]


def _customer_page(analysis: Analysis, visit: Visit, width: float, tallest: float) -> list[Any]:
    picture, caption = closeup(analysis), closeup_words(analysis)
    if picture is None:
        index = next(i for i, photo in enumerate(analysis.photos) if photo.counted)
        shown, caption = _photo(analysis, index, width, tallest), "What was looked at lies inside the line."
    else:
        shown = image(picture, width, tallest)
    return [
        *_head(analysis, width, visit),
        shown,
        paragraph(caption, style(10, SOFT, before=5, after=12)),
        *_part("What we found", content.found_plainly(analysis)),
        *(_part("What we did", visit.done) if visit.done else _blank("What we did", width, lines=2)),
        *_part("What you can do at home", content.at_home(analysis)),
        *(
            _part("Next check due", visit.next_due)
            if visit.next_due
            else _blank("Next check due", 0.5 * width)
        ),
        paragraph(content.NOT_A_LAB, style(11, SOFT, before=14)),
    ]


def _part(title: str, text: str) -> list[Any]:
    heading = style(11, ACCENT, bold=True, before=10, after=3)
    return [paragraph(title, heading), paragraph(text, style(14))]


def _blank(title: str, width: float, lines: int = 1) -> list[Any]:
    """Return ruled lines to write on."""
    ruled = [rule(width, SOFT, 0.7, before=24) for _ in range(lines)]
    return [paragraph(title, style(11, ACCENT, bold=True, before=10)), *ruled]


def _fitted(analysis: Analysis, width: float, height: float) -> list[Any]:
    """Return the technician's page, the letters of the advice made smaller, then the rest, to fit it."""
    first, *others = [index for index, photo in enumerate(analysis.photos) if photo.counted]
    more = [part for index in others for part in _other_photo(analysis, index, width)]
    story: list[Any] = []
    for layout in LAYOUTS:
        pictures = _pictures(analysis, first, width, replace(layout, picture=layout.picture * height))
        for size in LETTERS:
            story = [*pictures, *_numbers_and_advice(analysis, width, size, tight=layout.tight)]
            if _height(story, width) <= height:
                return story + more
    return story + more


def _height(story: list[Any], width: float) -> float:
    """Return how tall a story is, spaces between its parts as the page sets them."""
    tall, after = 0.0, 0.0
    for part in story:
        tall += max(after, part.getSpaceBefore()) + part.wrap(width, 1e6)[1]
        after = part.getSpaceAfter()
    return tall


def _pictures(analysis: Analysis, index: int, width: float, layout: Layout) -> list[Any]:
    """Return headline, photo and what stands beside it; the layout's picture in points here."""
    wide, tallest = (0.34 if layout.tight else 0.53) * width, layout.picture
    photo = _photo(analysis, index, wide, tallest)
    right = (
        _sizes(analysis, 7.2) if layout.tight else [chart(analysis, width - wide - 10, 0.93 * tallest, 6.6)]
    )
    return [
        paragraph(content.headline(analysis), style(10.4 if layout.tight else 12, bold=True, after=7)),
        beside(photo, right, (wide, width - wide)),
        paragraph(content.OUTLINES, SMALL),
    ]


def _numbers_and_advice(analysis: Analysis, width: float, size: float, *, tight: bool) -> list[Any]:
    return [
        paragraph(content.passing_caption(analysis), style(9.5, bold=True, before=6, after=2)),
        _passing_table(analysis, width, tight=tight),
        *([] if tight else _sizes(analysis)),
        *_what_to_do(analysis, size),
        *_problems(analysis),
        *(paragraph(line, SMALL) for line in small_print(analysis)),
    ]


def _photo(analysis: Analysis, index: int, width: float, tallest: float) -> Any:
    width = min(width, tallest / aspect(analysis, index))
    picture = annotate(analysis, index, round(width * DOTS_PER_POINT), width * MM_PER_POINT)
    return image(picture, width, tallest)


def _other_photo(analysis: Analysis, index: int, width: float) -> list[Any]:
    from reportlab.platypus import KeepTogether

    name = paragraph(analysis.photos[index].file, style(9, SOFT, before=8, after=2))
    return [KeepTogether([name, _photo(analysis, index, width, 330)])]


def _what_to_do(analysis: Analysis, size: float) -> list[Any]:
    look = style(size, after=2)
    story = [paragraph("What to do", SECTION)]
    for number, (text, because) in enumerate(content.steps(analysis), start=1):
        story.append(rich(((f"{number}. {text} ", None), (because, SOFT)), look))
    tests = content.bench_tests(analysis)
    if tests:
        story.append(rich((("At the bench: ", None), (tests, SOFT)), look))
    cautions = content.cautions(analysis)
    return [*story, paragraph(f"Cautions: {cautions}", style(size - 0.4, after=2))] if cautions else story


def _sizes(analysis: Analysis, size: float = 8) -> list[Any]:
    look = style(size, before=1)
    return [
        rich(((f"{name} ", SOFT), (text, None)), look)
        for name, text in (*content.size_lines(analysis), *further_lines(analysis))
    ]


def _passing_table(analysis: Analysis, width: float, *, tight: bool) -> Any:
    head = style(7.4, SOFT, bold=True)
    rows, heads = content.passing_rows(analysis), TABLE_HEADS
    if thou_is_first():
        rows, heads = [row.thou_first() for row in rows], ("filter<br/>thou", "µm", *TABLE_HEADS[2:])
    cells = [[paragraph(text, head, markup=True) for text in heads]]
    spans: dict[int, tuple[int, ...]] = {}
    for at, row in enumerate(_joined(rows) if tight else rows, start=1):
        look = style(7.8) if row.measurable else style(7.8, SOFT)
        texts = (row.rating, row.inch, row.sieve, row.stopped, row.through, row.by_count)
        rest = (row.by_area, row.by_volume, row.band)
        # A number and its per cent sign stay on one line.
        cells.append([paragraph(text.replace(" %", "\u00a0%"), look) for text in (*texts, *rest)])
        if not row.measurable:
            spans[at] = (5,) if row.inch else (0, 5)
    return bordered(cells, tuple(part * width for part in TABLE_PARTS), spans)


def _joined(rows: list[content.PassingRow]) -> list[content.PassingRow]:
    """Return the rows with those that say the same of ratings not measurable made one."""
    joined = []
    for (measurable, _), group in groupby(rows, lambda row: (row.measurable, row.by_count)):
        same = list(group)
        if measurable or len(same) == 1:
            joined += same
        else:
            ratings = ", ".join(row.rating for row in same)
            joined.append(replace(same[0], rating=ratings, inch="", sieve="", stopped="", through=""))
    return joined


def _problems(analysis: Analysis) -> list[Any]:
    return [
        paragraph(f"{photo}{message} {remedy}", style(8.4, after=2))
        for photo, message, remedy in content.problems(analysis)
    ]


def _retake_page(analysis: Analysis, width: float) -> list[Any]:
    """Return what stands in place of the report when no photo could be measured."""
    story = [*_head(analysis, width, Visit()), paragraph(content.RETAKE, style(15, bold=True, after=10))]
    for photo, message, remedy in content.problems(analysis):
        story.append(paragraph(f"{photo}{message}", style(12, bold=True, before=6, after=2)))
        story.append(paragraph(remedy, style(12, after=4)))
    if analysis.pictures:
        story.append(paragraph(analysis.photos[0].file, style(9, SOFT, before=10, after=2)))
        story.append(_photo(analysis, 0, width, 280))
    return story


def _foot(analysis: Analysis) -> Any:
    """Return the function that draws the foot of each page."""
    left = "  ·  ".join(part for part in (content.machine(analysis), content.day(analysis)) if part)

    def draw(canvas: Any, document: Any) -> None:
        draw_letterhead(canvas, document)
        canvas.setFont("Helvetica", 8)
        canvas.setFillColor(SOFT)
        canvas.drawString(MARGIN, FOOT, printable(left)[:50])
        canvas.drawRightString(
            document.pagesize[0] - MARGIN, FOOT, f"{content.NOT_A_LAB}  Page {document.page}"
        )

    return draw
