"""How often the 95 % intervals of passing shares hold the truth, beside two plain bootstraps.

    python -m tests.benchmarks.interval_coverage [runs]

Debris is drawn from log-normal size distributions whose shares are known in closed form. Each run draws
the pieces, spoils their sizes (a scale error common to all, an error of each piece that grows towards the
limit) and asks for the shares. Counted: how often the interval holds the share of the debris drawn from.
A run whose area or volume share is refused an interval ("few pieces decide") is not counted; `used` says
how many were. Where `used` is small, those runs are the lucky ones that lack the biggest pieces.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.triage.tables import round_grains
from triage.filters import Filter
from triage.sizing import Passing, passing_shares

Array = NDArray[np.float64]

LIMIT_UM = 30.0
SCREENS = (Filter(150.0, "screen", "opening"), Filter(75.0, "screen", "opening"))
BOOTSTRAPS = 300


@dataclass(frozen=True)
class Debris:
    """Log-normal debris and how well it is measured."""

    gsd: float
    pieces: int  # of at least LIMIT_UM, on average
    scale_rel_u: float = 0.003
    size_rel_u_at_limit: float = 0.1  # of each piece, in inverse proportion to its size
    median_um: float = 50.0

    def true_share(self, rating_um: float, power: float) -> float:
        """Closed form: among sizes of at least LIMIT_UM, the part of sum(d^power) below the rating."""
        from scipy.special import ndtr

        spread = np.log(self.gsd)
        median = np.log(self.median_um) + power * spread**2  # Hatch-Choate
        below, limit = (ndtr((np.log(edge) - median) / spread) for edge in (rating_um, LIMIT_UM))
        return float((below - limit) / (1 - limit))

    def draw(self, rng: np.random.Generator) -> tuple[Array, Array, Array]:
        """Return true sizes, measured sizes and their standard uncertainty, um, each (N,)."""
        seen = self.pieces / (1 - self.true_share_below_limit())
        true = self.median_um * np.exp(np.log(self.gsd) * rng.standard_normal(rng.poisson(seen)))
        own = self.size_rel_u_at_limit * LIMIT_UM / np.maximum(true, LIMIT_UM / 2)
        scale = self.scale_rel_u * rng.standard_normal()
        measured = true * np.exp(scale + own * rng.standard_normal(true.size))
        return true, measured, measured * np.hypot(own, self.scale_rel_u)

    def true_share_below_limit(self) -> float:
        """Part of the pieces that are smaller than LIMIT_UM."""
        from scipy.special import ndtr

        return float(ndtr(np.log(LIMIT_UM / self.median_um) / np.log(self.gsd)))

    def measure(self, measured: Array, uncertainty: Array) -> tuple[Passing, ...]:
        """Return the passing shares of one draw."""
        return passing_shares(
            round_grains(measured, uncertainty, LIMIT_UM), SCREENS, LIMIT_UM, self.scale_rel_u
        )


def bootstraps(
    size: Array, drawn: NDArray[np.int64], rating_um: float, power: float
) -> dict[str, tuple[float, float]]:
    """Return percentile and bias-corrected accelerated 95 % limits of a weighted share, for comparison.

    `drawn` (B, N) says how often each bootstrap sample drew each piece.
    """
    from scipy.special import ndtr, ndtri

    amount, passes = size**power, size < rating_um
    share = amount[passes].sum() / amount.sum()
    shares = drawn @ (amount * passes) / (drawn @ amount)
    influence = amount * (passes - share) / (amount.sum() - amount)
    influence -= influence.mean()
    influence /= np.sqrt((influence**2).sum()) or 1.0
    skew = (influence**3).sum() / 6
    rank = np.clip(((shares < share).sum() + (shares == share).sum() / 2) / BOOTSTRAPS, 1e-3, 1 - 1e-3)
    reach = ndtri(rank) + np.array([-1.96, 1.96])
    tails = ndtr(ndtri(rank) + reach / (1 - skew * reach))
    return {
        "percentile": tuple(np.quantile(shares, [0.025, 0.975])),
        "bca": tuple(np.quantile(shares, tails)),
    }


Interval = tuple[float, str, float, float, float]  # rating, quantity, low, high, truth
POWERS = {"count": 0, "area": 2, "volume": 3}


def our_intervals(debris: Debris, rng: np.random.Generator) -> Iterator[Interval]:
    """Yield the intervals of one draw, that by count also against the share of the very pieces drawn."""
    true, measured, uncertainty = debris.draw(rng)
    pieces = true[true >= LIMIT_UM]
    for entry in debris.measure(measured, uncertainty):
        for name, power in POWERS.items():
            share = getattr(entry, f"by_{name}")
            if share.low is not None and share.high is not None:
                truth = debris.true_share(entry.rating_um, power)
                yield entry.rating_um, name, share.low, share.high, truth
            if name == "count":
                photographed = float((pieces < entry.rating_um).mean())
                yield entry.rating_um, "count, of these pieces", share.low, share.high, photographed


def bootstrap_intervals(debris: Debris, rng: np.random.Generator) -> Iterator[Interval]:
    """Yield what two bootstraps give for the same kind of draw, where we give an interval at all."""
    _, measured, uncertainty = debris.draw(rng)
    sizes = measured[measured >= LIMIT_UM]
    drawn = rng.multinomial(sizes.size, np.full(sizes.size, 1 / sizes.size), BOOTSTRAPS)
    for entry in debris.measure(measured, uncertainty):
        for name in ("area", "volume"):
            if getattr(entry, f"by_{name}").low is not None:
                truth = debris.true_share(entry.rating_um, POWERS[name])
                for method, limits in bootstraps(sizes, drawn, entry.rating_um, POWERS[name]).items():
                    yield entry.rating_um, f"{name}, {method}", *limits, truth


Intervals = Callable[[Debris, np.random.Generator], Iterator[Interval]]


def coverage(
    debris: Debris, runs: int, method: Intervals = our_intervals
) -> dict[tuple[float, str], tuple[float, float, float]]:
    """Return for each (rating, quantity): part of runs used, part of them covered, mean width."""
    rng = np.random.default_rng(1)
    held: dict[tuple[float, str], list[tuple[bool, float]]] = {}
    for _ in range(runs):
        for rating, name, low, high, truth in method(debris, rng):
            held.setdefault((rating, name), []).append((low <= truth <= high, high - low))
    means = {key: np.mean(np.array(found, dtype=float), axis=0) for key, found in held.items()}
    return {key: (len(held[key]) / runs, float(mean[0]), float(mean[1])) for key, mean in means.items()}


CAMPAIGN = (
    *(Debris(gsd, pieces) for gsd in (1.4, 1.7, 2.0, 2.4) for pieces in (40, 200, 1000)),
    Debris(1.7, 400, scale_rel_u=0.01, size_rel_u_at_limit=0.15),
    Debris(1.7, 3000, scale_rel_u=0.003, size_rel_u_at_limit=0.15),
    Debris(1.7, 3000, scale_rel_u=0.03, size_rel_u_at_limit=0.05),
    Debris(1.6, 3000, size_rel_u_at_limit=0.15, median_um=20.0),  # most debris lies below the limit
)


def main(runs: int) -> None:
    """Print the campaign."""
    for debris in CAMPAIGN:
        print(f"\n{debris}")
        print(f"{'rating':>6}  {'quantity':24}{'truth':>7}{'used':>7}{'covered':>9}{'width':>7}")
        found = coverage(debris, runs) | coverage(debris, runs, bootstrap_intervals)
        for (rating, name), (used, covered, width) in sorted(found.items()):
            truth = debris.true_share(rating, POWERS[name.split(",")[0]])
            print(f"{rating:6.0f}  {name:24}{truth:7.3f}{used:7.2f}{covered:9.3f}{width:7.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
