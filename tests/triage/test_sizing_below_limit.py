"""The modelled part below the limit: against scipy.stats, known debris, wrong laws; no advice rests on it."""

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize

from tests.benchmarks.modelled_shares import Debris, log_normal, mixed, outcome, power_law, rosin_rammler
from tests.triage.invented import invented_analysis
from tests.triage.tables import round_grains
from triage import analysis as analysis_module
from triage.analysis import conclude
from triage.filters import Filter, load_filters, packaged_list
from triage.report import content, summary_text
from triage.report.further import further_lines
from triage.report.html import html_page
from triage.report.result import to_json
from triage.report.visit import Visit
from triage.sizing import passing_shares, size_distribution
from triage.sizing.below_limit import with_modelled
from triage.sizing.laws import fit_p, is_power_law, laws, likelihood_edge
from triage.sizing.passing import ModelledShare, select

NORMAL, WEIBULL = laws()
LIMIT_UM, SEEN_UM = 30.0, 20.0
FINE = tuple(Filter(um, "paper", "absolute") for um in (25.0, 15.0))
SCREEN_75 = Filter(75.0, "screen", "opening")


def over_limit(size_um):
    z = np.log(np.asarray(size_um) / LIMIT_UM)
    z = z[z >= 0]
    return z, np.full(z.size, 1 / z.size)


def modelled(size_um, filters=FINE, seen_um=SEEN_UM, scale_rel_u=0.0):
    """Model a table of sizes of which those under `seen_um` are not seen."""
    table = round_grains(np.asarray(size_um)[np.asarray(size_um) >= seen_um], limit_um=LIMIT_UM)
    sizes = size_distribution(table, LIMIT_UM)
    passing = passing_shares(table, filters, LIMIT_UM, scale_rel_u)
    return with_modelled(sizes, passing, select(table, LIMIT_UM, scale_rel_u), seen_um)


def normal_by_scipy(parameters, z):
    alpha, sigma = parameters[0], np.exp(parameters[1])
    return stats.truncnorm.logpdf(z, -alpha, np.inf, loc=alpha * sigma, scale=sigma)


def weibull_by_scipy(parameters, z):
    """Sizes over the limit; the last term turns the density of size into that of its logarithm."""
    k, size = np.exp(parameters[1]), np.exp(z)
    law = stats.weibull_min(k, scale=np.exp(-parameters[0] / k))
    return law.logpdf(size) - law.logsf(1.0) + z


@pytest.fixture(scope="module")
def sizes_of():
    rng = np.random.default_rng(4)
    return {
        NORMAL.name: stats.lognorm(np.log(1.7), scale=60).rvs(1500, random_state=rng),
        WEIBULL.name: stats.weibull_min(1.5, scale=90).rvs(1500, random_state=rng),
    }


@pytest.mark.parametrize(("law", "by_scipy"), [(NORMAL, normal_by_scipy), (WEIBULL, weibull_by_scipy)])
def test_the_fit_is_the_greatest_likelihood_as_scipy_has_it(law, by_scipy, sizes_of):
    z, weight = over_limit(sizes_of[law.name])
    best = law.fit(z, weight)
    assert law.likelihood(best, z, weight) == pytest.approx(by_scipy(best, z).mean(), rel=1e-9)
    options = {"xatol": 1e-8, "fatol": 1e-13}
    found = minimize(lambda p: -by_scipy(p, z).mean(), best + 0.2, method="Nelder-Mead", options=options)
    assert best == pytest.approx(found.x, abs=2e-5)


def test_shares_below_the_limit_are_the_laws_own():
    """Log-normal 60 um, gsd 1.7 and Weibull 90 um, k 1.5, at 15 um, by scipy.stats."""
    spread = np.log(1.7)
    parameters = np.array([np.log(60 / LIMIT_UM) / spread, np.log(spread)])
    share = stats.lognorm(spread, scale=60).cdf(15)
    assert NORMAL.below(parameters, np.log(15 / LIMIT_UM)) == pytest.approx(share, rel=1e-9)
    parameters = np.array([1.5 * np.log(LIMIT_UM / 90), np.log(1.5)])
    share = stats.weibull_min(1.5, scale=90).cdf(15)
    assert WEIBULL.below(parameters, np.log(15 / LIMIT_UM)) == pytest.approx(share, rel=1e-9)


@pytest.mark.parametrize("law", [NORMAL, WEIBULL])
def test_drawn_sizes_have_the_share_above_they_were_drawn_by(law):
    parameters, above = np.array([0.8, -0.5]), np.linspace(0.01, 0.99, 9)
    assert law.above(parameters, law.draw(parameters, above)) == pytest.approx(above, rel=1e-9)


def test_the_edge_is_a_profile_likelihood_limit(sizes_of):
    """Least share below the limit on the edge: greatest likelihood under that share lies 1.92 lower."""
    z, weight = over_limit(sizes_of[WEIBULL.name])
    best = WEIBULL.fit(z, weight)
    least = WEIBULL.below(likelihood_edge(WEIBULL, best, z, weight, z.size), 0.0).min()
    log_a = np.log(-np.log1p(-least))  # the share below fixes a alone
    ks = np.linspace(best[1] - 0.5, best[1] + 0.5, 4001)
    profile = WEIBULL.likelihood(np.stack([np.full_like(ks, log_a), ks]), z, weight).max()
    drop = z.size * (WEIBULL.likelihood(best, z, weight) - profile)
    assert drop == pytest.approx(stats.chi2(1).ppf(0.95) / 2, rel=0.02)


def test_the_fit_test_is_fair_and_repeats_itself(sizes_of):
    """Where the law is right, p values under 0.2 come in a fifth of samples (60: 0.04 to 0.4)."""
    rng, low = np.random.default_rng(2), 0
    for _ in range(60):
        z, weight = over_limit(stats.lognorm(0.5, scale=60).rvs(150, random_state=rng))
        low += fit_p(NORMAL, z, weight, 39) <= 0.2
    assert 0.04 <= low / 60 <= 0.4
    z, weight = over_limit(sizes_of[NORMAL.name])
    assert fit_p(NORMAL, z, weight, 39) == fit_p(NORMAL, z, weight, 39)


def test_a_power_law_is_neither():
    """Pareto sizes at even steps of chance: ln(size) is exponential, mean square twice the squared mean."""
    z = stats.expon(scale=0.5).ppf((np.arange(100_000) + 0.5) / 100_000)
    weight = np.full(z.size, 1 / z.size)
    assert (weight * z**2).sum() == pytest.approx(2 * (weight * z).sum() ** 2, rel=1e-3)
    assert is_power_law(z * (1 + 0.1 * z), weight)
    assert not is_power_law(z * (1 - 0.01 * z), weight)


@pytest.mark.parametrize("name", [NORMAL.name, WEIBULL.name])
def test_known_debris_gets_bands_that_hold_it(name, sizes_of):
    size = sizes_of[name]
    sizes, rows = modelled(size, (*FINE, SCREEN_75))
    assert sizes.modelled.refused is None
    assert sizes.modelled.law == name
    assert sizes.modelled.low <= (size < LIMIT_UM).sum() <= sizes.modelled.high
    for row in rows[:2]:
        assert row.by_count.share is None  # what is measured stays as it was
        assert row.modelled.low <= (size < row.rating_um).mean() <= row.modelled.high
        assert row.modelled.low <= row.modelled.share <= row.modelled.high
    assert rows[2].measurable
    assert rows[2].modelled is None


def test_the_scale_error_widens_the_band(sizes_of):
    _, sure = modelled(sizes_of[WEIBULL.name])
    _, unsure = modelled(sizes_of[WEIBULL.name], scale_rel_u=0.05)
    assert unsure[0].modelled.high > sure[0].modelled.high
    assert unsure[0].modelled.low < sure[0].modelled.low


REFUSED = {
    "carry no model": log_normal(60.0, 1.7),
    "neither a log-normal": mixed(log_normal(45.0, 1.3), log_normal(150.0, 1.3), 0.3),
    "size may be smaller than this photo can size": power_law(20.0, 2.0),
    "more than the sizes": mixed(log_normal(21.0, 1.05), log_normal(80.0, 1.5), 0.5),
    "fewer than the sizes": lambda rng, n: (size := rosin_rammler(90.0, 1.0)(rng, n))[size > LIMIT_UM],
}


@pytest.mark.parametrize("reason", REFUSED)
def test_it_is_refused_with_its_reason(reason):
    pieces = 80 if reason == "carry no model" else 1000
    sizes, rows = modelled(REFUSED[reason](np.random.default_rng(6), pieces))
    assert reason in sizes.modelled.refused
    assert sizes.modelled.count is None
    assert [row.modelled for row in rows] == [None, None]


@pytest.mark.parametrize("size", [50.0, LIMIT_UM, [40.0, 90.0], [*np.geomspace(31, 400, 399), 1e5]])
def test_odd_sizes_are_refused_without_a_warning(size, recwarn):
    """All alike, all at the limit, two values, one a thousand times the others."""
    sizes, _ = modelled(np.resize(size, 400))
    assert sizes.modelled.refused
    assert not recwarn.list


def test_many_pieces_do_not_take_long():
    many = log_normal(60.0, 1.7)(np.random.default_rng(3), 20_000)
    start = time.process_time()
    sizes, _ = modelled(many)
    assert time.process_time() - start < 2.0
    assert sizes.modelled.refused is None


def test_no_pieces_are_refused_too():
    sizes, _ = modelled([])
    assert sizes.modelled.refused.startswith("0 sized pieces")


@pytest.mark.parametrize(
    ("debris", "speaks"),
    [
        (Debris("", log_normal(60.0, 1.7), 200, True), True),
        (Debris("", rosin_rammler(90.0, 1.5), 200, True), True),
        (Debris("", power_law(5.0, 3.0), 200, False), False),
        (Debris("", mixed(log_normal(15.0, 1.4), log_normal(80.0, 1.5), 0.4), 200, False), False),
    ],
)
def test_simulated_photos_are_held_or_refused(debris, speaks):
    """25 runs; the long campaign is tests/benchmarks/modelled_shares.py."""
    found = outcome(debris, 25)
    if speaks:
        assert found.spoke > 0.5
        assert min(found.held.values()) >= 0.85
    else:
        assert found.spoke < 0.1


@pytest.fixture(scope="module")
def concluded():
    """An invented sample of 800 pieces, its log-normal peak well above the limit, and its conclusions."""
    invented = invented_analysis(10, shape=(600, 800))
    rng = np.random.default_rng(8)
    size = log_normal(90.0, 1.6)(rng, 800)
    limits = replace(invented.photos[0].limits, smallest_seen_um=28.0, smallest_sized_um=40.0)
    photos = (replace(invented.photos[0], limits=limits),)
    table = round_grains(size[size > 28.0], limit_um=40.0)
    return invented, photos, table


def whole(concluded):
    invented, photos, table = concluded
    found = conclude(table, photos, invented.sample, load_filters(packaged_list()))
    outlines = (np.array([[0, 0], [4, 0], [4, 4]], np.float32),) * len(table)
    changed = {"sizes": found.sizes, "passing": found.passing, "advice": found.advice, "outlines": outlines}
    return replace(invented, photos=photos, particles=table, further=found.further, **changed)


def test_no_advice_and_no_headline_rests_on_the_model(concluded, monkeypatch):
    """With a model that claims the utmost, advice, headline and everything measured stay word for word."""

    def utmost(sizes, passing, *_):
        claim = ModelledShare(1.0, 1.0, 1.0, "log-normal")
        below = replace(whole_sizes.modelled, count=1e9, low=1e9, high=1e9)
        return replace(sizes, modelled=below), tuple(replace(row, modelled=claim) for row in passing)

    plain = whole(concluded)
    whole_sizes = plain.sizes
    assert plain.sizes.modelled.refused is None
    monkeypatch.setattr(analysis_module, "with_modelled", utmost)
    claimed = whole(concluded)
    assert claimed.sizes.modelled.count == 1e9
    assert claimed.advice == plain.advice
    assert claimed.further == plain.further
    assert summary_text(claimed).splitlines()[:3] == summary_text(plain).splitlines()[:3]
    assert content.passing_rows(claimed) == content.passing_rows(plain)
    assert content.found_plainly(claimed) == content.found_plainly(plain)


def test_reports_show_it_in_one_line_that_says_it_is_modelled(concluded):
    analysis = whole(concluded)
    said = dict(further_lines(analysis))["Too small to size:"]
    assert said.startswith("modelled, not measured: ")
    assert "of all, seen or not, 30 µm passes" in said
    assert said.count("passes") == 2
    assert "modelled, not measured" in " ".join(summary_text(analysis).split())
    assert "modelled, not measured" in html_page(analysis, Visit())
    refused = replace(analysis.sizes.modelled, law=None, count=None, low=None, high=None, refused="why")
    silent = replace(analysis, sizes=replace(analysis.sizes, modelled=refused))
    assert "Too small to size:" not in dict(further_lines(silent))


def test_the_result_keeps_measured_and_modelled_apart(concluded):
    document = to_json(whole(concluded))
    rows = {row["rating_um"]: row for row in document["passing"]}
    assert rows[75.0]["modelled"] is None
    assert rows[15.0]["by_count"]["share"] is None
    assert set(rows[15.0]["modelled"]) == {"share", "low", "high", "law"}
    assert document["sizes"]["modelled"]["count"] > 0


def test_pieces_seen_but_not_sized_enter_bounds_and_nothing_measured():
    """At 40 um all 300 lie above, whether or not 100 smaller ones are seen; at 15 um they bound the share."""
    sized = [50.0] * 300
    both = (SCREEN_75, FINE[1])
    alone = passing_shares(round_grains(sized, limit_um=30), both, 30.0, 0.0)
    seen = passing_shares(round_grains([*sized, *[20.0] * 100], limit_um=30), both, 30.0, 0.0)
    assert seen[0] == alone[0]
    assert alone[1].by_count.high == pytest.approx(1 - 0.025 ** (1 / 300))  # none of 300
    exact = stats.binomtest(100, 400).proportion_ci(0.95, method="exact")
    assert seen[1].by_count.high == pytest.approx(exact.high)
    assert seen[1].by_count.low == 0
