"""Comparison, planner, trend and spread, against published values, SciPy and simulated truth."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from tests.benchmarks.compare_campaign import Tank, coverage, false_alarms, powers, trend_alarms
from triage.sizing.compare import DebrisSample, How, Target, compare
from triage.sizing.planner import Question, pieces_needed, plan, power
from triage.sizing.rate_ratio import Tails, rate_limits, rate_ratio
from triage.sizing.spread import Counted, Spread, joined, spread_from_pairs
from triage.sizing.trend import sample_trend, trend
from triage.sizing.two_sample import kinds_test, sizes_test

CHANCE_ALONE = Spread(0.0)

# Garwood exact 95 % limits, as published (from 0, 5, 10, 50, 100 pieces; the last: 137 in 24.19893 units,
# the example of R's poisson.test documentation)
GARWOOD = [
    (0, 1.0, 0.0, 3.6889),
    (1, 1.0, 0.0253, 5.5716),
    (5, 1.0, 1.6235, 11.6683),
    (10, 1.0, 4.7954, 18.3904),
    (50, 1.0, 37.1110, 65.9188),
    (100, 1.0, 81.3640, 121.6268),
    (137, 24.19893, 4.75312, 6.69271),
]


@pytest.mark.parametrize(("count", "exposure", "low", "high"), GARWOOD)
def test_rate_limits_without_spread_are_garwoods(count, exposure, low, high):
    assert rate_limits(Counted(count, exposure), CHANCE_ALONE) == pytest.approx((low, high), abs=6e-5)


# Inputs: R's poisson.test documentation (11 of 800, 21 of 3011; min-likelihood p 0.0796686), and that of an
# exact rate ratio test (2 of 17877, 9 of 16660; doubled p 0.050106).
def test_rate_ratio_without_spread_is_the_published_exact_one():
    breast = rate_ratio(Counted(21, 3011), Counted(11, 800), CHANCE_ALONE)
    doubled = rate_ratio(Counted(9, 16660), Counted(2, 17877), CHANCE_ALONE)

    assert (breast.value, breast.low, breast.high) == pytest.approx((1.971488, 0.858426, 4.277266), abs=2e-6)
    assert (doubled.low, doubled.high, doubled.p) == pytest.approx((0.021774, 1.000549, 0.050106), abs=1e-6)
    assert stats.binomtest(11, 32, 800 / 3811).pvalue == pytest.approx(0.0796686, abs=1e-6)


@pytest.mark.parametrize(("before", "after"), [(10, 20), (3, 0), (0, 4), (400, 380), (1, 1)])
def test_p_without_spread_is_twice_scipys_smaller_tail(before, after):
    tails = [
        stats.binomtest(after, before + after, 0.5, alternative=side).pvalue for side in ("less", "greater")
    ]

    found = rate_ratio(Counted(before), Counted(after), CHANCE_ALONE)

    assert found.p == pytest.approx(min(1.0, 2 * min(tails)), rel=1e-9)


def test_interval_and_p_never_contradict_each_other():
    for before in range(0, 60, 7):
        for after in range(0, 60, 7):
            found = rate_ratio(Counted(before), Counted(after, 2.0), Spread())
            leaves_out_one = found.low > 1 or (found.high is not None and found.high < 1)
            assert leaves_out_one == (found.p < 0.05)


def test_with_many_pieces_the_interval_is_the_spreads_own():
    """With endless counts only the factor is left: Student's quantile times the log-normal sigma of two."""
    reach = np.exp(stats.t(5).ppf(0.975) * np.sqrt(2 * np.log(1.09)))

    found = rate_ratio(Counted(400_000), Counted(400_000), Spread())

    assert (found.low, found.high) == pytest.approx((1 / reach, reach), rel=2e-3)


def test_nothing_seen_is_an_upper_bound():
    nothing = rate_limits(Counted(0, 2.0), Spread())
    gone = rate_ratio(Counted(40), Counted(0), Spread())
    both = rate_ratio(Counted(0), Counted(0), Spread())

    assert nothing[0] == 0
    assert nothing[1] > 3.6889 / 2
    assert (gone.value, gone.low) == (0.0, 0.0)
    assert 0 < gone.high < 0.2
    assert (both.value, both.low, both.high, both.p) == (None, 0.0, None, 1.0)


def test_several_samples_narrow_what_one_cannot():
    parts = joined([Counted(100, 1.0), Counted(120, 1.0), Counted(80, 2.0)])

    assert (parts.count, parts.exposure) == (300, 4.0)
    assert parts.unevenness == pytest.approx(6 / 16)
    one = rate_ratio(Counted(300), Counted(300), Spread())
    three = rate_ratio(joined([Counted(100)] * 3), joined([Counted(100)] * 3), Spread())
    assert three.high < one.high


@pytest.mark.parametrize("tank", [Tank(law, cv) for law in ("lognormal", "gamma") for cv in (0.1, 0.2, 0.3)])
def test_false_alarms_stay_below_five_in_a_hundred(tank):
    for mean, exposure_ratio in ((2, 1.0), (20, 1.0), (200, 1.0), (60, 5.0), (1500, 0.2)):
        ours, _ = false_alarms(tank, mean, exposure_ratio, 500)
        assert ours <= 0.05


def test_chance_alone_gives_the_false_alarms_that_the_spread_is_there_for():
    """Near 27, 50 and 63 % at about 200 pieces, for samples that differ by 10, 20 and 30 %."""
    plain = [false_alarms(Tank("lognormal", cv), 200, 1.0, 1000)[1] for cv in (0.1, 0.2, 0.3)]

    assert plain == pytest.approx([0.27, 0.50, 0.63], abs=0.06)


def test_intervals_hold_the_true_ratio():
    found = rate_ratio(Counted(80), Counted(8), Spread())
    at_limits = [rate_ratio(Counted(80), Counted(8, limit), Spread()).p for limit in (found.low, found.high)]
    assert at_limits == pytest.approx([0.05, 0.05], rel=1e-6)  # so the campaign may count by the test
    for ratio in (0.05, 0.5):
        assert coverage(Tank("lognormal", 0.3), 80, ratio, 800) >= 0.95


@pytest.mark.parametrize(
    ("question", "spread"),
    [(Question(0.1), Spread()), (Question(0.03, 0.1), Spread(0.1)), (Question(0.3), Spread())],
)
def test_simulated_power_is_within_five_points_of_the_planner(question, spread):
    found = list(powers(question, spread, 1000))

    assert found
    for samples, pieces, shown in found:
        assert shown == pytest.approx(power(question, pieces, spread, 2 / samples), abs=0.05)
        assert shown >= 0.75


def test_planner_without_spread_agrees_with_the_exact_sum():
    """Twelve pieces before, a tenth after: power by summing the two Poisson distributions in full."""
    exact = sum(
        stats.poisson.pmf(before, 12) * stats.poisson.pmf(after, 1.2)
        for before in range(60)
        for after in range(30)
        if stats.binom.cdf(after, before + after, 0.5) < 0.025
    )

    assert power(Question(0.1), 12, CHANCE_ALONE) == pytest.approx(exact, abs=0.02)


def test_planner_says_where_one_sample_can_never_do():
    rows = plan(Question(0.3), Spread())

    assert rows[0].pieces_before is None
    assert rows[1].pieces_before is not None
    assert pieces_needed(Question(0.5), Spread()) is None


# Exact p values as tabulated for equal sizes (D = 1, 0.8, 0.6 of 5 and 5; 0.7 of 10 and 10).
def test_sizes_test_gives_the_tabulated_exact_values():
    five = np.arange(1.0, 6)

    assert sizes_test(five, five + 5).p == pytest.approx(0.0079365, abs=1e-7)
    assert sizes_test(five, five + 3.5).p == pytest.approx(0.0793651, abs=1e-7)
    assert sizes_test(five, five + 2.5).p == pytest.approx(0.3571429, abs=1e-7)
    assert sizes_test(np.arange(1.0, 11), np.arange(7.5, 17)).p == pytest.approx(0.0123406, abs=1e-7)


@pytest.mark.parametrize(("n", "m"), [(1, 1), (1, 9), (9, 1), (8, 30), (30, 8), (150, 210)])
def test_sizes_test_agrees_with_scipy(n, m):
    rng = np.random.default_rng(n)
    first, second = rng.lognormal(size=n), rng.lognormal(0.4, 1.0, m)

    theirs = stats.ks_2samp(first, second, method="exact")
    ours = sizes_test(first, second)

    assert (ours.statistic, ours.p) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-9)


def test_sizes_test_is_exact_with_ties():
    """Against all ways to deal 13 pieces with many equal sizes."""
    rng = np.random.default_rng(3)
    first, second = rng.integers(0, 4, 7).astype(float), rng.integers(1, 6, 6).astype(float)
    pooled = np.concatenate([first, second])
    far = []
    for chosen in combinations(range(13), 7):
        mask = np.isin(np.arange(13), chosen)
        shares = [(part[:, None] <= np.arange(6)).mean(axis=0) for part in (pooled[mask], pooled[~mask])]
        far.append(np.abs(shares[0] - shares[1]).max())
    found = sizes_test(first, second)

    assert found.p == pytest.approx(np.mean(np.array(far) >= found.statistic - 1e-12), rel=1e-9)


def test_kinds_test_agrees_with_fisher_and_scipys_statistic():
    first, second = np.repeat(["rust", "grit"], [8, 2]), np.repeat(["rust", "grit"], [1, 5])
    table = [[8, 2], [1, 5]]

    found = kinds_test(first, second)

    assert found.p == pytest.approx(stats.fisher_exact(table).pvalue, abs=0.005)
    assert found.statistic == pytest.approx(stats.chi2_contingency(table, correction=False).statistic)
    assert kinds_test(first[:0], second) is None
    assert kinds_test(first[:3], first[:4]) is None


def test_size_false_alarms_with_few_pieces():
    rng = np.random.default_rng(0)
    p = [sizes_test(rng.lognormal(size=7), rng.lognormal(size=12)).p for _ in range(500)]

    assert 0.01 < np.mean(np.array(p) < 0.05) <= 0.06


def test_own_pairs_move_the_spread_towards_the_truth():
    rng = np.random.default_rng(5)
    for true in (0.1, 0.6):
        counts = Tank("lognormal", true).counts(rng, 300, (40, 2))
        found = spread_from_pairs([(Counted(int(one)), Counted(int(other))) for one, other in counts])
        assert abs(found.cv - true) < 0.6 * abs(0.3 - true)
        assert found.pairs > 30


def test_a_pair_of_few_pieces_says_hardly_anything():
    few = spread_from_pairs([(Counted(2), Counted(1))])

    assert few.cv == pytest.approx(0.3, abs=0.02)
    assert few.pairs == pytest.approx(5, abs=0.1)
    assert spread_from_pairs([]) == Spread()


def test_the_start_counts_as_so_many_pairs_that_normal_spread_is_held_too():
    """Endless counts and a normal factor of 30 %: false alarms in closed form, both sides."""
    limit = np.exp(stats.t(5).ppf(0.975) * np.sqrt(2 * np.log(1.09)))

    assert 2 * stats.norm.sf((limit - 1) / (0.3 * np.hypot(1, limit))) < 0.045


def sample(count: int, *, from_um: float = 60.0, seed: int = 0, **facts) -> DebrisSample:
    rng = np.random.default_rng(seed)
    size = from_um + rng.lognormal(4.0, 0.5, count)
    return DebrisSample(f"{count} pieces", from_um, size, rng.choice(["rust", "grit"], count), **facts)


def pair(before: int, after: int, **how):
    return compare([sample(before)], [sample(after, seed=1)], How(**how))


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (500, 50, "cleaner"),
        (30, 0, "cleaner"),
        (60, 200, "dirtier"),
        (0, 30, "dirtier"),
        (500, 300, "no_difference_shown"),
        (200, 220, "no_difference_shown"),
        (0, 0, "too_little_to_tell"),
        (5, 1, "too_little_to_tell"),
        (3, 3, "too_little_to_tell"),
    ],
)
def test_verdicts(before, after, verdict):
    found = pair(before, after)

    assert found.verdict == verdict
    assert (found.needed.count == 0) == (verdict in {"cleaner", "dirtier"})
    assert found.needed.text.endswith(".")


def test_what_is_needed_would_tell():
    """Sampled as it says, the same ratio is shown in about four of five tries."""
    found = pair(12, 4)
    assert found.verdict == "too_little_to_tell"
    total = found.needed.count + 16
    best = max(
        power(Question(1 / 3), total / (1 + 1 / 3), Spread(), 2 / samples)
        for samples in (1, 2, 3, 4, 6, 8, 12)
    )
    assert best >= 0.78


def test_what_after_alone_can_do_is_told():
    assert "6 samples after like this one would do" in pair(15, 3).needed.text
    assert "from after alone will not do" in pair(400, 250).needed.text
    assert "after alone" not in pair(30, 50).needed.text
    assert "twice as many" in pair(30, 50).needed.text


def test_only_sizes_that_both_could_size_are_compared():
    fine = DebrisSample("fine", 20.0, np.array([25.0, 50, 79, 80, 300]), np.array(["grit"] * 5))
    coarse = DebrisSample("coarse", 80.0, np.array([90.0, 200]), np.array(["grit"] * 2))

    found = compare([fine], [coarse])

    assert (found.sizes_from_um, found.before.count, found.after.count) == (80.0, 2, 2)


def test_exposure_is_what_both_know_and_the_fraction_enters_it():
    one = sample(100, exposures={"ml": 200.0, "hour": 50.0}, fraction=0.5)
    other = sample(100, exposures={"hour": 25.0, "month": 3.0})

    found = compare([one], [other])

    assert found.per == "hour"
    assert (found.before.exposure, found.after.exposure) == (25.0, 25.0)
    assert compare([one], [one]).per == "ml"
    bare = compare([one], [sample(100)])
    assert (bare.per, bare.before.exposure, bare.after.exposure) == ("sample", 0.5, 1.0)
    assert "per whole sample" in " ".join(bare.cautions)


def test_unlike_samples_are_told():
    one, other = sample(40, origin="filter", machine="PW-1"), sample(40, origin="tank", machine="PW-1")

    said = " ".join(compare([one], [replace(other, blank_ok=False)]).cautions)

    assert "before, the place of the debris was filter; after, tank" in said
    assert "machine" not in said
    assert "blank" in said


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [(500, 5, "met"), (500, 400, "not_met"), (500, 45, "not_shown"), (10, 0, "not_shown")],
)
def test_cleaning_target(before, after, verdict):
    found = pair(before, after, target=Target(0.9)).target

    assert (found.verdict, found.before_count, found.after_count) == (verdict, before, after)


def test_cleaning_target_below_what_a_photo_sizes_is_not_measurable():
    found = pair(100, 10, target=Target(0.9, above_um=30.0)).target

    assert (found.verdict, found.rate_ratio) == ("not_measurable", None)


def test_cleaning_target_is_met_by_mistake_at_most_once_in_forty():
    """Truth exactly at the target, samples that differ by 30 %."""
    rng, tank = np.random.default_rng(7), Tank("lognormal", 0.3)
    before, after = tank.counts(rng, 500, (1000,)), tank.counts(rng, 50, (1000,))
    met = Tails.of(Counted(500), Counted(50), Spread()).at_most(before, after, 0.1) < 0.025

    assert np.mean(met) <= 0.025


def visits(*counts: int) -> list[tuple[date, Counted]]:
    return [(date(2024, 1, 1) + timedelta(days=182 * k), Counted(n, 100.0)) for k, n in enumerate(counts)]


def test_trend_of_one_machine():
    falling = trend(visits(200, 100, 52, 24, 12), Spread())

    assert falling.verdict == "falling"
    assert falling.per_year.low < 0.247 < falling.per_year.high
    assert falling.per_year.value == pytest.approx(0.247, abs=0.01)
    assert trend(visits(12, 24, 52, 100, 200), Spread()).verdict == "rising"
    assert trend(visits(50, 60, 45, 55, 70), Spread()).verdict == "no_trend_shown"
    assert trend(visits(1, 0, 2), Spread()).verdict == "too_little_to_tell"
    assert trend(visits(0, 0, 0), Spread()).per_year is None
    assert trend([*visits(9), *visits(4)], Spread()).per_year is None
    assert trend(visits(20, 0, 0, 0), Spread()).per_year.value == 0.0


def test_trend_without_spread_is_poisson_regression():
    """Against the likelihood of a Poisson regression maximised by SciPy."""
    from scipy.optimize import minimize

    counts, days = np.array([30, 22, 25, 14, 16]), 182 * np.arange(5)
    years = days / 365.25

    def loss(line):
        mean = np.exp(line[0] + line[1] * years)
        return float((mean - counts * np.log(mean)).sum())

    theirs = minimize(loss, [3.0, 0.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})

    ours = trend(visits(*counts), CHANCE_ALONE).per_year

    assert np.log(ours.value) == pytest.approx(theirs.x[1], abs=1e-5)
    flat = 2 * (loss([np.log(counts.mean()), 0.0]) - theirs.fun)
    assert ours.p == pytest.approx(stats.chi2(1).sf(flat), rel=0.02)


def test_trend_of_an_unchanging_machine_is_seldom_called():
    assert trend_alarms(Tank("lognormal", 0.3), 4, 40, 60) <= 0.05


def test_history_uses_common_sizes_and_exposure():
    days = [date(2024, 1, 1), date(2025, 1, 1)]
    fine = sample(80, from_um=20.0, exposures={"hour": 40.0})
    coarse = sample(80, from_um=60.0, exposures={"hour": 40.0, "ml": 5.0})

    found = sample_trend(list(zip(days, [fine, coarse], strict=True)), Spread())

    assert (found.sizes_from_um, found.per, found.visits) == (60.0, "hour", 2)
    assert found.pieces == 80 + np.count_nonzero(fine.size_um >= 60)
