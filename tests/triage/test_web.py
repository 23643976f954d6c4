"""The shop page: a real server on loopback for what comes in, the pages themselves for what is shown."""

from __future__ import annotations

import re
import secrets
import socket
import threading
from dataclasses import replace
from urllib.parse import urlsplit

import httpx
import pytest
from starlette.testclient import TestClient

from tests.triage.saved import invented
from tests.triage.shop import Served, client, half_size, served, settled
from triage.record.book import (
    corrections,
    find_machine,
    find_sample,
    load_measured,
    open_record,
    samples,
    save_sample,
)
from triage.web.app import make_app, open_shop
from triage.web.guard import FORM_BYTES, Door
from triage.web.sessions import Sessions
from triage.web.uploads import MOST_BYTES

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> '; DROP TABLE machines;--"
HERE, PHONE = ("127.0.0.1", 50000), ("192.168.1.20", 50000)
NAME, SHARED = "127.0.0.1:8321", "192.168.1.5:8321"


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    with served(tmp_path_factory.mktemp("shop")) as running:
        yield running


@pytest.fixture(scope="module")
def good_photo():
    return half_size("pressure_washer_PW-07_after.jpg")


@pytest.fixture
def door():
    return Door(frozenset({NAME, SHARED}), "triage_test", Sessions())


@pytest.fixture
def app(door, tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("TRIAGE_DATABASE", raising=False)
    opened = open_shop(door, f"http://{SHARED}")
    made = make_app(opened)
    with TestClient(made, base_url=f"http://{NAME}", client=HERE):
        yield made


@pytest.fixture
def pc(app):
    return browser(app, NAME, HERE)


@pytest.fixture
def sample(app, tmp_path):  # noqa: ARG001 - the app must have made the record
    made = invented(tmp_path / "photos", noticed=None)
    with open_record() as record:
        return save_sample(record, made.analysis, [made.photo], unit="PW-07").number


def browser(app, name, address):
    return TestClient(app, base_url=f"http://{name}", client=address, follow_redirects=False)


def token(page):
    return re.findall(r'name="triage-token" content="([^"]*)"', page.text)[0]


def key():
    return secrets.token_hex(16)


# What comes in, on a real server


def test_an_upload_sent_twice_makes_one_sample(shop, good_photo):
    with client(shop.address) as phone:
        mine = key()
        for _ in range(2):
            assert phone.put(f"/photos/{mine}/0", content=good_photo).status_code == 200
        for _ in range(2):
            assert phone.post(f"/photos/{mine}").json() == {"go": f"/photos/{mine}"}
        first = settled(phone, mine)
        phone.put(f"/photos/{mine}/0", content=good_photo)
        phone.post(f"/photos/{mine}")
        again = settled(phone, mine)

    assert first.status_code == again.status_code == 303
    assert first.headers["location"] == again.headers["location"]
    assert len(kept(shop)) == 1


def kept(shop: Served):
    with open_record(f"sqlite:///{shop.data / 'record.sqlite'}") as record:
        return samples(record)


def test_two_phones_with_one_key_at_once_make_one_sample(shop, good_photo):
    mine, before = key(), len(kept(shop))

    def send():
        with client(shop.address) as phone:
            phone.put(f"/photos/{mine}/0", content=good_photo)
            phone.post(f"/photos/{mine}")

    threads = [threading.Thread(target=send) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with client(shop.address) as phone:
        settled(phone, mine)

    assert len(kept(shop)) == before + 1


def test_a_broken_upload_leaves_nothing_and_can_be_repeated(shop, good_photo):
    where, mine = urlsplit(shop.address), key()
    with client(shop.address) as phone:
        cookie = "; ".join(f"{name}={value}" for name, value in phone.cookies.items())
        head = (
            f"PUT /photos/{mine}/0 HTTP/1.1\r\nHost: {where.netloc}\r\nCookie: {cookie}\r\n"
            f"x-triage-token: {phone.headers['x-triage-token']}\r\nContent-Length: {len(good_photo)}\r\n\r\n"
        )
        with socket.create_connection((where.hostname, where.port)) as line:
            line.sendall(head.encode() + good_photo[: len(good_photo) // 2])
        started = phone.post(f"/photos/{mine}")

        assert started.status_code == 400
        assert "take it again" in started.json()["sentence"]
        assert not list(shop.data.rglob("*.part"))
        assert phone.put(f"/photos/{mine}/0", content=good_photo).json() == {"state": "receiving"}


def test_what_is_too_big_is_refused_before_it_is_read(shop):
    where = urlsplit(shop.address)
    with client(shop.address) as phone:
        cookie = "; ".join(f"{name}={value}" for name, value in phone.cookies.items())
        head = (
            f"PUT /photos/{key()}/0 HTTP/1.1\r\nHost: {where.netloc}\r\nCookie: {cookie}\r\n"
            f"x-triage-token: {phone.headers['x-triage-token']}\r\nContent-Length: {MOST_BYTES + 1}\r\n\r\n"
        )
        with socket.create_connection((where.hostname, where.port)) as line:
            line.sendall(head.encode())
            answer = line.recv(4096).decode()

    assert answer.startswith("HTTP/1.1 413")


def test_a_body_without_a_stated_size_is_refused(shop):
    with client(shop.address) as phone:
        answer = phone.put(f"/photos/{key()}/0", content=iter([b"\xff\xd8\xff"] * 3))

    assert answer.status_code == 400
    assert "without its size" in answer.json()["sentence"]


@pytest.mark.parametrize("content", [b"", b"<svg onload=alert(1)>", b"%PDF-1.7", b"MZ" + bytes(200)])
def test_what_is_no_photo_is_refused(shop, content):
    with client(shop.address) as phone:
        answer = phone.put(f"/photos/{key()}/0", content=content)

    assert answer.status_code == 400


def test_a_file_that_only_begins_like_a_photo_is_refused_with_what_to_do(shop):
    with client(shop.address) as phone:
        mine = key()
        phone.put(f"/photos/{mine}/0", content=b"\xff\xd8\xff" + bytes(5000))
        phone.post(f"/photos/{mine}")
        page = settled(phone, mine)

    assert page.status_code == 200
    assert "Take the photo again" in page.text


def test_after_two_bad_photos_other_ways_are_offered_and_work(shop):
    blurred = half_size("generator_GN-05_blurred.jpg")
    with client(shop.address) as phone:
        pages = []
        for _ in range(2):
            mine = key()
            phone.put(f"/photos/{mine}/0", content=blurred)
            phone.post(f"/photos/{mine}")
            pages.append(settled(phone, mine).text)
        phone.post(f"/photos/{mine}/scale", data={"way": "stated", "um_per_px": "70"})
        after = settled(phone, mine)

    assert ["Twice now" in page for page in pages] == [False, True]
    assert "Too blurred" in pages[0]
    assert after.status_code in {200, 303}


def test_answers_given_while_it_is_measured_are_in_the_record(shop, good_photo):
    with client(shop.address) as phone:
        mine = key()
        phone.put(f"/photos/{mine}/0", content=good_photo)
        phone.post(f"/photos/{mine}")
        answers = {"unit": "GN-12", "origin": "tank", "feed": "gravity", "noticed": ["water", "gum"]}
        phone.post(f"/photos/{mine}/said", data=answers)
        number = int(settled(phone, mine).headers["location"].rsplit("/", 1)[1])
    with open_record(f"sqlite:///{shop.data / 'record.sqlite'}") as record:
        said = load_measured(record, number).sample
        unit = find_sample(record, number).unit

    assert unit == "GN-12"
    assert (said.origin, said.feed, said.noticed) == ("tank", "gravity", ("water", "gum"))


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "localhost", "127.0.0.1", "", "[::1]"])
def test_it_answers_to_its_own_names_only(shop, host):
    answer = httpx.get(shop.address, headers={"host": host})

    assert answer.status_code in {400, 421}
    assert "set-cookie" not in answer.headers


def test_a_taken_port_is_one_sentence(shop):
    from typer.testing import CliRunner

    from triage.cli import app

    port = urlsplit(shop.address).port
    result = CliRunner().invoke(app, ["serve", "--port", str(port)])

    assert result.exit_code != 0
    assert f"Port {port} cannot be used" in str(result.exception)


# Who may do what


def test_a_form_without_its_token_or_from_another_page_changes_nothing(pc, sample):
    good = token(pc.get("/"))
    form = {"piece": "1", "action": "reject", "who": "AB"}
    refused = [
        pc.post(f"/samples/{sample}/pieces", data=form),
        pc.post(f"/samples/{sample}/pieces", data={**form, "csrf": good[:-1] + "x"}),
        pc.post(f"/samples/{sample}/pieces", data={**form, "csrf": ""}),
        pc.post(
            f"/samples/{sample}/pieces",
            data={**form, "csrf": good},
            headers={"origin": "http://evil.example"},
        ),
        pc.post(f"/samples/{sample}/pieces", data={**form, "csrf": good}, headers={"origin": "null"}),
        pc.post(
            f"/samples/{sample}/pieces", data={**form, "csrf": good}, headers={"sec-fetch-site": "cross-site"}
        ),
    ]

    assert [answer.status_code for answer in refused] == [403] * 6
    with open_record() as record:
        assert corrections(record, sample) == ()
        assert pc.post(f"/samples/{sample}/pieces", data={**form, "csrf": good}).status_code == 303
        assert len(corrections(record, sample)) == 1


def test_the_token_of_one_browser_is_no_good_in_another(app, sample):
    one, other = browser(app, NAME, HERE), browser(app, NAME, HERE)
    stolen = token(one.get("/"))
    other.get("/")

    answer = other.post(f"/samples/{sample}/pieces", data={"csrf": stolen})

    assert answer.status_code == 403


@pytest.mark.parametrize(
    "path", ["/", "/samples", "/samples/1", "/machines", "/phones", "/card.pdf", "/nothing"]
)
@pytest.mark.usefixtures("sample")
def test_a_phone_that_is_not_paired_sees_nothing(app, path):
    phone = browser(app, SHARED, PHONE)

    assert phone.get(path).headers.get("location") == "/pair"
    assert phone.post(path).status_code == 403
    assert "PW-07" not in phone.get("/pair").text


@pytest.mark.usefixtures("sample")
def test_a_code_pairs_one_phone_once(app, door):
    phone, second = browser(app, SHARED, PHONE), browser(app, SHARED, ("192.168.1.21", 50000))
    code = door.sessions.token()
    looked = phone.get(f"/pair/{code}")  # a program that looks at links in advance must not use it up
    paired = phone.post("/pair", data={"token": code})
    late = second.post("/pair", data={"token": code})

    assert looked.status_code == 200
    assert paired.headers["location"] == "/"
    assert "HttpOnly" in paired.headers["set-cookie"]
    assert "SameSite=Strict" in paired.headers["set-cookie"]
    assert "PW-07" in phone.get("/samples").text
    assert late.status_code == 400
    assert second.get("/samples").status_code == 303


@pytest.mark.parametrize("guess", ["", "x", "0" * 22, "../../etc/passwd", "é"])
def test_a_guessed_code_pairs_nothing(app, door, guess):
    door.sessions.token()
    phone = browser(app, SHARED, PHONE)

    assert phone.post("/pair", data={"token": guess}).status_code == 400
    assert phone.get("/samples").status_code == 303


def test_an_old_code_pairs_nothing(app, door, monkeypatch):
    code = door.sessions.token()
    monkeypatch.setattr("triage.web.sessions.time.time", lambda: 9e9)

    assert browser(app, SHARED, PHONE).post("/pair", data={"token": code}).status_code == 400


def test_a_session_that_was_ended_is_out(app, door, pc):
    phone = browser(app, SHARED, PHONE)
    phone.post("/pair", data={"token": door.sessions.token()})
    number = next(each.number for each in door.sessions.listing() if each.paired)
    page = pc.get("/phones")
    pc.post("/phones/end", data={"csrf": token(page), "number": str(number)})

    assert phone.get("/samples").headers["location"] == "/pair"


def test_a_forged_cookie_is_no_session(app):
    phone = browser(app, SHARED, PHONE)
    phone.cookies.set("triage_test", secrets.token_urlsafe(32))

    assert phone.get("/samples").status_code == 303


# What is shown


def test_every_answer_carries_the_policy_and_no_page_breaks_it(pc, sample):
    pages = [
        "/",
        "/samples",
        f"/samples/{sample}",
        "/compare",
        "/machines",
        "/machines/1",
        "/card",
        "/settings",
    ]
    for path in [*pages, "/phones", "/nothing", f"/samples/{sample}/pieces", "/static/page.js"]:
        answer = pc.get(path)
        policy = answer.headers["content-security-policy"]

        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        if "html" in answer.headers["content-type"]:
            assert not re.search(
                r"<style|\sstyle=|\son\w+=|javascript:|<script(?! src=\"/static/)", answer.text
            )
            assert not re.search(r"(?:src|href|action)=\"(?!/|#)", answer.text)


def test_hostile_text_is_shown_as_text(pc, sample):
    csrf = token(pc.get("/"))
    answer = pc.post(
        "/machines", data={"csrf": csrf, "unit": "X <b>1</b>", "type": HOSTILE, "notes": HOSTILE}
    )
    shown = pc.get(answer.headers["location"]).text + pc.get("/machines").text
    pc.post(f"/samples/{sample}/said", data={"csrf": csrf, "unit": "<script>alert(3)</script>"})
    shown += pc.get(f"/samples/{sample}").text + pc.get("/samples").text + pc.get("/").text
    shown += pc.get("/compare", params={"before": HOSTILE, "after": "1"}).text

    assert "<script>alert" not in shown
    assert "<img src=x" not in shown
    assert "&lt;script&gt;alert(1)" in shown


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/photos/..%2f..%2fetc/picture/0",
        "/samples/1/photo/-1",
        "/samples/1/photo/99",
        "/samples/99999999999999999999",
        "/samples/0",
        "/samples/x",
        "/machines/7",
        "/card.pdf?paper=../../x",
        "/card.pdf?number=9999999999",
    ],
)
@pytest.mark.usefixtures("sample")
def test_no_path_leads_anywhere_else(pc, path):
    answer = pc.get(path)

    assert answer.status_code in {400, 404}
    assert "Traceback" not in answer.text


@pytest.mark.usefixtures("sample")
def test_a_form_that_is_too_long_is_refused(pc):
    csrf = token(pc.get("/"))

    assert (
        pc.post("/machines", data={"csrf": csrf, "unit": "A", "notes": "x" * FORM_BYTES}).status_code == 413
    )


@pytest.mark.parametrize(
    "bad", [{"origin": "moon"}, {"noticed": "ghosts"}, {"hours": "many"}, {"part": "140"}]
)
def test_answers_that_were_not_offered_are_refused_with_a_sentence(pc, sample, bad):
    answer = pc.post(f"/samples/{sample}/said", data={"csrf": token(pc.get("/")), **bad})

    assert answer.status_code == 400
    assert "choose" in answer.text.lower() or "ordinary number" in answer.text or "per cent" in answer.text


def test_leaving_a_piece_out_changes_the_shares_and_putting_it_back_restores_them(pc, sample):
    csrf = token(pc.get("/"))
    head = {"accept": "application/json", "x-triage-token": csrf}
    path = f"/samples/{sample}/pieces"
    before = pc.get(path).json()
    sized = next(each for each in before["pieces"] if not each["small"] and not each["edge"])
    form = {"piece": str(sized["id"]), "who": "AB"}
    whole = pc.get(f"/samples/{sample}").text
    without = pc.post(path, data={**form, "action": "reject"}, headers=head).json()["findings"]
    back = pc.post(path, data={**form, "action": "restore"}, headers=head).json()["findings"]
    pc.post(path, data={**form, "action": "kind", "kind": "rubber"}, headers=head)
    after = next(each for each in pc.get(path).json()["pieces"] if each["id"] == sized["id"])

    assert "1 left out" in without
    assert counted(without) == counted(whole) - 1
    assert counted(back) == counted(whole)
    assert (after["kind"], after["given"], after["rejected"]) == ("rubber", True, False)


def counted(page: str) -> int:
    return int(re.findall(r"we counted (\d+) piece", page)[0])


def test_what_the_page_does_not_ask_stays(pc, sample):
    with open_record() as record:
        from triage.record.book import restate

        restate(record, sample, replace(load_measured(record, sample).sample, head_mm=120.0))
        pc.post(
            f"/samples/{sample}/said", data={"csrf": token(pc.get("/")), "unit": "PW-07", "noticed": "none"}
        )
        said = load_measured(record, sample).sample

    assert said.head_mm == 120.0
    assert said.noticed == ("none",)


def test_a_machine_lends_a_sample_what_it_knows(pc, sample):
    csrf = token(pc.get("/"))
    with open_record() as record:
        number = find_machine(record, "PW-07").number
        pc.post(
            f"/machines/{number}",
            data={"csrf": csrf, "unit": "PW-07", "feed": "pump", "installed_um": "75", "element": "screen"},
        )
        pc.post(f"/samples/{sample}/said", data={"csrf": csrf, "unit": "pw-07"})
        said = load_measured(record, sample).sample

    assert (said.feed, said.installed_um, said.element) == ("pump", 75.0, "screen")


def test_what_was_noticed_is_never_remembered(pc, sample):
    answer = pc.post(
        f"/samples/{sample}/said",
        data={"csrf": token(pc.get("/")), "unit": "PW-07", "origin": "tank", "noticed": "none"},
    )
    remembered = answer.headers["set-cookie"]

    assert "tank" in remembered
    assert "none" not in remembered


def test_two_samples_side_by_side(pc, sample, tmp_path):
    made = invented(tmp_path / "photos", count=9, seed=6)
    with open_record() as record:
        second = save_sample(record, made.analysis, [made.photo], unit="PW-07").number
    page = pc.get("/compare", params={"before": str(sample), "after": str(second)})
    same = pc.get("/compare", params={"before": str(sample), "after": str(sample)})

    assert "fewer" in page.text
    assert same.status_code == 400
    assert "two different samples" in same.text


def test_the_report_holds_the_headline(pc, sample):
    import pypdfium2

    answer = pc.get(f"/samples/{sample}/report.pdf")
    words = " ".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(answer.content))

    assert answer.headers["content-disposition"].startswith('inline; filename="PW-07_')
    assert "PW-07" in words


def test_the_card_is_a_pdf_of_the_paper_asked_for(pc):
    import pypdfium2

    sizes = [
        pypdfium2.PdfDocument(pc.get("/card.pdf", params={"paper": paper, "number": "3"}).content)[
            0
        ].get_size()
        for paper in ("a4", "letter")
    ]

    assert sizes == [
        pytest.approx((595.3, 841.9), abs=0.2),
        pytest.approx((612, 792), abs=0.2),
    ]  # ISO 216, ANSI
