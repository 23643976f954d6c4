"""What went past a filter: weighted limits, the curves, when nothing is said, and how often it is right."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import gamma, norm

from tests.benchmarks.workshops import tally
from tests.triage.tables import round_grains
from triage.filters import Filter
from triage.sizing.exact import poisson_limits, weighted_limits
from triage.sizing.went_past import curves, installed_filter, went_past

PAPER_30 = Filter(30.0, "paper", "nominal")
SCREEN_75 = Filter(75.0, "screen", "opening")


@pytest.mark.parametrize("count", [1, 5, 20, 100])
def test_weighted_limits_of_equal_weights_are_garwoods(count):
    """Garwood 1936, tabled as 0.0253 to 5.5716 for 1 and 12.2165 to 30.8884 for 20."""
    assert weighted_limits(np.ones(count)) == pytest.approx(poisson_limits(count), rel=1e-9)
    assert weighted_limits(np.full(count, 3.0)) == pytest.approx(
        [3 * limit for limit in poisson_limits(count)], rel=1e-9
    )


def test_weighted_limits_of_nothing_seen_are_those_of_the_biggest_weight():
    assert weighted_limits(np.empty(0), 4.0) == pytest.approx((0.0, 4 * 3.6889), abs=1e-3)
    assert weighted_limits(np.empty(0)) == (0.0, 0.0)


def test_weighted_limits_cover_a_sum_of_unlike_poisson_counts():
    """Simulated: 95 % or more of 2000 sums with weights 1 and 6 (a gamma limit is on the safe side)."""
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(2000):
        weight = np.repeat([1.0, 6.0], rng.poisson([20, 4]))
        low, high = weighted_limits(weight, 6.0)
        held += low <= 44 <= high
    assert held >= 0.945 * 2000


def test_the_curves_of_a_nominal_rating_run_from_50_to_98_percent_at_it():
    at_rating = [float(curve.stopped(np.array([30.0]))[0]) for curve in curves(PAPER_30)]
    assert min(at_rating) == pytest.approx(0.50)
    assert max(at_rating) == pytest.approx(0.98)


def test_the_middle_curve_of_the_federal_example_gives_its_other_rating():
    """Federal specification F-F-351F: beta 2 (half) at 10 um and beta 75 (98.67 %) at 25 um, one element."""
    middle = [c for c in curves(Filter(25.0, "paper", "absolute")) if c.spread == pytest.approx(0.4134)]
    assert min(c.half_um for c in middle) < max(c.half_um for c in middle) == pytest.approx(10.0, rel=0.01)


def test_screens_have_their_openings_tolerance():
    """ASTM E11-17, No. 200: average 75 +- 4.1 um; ISO 3310-1:2016 allows a spread of 9.1 um at 75 um.

    A flake a fifth as thick as wide goes through a square hole cornerwise up to sqrt 2 / 1.2 of it.
    """
    possible = curves(SCREEN_75)
    assert (possible[0].half_um, possible[-1].half_um) == pytest.approx((70.9, 79.1 * np.sqrt(2) / 1.2))
    assert max(c.spread for c in possible) * 75 == pytest.approx(9.1, rel=0.15)


def test_one_size_gives_the_odds_of_its_chance():
    """200 pieces of 40 um on a 30 um absolute element: each stands for (1 - E) / E, E from SciPy's normal."""
    absolute = Filter(30.0, "paper", "absolute")
    said = went_past(round_grains([40.0] * 200, 0.01), absolute, 30.0, 0.0)
    odds = []
    for spread in 0.4134 * np.array([1 / 1.5, 1, 1.5]):
        for beta in (75, 1000):
            stopped = norm.cdf(norm.ppf(1 - 1 / beta) + np.log(40 / 30) / spread)
            odds.append(200 * (1 - stopped) / stopped)
    assert min(odds) <= said.past <= max(odds)
    assert said.low <= min(odds)
    assert said.high >= max(odds)
    assert said.held == 200


def test_limits_join_what_was_held_and_what_passed_by_squares():
    """Sure sizes, all 40 um: limits of each meaning from SciPy, the widest of them rounded outwards."""
    absolute = Filter(30.0, "paper", "absolute")
    found = went_past(round_grains([40.0] * 200), absolute, 30.0, 0.0)
    lows, highs = [], []
    for curve in curves(absolute):
        at_piece, at_edge = ((1 - e) / e for e in curve.stopped(np.array([40.0, 30.0])))
        past, most = 200 * at_piece, max(at_piece, at_edge)
        low = gamma.ppf(0.025, 200) * at_piece
        total, square = past + most, 200 * at_piece**2 + most**2
        high = square / total * gamma.ppf(0.975, total**2 / square)
        below = gamma.ppf(0.025, past), gamma.ppf(0.975, past + 1)
        lows.append(past - np.hypot(past - low, past - below[0]))
        highs.append(past + np.hypot(high - past, below[1] - past))
    assert found.low == np.floor(max(min(lows), 0.0))
    assert found.high == np.ceil(max(highs))
    assert [(band.from_um, band.to_um) for band in found.bands] == [(30.0, None)]


def test_a_part_photographed_stands_for_the_whole():
    rng = np.random.default_rng(4)
    table = round_grains(30 * np.exp(0.4 * np.abs(rng.standard_normal(2000))), 1.0)
    whole, half = (went_past(table, PAPER_30, 30.0, 0.003, fraction) for fraction in (1.0, 0.5))
    assert half.past == pytest.approx(2 * whole.past, rel=0.05)


@pytest.mark.parametrize(
    ("sizes", "installed", "from_um", "said"),
    [
        ([40.0] * 19, PAPER_30, 30.0, "only 19 pieces of at least"),
        ([120.0] * 500, Filter(10.0, "paper", "nominal"), 100.0, "stops over 99 %"),
        ([200.0] * 500, SCREEN_75, 140.0, "stops over 99 %"),
        ([40.0] * 500, Filter(150.0, "screen", "opening"), 30.0, "only 0 pieces"),
        ([], PAPER_30, 30.0, "only 0 pieces"),
    ],
)
def test_what_the_data_cannot_carry_is_refused_in_words(sizes, installed, from_um, said):
    found = went_past(round_grains(sizes), installed, from_um, 0.003)
    assert said in found.refused
    assert (found.past, found.low, found.high, found.bands) == (None, None, None, ())


def test_it_starts_where_a_fifth_is_stopped_in_every_meaning():
    """Below that the number would blow up: a screen of 150 um says nothing of pieces of 40 um."""
    rng = np.random.default_rng(1)
    table = round_grains(150 * np.exp(0.5 * rng.standard_normal(3000)), 3.0)
    found = went_past(table, Filter(150.0, "screen", "opening"), 40.0, 0.003)
    assert found.from_um > 135
    assert all(
        curve.stopped(np.array([found.from_um]))[0] >= 0.2 - 1e-9
        for curve in curves(Filter(150.0, "screen", "opening"))
    )


def test_bands_hold_all_that_was_held():
    rng = np.random.default_rng(8)
    table = round_grains(30 * np.exp(0.6 * rng.standard_normal(3000)), 2.0)
    found = went_past(table, PAPER_30, 20.0, 0.003)
    assert sum(band.held for band in found.bands) == found.held
    assert found.bands[0].from_um == found.from_um
    assert found.bands[-1].to_um is None
    assert sum(band.past for band in found.bands) == pytest.approx(found.past, rel=0.35)


def test_the_installed_filter_means_what_the_shops_list_says():
    listed = (Filter(30.0, "paper", "absolute"),)
    assert installed_filter(30.0, "paper", listed) == listed[0]
    assert installed_filter(30.0, None, ()) == Filter(30.0, "paper", "unknown")
    assert installed_filter(75.0, None, listed) == Filter(75.0, "screen", "opening")


def test_simulated_workshops_hold_the_truth():
    """The long campaign is tests/benchmarks/workshops.py; at least 90 % is asked for."""
    found = tally(60, seed=3)
    assert np.mean(found.held) >= 0.90
    assert np.mean(found.bands) >= 0.90
