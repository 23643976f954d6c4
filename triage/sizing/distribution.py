"""Size distribution: percentiles and mean diameters by number, projected area and estimated volume."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.particles import ParticleTable
from triage.sizing.exact import poisson_limits

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Percentiles:
    """Sizes below which 10, 50 and 90 % of the amount lies; None with too few pieces."""

    d10_um: float | None
    d50_um: float | None
    d90_um: float | None


@dataclass(frozen=True)
class ModelledBelow:
    """How many pieces pass openings under `from_um`, modelled, with its 95 % band; or why it is refused.

    `fit_p` is the chance that a sample of the law fits as badly. See `triage.sizing.below_limit`.
    """

    law: str | None = None
    fit_p: float | None = None
    count: float | None = None
    low: float | None = None
    high: float | None = None
    refused: str | None = None


@dataclass(frozen=True)
class Sizes:
    """How many particles of which sizes, over those of at least `from_um`."""

    count: int
    seen_unsized: int
    from_um: float
    by_count: Percentiles
    by_area: Percentiles
    by_volume: Percentiles
    count_low: float = 0.0  # 95 % limits of the count in repeated samples like this one,
    count_high: float = float("inf")  # random sampling alone (Poisson, two-sided)
    modelled: ModelledBelow | None = None  # what is too small to see; None where no photo could be measured


def size_distribution(table: ParticleTable, from_um: float) -> Sizes:
    """Describe the sized particles of at least `from_um`, by equivalent circular diameter.

    Particles cut by the window edge carry weight 0 and are left out; those that lie wholly inside
    stand for `weight` particles each, because big ones are cut more often (Miles-Lantuejoul).
    """
    counted = table[table["weight"] > 0]
    sized = counted[~counted["below_sizing_limit"] & (counted["ecd_um"] >= from_um)]
    ecd, weight = sized["ecd_um"], sized["weight"]
    low, high = poisson_limits(len(sized))
    return Sizes(
        count=len(sized),
        seen_unsized=int(np.count_nonzero(counted["below_sizing_limit"])),
        from_um=from_um,
        by_count=percentiles(ecd, weight),
        by_area=percentiles(ecd, weight * sized["area_um2"]),
        by_volume=percentiles(ecd, weight * volumes_um3(sized)),
        count_low=low,
        count_high=high,
    )


def volumes_um3(table: ParticleTable) -> Array:
    """Estimate each particle's volume in um3, shape (N,), from its outline alone.

    Model: a grain is a sphere of its equivalent circular diameter, pi/6 ecd^3; a fibre is a round
    thread, pi/4 width^2 length. Thickness is not seen in a photo: flakes hold less than this.
    A fibre thinner than the photo can measure is taken at its area over its length.
    """
    grain = np.pi / 6 * table["ecd_um"] ** 3
    length = np.where(table["length_um"] > 0, table["length_um"], np.inf)
    measured = np.isfinite(table["width_um"]) & (table["width_um"] > 0)
    width = np.where(measured, table["width_um"], table["area_um2"] / length)
    thread = np.pi / 4 * width**2 * table["length_um"]
    volume: Array = np.where(table["kind"] == "fibre", thread, grain)
    return volume


def effective_number(amount: Array) -> float:
    """How many equal pieces would decide a total as this amount (N,) does: (sum a)^2 / sum a^2."""
    return float(amount.sum() ** 2 / np.square(amount).sum()) if amount.any() else 0.0


def percentiles(size_um: Array, amount: Array) -> Percentiles:
    """Return d10, d50 and d90 of `size_um` (N,) weighted by `amount` (N,).

    One is given only where at least one piece's worth of the effective number lies beyond it on
    either side: d50 from 2 pieces, d10 and d90 from 10.
    """
    effective = effective_number(amount)
    d10, d50, d90 = (
        quantile(size_um, amount, part) if effective * min(part, 1 - part) >= 1 - 1e-9 else None
        for part in (0.1, 0.5, 0.9)
    )
    return Percentiles(d10, d50, d90)


def quantile(size_um: Array, amount: Array, part: float) -> float:
    """Return the size below which `part` (0..1) of the amount (N,) of pieces of `size_um` (N,) lies.

    Half of a piece is below its own size.
    """
    order = np.argsort(size_um)
    amount = amount[order]
    below = (np.cumsum(amount) - amount / 2) / amount.sum()
    return float(np.interp(part, below, size_um[order]))


def moment_mean(size_um: Array, p: float, q: float, weight: Array | None = None) -> float:
    """Return the moment-ratio mean D[p,q] of ISO 9276-2 of sizes (N,), e.g. D[1,0], D[3,2], D[4,3].

    (sum n d^p / sum n d^q)^(1/(p-q)); its limit, the d^p-weighted geometric mean, where p equals q.
    """
    number = np.ones_like(size_um) if weight is None else weight
    upper = number * size_um**p
    if p == q:
        return float(np.exp((upper * np.log(size_um)).sum() / upper.sum()))
    return float((upper.sum() / (number * size_um**q).sum()) ** (1 / (p - q)))
