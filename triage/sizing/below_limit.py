"""What is too small to see: a law of size fitted to what was measured, carried on below the photo's limit.

A model, never a measurement: it holds only if one law rules the debris down to nothing, which no photo can
show. So it is refused wherever the photo itself speaks against it, and no advice rests on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from triage.sizing.distribution import ModelledBelow, Sizes, effective_number
from triage.sizing.exact import poisson_limits
from triage.sizing.laws import Law, fit_p, is_power_law, laws, likelihood_edge
from triage.sizing.passing import COVER, ModelledShare, Passing, Population

Array = NDArray[np.float64]

LEAST_PIECES = 100.0  # effective number; with fewer, a wrong law is seldom told from a right one
LEAST_FIT_P = 0.10
RUNS = 99  # of the bootstrap


@dataclass(frozen=True)
class _Fit:
    """One law's best parameters (2,), the edge (2, M) of their likelihood region, and how well it fits."""

    law: Law
    best: Array
    edge: Array
    p: float
    likelihood: float


@dataclass(frozen=True)
class _Model:
    """Both laws, the one to quote first, fitted to `population`; pieces are seen from `seen_um` up."""

    fits: tuple[_Fit, ...]
    population: Population
    seen_um: float

    def smaller(self, size_um: float) -> tuple[float, float, float]:
        """Share of all pieces smaller than `size_um`, and its 95 % band."""
        reach = COVER * self.population.scale_rel_u
        first, z = self.fits[0], self._z(size_um)
        best = float(first.law.below(first.best, z))
        low = min(self._seen_smaller(fit, z - reach) for fit in self.fits)
        high = max(float(fit.law.below(fit.edge, z + reach).max()) for fit in self.fits)
        return best, min(low, best), max(high, best)

    def count(self) -> tuple[float, float, float]:
        """How many pieces are too small to size, for those that were sized; chance is added by squares.

        The least is no more than what the pieces seen but not sized vouch for.
        """
        total = float(self.population.weight.sum())
        shares = self.smaller(self.population.from_um)
        count, low, high = (total * share / (1 - share) for share in shares)
        chance = poisson_limits(count)
        low = count - float(np.hypot(count - low, count - chance[0]))
        low = max(min(low, poisson_limits(self.population.seen_besides)[0]), 0.0)
        return count, low, count + float(np.hypot(high - count, chance[1] - count))

    def seen_count(self) -> float:
        """Least number of pieces too small to size that must have been seen, chance left out."""
        least = min(self._seen_smaller(fit, 0.0) for fit in self.fits)
        return float(self.population.weight.sum()) * least / (1 - least)

    def _seen_smaller(self, fit: _Fit, z: float) -> float:
        """Least share of pieces smaller than `z`, were there none too small to be seen."""
        unseen = fit.law.below(fit.edge, min(self._z(self.seen_um), 0.0))
        return max(float(((fit.law.below(fit.edge, z) - unseen) / (1 - unseen)).min()), 0.0)

    def _z(self, size_um: float) -> float:
        return float(np.log(size_um / self.population.from_um)) if size_um > 0 else -np.inf


def with_modelled(
    sizes: Sizes, passing: Sequence[Passing], population: Population, seen_um: float
) -> tuple[Sizes, tuple[Passing, ...]]:
    """Add what is modelled below the limit to the sizes and to the shares of ratings below it.

    Log-normal and Rosin-Rammler laws are fitted by maximum likelihood to the passing sizes from
    `population.from_um` up; the likelier of those that fit is quoted. Its band joins the 95 % profile
    likelihoods of both, because other laws lie between them, widened by the scale's uncertainty, and goes
    down to what remains if there is nothing below `seen_um`, from where pieces are seen. Sizes of single
    pieces are taken as sure.
    """
    model = _model(population, seen_um)
    refused = model if isinstance(model, str) else _contradicted(model)
    if isinstance(model, str) or refused:
        return replace(sizes, modelled=ModelledBelow(refused=refused)), tuple(passing)
    quoted, (count, low, high) = model.fits[0], model.count()
    name = quoted.law.name
    rows = tuple(
        row if row.measurable else replace(row, modelled=ModelledShare(*model.smaller(row.rating_um), name))
        for row in passing
    )
    return replace(sizes, modelled=ModelledBelow(name, quoted.p, count, low, high)), rows


def _model(population: Population, seen_um: float) -> _Model | str:
    """Fit both laws, or say why no model is to be used."""
    pieces = effective_number(population.weight)
    if pieces < LEAST_PIECES:
        return f"{len(population.size_um)} sized pieces carry no model; it takes {LEAST_PIECES:.0f}"
    z = np.log(population.size_um / population.from_um)
    weight = population.weight / population.weight.sum()
    hidden = "the most frequent size may be smaller than this photo can size; take a closer photo"
    if is_power_law(z, weight):
        return hidden
    fits = sorted((_fit(law, z, weight, pieces) for law in laws()), key=_goodness)
    fitting = [fit for fit in fits if fit.p >= LEAST_FIT_P]
    if not fitting:
        return "the sizes follow neither a log-normal nor a Rosin-Rammler law"
    quoted = fitting[0]
    if quoted.law.below(quoted.edge, 0.0).max() > quoted.law.below_peak:
        return hidden
    return _Model(tuple(fits), population, seen_um)


def _fit(law: Law, z: Array, weight: Array, pieces: float) -> _Fit:
    best = law.fit(z, weight)
    edge = likelihood_edge(law, best, z, weight, pieces)
    likelihood = float(law.likelihood(best, z, weight))
    return _Fit(law, best, edge, fit_p(law, z, weight, RUNS), likelihood)


def _goodness(fit: _Fit) -> tuple[bool, float]:
    """Order: what fits first, then the likelier."""
    return fit.p < LEAST_FIT_P, -fit.likelihood


def _contradicted(model: _Model) -> str | None:
    """Hold the laws that fit against the pieces seen but not sized: the one part of a model that shows."""
    fitting = replace(model, fits=tuple(fit for fit in model.fits if fit.p >= LEAST_FIT_P))
    seen, (_, _, most), least = model.population.seen_besides, fitting.count(), fitting.seen_count()
    expected = "than the sizes of the others let expect"
    if seen > most:
        return f"{seen} pieces too small or faint to size were seen, more {expected}"
    if poisson_limits(seen)[1] < least:
        return f"{seen} pieces too small to size were seen, fewer {expected}"
    return None
