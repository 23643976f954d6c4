"""The card to print, and the phones that may use the page."""

from __future__ import annotations

import tempfile
from pathlib import Path

import segno
from fastapi import APIRouter
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from triage.errors import UserError
from triage.kept_shop import PAPERS, load_settings
from triage.web import asking
from triage.web.guard import session_cookie
from triage.web.sessions import device_words
from triage.web.shop import Shop, form_of, go, page, session_of, shop_of

router = APIRouter()
MOST_CARD = 40


@router.get("/card")
def card(request: Request) -> Response:
    """How to print the card."""
    return page(request, "card", most=MOST_CARD)


@router.get("/card.pdf")
def card_file(request: Request) -> Response:
    """Return the card as a PDF, true to scale."""
    from calibration.draw import card_pdf

    paper = request.query_params.get("paper", load_settings().paper)
    number = request.query_params.get("number", "0")
    if paper not in PAPERS or not (number.isascii() and number.isdigit() and int(number) <= MOST_CARD):
        raise UserError(f"The card is for A4 or Letter, its number 0 to {MOST_CARD}.")
    with tempfile.TemporaryDirectory(prefix="triage-") as folder:
        file = Path(folder) / "card.pdf"
        card_pdf(file, paper=paper, number=int(number))
        data = file.read_bytes()
    name = f'inline; filename="card_{paper}_{int(number)}.pdf"'
    return Response(data, media_type="application/pdf", headers={"content-disposition": name})


@router.get("/phones")
def phones(request: Request) -> Response:
    """The phones that are paired, and how another one is."""
    shop = shop_of(request)
    listed = shop.door.sessions.listing()
    return page(request, "phones", sessions=listed, address=shop.address, code=None, link=None)


@router.post("/phones/code")
def code(request: Request) -> Response:
    """Show a code that pairs one phone."""
    shop = shop_of(request)
    if shop.address is None:
        raise UserError("Start the page with --share first; now it is open to this computer only.")
    link = pairing_link(shop)
    svg = segno.make(link, error="m").svg_inline(
        scale=6, border=4, title="Code to pair a phone", omitsize=True
    )
    listed = shop.door.sessions.listing()
    return page(request, "phones", sessions=listed, address=shop.address, code=Markup(svg), link=link)


def pairing_link(shop: Shop) -> str:
    """Return a new address that pairs the one phone that opens it."""
    return f"{shop.address}/pair/{shop.door.sessions.token()}"


@router.post("/phones/end")
def end(request: Request) -> Response:
    """End a session."""
    number = asking.amount(form_of(request), "number")
    if number is not None:
        shop_of(request).door.sessions.end(int(number))
    return go("/phones")


@router.get("/pair")
def unpaired(request: Request) -> Response:
    """What a browser sees that is not paired."""
    return page(request, "pair", 200 if session_of(request) else 403, token=None)


@router.get("/pair/{token}")
def pair(request: Request, token: str) -> Response:
    """Ask before pairing: programs that look at links in advance must not use the code up."""
    return page(request, "pair", token=token[:80])


@router.post("/pair")
def paired(request: Request) -> Response:
    """Pair the phone that brings a good code."""
    shop = shop_of(request)
    token = asking.text(form_of(request), "token") or ""
    secret = shop.door.sessions.pair(token, device_words(request.headers.get("user-agent", "")))
    if secret is None:
        raise UserError("That code has been used or is too old; show a new one on the PC and scan it.")
    answer = go("/")
    answer.headers.append("set-cookie", session_cookie(shop.door.cookie, secret))
    return answer
