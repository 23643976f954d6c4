"""Areas of a photo left out: what is counted then, what is kept, and how it is taken back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from tests.triage.saved import invented
from triage.errors import UserError
from triage.record.areas import kept_share, without_areas
from triage.record.book import (
    add_analysis,
    areas,
    history,
    leave_out,
    load_analysis,
    load_measured,
    open_record,
    restate,
    restore_area,
    result_of,
    samples,
    save_sample,
    saved_result,
    state_of,
)
from triage.record.bring_in import bring_in
from triage.record.entries import LeftOut
from triage.record.exchange import export

LEFT = LeftOut(0, 0, 0, 200, 300, "AB")  # of the invented photo of 400 x 300 px


@pytest.fixture
def record(database):
    with open_record(database) as opened:
        yield opened


@pytest.fixture
def kept(record, tmp_path):
    made = invented(tmp_path / "phone")
    return save_sample(record, made.analysis, [made.photo], unit="PW-07").number


def square(measured):
    """The measured sample as if its window were the rectangle 100..300 by 100..200 px."""
    window = np.array([[100.0, 100.0], [300.0, 100.0], [300.0, 200.0], [100.0, 200.0]])
    return replace(measured, photos=(replace(measured.photos[0], window_px=window),))


def test_pieces_centred_in_an_area_are_out_and_others_stay(record, kept):
    whole = load_measured(record, kept)
    leave_out(record, kept, LEFT)
    table = load_analysis(record, kept, pictures=False).particles

    assert 0 < len(table) < len(whole.particles)
    assert set(table["id"]) == set(whole.particles["id"][whole.particles["x_px"] > 200])
    assert history(record, "PW-07").rows[0].count <= len(table)


@pytest.mark.parametrize(
    ("drawn", "share"),
    [
        ([(100, 100, 100, 100)], 0.5),  # its left half
        ([(0, 0, 200, 150)], 0.75),  # a corner and what lies beside the window
        ([(100, 100, 100, 100), (150, 100, 100, 100)], 0.25),  # two that overlap count once
        ([(310, 100, 50, 50)], 1.0),  # beside the window
    ],
)
def test_the_window_shrinks_by_what_lies_in_it(record, kept, drawn, share):
    """Shares of rectangles, worked out by hand."""
    measured = square(load_measured(record, kept))
    out = [LeftOut(0, *place, "AB") for place in drawn]
    halved = replace(measured, sample=replace(measured.sample, fraction=0.5))

    assert kept_share(measured.photos, out) == pytest.approx(share, abs=0.003)
    assert without_areas(halved, out).sample.fraction == pytest.approx(0.5 * share, abs=0.003)


def test_the_analysis_stays_as_it_was_and_all_comes_back(record, kept):
    before, whole = saved_result(record, kept), result_of(record, kept)
    state = state_of(record, kept)
    (area,) = leave_out(record, kept, LEFT)
    without = result_of(record, kept)
    left = restore_area(record, kept, area.area, "CD")

    assert (area.who, area.made_at is None) == ("AB", False)
    assert saved_result(record, kept) == before
    assert len(without["particles"]) + len(without["rejected"]) == len(before["particles"])
    assert without["areas"][0]["width_px"] == 200.0
    assert left == areas(record, kept) == ()
    assert result_of(record, kept)["particles"] == whole["particles"]
    assert state_of(record, kept) != state


def test_areas_are_only_ever_added(record, kept):
    leave_out(record, kept, LEFT)
    for change in ("UPDATE areas SET who = 'X'", "DELETE FROM areas"):
        with pytest.raises((UserError, DBAPIError)), record.writing() as session:
            session.execute(text(change))

    assert [each.who for each in areas(record, kept)] == ["AB"]


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ({"who": " "}, "initials"),
        ({"photo": 1}, "no pieces of its own"),
        ({"width_px": 1.0}, "too small"),
        ({"x_px": 5000.0}, "too small"),
        ({"width_px": 4000.0, "height_px": 4000.0}, "leave nothing"),
        ({"x_px": float("nan")}, "Draw the area"),
    ],
)
def test_areas_that_cannot_be_are_refused_with_a_sentence(record, kept, wrong, told):
    with pytest.raises(UserError, match=told):
        leave_out(record, kept, replace(LEFT, **wrong))

    assert areas(record, kept) == ()


def test_no_area_can_be_restored_that_is_not_left_out(record, kept):
    with pytest.raises(UserError, match="no area 7"):
        restore_area(record, kept, 7, "AB")


def test_areas_go_along_with_new_words_but_not_with_a_new_measurement(record, kept, tmp_path):
    leave_out(record, kept, LEFT)
    restate(record, kept, replace(load_measured(record, kept).sample, origin="can"))
    restated = areas(record, kept)
    add_analysis(record, kept, invented(tmp_path / "phone").analysis)

    assert [each.who for each in restated] == ["AB"]
    assert areas(record, kept) == ()


def test_areas_travel_with_an_export(record, kept, tmp_path, new_database):
    leave_out(record, kept, LEFT)
    expected = result_of(record, kept)["sizes"]
    export(record, tmp_path / "all.zip")
    with open_record(new_database("sqlite")) as other:
        bring_in(other, tmp_path / "all.zip")
        number = samples(other)[0].number
        again = bring_in(other, tmp_path / "all.zip")

        assert [each.who for each in areas(other, number)] == ["AB"]
        assert result_of(other, number)["sizes"] == expected
        assert again.samples == 0
