"""Attacks on the shop page: hostile text in every field and name, other origins, pictures and uploads."""

from __future__ import annotations

import asyncio
import re
import secrets
import struct
import zlib
from dataclasses import dataclass, field
from html.parser import HTMLParser

import numpy as np
import pytest
from sqlalchemy import text

from calibration.calibrate import HowScaled
from tests.triage.saved import invented, png
from tests.triage.shop import token
from triage.errors import UserError
from triage.record.book import machines, open_record, samples, save_sample
from triage.record.tables import Table
from triage.report.html import html_page
from triage.report.visit import Visit
from triage.web import uploads
from triage.web.work import Asked, measure

HOSTILE = "<script>alert(1)</script><img src=x>\"'); DROP TABLE machines;--{{7*'7'}}"  # fits a unit number
START = ("/", "/samples", "/samples/1", "/machines", "/machines/1", "/visits/1", "/compare", "/card", "/shop")
PAGES = (*START, "/settings", "/filters", "/phones", "/pair", "/compare?before=1&after=2")
ENDS = {"/phones/end", "/shop/logo/none"}  # nothing to write in
USUAL = {"unit": "X1", "who": "AB", "piece": "1", "x0": "10", "y0": "10", "x1": "60", "y1": "60"}
FREE = {"text", "search", "date", "hidden", "textarea"}


@dataclass
class Form:
    """A form as a page shows it: where it goes, its fields with their values, those one can write into."""

    action: str
    values: dict[str, str] = field(default_factory=dict)
    free: set[str] = field(default_factory=set)
    pressed: bool = False


class Forms(HTMLParser):
    """Reads the forms that post out of a page, and its links."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[Form] = []
        self.open: Form | None = None
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        if tag == "form":
            self.open = Form(told["action"]) if told.get("method") == "post" else None
            self.found += [self.open] if self.open else []
        elif self.open and tag == "button":
            if not self.open.pressed:  # the first one
                self.open.values.update({told["name"]: told["value"]} if "name" in told else {})
            self.open.pressed = True
        elif self.open and told.get("name"):
            kind = told.get("type", "text") if tag == "input" else tag
            if kind not in {"radio", "checkbox"} or "checked" in told:
                self.open.values[told["name"]] = told.get("value") or ""
            if kind in FREE and told["name"] != "csrf":
                self.open.free.add(told["name"])

    def handle_endtag(self, tag):
        if tag == "form":
            self.open = None


@pytest.fixture
def full(pc, saved, tmp_path):
    """A record with a machine, a visit and two samples, the second under a hostile file name."""
    head = {"x-triage-token": token(pc.get("/"))}
    made = invented(tmp_path / "photos", count=9, seed=6)
    hostile = made.photo.with_name("=cmd <img src=x onerror=alert(3)>.png")
    made.photo.rename(hostile)
    photos = tuple(type(each)(**{**vars(each), "file": hostile.name}) for each in made.analysis.photos)
    analysis = type(made.analysis)(**{**vars(made.analysis), "photos": photos})
    with open_record() as record:
        save_sample(record, analysis, [hostile], unit="PW-07")
    pc.post("/machines/1/visits", data={"visited_on": "2026-05-12", "work_order": "WO 1"}, headers=head)
    assert saved == 1
    return head


def rows() -> dict[str, int]:
    with open_record() as record, record.reading() as session:
        names = Table.metadata.tables
        return {name: session.scalar(text(f"SELECT count(*) FROM {name}")) or 0 for name in names}


def harmless(page: str) -> None:
    """No markup of ours came through, and no template was worked out in it."""
    assert "<script>alert" not in page
    assert "<img src=x" not in page
    assert "7777777" not in page
    assert "Traceback" not in page
    assert "sqlalchemy" not in page.lower()


def test_hostile_text_in_every_field_of_every_form_stays_text(pc, full):
    before, tried, kept = rows(), set(), 0
    forms = {form.action: form for path in PAGES for form in Forms(pc.get(path).text).found}
    for action, form in sorted(forms.items()):
        if action in ENDS or "/logo" in action:
            continue
        for name in sorted(form.free):
            given = {each: value or USUAL.get(each, "") for each, value in form.values.items()}
            answer = pc.post(action, data={**given, name: HOSTILE}, headers={**full, "accept": "text/html"})
            assert answer.status_code in {200, 303, 400, 404, 413}, (action, name, answer.status_code)
            harmless(answer.text)
            tried.add((action, name))
            kept += answer.status_code == 303
    shown = [pc.get(path).text for path in PAGES]
    for page in shown:
        harmless(page)
    after = rows()

    assert {name for _, name in tried} >= {"unit", "who", "notes", "work_order", "complaint", "name", "list"}
    assert len(tried) > 40
    assert kept > 20  # texts that were taken in, not only refused
    assert "&lt;script&gt;alert(1)" in "".join(shown)
    assert all(after[name] >= count for name, count in before.items())
    with open_record() as record:
        assert len(samples(record)) == 2
        assert machines(record)


@pytest.mark.parametrize(
    "path",
    [
        "/compare?before={}&after=1",
        "/compare?before=1&after={}",
        "/compare.pdf?before={}&after=1",
        "/card.pdf?paper={}",
        "/card.pdf?number={}",
        "/samples/{}",
        "/samples/1/photo/{}",
        "/machines/{}",
        "/visits/{}",
        "/photos/{}",
        "/pair/{}",
        "/{}",
    ],
)
def test_hostile_text_in_every_address_is_not_reflected(pc, full, path):
    from urllib.parse import quote

    del full
    harmless(pc.get(path.format(quote(HOSTILE, safe=""))).text)


def test_a_hostile_file_name_stays_text_on_page_report_and_table(pc, full, tmp_path):
    import csv
    import io
    import zipfile

    from triage.record.book import load_analysis
    from triage.record.exchange import export
    from triage.report.result import write_table

    del full
    with open_record() as record:
        export(record, tmp_path / "all.zip")
        analysis = load_analysis(record, 2)
    write_table([{"photo": analysis.photos[0].file}], ["photo"], tmp_path / "photos.csv")
    harmless(pc.get("/samples/2").text)
    harmless(html_page(analysis, Visit()))
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        tables = [archive.read(name).decode() for name in archive.namelist() if name.endswith(".csv")]
    tables.append((tmp_path / "photos.csv").read_text("utf-8"))
    cells = [cell for table in tables for row in csv.reader(io.StringIO(table)) for cell in row]

    assert any("cmd <img" in cell for cell in cells)
    assert not [cell for cell in cells if cell.startswith(("=", "@", "+")) or re.match(r"-\D", cell)]


# Other origins


@pytest.mark.parametrize("path", ["/", "/samples/1", "/samples/1/pieces", "/samples/1/photo/0"])
def test_another_origin_reads_nothing(pc, full, path):
    """A browser gives a page of another origin neither the answer nor a picture of it."""
    del full
    answer = pc.get(path, headers={"origin": "http://evil.example", "sec-fetch-site": "cross-site"})
    preflight = pc.options(
        path, headers={"origin": "http://evil.example", "access-control-request-method": "PUT"}
    )

    assert not [name for name in answer.headers if name.startswith("access-control-")]
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert preflight.status_code == 405


def test_every_way_to_change_something_is_refused_from_another_origin(app, pc, full):
    del full
    csrf = token(pc.get("/"))
    routes = [
        (method, route.path)
        for route in flat(app)
        for method in (getattr(route, "methods", None) or ())
        if method in {"POST", "PUT"}
    ]
    before = rows()
    for method, path in routes:
        address = re.sub(r"\{[^}]*\}", "1", path)
        answer = pc.request(
            method, address, headers={"x-triage-token": csrf, "origin": "http://127.0.0.1:9999"}
        )
        assert answer.status_code == 403, path
        assert pc.request(method, address).status_code == 403, path  # without a token

    assert len(routes) >= 18
    assert rows() == before


def flat(app):
    """Return the application's routes, those of its routers too."""
    inner = getattr(app, "app", app)
    found, queue = [], list(inner.routes)
    while queue:
        route = queue.pop()
        router = getattr(route, "original_router", None) or getattr(route, "router", None)
        queue += list(router.routes) if router is not None else []
        found += [route] if router is None else []
    return found


@pytest.mark.usefixtures("full")
def test_a_fault_inside_is_answered_and_logged_without_what_was_entered(pc, monkeypatch, caplog):
    entered = "unit PW-07 of Mrs Example"

    def broken(*_: object) -> None:
        raise ValueError(entered)

    monkeypatch.setattr("triage.web.machine_pages.history", broken)
    answer = pc.get("/machines/1")

    assert answer.status_code == 500
    assert "Something went wrong inside" in answer.text
    assert "fault in" in caplog.text
    assert "ValueError" in caplog.text
    assert "machine_pages.py" in caplog.text  # where to look
    assert "Example" not in caplog.text + answer.text


# Pictures and uploads


def bomb(width: int, height: int) -> bytes:
    """Return a PNG file that states a size and holds next to nothing."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(bytes(99)))
        + chunk(b"IEND", b"")
    )


def test_a_picture_bomb_is_refused_with_what_to_do(tmp_path):
    path = tmp_path / "photo-1"
    path.write_bytes(bomb(60_000, 60_000))
    outcome = measure(Asked(secrets.token_hex(16), (path,), HowScaled()))

    assert outcome.number is None
    assert "60000 x 60000 pixels, over the limit" in outcome.faults[0].message
    assert outcome.faults[0].remedy


def test_a_form_of_a_wrong_content_type_changes_nothing(pc, full):
    before = rows()
    for kind in ("application/json", "text/plain", "multipart/form-data; boundary=x", "", "image/jpeg"):
        answer = pc.post("/machines", content=b"unit=EVIL", headers={**full, "content-type": kind})
        assert answer.status_code == 400, kind

    assert rows() == before


def test_an_upload_that_never_ends_is_let_go_and_leaves_nothing(tmp_path, monkeypatch):
    from starlette.requests import Request

    monkeypatch.setattr(uploads, "LONGEST_S", 0.3)
    whole = png(np.full((300, 400, 3), 200, np.uint8))

    async def trickle():
        await asyncio.sleep(0.02)
        return {"type": "http.request", "body": whole[:1], "more_body": True}

    async def upload():
        headers = [(b"content-length", b"50000000")]
        scope = {"type": "http", "method": "PUT", "path": "/", "headers": headers, "query_string": b""}
        await uploads.receive(Request(scope, trickle), tmp_path / "a.part")

    with pytest.raises(UserError, match="took too long on its way"):
        asyncio.run(upload())
    assert list(tmp_path.iterdir()) == []


def test_codes_and_sessions_cannot_be_guessed(door):
    """128 bits of the system's own chance for a code that ten minutes void, 256 for a session."""
    codes = {door.sessions.token() for _ in range(200)}
    opened = {door.sessions.begin("PC", paired=False)[0] for _ in range(100)}

    assert len(codes) == 200
    assert min(map(len, codes)) >= 22  # 128 bits, six a letter
    assert len(opened) == 100
    assert min(map(len, opened)) >= 43
