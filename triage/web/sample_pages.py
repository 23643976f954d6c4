"""A sample's page: what was found and what to do, its pieces to tap and correct, its report."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from urllib.parse import quote

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from triage.errors import UserError
from triage.record.book import (
    Record,
    attach_sample,
    correct,
    find_sample,
    load_measured,
    machines,
    restate,
    samples,
)
from triage.record.entries import Correction
from triage.web import asking, view
from triage.web.comparing import side_by_side
from triage.web.drafts import Said
from triage.web.photo_pages import machine_of, remember
from triage.web.shop import by_script, form_of, go, page, paper_of, shop_of

router = APIRouter()
WHO_COOKIE = "triage_who"
NOT_ASKED = ("head_mm", "power_kw", "flow_test_ml_min", "flow_test_um")
MOST_LISTED = 200


@router.get("/samples")
def all_samples(request: Request) -> Response:
    """Every sample, the last one first."""
    return page(request, "samples", samples=samples(shop_of(request).record, most=MOST_LISTED))


@router.get("/samples/{number}")
def sample(request: Request, number: int) -> Response:
    """What one sample says."""
    record = shop_of(request).record
    saved = find_sample(record, number)
    said = load_measured(record, number).sample
    others = [each for each in samples(record, saved.unit, most=50) if each.number != number]
    return page(
        request,
        "sample",
        saved=saved,
        found=view.findings(record, number),
        said=said,
        answers=asking.answers(Said(saved.unit, said)),
        noticed=said.noticed or (),
        units=[each.machine.unit for each in machines(record)],
        others=others,
        kinds=view.KIND_CHOICES,
        who=request.cookies.get(WHO_COOKIE, "")[:20],
    )


@router.get("/samples/{number}/pieces")
def pieces(request: Request, number: int) -> Response:
    """Return the pieces with their outlines, for the page's script."""
    return JSONResponse(view.pieces(shop_of(request).record, number))


@router.get("/samples/{number}/photo/{index}")
def photo(request: Request, number: int, index: int) -> Response:
    """Return the shown part of a photo; it never changes, so browsers may keep it."""
    data = view.picture(shop_of(request).record, number, index)
    if data is None:
        raise UserError("There is no such picture.")
    return Response(data, media_type="image/jpeg", headers={"cache-control": "private, max-age=86400"})


@router.post("/samples/{number}/pieces")
def correction(request: Request, number: int) -> Response:
    """Take a technician's word on one piece, and answer with the findings as they are then."""
    record, form = shop_of(request).record, form_of(request)
    piece = asking.amount(form, "piece")
    if piece is None or piece != int(piece):
        raise UserError("Tap a piece in the photo first, or give its number.")
    who = (asking.text(form, "who") or "")[:20]
    action = asking.text(form, "action") or ""
    kind = asking.text(form, "kind") if action == "kind" else None
    correct(record, number, Correction(int(piece), action, kind, who))
    if by_script(request):
        template = shop_of(request).templates.get_template("_findings.html")
        answer: Response = JSONResponse({"findings": template.render(found=view.findings(record, number))})
    else:
        answer = go(f"/samples/{number}#pieces")
    answer.set_cookie(WHO_COOKIE, quote(who), max_age=90 * 86_400, httponly=True, samesite="strict")
    return answer


@router.post("/samples/{number}/said")
def said(request: Request, number: int) -> Response:
    """Put right what was said of a sample; nothing is measured anew."""
    shop, form = shop_of(request), form_of(request)
    answers = asking.read(form, machine_of(shop, asking.text(form, "unit")))
    put_right(shop.record, number, answers)
    answer = go(f"/samples/{number}")
    remember(answer, answers)
    return answer


def put_right(record: Record, number: int, said: Said) -> None:
    """Keep under a sample what the bench said, and its machine; what the page does not ask stays."""
    if find_sample(record, number).unit != said.unit:
        attach_sample(record, number, unit=said.unit)
    before = load_measured(record, number).sample
    kept = {name: getattr(before, name) for name in NOT_ASKED if getattr(said.sample, name) is None}
    after = replace(said.sample, **kept)
    if before != after:
        restate(record, number, after)


@router.get("/samples/{number}/report.pdf")
async def report(request: Request, number: int) -> Response:
    """Return the report as a PDF, named by machine, day, work order and sample."""
    shop = shop_of(request)
    await run_in_threadpool(find_sample, shop.record, number)
    written = await asyncio.wrap_future(shop.drafts.report(number, paper_of(request)))
    return Response(
        written.data,
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="{written.name}"'},
    )


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
    listed = samples(record, most=MOST_LISTED)
    return page(request, "compare", samples=listed, found=found, before=before, after=after)
