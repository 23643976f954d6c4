"""Passing shares: what part of the debris each filter rating would let through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.particles import ParticleTable
from triage.filters import Filter
from triage.sizing.distribution import effective_number, volumes_um3
from triage.sizing.exact import binomial_limits
from triage.sizing.ratings import Band, Pieces, rating_band

Array = NDArray[np.float64]

FEW_PIECES = 20.0  # below this effective number a share of area or volume gets no interval
UNSEEN_BIG_PIECES = 2  # see amount_share
COVER = 2.0  # standard uncertainties taken as 95 %


@dataclass(frozen=True)
class Share:
    """A share 0..1 with its 95 % interval; None where it cannot be stated."""

    share: float | None
    low: float | None
    high: float | None
    few_pieces_decide: bool = False


@dataclass(frozen=True)
class ModelledShare:
    """A modelled share 0..1 of ALL pieces, the unseen ones included, with its 95 % band; never measured.

    See `triage.sizing.below_limit`.
    """

    share: float
    low: float
    high: float
    law: str


@dataclass(frozen=True)
class Passing:
    """What one filter rating stops and lets through, of the particles of at least `from_um`.

    Where it is not measurable, all of these are stopped; how many smaller ones go through is unknown (None).
    """

    rating_um: float
    element: str  # screen | paper
    measurable: bool
    from_um: float
    stopped_count: int
    through_count: int | None
    by_count: Share
    by_area: Share
    by_volume: Share
    band: Band
    finest_um: float | None = None  # fine end of a rating given as a range; rating_um is its coarse end
    modelled: ModelledShare | None = None  # only where it is not measurable, and a law fits


@dataclass(frozen=True)
class Population:
    """The particles a share is over: passing size at least `from_um`; columns of shape (N,)."""

    from_um: float
    size_um: Array
    size_rel_u: Array  # relative standard uncertainty of each size, scale left out
    weight: Array
    area: Array  # um2, times weight
    volume: Array  # um3, times weight
    seen_besides: int  # pieces seen that are not in it: unsized, or narrower than from_um
    scale_rel_u: float  # moves every size together
    fibre_length_um: Array  # 0 for everything else


def passing_shares(
    table: ParticleTable, filters: Sequence[Filter], from_um: float, um_per_px_rel_u: float
) -> tuple[Passing, ...]:
    """Return, for each filter in the order given, what it would stop and let through.

    A share is over the particles of `passing_size_um` at least `from_um`; one passes when its passing
    size is below the rating. Fibres narrower than the photo can measure have no passing size: they
    are narrower than `from_um`, so they are not in the share.

    The 95 % intervals are for the share of the debris this sample was drawn from, not only of the
    pieces photographed. They join, by squaring and adding their reaches either way, the limits of
    random sampling with what the uncertainty of the sizes can do: the scale error that moves all sizes
    together, and each piece's own, by which it may lie on the other side of the rating.
    """
    population = select(table, from_um, um_per_px_rel_u)
    return tuple(_passing(population, entry) for entry in filters)


def select(table: ParticleTable, from_um: float, scale_rel_u: float) -> Population:
    """Take the particles a share is over; those cut by the window edge (weight 0) stand outside."""
    seen = table[table["weight"] > 0]
    inside = ~seen["below_sizing_limit"] & (seen["passing_size_um"] >= from_um)  # NaN is never inside
    rows = seen[inside]
    rel_u = rows["ecd_u_um"] / rows["ecd_um"]
    return Population(
        from_um=from_um,
        size_um=rows["passing_size_um"],
        size_rel_u=np.sqrt(np.maximum(rel_u**2 - scale_rel_u**2, 1e-12)),
        weight=rows["weight"],
        area=rows["weight"] * rows["area_um2"],
        volume=rows["weight"] * volumes_um3(rows),
        seen_besides=len(seen) - len(rows),
        scale_rel_u=scale_rel_u,
        fibre_length_um=np.where(rows["kind"] == "fibre", np.nan_to_num(rows["length_um"]), 0.0),
    )


def _passing(population: Population, entry: Filter) -> Passing:
    measurable = entry.rating_um >= population.from_um
    through = int(np.count_nonzero(population.size_um < entry.rating_um))
    if measurable:
        shares = (
            count_share(population, entry.rating_um),
            amount_share(population, population.area, entry.rating_um, power=2),
            amount_share(population, population.volume, entry.rating_um, power=3),
        )
    else:
        shares = (unmeasured_share(population), Share(None, 0.0, 1.0), Share(None, 0.0, 1.0))
    pieces = Pieces(population.size_um, population.fibre_length_um)
    return Passing(
        rating_um=entry.rating_um,
        element=entry.element,
        measurable=measurable,
        from_um=population.from_um,
        stopped_count=len(population.size_um) - through,
        through_count=through if measurable else None,
        by_count=shares[0],
        by_area=shares[1],
        by_volume=shares[2],
        band=rating_band(pieces, population.weight, entry, measurable),
        finest_um=entry.finest_um,
    )


def unmeasured_share(population: Population) -> Share:
    """Bound the share by number a rating below `from_um` lets through of every piece seen.

    It stops all pieces of the population; of the others seen, it may stop none or all. What is too
    small to be seen at all is not bounded by this.
    """
    stopped = len(population.size_um)
    if stopped + population.seen_besides == 0:
        return Share(None, 0.0, 1.0)
    _, high = binomial_limits(population.seen_besides, stopped + population.seen_besides)
    return Share(None, 0.0, high)


def count_share(population: Population, rating_um: float) -> Share:
    """Return the share by number: exact binomial limits, widened by the uncertainty of the sizes."""
    weight = population.weight
    if not weight.size:
        return Share(None, 0.0, 1.0)
    share = _share(weight, population.size_um < rating_um)
    pieces = effective_number(weight)
    return _widened(population, weight, rating_um, share, binomial_limits(share * pieces, pieces))


def amount_share(population: Population, amount: Array, rating_um: float, power: int) -> Share:
    """Return the share of an amount (N,) that goes with the `power` of size: 2 area, 3 volume.

    Binomial limits at the effective number, share (1 - share) over the linearised variance of the
    weighted share (Korn and Graubard 1998). The biggest pieces of the debris have most likely not been
    photographed, so for the lower limit two more pieces like the biggest are taken as stopped. Where at
    least half of simulated samples are given an interval it covers 91 to 99 %, 97 on average; a bootstrap,
    also bias-corrected, 80 on average (tests/benchmarks/interval_coverage.py).
    """
    if not amount.size:
        return Share(None, None, None, few_pieces_decide=True)
    passes = population.size_um < rating_um
    share = _share(amount, passes)
    if effective_number(amount) < FEW_PIECES:
        return Share(share, None, None, few_pieces_decide=True)
    biggest = int(np.argmax(amount))
    unseen = amount[biggest] * max(1.0, rating_um / population.size_um[biggest]) ** power
    more = np.append(amount, np.full(UNSEEN_BIG_PIECES, unseen))
    low, _ = _linearised_limits(more, np.append(passes, np.zeros(UNSEEN_BIG_PIECES, dtype=bool)))
    _, high = _linearised_limits(amount, passes)
    return _widened(population, amount, rating_um, share, (min(low, share), high))


def _share(amount: Array, passes: NDArray[np.bool_]) -> float:
    return float(amount[passes].sum() / amount.sum())


def _linearised_limits(amount: Array, passes: NDArray[np.bool_]) -> tuple[float, float]:
    share = _share(amount, passes)
    pieces = effective_number(amount)
    variance = float(np.square(amount * (passes - share)).sum() / amount.sum() ** 2)
    if variance > 0:
        pieces = share * (1 - share) / variance
    return binomial_limits(share * pieces, pieces)


def _widened(
    population: Population, amount: Array, rating_um: float, share: float, limits: tuple[float, float]
) -> Share:
    down, up = sizing_reach(population, amount, rating_um)
    low = share - float(np.hypot(share - limits[0], down))
    high = share + float(np.hypot(limits[1] - share, up))
    return Share(share, max(low, 0.0), min(high, 1.0))


def sizing_reach(population: Population, amount: Array, rating_um: float) -> tuple[float, float]:
    """How far, at 95 %, the uncertainty of the sizes can move a share of `amount` (N,) down and up.

    Parts, squared and added: the scale moves every piece past the rating together, and past `from_um`
    (seen only upwards, taken the same downwards); each piece alone may lie on the other side of the
    rating, or of `from_um` (twice the variance seen: as many again lie just below it, unsized).
    """
    size, total = population.size_um, amount.sum()
    passes = size < rating_um
    share = _share(amount, passes)
    stretch = np.exp(COVER * population.scale_rel_u)
    at_rating = [_share(amount, size < rating_um * factor) - share for factor in (1 / stretch, stretch)]
    kept = size >= population.from_um * stretch
    at_from = abs(_share(amount[kept], passes[kept]) - share) if amount[kept].any() else 1.0
    crossing = crossing_variance(population, rating_um)
    leaving = 2 * crossing_variance(population, population.from_um) * np.square(passes - share)
    alone = COVER * float(np.sqrt((np.square(amount) * (crossing + leaving)).sum()) / total)
    down, up = (float(np.sqrt(reach**2 + at_from**2 + alone**2)) for reach in at_rating)
    return down, up


def crossing_variance(population: Population, edge_um: float) -> Array:
    """Variance (N,) of whether each piece truly lies on the side of `edge_um` where it was measured."""
    from scipy.special import ndtr

    apart = np.abs(np.log(population.size_um / edge_um)) / population.size_rel_u
    other_side: Array = ndtr(-apart)
    return other_side * (1 - other_side)
