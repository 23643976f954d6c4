"""One machine over its visits: does the debris get more or less, and how surely?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from triage.sizing.compare import DebrisSample, common_exposure, common_size
from triage.sizing.exact import TAIL
from triage.sizing.rate_ratio import RateRatio
from triage.sizing.spread import Counted, Spread

Array = NDArray[np.float64]

DAYS_PER_YEAR = 365.25
STEEPEST = 60.0  # natural logarithms over the whole history
HALVINGS = 42
WORTH_TELLING = 4.0  # as in a comparison, from the first visit to the last
LEAST_VARIANCE = 1e-9


@dataclass(frozen=True)
class Trend:
    """What the rate is multiplied by in a year, with its 95 % interval, from so many visits.

    `verdict` is `rising`, `falling`, `no_trend_shown` or `too_little_to_tell`; `per_year` None where there
    is no piece at all, or no time between the visits.
    """

    verdict: str
    per_year: RateRatio | None
    visits: int
    pieces: int
    sizes_from_um: float | None = None
    per: str | None = None


@dataclass(frozen=True)
class _History:
    """Counts, exposures and times from the middle in parts of the history's length, each (N,)."""

    count: Array
    exposure: Array
    time: Array
    variance: float  # of one visit's factor, squared coefficient of variation

    def means(self, slope: float) -> Array:
        """Expected counts (N,) at this slope and the level that fits best with it."""
        low, high = -300.0, 300.0
        shape = self.exposure * np.exp(slope * self.time)
        for _ in range(HALVINGS):
            level = (low + high) / 2
            mean = shape * math.exp(level)
            too_low = ((self.count - mean) / (1 + self.variance * mean)).sum() > 0
            low, high = (level, high) if too_low else (low, level)
        return np.maximum(shape * math.exp((low + high) / 2), 1e-300)

    def score(self, slope: float) -> float:
        """Slope of the log-likelihood: positive below the best slope."""
        mean = self.means(slope)
        return float((self.time * (self.count - mean) / (1 + self.variance * mean)).sum())

    def likelihood(self, slope: float) -> float:
        """Log-likelihood of negative binomial counts, but for a constant."""
        mean = self.means(slope)
        spread = np.log1p(self.variance * mean)
        return float((self.count * (np.log(mean) - spread) - spread / self.variance).sum())

    def overdispersion(self, slope: float) -> float:
        """How much more the visits scatter than the spread allows (Pearson), at least 1."""
        mean = self.means(slope)
        pearson = (np.square(self.count - mean) / (mean + self.variance * mean**2)).sum()
        return max(1.0, float(pearson) / (len(self.count) - 2)) if len(self.count) > 2 else 1.0


def trend(visits: Sequence[tuple[date, Counted]], spread: Spread) -> Trend:
    """Fit a constant yearly change to the rates of dated visits, in any order.

    Counts are taken as negative binomial with the variance of the sample-to-sample spread; the interval
    holds the slopes whose likelihood ratio lies within the square of Student's t, with the degrees of freedom
    that stand behind the spread. Visits that scatter more than that widen it.
    """
    pieces = sum(counted.count for _, counted in visits)
    days = np.array([when.toordinal() for when, _ in visits], dtype=float)
    if not pieces or np.ptp(days) == 0:
        return Trend("too_little_to_tell", None, len(visits), pieces)
    history = _History(
        np.array([counted.count for _, counted in visits], dtype=float),
        np.array([counted.exposure for _, counted in visits]),
        (days - days.min()) / np.ptp(days) - 0.5,
        max(math.expm1(spread.sigma**2), LEAST_VARIANCE),
    )
    whole = _slope(history, spread)
    return Trend(_verdict(whole), _yearly(whole, float(np.ptp(days)) / DAYS_PER_YEAR), len(visits), pieces)


def sample_trend(samples: Sequence[tuple[date, DebrisSample]], spread: Spread) -> Trend:
    """As `trend`, over the sizes that every sample's photos could size, per the exposure that all know."""
    every = [sample for _, sample in samples]
    from_um, per = common_size(every), common_exposure(every)
    found = trend([(when, sample.counted(from_um, per)) for when, sample in samples], spread)
    return Trend(found.verdict, found.per_year, found.visits, found.pieces, from_um, per)


def _slope(history: _History, spread: Spread) -> RateRatio:
    """Return what the rate is multiplied by from the first visit to the last."""
    from scipy.special import ndtr, ndtri, stdtr, stdtrit

    best = _crossing(lambda slope: history.score(slope) > 0, -STEEPEST, STEEPEST)
    scale, top = history.overdispersion(best), history.likelihood(best)

    def far(slope: float) -> float:
        return math.sqrt(max(2 * (top - history.likelihood(slope)) / scale, 0.0))

    exact = spread.cv == 0
    reach = -float(ndtri(TAIL) if exact else stdtrit(spread.pairs, TAIL))
    low = _crossing(lambda slope: far(slope) > reach, -STEEPEST, best)
    high = _crossing(lambda slope: far(slope) <= reach, best, STEEPEST)
    p = 2 * float(ndtr(-far(0.0)) if exact else stdtr(spread.pairs, -far(0.0)))
    open_low, open_high = best < 1 - STEEPEST, best > STEEPEST - 1
    return RateRatio(
        0.0 if open_low else None if open_high else math.exp(best),
        0.0 if open_low or low < 1 - STEEPEST else math.exp(low),
        None if open_high or high > STEEPEST - 1 else math.exp(high),
        p,
    )


def _crossing(below: Callable[[float], bool], low: float, high: float) -> float:
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        low, high = (middle, high) if below(middle) else (low, middle)
    return (low + high) / 2


def _verdict(whole: RateRatio) -> str:
    if whole.high is not None and whole.high < 1:
        return "falling"
    if whole.low > 1:
        return "rising"
    wide = (whole.high is None or whole.high > WORTH_TELLING) and whole.low < 1 / WORTH_TELLING
    return "too_little_to_tell" if wide else "no_trend_shown"


def _yearly(whole: RateRatio, years: float) -> RateRatio:
    def part(value: float) -> float:
        return math.exp(min(math.log(value) / years, 700.0)) if value > 0 else 0.0

    return RateRatio(
        None if whole.value is None else part(whole.value),
        part(whole.low),
        None if whole.high is None else part(whole.high),
        whole.p,
    )
