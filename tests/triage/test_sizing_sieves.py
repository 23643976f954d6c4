"""Sieve openings and inch sizes against their published values."""

from itertools import pairwise

import pytest

from triage.sizing import nearest_sieve, um_to_thou
from triage.sizing.sieves import SIEVES, STEP


@pytest.mark.parametrize(
    ("number", "opening", "tolerance", "widest"),
    [  # ASTM E11-17 Table 1, as kept in the data files of the `fluids` library
        (35, 500, 18.0, 589),
        (40, 425, 15.5, 506),
        (60, 250, 9.9, 308),
        (100, 150, 6.6, 193),
        (140, 106, 5.2, 141),
        (200, 75, 4.1, 104),
        (325, 45, 3.1, 67),
        (400, 38, 2.9, 58),
        (500, 25, 2.5, 41),
        (635, 20, 2.3, 35),
    ],
)
def test_a_sieve_has_the_openings_of_astm_e11(number, opening, tolerance, widest):
    sieve = nearest_sieve(opening)
    assert (sieve.number, sieve.opening_um) == (number, opening)
    assert (sieve.average_tolerance_um, sieve.max_single_um) == (tolerance, widest)


def test_openings_step_by_about_the_fourth_root_of_two():
    """The rule of the series; published openings are rounded, most of all from 32 to 25 um."""
    for coarse, fine in pairwise(SIEVES):
        assert coarse.opening_um / fine.opening_um == pytest.approx(STEP, rel=0.08)


def test_single_openings_follow_the_formula_of_astm_e11():
    """E11's own formula for the widest single opening, X = 2 w^0.75 / 3 + 4 w^0.25 (from memory), w in um."""
    for sieve in SIEVES:
        excess = 2 * sieve.opening_um**0.75 / 3 + 4 * sieve.opening_um**0.25
        assert sieve.max_single_um - sieve.opening_um == pytest.approx(excess, abs=1.0)


@pytest.mark.parametrize(("um", "number"), [(76.2, 200), (152.4, 100), (30, 450), (25.4, 500), (600, None)])
def test_the_nearest_sieve_is_named(um, number):
    sieve = nearest_sieve(um)
    assert (sieve.number if sieve else None) == number


@pytest.mark.parametrize("um", [15, 10])
def test_no_us_sieve_is_named_for_a_rating_finer_than_the_series(um):
    assert nearest_sieve(um) is None


@pytest.mark.parametrize(("um", "thou"), [(25.4, 1), (76.2, 3), (152.4, 6)])
def test_an_inch_is_25400_um(um, thou):
    """The inch of 1959 is 25.4 mm exactly."""
    assert um_to_thou(um) == pytest.approx(thou, rel=1e-12)
