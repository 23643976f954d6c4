"""What a rating can mean, against beta ratios, ASTM E11 and a published pair of ratings."""

import numpy as np
import pytest

from triage.filters import Filter
from triage.sizing.ratings import (
    ABSOLUTE,
    beta_to_efficiency,
    opening_range,
    passing_chance,
    rating_band,
    widest_passing,
)


@pytest.mark.parametrize(
    ("beta", "percent"),
    [(1, 0), (2, 50), (5, 80), (10, 90), (20, 95), (75, 98.6667), (100, 99), (200, 99.5), (1000, 99.9)],
)
def test_beta_ratios_have_their_efficiencies(beta, percent):
    """ISO 16889 pairs as hydraulic filter makers print them: 2 is 50 %, 75 is 98.7 %, 1000 is 99.9 %."""
    assert 100 * beta_to_efficiency(beta) == pytest.approx(percent, abs=1e-4)


def test_absolute_means_beta_75():
    assert pytest.approx(beta_to_efficiency(75)) == ABSOLUTE


def test_the_curve_passes_through_both_ratings_of_one_element():
    """F-F-351F, p. 21: mean efficiency beta 2 at 10 um, absolute efficiency beta 75 at 25 um."""
    stopped = 1 - passing_chance(np.array([10.0, 25.0]), 10.0, stopped_at_rating=0.5)
    assert stopped == pytest.approx([beta_to_efficiency(2), beta_to_efficiency(75)], abs=1e-4)


def test_an_absolute_rating_stops_beta_75_at_its_own_size():
    assert 1 - passing_chance(np.array([25.0]), 25.0, ABSOLUTE) == pytest.approx([74 / 75])


@pytest.mark.parametrize(("um", "least", "widest"), [(150, 143.4, 193), (75, 70.9, 104), (25, 22.5, 41)])
def test_cloth_may_vary_as_astm_e11_allows(um, least, widest):
    assert opening_range(um) == pytest.approx((least, widest))


def test_a_screens_band_counts_between_its_tightest_and_widest_opening():
    sizes = np.array([40.0, 72.0, 80.0, 103.0, 120.0])
    band = rating_band(sizes, np.ones(5), Filter(75.0, "screen", "opening"), measurable=True)
    assert (band.low, band.high) == pytest.approx((0.2, 0.8))
    assert "71 um" in band.meaning
    assert "104 um" in band.meaning


@pytest.mark.parametrize(
    ("meaning", "low", "high"), [("nominal", 0.02, 0.5), ("absolute", 1 / 75, 1.0), ("unknown", 1 / 75, 1.0)]
)
def test_a_papers_band_spans_what_its_rating_can_mean(meaning, low, high):
    """Pieces a hair under the rating: half stopped, 98 %, 98.7 % or none, by the meaning."""
    sizes = np.full(50, 30.0 * (1 - 1e-9))
    band = rating_band(sizes, np.ones(50), Filter(30.0, "paper", meaning), measurable=True)
    assert (band.low, band.high) == pytest.approx((low, high), abs=1e-6)


def test_no_band_where_nothing_was_sized_or_the_rating_is_too_fine():
    paper = Filter(10.0, "paper", "unknown")
    assert rating_band(np.array([40.0]), np.ones(1), paper, measurable=False).low is None
    assert rating_band(np.array([]), np.ones(0), paper, measurable=True).high is None


def test_the_widest_passage_is_the_widest_hole_or_one_chance_in_a_hundred():
    assert widest_passing(75, "screen") == pytest.approx(104)
    assert widest_passing(75, None) == pytest.approx(104)
    widest = widest_passing(30, "paper")
    assert passing_chance(np.array([widest]), 30.0, 0.5) == pytest.approx([0.01], abs=1e-4)
