"""Report: annotated photo, charts, PDF, HTML, CSV and JSON files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from triage.analysis import Analysis
from triage.report.html import write_html
from triage.report.pdf import Paper, write_pdf
from triage.report.picture import write_overlay
from triage.report.result import to_json, write_csv, write_json, write_table
from triage.report.text import summary_text
from triage.report.visit import Visit

__all__ = [
    "Outputs",
    "Visit",
    "summary_text",
    "to_json",
    "write_csv",
    "write_html",
    "write_json",
    "write_overlay",
    "write_pdf",
    "write_report",
    "write_table",
]


@dataclass(frozen=True)
class Outputs:
    """The files asked for; None where one is not wanted."""

    json: Path | None = None
    pdf: Path | None = None
    html: Path | None = None
    csv: Path | None = None
    overlay: Path | None = None
    paper: Paper = "a4"


def write_report(analysis: Analysis, outputs: Outputs, visit: Visit | None = None) -> None:
    """Write every file asked for.

    Raises
    ------
    UserError
        A file cannot be written; files before it stand whole, none is half-written.
    """
    if outputs.json:
        write_json(analysis, outputs.json)
    if outputs.csv:
        write_csv(analysis, outputs.csv)
    if outputs.overlay:
        write_overlay(analysis, outputs.overlay)
    if outputs.html:
        write_html(analysis, outputs.html, visit=visit)
    if outputs.pdf:
        write_pdf(analysis, outputs.pdf, paper=outputs.paper, visit=visit)
