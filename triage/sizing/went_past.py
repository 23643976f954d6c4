"""What went past an installed filter, modelled from what it held.

A piece that is stopped with chance E stands for (1 - E) / E pieces of its size that were not. That is
summed over the pieces held, for every curve that the rating can mean; it is a model, never a measurement.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from triage.debris.particles import ParticleTable
from triage.filters import Filter
from triage.sizing.distribution import effective_number
from triage.sizing.exact import poisson_limits, weighted_limits
from triage.sizing.passing import COVER, FEW_PIECES, Population, crossing_variance, select
from triage.sizing.ratings import (
    CURVE_SPREAD,
    SCREENS_FROM_UM,
    cornerwise_um,
    opening_range,
    stopped_at_rating,
)

Array = NDArray[np.float64]

SPREAD_FACTOR = 1.5  # a curve may be this much steeper or flatter than CURVE_SPREAD: judgement, no source
CLEAN_CUT = 1 - 1 / 1000  # "nothing bigger passes" taken as beta 1000: a real element has a curve
OPENING_SIGMAS = 2.8  # the widest single opening stands this many standard deviations out (ISO 3310-1:2016)
FLAKE = 0.2  # thickness over width of pieces that slip through a mesh cornerwise; judgement, no source
LEAST_STOPPED = 0.2  # below this chance one piece held would stand for more than four that went past
ALL_STOPPED = 0.01  # a chance of passing below this leaves nothing to estimate
FEW_DECIDE = 8.0  # effective number of the pieces held, each weighed by what it stands for
BAND = np.sqrt(2.0)
MOST_BANDS = 6
MEANINGS = 5  # steps over what a rating can mean


@dataclass(frozen=True)
class Curve:
    """One meaning of a rating: the share of pieces stopped rises with size as a log-normal curve."""

    half_um: float  # size at which half are stopped
    spread: float  # in ln(size)

    def stopped(self, size_um: Array) -> Array:
        """Chance (N,) that a piece of passing size `size_um` (N,) is stopped."""
        from scipy.special import ndtr

        chance: Array = ndtr(np.log(size_um / self.half_um) / self.spread)
        return chance

    def size_stopped(self, chance: float) -> float:
        """Size, um, at which a piece is stopped with this chance."""
        from scipy.special import ndtri

        return float(self.half_um * np.exp(self.spread * ndtri(chance)))

    def past_per_held(self, size_um: Array) -> Array:
        """How many pieces of that size went past for each one held, (N,)."""
        chance = self.stopped(size_um)
        return (1 - chance) / chance


@dataclass(frozen=True)
class PastBand:
    """Pieces of one size band: counted on the filter, and modelled to have gone past it."""

    from_um: float
    to_um: float | None  # None: no upper end
    held: int
    past: float
    low: float
    high: float


@dataclass(frozen=True)
class WentPast:
    """What went past the installed filter, of pieces of at least `from_um`; all None where `refused`.

    `low` and `high` are 95 % limits of the number that went past while the filter was in use, whichever
    of its meanings the rating has. Modelled, not measured.
    """

    installed_um: float
    element: str
    meaning: str
    from_um: float
    held: int
    past: float | None = None
    low: float | None = None
    high: float | None = None
    bands: tuple[PastBand, ...] = ()
    refused: str | None = None


def installed_filter(installed_um: float, element: str | None, shelf: Sequence[Filter]) -> Filter:
    """Return the installed filter: as on the shop's list, else what its rating usually means.

    Where nobody said which element it is, ratings from 60 um up are taken as screens (common practice,
    no source).
    """
    element = element or ("screen" if installed_um >= SCREENS_FROM_UM else "paper")
    for entry in shelf:
        if entry.element == element and abs(entry.rating_um / installed_um - 1) < 0.01:
            return entry
    return Filter(installed_um, element, "opening" if element == "screen" else "unknown")


def curves(entry: Filter) -> tuple[Curve, ...]:
    """Return the curves that a rating can mean, the middle one in the middle."""
    from scipy.special import ndtri

    if entry.element == "screen":
        tightest, widest = opening_range(entry.rating_um)
        spreads = (widest / entry.rating_um - 1) / OPENING_SIGMAS * np.array([0.5, 0.75, 1.0])
        loosest = cornerwise_um(2 * entry.rating_um - tightest, FLAKE)
        halves = np.linspace(tightest, loosest, MEANINGS)
        return tuple(Curve(float(half), float(spread)) for half in halves for spread in spreads)
    at_rating = [min(chance, CLEAN_CUT) for chance in stopped_at_rating(entry)]
    sigmas = np.linspace(ndtri(min(at_rating)), ndtri(max(at_rating)), MEANINGS)
    spreads = CURVE_SPREAD * np.array([1 / SPREAD_FACTOR, 1.0, SPREAD_FACTOR])
    return tuple(
        Curve(float(entry.rating_um * np.exp(-spread * above)), float(spread))
        for above in sigmas
        for spread in spreads
    )


def went_past(
    table: ParticleTable,
    installed: Filter,
    from_um: float,
    um_per_px_rel_u: float,
    fraction: float = 1.0,
) -> WentPast:
    """Estimate how many pieces went past the filter whose held debris is in `table`.

    `fraction` is the part of what it held that was photographed. Pieces are taken by passing size. The
    estimate starts at `from_um`, or above it where the filter stops less than a fifth of the pieces in one
    of the meanings of its rating. The limits join random sampling of what was held (Fay and Feuer), the
    chance number of what passed, and the uncertainty of the sizes, by squares, under each meaning; the
    widest over all meanings are given. Assumed: everything that was held got onto the card, a sound
    element with no way round it, and a curve that stayed the same as it clogged.
    """
    possible = curves(installed)
    start = max(from_um, *(curve.size_stopped(LEAST_STOPPED) for curve in possible))
    population = select(table, start, um_per_px_rel_u)
    answer = WentPast(
        installed_um=installed.rating_um,
        element=installed.element,
        meaning=installed.meaning,
        from_um=start,
        held=len(population.size_um),
    )
    refused = _refusal(population, possible, installed)
    if refused:
        return replace(answer, refused=refused)
    whole = _band(population, possible, fraction, (start, np.inf))
    edges = _edges(population, possible)
    bands = tuple(_band(population, possible, fraction, edge) for edge in pairwise(edges))
    return replace(answer, past=whole.past, low=whole.low, high=whole.high, bands=bands)


def _refusal(population: Population, possible: tuple[Curve, ...], installed: Filter) -> str | None:
    """Return why nothing can be said of what went past, or None."""
    held, start = len(population.size_um), population.from_um
    name = f"{installed.rating_um:g} um {'screen' if installed.element == 'screen' else 'paper element'}"
    flattest = max(possible, key=lambda curve: curve.past_per_held(np.array([start]))[0])
    if 1 - flattest.stopped(np.array([start]))[0] < ALL_STOPPED:
        return (
            f"a sound {name} stops over 99 % of all pieces from {start:.0f} um up, where this photo begins "
            "to size them; what went past it is smaller. Take a closer photo to see those"
        )
    if held < FEW_PIECES:
        return (
            f"only {held} pieces of at least {start:.0f} um were held; it takes {FEW_PIECES:.0f}, and "
            f"of smaller ones a {name} may let through nearly all"
        )
    stand_for = population.weight * flattest.past_per_held(population.size_um)
    if effective_number(stand_for) < FEW_DECIDE:
        return f"few pieces near {start:.0f} um decide it; collect more of the debris that was held"
    return None


def _edges(population: Population, possible: tuple[Curve, ...]) -> list[float]:
    """Edges of the size bands: by the root of two, up to where no meaning lets one in a hundred pass."""
    last = min(
        max(curve.size_stopped(1 - ALL_STOPPED) for curve in possible), float(population.size_um.max())
    )
    count = int(np.clip(np.ceil(np.log(last / population.from_um) / np.log(BAND)), 1, MOST_BANDS))
    return [*(float(population.from_um * BAND**step) for step in range(count)), np.inf]


def _band(
    population: Population, possible: tuple[Curve, ...], fraction: float, edges: tuple[float, float]
) -> PastBand:
    """Estimate one size band: the middle meaning's number, the widest limits over all meanings."""
    inside = (population.size_um >= edges[0]) & (population.size_um < edges[1])
    part = replace(
        population,
        size_um=population.size_um[inside],
        size_rel_u=population.size_rel_u[inside],
        weight=population.weight[inside],
    )
    rows = [_under(part, curve, fraction, edges) for curve in possible]
    return PastBand(
        from_um=edges[0],
        to_um=edges[1] if np.isfinite(edges[1]) else None,
        held=len(part.size_um),
        past=rows[len(rows) // 2].past,
        low=float(np.floor(min(row.low for row in rows))),
        high=float(np.ceil(max(row.high for row in rows))),
    )


@dataclass(frozen=True)
class _Estimate:
    low: float
    past: float
    high: float


def _under(population: Population, curve: Curve, fraction: float, edges: tuple[float, float]) -> _Estimate:
    """Estimate what went past under one meaning of the rating; all of `population` lies in the band."""
    share = population.weight / fraction
    each = share * curve.past_per_held(population.size_um)
    past = float(each.sum())
    at_edge = float(curve.past_per_held(np.array([edges[0]]))[0]) / fraction
    sampling = weighted_limits(each, at_edge)
    chance = poisson_limits(past)
    down, up = _sizing_reach(population, curve, share, edges)
    low = past - float(np.sqrt((past - sampling[0]) ** 2 + (past - chance[0]) ** 2 + down**2))
    high = past + float(np.sqrt((sampling[1] - past) ** 2 + (chance[1] - past) ** 2 + up**2))
    return _Estimate(max(low, 0.0), past, high)


def _sizing_reach(
    population: Population, curve: Curve, share: Array, edges: tuple[float, float]
) -> tuple[float, float]:
    """How far, at 95 %, the uncertainty of the sizes can move an estimate down and up.

    The scale moves all sizes on the curve and over the edges together; each piece alone moves on the
    curve, by which it stands on average for too many, and over the edges (as many come as leave).
    """
    size, own = population.size_um, population.size_rel_u
    per_held = curve.past_per_held(size)
    stretch = float(np.exp(COVER * population.scale_rel_u))
    fewer, more = (
        float((share * (curve.past_per_held(size * factor) - per_held)).sum())
        for factor in (stretch, 1 / stretch)
    )
    up_alone, down_alone = (curve.past_per_held(size * np.exp(step)) for step in (own, -own))
    bias = float((share * ((up_alone + down_alone) / 2 - per_held)).sum())
    alone = np.square(share * (up_alone - down_alone) / 2)
    over_edges = 0.0
    for edge in edges:
        if np.isfinite(edge):
            alone += 2 * np.square(share * per_held) * crossing_variance(population, edge)
            near = np.abs(np.log(size / edge)) < COVER * population.scale_rel_u
            over_edges += float((share * per_held)[near].sum()) ** 2
    common = COVER**2 * float(alone.sum()) + over_edges
    return float(np.sqrt(fewer**2 + common + bias**2)), float(np.sqrt(more**2 + common))
