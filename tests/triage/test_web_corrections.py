"""What is put right on a sample's page, and that the page follows every change at once."""

from __future__ import annotations

import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from tests.triage.commands import runner
from tests.triage.saved import invented
from tests.triage.shop import token
from triage.debris.confirmed import ENOUGH, confirm, load
from triage.debris.features import FEATURES
from triage.filters.shelf import packaged_list
from triage.record.book import (
    add_analysis,
    attach_sample,
    corrections,
    find_sample,
    forget,
    load_measured,
    open_record,
    save_sample,
)
from triage.record.details import concluded
from triage.web.remembered import Remembered

HALF = {"photo": "0", "x0": "0", "y0": "0", "x1": "200", "y1": "300", "who": "AB", "action": "leave_out"}


@pytest.fixture
def head(pc):
    return {"accept": "application/json", "x-triage-token": token(pc.get("/"))}


def counted(text: str) -> int:
    return int(re.findall(r"we counted (\d+) piece", text)[0])


def test_an_area_left_out_changes_the_shares_until_it_is_counted_again(pc, saved, head):
    path = f"/samples/{saved}"
    whole = counted(pc.get(path).text)
    left = pc.post(f"{path}/areas", data=HALF, headers=head).json()
    pieces = pc.get(f"{path}/pieces").json()
    page = pc.get(path).text
    again = pc.post(f"{path}/areas", data={"action": "restore-1", "who": "CD"}, headers=head).json()

    assert counted(left["findings"]) == counted(page) < whole
    assert re.search(r"1 area left out by hand, \d+ % of the debris window", page)
    assert {each["covered"] for each in pieces["pieces"] if each["x"] < 200} == {True}
    assert {each["covered"] for each in pieces["pieces"] if each["x"] > 200} == {False}
    assert "left out by AB" in left["areas"]
    assert counted(again["findings"]) == whole
    assert pc.get(f"{path}/pieces").json()["areas"] == []


@pytest.mark.parametrize(
    ("bad", "told"),
    [
        ({"x1": ""}, "Draw the area"),
        ({"who": ""}, "initials"),
        ({"photo": "9"}, "no pieces of its own"),
        ({"x1": "400"}, "leave nothing"),
        ({"action": "restore-5"}, "no area 5"),
    ],
)
def test_an_area_that_cannot_be_is_refused_with_a_sentence(pc, saved, head, bad, told):
    answer = pc.post(f"/samples/{saved}/areas", data={**HALF, **bad}, headers=head)

    assert answer.status_code == 400
    assert told in answer.json()["sentence"]


def test_hostile_initials_of_an_area_are_shown_as_text(pc, saved, head):
    answer = pc.post(f"/samples/{saved}/areas", data={**HALF, "who": "<b>x</b>"}, headers=head).json()

    assert "<b>" not in answer["areas"] + pc.get(f"/samples/{saved}").text


# What is remembered is never out of date


def test_the_page_follows_answers_corrections_machine_and_filter_list(pc, saved, head, tmp_path):
    path = f"/samples/{saved}"
    seen = [page_of(pc, path)]
    pc.post(f"{path}/said", data={"unit": "PW-07", "noticed": "water"}, headers=head)
    seen.append(page_of(pc, path))
    pc.post(f"{path}/pieces", data={"piece": "1", "action": "reject", "who": "AB"}, headers=head)
    seen.append(page_of(pc, path))
    shutil.copy(packaged_list(), tmp_path / "data" / "filters.toml")
    own = (tmp_path / "data" / "filters.toml").read_text(encoding="utf-8")
    (tmp_path / "data" / "filters.toml").write_text(
        own + '\n[[filter]]\nrating_um = 444\nelement = "screen"\nmeaning = "opening"\n', encoding="utf-8"
    )
    seen.append(page_of(pc, path))
    pc.post("/machines/1", data={"unit": "PW-99"}, headers=head)
    seen.append(page_of(pc, path))

    assert len(set(seen)) == len(seen)
    assert "444 µm" in seen[3]
    assert "444 µm" not in seen[2]
    assert "PW-99" in seen[4]


def page_of(pc, path: str) -> str:
    """Return a page asked for twice, the second time as remembered."""
    first, second = pc.get(path).text, pc.get(path).text
    assert first == second
    return first


def test_what_is_remembered_is_bounded_and_the_longest_unused_goes():
    kept: Remembered[int] = Remembered(2)
    made = []

    def work(value):
        made.append(value)
        return value

    asked = [kept.get(each, lambda each=each: work(each)) for each in (1, 2, 1, 3, 1, 2)]

    assert asked == [1, 2, 1, 3, 1, 2]
    assert made == [1, 2, 3, 2]


# Pieces confirmed at the bench


@pytest.fixture
def coloured(app, tmp_path):  # noqa: ARG001 - the app must have made the record
    made = invented(tmp_path / "photos", count=40, seed=8)
    table = made.analysis.particles.copy()
    table["features"] = np.random.default_rng(1).normal(size=(len(table), len(FEATURES)))
    with open_record() as record:
        return save_sample(record, replace(made.analysis, particles=table), [made.photo]).number


def learn(pc, number, piece, head, kind="rubber"):
    form = {"piece": str(piece), "action": "learn", "kind": kind, "who": "AB"}
    return pc.post(f"/samples/{number}/pieces", data=form, headers=head)


def test_a_confirmed_piece_is_learnt_and_the_page_says_how_many_are_there(pc, coloured, head):
    told = [learn(pc, coloured, piece, head).json()["told"] for piece in range(1, ENOUGH + 1)]
    twice = learn(pc, coloured, 1, head, "rust").json()["told"]

    assert told[0].startswith(f"Kept. Confirmed so far: 1 of the {ENOUGH} pieces")
    assert told[-1].startswith(f"Learnt. {ENOUGH} pieces are confirmed")
    assert twice == told[-1]
    assert load().counts() == {"rubber": ENOUGH - 1, "rust": 1}
    with open_record() as record:
        assert find_sample(record, coloured).corrections == ENOUGH + 1


def test_a_piece_without_colour_is_refused_with_a_sentence_and_stays_as_it_was(pc, saved, head):
    answer = learn(pc, saved, 1, head)

    assert answer.status_code == 400
    assert "no colour to learn from" in answer.json()["sentence"]
    with open_record() as record:
        assert find_sample(record, saved).corrections == 0


def test_a_confirmed_piece_is_forgotten_and_looks_again_as_it_did(pc, coloured, head):
    path = f"/samples/{coloured}"
    before = pc.get(f"{path}/pieces").json()["pieces"]
    learn(pc, coloured, 2, head, "rust")
    learn(pc, coloured, 3, head, "rubber")
    form = {"piece": "2", "action": "forget", "who": "CD"}
    told = pc.post(f"{path}/pieces", data=form, headers=head).json()["told"]
    twice = pc.post(f"{path}/pieces", data=form, headers=head)
    now = {each["id"]: each for each in pc.get(f"{path}/pieces").json()["pieces"]}

    assert "Confirmed at the bench now: 1." in told
    assert load().kinds == ("rubber",)
    assert now[2] == next(each for each in before if each["id"] == 2)
    assert now[3]["given"]
    assert twice.status_code == 400
    assert "nothing to forget" in twice.json()["sentence"]
    with open_record() as record:
        said = [(each.particle, each.action, each.who) for each in corrections(record, coloured)]
    assert said == [(2, "kind", "AB"), (3, "kind", "AB"), (2, "forget", "CD")]  # the history stays


def test_a_kind_that_was_only_corrected_is_forgotten_too_and_confirmed_pieces_stay(pc, coloured, head):
    learn(pc, coloured, 3, head)
    for action in ("kind", "forget"):
        form = {"piece": "2", "action": action, "kind": "rust", "who": "AB"}
        assert pc.post(f"/samples/{coloured}/pieces", data=form, headers=head).status_code == 200

    assert load().kinds == ("rubber",)
    assert "1 given another kind" in pc.get(f"/samples/{coloured}").text


def test_what_was_learnt_from_an_earlier_analysis_is_forgotten_in_the_newest(pc, coloured, head):
    """Measured again with a further photo, the same piece has other features and another number."""
    learn(pc, coloured, 2, head, "rust")
    with open_record() as record:
        measured = load_measured(record, coloured)
        table = measured.particles.copy()
        table["features"] += 0.01
        table["id"] += 100
        table["x_px"] += 0.5
        add_analysis(record, coloured, concluded(replace(measured, particles=table)))
        forget(record, coloured, 102, "AB")

    assert load().kinds == ()


def test_what_is_not_clear_cannot_be_learnt(pc, coloured, head):
    assert "not a kind of debris" in learn(pc, coloured, 1, head, "unsure").json()["sentence"]
    assert load().kinds == ()


def test_two_phones_confirming_at_once_lose_nothing(coloured, tmp_path):
    with open_record() as record:
        table = load_measured(record, coloured).particles
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda row: confirm(table[row : row + 1], "rust", tmp_path / "own"), range(24)))

    assert len(load(tmp_path / "own").kinds) == 24


def test_commands_confirm_a_piece_and_draw_the_history(coloured, tmp_path, monkeypatch, capsys):
    run = runner(monkeypatch, capsys)
    with open_record() as record:
        attach_sample(record, coloured, unit="PW-07")
    done = run("record", "confirm", str(coloured), "2", "rubber", "--technician", "AB")
    drawn = run("record", "history", "PW-07", "--pdf", str(tmp_path / "history.pdf"))
    wrong = run("record", "confirm", str(coloured), "2", "stone", "--technician", "AB")
    kept = load().kinds
    neither = run("record", "confirm", str(coloured), "2", "--technician", "AB")
    gone = run("record", "confirm", str(coloured), "2", "--forget", "--technician", "CD")
    again = run("record", "confirm", str(coloured), "2", "--forget", "--technician", "CD")

    assert f"1 of the {ENOUGH} pieces" in done.out
    assert drawn.status == 0
    assert (tmp_path / "history.pdf").read_bytes().startswith(b"%PDF")
    assert wrong.status == neither.status == again.status == 2
    assert kept == ("rubber",)
    assert "one of the two" in neither.err
    assert "Confirmed at the bench now: none." in gone.out
    assert "nothing to forget" in again.err
    assert load().kinds == ()
