"""A machine's earlier sample in everything that is drawn anew from the record: page, reports, exports.

Counts are those the invented samples were made with; nothing here comes from an earlier run of the tool.
"""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from datetime import date, timedelta

import pypdfium2
import pytest

from tests.triage.saved import invented
from triage.record.book import (
    Now,
    add_analysis,
    attach_sample,
    correct,
    find_sample,
    leave_out,
    load_analysis,
    load_measured,
    look_back,
    open_record,
    restate,
    samples,
    save_machine,
    save_sample,
    save_visit,
    saved_debris,
    state_of,
    trend_words,
)
from triage.record.entries import Correction, LeftOut, Machine, ServiceVisit
from triage.record.exchange import export
from triage.record.further_photos import known_photos
from triage.record.reports import compare_saved, history_report

TODAY = date(2026, 5, 12)
UNIT = "PW-07"


@pytest.fixture
def record(tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("TRIAGE_DATABASE", raising=False)
    with open_record() as opened:
        save_machine(opened, Machine(UNIT))
        yield opened


@pytest.fixture
def put(record, tmp_path):
    """Save a sample of so many pieces, taken so many days ago; returns its number."""
    made = iter(range(100))

    def put(count: int, ago: int, unit: str = UNIT, limit_um: float = 60.0, **said) -> int:
        said = {"origin": "filter", "noticed": ("none",), "hours": 50.0, **said}
        sample = invented(tmp_path, count, seed=20 + next(made), limit_um=limit_um, **said)
        analysis = replace(sample.analysis, analysed_on=TODAY - timedelta(ago))
        return save_sample(record, analysis, [sample.photo], unit=unit).number

    return put


def compared(record, number):
    """Return the counts then and now; None where nothing was compared."""
    found = load_analysis(record, number, pictures=False).history.comparison
    return None if found is None else (found.before.count, found.after.count)


def sized(record, number) -> int:
    return len(saved_debris(record, number).size_um)


def test_the_page_and_every_report_speak_of_the_earlier_sample(record, put, tmp_path):
    then, now = put(60, 400), put(60, 0)
    analysis = load_analysis(record, now, pictures=False)
    export(record, tmp_path / "all.zip", pdf=True)
    with zipfile.ZipFile(tmp_path / "all.zip") as archive:
        name = next(each for each in archive.namelist() if each.endswith(f"sample-{now}.pdf"))
        exported = archive.read(name)

    said = f"Compared with sample {then} of 7 April 2025"
    assert compared(record, now) == (sized(record, then), sized(record, now))
    assert said in analysis.history.said
    assert analysis.history.comparison.rate_ratio == compare_saved(record, then, now).rate_ratio
    assert any("in the earlier sample" in " ".join(each.because) for each in analysis.advice.actions)
    assert said in words_of(exported)
    assert known_photos(record, now).setup.earlier.sample.name == f"sample {then} of 7 April 2025"


def words_of(data: bytes) -> str:
    pages = (page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(io.BytesIO(data)))
    return " ".join(" ".join(text.split()) for text in pages)


def test_only_a_day_before_is_earlier_and_a_visit_sets_the_day(record, put):
    now, beside, later = put(30, 10), put(40, 10), put(50, 0)
    assert compared(record, now) is None
    said = load_analysis(record, now, pictures=False).history.said
    assert "holds no earlier sample of PW-07" in said
    assert "of the same day does not count" in said
    assert compared(record, later) == (sized(record, beside), sized(record, later))

    visit = save_visit(record, UNIT, ServiceVisit(TODAY - timedelta(300))).number
    attach_sample(record, later, visit=visit)
    assert compared(record, later) is None
    assert compared(record, now) == (sized(record, later), sized(record, now))
    assert {each.number: each.day for each in samples(record)}[later] == TODAY - timedelta(300)


def test_a_sample_that_is_measured_again_later_stays_as_old_as_it_was(record, put):
    then, now = put(40, 300), put(30, 0)
    analysis = load_analysis(record, then, pictures=False)
    add_analysis(record, then, replace(analysis, analysed_on=TODAY))
    assert compared(record, now) == (sized(record, then), sized(record, now))
    assert find_sample(record, then).day == TODAY - timedelta(300)


def test_of_several_the_last_day_counts_whatever_was_saved_last(record, put):
    put(30, 20)
    put(31, 500)
    now = put(40, 0)
    assert "sample 1 of" in load_analysis(record, now, pictures=False).history.said


@pytest.mark.parametrize(
    ("then", "why"),
    [
        ({"origin": "tank"}, "from another place or taken another way"),
        ({"method": "filtered"}, "from another place or taken another way"),
        ({"origin": None}, "from another place or taken another way"),
        ({"unit": "TP-1"}, "holds no earlier sample"),
    ],
)
def test_what_is_not_alike_is_not_compared(record, put, then, why):
    put(40, 300, **then)
    now = put(40, 0)
    assert compared(record, now) is None
    assert why in load_analysis(record, now, pictures=False).history.said


def test_where_nobody_said_where_it_was_found_nothing_is_compared(record, put):
    put(40, 300, origin=None)
    now = put(40, 0, origin=None)
    assert compared(record, now) is None
    assert "Say where the debris was found" in load_analysis(record, now, pictures=False).history.said


def test_a_sample_without_a_machine_is_compared_with_nothing(record, put):
    put(40, 300)
    now = put(40, 0, unit=None)
    assert load_analysis(record, now, pictures=False).history is None


def test_an_earlier_sample_of_a_coarser_photo_is_compared_over_what_both_could_size(record, put):
    then, now = put(60, 300, limit_um=150.0), put(60, 0, limit_um=60.0)
    found = load_analysis(record, now, pictures=False).history.comparison
    fine = saved_debris(record, now).size_um

    assert found.sizes_from_um == saved_debris(record, then).from_um == 150.0
    assert found.after.count == (fine >= 150).sum() < len(fine)
    assert "over 150 um" in load_analysis(record, now, pictures=False).history.said


def test_what_is_put_right_in_the_earlier_sample_counts_and_the_page_is_never_out_of_date(record, put):
    then, now = put(40, 300), put(40, 0)
    states, counts = [state_of(record, now)], [compared(record, now)]

    def changed() -> None:
        states.append(state_of(record, now))
        counts.append(compared(record, now))

    piece = load_analysis(record, then, pictures=False).particles
    piece = int(piece["id"][~piece["below_sizing_limit"] & (piece["weight"] > 0)][0])
    correct(record, then, Correction(piece, "reject", None, "AB"))
    changed()
    leave_out(record, then, LeftOut(0, 0, 0, 200, 300, "AB"))
    changed()
    said = load_analysis(record, then, pictures=False).sample
    restate(record, then, replace(said, origin="tank"))
    changed()
    nearer = put(20, 100)
    changed()
    visit = save_visit(record, UNIT, ServiceVisit(TODAY - timedelta(90), hours=7)).number
    attach_sample(record, nearer, visit=visit)
    changed()
    attach_sample(record, nearer, unit="TP-1")
    changed()
    save_machine(record, replace(Machine(UNIT), number=1, type="outboard"))
    changed()

    assert counts[1] == (counts[0][0] - 1, counts[0][1])
    assert counts[2][0] < counts[1][0]
    assert counts[3] is None
    assert counts[4] == (sized(record, nearer), sized(record, now))
    assert counts[6] is None
    assert states[6] == states[3]  # the nearer one is another machine's again
    assert len(set(states)) == len(states) - 1
    codes = [each.code for each in load_analysis(record, now, pictures=False).advice.actions]
    assert "ask_licensed" in codes  # the machine's type, as it is now


def test_a_later_sample_leaves_the_state_of_an_earlier_one_alone(record, put):
    first = put(40, 300)
    state = state_of(record, first)
    put(40, 0)
    assert state_of(record, first) == state


def test_a_further_save_of_the_same_photo_is_not_compared_with_itself(record, put):
    then = put(40, 300)
    now = Now(TODAY, load_measured(record, then).sample, frozenset())
    assert look_back(record, UNIT, now).sample.name.startswith(f"sample {then} of")
    again = replace(now, photos=saved_debris(record, then).photos)
    assert look_back(record, UNIT, again).sample is None


def test_what_the_visit_says_counts_where_the_sample_says_nothing(record, put):
    now = put(60, 0, hours=None, noticed=None)
    told = ServiceVisit(TODAY, hours=120, fuel_age_months=9, noticed=("water",))
    attach_sample(record, now, visit=save_visit(record, UNIT, told).number)
    found = load_analysis(record, now, pictures=False)

    assert (found.sample.hours, found.sample.fuel_age_months) == (120, 9)
    assert found.advice.headline.startswith("Water noticed at the bench")


def test_damaged_pairs_cost_the_comparison_and_not_the_sample(record, put, tmp_path):
    put(40, 300)
    now = put(40, 0)
    (tmp_path / "data" / "sample_spread.json").write_text("nonsense")
    found = load_analysis(record, now, pictures=False)
    assert found.history.comparison is None
    assert "cannot be read" in found.history.said


def test_the_trend_is_one_sentence_on_paper_and_on_the_terminal(record, put):
    """30, 60 and 120 pieces in 50 hours each, a year apart: twice as many every year."""
    for year, count in enumerate((30, 60, 120)):
        put(count, 730 - 365 * year)
    put(500, 100, origin="tank")
    said = trend_words(record, UNIT)
    printed = words_of(history_report(record, UNIT).data)

    assert said.startswith("Over 3 samples from the fuel filter: ")
    assert "per hour run: " in said
    assert 1.5 < float(said.split("per hour run: ")[1].split(" times")[0]) < 2.6
    assert said.replace(" ", "") in printed.replace("\u00a0", "").replace(" ", "")


def test_without_samples_alike_over_two_months_there_is_no_trend(record, put):
    put(30, 30)
    put(30, 0)
    assert trend_words(record, UNIT) == ""
