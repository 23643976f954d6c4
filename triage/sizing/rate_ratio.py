"""Ratio of two rates from counts: exact conditional test, with the sample-to-sample spread integrated in.

Given the total of both counts, the later one is binomial with odds = ratio x exposures x factor, where the
factor is that of `triage.sizing.spread`; its distribution is integrated over. Without spread this is the
exact conditional (Clopper-Pearson) interval of a rate ratio. Interval and p value are the central pair:
each tail 2.5 %, p twice the smaller tail, so p is below 0.05 exactly where the interval leaves out 1.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from triage.sizing.exact import TAIL
from triage.sizing.spread import Counted, Spread

Array = NDArray[np.float64]

WIDEST = 60.0  # of a natural logarithm: beyond any ratio of counts
HALVINGS = 55


@dataclass(frozen=True)
class RateRatio:
    """After over before with its 95 % interval; `value` None with no pieces before, a limit None if open."""

    value: float | None
    low: float
    high: float | None
    p: float


@dataclass(frozen=True)
class Tails:
    """Tail chances of the later count given the total, for one ratio of exposures and one spread."""

    exposure_ratio: float
    factors: Array  # (K,)
    weights: Array  # (K,)

    @classmethod
    def of(cls, before: Counted, after: Counted, spread: Spread) -> Tails:
        """For these two samples."""
        factors, weights = spread.factors(before.unevenness + after.unevenness, before.count + after.count)
        return cls(after.exposure / before.exposure, factors, weights)

    def at_most(self, before: ArrayLike, after: ArrayLike, ratio: float) -> Array:
        """Chance of a later count of at most `after`, (N,) as `before` and `after` broadcast."""
        from scipy.special import betainc

        earlier, later = (np.asarray(each, dtype=float)[..., None] for each in (before, after))
        odds = np.clip(ratio * self.exposure_ratio * self.factors, 1e-300, 1e300)
        # P(X <= x) of a binomial: the chance of "earlier" is 1 / (1 + odds); certain where earlier is 0
        chance = np.where(earlier > 0, betainc(np.maximum(earlier, 1), later + 1, 1 / (1 + odds)), 1.0)
        result: Array = chance @ self.weights
        return result

    def at_least(self, before: ArrayLike, after: ArrayLike, ratio: float) -> Array:
        """Chance of a later count of at least `after`, (N,) as above."""
        from scipy.special import betainc

        earlier, later = (np.asarray(each, dtype=float)[..., None] for each in (before, after))
        odds = np.clip(ratio * self.exposure_ratio * self.factors, 1e-300, 1e300)
        chance = np.where(later > 0, betainc(np.maximum(later, 1), earlier + 1, odds / (1 + odds)), 1.0)
        result: Array = chance @ self.weights
        return result


def rate_ratio(before: Counted, after: Counted, spread: Spread) -> RateRatio:
    """Return the rate ratio after over before, its 95 % interval and the p value against no change."""
    tails = Tails.of(before, after, spread)
    counts = before.count, after.count
    low = _solve(lambda ratio: tails.at_least(*counts, ratio) < TAIL) if after.count else 0.0
    high = _solve(lambda ratio: tails.at_most(*counts, ratio) > TAIL) if before.count else None
    smaller = min(float(tails.at_most(*counts, 1.0)), float(tails.at_least(*counts, 1.0)))
    value = after.rate / before.rate if before.count else None
    return RateRatio(value, low, high, min(1.0, 2 * smaller))


def rate_limits(counted: Counted, spread: Spread) -> tuple[float, float]:
    """Return the 95 % limits of the rate; without spread they are Garwood's over the exposure."""
    from scipy.special import gammainc, gammaincc

    factors, weights = spread.factors(counted.unevenness, counted.count)

    def at_least(mean: float) -> float:
        return float(gammainc(counted.count, mean * factors) @ weights)

    def at_most(mean: float) -> float:
        return float(gammaincc(counted.count + 1, mean * factors) @ weights)

    low = _solve(lambda mean: at_least(mean) < TAIL) if counted.count else 0.0
    return low / counted.exposure, _solve(lambda mean: at_most(mean) > TAIL) / counted.exposure


def _solve(below: Callable[[float], object]) -> float:
    """Return where `below` turns from true to false, by halving the logarithm's range."""
    low, high = -WIDEST, WIDEST
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if below(math.exp(middle)) else (low, middle)
    return math.exp((low + high) / 2)
