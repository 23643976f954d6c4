"""What a technician puts right on a sample's page: a piece's kind, pieces and areas left out."""

from __future__ import annotations

import re
from urllib.parse import quote

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from triage.errors import UserError
from triage.record.book import areas, correct, forget, learn, leave_out, restore_area
from triage.record.entries import Correction, LeftOut
from triage.report import words
from triage.web import asking
from triage.web.sample_pages import found_of
from triage.web.shop import WHO_COOKIE, WHO_LETTERS, by_script, form_of, fragment, go, shop_of

router = APIRouter()
CORNERS = ("x0", "y0", "x1", "y1")


@router.post("/samples/{number}/pieces")
def correction(request: Request, number: int) -> Response:
    """Take a technician's word on one piece, and answer with the findings as they are then."""
    record, form = shop_of(request).record, form_of(request)
    action = asking.text(form, "action") or ""
    kind = asking.text(form, "kind") if action in {"kind", "learn"} else None
    piece = _whole(form, "piece", "Tap a piece in the photo first, or give its number.")
    told = "Kept; the shares above are worked out anew."
    if action == "learn":
        told = words.learnt_words(learn(record, number, Correction(piece, "kind", kind, _who(form))))
    elif action == "forget":
        told = words.forgotten_words(forget(record, number, piece, _who(form)))
    else:
        correct(record, number, Correction(piece, action, kind, _who(form)))
    return _answer(request, number, told)


@router.post("/samples/{number}/areas")
def area(request: Request, number: int) -> Response:
    """Leave an area of a photo out, or count it again."""
    record, form = shop_of(request).record, form_of(request)
    again = re.fullmatch(r"restore-(\d{1,6})", asking.text(form, "action") or "", re.ASCII)
    if again:
        which = int(again[1])
        restore_area(record, number, which, _who(form))
        return _answer(request, number, f"Area {which} is counted again.")
    corners = [asking.amount(form, name) for name in CORNERS]
    if None in corners:
        raise UserError("Draw the area on the photo, or tap two of its corners.")
    x0, y0, x1, y1 = (float(value or 0) for value in corners)
    drawn = LeftOut(_whole(form, "photo", "Say which photo."), x0, y0, x1 - x0, y1 - y0, _who(form))
    leave_out(record, number, drawn)
    return _answer(request, number, "That area is left out; the shares above are worked out anew.")


def _who(form: asking.Form) -> str:
    return (asking.text(form, "who") or "")[:WHO_LETTERS]


def _whole(form: asking.Form, name: str, missing: str) -> int:
    value = asking.amount(form, name)
    if value is None or value != int(value):
        raise UserError(missing)
    return int(value)


def _answer(request: Request, number: int, told: str) -> Response:
    if by_script(request):
        shop = shop_of(request)
        text = fragment(request, "_findings", found=found_of(shop, number))
        listed = fragment(request, "_areas", areas=areas(shop.record, number))
        answer: Response = JSONResponse({"findings": text, "areas": listed, "told": told})
    else:
        answer = go(f"/samples/{number}#pieces")
    who = quote(_who(form_of(request)))
    answer.set_cookie(WHO_COOKIE, who, max_age=90 * 86_400, httponly=True, samesite="strict")
    return answer
