"""Pieces against jets and valves: counts, shares, which pieces get there, and the editable list."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from tests.triage.tables import round_grains
from triage.errors import UserError
from triage.filters.orifices import Orifice, load_orifices
from triage.sizing.orifices import orifice_risks, reach_of

JET = Orifice("main jet", 600.0, ("gravity",), "runs lean", "from memory")
GRAINS = round_grains([100.0] * 80 + [250.0] * 15 + [700.0] * 5)


def risk_of(table, from_um=50.0, origin="bowl", installed=None, widest=None):
    (risk,) = orifice_risks(table, [JET], from_um, 0.0, reach_of(origin, installed, widest))
    return risk


def test_counts_and_exact_shares_above_a_third_and_the_whole():
    """20 and 5 of 100; Clopper-Pearson limits from SciPy."""
    risk = risk_of(GRAINS)
    assert (risk.third.count, risk.whole.count) == (20, 5)
    for above, count in ((risk.third, 20), (risk.whole, 5)):
        exact = binomtest(count, 100).proportion_ci(0.95, method="exact")
        assert (above.share.low, above.share.high) == pytest.approx((exact.low, exact.high), rel=1e-4)
    assert "5 pieces too big for it; 15 pieces of a third" in risk.risk
    assert "600 um (0.024 in), blocks: runs lean" in risk.risk


def test_a_third_below_the_limit_is_not_counted():
    risk = risk_of(GRAINS, from_um=210.0)
    assert not risk.third.measurable
    assert risk.third.count is None
    assert risk.whole.count == 5


def test_an_orifice_below_the_limit_says_so():
    risk = risk_of(GRAINS, from_um=650.0)
    assert not risk.whole.measurable
    assert "narrower than what this photo can size" in risk.risk


def test_what_a_sound_filter_stops_does_not_reach_the_jet():
    risk = risk_of(GRAINS, origin="tank", installed=150.0, widest=193.0)
    assert (risk.third.count, risk.whole.count) == (0, 0)
    assert risk.risk.startswith("No piece of a third")
    assert risk_of(GRAINS, origin="tank").whole.count == 5


def test_long_fibres_can_tangle_though_they_are_narrow():
    table = round_grains([100.0] * 3)
    table["kind"], table["length_um"] = "fibre", [500.0, 700.0, 900.0]
    risk = risk_of(table)
    assert risk.long_fibres == 2
    assert "2 fibres longer than it is wide" in risk.risk


def test_what_just_fits_is_too_big_and_what_the_filter_just_stops_does_not_arrive():
    """A piece goes through an opening wider than itself, of the jet as of the filter before it."""
    table = round_grains([600.0, 600.0, 599.0])
    table["kind"], table["length_um"] = ["unsure", "fibre", "fibre"], [600.0, 900.0, 900.0]
    risk = risk_of(table)
    assert risk.whole.count == 2
    assert risk.long_fibres == 1
    assert risk_of(GRAINS, origin="tank", installed=200.0, widest=250.0).third.count == 0
    assert risk_of(GRAINS, origin="tank", installed=200.0, widest=250.1).third.count == 15


def test_no_pieces_is_a_valid_result():
    risk = risk_of(round_grains([]))
    assert risk.whole.count == 0
    assert risk.whole.share.share is None


def test_the_packaged_list_is_marked_with_its_sources():
    entries = load_orifices()
    assert {"main jet", "idle jet", "float needle seat", "injector hole"} <= {e.name for e in entries}
    assert all("from memory" in entry.source or "manual" in entry.source for entry in entries)
    assert [entry.size_um for entry in entries] == sorted((e.size_um for e in entries), reverse=True)


GOOD = """# ours
[[orifice]]
name = "main jet"
size_um = 720
feeds = ["gravity", "pulse"]
if_blocked = "runs lean"
source = "stamped on it"
"""


def test_the_shops_own_list_is_used(tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    (tmp_path / "orifices.toml").write_text(GOOD, encoding="utf-8")
    assert load_orifices() == (
        Orifice("main jet", 720.0, ("gravity", "pulse"), "runs lean", "stamped on it"),
    )


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("= 720", '= "72"', 4, "size_um must be a number of microns from 10 to 20000, got '72'"),
        ("= 720", "= nan", 4, "size_um must be a number"),
        ("= 720", "= true", 4, "size_um must be a number"),
        ('"pulse"]', '"push"]', 5, 'feeds must be a list of some of "gravity"'),
        ('feeds = ["gravity", "pulse"]', "feeds = []", 5, "feeds must be a list"),
        ('name = "main jet"', "name = 3", 3, "name must be text in quotes, got 3"),
        ("source =", "origin =", 7, "origin is not known; use name, size_um"),
        ('source = "stamped on it"\n', "", 2, "source is missing; add it to this block"),
    ],
)
def test_a_wrong_entry_is_named_by_its_line(tmp_path, old, new, line, said):
    path = tmp_path / "orifices.toml"
    path.write_text(GOOD.replace(old, new), encoding="utf-8")
    with pytest.raises(UserError) as raised:
        load_orifices(path)
    assert f"line {line}: {said}" in str(raised.value)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\xff\xd8\xff", "cannot be read"),
        (b"[[orifice]]\nsize_um = = 3\n", "not valid TOML"),
        (b"", "has no [[orifice]] block"),
        (b"orifice = 3\n", "has no [[orifice]] block"),
    ],
)
def test_what_is_no_such_list_is_refused(tmp_path, content, said):
    path = tmp_path / "orifices.toml"
    path.write_bytes(content)
    with pytest.raises(UserError) as raised:
        load_orifices(path)
    assert said in str(raised.value)


def test_shares_do_not_count_pieces_cut_by_the_edge():
    table = GRAINS.copy()
    table["weight"][table["passing_size_um"] > 600] = 0.0
    assert risk_of(table).whole.count == 0
    assert np.isclose(risk_of(table).third.share.share, 15 / 95)
