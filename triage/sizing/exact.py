"""Exact small-number limits: a share (Clopper-Pearson) and a count (Garwood), 95 % two-sided."""

from __future__ import annotations

TAIL = 0.025  # each side of a 95 % interval


def binomial_limits(successes: float, trials: float) -> tuple[float, float]:
    """Return the Clopper-Pearson 95 % limits of a share.

    Both arguments may be fractional: weighted pieces count as their effective number.
    """
    from scipy.special import betaincinv

    failures = max(trials - successes, 0.0)
    low = betaincinv(successes, failures + 1, TAIL) if successes > 0 else 0.0
    high = betaincinv(successes + 1, failures, 1 - TAIL) if failures > 0 else 1.0
    return float(low), float(high)


def poisson_limits(count: float) -> tuple[float, float]:
    """Return the Garwood 95 % limits of an expected count; 0 and 3.689 when nothing was seen."""
    from scipy.special import gammaincinv

    low = gammaincinv(count, TAIL) if count > 0 else 0.0
    return float(low), float(gammaincinv(count + 1, 1 - TAIL))
