"""How much more must be sampled before a comparison can tell."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from triage.sizing.planner import POWER, Question, pieces_needed, power
from triage.sizing.spread import Counted, Spread

SAMPLES = (1, 2, 3, 4, 6, 8, 12)  # tried, each time
HALF, TENTH = 0.5, 0.1  # the least change looked for, and the greatest


@dataclass(frozen=True)
class Needed:
    """What to sample in words; `count` further pieces on both sides together, None where none would do."""

    text: str
    count: int | None


@dataclass(frozen=True)
class _Way:
    """So many samples each time, each `times` as big as these."""

    samples: int
    times: float
    pieces: float  # expected on both sides together


def needed(before: Counted, after: Counted, spread: Spread, *, shown: bool) -> Needed:
    """Say how much to sample so that a change like the one seen would show, with a chance of 80 %.

    The change looked for is the one seen, but at least a halving (or doubling) and at most a tenth (or ten
    times); the rate of the dirtier side is taken as seen.
    """
    if shown:
        return Needed("Nothing more: the difference is shown.", 0)
    more, less = (before, after) if before.rate >= after.rate else (after, before)
    if more.count == 0:
        return _nothing_seen(more, less, spread)
    change = min(max(less.rate / more.rate, TENTH), HALF)
    question = Question(change, exposure_ratio=less.exposure / more.exposure)
    way = _cheapest(question, more, more.unevenness + less.unevenness, spread)
    aim = f"To tell {_times(change, fall=more is before)} as many from no change"
    aim = f"{aim}, with a chance of {100 * POWER:.0f} %"
    if way is None:
        return Needed(
            f"{aim}, not even {SAMPLES[-1]} times as many separate samples would do: samples of one tank "
            "differ too much from each other.",
            None,
        )
    further = max(math.ceil(way.pieces) - more.count - less.count, 1)
    said = f"{aim}, {_how_much(way)}: about {math.ceil(way.pieces)} pieces in all."
    if more is before:
        said = f"{said} {_if_cleaned_already(question, before, after, spread)}"
    return Needed(said, further)


def _if_cleaned_already(question: Question, before: Counted, after: Counted, spread: Spread) -> str:
    """Say whether more samples from after alone would do, since before is gone once the tank is clean."""
    for samples in SAMPLES[1:]:
        more_after = replace(question, exposure_ratio=question.exposure_ratio * samples)
        if power(more_after, before.count, spread, before.unevenness + after.unevenness / samples) >= POWER:
            return f"If before cannot be sampled again, {samples} samples after like this one would do."
    return "If before cannot be sampled again, more samples from after alone will not do."


def _nothing_seen(more: Counted, less: Counted, spread: Spread) -> Needed:
    question = Question(TENTH, exposure_ratio=less.exposure / more.exposure)
    pieces = pieces_needed(question, spread, more.unevenness + less.unevenness)
    if pieces is None:
        return Needed("No piece in either sample; sample much more, several times before and after.", None)
    return Needed(
        "No piece in either sample: sample more until the dirtier one holds about "
        f"{math.ceil(pieces)} pieces; then a drop to a tenth would show.",
        math.ceil(pieces),
    )


def _cheapest(question: Question, more: Counted, unevenness: float, spread: Spread) -> _Way | None:
    """Return the way with the fewest pieces in all; samples are never smaller than those there are."""
    best = None
    for samples in SAMPLES:
        pieces = pieces_needed(question, spread, unevenness / samples)
        if pieces is None:
            continue
        times = max(pieces / (more.count * samples), 1.0)
        both = more.count * samples * times * (1 + question.exposure_ratio * question.true_ratio)
        if best is None or both < 0.8 * best.pieces:
            best = _Way(samples, times, both)
        if times == 1.0:  # more samples of this size only add pieces
            break
    return best


def _how_much(way: _Way) -> str:
    times = f"{_rounded_up(way.times):g} times as much"
    if way.samples == 1:
        return f"sample {times} each time"
    each = "each as big as these" if way.times == 1.0 else f"each {times} as these"
    return f"take {way.samples} separate samples before and {way.samples} after, {each}"


def _rounded_up(value: float) -> float:
    """To a tenth below 3, else to a whole number, upwards."""
    return math.ceil(value * 10 - 1e-6) / 10 if value < 3 else float(math.ceil(value - 1e-6))


def _times(change: float, *, fall: bool) -> str:
    """A fall to this part in words, or the rise that it is the other way round."""
    if fall:
        return "half" if change == HALF else f"{100 * change:.0f} %"
    return "twice" if change == HALF else f"{1 / change:.2g} times"
