"""Machines: the list, one machine's history with its trend, adding and changing one."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from triage.errors import UserError
from triage.record.book import attach_sample, history, machines, save_machine, save_visit, visits
from triage.record.entries import Machine
from triage.record.history import HistoryRow
from triage.report import words
from triage.web import asking, visit_pages
from triage.web.sample_pages import pdf_of
from triage.web.shop import form_of, go, page, shop_of, who_of

router = APIRouter()
TEXTS = {
    "serial": "serial number",
    "type": "type of machine",
    "engine": "engine",
    "tank": "tank",
    "hose": "fuel hose",
    "filter": "installed filter",
    "notes": "notes",
}


@dataclass(frozen=True)
class Line:
    """One sample of a history in words; widths are per cent of the longest bar."""

    row: HistoryRow
    count: str
    median: str
    kinds: str
    bar: float
    low: float
    high: float


@router.get("/machines")
def machine_list(request: Request) -> Response:
    """All machines, and a form to add one."""
    return page(request, "machines", machines=machines(shop_of(request).record), texts=TEXTS, machine=None)


@router.get("/machines/{number}")
def machine(request: Request, number: int) -> Response:
    """One machine's history."""
    record = shop_of(request).record
    known = _machine(request, number)
    found = history(record, known.unit)
    lines = _lines(found.rows)
    return page(
        request,
        "machine",
        machine=known,
        lines=lines,
        from_um=found.from_um,
        texts=TEXTS,
        visits=visits(record, known.unit),
        free=[line for line in lines if line.row.visit is None],
        words=visit_pages.WORDS,
        amounts=visit_pages.AMOUNTS,
        who=who_of(request),
        today=date.today().isoformat(),
    )


@router.get("/machines/{number}/history.pdf")
async def history_pdf(request: Request, number: int) -> Response:
    """Return a machine's history as a PDF."""
    known = await run_in_threadpool(_machine, request, number)
    return await pdf_of(shop_of(request), known.unit)


@router.post("/machines/{number}/visits")
def note_visit(request: Request, number: int) -> Response:
    """Note a visit, with the samples taken at it."""
    record, form = shop_of(request).record, form_of(request)
    told = visit_pages.read(form)
    taken = [int(each) for each in form.get("sample", ()) if each.isascii() and each.isdigit()]
    saved = save_visit(record, _machine(request, number).unit, told)
    for sample in taken:
        attach_sample(record, sample, visit=saved.number)
    return go(f"/machines/{number}")


@router.post("/machines")
def add(request: Request) -> Response:
    """Add a machine."""
    saved = save_machine(shop_of(request).record, _read(form_of(request), None))
    return go(f"/machines/{saved.number}")


@router.post("/machines/{number}")
def change(request: Request, number: int) -> Response:
    """Change a machine."""
    save_machine(shop_of(request).record, _read(form_of(request), _machine(request, number)))
    return go(f"/machines/{number}")


def _machine(request: Request, number: int) -> Machine:
    for each in machines(shop_of(request).record):
        if each.machine.number == number:
            return each.machine
    raise UserError("There is no such machine; choose one from the list.")


def _read(form: asking.Form, before: Machine | None) -> Machine:
    texts = {name: asking.text(form, name) for name in TEXTS}
    choices = {name: asking.choice(form, name) for name in ("feed", "fuel", "element")}
    numbers = {name: asking.amount(form, name) for name in ("power_kw", "installed_um", "head_mm")}
    cylinders = asking.amount(form, "cylinders")
    entries: dict[str, Any] = {**texts, **choices, **numbers}
    entries["cylinders"] = None if cylinders is None else int(cylinders)
    base = before or Machine(unit="")
    return replace(base, unit=asking.text(form, "unit") or "", **entries)


def _lines(rows: tuple[HistoryRow, ...]) -> list[Line]:
    most = max((row.count_high for row in rows), default=1.0) or 1.0
    return [
        Line(
            row=row,
            count=words.pieces(row.count),
            median="" if row.median_um is None else words.size(row.median_um),
            kinds=", ".join(
                f"{words.KIND_WORDS.get(kind, kind)} {count}" for kind, count in list(row.kinds.items())[:3]
            ),
            bar=round(100 * row.count / most, 2),
            low=round(100 * row.count_low / most, 2),
            high=round(100 * row.count_high / most, 2),
        )
        for row in rows
    ]
