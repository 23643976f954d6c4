"""The first screen, photos coming in, and what is shown while they are measured or when they cannot be."""

from __future__ import annotations

import math
import re
from typing import Any

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from calibration.calibrate import ByPoints, ByRule, ByStated, HowScaled
from triage.analysis import Sample
from triage.errors import UserError
from triage.photo import open_photo
from triage.record.book import find_machine, machines, samples
from triage.record.entries import Machine
from triage.web import asking, view
from triage.web.drafts import GOING, Draft, Said
from triage.web.shop import Shop, form_of, go, page, session_of, shop_of
from triage.web.uploads import MOST_BYTES, TooBigError, receive
from triage.web.work import MOST_PHOTOS, Fault

router = APIRouter()
KEY = re.compile(r"[0-9a-f]{32}")
LAST_SHOWN = 8
OFFER_AFTER = 2  # refused photos, one after the other
UM_PER_PX = (0.05, 500.0)


@router.get("/")
def home(request: Request) -> Response:
    """The big button, and the last samples."""
    shop = shop_of(request)
    return page(request, "home", samples=samples(shop.record, most=LAST_SHOWN), most_bytes=MOST_BYTES)


@router.put("/photos/{key}/{index}")
async def upload(request: Request, key: str, index: int) -> Response:
    """Take in one photo of a sample; the same one again changes nothing."""
    if not KEY.fullmatch(key) or not 0 <= index < MOST_PHOTOS:
        raise UserError(f"A sample has 1 to {MOST_PHOTOS} photos; send fewer.")
    drafts, session = shop_of(request).drafts, session_of(request)
    sample = request.query_params.get("sample", "")
    added_to = int(sample) if sample.isascii() and sample.isdigit() else None
    draft = drafts.open(key, session.number if session else 0, added_to)
    if draft.state != "receiving":
        return JSONResponse({"state": draft.state})
    part = drafts.part(draft)
    try:
        await receive(request, part)
    except TooBigError as error:
        return JSONResponse({"sentence": str(error)}, 413, headers={"connection": "close"})
    except UserError as error:
        return JSONResponse({"sentence": str(error)}, 400, headers={"connection": "close"})
    return JSONResponse({"state": drafts.received(key, index, part).state})


@router.post("/photos/{key}")
def start(request: Request, key: str) -> Response:
    """Have the photos of a sample measured; asking twice starts nothing twice."""
    _draft(request, key)
    draft = shop_of(request).drafts.start(key)
    if draft is None or not draft.photos:
        raise UserError("No photo has come yet; take it again.")
    return JSONResponse({"go": f"/photos/{key}"})


@router.get("/photos/{key}")
def working(request: Request, key: str) -> Response:
    """The questions while the photo is measured; what to do where it could not be."""
    draft = _draft(request, key)
    if draft.state == "done":
        return go(f"/samples/{draft.number}")
    if draft.state in {"refused", "failed"}:
        return _refused(request, draft)
    last = asking.remembered(request.cookies.get(asking.COOKIE))
    if draft.sample is not None:
        return page(request, "adding", draft=draft, **_progress(request, draft))
    told: dict[str, Any] = {name: last.get(name) for name in asking.REMEMBERED if name != "unit"}
    said = draft.said or Said(last.get("unit"), Sample(**told))
    return page(
        request,
        "working",
        draft=draft,
        answers=asking.answers(said),
        noticed=said.sample.noticed or (),
        units=[each.machine.unit for each in machines(shop_of(request).record)],
        **_progress(request, draft),
    )


def _refused(request: Request, draft: Draft) -> Response:
    session = session_of(request)
    offer = draft.sample is not None or (session is not None and session.refused >= OFFER_AFTER)
    return page(request, "refused", draft=draft, faults=_faults(draft), offer=offer, shown=_shown(draft))


def _shown(draft: Draft) -> list[tuple[int, list[Fault]]]:
    """Return the photos that were refused, each with the faults that have a place in it."""
    if draft.state != "refused":
        return []
    wrong = {each.photo for each in draft.faults}
    placed = [each for each in draft.faults if each.areas_px]
    return [
        (index, [each for each in placed if each.photo == index])
        for index in range(len(draft.photos))
        if index in wrong
    ]


def _faults(draft: Draft) -> list[Any]:
    """Return what is wrong, each thing once."""
    return list({(each.photo, each.code): each for each in draft.faults}.values())


@router.get("/photos/{key}/state")
def state(request: Request, key: str) -> Response:
    """How far it is, for the page's script."""
    draft = _draft(request, key)
    going = draft.state in GOING
    return JSONResponse({"going": going, "go": f"/photos/{key}", **_progress(request, draft)})


STAGES = ("waiting", "opening", "finding the card", "measuring", "writing the report")


def _progress(request: Request, draft: Draft) -> dict[str, Any]:
    stage = "finding the card" if draft.stage == "finding the scale" else draft.stage
    ahead = shop_of(request).drafts.ahead(draft.key) if draft.state == "waiting" else 0
    return {"stages": STAGES, "stage": STAGES.index(stage), "ahead": ahead}


@router.post("/photos/{key}/said")
def said(request: Request, key: str) -> Response:
    """Keep what the bench says, before or after the photo is measured."""
    from triage.web.sample_pages import put_right

    draft = _draft(request, key)
    shop, form = shop_of(request), form_of(request)
    answers = asking.read(form, machine_of(shop, asking.text(form, "unit")))
    if shop.drafts.say(key, answers) is None:
        draft = _draft(request, key)
        if draft.number is not None:
            put_right(shop.record, draft.number, answers)
    answer = go(f"/photos/{key}?told=1")
    remember(request, answer, answers)
    return answer


def remember(request: Request, answer: Response, said: Said) -> None:
    """Keep the answers in the browser for next time."""
    value = asking.to_remember(said, request.cookies.get(asking.COOKIE))
    answer.set_cookie(asking.COOKIE, value, max_age=90 * 86_400, httponly=True, samesite="strict")


def machine_of(shop: Shop, unit: str | None) -> Machine | None:
    """Return the record's machine of that unit number, None where there is none yet."""
    try:
        return find_machine(shop.record, unit) if unit else None
    except UserError:
        return None


@router.post("/photos/{key}/again")
def again(request: Request, key: str) -> Response:
    """Queue a photo once more that could not be worked on."""
    _draft(request, key)
    shop_of(request).drafts.start(key)
    return go(f"/photos/{key}")


@router.post("/photos/{key}/scale")
def scale(request: Request, key: str) -> Response:
    """Measure a refused photo by another scale than the card's."""
    draft = _draft(request, key)
    if draft.state != "refused":
        return go(f"/photos/{key}")
    by = _scale(form_of(request))
    if isinstance(by, ByPoints) and len(draft.photos) > 1:
        raise UserError("Two points hold for one photo only; send the photos one by one.")
    shop_of(request).drafts.start(key, HowScaled(by))
    return go(f"/photos/{key}")


def _scale(form: asking.Form) -> ByRule | ByPoints | ByStated:
    way = asking.text(form, "way")
    if way == "rule":
        return ByRule()
    if way == "stated":
        um = asking.amount(form, "um_per_px")
        if um is None or not UM_PER_PX[0] <= um <= UM_PER_PX[1]:
            raise UserError(f"Give the microns that one pixel covers, {UM_PER_PX[0]:g} to {UM_PER_PX[1]:g}.")
        return ByStated(um)
    numbers = [asking.amount(form, name) for name in ("x1", "y1", "x2", "y2", "mm")]
    x1, y1, x2, y2, mm = (math.nan if number is None else number for number in numbers)
    if not (math.hypot(x2 - x1, y2 - y1) >= 20 and mm > 0):
        raise UserError("Tap two points of the picture well apart, and give the millimetres between them.")
    return ByPoints(x1, y1, x2, y2, mm)


@router.api_route("/photos/{key}/picture/{index}", methods=["GET", "HEAD"])
async def picture(request: Request, key: str, index: int) -> Response:
    """Return a photo that could not be measured, made smaller."""
    draft = _draft(request, key)
    if not 0 <= index < len(draft.photos) or draft.state not in {"refused", "failed"}:
        raise UserError("There is no such picture.")
    photo = await run_in_threadpool(open_photo, draft.photos[index])
    data = await run_in_threadpool(view.scaled_jpeg, photo.rgb, 1600)
    height, width = photo.rgb.shape[:2]
    return Response(data, media_type="image/jpeg", headers={"x-photo-size": f"{width} {height}"})


def _draft(request: Request, key: str) -> Draft:
    draft = shop_of(request).drafts.find(key)
    if draft is None:
        raise UserError("That photo is no longer on its way; look among the last samples, or take it again.")
    return draft
