"""Service visits on a machine's page: noted, changed, and samples put under them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from triage.errors import UserError
from triage.record.book import attach_sample, find_machine, find_sample, find_visit, save_visit
from triage.record.entries import ServiceVisit
from triage.web import asking
from triage.web.shop import form_of, go, page, shop_of, who_of

router = APIRouter()
WORDS = {
    "work_order": "work order",
    "complaint": "what the customer complains of",
    "parts": "parts fitted",
    "next_due": "next due",
    "notes": "notes",
}
AMOUNTS = {
    "hours": "hours run since the last change",
    "months": "months since the last change",
    "litres": "litres burnt since the last change",
    "fuel_age_months": "age of the fuel, months",
}


@router.get("/visits/{number}")
def visit(request: Request, number: int) -> Response:
    """One visit, to change."""
    found = find_visit(shop_of(request).record, number)
    return page(
        request,
        "visit",
        visit=found,
        machine=find_machine(shop_of(request).record, found.unit or ""),
        words=WORDS,
        amounts=AMOUNTS,
        who=who_of(request),
        today=date.today().isoformat(),
    )


@router.post("/visits/{number}")
def change(request: Request, number: int) -> Response:
    """Change a visit."""
    record, form = shop_of(request).record, form_of(request)
    found = find_visit(record, number)
    save_visit(record, found.unit or "", replace(read(form), number=number))
    return go(f"/visits/{number}?kept=1")


@router.post("/samples/{number}/visit")
def put_under(request: Request, number: int) -> Response:
    """Put a sample under one of its machine's visits, or under none."""
    record = shop_of(request).record
    chosen = asking.amount(form_of(request), "visit")
    unit = find_sample(record, number).unit
    attach_sample(record, number, unit=unit, visit=None if chosen is None else int(chosen))
    return go(f"/samples/{number}")


def read(form: asking.Form) -> ServiceVisit:
    """Return the visit that a form tells of. UserError where something in it cannot be."""
    noticed = tuple(dict.fromkeys(word for word in form.get("noticed", ()) if word))
    if any(word not in asking.NOTICED for word in noticed):
        raise UserError("Choose from what the page offers under what you noticed.")
    if len(noticed) > 1:
        noticed = tuple(word for word in noticed if word != "none")
    amounts = {name: asking.amount(form, name) for name in AMOUNTS}
    texts = {name: asking.text(form, name) for name in (*WORDS, "technician")}
    told: dict[str, Any] = {**texts, **amounts, "noticed": noticed or None}
    return ServiceVisit(_day(asking.text(form, "visited_on")), **told)


def _day(given: str | None) -> date:
    try:
        return date.fromisoformat(given) if given else date.today()
    except ValueError:
        raise UserError("The date is written like 2026-05-31.") from None
