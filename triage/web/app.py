"""The shop page put together: pages, static files, what is said when something goes wrong."""

from __future__ import annotations

import logging
import traceback
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from triage.errors import UserError
from triage.record.book import Record, open_record
from triage.web import (
    correction_pages,
    machine_pages,
    photo_pages,
    sample_pages,
    settings_pages,
    shop_pages,
    visit_pages,
)
from triage.web.drafts import Draft, Drafts
from triage.web.guard import Door, Guard
from triage.web.sample_pages import put_right
from triage.web.sessions import Sessions
from triage.web.shop import HERE, Shop, by_script, page, templates

log = logging.getLogger("triage.web")
NO_PAGE = "There is no such page; go back to the first one."


def open_shop(door: Door, address: str | None = None) -> Shop:
    """Open the record and start the workers; `close_shop` ends them."""
    record = open_record()
    return Shop(record, Drafts(_finisher(record, door.sessions)), door, address, templates())


def close_shop(shop: Shop) -> None:
    """End the workers and let go of the record."""
    shop.drafts.close()
    shop.record.close()


def make_app(shop: Shop) -> ASGIApp:
    """Return the application, guarded."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, lifespan=_lifespan)
    app.state.shop = shop
    for part in (
        photo_pages,
        sample_pages,
        correction_pages,
        machine_pages,
        visit_pages,
        shop_pages,
        settings_pages,
    ):
        app.include_router(part.router)
    app.mount("/static", StaticFiles(directory=HERE / "static"))
    app.add_exception_handler(UserError, _sentence)
    app.add_exception_handler(RequestValidationError, _missing)
    app.add_exception_handler(HTTPException, _missing)
    app.add_exception_handler(Exception, _fault)
    return Guard(app, shop.door)


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    yield
    close_shop(app.state.shop)


def _finisher(record: Record, sessions: Sessions):  # type: ignore[no-untyped-def]
    def finished(draft: Draft) -> None:
        sessions.judged(draft.session, refused=draft.number is None)
        if draft.number is not None and draft.said is not None:
            put_right(record, draft.number, draft.said)

    return finished


def _told(request: Request, sentence: str, status: int) -> Response:
    if by_script(request):
        return JSONResponse({"sentence": sentence}, status)
    return page(request, "told", status, sentence=sentence)


def _sentence(request: Request, error: Exception) -> Response:
    return _told(request, str(error), 400)


def _missing(request: Request, error: Exception) -> Response:
    status = getattr(error, "status_code", 404)
    return _told(request, NO_PAGE, status)


def _fault(request: Request, error: Exception) -> Response:
    where = "".join(traceback.format_tb(error.__traceback__))  # lines of the program, no values
    log.error("fault in %s: %s\n%s", request.scope.get("route", "a page"), type(error).__name__, where)
    return _told(
        request, "Something went wrong inside; nothing was changed. Try again, or restart the program.", 500
    )
