"""A saved sample's report for the service record: named by unit, date and work order."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from triage.record.machine_book import find_visit
from triage.record.opening import Record
from triage.record.sample_book import find_sample, load_analysis
from triage.report.pdf import Paper, pdf_bytes
from triage.report.visit import Visit

MOST_LETTERS = 40  # of each part of a file name


@dataclass(frozen=True)
class SampleReport:
    """A PDF and the name for its file."""

    name: str
    data: bytes


def sample_report(record: Record, number: int, paper: Paper = "a4") -> SampleReport:
    """Return the report of a sample, corrections applied, with what its visit says. UserError if none."""
    saved = find_sample(record, number)
    visit = find_visit(record, saved.visit) if saved.visit is not None else None
    words = Visit(visit.parts, visit.next_due, visit.work_order) if visit else Visit()
    day = visit.visited_on if visit else saved.analysed_on
    data = pdf_bytes(load_analysis(record, number), paper, words)
    return SampleReport(report_name(number, day, saved.unit, words.work_order), data)


def report_name(number: int, day: date, unit: str | None, work_order: str | None) -> str:
    """Return a file name of plain letters, such as PW-07_2026-05-12_WO-77_sample-3.pdf."""
    parts = (_plain(unit), day.isoformat(), _plain(work_order), f"sample-{number}")
    return "_".join(part for part in parts if part) + ".pdf"


def _plain(text: str | None) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "-", text or "").strip("-")[:MOST_LETTERS]
