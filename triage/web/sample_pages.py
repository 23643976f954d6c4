"""A sample's page: what was found and what to do, its pieces to tap and correct, its report."""

from __future__ import annotations

import asyncio
import json
from dataclasses import replace
from typing import Any

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from triage.errors import UserError
from triage.kept_shop import load_settings
from triage.record.book import (
    Record,
    areas,
    attach_sample,
    comparisons,
    find_sample,
    load_measured,
    machines,
    restate,
    samples,
    state_of,
    visits,
)
from triage.record.entries import unit_key
from triage.report.units import in_shop_units
from triage.web import asking, view
from triage.web.comparing import keep, side_by_side
from triage.web.drafts import Said
from triage.web.photo_pages import machine_of, remember
from triage.web.shop import Shop, form_of, go, page, shop_of, who_of
from triage.web.uploads import MOST_BYTES
from triage.web.work import About

router = APIRouter()
NOT_ASKED = ("head_mm", "power_kw")
MOST_LISTED = 200


@router.get("/samples")
def all_samples(request: Request) -> Response:
    """Every sample, the last one first."""
    return page(request, "samples", samples=samples(shop_of(request).record, most=MOST_LISTED))


@router.get("/samples/{number}")
def sample(request: Request, number: int) -> Response:
    """What one sample says."""
    shop = shop_of(request)
    record = shop.record
    saved = find_sample(record, number)
    found = found_of(shop, number)
    said = found.said
    others = [each for each in samples(record, saved.unit, most=50) if each.number != number]
    return page(
        request,
        "sample",
        saved=saved,
        found=found,
        said=said,
        answers=asking.answers(Said(saved.unit, said)),
        noticed=said.noticed or (),
        units=[each.machine.unit for each in machines(record)],
        others=others,
        kinds=view.KIND_CHOICES,
        who=who_of(request),
        most_bytes=MOST_BYTES,
        areas=areas(record, number),
        visits=visits(record, saved.unit) if saved.unit else (),
        compared=comparisons(record, number),
    )


def found_of(shop: Shop, number: int) -> view.Findings:
    """Return what a sample's page says, worked out anew only where something changed."""
    key = (number, state_of(shop.record, number), view.lists_in_use())
    return shop.findings.get(key, lambda: view.findings(shop.record, number))


@router.get("/samples/{number}/pieces")
def pieces(request: Request, number: int) -> Response:
    """Return the pieces with their outlines, for the page's script."""
    shop = shop_of(request)
    key = ("pieces", number, state_of(shop.record, number))
    text = shop.drawn.get(key, lambda: in_bytes(view.pieces(shop.record, number))).decode()
    return Response(in_shop_units(text), media_type="application/json")


def in_bytes(told: dict[str, Any]) -> bytes:
    """Return data as the bytes of a JSON document."""
    return json.dumps(told, ensure_ascii=False).encode()


@router.get("/samples/{number}/photo/{index}")
def photo(request: Request, number: int, index: int) -> Response:
    """Return the shown part of a photo; it never changes, so browsers may keep it."""
    shop = shop_of(request)
    key = ("photo", number, state_of(shop.record, number).analysis, index)
    data = shop.drawn.get(key, lambda: view.picture(shop.record, number, index))
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"})


@router.post("/samples/{number}/said")
def said(request: Request, number: int) -> Response:
    """Put right what was said of a sample; nothing is measured anew."""
    shop, form = shop_of(request), form_of(request)
    answers = asking.read(form, machine_of(shop, asking.text(form, "unit")))
    put_right(shop.record, number, answers)
    answer = go(f"/samples/{number}")
    remember(request, answer, answers)
    return answer


def put_right(record: Record, number: int, said: Said) -> None:
    """Keep under a sample what the bench said, and its machine; what the page does not ask stays."""
    unit = find_sample(record, number).unit
    moved = (unit and unit_key(unit)) != (said.unit and unit_key(said.unit))
    if moved:  # else it stays under its visit
        attach_sample(record, number, unit=said.unit)
    before = load_measured(record, number).sample
    unasked = () if moved and unit else NOT_ASKED  # another machine's tank and power are not its own
    kept = {name: getattr(before, name) for name in unasked if getattr(said.sample, name) is None}
    after = replace(said.sample, **kept)
    if before != after:
        restate(record, number, after)


@router.get("/samples/{number}/report.pdf")
async def report(request: Request, number: int) -> Response:
    """Return the report as a PDF, named by machine, day, work order and sample."""
    shop = shop_of(request)
    await run_in_threadpool(find_sample, shop.record, number)
    return await pdf_of(shop, number)


async def pdf_of(shop: Shop, about: About) -> Response:
    """Return a PDF that a worker writes, under its own name."""
    written = await asyncio.wrap_future(shop.drafts.report(about, load_settings().paper))
    return Response(
        written.data,
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="{written.name}"'},
    )


@router.get("/compare.pdf")
async def compare_pdf(request: Request, before: int, after: int) -> Response:
    """Return a comparison as a PDF."""
    shop = shop_of(request)
    for number in (before, after):
        await run_in_threadpool(find_sample, shop.record, number)
    return await pdf_of(shop, (before, after))


@router.get("/compare")
def compare(request: Request) -> Response:
    """Two samples side by side."""
    record = shop_of(request).record
    query = {name: request.query_params.get(name, "") for name in ("before", "after")}
    chosen = {
        name: int(value) if value.isascii() and value.isdigit() else None for name, value in query.items()
    }
    before, after = chosen["before"], chosen["after"]
    found = side_by_side(record, before, after) if before and after else None
    kept = [each for each in comparisons(record, after) if each.before == before] if found and after else []
    listed = samples(record, most=MOST_LISTED)
    return page(request, "compare", samples=listed, found=found, before=before, after=after, kept=kept)


@router.post("/compare")
def keep_comparison(request: Request) -> Response:
    """Keep a comparison with both samples."""
    given = [asking.text(form_of(request), name) or "" for name in ("before", "after")]
    if not all(number.isascii() and number.isdigit() for number in given):
        raise UserError("Choose two samples to compare first.")
    before, after = map(int, given)
    keep(shop_of(request).record, before, after)
    return go(f"/compare?before={before}&after={after}")
