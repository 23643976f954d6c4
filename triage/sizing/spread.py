"""How far two samples of one tank differ beyond chance: the sample-to-sample spread.

Chance alone (Poisson) is the floor. Stirring, settling and the place sampled multiply each sample's count by
a factor of its own, log-normal here, with a coefficient of variation (CV) that a shop can measure from pairs
of samples of one tank. Until then 30 % is assumed. Both are rough, so the factor is integrated over a
Student distribution with as many degrees of freedom as pairs stand behind the CV.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

START_CV = 0.30
START_PAIRS = 5.0  # what the assumed CV counts for; see DEVELOPERS.md
LEAST_CV = 0.05  # pairs may agree by luck
REACH = 5.5  # of the quadrature; beyond lies less than 1e-9 of a Student distribution with 5 degrees
FEWEST_NODES, MOST_NODES = 161, 4001
NODES_PER_WIDTH = 35  # nodes lie no farther apart, out to the 1 % tails, than chance blurs the counts


@dataclass(frozen=True)
class Counted:
    """Pieces counted and what they were counted in; more than one sample of the same fuel may be joined.

    `unevenness` is sum(t^2) / sum(t)^2 over the joined samples' exposures t: 1 for a single sample, 1/m for
    m equal ones. The variance of the joint sample-to-sample factor is that part of one sample's.
    """

    count: int
    exposure: float = 1.0
    unevenness: float = 1.0

    @property
    def rate(self) -> float:
        """Pieces in one unit of exposure."""
        return self.count / self.exposure


def joined(parts: Sequence[Counted]) -> Counted:
    """Add up single samples of the same fuel, each with an exposure above 0."""
    exposure = np.array([part.exposure for part in parts])
    total = float(exposure.sum())
    return Counted(sum(part.count for part in parts), total, float(np.square(exposure).sum()) / total**2)


@dataclass(frozen=True)
class Spread:
    """Coefficient of variation from sample to sample (0.3 is 30 %), and how many pairs it is worth."""

    cv: float = START_CV
    pairs: float = START_PAIRS

    @property
    def sigma(self) -> float:
        """Standard deviation of the logarithm of one sample's factor."""
        return math.sqrt(math.log1p(self.cv**2))

    def factors(self, unevenness: float, pieces: int) -> tuple[Array, Array]:
        """Nodes (K,) of the joint factor and their weights (K,), which add to 1; one node without spread.

        `unevenness` adds over both sides of a ratio. The more pieces, the finer the nodes must lie.
        """
        if self.cv == 0:
            return np.ones(1), np.ones(1)
        sigma = self.sigma * math.sqrt(unevenness)
        wanted = NODES_PER_WIDTH * sigma * math.sqrt(pieces + 1) / 2
        u = np.linspace(-REACH, REACH, int(min(max(wanted, FEWEST_NODES), MOST_NODES)))
        node = np.sinh(u)
        weight = np.cosh(u) * (1 + node**2 / self.pairs) ** (-(self.pairs + 1) / 2)
        return np.exp(np.clip(sigma * node, -300, 300)), weight / weight.sum()


def spread_from_pairs(pairs: Sequence[tuple[Counted, Counted]]) -> Spread:
    """Return the spread that pairs of samples of one tank show, joined with the assumed start.

    Of each pair, half the squared logarithm of its rate ratio estimates the variance of one sample's
    logarithm, less what chance alone does (1/count each). A pair weighs as many degrees of freedom as chance
    leaves it: hardly any where few pieces were counted.
    """
    start = math.log1p(START_CV**2)
    total, weights = START_PAIRS * start, START_PAIRS
    for one, other in pairs:
        counts = one.count + 0.5, other.count + 0.5
        chance = 1 / counts[0] + 1 / counts[1]
        apart = math.log(counts[0] / one.exposure) - math.log(counts[1] / other.exposure)
        weight = (2 * start / (2 * start + chance)) ** 2
        total += weight * (apart**2 - chance) / 2
        weights += weight
    variance = max(total / weights, math.log1p(LEAST_CV**2))
    return Spread(math.sqrt(math.expm1(variance)), weights)
