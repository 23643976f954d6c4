"""Small-number limits against published tables and SciPy's own exact test."""

import pytest
from scipy.stats import binomtest

from triage.sizing.exact import binomial_limits, poisson_limits


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [  # Garwood 95 % limits; 0 and 10 as printed in epidemiology tables, the others from the chi-square form
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (3, 0.6187, 8.7673),
        (10, 4.7954, 18.3904),
        (50, 37.1110, 65.9188),
        (100, 81.3640, 121.6268),
    ],
)
def test_counts_have_garwood_limits(count, low, high):
    assert poisson_limits(count) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize(("passed", "trials"), [(0, 12), (1, 9), (7, 20), (339, 380), (380, 380)])
def test_shares_have_the_clopper_pearson_limits_of_scipy(passed, trials):
    exact = binomtest(passed, trials).proportion_ci(0.95, method="exact")
    assert binomial_limits(passed, trials) == pytest.approx((exact.low, exact.high), abs=1e-9)


def test_nothing_of_many_has_the_closed_form_limit():
    """None of n: 1 - 0.025^(1/n), from the binomial itself."""
    assert binomial_limits(0, 30)[1] == pytest.approx(1 - 0.025 ** (1 / 30), rel=1e-12)
