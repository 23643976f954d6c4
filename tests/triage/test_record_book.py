"""The service record's operations, the same on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
import zlib
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import chi2
from sqlalchemy import select, text
from sqlalchemy.exc import DBAPIError

from tests.triage.saved import invented
from triage.analysis import Analysis
from triage.debris.particles import KINDS, empty_table
from triage.errors import UserError
from triage.filters import load_filters
from triage.record import sample_book
from triage.record.book import (
    add_analysis,
    attach_sample,
    comparisons,
    correct,
    corrections,
    find_machine,
    find_sample,
    history,
    load_analysis,
    load_result,
    machines,
    open_record,
    photo_bytes,
    restate,
    result_of,
    samples,
    save_comparison,
    save_machine,
    save_sample,
    save_visit,
    saved_result,
    visits,
)
from triage.record.corrected import with_corrections
from triage.record.details import Measured, pack, unpack
from triage.record.entries import Correction, Machine, ServiceVisit
from triage.record.tables import PhotoRow, SampleRow
from triage.report.result import to_json
from triage.sizing import passing_shares

HOSTILE = "Robert'); DROP TABLE machines;-- <script>alert(1)</script> %s {0} \\ \" ; — ½ 日本 🛠"


@pytest.fixture
def record(database):
    with open_record(database) as opened:
        yield opened


@pytest.fixture
def sample(tmp_path):
    return invented(tmp_path / "phone")


def keep(record, sample, **where):
    return save_sample(record, sample.analysis, [sample.photo], **where)


def reject(particle: int) -> Correction:
    return Correction(particle, "reject", None, "AB")


def named(particle: int, kind: str) -> Correction:
    return Correction(particle, "kind", kind, "AB")


def test_a_saved_sample_comes_back_as_it_was(record, sample, database):
    saved = keep(record, sample, unit="PW-07")
    result = saved_result(record, saved.number)

    assert json.dumps(result) == json.dumps(to_json(sample.analysis))
    assert photo_bytes(record, sample.analysis.photos[0].sha256) == sample.photo.read_bytes()
    assert (saved.unit, saved.count, saved.analyses) == ("PW-07", sample.analysis.sizes.count, 1)
    assert [(each.file, each.role) for each in saved.photos] == [(sample.photo.name, "debris")]
    assert samples(record) == samples(record, "PW-07") == (find_sample(record, saved.number),)
    loaded = load_result(saved.number, database)
    assert loaded["particles"] == result["particles"]
    assert loaded["sample"]["machine"] == "PW-07"


def test_an_analysis_comes_back_whole_for_reports(record, sample):
    number = keep(record, sample).number
    again = load_analysis(record, number)

    assert to_json(again)["particles"] == to_json(sample.analysis)["particles"]
    assert all(
        np.array_equal(again.particles[name], sample.analysis.particles[name], equal_nan=name[-2:] == "um")
        for name in again.particles.dtype.names
    )
    assert (
        max(np.abs(a - b).max() for a, b in zip(again.outlines, sample.analysis.outlines, strict=True))
        <= 0.006
    )
    assert np.array_equal(again.pictures[0].rgb, sample.analysis.pictures[0].rgb)
    assert again.photos[0].problems == sample.analysis.photos[0].problems
    assert np.array_equal(again.photos[0].window_px, sample.analysis.photos[0].window_px)


def test_a_machine_is_made_once_however_its_number_is_written(record, sample):
    for unit in ("PW-07", " pw-07 ", "ＰＷ-07"):
        keep(record, sample, unit=unit)

    (only,) = machines(record)
    assert (only.machine.unit, only.samples) == ("PW-07", 3)


def test_the_same_save_twice_is_one_sample(record, sample):
    first = keep(record, sample, key="upload-1")
    again = keep(record, sample, key="upload-1")

    assert again == first
    assert len(samples(record)) == 1


def test_one_photo_of_two_samples_is_kept_once(record, sample):
    keep(record, sample)
    keep(record, sample)

    with record.reading() as session:
        assert len(session.scalars(select(PhotoRow)).all()) == 1
    assert len(list(record.photos.files())) == 1


def test_a_rejected_piece_leaves_the_shares_and_can_come_back(record, sample):
    number = keep(record, sample).number
    before = result_of(record, number)
    biggest = before["particles"][0]["id"]
    correct(record, number, reject(biggest))
    after = result_of(record, number)
    table = sample.analysis.particles[sample.analysis.particles["id"] != biggest]
    expected = passing_shares(table, load_filters(), sample.analysis.sizes.from_um, 0.003)

    assert after["sizes"]["count"] == before["sizes"]["count"] - 1
    assert [row["by_count"]["share"] for row in after["passing"]] == [
        None if row.by_count.share is None else pytest.approx(row.by_count.share, rel=1e-5)
        for row in expected
    ]
    assert expected[0].by_count.share not in {None, before["passing"][0]["by_count"]["share"]}
    assert [each["id"] for each in after["rejected"]] == [biggest]
    assert saved_result(record, number)["sizes"] == before["sizes"]
    correct(record, number, Correction(biggest, "restore", None, "CD"))
    assert result_of(record, number)["sizes"] == before["sizes"]
    assert [(each.action, each.who) for each in corrections(record, number)] == [
        ("reject", "AB"),
        ("restore", "CD"),
    ]


def test_the_last_word_on_a_kind_counts(record, sample):
    number = keep(record, sample).number
    for kind in ("rubber", "grit", "soot"):
        correct(record, number, named(3, kind))
    third = next(each for each in result_of(record, number)["particles"] if each["id"] == 3)

    assert (third["kind"], third["kind_confidence"]) == ("soot", 1.0)


def test_a_piece_named_fibre_is_measured_along_and_back_across(sample):
    """A strip of 20 by 1000 um: perimeter 2040 um, area 20 000 um2, by hand."""
    table = empty_table(1)
    table["id"], table["kind"], table["weight"] = 1, "rust", 1.0
    table["area_um2"], table["perimeter_um"] = 20_000, 2040
    table["feret_max_um"], table["feret_min_um"] = 700, 300  # bent
    table["length_um"], table["width_um"], table["passing_size_um"] = 700, 300, 300
    table["passing_below_um"], table["ecd_um"] = np.nan, 160
    made = replace(sample.analysis, particles=table, outlines=sample.analysis.outlines[:1])
    measured = unpack(pack(made))
    fibre = with_corrections(measured, [named(1, "fibre")])

    assert fibre.particles["length_um"][0] == pytest.approx(1000)
    assert fibre.particles["width_um"][0] == pytest.approx(20)
    assert np.isnan(fibre.particles["passing_size_um"][0])  # 20 um lies below the photo's 60 um
    assert fibre.particles["passing_below_um"][0] == 60
    back = with_corrections(fibre, [named(1, "rust")])
    assert back.particles["passing_size_um"][0] == 300
    assert np.isnan(back.particles["passing_below_um"][0])


def test_a_correction_that_cannot_be_right_is_refused(record, sample):
    number = keep(record, sample).number
    wrong = (
        (reject(999), "has no particle 999"),
        (named(1, "gold"), "no kind of debris"),
        (Correction(1, "kind", None, "AB"), "Name the kind"),
        (Correction(1, "reject", "rust", "AB"), "Name the kind"),
        (Correction(1, "burn", None, "AB"), "reject or restore"),
        (Correction(1, "reject", None, " \0 "), "initials"),
    )

    for correction, said in wrong:
        with pytest.raises(UserError, match=said):
            correct(record, number, correction)
    assert corrections(record, number) == ()


def test_saying_it_anew_keeps_pieces_and_corrections(record, sample):
    number = keep(record, sample).number
    correct(record, number, reject(1))
    saved = restate(record, number, replace(sample.analysis.sample, origin="tank", noticed=("water",)))
    result = result_of(record, number)

    assert (saved.analyses, saved.corrections) == (2, 1)
    assert result["sample"]["origin"] == "tank"
    assert any(action["code"] == "drain_water" for action in result["advice"]["actions"])
    assert [each["id"] for each in result["rejected"]] == [1]


def test_analysing_again_adds_and_never_overwrites(record, sample):
    number = keep(record, sample).number
    other = replace(sample.analysis, method_version="2")

    assert add_analysis(record, number, other).analyses == 2
    assert saved_result(record, number)["method_version"] == "2"
    with record.reading() as session:
        assert [row.method_version for row in session.get_one(SampleRow, number).analyses] == ["1", "2"]


def test_the_database_itself_refuses_to_change_results(record, sample):
    correct(record, keep(record, sample).number, reject(1))
    writer = record.engine.execution_options(writing=True)

    for table in ("analyses", "corrections"):
        for change in (f"UPDATE {table} SET id = id + 100", f"DELETE FROM {table}"):
            with writer.connect() as connection, pytest.raises(DBAPIError, match="only ever added"):
                connection.execute(text(change))


def test_a_save_that_fails_half_way_leaves_no_row(record, sample, monkeypatch):
    def fail(_: Analysis) -> bytes:
        raise RuntimeError("half way")

    monkeypatch.setattr(sample_book, "pack", fail)
    with pytest.raises(RuntimeError):
        keep(record, sample, unit="PW-07")

    assert samples(record) == machines(record) == ()


def test_a_photo_that_changed_meanwhile_is_not_saved(record, sample):
    sample.photo.write_bytes(b"another picture")
    with pytest.raises(UserError, match="changed while it was analysed; nothing was saved"):
        keep(record, sample)
    sample.photo.unlink()
    with pytest.raises(UserError, match="nothing was saved"):
        keep(record, sample)

    assert samples(record) == ()


def test_texts_come_back_as_they_were_written(record):
    texts = {
        name: f"{name} {HOSTILE}" for name in ("serial", "type", "engine", "tank", "hose", "filter", "notes")
    }
    machine = save_machine(record, Machine("X' OR 1=1 --", **texts))
    told = ServiceVisit(
        date(2026, 5, 1), HOSTILE, HOSTILE, noticed=("water", "gum"), parts=HOSTILE, notes="a\nb"
    )
    save_visit(record, machine.unit, told)

    assert find_machine(record, "x' or 1=1 --") == machine
    assert machine.notes == texts["notes"]
    (visit,) = visits(record, machine.unit)
    assert (visit.complaint, visit.noticed, visit.notes) == (HOSTILE, ("water", "gum"), "a\nb")


def test_control_characters_are_taken_out_and_too_much_is_refused(record):
    machine = save_machine(record, Machine("A\0B\x1b[2J", engine="  \u202e \ud800 "))

    assert (machine.unit, machine.engine) == ("AB[2J", None)
    for wrong in (
        Machine(" \n "),
        Machine("x" * 81),
        Machine("ok", notes="x" * 10_001),
        Machine("ok", power_kw=-1.0),
    ):
        with pytest.raises(UserError):
            save_machine(record, wrong)
    with pytest.raises(UserError, match="no sensible amount"):
        save_machine(record, Machine("ok", power_kw=float("nan")))


def test_half_a_character_in_a_name_does_no_harm(record, sample):
    """As a shell hands on bytes that are no UTF-8."""
    odd = replace(sample.analysis, sample=replace(sample.analysis.sample, machine="PW\udcff-07"))
    saved = save_sample(record, odd, [sample.photo], unit="PW\udcff-07")

    assert saved.unit == "PW-07"
    assert result_of(record, saved.number)["sample"]["machine"] == "PW-07"


def test_a_unit_number_belongs_to_one_machine(record):
    first = save_machine(record, Machine("A1"))
    other = save_machine(record, Machine("A2"))

    with pytest.raises(UserError, match="There is a machine A1 already"):
        save_machine(record, replace(other, unit="a1"))
    assert save_machine(record, replace(first, unit="A3")).number == first.number


def test_a_sample_at_a_visit_belongs_to_its_machine(record, sample):
    number = keep(record, sample, unit="A1").number
    save_machine(record, Machine("A2"))
    visit = save_visit(record, "A2", ServiceVisit(date(2026, 5, 1), work_order="77"))
    attach_sample(record, number, visit=visit.number)

    assert (find_sample(record, number).unit, find_sample(record, number).visit) == ("A2", visit.number)
    with pytest.raises(UserError, match="of machine A2, not of A1"):
        attach_sample(record, number, visit=visit.number, unit="A1")
    with pytest.raises(UserError, match="not one of machine A1"):
        save_visit(record, "A1", replace(visit, work_order="78"))
    for call in (
        lambda: attach_sample(record, 999, unit="A1"),
        lambda: attach_sample(record, number, visit=2**40),
    ):
        with pytest.raises(UserError, match="There is no"):
            call()


def test_comparisons_stand_with_both_samples(record, sample):
    one, other = keep(record, sample).number, keep(record, sample).number
    kept = save_comparison(record, one, other, {"verdict": "cleaner", "p_rate": 0.01})

    assert comparisons(record, one) == comparisons(record, other) == (kept,)
    assert (kept.before, kept.after, kept.verdict) == (one, other, "cleaner")


def test_history_counts_every_sample_from_the_coarsest_limit_on(record, tmp_path):
    """Counts by hand from the tables; Poisson limits by Garwood's formula with chi-squared."""
    fine = invented(tmp_path, 60, limit_um=60.0, seed=1, fraction=0.25, hours=50.0)
    coarse = invented(tmp_path, 80, limit_um=120.0, seed=2)
    first = keep(record, fine, unit="A1").number
    second = keep(record, coarse, unit="A1").number
    visit = save_visit(record, "A1", ServiceVisit(date(2020, 1, 2), "WO 5", hours=90.0))
    attach_sample(record, second, visit=visit.number)
    correct(record, first, reject(1))
    found = history(record, "a1")
    table = fine.analysis.particles[1:]
    expected = int(((table["ecd_um"] >= 120) & (table["weight"] > 0)).sum())
    early, late = found.rows

    assert found.from_um == 120.0
    assert (early.sample, early.day, early.work_order, early.hours) == (
        second,
        date(2020, 1, 2),
        "WO 5",
        120.0,
    )
    assert (late.sample, late.count, late.hours) == (first, expected, 50.0)
    assert late.in_all == 4 * expected
    assert late.count_low == pytest.approx(chi2.ppf(0.025, 2 * expected) / 2)
    assert late.count_high == pytest.approx(chi2.ppf(0.975, 2 * expected + 2) / 2)
    assert sum(late.kinds.values()) == expected
    assert set(late.kinds) <= set(KINDS)


def test_many_at_once_are_all_there_once(record, tmp_path):
    every = [invented(tmp_path, 5, seed=seed) for seed in range(8)]
    with ThreadPoolExecutor(8) as pool:
        saved = list(pool.map(lambda each: keep(record, each, unit="PW-07", key=each.photo.name), every * 2))

    assert len({each.number for each in saved}) == len(samples(record)) == 8
    assert [each.samples for each in machines(record)] == [8]


def test_details_of_an_older_program_are_read(sample):
    """Columns and fields unknown to this program, of another shape, or missing."""
    told = json.loads(zlib.decompress(pack(sample.analysis)))
    told["particles"]["features"] = [[1.0, None]] * len(told["particles"]["id"])
    told["particles"]["of_old"] = told["particles"].pop("contrast")
    told["photos"][0]["of_old"] = told["photos"][0].pop("note")
    told["sample"]["of_old"] = told["sample"].pop("flow_test_um")
    measured = unpack(zlib.compress(json.dumps(told).encode()))

    assert isinstance(measured, Measured)
    assert np.isnan(measured.particles["features"]).all()
    assert not measured.particles["contrast"].any()
    assert measured.sample == sample.analysis.sample
    assert measured.blank == sample.analysis.blank
    assert measured.photos[0].limits == sample.analysis.photos[0].limits
