"""Passing shares against closed forms, exact limits and simulated debris whose shares are known."""

import time

import numpy as np
import pytest
from scipy.stats import binomtest, norm

from tests.benchmarks.interval_coverage import Debris, coverage
from tests.triage.tables import round_grains
from triage.filters import Filter, load_filters, packaged_list
from triage.sizing import passing_shares
from triage.sizing.passing import amount_share, select

SCREEN_75 = Filter(75.0, "screen", "opening")
SCREEN_150 = Filter(150.0, "screen", "opening")
PAPER_15 = Filter(15.0, "paper", "unknown")


def shares_of(table, *filters, from_um=30.0, scale_rel_u=0.0):
    return passing_shares(table, filters, from_um, scale_rel_u)


def test_a_piece_passes_when_it_is_smaller_than_the_rating():
    (passing,) = shares_of(round_grains([29.9, 30, 60, 74.9, 75, 200]), SCREEN_75)
    assert (passing.through_count, passing.stopped_count) == (3, 2)
    assert passing.by_count.share == pytest.approx(0.6)
    assert passing.from_um == 30.0


def test_fibres_pass_by_width_and_those_too_thin_to_measure_are_not_in_the_share():
    table = round_grains([400, 400, 400])
    table["kind"], table["length_um"] = "fibre", 4000
    table["width_um"] = table["passing_size_um"] = [40, 90, np.nan]
    table["passing_below_um"] = [np.nan, np.nan, 30]
    (passing,) = shares_of(table, SCREEN_75)
    assert (passing.through_count, passing.stopped_count) == (1, 1)


def test_edge_weights_enter_the_share_and_cut_pieces_do_not():
    """Miles-Lantuejoul: frame 1000 x 800, piece 100 x 50 stands for 1/0.84375 = 1.185185 pieces."""
    table = round_grains([40, 40, 100, 500])
    table["weight"] = [1, 1, 1.185185, 0]
    (passing,) = shares_of(table, SCREEN_75)
    assert passing.by_count.share == pytest.approx(2 / 3.185185)
    assert passing.stopped_count == 1


@pytest.mark.parametrize("gsd", [1.4, 1.8])
@pytest.mark.parametrize("screen", [SCREEN_75, SCREEN_150])
def test_shares_of_a_log_normal_have_their_closed_form(gsd, screen):
    """Shares of a truncated log-normal; Hatch-Choate takes its median from number to area and volume.

    1e-3: the last of 100,000 even steps stands for the whole tail.
    """
    parts = (np.arange(100_000) + 0.5) / 100_000
    spread = np.log(gsd)
    (passing,) = shares_of(round_grains(50 * np.exp(spread * norm.ppf(parts))), screen)
    for power, share in ((0, passing.by_count), (2, passing.by_area), (3, passing.by_volume)):
        median = 50 * np.exp(power * spread**2)
        below, cut = norm.cdf(np.log(np.array([screen.rating_um, 30.0]) / median) / spread)
        assert share.share == pytest.approx((below - cut) / (1 - cut), abs=1e-3)


def test_sure_sizes_leave_the_exact_binomial_interval():
    (passing,) = shares_of(round_grains([40] * 339 + [100] * 41), SCREEN_75)
    exact = binomtest(339, 380).proportion_ci(0.95, method="exact")
    assert (passing.by_count.low, passing.by_count.high) == pytest.approx((exact.low, exact.high), abs=1e-6)


def test_a_scale_error_moves_the_pieces_beside_the_rating_together():
    """At 76 um and 1 % scale uncertainty, two standard uncertainties put the stopped pieces below 75 um."""
    table = round_grains([40] * 200 + [76] * 100)
    (sure,) = shares_of(table, SCREEN_75)
    (unsure,) = shares_of(table, SCREEN_75, scale_rel_u=0.01)
    assert unsure.by_count.high == pytest.approx(1.0)
    assert unsure.by_count.low == pytest.approx(sure.by_count.low, abs=1e-9)


def test_each_piece_unsure_widens_by_the_spread_of_their_crossings():
    """All 400 pieces sit at the rating: each is below it or not like a tossed coin, which adds 5 points."""
    table = round_grains([75.0] * 400, uncertainty_um=3.0)
    (passing,) = shares_of(table, SCREEN_75)
    sampling = binomtest(0, 400).proportion_ci(0.95, method="exact").high
    assert passing.by_count.high == pytest.approx(np.hypot(sampling, 2 * 0.5 / 20), rel=1e-6)


def test_few_big_pieces_decide_area_and_volume():
    (passing,) = shares_of(round_grains([35.0] * 400 + [600.0]), SCREEN_75)
    assert passing.by_volume.few_pieces_decide
    assert passing.by_volume.share == pytest.approx(400 * 35**3 / (400 * 35**3 + 600**3))
    assert (passing.by_volume.low, passing.by_volume.high) == (None, None)
    (even,) = shares_of(round_grains([35.0] * 20), SCREEN_75)
    assert not even.by_volume.few_pieces_decide
    (fewer,) = shares_of(round_grains([35.0] * 19), SCREEN_75)
    assert fewer.by_volume.few_pieces_decide


def test_a_rating_below_the_limit_is_bounded_by_the_pieces_seen_but_not_sized():
    """40 of 400 pieces seen were too small to size: a 15 um element lets through none, or all of these."""
    (passing,) = shares_of(round_grains([50.0] * 360 + [20.0] * 40, limit_um=30), PAPER_15)
    assert not passing.measurable
    assert passing.by_count.share is None
    exact = binomtest(40, 400).proportion_ci(0.95, method="exact")
    assert (passing.by_count.low, passing.by_count.high) == pytest.approx((0, exact.high), abs=1e-9)
    assert (passing.by_volume.low, passing.by_volume.high) == (0, 1)
    assert (passing.band.low, passing.band.high) == (None, None)


def test_one_piece_stopped_below_the_limit_bounds_the_share_too():
    """None of one: 1 - 0.025, from the binomial itself."""
    (passing,) = shares_of(round_grains([50.0]), PAPER_15)
    assert passing.by_count.high == pytest.approx(0.975)


def test_equal_amounts_have_the_binomial_limits_of_their_number():
    """Where every piece amounts to the same, the linearised variance is the binomial one."""
    population = select(round_grains([40] * 60 + [100] * 41), 30.0, 0.0)
    found = amount_share(population, np.ones(101), 75.0, power=0)
    exact = binomtest(60, 101).proportion_ci(0.95, method="exact")
    two_more = binomtest(60, 103).proportion_ci(0.95, method="exact")
    assert (found.low, found.high) == pytest.approx((two_more.low, exact.high), abs=1e-6)


def test_pieces_at_the_limit_leave_and_come_twice_over():
    """200 of 400 sit at the limit: each is in it or not like a tossed coin, and as many again below."""
    (passing,) = shares_of(round_grains([30.0] * 200 + [200.0] * 200, [0.45] * 200 + [3.0] * 200), SCREEN_75)
    sampling = binomtest(200, 400).proportion_ci(0.95, method="exact").high - 0.5
    alone = 2 * np.sqrt(200 * 2 * 0.25 * 0.5**2) / 400
    assert passing.by_count.high == pytest.approx(0.5 + np.hypot(sampling, alone), rel=1e-6)


def test_no_pieces_give_no_share():
    passing = shares_of(round_grains([]), SCREEN_75, PAPER_15)
    for entry in passing:
        assert entry.by_count.share is None
        assert (entry.by_count.low, entry.by_count.high) == (0, 1)
        assert entry.by_volume.share is None
        assert entry.stopped_count == 0
        assert entry.through_count == (0 if entry.measurable else None)


def test_the_share_is_within_its_interval_and_the_order_of_the_list_is_kept():
    rng = np.random.default_rng(3)
    table = round_grains(50 * np.exp(0.5 * rng.standard_normal(800)), 4.0, limit_um=30)
    passing = passing_shares(table, load_filters(packaged_list()), 30.0, 0.005)
    assert [entry.rating_um for entry in passing] == [150, 75, 30, 25, 15, 11, 10]
    for entry in passing[:2]:
        for share in (entry.by_count, entry.by_area, entry.by_volume):
            assert share.low <= share.share <= share.high
    assert [entry.measurable for entry in passing] == [True, True, True, False, False, False, False]


@pytest.mark.parametrize(
    ("debris", "runs"),
    [
        (Debris(1.7, 200), 150),
        (Debris(1.4, 1000), 150),
        (Debris(2.0, 300, scale_rel_u=0.01, size_rel_u_at_limit=0.15), 150),
    ],
)
def test_intervals_hold_the_share_of_the_debris_sampled(debris, runs):
    """Simulated; the long campaign is tests/benchmarks/interval_coverage.py. 150 runs: +-4 points."""
    for (rating, name), (used, covered, _) in coverage(debris, runs).items():
        if used > 0.5:
            assert covered >= 0.93 - 0.03, (rating, name, covered)


def test_3000_particles_and_six_ratings_take_under_a_tenth_of_a_second():
    rng = np.random.default_rng(0)
    table = round_grains(50 * np.exp(0.5 * rng.standard_normal(3000)), 3.0, limit_um=30)
    filters = load_filters(packaged_list())
    passing_shares(table, filters, 30.0, 0.003)
    times = []
    for _ in range(3):
        start = time.perf_counter()
        passing_shares(table, filters, 30.0, 0.003)
        times.append(time.perf_counter() - start)
    assert min(times) < 0.1
