"""Advice: from numbers to what to do, source first, each line with its reason.

The rules give reasons to act; reasons for the same action are joined into one, and the actions stand in
the order of `advice_texts.ACTIONS`: source, then cleaning, then filter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from calibration.photo_check import Problem
from triage.advice_rules import BENCH_RULES, DIRTY_UM, SIZE_RULES, Findings, Reason, all_well, findings
from triage.advice_texts import (
    ACTIONS,
    ALWAYS_CAUTION,
    FINER_CAUTION,
    LOOK_FIRST,
    RETAINED_CAUTION,
    SEEN_FIRST,
    either_size,
    element_words,
    pieces,
)
from triage.debris.particles import ParticleTable
from triage.sizing import Passing, Sizes

if TYPE_CHECKING:
    from triage.analysis import Sample


@dataclass(frozen=True)
class Action:
    """One thing to do."""

    code: str
    text: str
    because: tuple[str, ...]
    filter_um: float | None = None


@dataclass(frozen=True)
class Advice:
    """What to do, in the order to do it: source, then cleaning, then filter."""

    headline: str
    actions: tuple[Action, ...]
    cautions: tuple[str, ...]


def advise(
    table: ParticleTable,
    sizes: Sizes,
    passing: tuple[Passing, ...],
    sample: Sample,
    problems: tuple[Problem, ...],
) -> Advice:
    """Turn one sample's numbers and the bench's own observations into what to do, and why.

    Parameters
    ----------
    table, sizes, passing
        Every particle; what `triage.sizing` made of them. Ratings that are not measurable are not used.
    sample
        Where the debris came from, the machine, and what was noticed at the bench.
    problems
        Those of the photos that were measured; of all photos where none could be (some are `fatal`):
        then nothing is said from sizes.
    """
    found = findings(table, sizes, passing, sample, problems)
    rules = BENCH_RULES if found.refused else BENCH_RULES + SIZE_RULES
    reasons = [reason for rule in rules for reason in rule(found)]
    if found.refused:
        reasons += [
            Reason("retake", problem.message, text=problem.remedy) for problem in problems if problem.fatal
        ]
    elif not reasons and sample.noticed is not None:
        reasons = list(all_well(found))
    actions = gather(reasons)
    return Advice(headline(found, actions), actions, cautions(found, actions))


def gather(reasons: list[Reason]) -> tuple[Action, ...]:
    """Join the reasons for the same action, in the order to act."""
    actions = []
    for code, wording in ACTIONS.items():
        same = [reason for reason in reasons if reason.code == code]
        if not same:
            continue
        own = list(dict.fromkeys(reason.text for reason in same if reason.text))
        text = f"{wording.text} {' '.join(own)}" if code == "retake" else (own or [wording.text])[0]
        because = tuple(dict.fromkeys(reason.because for reason in same))
        actions.append(Action(code, text.strip(), because, same[0].filter_um))
    return tuple(actions)


def headline(found: Findings, actions: tuple[Action, ...]) -> str:
    """Say the most important thing first: what the bench saw, the counts, what to do first."""
    parts = []
    seen = [SEEN_FIRST[word] for word in found.sample.noticed or () if word in SEEN_FIRST]
    if seen:
        parts.append(
            f"{' and '.join(seen).capitalize()} noticed at the bench: that comes before grain sizes."
        )
    parts.append("The photo could not be measured." if found.refused else counted(found))
    if any(action.code == "keep" for action in actions):
        parts.append("Nothing here asks for a change: keep the filter and its usual interval.")
    elif actions:
        parts.append(f"First: {ACTIONS[actions[0].code].short}.")
    elif found.sample.noticed is None:
        parts.append("The debris alone looks fine; look for water and stale fuel before closing up.")
    return " ".join(parts)


def counted(found: Findings) -> str:
    """Return the counts in words: never a share without what it is of."""
    limit = either_size(found.sizes.from_um)
    if not found.pieces:
        most = found.sizes.count_high
        return f"No debris over {limit} was found; by chance the true average may still be {most:.1f} pieces."
    shown = shown_rating(found)
    if shown is None:
        return f"{pieces(found.pieces)} over {limit} were found."
    return (
        f"{pieces(shown.stopped_count)} bigger than {either_size(shown.rating_um)}; "
        f"of {found.pieces} over {limit}, {shown.through_count} would go through "
        f"a {shown.rating_um:g} um {element_words(shown.element)}."
    )


def shown_rating(found: Findings) -> Passing | None:
    """Pick the rating to speak of: the installed one, else 75 um, else the finest that is measurable."""
    wanted = found.sample.installed_um or DIRTY_UM
    near = [entry for entry in found.passing if abs(entry.rating_um / wanted - 1) < 0.05]
    return next(iter([*near, *found.passing[::-1]]), None)


def cautions(found: Findings, actions: tuple[Action, ...]) -> tuple[str, ...]:
    """Return what to keep in mind, the particular before the general."""
    said = [f"{problem.message} {problem.remedy}" for problem in found.problems if not problem.fatal]
    if found.sample.noticed is None:
        said.append(LOOK_FIRST)
    if found.sample.origin == "filter" and not found.refused:
        said.append(RETAINED_CAUTION)
    installed = found.sample.installed_um
    if installed is not None and not found.refused and installed < found.sizes.from_um:
        limit = either_size(found.sizes.from_um)
        said.append(
            f"The installed {installed:g} um filter is finer than this photo can judge, from {limit} up."
        )
    if any(action.code == "finer" for action in actions):
        said.extend(FINER_CAUTION)
    return (*said, *ALWAYS_CAUTION)
