"""Small-number limits, 95 % two-sided: a share (Clopper-Pearson), a count (Garwood), a weighted count."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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


def weighted_limits(weight: NDArray[np.float64], biggest: float | None = None) -> tuple[float, float]:
    """Return the limits of the expected sum of the weights (N,) of pieces counted at random.

    Gamma limits of Fay and Feuer (1997, Statistics in Medicine 16:791, from memory); Garwood's where all
    weights are 1. `biggest` is the greatest weight that a piece could have had, where no such piece was met.
    """
    from scipy.special import gammaincinv

    total, square = float(weight.sum()), float(np.square(weight).sum())
    most = max(float(weight.max(initial=0.0)), biggest or 0.0)
    low = square / total * gammaincinv(total**2 / square, TAIL) if square > 0 else 0.0
    if most <= 0:
        return 0.0, 0.0
    total, square = total + most, square + most**2
    return float(low), float(square / total * gammaincinv(total**2 / square, 1 - TAIL))
