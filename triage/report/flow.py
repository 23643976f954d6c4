"""The pieces a PDF page is laid out from: paragraphs, pictures, rules and tables in one look."""

from __future__ import annotations

import io
import unicodedata
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

from triage.report.picture import Picture, encode
from triage.report.units import in_shop_units

INK, SOFT, RULE, ACCENT, SHADE = "#1b2126", "#59636b", "#c9cfd3", "#0b5563", "#eef1f2"


FONT_LETTERS = "cp1252"
OTHER_LETTERS = {"Ł": "L", "ł": "l", "Đ": "D", "đ": "d", "ı": "i", "−": "-", "Ω": "ohm"}


@dataclass(frozen=True)
class Style:
    """How a paragraph looks; lengths in points."""

    size: float
    colour: str
    bold: bool
    before: float
    after: float


def style(
    size: float, colour: str = INK, *, bold: bool = False, before: float = 0, after: float = 0
) -> Style:
    """Return a paragraph's look: size of the letters and room before and after it, all in points."""
    return Style(size, colour, bold, before, after)


def printable(text: str) -> str:
    """Return text in the letters of the PDF's built-in fonts (western European), bare of other accents.

    A letter with no likeness there becomes a question mark; the HTML page shows every script.
    """
    letters = (_likeness(letter) for letter in unicodedata.normalize("NFC", text))
    return "".join(letters)


def _likeness(letter: str) -> str:
    for likeness in (letter, OTHER_LETTERS.get(letter, letter), unicodedata.normalize("NFKD", letter)):
        kept = likeness.encode(FONT_LETTERS, "ignore").decode(FONT_LETTERS)
        if kept:
            return kept
    return "?"


def paragraph(text: str, look: Style, *, markup: bool = False) -> Any:
    """Return a paragraph of plain text in the shop's units (or of the library's own markup)."""
    from reportlab.lib.colors import HexColor
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    made = ParagraphStyle(
        "text",
        fontName="Helvetica-Bold" if look.bold else "Helvetica",
        fontSize=look.size,
        leading=1.3 * look.size,
        textColor=HexColor(look.colour),
        spaceBefore=look.before,
        spaceAfter=look.after,
    )
    return Paragraph(text if markup else _escaped(text), made)


def _escaped(text: str) -> str:
    return escape(printable(in_shop_units(text)))


def rich(parts: tuple[tuple[str, str | None], ...], look: Style) -> Any:
    """Return a paragraph of parts, each plain text with its own colour or the look's."""
    marked = [
        f'<font color="{colour}">{_escaped(text)}</font>' if colour else _escaped(text)
        for text, colour in parts
    ]
    return paragraph("".join(marked), look, markup=True)


def rule(width: float, colour: str, thickness: float, before: float = 0, after: float = 0) -> Any:
    """Return a straight line."""
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import HRFlowable

    return HRFlowable(
        width, thickness, color=HexColor(colour), spaceBefore=before, spaceAfter=after, hAlign="LEFT"
    )


def image(picture: Picture, width: float, tallest: float) -> Any:
    """Return a picture `width` points wide, or narrower where it would be taller than `tallest`."""
    from reportlab.platypus import Image

    height = width * picture.shape[0] / picture.shape[1]
    fit = min(1.0, tallest / height)
    return Image(io.BytesIO(encode(picture, quality=84)), fit * width, fit * height, hAlign="LEFT")


def beside(left: Any, right: list[Any], widths: tuple[float, float], before: float = 0) -> Any:
    """Return something with a column of text to its right, which may run on to the next page."""
    from reportlab.platypus import Table

    table = Table([[left, right]], colWidths=widths, splitInRow=1, hAlign="LEFT", spaceBefore=before)
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (0, 0), 0),
            ("LEFTPADDING", (1, 0), (1, 0), 12),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 0),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
        ]
    )
    return table


def bordered(
    cells: list[list[Any]], widths: tuple[float, ...], spans: dict[int, tuple[int, ...]] | None = None
) -> Any:
    """Return a table with a line under each row; rows of `spans` are shaded, one cell from each column named.

    The last of these cells runs to the table's right side.
    """
    from reportlab.lib.colors import HexColor
    from reportlab.platypus import Table

    look: list[tuple[Any, ...]] = [
        ("LINEBELOW", (0, 0), (-1, 0), 0.9, HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(RULE)),
        ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 1.4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.4),
    ]
    for row, starts in (spans or {}).items():
        ends = (*(start - 1 for start in starts[1:]), -1)
        look += [("SPAN", (start, row), (end, row)) for start, end in zip(starts, ends, strict=True)]
        look.append(("BACKGROUND", (0, row), (-1, row), HexColor(SHADE)))
    table = Table(cells, colWidths=widths, repeatRows=1, hAlign="LEFT")
    table.setStyle(look)
    return table
