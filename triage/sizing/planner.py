"""How much must be sampled: the chance that a true change will be shown, and the pieces needed for it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.sizing.exact import TAIL
from triage.sizing.rate_ratio import Tails
from triage.sizing.spread import Counted, Spread

Array = NDArray[np.float64]

POWER = 0.8  # a true change is shown in four of five tries
FEWEST_PIECES, MOST_PIECES = 1.0, 5000.0  # a card too full to measure holds about as many
MOST_SAMPLES = 6
DRAWS = 96  # of the first count, evenly spread; checked against simulation
FACTOR_NODES = 33
PLASTIC = 1.3247179572447460  # root of x^3 = x + 1: Roberts' evenly spread points in the plane


@dataclass(frozen=True)
class Question:
    """What is to be shown: that the ratio lies below `claimed`, where it truly is `true_ratio`.

    `exposure_ratio` is the exposure of the cleaner over that of the dirtier sample. `power` is the chance of
    showing it that is wanted.
    """

    true_ratio: float
    claimed: float = 1.0
    exposure_ratio: float = 1.0
    power: float = POWER


@dataclass(frozen=True)
class PlanRow:
    """So many separate samples each time, and the pieces to be expected in them together; None: no way."""

    samples: int
    pieces_before: int | None
    pieces_after: int | None


def plan(question: Question, spread: Spread) -> tuple[PlanRow, ...]:
    """Return what is needed with 1, 2, ... separate samples each time."""
    rows = []
    for samples in range(1, MOST_SAMPLES + 1):
        pieces = pieces_needed(question, spread, 2 / samples)
        if pieces is None:
            rows.append(PlanRow(samples, None, None))
        else:
            after = pieces * question.exposure_ratio * question.true_ratio
            rows.append(PlanRow(samples, math.ceil(pieces), math.ceil(after)))
    return tuple(rows)


def pieces_needed(question: Question, spread: Spread, unevenness: float = 2.0) -> float | None:
    """Return the count to expect in the dirtier samples together for the power wanted.

    `unevenness` is that of both sides together (`Counted.unevenness`). None where even `MOST_PIECES` would
    not do: then only more separate samples help, or none do.
    """
    if power_of_endless_pieces(question, spread, unevenness) < question.power:
        return None
    most = math.log(MOST_PIECES)
    low, high = math.log(FEWEST_PIECES), most
    while high - low > 0.02:
        middle = (low + high) / 2
        enough = power(question, math.exp(middle), spread, unevenness) >= question.power
        low, high = (low, middle) if enough else (middle, high)
    return math.exp(high) if high < most else None


def power_of_endless_pieces(question: Question, spread: Spread, unevenness: float = 2.0) -> float:
    """Chance of showing it if only the sample-to-sample spread stood in the way."""
    from scipy.special import ndtr, stdtrit

    if spread.cv == 0:
        return 1.0
    apart = math.log(question.claimed / question.true_ratio) / (spread.sigma * math.sqrt(unevenness))
    return float(ndtr(apart + stdtrit(spread.pairs, TAIL)))


def power(question: Question, pieces: float, spread: Spread, unevenness: float = 2.0) -> float:
    """Chance that the 95 % interval of the ratio will lie below `claimed`, with `pieces` expected before.

    Truth: each side's count is Poisson with a log-normal factor of the spread's CV. The first count is
    drawn at evenly spread points, the second summed exactly below the greatest count that still shows it.
    """
    from scipy.special import ndtri, pdtr, pdtrik

    sigma = spread.sigma * math.sqrt(unevenness / 2)
    step = np.arange(1, DRAWS + 1)
    factor, chance = ((0.5 + step / PLASTIC**k) % 1 for k in (1, 2))
    first = np.ceil(np.maximum(pdtrik(chance, pieces * np.exp(sigma * ndtri(factor))), 0))
    counts, draws = np.unique(first, return_counts=True)
    sides = (
        Counted(math.ceil(pieces), 1.0, unevenness / 2),
        Counted(0, question.exposure_ratio, unevenness / 2),
    )
    tails = Tails.of(*sides, spread)
    greatest = _greatest(tails, counts, question.claimed)
    node, weight = np.polynomial.hermite_e.hermegauss(FACTOR_NODES)
    means = pieces * question.exposure_ratio * question.true_ratio * np.exp(sigma * node)
    shown = pdtr(np.maximum(greatest, 0)[:, None], means) @ (weight / weight.sum())
    return float(np.where(greatest >= 0, shown, 0.0) @ draws / DRAWS)


def _greatest(tails: Tails, before: Array, claimed: float) -> Array:
    """Return the greatest later count (N,) that still shows a ratio below `claimed`; -1 where none does."""
    low = np.full(before.shape, -1.0)
    high = np.ceil(before * claimed * tails.exposure_ratio) + 1  # shows nothing: the ratio is no lower
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        shows = tails.at_most(before, np.maximum(middle, 0), claimed) < TAIL
        shows &= middle >= 0
        low, high = np.where(shows, middle, low), np.where(shows, high, np.maximum(middle, low + 1))
    return low
