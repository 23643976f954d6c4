"""Scale from a steel rule or graph paper in the picture, found by the even spacing of its marks.

The unit is read from the pattern of longer or heavier marks: every fifth and tenth means millimetres, halves
of halves mean fractions of an inch. Even spacing without such a pattern (bricks, mesh, cloth) is no rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.errors import CalibrationError
from calibration.rule_marks import (
    BAND,
    FEWEST_MARKS,
    SAMPLES,
    Comb,
    Doubles,
    Grey,
    Place,
    Strip,
    axes,
    cut_pieces,
    followed,
    levels_of,
    phase_terms,
    places_with_marks,
    sharpened,
    slip_of,
    straightened,
    strengths_of,
)

DIVISIONS_UM = {
    "mm": 1000.0,
    "1/2 mm": 500.0,
    "1/16 in": 25400 / 16,
    "1/32 in": 25400 / 32,
    "1/64 in": 25400 / 64,
}

# Every how many divisions the marks grow longer or heavier.
_RANKS = {
    "mm": (5, 10),
    "1/2 mm": (2, 10, 20),
    "1/16 in": (2, 4, 8, 16),
    "1/32 in": (2, 4, 8, 16, 32),
    "1/64 in": (2, 4, 8, 16, 32, 64),
}

_FEWEST_READ = 12  # marks below which no pattern of longer ones is trusted
_EXACT = 0.001  # relative: good enough to look no further
_CLEAR = 12.0  # nats of evidence that a rank of marks is there
_UNSEEN_TILT_U = 0.0025  # tilt across the rule up to 5 degrees shortens by 0.4 %: uniform
_PARALLAX_U = 0.003  # the rule's face up to 1 mm off the debris, from 100 mm away: uniform
_PLACES = 12  # tried, best first


class RuleNotFound(CalibrationError):  # noqa: N818 - reads as the sentence it stands for
    """No rule or graph paper can be read in the picture."""


@dataclass(frozen=True)
class RuleScale:
    """Scale read from a rule.

    Attributes
    ----------
    um_per_px : at `centre_px`, across the marks.
    rel_u : relative standard uncertainty, with the tilt and parallax that one rule cannot show.
    fit_rel_u : the part of it that the places of the marks show.
    angle_deg : direction in which the marks follow each other; x right, y down, -90 < angle <= 90.
    unit : the division, a key of DIVISIONS_UM.
    unit_sure : False where the longest marks seen were taken for whole inches.
    marks : divisions spanned.
    centre_px : (x, y), middle of the marks used.
    unevenness : relative range of the scale along the rule (tilt, lens, bent paper).
    """

    um_per_px: float
    rel_u: float
    fit_rel_u: float
    angle_deg: float
    unit: str
    unit_sure: bool
    marks: int
    centre_px: tuple[float, float]
    unevenness: float


def _true_step(strengths: Doubles) -> int:
    """Every how many spacings there is a mark in any band: above 1 the comb is a multiple of the rule's."""
    for step in (2, 3, 5):
        for start in range(step):
            chosen = np.arange(strengths.shape[1]) % step == start
            rest = np.median(strengths[:, ~chosen], axis=1).max()
            if (
                chosen.sum() >= FEWEST_MARKS // 2
                and rest < 0.2 * np.median(strengths[:, chosen], axis=1).max()
            ):
                return step
    return 1


def _gains(strengths: Doubles, step: int) -> Doubles:
    """Evidence (step, bands), in nats, that every step-th mark counted from each start stands out more."""
    marks = strengths.shape[1]
    members = (np.arange(marks)[:, None] - np.arange(step)) % step == 0
    counts = members.sum(axis=0)
    centred = strengths - strengths.mean(axis=1, keepdims=True)
    total = (centred**2).sum(axis=1, keepdims=True) + 1e-9
    sums = centred @ members
    usable = (counts >= 2) & (counts <= marks - 2) & (sums > 0)
    explained = sums**2 * marks / np.maximum(counts * (marks - counts), 1) / total
    gains = -0.5 * marks * np.log1p(-np.clip(explained, 0, 1 - 1e-9)) - 0.5 * np.log(marks)
    return np.where(usable, gains, -np.inf).T


def _evidence(strengths: Doubles, unit: str) -> tuple[Doubles, int]:
    """Evidence (ranks,) for each of the unit's ranks, and the mark to count from that fits best.

    In one band a mark is there or not, or heavier or not, so a band speaks for the one rank that splits its
    marks best.
    """
    low, high = np.percentile(strengths, [2, 98], axis=1, keepdims=True)
    clipped = np.clip(strengths, low, high)
    ranks = _RANKS[unit]
    gains = [_gains(clipped, rank) for rank in ranks]
    found = []
    for start in range(ranks[-1]):
        each = np.stack([gain[start % rank] for gain, rank in zip(gains, ranks, strict=True)])
        won = np.maximum(each.max(axis=0), 0)
        winner = each.argmax(axis=0)
        found.append(np.array([won[winner == rank].sum() for rank in range(len(ranks))]))
    best = int(np.argmax([evidence.sum() for evidence in found]))
    return found[best], best


@dataclass(frozen=True)
class _Reading:
    """What the marks of one comb say."""

    unit: str | None  # None: no pattern that names the unit
    sure: bool
    evidence: float


def _is_clear(unit: str, evidence: Doubles, strengths: Doubles, start: int) -> bool:
    """Whether the ranks that make the unit are seen, counting from mark `start`."""
    if unit == "mm":
        return bool(evidence[0] > _CLEAR)
    if unit == "1/2 mm":
        return bool(evidence[0] > _CLEAR and evidence[1:].sum() > _CLEAR)
    if evidence[-1] < _CLEAR or (evidence[:-1] > _CLEAR / 2).sum() < 2:
        return False
    inch = _RANKS[unit][-1]
    inches = _lengths(strengths[:, start::inch])
    if unit == "1/64 in":  # no rule has finer fractions, so inches longer than half inches settle it
        halves = _lengths(strengths[:, (start + inch // 2) % inch :: inch])
        return min(len(inches), len(halves)) >= 2 and bool(inches.min() > 1.08 * halves.max())
    # Else the longest marks are taken for whole inches, but not where some are longer: those might be.
    return len(inches) >= 4 and bool(np.ptp(inches) <= 0.06 * inches.max() + 1)


def _lengths(strengths: Doubles) -> NDArray[np.int_]:
    """Bands over which each mark (column) stands out."""
    return np.asarray((strengths > 0.5 * np.percentile(strengths, 90)).sum(axis=0))


def _read(strengths: Doubles) -> _Reading:
    """Unit of a comb from which marks stand out more."""
    best = _Reading(None, False, 0.0)
    if strengths.shape[1] < _FEWEST_READ:
        return best
    for unit, ranks in _RANKS.items():
        evidence, start = _evidence(strengths, unit)
        total = float(evidence.sum()) - np.log(ranks[-1])
        if total > best.evidence:
            clear = _is_clear(unit, evidence, strengths, start)
            best = _Reading(unit if clear else None, clear and unit not in ("1/16 in", "1/32 in"), total)
    return best


@dataclass(frozen=True)
class _Found:
    strip: Strip
    comb: Comb
    reading: _Reading
    slip: float  # relative correction of the comb's spacing
    exactness: float  # relative uncertainty of the spacing


def _combed(levels: list[Grey], place: Place) -> _Found | None:
    """The comb through a place and what it says."""
    strip = straightened(levels, place)
    comb = followed(strip)
    if comb is None or comb.marks < FEWEST_MARKS:
        return None
    pieces = cut_pieces(strip, comb)
    strengths = strengths_of(pieces)
    step = _true_step(strengths)
    if step == 1:
        return _Found(strip, comb, _read(strengths), *slip_of(pieces))
    slower = sharpened(levels, Place(place.centre, place.wave / step, place.weight))
    return _combed(levels, slower) if slower else None


def _scale(found: _Found, unit: str) -> RuleScale:
    strip, comb, reading = found.strip, found.comb, found.reading
    half = comb.marks / 2
    u = comb.first + half - strip.seed_spacing
    v = float(np.broadcast_to(axes(strip)[1], comb.used.shape)[comb.used].mean())
    phase = phase_terms(u + half * np.linspace(-1, 1, 9), np.full(9, v)) @ comb.coefficients
    local = np.diff(phase) * 4 / half  # marks per spacing, in eighths of the length
    slant = comb.coefficients[2] + comb.coefficients[4] * u
    # Over the middle half: what holds where the debris lies, whatever lens and tilt do at the ends.
    per_spacing = float(np.hypot(local[2:6].mean(), slant)) * (1 - found.slip)
    um_per_px = DIVISIONS_UM[unit] * per_spacing / float(np.linalg.norm(strip.along))
    uneven = float(local[2:6].std() / local.mean())
    direction = strip.along * local[2:6].mean() + strip.across * slant
    angle = float(np.degrees(np.arctan2(direction[1], direction[0])))
    x, y = (
        strip.origin
        + strip.along * (u + strip.seed_spacing)
        + strip.across * (v + strip.seed_band * BAND / SAMPLES)
    )
    return RuleScale(
        um_per_px=um_per_px,
        rel_u=float(np.linalg.norm([found.exactness, uneven, _UNSEEN_TILT_U, _PARALLAX_U])),
        fit_rel_u=found.exactness,
        angle_deg=angle - 180 * round(angle / 180 - 1e-9),
        unit=unit,
        unit_sure=reading.sure or unit != reading.unit,
        marks=round(phase[-1] - phase[0]),
        centre_px=(float(x), float(y)),
        unevenness=float(np.ptp(local) / local.mean()),
    )


def _extent(found: _Found) -> float:
    """Area of the picture over which the marks keep step, square pixels."""
    return float(found.comb.used.sum() * np.linalg.norm(found.strip.along) ** 2)


def _chosen(levels: list[Grey], unit: str | None) -> _Found:
    """The comb to trust: surest, then most exact; where the unit is named, of those that suit it."""
    places = [place for family in places_with_marks(levels) if (place := sharpened(levels, family))]
    places.sort(key=lambda place: -place.weight)
    found = []
    for place in places[:_PLACES]:
        comb = _combed(levels, place)
        if comb is None:
            continue
        found.append(comb)
        if comb.reading.sure and unit in (None, comb.reading.unit) and comb.exactness < _EXACT:
            return comb
    if not found:
        raise RuleNotFound(
            "no steel rule or graph paper could be read in the picture: lay one flat beside the debris, "
            "in focus, with at least 15 divisions in view"
        )
    named = [each for each in found if each.reading.unit is not None]
    suited = [each for each in named if unit in (None, each.reading.unit)]
    if suited:
        return min(suited, key=lambda each: (not each.reading.sure, each.exactness))
    if unit is not None and len(named) < len(found):
        return max((each for each in found if each.reading.unit is None), key=_extent)
    raise RuleNotFound(
        f"the marks of the rule look like {named[0].reading.unit}, not {unit}: name its smallest division"
        if named
        else "evenly spaced marks were found, but no longer ones that tell millimetres from fractions of "
        "an inch: show more of the rule, or name its smallest division"
    )


def find_rule_scale(image: Grey, *, unit: str | None = None) -> RuleScale:
    """Scale of a picture that shows a steel rule or graph paper.

    Parameters
    ----------
    image : uint8, (H, W) grey or (H, W, 3) RGB.
    unit : the rule's smallest division, a key of DIVISIONS_UM, where its marks do not tell it. Rules divided
        in tenths of an inch look like millimetres and are not told apart.

    Raises
    ------
    RuleNotFound
        No rule, or one whose unit cannot be read; the message says what to do.
    ValueError
        `unit` is none of those.
    """
    if unit is not None and unit not in DIVISIONS_UM:
        raise ValueError(f"unit must be one of {', '.join(DIVISIONS_UM)}")
    found = _chosen(levels_of(image), unit)
    return _scale(found, unit or str(found.reading.unit))
