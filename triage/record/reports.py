"""Reports for the service record, of a sample, a comparison, a machine: named by unit, date, work order."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from triage.errors import UserError
from triage.kept_spread import kept_spread
from triage.record.history import history
from triage.record.look_back import saved_debris, trend_words
from triage.record.machine_book import find_visit, visits
from triage.record.opening import Record
from triage.record.sample_book import find_sample, load_analysis
from triage.report.comparison_pdf import comparison_pdf
from triage.report.history_pdf import history_pdf
from triage.report.pdf import Paper, pdf_bytes
from triage.report.visit import Visit
from triage.sizing.compare import Comparison, How, compare

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


def compare_saved(record: Record, before: int, after: int) -> Comparison:
    """Compare two saved samples, corrections applied. UserError where they are one and the same."""
    if before == after:
        raise UserError("Choose two different samples: one from before, one from after.")
    earlier, later = (saved_debris(record, each) for each in (before, after))
    if earlier.photos & later.photos:
        raise UserError("Both samples hold the same photo; choose two that were taken separately.")
    return compare([earlier], [later], How(kept_spread()[0]))


def comparison_report(record: Record, before: int, after: int, paper: Paper = "a4") -> SampleReport:
    """Return the report of a comparison of two saved samples, their photos side by side."""
    found = compare_saved(record, before, after)
    one, other = (load_analysis(record, number) for number in (before, after))
    saved = find_sample(record, after)
    visit = find_visit(record, saved.visit) if saved.visit is not None else None
    order = visit.work_order if visit else None
    data = comparison_pdf(found, (one, other), order, paper)
    day = visit.visited_on if visit else saved.analysed_on
    return SampleReport(file_name(saved.unit, day, order, f"samples-{before}-{after}"), data)


def history_report(record: Record, unit: str, paper: Paper = "a4") -> SampleReport:
    """Return the report of a machine's history, its trend over all samples of one origin."""
    found, been = history(record, unit), visits(record, unit)
    day = max([row.day for row in found.rows] + [each.visited_on for each in been], default=date.today())
    last = next((each.work_order for each in reversed(been) if each.work_order), None)
    data = history_pdf(found, been, trend_words(record, unit), paper)
    return SampleReport(file_name(found.machine.unit, day, last, "history"), data)


def report_name(number: int, day: date, unit: str | None, work_order: str | None) -> str:
    """Return a file name of plain letters, such as PW-07_2026-05-12_WO-77_sample-3.pdf."""
    return file_name(unit, day, work_order, f"sample-{number}")


def file_name(unit: str | None, day: date, work_order: str | None, what: str) -> str:
    """Return a file name of plain letters: unit, day, work order, and what the file is."""
    parts = (_plain(unit), day.isoformat(), _plain(work_order), what)
    return "_".join(part for part in parts if part) + ".pdf"


def _plain(text: str | None) -> str:
    return re.sub(r"[^A-Za-z0-9-]+", "-", text or "").strip("-")[:MOST_LETTERS]
