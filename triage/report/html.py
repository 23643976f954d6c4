"""The self-contained page: text, one vector chart and the photos, in one file that needs no network."""

from __future__ import annotations

import base64
from html import escape
from importlib import resources
from pathlib import Path
from string import Template

from triage.analysis import Analysis
from triage.report import content
from triage.report.chart import chart_svg
from triage.report.closeup import closeup, closeup_words
from triage.report.files import write_whole
from triage.report.further import further_lines, standards_lines
from triage.report.picture import Picture, annotate, encode
from triage.report.small_print import small_print
from triage.report.units import in_shop_units, thou_is_first
from triage.report.visit import Visit

PICTURE_PX = 1600
PAGE_MM = 120  # the width a photo is looked at on a phone or in a column of text
HEADS = (
    "nearest sieve",
    "stopped",
    "through",
    "by number",
    "by area",
    "by volume",
    "over what it can mean",
)


def write_html(analysis: Analysis, path: Path, *, visit: Visit | None = None) -> None:
    """Write the report as one HTML file without anything external.

    Raises
    ------
    UserError
        The file cannot be written.
    """
    write_whole(path, html_page(analysis, visit or Visit()).encode())


def html_page(analysis: Analysis, visit: Visit) -> str:
    """Return the page's text."""
    name = content.machine(analysis)
    body = (
        _retake(analysis) if content.refused(analysis) else _customer(analysis, visit) + _technician(analysis)
    )
    page = Template(resources.files("triage.report").joinpath("page.html").read_text("utf-8"))
    return in_shop_units(
        page.substitute(
            title=escape(f"{content.TITLE}: {name}" if name else content.TITLE),
            heading=content.TITLE,
            about=escape(" · ".join(part for part in (name, content.day(analysis)) if part)),
            body=body,
            closing=content.NOT_A_LAB,
        )
    )


def _customer(analysis: Analysis, visit: Visit) -> str:
    picture = closeup(analysis)
    figure = _figure(picture, closeup_words(analysis)) if picture is not None else ""
    parts = (
        ("What we found", escape(content.found_plainly(analysis))),
        ("What we did", escape(visit.done) if visit.done else '<span class="blank"></span>'),
        ("What you can do at home", escape(content.at_home(analysis))),
        ("Next check due", escape(visit.next_due) if visit.next_due else '<span class="blank"></span>'),
    )
    said = "".join(f"<h2>{title}</h2>\n<p>{text}</p>\n" for title, text in parts)
    return f'<section class="customer" aria-label="For the customer">\n{figure}{said}</section>\n'


def _technician(analysis: Analysis) -> str:
    photos = "".join(
        _figure(annotate(analysis, index, PICTURE_PX, PAGE_MM), f"{photo.file}. {content.OUTLINES}")
        for index, photo in enumerate(analysis.photos)
        if photo.counted
    )
    return f"""<section class="technician" aria-label="For the technician">
<h2 class="headline">{escape(content.headline(analysis))}</h2>
{_advice(analysis)}
<h2>{escape(content.passing_caption(analysis))}</h2>
{_passing(analysis)}
{photos}<h2>Sizes</h2>
<figure>{chart_svg(analysis, 360, 300, 9)}</figure>
{_sizes(analysis) if analysis.sizes.count else ""}
<h2>Looks like</h2>
<p>{escape(content.kinds(analysis))}</p>
{_further(analysis)}{_problems(analysis)}
<h2>Scale, uncertainty and limits</h2>
<ul class="small">
{_items(small_print(analysis))}</ul>
</section>
"""


def _retake(analysis: Analysis) -> str:
    pictures = "".join(
        _figure(annotate(analysis, index, 1000), analysis.photos[index].file)
        for index in range(len(analysis.pictures))
    )
    return f'<section>\n<p class="headline">{content.RETAKE}</p>\n{_problems(analysis)}{pictures}</section>\n'


def _figure(picture: Picture, caption: str) -> str:
    data = base64.b64encode(encode(picture, quality=82)).decode()
    size = f'width="{picture.shape[1]}" height="{picture.shape[0]}"'
    words = escape(caption)
    return (
        f'<figure><img src="data:image/jpeg;base64,{data}" {size} alt="{words}">'
        f"<figcaption>{words}</figcaption></figure>\n"
    )


def _advice(analysis: Analysis) -> str:
    items = "".join(
        f'<li>{escape(text)} <span class="because">{escape(because)}</span></li>\n'
        for text, because in content.steps(analysis)
    )
    told = (("At the bench", content.bench_tests(analysis)), ("Cautions", content.cautions(analysis)))
    said = "".join(f"<p><strong>{head}:</strong> {escape(text)}</p>\n" for head, text in told if text)
    return f"<ol>\n{items}</ol>\n{said}" if items else said


def _passing(analysis: Analysis) -> str:
    rows, units = content.passing_rows(analysis), ("µm", "thou")
    if thou_is_first():
        rows, units = [row.thou_first() for row in rows], ("thou", "µm")
    names = ("rating", units[1], *HEADS)
    heads = "".join(f'<th scope="col">{head}</th>' for head in names)
    lines = "".join(_passing_line(row, units) for row in rows)
    return f'<table class="passing">\n<thead><tr>{heads}</tr></thead>\n<tbody>\n{lines}</tbody>\n</table>'


def _passing_line(row: content.PassingRow, units: tuple[str, str]) -> str:
    texts = [
        row.inch,
        row.sieve,
        row.stopped,
        row.through,
        row.by_count,
        row.by_area,
        row.by_volume,
        row.band,
    ]
    shown = texts if row.measurable else texts[:2]
    cells = "".join(
        f'<td data-head="{head}">{escape(text)}</td>'
        for head, text in zip((units[1], *HEADS), shown, strict=False)
    )
    rating = row.rating.replace(" ", f" {units[0]} ", 1)
    if row.measurable:
        return f'<tr><th scope="row">{rating}</th>{cells}</tr>\n'
    return (
        f'<tr class="unmeasured"><th scope="row">{rating}</th>{cells}'
        f'<td class="wide" colspan="{len(HEADS) - 1}">{escape(row.by_count)}</td></tr>\n'
    )


def _sizes(analysis: Analysis) -> str:
    heads, *rows = content.size_rows(analysis)
    top = "".join(f'<th scope="col">{head}</th>' for head in heads)
    body = "".join(
        f'<tr><th scope="row">{name}</th>'
        + "".join(f"<td>{escape(value)}</td>" for value in values)
        + "</tr>\n"
        for name, *values in rows
    )
    return f"<table>\n<thead><tr>{top}</tr></thead>\n<tbody>\n{body}</tbody>\n</table>"


def _further(analysis: Analysis) -> str:
    lines = further_lines(analysis)
    items = "".join(f"<p>{escape(head)} {escape(text)}</p>\n" for head, text in lines)
    items += "".join(f'<p class="small">{escape(line)}</p>\n' for line in standards_lines(analysis))
    return f"<h2>What follows from the sizes</h2>\n{items}" if items else ""


def _problems(analysis: Analysis) -> str:
    lines = [
        f"<li>{escape(photo)} <strong>{escape(message)}</strong> {escape(remedy)}</li>\n"
        for photo, message, remedy in content.problems(analysis)
    ]
    return f"<h2>About the photo</h2>\n<ul>\n{''.join(lines)}</ul>\n" if lines else ""


def _items(lines: list[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>\n" for line in lines)
