"""What a rating can mean, against beta ratios, ASTM E11 and a published pair of ratings."""

import numpy as np
import pytest

from triage.filters import Filter
from triage.sizing.ratings import (
    ABSOLUTE,
    Pieces,
    at_size_from_cumulative,
    beta_to_efficiency,
    cornerwise_um,
    end_on_chance,
    opening_range,
    passing_chance,
    passing_chances,
    rating_band,
    widest_passing,
)


def grains(*sizes):
    return Pieces(np.array(sizes, dtype=float), np.zeros(len(sizes)))


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


def test_an_unknown_element_is_a_screen_from_60_um_up():
    """Common practice, no source."""
    assert widest_passing(60.0, None) == widest_passing(60.0, "screen")
    assert widest_passing(59.9, None) == widest_passing(59.9, "paper") != widest_passing(59.9, "screen")


def test_a_screens_band_counts_between_its_tightest_and_widest_opening():
    pieces = grains(40, 72, 80, 103, 120)
    band = rating_band(pieces, np.ones(5), Filter(75.0, "screen", "opening"), measurable=True)
    assert (band.low, band.high) == pytest.approx((0.2, 0.8))
    assert "71 um" in band.meaning
    assert "104 um" in band.meaning


@pytest.mark.parametrize(
    ("meaning", "low", "high"), [("nominal", 0.02, 0.5), ("absolute", 1 / 75, 1.0), ("unknown", 1 / 75, 1.0)]
)
def test_a_papers_band_spans_what_its_rating_can_mean(meaning, low, high):
    """Pieces a hair under the rating: half stopped, 98 %, 98.7 % or none, by the meaning."""
    pieces = grains(*[30.0 * (1 - 1e-9)] * 50)
    band = rating_band(pieces, np.ones(50), Filter(30.0, "paper", meaning), measurable=True)
    assert (band.low, band.high) == pytest.approx((low, high), abs=1e-6)


def test_no_band_where_nothing_was_sized_or_the_rating_is_too_fine():
    paper = Filter(10.0, "paper", "unknown")
    assert rating_band(grains(40), np.ones(1), paper, measurable=False).low is None
    assert rating_band(grains(), np.ones(0), paper, measurable=True).high is None


def test_the_widest_passage_is_a_thin_flake_cornerwise_or_one_chance_in_a_hundred():
    """A thin flake spans a square hole's diagonal: 75 sqrt 2 = 106; the widest hole of ASTM E11-17 is 104."""
    assert widest_passing(75, "screen") == pytest.approx(75 * 2**0.5)
    assert widest_passing(75, None) == pytest.approx(75 * 2**0.5)
    widest = widest_passing(30, "paper")
    assert passing_chance(np.array([widest]), 30.0, 0.5) == pytest.approx([0.01], abs=1e-4)


@pytest.mark.parametrize("thickness", [0.0, 0.1, 0.25, 0.41, 0.6, 1.0])
def test_a_flake_goes_through_a_square_hole_as_turning_it_shows(thickness):
    """Turn a w x t rectangle through all angles; it fits where both its spans are within the hole."""
    turned = np.linspace(0, np.pi / 2, 20001)
    spans = np.maximum(
        np.cos(turned) + thickness * np.sin(turned), np.sin(turned) + thickness * np.cos(turned)
    )
    assert cornerwise_um(150, thickness) == pytest.approx(150 / spans.min(), rel=1e-4)


def test_the_end_on_chance_is_that_of_fibres_thrown_at_random():
    """Directions even over the sphere: the share whose span, length sin a, leaves room for the width."""
    rng = np.random.default_rng(5)
    sine = np.sqrt(1 - rng.random(400_000) ** 2)
    for width, length in ((20, 300), (60, 200), (100, 160), (20, 40), (160, 900)):
        thrown = (length * sine + width < 150).mean()
        chance = end_on_chance(np.array([width]), np.array([length]), 150.0)[0]
        assert chance == pytest.approx(thrown, abs=0.004)


def test_a_screens_fibres_widen_its_band_downwards_only():
    pieces = Pieces(np.array([20.0, 20.0]), np.array([2000.0, 0.0]))
    band = rating_band(pieces, np.ones(2), Filter(150.0, "screen", "opening"), measurable=True)
    assert band.high == 1
    assert band.low == pytest.approx(0.5, abs=0.002)  # the long fibre hardly ever goes end-on at first


def test_a_stated_beta_ratio_is_of_all_pieces_of_its_size_and_above():
    """Log-normal curve over a count that falls with size cubed, integrated apart from the program."""
    at_size = at_size_from_cumulative(74 / 75)
    size = np.geomspace(10, 2000, 200_000)
    falling = size**-4.0
    stopped = 1 - passing_chance(size, 10.0, at_size)
    assert np.trapezoid(falling * stopped, size) / np.trapezoid(falling, size) == pytest.approx(
        74 / 75, abs=2e-4
    )
    assert 0.95 < at_size < 74 / 75


def test_a_beta_ratio_gives_a_narrower_band_than_no_meaning():
    pieces = grains(*np.geomspace(10, 60, 200))
    bands = [
        rating_band(pieces, np.ones(200), entry, measurable=True)
        for entry in (Filter(25.0, "paper", "beta", beta=75.0), Filter(25.0, "paper", "unknown"))
    ]
    assert bands[1].low <= bands[0].low <= bands[0].high <= bands[1].high
    assert "beta ratio of 75 (ISO 16889): 98.67 %" in bands[0].meaning


def test_a_range_of_ratings_is_taken_at_both_ends():
    entry = Filter(11.0, "paper", "nominal", finest_um=7.0)
    chances = passing_chances(grains(7, 11), entry)
    assert chances.shape == (4, 2)
    assert chances[:, 0].min() == pytest.approx(0.02, abs=1e-6)  # 98 % stopped at 7
    assert chances[:, 1].max() == pytest.approx(0.5, abs=1e-6)  # half stopped at 11
