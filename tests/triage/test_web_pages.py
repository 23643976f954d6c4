"""The shop page's pages: who may see and change what, and what they show."""

from __future__ import annotations

import re
import secrets
from dataclasses import replace

import pypdfium2
import pytest

from tests.triage.saved import invented
from tests.triage.shop import HERE, NAME, PHONE, SHARED, browser, token
from triage.record.book import corrections, find_machine, load_measured, open_record, restate, save_sample
from triage.web.guard import FORM_BYTES

HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)> '; DROP TABLE machines;--"


# Who may do what


def test_a_form_without_its_token_or_from_another_page_changes_nothing(pc, saved):
    good = token(pc.get("/"))
    form = {"piece": "1", "action": "reject", "who": "AB"}
    refused = [
        pc.post(f"/samples/{saved}/pieces", data=form),
        pc.post(f"/samples/{saved}/pieces", data={**form, "csrf": good[:-1] + "x"}),
        pc.post(f"/samples/{saved}/pieces", data={**form, "csrf": ""}),
        pc.post(
            f"/samples/{saved}/pieces",
            data={**form, "csrf": good},
            headers={"origin": "http://evil.example"},
        ),
        pc.post(f"/samples/{saved}/pieces", data={**form, "csrf": good}, headers={"origin": "null"}),
        pc.post(
            f"/samples/{saved}/pieces", data={**form, "csrf": good}, headers={"sec-fetch-site": "cross-site"}
        ),
    ]

    assert [answer.status_code for answer in refused] == [403] * 6
    with open_record() as record:
        assert corrections(record, saved) == ()
        assert pc.post(f"/samples/{saved}/pieces", data={**form, "csrf": good}).status_code == 303
        assert len(corrections(record, saved)) == 1


def test_the_token_of_one_browser_is_no_good_in_another(app, saved):
    one, other = browser(app, NAME, HERE), browser(app, NAME, HERE)
    stolen = token(one.get("/"))
    other.get("/")

    answer = other.post(f"/samples/{saved}/pieces", data={"csrf": stolen})

    assert answer.status_code == 403


@pytest.mark.parametrize(
    "path", ["/", "/samples", "/samples/1", "/machines", "/phones", "/card.pdf", "/nothing"]
)
@pytest.mark.usefixtures("saved")
def test_a_phone_that_is_not_paired_sees_nothing(app, path):
    phone = browser(app, SHARED, PHONE)

    assert phone.get(path).headers.get("location") == "/pair"
    assert phone.post(path).status_code == 403
    assert "PW-07" not in phone.get("/pair").text


@pytest.mark.usefixtures("saved")
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


def test_every_answer_carries_the_policy_and_no_page_breaks_it(pc, saved):
    pages = [
        "/",
        "/samples",
        f"/samples/{saved}",
        "/compare",
        "/machines",
        "/machines/1",
        "/card",
        "/settings",
    ]
    for path in [*pages, "/phones", "/nothing", f"/samples/{saved}/pieces", "/static/page.js"]:
        answer = pc.get(path)
        policy = answer.headers["content-security-policy"]

        assert "unsafe" not in policy
        assert "default-src 'none'" in policy
        if "html" in answer.headers["content-type"]:
            assert not re.search(
                r"<style|\sstyle=|\son\w+=|javascript:|<script(?! src=\"/static/)", answer.text
            )
            assert not re.search(r"(?:src|href|action)=\"(?!/|#)", answer.text)


def test_hostile_text_is_shown_as_text(pc, saved):
    csrf = token(pc.get("/"))
    answer = pc.post(
        "/machines", data={"csrf": csrf, "unit": "X <b>1</b>", "type": HOSTILE, "notes": HOSTILE}
    )
    shown = pc.get(answer.headers["location"]).text + pc.get("/machines").text
    pc.post(f"/samples/{saved}/said", data={"csrf": csrf, "unit": "<script>alert(3)</script>"})
    shown += pc.get(f"/samples/{saved}").text + pc.get("/samples").text + pc.get("/").text
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
@pytest.mark.usefixtures("saved")
def test_no_path_leads_anywhere_else(pc, path):
    answer = pc.get(path)

    assert answer.status_code in {400, 404}
    assert "Traceback" not in answer.text


@pytest.mark.usefixtures("saved")
def test_a_form_that_is_too_long_is_refused(pc):
    csrf = token(pc.get("/"))

    assert (
        pc.post("/machines", data={"csrf": csrf, "unit": "A", "notes": "x" * FORM_BYTES}).status_code == 413
    )


@pytest.mark.parametrize(
    "bad", [{"origin": "moon"}, {"noticed": "ghosts"}, {"hours": "many"}, {"part": "140"}]
)
def test_answers_that_were_not_offered_are_refused_with_a_sentence(pc, saved, bad):
    answer = pc.post(f"/samples/{saved}/said", data={"csrf": token(pc.get("/")), **bad})

    assert answer.status_code == 400
    assert "choose" in answer.text.lower() or "ordinary number" in answer.text or "per cent" in answer.text


def test_leaving_a_piece_out_changes_the_shares_and_putting_it_back_restores_them(pc, saved):
    csrf = token(pc.get("/"))
    head = {"accept": "application/json", "x-triage-token": csrf}
    path = f"/samples/{saved}/pieces"
    before = pc.get(path).json()
    sized = next(each for each in before["pieces"] if not each["small"] and not each["edge"])
    form = {"piece": str(sized["id"]), "who": "AB"}
    whole = pc.get(f"/samples/{saved}").text
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


def test_what_the_page_does_not_ask_stays(pc, saved):
    with open_record() as record:
        restate(record, saved, replace(load_measured(record, saved).sample, head_mm=120.0))
        pc.post(
            f"/samples/{saved}/said", data={"csrf": token(pc.get("/")), "unit": "PW-07", "noticed": "none"}
        )
        said = load_measured(record, saved).sample

    assert said.head_mm == 120.0
    assert said.noticed == ("none",)


def test_a_machine_lends_a_sample_what_it_knows(pc, saved):
    csrf = token(pc.get("/"))
    with open_record() as record:
        number = find_machine(record, "PW-07").number
        pc.post(
            f"/machines/{number}",
            data={"csrf": csrf, "unit": "PW-07", "feed": "pump", "installed_um": "75", "element": "screen"},
        )
        pc.post(f"/samples/{saved}/said", data={"csrf": csrf, "unit": "pw-07"})
        said = load_measured(record, saved).sample

    assert (said.feed, said.installed_um, said.element) == ("pump", 75.0, "screen")


def test_what_was_noticed_is_never_remembered(pc, saved):
    answer = pc.post(
        f"/samples/{saved}/said",
        data={"csrf": token(pc.get("/")), "unit": "PW-07", "origin": "tank", "noticed": "none"},
    )
    remembered = answer.headers["set-cookie"]

    assert "tank" in remembered
    assert "none" not in remembered


def test_two_samples_side_by_side(pc, saved, tmp_path):
    made = invented(tmp_path / "photos", count=9, seed=6)
    with open_record() as record:
        second = save_sample(record, made.analysis, [made.photo], unit="PW-07").number
    page = pc.get("/compare", params={"before": str(saved), "after": str(second)})
    same = pc.get("/compare", params={"before": str(saved), "after": str(saved)})

    assert "fewer" in page.text
    assert same.status_code == 400
    assert "two different samples" in same.text


def test_the_report_holds_the_headline(pc, saved):
    answer = pc.get(f"/samples/{saved}/report.pdf")
    words = " ".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(answer.content))

    assert answer.headers["content-disposition"].startswith('inline; filename="PW-07_')
    assert "PW-07" in words


def test_the_card_is_a_pdf_of_the_paper_asked_for(pc):
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
