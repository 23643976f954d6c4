"""What the shop sets for all its phones: name, logo, units, paper, the list of filters it stocks."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from fastapi import APIRouter
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from triage.debris.confirmed import ENOUGH, load
from triage.errors import UserError
from triage.kept_shop import (
    PAPERS,
    UNITS,
    ShopSettings,
    filters_text,
    forget_filters,
    load_logo,
    save_filters,
    save_logo,
    save_settings,
)
from triage.record.entries import clean_text
from triage.report import words
from triage.web import asking
from triage.web.shop import form_of, go, page
from triage.web.uploads import TooBigError, receive

router = APIRouter()
LOGO_BYTES = 4_000_000
LOGO_PX = 900
LOGO_MOST_PX2 = 40_000_000


@router.get("/settings")
def more(request: Request) -> Response:
    """What else there is."""
    return page(request, "more")


@router.get("/shop")
def shop(request: Request) -> Response:
    """The shop's name, logo, units and paper; how many pieces it has confirmed."""
    confirmed = load()
    named = [f"{words.KIND_WORDS.get(kind, kind)} {count}" for kind, count in confirmed.counts().items()]
    return page(
        request,
        "shop",
        units=UNITS,
        logo=load_logo() is not None,
        most_bytes=LOGO_BYTES,
        confirmed=", ".join(named),
        count=len(confirmed.kinds),
        enough=ENOUGH,
    )


@router.post("/shop")
def set_shop(request: Request) -> Response:
    """Keep name, units and paper."""
    form = form_of(request)
    units, paper = asking.text(form, "units"), asking.text(form, "paper")
    if units not in UNITS or paper not in PAPERS:
        raise UserError("Choose the units and the paper from what the page offers.")
    name = clean_text(asking.text(form, "name") or "", "name") or ""
    save_settings(ShopSettings(" ".join(name.split()), units, "letter" if paper == "letter" else "a4"))
    return go("/shop?kept=1")


@router.get("/shop/logo.png")
def logo(request: Request) -> Response:
    """Return the shop's logo."""
    del request
    data = load_logo()
    if data is None:
        raise UserError("There is no logo.")
    return Response(data, media_type="image/png", headers={"cache-control": "private, no-cache"})


@router.put("/shop/logo")
async def set_logo(request: Request) -> Response:
    """Take in a logo: a PNG or JPEG, decoded and written anew, so that nothing else comes along."""
    with tempfile.TemporaryDirectory(prefix="triage-") as folder:
        part = Path(folder) / "logo"
        try:
            await receive(request, part, LOGO_BYTES)
        except TooBigError as error:
            return JSONResponse({"sentence": str(error)}, 413, headers={"connection": "close"})
        save_logo(await run_in_threadpool(_logo, part))
    return JSONResponse({"go": "/shop"})


def _logo(part: Path) -> bytes:
    """Return the picture as a small PNG on white. UserError where it is none, or too large."""
    from PIL import Image, ImageOps

    try:
        with Image.open(part, formats=("PNG", "JPEG")) as picture:
            if picture.width * picture.height > LOGO_MOST_PX2:
                raise UserError("That picture has too many pixels for a logo; save it smaller.")
            shown = ImageOps.exif_transpose(picture).convert("RGBA")
    except UserError:
        raise
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise UserError("A logo is a PNG or JPEG picture; this one cannot be opened.") from None
    shown.thumbnail((LOGO_PX, LOGO_PX))
    white = Image.new("RGBA", shown.size, "white")
    white.alpha_composite(shown)
    stream = io.BytesIO()
    white.convert("RGB").save(stream, "PNG")
    return stream.getvalue()


@router.post("/shop/logo/none")
def no_logo(request: Request) -> Response:
    """Take the logo away."""
    del request
    save_logo(None)
    return go("/shop")


@router.get("/filters")
def filters(request: Request) -> Response:
    """The filter list, to edit."""
    return page(request, "filters", text=filters_text(), wrong=None, count=None)


@router.post("/filters")
def set_filters(request: Request) -> Response:
    """Keep the list, or say which line is wrong and leave the text as it was typed."""
    form = form_of(request)
    if asking.text(form, "action") == "own":
        forget_filters()
        return go("/filters")
    text = (form.get("list") or [""])[0].replace("\r\n", "\n")
    try:
        count = save_filters(text)
    except UserError as error:
        return page(request, "filters", 400, text=text, wrong=str(error), count=None)
    return page(request, "filters", text=text, wrong=None, count=count)
