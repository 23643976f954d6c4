"""What stands before every page: host names, sessions, forged posts, sizes, and the headers of each answer.

One ASGI wrapper, so that no page can be added that forgets it. A request that changes something must come
from our own page: its Origin must be ours and it must bring the session's token, in the form or in a header.
"""

from __future__ import annotations

import hmac
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Any
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from triage.web.sessions import Session, Sessions, device_words

FORM_BYTES = 64_000
FORM_FIELDS = 200
CSRF_FIELD, CSRF_HEADER = "csrf", "x-triage-token"
OPEN_PATHS = ("/static/", "/pair")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "geolocation=(), microphone=(), camera=()",
}


@dataclass(frozen=True)
class Door:
    """The names and port that the page answers to, and who is in."""

    hosts: frozenset[str]  # as in the Host header, port included
    cookie: str
    sessions: Sessions


class Guard:
    """Wrap the pages; what is refused never reaches them."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self.app, self.door = app, door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or pass it on."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        answer = _Headed(send, scope["path"])
        refusal = await self._enter(scope, receive, answer)
        if isinstance(refusal, Response):
            await refusal(scope, receive, answer)
            return
        try:
            await self.app(scope, refusal, answer)
        except Exception:
            if not answer.begun:
                raise
            # Answered and logged by then; the server's own log would add what the message holds.

    async def _enter(self, scope: Scope, receive: Receive, answer: _Headed) -> Response | Receive:
        """Return a refusal, or what the page may read the body from."""
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self.door.hosts:
            return PlainTextResponse("This page does not answer to that name.", 421)
        answer.secure = headers["host"].lower().split(":")[0] in {"127.0.0.1", "localhost"}
        state = scope.setdefault("state", {})
        session = self._session(scope, headers, answer)
        state["session"] = session
        if session is None and not scope["path"].startswith(OPEN_PATHS):
            if scope["method"] == "GET":
                return RedirectResponse("/pair", 303)
            return PlainTextResponse("This phone is not paired; pair it with the QR code on the PC.", 403)
        if scope["method"] in {"GET", "HEAD"}:
            return receive
        if scope["method"] not in {"POST", "PUT"}:
            return PlainTextResponse("Not done here.", 405)
        return await self._change(scope, receive, headers, session)

    async def _change(
        self, scope: Scope, receive: Receive, headers: Headers, session: Session | None
    ) -> Response | Receive:
        if not _own_origin(headers):
            return PlainTextResponse("This came from another page; nothing was changed.", 403)
        form: dict[str, list[str]] = {}
        if headers.get("content-type", "").split(";")[0].strip() == "application/x-www-form-urlencoded":
            body = await _short_body(receive)
            if body is None:
                return PlainTextResponse("That is too much text; shorten it.", 413)
            try:
                form = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=FORM_FIELDS)
            except ValueError:
                return PlainTextResponse("That form could not be read.", 400)
            receive = _nothing_more
        scope["state"]["form"] = form
        given = headers.get(CSRF_HEADER) or form.get(CSRF_FIELD, [""])[0]
        if session is not None and not hmac.compare_digest(given.encode(), session.csrf.encode()):
            return PlainTextResponse("This page is out of date: go back, load it again and repeat.", 403)
        return receive

    def _session(self, scope: Scope, headers: Headers, answer: _Headed) -> Session | None:
        """Return who this is; whoever sits at this computer gets a session at once."""
        session = self.door.sessions.find(_cookie(headers, self.door.cookie))
        if session is None and _is_here(scope) and not scope["path"].startswith("/static/"):
            secret, session = self.door.sessions.begin(
                device_words(headers.get("user-agent", "")), paired=False
            )
            answer.cookie = session_cookie(self.door.cookie, secret)
        return session


class _Headed:
    """Sends an answer with the headers that every answer has."""

    def __init__(self, send: Send, path: str) -> None:
        self.send, self.path, self.cookie, self.begun = send, path, "", False
        self.secure = False  # whether browsers take the page's address for secure, as they do this computer's

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self.begun = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            if self.secure:  # elsewhere browsers pass it over, with a complaint
                headers.setdefault("cross-origin-opener-policy", "same-origin")
            fixed = self.path.startswith("/static/")
            headers.setdefault("cache-control", "no-cache" if fixed else "no-store")
            if self.cookie:
                headers.append("set-cookie", self.cookie)
        await self.send(message)


def session_cookie(name: str, secret: str) -> str:
    """Return the Set-Cookie line of a session: no script reads it, no other site makes use of it."""
    return f"{name}={secret}; Path=/; HttpOnly; SameSite=Strict; Max-Age=7776000"


def _cookie(headers: Headers, name: str) -> str | None:
    try:
        found: SimpleCookie = SimpleCookie(headers.get("cookie", ""))
    except CookieError:
        return None
    return found[name].value if name in found else None


def _is_here(scope: Scope) -> bool:
    """Whether the request comes from this very computer."""
    client = scope.get("client")
    try:
        return client is not None and ip_address(client[0]).is_loopback
    except ValueError:
        return False


def _own_origin(headers: Headers) -> bool:
    """Whether a request that changes something was sent by one of our own pages."""
    if headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return False
    origin = headers.get("origin")
    return origin is None or origin.lower() == f"http://{headers['host'].lower()}"


async def _short_body(receive: Receive) -> bytes | None:
    """Return a form's bytes, None where they are more than a form has."""
    body: bytes = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return None
        body += bytes(message.get("body", b""))
        if len(body) > FORM_BYTES:
            return None
        if not message.get("more_body", False):
            return body


async def _nothing_more() -> dict[str, Any]:
    return {"type": "http.request", "body": b"", "more_body": False}
