"""A comparison on the terminal and as JSON, and a plan on the terminal."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

from triage.advice import advise
from triage.advice_sample import Evidence
from triage.analysis import Sample
from triage.debris.particles import empty_table
from triage.rate_words import PER_WORDS, number, times
from triage.report import words
from triage.report.files import write_whole
from triage.report.result import comparison_json
from triage.report.text import wrapped
from triage.sizing import size_distribution
from triage.sizing.compare import SAMPLE, Comparison, Side, TargetResult
from triage.sizing.planner import PlanRow, Question
from triage.sizing.spread import START_CV, START_PAIRS, Spread

DIFFERS_P = 0.05
SHOWN_KINDS = 3

SAMPLED = {
    "ml": "fuel sampled, ml",
    "hour": "hours run",
    "litre": "litres burnt",
    "month": "months",
    SAMPLE: "part of the debris",
}
PLAN_UNITS = {
    "ml": "ml of fuel",
    "hour": "hours run",
    "litre": "litres burnt",
    "month": "months",
    SAMPLE: "times the sample named",
}
VERDICT_WORDS = {
    "cleaner": "Cleaner",
    "dirtier": "Dirtier",
    "no_difference_shown": "No difference shown",
    "too_little_to_tell": "Too little to tell",
}
TARGET_WORDS = {
    "met": "met",
    "not_met": "not met",
    "not_shown": "not shown, neither met nor missed",
}
ROW = "{:<24} {:>24} {:>24}"
PLAN_ROW = "{:>16} {:>14} {:>14}  {}"


def write_comparison(found: Comparison, path: Path) -> None:
    """Write the comparison as UTF-8 JSON."""
    text = json.dumps(comparison_json(found), ensure_ascii=False, indent=1, allow_nan=False)
    write_whole(path, (text + "\n").encode())


def comparison_text(found: Comparison) -> str:
    """Return the comparison as plain text: a note of three lines to paste, the numbers, how far to trust."""
    blocks = [
        "\n".join(note(found)),
        _table(found),
        wrapped([*_sizes_and_kinds(found), *target_lines(found)]),
        wrapped(_called_for(found)),
        wrapped([*_trust(found), *found.cautions]),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _called_for(found: Comparison) -> list[str]:
    """What the change alone calls for, by the rules of the advice."""
    nothing = empty_table()
    given = Evidence(nothing, size_distribution(nothing, 0.0), (), Sample(), comparison=found)
    return [f"{action.text} Because: {' '.join(action.because)}" for action in advise(given).actions]


def note(found: Comparison) -> tuple[str, str, str]:
    """Return the three lines: what was compared, the finding, what to do."""
    names = [words.listed(side.names) for side in (found.before, found.after)]
    what = f"Debris before ({names[0]}) and after ({names[1]}): pieces over {size(found.sizes_from_um)}."
    counts = f"{words.pieces(found.before.count)} before, {words.pieces(found.after.count)} after"
    finding = f"{VERDICT_WORDS[found.verdict]}: {counts}; {times(found.rate_ratio)}."
    if found.verdict in {"cleaner", "dirtier"}:
        return what, finding, f"To do: {TO_DO[found.verdict]}"
    return what, finding, found.needed.text


TO_DO = {
    "cleaner": "note it in the service record; sample again at the next change.",
    "dirtier": "find where the debris comes from before anything else.",
}


def size(um: float) -> str:
    """Return a length as "67 um (2.6 thou)"."""
    return f"{words.microns(um)} um ({words.thou(um)} thou)"


def _table(found: Comparison) -> str:
    sides = (found.before, found.after)
    rows = [("", "before", "after"), ("pieces", *(f"{side.count}" for side in sides))]
    if found.per != SAMPLE or any(side.exposure != 1 for side in sides):
        rows.append((SAMPLED[found.per], *(f"{side.exposure:.4g}" for side in sides)))
    rows.append((f"per {PER_WORDS[found.per]}", *(rate_words(side) for side in sides)))
    rows.append(("half of them over", *(_median(side) for side in sides)))
    rows.append(("looks like", *(_kinds(side) for side in sides)))
    return "\n".join(ROW.format(*row).rstrip() for row in rows)


def rate_words(side: Side) -> str:
    """Return a side's rate with its 95 % limits."""
    if side.count == 0:
        return f"none seen: at most {number(side.rate_high)}"
    return f"{number(side.rate)} ({number(side.rate_low)} to {number(side.rate_high)})"


def _median(side: Side) -> str:
    return "-" if side.median_um is None else size(side.median_um)


def _kinds(side: Side) -> str:
    named = [f"{kind.replace('_', ' ')} {count}" for kind, count in side.kinds[:SHOWN_KINDS]]
    text = ", ".join(named) or "-"
    return text if len(text) <= 24 else ", ".join(named[:-1])


def _sizes_and_kinds(found: Comparison) -> list[str]:
    said = []
    for what, p in (("sizes", found.p_sizes), ("kinds", found.p_kinds)):
        if p is None:
            said.append(f"The {what} cannot be compared: too few pieces.")
        elif p < DIFFERS_P:
            said.append(f"The {what} differ more than chance does ({_p(p)}).")
        else:
            said.append(f"No difference of {what} shown ({_p(p)}).")
    return [" ".join(said)]


def _p(p: float) -> str:
    return "p under 0.001" if p < 0.001 else f"p = {p:.2g}"


def target_lines(found: Comparison) -> list[str]:
    """Say whether the cleaning target was met; nothing where there is none."""
    return [target_text(found.target, found.sizes_from_um)] if found.target else []


def target_text(target: TargetResult, from_um: float) -> str:
    """Say whether the cleaning target was met."""
    aim = f"Target, {100 * target.fewer:g} % fewer pieces over {size(target.above_um)}"
    if target.rate_ratio is None:
        return (
            f"{aim}: not measurable, because one of the photos sizes only from {size(from_um)} on; "
            "use a closer frame for both."
        )
    counts = f"{target.before_count} before, {target.after_count} after"
    how_much = f" triage plan --target {100 * target.fewer:g} tells how much to sample."
    said = f"{aim}: {TARGET_WORDS[target.verdict]} ({counts}; {times(target.rate_ratio)})."
    return said + how_much if target.verdict == "not_shown" else said


def _trust(found: Comparison) -> list[str]:
    what = "Only pieces that both could size are compared, by the circle of the same area."
    return [f"{what} {spread_text(found.spread)}"]


def spread_text(spread: Spread) -> str:
    """Say which sample-to-sample spread was reckoned with."""
    if spread.cv == 0:
        return "Samples of one tank were taken to differ by chance alone; real ones differ more."
    said = f"Two samples of one tank are taken to differ by {100 * spread.cv:.0f} % beyond chance"
    if spread == Spread(START_CV, START_PAIRS):
        return f"{said}, a starting value: measure your own with --same-tank."
    return f"{said}; that is in every interval and verdict here."


def plan_text(
    question: Question, rows: Sequence[PlanRow], spread: Spread, like: tuple[float, str] | None
) -> str:
    """Say how much must be sampled; `like` is a rate of pieces before, and its unit."""
    left = f"{100 * question.true_ratio:.3g} %"
    claim = (
        "that a cleaning worked at all"
        if question.claimed == 1
        else f"that at least {100 * (1 - question.claimed):.3g} % are gone"
    )
    lines = [
        f"To show {claim}, where it truly leaves {left} of the pieces, "
        f"with a chance of {100 * question.power:.3g} %:"
    ]
    head = PLAN_ROW.format("separate samples", "pieces before", "pieces after", "each sample" if like else "")
    table = [head.rstrip(), *(_plan_row(row, like).rstrip() for row in rows)]
    last = "Separate samples: so many before and as many after; pieces: in all of them together."
    return "\n\n".join([wrapped(lines), "\n".join(table), wrapped([last, spread_text(spread)])]) + "\n"


def _plan_row(row: PlanRow, like: tuple[float, str] | None) -> str:
    if row.pieces_before is None or row.pieces_after is None:
        return PLAN_ROW.format(row.samples, "not enough", "", "")
    each = ""
    if like is not None:
        amount = row.pieces_before / row.samples / like[0]
        each = f"about {amount:.2g} {like[1]}"
    return PLAN_ROW.format(row.samples, f"{row.pieces_before}", f"about {row.pieces_after}", each)
