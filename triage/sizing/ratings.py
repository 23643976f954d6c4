"""What a maker's rating can mean, and the band of passing shares over those meanings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.filters import Filter
from triage.sizing.sieves import SIEVES

Array = NDArray[np.float64]

# US federal specification F-F-351F gives one element two ratings: half stopped at 10 um (beta 2) and
# 98.67 % at 25 um (beta 75). A log-normal stopping curve through both has this spread in ln(size).
CURVE_SPREAD = 0.4134

NOMINAL_LEAST = 0.50  # makers' "nominal" lies anywhere from half to 98 % stopped: no standard defines it
NOMINAL_MOST = 0.98
ABSOLUTE = 1 - 1 / 75  # beta 75, ISO 16889 practice

SCREENS_FROM_UM = 60.0
ONE_IN_A_HUNDRED = 2.326  # standard deviations above the half-stopped size, nominal 50 % meaning

# How much of the pieces at the rating itself an element stops; 1.0 also stands for a clean cut there,
# the older meaning of "absolute": nothing bigger passes, everything smaller does.
STOPPED_AT_RATING = {
    "nominal": (NOMINAL_LEAST, NOMINAL_MOST),
    "absolute": (ABSOLUTE, 1.0),
    "unknown": (NOMINAL_LEAST, ABSOLUTE, 1.0),
}
PAPER_WORDS = {
    "nominal": "a nominal rating: from 50 % to 98 % of pieces of that size are stopped, makers differ",
    "absolute": "an absolute rating: 98.7 % of pieces of that size are stopped (beta 75), "
    "or nothing bigger passes",
    "unknown": "the maker's meaning is not known: from nominal (50 % of pieces of that size stopped) "
    "to absolute (98.7 %, or nothing bigger passes)",
}


@dataclass(frozen=True)
class Band:
    """The share by number over what a maker's rating can mean."""

    low: float | None
    high: float | None
    meaning: str


def rating_band(size_um: Array, weight: Array, entry: Filter, measurable: bool) -> Band:
    """Return the lowest and highest share by number over what the rating of `entry` can mean.

    Sizes and weights have shape (N,). Sampling is not in the band: it moves only the rating.
    """
    if not measurable:
        return Band(None, None, "the rating lies below what this photo can size")
    if entry.element == "screen":
        return screen_band(size_um, weight, entry.rating_um)
    chances = [passing_chance(size_um, entry.rating_um, at) for at in STOPPED_AT_RATING[entry.meaning]]
    return _band(chances, weight, PAPER_WORDS[entry.meaning])


def screen_band(size_um: Array, weight: Array, rating_um: float) -> Band:
    """Share from the tightest average opening to the widest single one that ASTM E11-17 allows."""
    tightest, widest = opening_range(rating_um)
    words = (
        f"woven cloth made to ASTM E11-17: its average opening may be as small as {tightest:.0f} um, "
        f"and a single one as wide as {widest:.0f} um; a thin flake can also slip through cornerwise"
    )
    return _band(
        [(size_um < opening).astype(float) for opening in (tightest, rating_um, widest)], weight, words
    )


def opening_range(rating_um: float) -> tuple[float, float]:
    """Return the least average and the widest single opening, um, of a cloth of this nominal opening.

    Between the sieves of the table their tolerances are interpolated, beyond its ends held in proportion.
    """
    openings = np.array([sieve.opening_um for sieve in SIEVES])[::-1]
    tighter = np.array([sieve.average_tolerance_um for sieve in SIEVES])[::-1] / openings
    wider = np.array([sieve.max_single_um for sieve in SIEVES])[::-1] / openings
    tightest = rating_um * (1 - np.interp(rating_um, openings, tighter))
    return float(tightest), float(rating_um * np.interp(rating_um, openings, wider))


def passing_chance(size_um: Array, rating_um: float, stopped_at_rating: float) -> Array:
    """Chance (N,) that a paper element lets a piece through; a clean cut if it stops all at its rating."""
    from scipy.special import ndtr, ndtri

    if stopped_at_rating >= 1:
        return (size_um < rating_um).astype(float)
    half_stopped = np.log(rating_um) - CURVE_SPREAD * ndtri(stopped_at_rating)
    chance: Array = ndtr((half_stopped - np.log(size_um)) / CURVE_SPREAD)
    return chance


def widest_passing(rating_um: float, element: str | None) -> float:
    """Return the size, um, above which a sound filter of this rating lets at most 1 piece in 100 through.

    Where the element is not known, ratings from 60 um up are taken as screens (common practice, no source).
    """
    if element == "screen" or (element is None and rating_um >= SCREENS_FROM_UM):
        return opening_range(rating_um)[1]
    return float(rating_um * np.exp(CURVE_SPREAD * ONE_IN_A_HUNDRED))


def beta_to_efficiency(beta: float) -> float:
    """Return the part of pieces stopped at a beta ratio (ISO 16889): (beta - 1) / beta."""
    return (beta - 1) / beta


def _band(chances: list[Array], weight: Array, words: str) -> Band:
    if not weight.size:
        return Band(None, None, words)
    shares = [float((chance * weight).sum() / weight.sum()) for chance in chances]
    return Band(min(shares), max(shares), words)
