"""Advice: from numbers to what to do, source first, each line with its reason.

The rules (`advice_rules.toml`) are held against the findings; the reasons of those that apply are joined by
action, and the actions stand in the order of `advice_texts.ACTIONS`: source, then cleaning, then filter.
"""

from __future__ import annotations

from dataclasses import dataclass

from triage.advice_data import AdviceData, Rule, load_advice_data
from triage.advice_findings import Findings
from triage.advice_phrases import filled_in
from triage.advice_sample import Evidence
from triage.advice_texts import (
    ACTIONS,
    ALWAYS_CAUTION,
    BOWL_AND_INJECTION,
    LOOK_FIRST,
    RETAINED_CAUTION,
    SEEN_FIRST,
    all_of,
    either_size,
    element_words,
    pieces,
)
from triage.sizing import Passing

MOST_TESTS = 2


@dataclass(frozen=True)
class Action:
    """One thing to do: why, how surely, what would change it, what to mind."""

    code: str
    text: str
    because: tuple[str, ...]
    filter_um: float | None = None
    confidence: str = ""
    would_change: str = ""
    cautions: tuple[str, ...] = ()
    short: str = ""  # what to do in a few words


@dataclass(frozen=True)
class Advice:
    """What to do, in the order to do it, and the next tests at the bench."""

    headline: str
    actions: tuple[Action, ...]
    cautions: tuple[str, ...]
    bench_tests: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reason:
    """Why one action is called for: a rule that applies, its sentences filled in."""

    code: str
    because: str
    confidence: str
    would_change: str
    text: str | None = None
    filter_um: float | None = None
    caution: str | None = None
    short: str | None = None


def advise(given: Evidence, data: AdviceData | None = None) -> Advice:
    """Turn one sample's numbers and the bench's own observations into what to do, and why.

    Ratings that are not measurable are not used; nothing is said from sizes where no photo could be measured.
    Without `data`, the rules that come with the program and the shop's thresholds in use are taken.

    Raises
    ------
    UserError
        The shop's own list of thresholds is wrong.
    """
    found = Findings(given, data or load_advice_data())
    actions = gather([*(_reason(rule, found) for rule in applying(found)), *_refusals(found)])
    return Advice(headline(found, actions), actions, cautions(found, actions), bench_tests(found))


def applying(found: Findings) -> list[Rule]:
    """Return the rules that apply; those that rest on nothing only if no other does and somebody looked."""
    grounds = {"bench", "flow", "history"} | ({"sizes"} if found.sizes_stand else set())
    rules = [rule for rule in found.data.rules if applies(rule, found)]
    spoken = [rule for rule in rules if rule.ground in grounds]
    quiet = not spoken and found.looked and found.sizes_stand
    return [rule for rule in rules if rule.ground == "nothing"] if quiet else spoken


def applies(rule: Rule, found: Findings) -> bool:
    """Whether all of a rule's conditions hold."""
    return all(holds(condition, found) for condition in rule.when)


def holds(condition: str, found: Findings) -> bool:
    """Whether a condition holds: a finding's name, "not" before it, a word behind it."""
    words = condition.removeprefix("not ").split()
    finding = getattr(found, words[0])
    return bool(finding(*words[1:]) if words[1:] else finding) != condition.startswith("not ")


def _reason(rule: Rule, found: Findings) -> Reason:
    return Reason(
        code=rule.action,
        because=_sentence(rule.because, found),
        confidence=_sentence(rule.confidence, found),
        would_change=_sentence(rule.would_change, found),
        text=_sentence(rule.text, found) if rule.text else None,
        filter_um=getattr(found, rule.filter) if rule.filter else None,
        caution=rule.caution,
        short=rule.short,
    )


def _sentence(template: str, found: Findings) -> str:
    said = filled_in(template, found)
    return said[:1].upper() + said[1:]


def _refusals(found: Findings) -> list[Reason]:
    return [
        Reason(
            "retake",
            problem.message,
            "Sure: the photo shows it.",
            "A photo without that fault.",
            text=problem.remedy,
        )
        for problem in found.given.problems
        if problem.fatal
    ]


def gather(reasons: list[Reason]) -> tuple[Action, ...]:
    """Join the reasons for the same action, in the order to act; the first one's confidence leads."""
    actions = []
    for code, wording in ACTIONS.items():
        same = [reason for reason in reasons if reason.code == code]
        if not same:
            continue
        own = list(dict.fromkeys(reason.text for reason in same if reason.text))
        text = f"{wording.text} {' '.join(own)}" if code == "retake" else (own or [wording.text])[0]
        particular = [reason.caution for reason in same if reason.caution]
        actions.append(
            Action(
                code,
                text.strip(),
                tuple(dict.fromkeys(reason.because for reason in same)),
                next((reason.filter_um for reason in same if reason.filter_um is not None), None),
                same[0].confidence,
                same[0].would_change,
                tuple(dict.fromkeys([*particular, *wording.cautions])),
                next((reason.short for reason in same if reason.text), None) or wording.short,
            )
        )
    return tuple(actions)


def bench_tests(found: Findings) -> tuple[str, ...]:
    """Name the next test at the bench for the looks that stand out; a look alone decides nothing."""
    looks = found.looks[:MOST_TESTS] if found.sizes_stand else ()
    counts = [f"{pieces(count)} over {either_size(found.from_um)}" for _, count in looks[:1]]
    counts += [str(count) for _, count in looks[1:]]
    return tuple(
        f"{count} look like {look.looks}, likely from {look.source}. Test: {look.test}."
        for count, (look, _) in zip(counts, looks, strict=True)
    )


def headline(found: Findings, actions: tuple[Action, ...]) -> str:
    """Say the most important thing first: what the bench saw, the counts, what to do first."""
    parts = []
    seen = [SEEN_FIRST[word] for word in found.sample.noticed or () if word in SEEN_FIRST]
    if seen:
        parts.append(f"{all_of(seen).capitalize()} noticed at the bench: that comes before grain sizes.")
    said = counted(found)
    parts.append(said[:1].upper() + said[1:])
    if any(action.code == "keep" for action in actions):
        parts.append("Nothing here asks for a change: keep the filter and its usual interval.")
    elif actions:
        parts.append(f"First: {actions[0].short}.")
    elif not found.looked:
        parts.append("The debris alone looks fine; look for water and stale fuel before closing up.")
    return " ".join(parts)


def counted(found: Findings) -> str:
    """Return the counts in words: never a share without what it is of."""
    limit = either_size(found.from_um)
    if found.refused:
        return "The photo could not be measured."
    if found.chips:
        return "Chips from opening the filter may lie among the debris, so its sizes say nothing yet."
    if not found.pieces:
        most = found.given.sizes.count_high
        return f"No debris over {limit} was found; another such sample could still hold {most:.1f} pieces."
    shown = shown_rating(found)
    if shown is None:
        return f"{pieces(found.pieces)} over {limit} were found."
    return (
        f"{pieces(shown.stopped_count)} bigger than {either_size(shown.rating_um)}; "
        f"of {found.pieces} over {limit}, {shown.through_count or 'none'} would go through "
        f"a {shown.rating_um:g} um {element_words(shown.element)}."
    )


def shown_rating(found: Findings) -> Passing | None:
    """Pick the rating to speak of: the installed one, else 75 um, else the finest that is measurable."""
    wanted = found.sample.installed_um or found.data.shop.dirty_um
    near = [entry for entry in found.ratings if abs(entry.rating_um / wanted - 1) < 0.05]
    return next(iter([*near, *found.ratings[::-1]]), None)


def cautions(found: Findings, actions: tuple[Action, ...]) -> tuple[str, ...]:
    """Return what to keep in mind, the particular before the general."""
    said = [f"{problem.message} {problem.remedy}" for problem in found.given.problems if not problem.fatal]
    if not found.looked:
        said.append(LOOK_FIRST)
    if found.origin("bowl") and found.feed("injection"):
        said.append(BOWL_AND_INJECTION)
    if found.origin("filter") and found.sizes_stand:
        said.append(RETAINED_CAUTION)
    installed = found.sample.installed_um
    if installed is not None and found.sizes_stand and installed < found.from_um:
        said.append(
            f"The installed {installed:g} um filter is finer than this photo can judge, "
            f"from {either_size(found.from_um)} up."
        )
    said += [caution for action in actions for caution in action.cautions if caution not in ALWAYS_CAUTION]
    return tuple(dict.fromkeys([*said, *ALWAYS_CAUTION]))
