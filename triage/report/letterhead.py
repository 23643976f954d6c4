"""The shop's name and logo at the head of a report, and a plain document that carries them."""

from __future__ import annotations

import io
from dataclasses import dataclass
from textwrap import shorten
from typing import Any, Literal

from triage.kept_shop import load_logo, load_settings
from triage.report import content
from triage.report.flow import ACCENT, SOFT, paragraph, printable, rule, style

Paper = Literal["a4", "letter"]

MARGIN, FOOT, TOP = 46.0, 26.0, 36.0  # points
LOGO = (150.0, 46.0)  # at most so wide and tall


@dataclass(frozen=True)
class Head:
    """What a document is: its title, whose, of which day, on which paper."""

    title: str
    whose: str
    day: str
    paper: Paper = "a4"


def draw_letterhead(canvas: Any, document: Any) -> None:
    """Draw the shop's name and logo above the first page's title; they take no room from it."""
    if document.page != 1:
        return
    width, height = document.pagesize
    name, logo = load_settings().name, load_logo()
    canvas.setFont("Helvetica-Bold", 9)
    canvas.setFillColor(SOFT)
    canvas.drawString(MARGIN, height - 27, printable(name)[:80])
    if logo:
        from reportlab.lib.utils import ImageReader

        picture = ImageReader(io.BytesIO(logo))
        across, tall = picture.getSize()
        fit = min(LOGO[0] / across, LOGO[1] / tall)
        place = (width - MARGIN - fit * across, height - 20 - fit * tall)
        canvas.drawImage(picture, *place, fit * across, fit * tall)


def column_width(paper: Paper) -> float:
    """Return how wide a page's text is, points."""
    return _size(paper)[0] - 2 * MARGIN


def document_bytes(story: list[Any], head: Head) -> bytes:
    """Return a PDF of these parts under the document's head."""
    from reportlab import rl_config
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    rl_config.useA85 = 0  # pictures as they are: a fifth smaller, and no slow text coding
    stream = io.BytesIO()
    width, height = _size(head.paper)
    document = BaseDocTemplate(
        stream,
        pagesize=(width, height),
        title=f"{head.title}: {head.whose}",
        keywords=[head.whose, head.day],
        author="triage",
        creator="triage",
        lang="en",
    )
    frame = Frame(MARGIN, FOOT + 14, width - 2 * MARGIN, height - FOOT - 14 - TOP, 0, 0, 0, 0)
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=_margins(head)))
    document.build([*_title(head, width - 2 * MARGIN), *story])
    return stream.getvalue()


def _size(paper: Paper) -> tuple[float, float]:
    from reportlab.lib.pagesizes import A4, LETTER

    width, height = A4 if paper == "a4" else LETTER
    return float(width), float(height)


def _title(head: Head, width: float) -> list[Any]:
    return [
        paragraph(head.title, style(22, bold=True, after=3)),
        paragraph(f"{head.whose}  ·  {head.day}", style(12.5, SOFT, after=7)),
        rule(width, ACCENT, 1.6, after=12),
    ]


def _margins(head: Head) -> Any:
    def draw(canvas: Any, document: Any) -> None:
        draw_letterhead(canvas, document)
        canvas.setFont("Helvetica", 8)
        canvas.setFillColor(SOFT)
        canvas.drawString(
            MARGIN, FOOT, printable(shorten(f"{head.whose}  ·  {head.day}", 70, placeholder=" ..."))
        )
        right = f"{content.NOT_A_LAB}  Page {document.page}"
        canvas.drawRightString(document.pagesize[0] - MARGIN, FOOT, right)

    return draw
