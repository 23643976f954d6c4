"""What every page works with, and how a page is put together."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from triage.record.book import Record
from triage.report import words
from triage.web import asking
from triage.web.drafts import Drafts
from triage.web.guard import Door
from triage.web.sessions import Session

HERE = Path(__file__).parent
PAPERS = {"a4": "A4", "letter": "US Letter"}
PAPER_COOKIE = "triage_paper"


@dataclass(frozen=True)
class Shop:
    """The open record, the photos on their way, who may come in, and where phones find the page."""

    record: Record
    drafts: Drafts
    door: Door
    address: str | None  # on the shop's network; None where the page is for this computer only
    templates: Environment


def templates() -> Environment:
    """Return the page templates; everything put into them is escaped."""
    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(asking=asking, papers=PAPERS)
    environment.filters.update(size=words.size, microns=words.microns, typeset=words.typeset)
    return environment


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
        **shown,
    )
    return HTMLResponse(text, status)


def go(path: str) -> Response:
    """Send the browser on to another page, so that loading that one again repeats nothing."""
    return RedirectResponse(path, 303)


def by_script(request: Request) -> bool:
    """Whether the page's script asks, and so wants data rather than a page."""
    return "application/json" in request.headers.get("accept", "")


def paper_of(request: Request) -> str:
    """Return the paper that this browser prints on."""
    paper = request.cookies.get(PAPER_COOKIE, "a4")
    return paper if paper in PAPERS else "a4"
