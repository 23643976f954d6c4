"""How often `triage compare` raises a false alarm, holds the true ratio, and shows what its planner promises.

    python -m tests.benchmarks.compare_campaign [RUNS]

Truth: counts are Poisson, and each sample's mean is multiplied by a factor of its own with the coefficient of
variation of the cell, drawn from three laws (log-normal, gamma, normal cut at 0), because nobody knows which
one tanks follow. The comparison assumes its starting value of 30 % throughout; `chance alone` is the exact
Poisson test on the same counts. A cell's false alarm rate is judged at 5 %.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from triage.sizing.planner import Question, plan
from triage.sizing.rate_ratio import Tails
from triage.sizing.spread import Counted, Spread, spread_from_pairs
from triage.sizing.trend import trend

Counts = NDArray[np.int64]

LAWS = ("lognormal", "gamma", "normal")
CVS = (0.0, 0.1, 0.2, 0.3)
MEANS = (1, 3, 10, 30, 100, 300, 1000, 3000)
EXPOSURES = (0.1, 1.0, 10.0)
CHANCE_ALONE = Spread(0.0)


@dataclass(frozen=True)
class Tank:
    """A tank whose samples differ by `cv` beyond chance, by this law."""

    law: str
    cv: float

    def counts(self, rng: np.random.Generator, mean: float, shape: tuple[int, ...]) -> Counts:
        """Counts of this many samples with this mean."""
        return np.asarray(rng.poisson(mean * self.factors(rng, shape)))

    def factors(self, rng: np.random.Generator, shape: tuple[int, ...]) -> NDArray[np.float64]:
        """Factors of mean 1."""
        if self.cv == 0:
            return np.ones(shape)
        if self.law == "gamma":
            return rng.gamma(1 / self.cv**2, self.cv**2, shape)
        if self.law == "normal":
            return np.maximum(1 + self.cv * rng.standard_normal(shape), 0)
        sigma = np.sqrt(np.log1p(self.cv**2))
        return np.exp(sigma * rng.standard_normal(shape) - sigma**2 / 2)


TANKS = tuple(Tank(law, cv) for cv in CVS for law in (LAWS if cv else LAWS[:1]))


def p_values(before: Counts, after: Counts, exposure_ratio: float, spread: Spread) -> NDArray[np.float64]:
    """P values of counts (N,); only the tails, so that a campaign stays quick."""
    pairs, place = np.unique(np.stack([before, after]), axis=1, return_inverse=True)
    found = []
    for one, other in pairs.T:
        tails = Tails.of(Counted(int(one)), Counted(int(other), exposure_ratio), spread)
        found.append(2 * min(float(tails.at_most(one, other, 1)), float(tails.at_least(one, other, 1))))
    return np.minimum(np.array(found)[place.ravel()], 1)


def false_alarms(tank: Tank, mean: float, exposure_ratio: float, runs: int) -> tuple[float, float]:
    """Part of runs of two samples of one tank called cleaner or dirtier: as compared, and by chance alone."""
    rng = np.random.default_rng(1)
    before = tank.counts(rng, mean, (runs,))
    after = tank.counts(rng, mean * exposure_ratio, (runs,))
    ours, plain = (p_values(before, after, exposure_ratio, each) for each in (Spread(), CHANCE_ALONE))
    return float((ours < 0.05).mean()), float((plain < 0.05).mean())


def coverage(tank: Tank, mean: float, ratio: float, runs: int) -> float:
    """Part of runs whose interval holds the true ratio."""
    rng = np.random.default_rng(2)
    before, after = tank.counts(rng, mean, (runs,)), tank.counts(rng, mean * ratio, (runs,))
    # the interval holds the ratios that the test does not reject; a ratio acts like one of exposures
    return float((p_values(before, after, ratio, Spread()) >= 0.05).mean())


def powers(question: Question, spread: Spread, runs: int) -> Iterator[tuple[int, int, float]]:
    """Yield, for each way that the planner offers: samples, pieces before, simulated power."""
    tank, rng = Tank("lognormal", spread.cv), np.random.default_rng(3)
    for row in plan(question, spread):
        if row.pieces_before is None:
            continue
        shape = (runs, row.samples)
        mean = row.pieces_before / row.samples
        before = tank.counts(rng, mean, shape).sum(axis=1)
        after = tank.counts(rng, mean * question.true_ratio * question.exposure_ratio, shape).sum(axis=1)
        one = Counted(row.pieces_before, 1.0, 1 / row.samples)
        tails = Tails.of(one, Counted(0, question.exposure_ratio, 1 / row.samples), spread)
        shown = tails.at_most(before, after, question.claimed) < 0.025
        yield row.samples, row.pieces_before, float(shown.mean())


def after_own_pairs(tank: Tank, pairs: int, mean: float, runs: int) -> tuple[float, float]:
    """Spread that a shop's own pairs lead to (mean), and the false alarm rate with it."""
    rng = np.random.default_rng(4)
    alarms, found = 0, []
    for _ in range(runs):
        own = [(Counted(int(one)), Counted(int(other))) for one, other in tank.counts(rng, mean, (pairs, 2))]
        spread = spread_from_pairs(own)
        found.append(spread.cv)
        alarms += p_values(*tank.counts(rng, mean, (2, 1)), 1.0, spread)[0] < 0.05
    return float(np.mean(found)), alarms / runs


def trend_alarms(tank: Tank, visits: int, mean: float, runs: int) -> float:
    """Part of unchanging histories, two visits a year, that are called rising or falling."""
    rng = np.random.default_rng(5)
    days = [date(2020, 1, 1) + timedelta(days=182 * index) for index in range(visits)]
    called = 0
    for counts in tank.counts(rng, mean, (runs, visits)):
        history = [(day, Counted(int(count))) for day, count in zip(days, counts, strict=True)]
        called += trend(history, Spread()).verdict in {"rising", "falling"}
    return called / runs


def main(runs: int) -> None:
    """Print the campaign."""
    print("False alarms, %: as compared (chance alone); columns: mean count before")
    print(f"{'after/before':>12} {'law':>10} {'cv':>4}" + "".join(f"{mean:>12}" for mean in MEANS))
    for ratio in EXPOSURES:
        for tank in TANKS:
            cells = [false_alarms(tank, mean, ratio, runs) for mean in MEANS]
            said = "".join(f"{100 * ours:6.1f} ({100 * plain:3.0f})" for ours, plain in cells)
            print(f"{ratio:12g} {tank.law:>10} {tank.cv:4.1f}{said}", flush=True)
    print("\nIntervals that hold the true ratio, %: mean count 100 before")
    for ratio in (0.05, 0.3, 1.0, 3.0):
        said = [f"{tank.law} {tank.cv}: {100 * coverage(tank, 100, ratio, runs):.1f}" for tank in TANKS]
        print(f"ratio {ratio}:", ", ".join(said), flush=True)
    print("\nPlanner, 80 % power promised")
    for spread in (CHANCE_ALONE, Spread(0.1), Spread()):
        for question in (
            Question(0.1),
            Question(0.3),
            Question(0.5),
            Question(0.03, 0.1),
            Question(0.2, 1, 4),
        ):
            said = [
                f"{n} x {pieces}: {100 * power:.1f}"
                for n, pieces, power in powers(question, spread, 4 * runs)
            ]
            print(f"cv {spread.cv}, {question}:", ", ".join(said), flush=True)
    print("\nAfter the shop's own pairs (200 pieces each): spread found, false alarms %")
    for cv in (0.1, 0.3, 0.5):
        for pairs in (1, 5, 20):
            found, alarms = after_own_pairs(Tank("lognormal", cv), pairs, 200, runs)
            print(f"true {cv}, {pairs} pairs: {found:.2f}, {100 * alarms:.1f}", flush=True)
    print("\nUnchanging histories called rising or falling, %")
    for visits in (2, 3, 5, 10):
        cells = [(cv, trend_alarms(Tank("lognormal", cv), visits, 50, runs // 2)) for cv in (0.1, 0.3, 0.5)]
        print(f"{visits} visits:", ", ".join(f"cv {cv}: {100 * part:.1f}" for cv, part in cells), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
