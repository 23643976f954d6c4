"""Before and after: what two lots of debris from one place say about each other.

Only pieces are compared that both could size, in an exposure that both know. Every interval and verdict
carries the sample-to-sample spread of `triage.sizing.spread`. Sizes are equivalent circular diameters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from triage.sizing.exact import TAIL
from triage.sizing.needed import Needed, needed
from triage.sizing.rate_ratio import RateRatio, Tails, rate_limits, rate_ratio
from triage.sizing.spread import Counted, Spread, joined
from triage.sizing.two_sample import kinds_test, sizes_test

Array = NDArray[np.float64]

UNITS = ("ml", "hour", "litre", "month")  # of the exposure, the most telling first
EXPOSURE_WORDS = dict(zip(UNITS, ("fuel sampled", "hours run", "litres burnt", "months"), strict=True))
SAMPLE = "sample"  # where no exposure is known to both
WORTH_TELLING = 4.0  # a change that many times over must be able to show, or it is too little to tell

UNLIKE = {"origin": "the place of the debris", "method": "the way onto the card", "machine": "the machine"}
VERDICTS = ("cleaner", "dirtier", "no_difference_shown", "too_little_to_tell")


@dataclass(frozen=True)
class DebrisSample:
    """What a comparison needs of one analysed sample; `size_um` and `kind` have shape (N,).

    They hold the sized pieces that lie wholly inside the window, of at least `from_um`. `exposures` tells
    how much of each unit (of UNITS) the whole sample stands for, `fraction` the part photographed.
    """

    name: str
    from_um: float
    size_um: Array
    kind: NDArray[np.str_]
    exposures: Mapping[str, float] = field(default_factory=dict)
    fraction: float = 1.0
    origin: str | None = None
    method: str | None = None
    machine: str | None = None
    method_version: str | None = None
    photos: frozenset[str] = frozenset()  # SHA-256 of each
    blank_ok: bool = True

    def counted(self, from_um: float, per: str) -> Counted:
        """Count its pieces of at least `from_um`, in its exposure."""
        whole = 1.0 if per == SAMPLE else self.exposures[per]
        return Counted(int(np.count_nonzero(self.size_um >= from_um)), whole * self.fraction)


@dataclass(frozen=True)
class Target:
    """A cleaning target: at least `fewer` (0..1) fewer pieces of at least `above_um`."""

    fewer: float
    above_um: float | None = None  # None: of all sizes compared


@dataclass(frozen=True)
class How:
    """How to compare; `per` None takes the most telling exposure that all samples know."""

    spread: Spread = field(default_factory=Spread)
    per: str | None = None
    target: Target | None = None


@dataclass(frozen=True)
class TargetResult:
    """The target's verdict: `met`, `not_met`, `not_shown` or `not_measurable`; counts over `above_um`."""

    verdict: str
    fewer: float
    above_um: float
    before_count: int | None
    after_count: int | None
    rate_ratio: RateRatio | None


@dataclass(frozen=True)
class Side:
    """One side of the comparison; the rate's 95 % limits hold for the place sampled, spread included."""

    names: tuple[str, ...]
    count: int
    exposure: float
    rate: float
    rate_low: float
    rate_high: float
    median_um: float | None
    kinds: tuple[tuple[str, int], ...]  # most frequent first
    size_um: Array = field(repr=False, compare=False)  # (count,)


@dataclass(frozen=True)
class Comparison:
    """The whole comparison; `rate_ratio` is after over before, p values None where nothing can be tested."""

    verdict: str  # of VERDICTS
    sizes_from_um: float
    per: str
    before: Side
    after: Side
    rate_ratio: RateRatio
    p_rate: float
    p_sizes: float | None
    p_kinds: float | None
    needed: Needed
    target: TargetResult | None
    spread: Spread
    cautions: tuple[str, ...]


def compare(
    before: Sequence[DebrisSample], after: Sequence[DebrisSample], how: How | None = None
) -> Comparison:
    """Compare one or more samples from before with one or more from after.

    `how.per`, where given, must be an exposure that every sample knows, or "sample".
    """
    how = how or How()
    every = (*before, *after)
    from_um, per = common_size(every), how.per or common_exposure(every)
    earlier, later = (joined([each.counted(from_um, per) for each in side]) for side in (before, after))
    ratio = rate_ratio(earlier, later, how.spread)
    verdict = judge(earlier, later, ratio, how.spread)
    sides = [
        _side(each, counted, from_um, how.spread) for each, counted in ((before, earlier), (after, later))
    ]
    sizes = sizes_test(sides[0].size_um, sides[1].size_um)
    kinds = kinds_test(*(_kinds(each, from_um) for each in (before, after)))
    return Comparison(
        verdict=verdict,
        sizes_from_um=from_um,
        per=per,
        before=sides[0],
        after=sides[1],
        rate_ratio=ratio,
        p_rate=ratio.p,
        p_sizes=sizes.p if sizes else None,
        p_kinds=kinds.p if kinds else None,
        needed=needed(earlier, later, how.spread, shown=verdict in VERDICTS[:2]),
        target=_target(before, after, per, how),
        spread=how.spread,
        cautions=cautions(before, after, per),
    )


def common_size(samples: Sequence[DebrisSample]) -> float:
    """Return the smallest size, um, that every sample's photos could size."""
    return max(each.from_um for each in samples)


def common_exposure(samples: Sequence[DebrisSample]) -> str:
    """Return the most telling exposure that every sample knows, else "sample"."""
    known = (unit for unit in UNITS if all(unit in each.exposures for each in samples))
    return next(known, SAMPLE)


def judge(before: Counted, after: Counted, ratio: RateRatio, spread: Spread) -> str:
    """Return the verdict on a rate ratio."""
    if ratio.high is not None and ratio.high < 1:
        return "cleaner"
    if ratio.low > 1:
        return "dirtier"
    return "no_difference_shown" if could_tell(before, after, spread) else "too_little_to_tell"


def could_tell(before: Counted, after: Counted, spread: Spread) -> bool:
    """Whether so many pieces, split as a change worth telling splits them, would show it either way."""
    total, tails = before.count + after.count, Tails.of(before, after, spread)
    fewer, more = (
        total * odds / (1 + odds)
        for odds in (tails.exposure_ratio / WORTH_TELLING, tails.exposure_ratio * WORTH_TELLING)
    )
    drop, rise = np.floor(fewer), np.ceil(more)
    seen = tails.at_most(total - drop, drop, 1.0), tails.at_least(total - rise, rise, 1.0)
    return bool(max(seen) < TAIL)


def _target(
    before: Sequence[DebrisSample], after: Sequence[DebrisSample], per: str, how: How
) -> TargetResult | None:
    if how.target is None:
        return None
    limit, fewer = common_size((*before, *after)), how.target.fewer
    above = limit if how.target.above_um is None else how.target.above_um
    if above < limit:
        return TargetResult("not_measurable", fewer, above, None, None, None)
    earlier, later = (joined([each.counted(above, per) for each in side]) for side in (before, after))
    ratio = rate_ratio(earlier, later, how.spread)
    allowed = 1 - fewer
    verdict = "not_shown"
    if ratio.high is not None and ratio.high <= allowed:
        verdict = "met"
    elif ratio.low > allowed:
        verdict = "not_met"
    return TargetResult(verdict, fewer, above, earlier.count, later.count, ratio)


def _kinds(samples: Sequence[DebrisSample], from_um: float) -> NDArray[np.str_]:
    return np.concatenate([each.kind[each.size_um >= from_um] for each in samples])


def _side(samples: Sequence[DebrisSample], counted: Counted, from_um: float, spread: Spread) -> Side:
    size = np.concatenate([each.size_um[each.size_um >= from_um] for each in samples])
    names, counts = np.unique(_kinds(samples, from_um), return_counts=True)
    order = np.argsort(-counts, kind="stable")
    low, high = rate_limits(counted, spread)
    return Side(
        names=tuple(each.name for each in samples),
        count=counted.count,
        exposure=counted.exposure,
        rate=counted.rate,
        rate_low=low,
        rate_high=high,
        median_um=float(np.median(size)) if size.size else None,
        kinds=tuple((str(names[index]), int(counts[index])) for index in order),
        size_um=size,
    )


def cautions(before: Sequence[DebrisSample], after: Sequence[DebrisSample], per: str) -> tuple[str, ...]:
    """Say what may spoil the comparison, a sentence each."""
    every = (*before, *after)
    said = [*_exposure_cautions(every, per)]
    for name, words in UNLIKE.items():
        values = [sorted({getattr(each, name) or "" for each in side} - {""}) for side in (before, after)]
        if all(values) and values[0] != values[1]:
            one, other = (", ".join(value.replace("_", " ") for value in each) for each in values)
            said.append(f"Not alike: before, {words} was {one}; after, {other}.")
    if len({each.method_version for each in every} - {None}) > 1:
        said.append("Measured by different versions of this tool: analyse both again before relying on it.")
    if any(one.photos & other.photos for one in before for other in after):
        said.append("Before and after share a photo.")
    if not all(each.blank_ok for each in every):
        said.append("A blank was dirty: some of the pieces may come from the card, sheet or paper.")
    return tuple(said)


def _exposure_cautions(every: Sequence[DebrisSample], per: str) -> list[str]:
    if per != SAMPLE:
        return []
    said = "Compared per whole sample: fair only if both samples stand for as much fuel or as much use."
    known = [EXPOSURE_WORDS[unit] for unit in UNITS if any(unit in each.exposures for each in every)]
    if not known:
        return [said]
    return [f"{said} Not used, since not told of every sample: {', '.join(known)}."]
