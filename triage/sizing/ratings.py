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

DUST_POWER = 3.0  # count above a size falls with this power of it, as in coarse test dust: from memory

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
    "unknown": "the maker's meaning is not known: 50 % (nominal) to 98.7 % (absolute) of pieces of that "
    "size stopped, or nothing bigger passes",
}


@dataclass(frozen=True)
class Pieces:
    """What decides whether a piece goes through, columns of shape (N,)."""

    size_um: Array  # passing size: a fibre's width, else the smaller Feret diameter
    length_um: Array  # of a fibre; 0 for everything else


@dataclass(frozen=True)
class Band:
    """The share by number over what a maker's rating can mean."""

    low: float | None
    high: float | None
    meaning: str


def rating_band(pieces: Pieces, weight: Array, entry: Filter, measurable: bool) -> Band:
    """Return the lowest and highest share by number over what the rating of `entry` can mean.

    Weights have shape (N,). Sampling is not in the band: it moves only the rating.
    """
    if not measurable:
        return Band(None, None, "the rating lies below what this photo can size")
    words = _meaning(entry)
    if not weight.size:
        return Band(None, None, words)
    shares = [float((chance * weight).sum() / weight.sum()) for chance in passing_chances(pieces, entry)]
    return Band(min(shares), max(shares), words)


def passing_chances(pieces: Pieces, entry: Filter) -> Array:
    """Chance that each piece goes through, shape (M, N): a row for each meaning that the rating can have."""
    if entry.element == "screen":
        return screen_chances(pieces, entry.rating_um)
    ends = (entry.rating_um, entry.finest_um or entry.rating_um)
    return np.array(
        [
            passing_chance(pieces.size_um, rating, stopped)
            for rating in dict.fromkeys(ends)
            for stopped in stopped_at_rating(entry)
        ]
    )


def screen_chances(pieces: Pieces, rating_um: float) -> Array:
    """Chances (3, N) for a woven screen: at its least, as rated, and at its most.

    At its least: the tightest average opening of ASTM E11-17, and each fibre meets it once, lying anyhow.
    As rated: a clean cut at the opening by width, fibres always end-on. At its most: the widest single
    opening allowed; a flake, whose thickness a photo does not see, goes cornerwise (`cornerwise_um`).
    """
    tightest, widest = opening_range(rating_um)
    size, fibre = pieces.size_um, pieces.length_um > 0
    once = np.where(fibre, end_on_chance(size, pieces.length_um, tightest), size < tightest)
    most = np.where(fibre, size < widest, size < max(widest, cornerwise_um(rating_um, 0.0)))
    return np.array([once, size < rating_um, most], dtype=float)


def cornerwise_um(opening_um: float, thickness: float) -> float:
    """Width of the widest flake that goes through a square opening, um; `thickness` as a part of its width.

    A rectangle w by t set diagonally spans (w + t) / sqrt 2 each way: thin ones pass up to 1.41 openings
    wide, from t = 0.41 w up the straight way is the better one.
    """
    return float(opening_um * max(1.0, np.sqrt(2.0) / (1 + thickness)))


def end_on_chance(width_um: Array, length_um: Array, opening_um: float) -> Array:
    """Chance (N,) that a straight stiff fibre, lying anyhow when it meets an opening, falls through at once.

    Tilted by an angle a from end-on it spans length sin a + width (bound); directions are alike, so the
    chance is 1 - cos a at the angle that just fits. Flow and shaking give it many more tries.
    """
    room = np.maximum(opening_um - width_um, 0.0)
    sine = np.minimum(room / np.maximum(length_um, 1e-9), 1.0)
    chance: Array = 1 - np.sqrt(1 - sine**2)
    return chance


def stopped_at_rating(entry: Filter) -> tuple[float, ...]:
    """How much of the pieces at the rating itself an element may stop, over the meanings of its rating.

    A beta ratio counts all pieces of its size and above (ISO 16889), so of those at that size it stops less:
    down to where the mean over a dust whose count falls with the third power of size is what beta says.
    """
    if entry.beta is None:
        return STOPPED_AT_RATING[entry.meaning]
    efficiency = beta_to_efficiency(entry.beta)
    return (at_size_from_cumulative(efficiency), efficiency)


def at_size_from_cumulative(efficiency: float) -> float:
    """Stopped at a size, where this much is stopped of all pieces of that size and above, on this curve."""
    from scipy.special import ndtr, ndtri

    above = (np.arange(400) + 0.5) / 400  # equal parts of a count that falls with size cubed
    sigmas = -np.log(above) / DUST_POWER / CURVE_SPREAD
    low, high = float(ndtri(efficiency)) - 3.0, float(ndtri(efficiency))
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if ndtr(middle + sigmas).mean() < efficiency else (low, middle)
    return float(ndtr(high))


def _meaning(entry: Filter) -> str:
    if entry.element == "screen":
        tightest, widest = opening_range(entry.rating_um)
        return (
            f"woven cloth (ASTM E11-17): average opening from {tightest:.0f} um, single ones to "
            f"{widest:.0f} um; flakes pass cornerwise to {cornerwise_um(entry.rating_um, 0.0):.0f} um, "
            "fibres end-on"
        )
    if entry.beta is not None:
        percent = 100 * beta_to_efficiency(entry.beta)
        return (
            f"a stated beta ratio of {entry.beta:g} (ISO 16889): {percent:.4g} % of pieces of that size "
            "and above are stopped"
        )
    return PAPER_WORDS[entry.meaning]


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
        return max(opening_range(rating_um)[1], cornerwise_um(rating_um, 0.0))
    return float(rating_um * np.exp(CURVE_SPREAD * ONE_IN_A_HUNDRED))


def beta_to_efficiency(beta: float) -> float:
    """Return the part of pieces stopped at a beta ratio (ISO 16889): (beta - 1) / beta."""
    return (beta - 1) / beta
