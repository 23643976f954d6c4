"""What every page works with, and how a page is put together."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from triage.kept_shop import PAPERS, load_settings
from triage.record.book import Record
from triage.report import words
from triage.report.comparison import VERDICT_WORDS
from triage.report.units import in_shop_units
from triage.web import asking
from triage.web.drafts import Drafts
from triage.web.guard import Door
from triage.web.remembered import Remembered
from triage.web.sessions import Session
from triage.web.view import Findings

HERE = Path(__file__).parent
MOST_FINDINGS = 300  # some ten kilobytes each
MOST_DRAWN = 60  # pictures and lists of pieces, up to a megabyte each
FAULT_WORDS = {
    "no_card": "where corner squares of the card should be",
    "blurred": "what is not sharp",
    "glare": "the glare",
    "clipped": "what is too bright",
    "tilted": "the side that is too far away",
    "window_cut_off": "the side that is cut off",
    "uneven_light": "where light is missing",
}
WHO_COOKIE = "triage_who"
WHO_LETTERS = 20


@dataclass(frozen=True)
class Shop:
    """The open record, the photos on their way, who may come in, and where phones find the page."""

    record: Record
    drafts: Drafts
    door: Door
    address: str | None  # on the shop's network; None where the page is for this computer only
    templates: Environment
    findings: Remembered[Findings] = field(default_factory=lambda: Remembered(MOST_FINDINGS))
    drawn: Remembered[bytes] = field(default_factory=lambda: Remembered(MOST_DRAWN))


def templates() -> Environment:
    """Return the page templates; everything put into them is escaped."""
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        auto_reload=False,  # pages belong to the program that was started
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(asking=asking, papers=PAPERS)
    environment.filters.update(
        size=words.size,
        microns=words.microns,
        typeset=words.typeset,
        faultword=fault_word,
        verdict=VERDICT_WORDS.__getitem__,
    )
    return environment


def fault_word(code: str) -> str:
    """Return what is marked in a photo that was refused."""
    return FAULT_WORDS.get(code, "where it shows")


def shop_of(request: Request) -> Shop:
    """Return what the page works with."""
    shop: Shop = request.app.state.shop
    return shop


def session_of(request: Request) -> Session | None:
    """Return who asks; None on the pages that come before pairing."""
    session: Session | None = request.state.session
    return session


def form_of(request: Request) -> dict[str, list[str]]:
    """Return the form that came along, as the guard has read it."""
    form: dict[str, list[str]] = request.state.form
    return form


def page(request: Request, name: str, status: int = 200, **shown: Any) -> Response:
    """Return a page made from the template of that name."""
    session = session_of(request)
    template = shop_of(request).templates.get_template(f"{name}.html")
    text = template.render(
        session=session,
        csrf=session.csrf if session else "",
        here=request.url.path,
        shared=shop_of(request).address is not None,
        settings=load_settings(),
        **shown,
    )
    return HTMLResponse(in_shop_units(text), status)


def fragment(request: Request, name: str, **shown: Any) -> str:
    """Return a part of a page, for the page's script to put in place."""
    template = shop_of(request).templates.get_template(f"{name}.html")
    return in_shop_units(template.render(settings=load_settings(), **shown))


def go(path: str) -> Response:
    """Send the browser on to another page, so that loading that one again repeats nothing."""
    return RedirectResponse(path, 303)


def by_script(request: Request) -> bool:
    """Whether the page's script asks, and so wants data rather than a page."""
    return "application/json" in request.headers.get("accept", "")


def who_of(request: Request) -> str:
    """Return the initials that were given last in this browser."""
    return unquote(request.cookies.get(WHO_COOKIE, ""))[:WHO_LETTERS]
