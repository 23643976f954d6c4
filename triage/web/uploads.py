"""Receiving a photo: its size is checked before and while it comes, and nothing of a broken one stays."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from triage.errors import UserError

MOST_BYTES = 60_000_000
SILENT_S = 30.0
LONGEST_S = 900.0  # a photo that trickles in for longer keeps its place from others
STARTS = (b"\xff\xd8\xff", b"\x89PNG", b"II*\0", b"MM\0*", b"RIFF")


class TooBigError(UserError):
    """More than a photo has."""


async def receive(request: Request, part: Path, most: int = MOST_BYTES) -> None:
    """Write the request's body to `part`; it is there whole, or not at all.

    Raises
    ------
    UserError
        Too big, not a picture, or broken off; the sentence says what to do.
    """
    length = request.headers.get("content-length", "")
    if not length.isdigit():
        await _let_go_by(request)
        raise UserError("The photo came without its size; take it again.")
    if int(length) > most:
        raise TooBigError(f"The picture is bigger than {most // 1_000_000} MB; save it as an ordinary JPEG.")
    try:
        async with asyncio.timeout(LONGEST_S):
            await _write(request, part, int(length))
    except TimeoutError:
        part.unlink(missing_ok=True)
        raise UserError(
            "The photo took too long on its way; go nearer to the Wi-Fi, it is sent again."
        ) from None
    except BaseException:
        part.unlink(missing_ok=True)
        raise


async def _write(request: Request, part: Path, length: int) -> None:
    got, stream, is_picture = 0, request.stream().__aiter__(), True
    with part.open("xb") as file:
        while True:
            try:
                chunk = await asyncio.wait_for(anext(stream, None), SILENT_S)
            except (ClientDisconnect, TimeoutError):
                raise UserError("The photo broke off on its way; it is sent again.") from None
            if chunk is None:
                break
            if got == 0 and chunk:
                is_picture = _is_picture(chunk)
            got += len(chunk)
            if got > length:
                raise TooBigError("More came than was announced; send the photo again.")
            if is_picture:  # what is none is read on to its end: only then do browsers hear an answer
                await run_in_threadpool(file.write, chunk)
    if not is_picture:
        raise UserError("That is no photo; send a JPEG, PNG, TIFF, WebP or HEIC picture.")
    if got != length or got == 0:
        raise UserError("The photo broke off on its way; it is sent again.")


async def _let_go_by(request: Request) -> None:
    """Read on to the end and forget it, or the answer would not be heard."""
    left = MOST_BYTES
    with contextlib.suppress(ClientDisconnect, TimeoutError):
        async with asyncio.timeout(SILENT_S):
            async for chunk in request.stream():
                left -= len(chunk)
                if left < 0:
                    return


def _is_picture(data: bytes) -> bool:
    return data.startswith(STARTS) or data[4:8] == b"ftyp"
