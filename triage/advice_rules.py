"""The rules of the advice: what the findings are, and which of them call for which action.

Thresholds are shop rules: no standard or source stands behind them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calibration.photo_check import Problem
from triage.advice_texts import (
    BENCH,
    CLOSER,
    FINER_PROPOSAL,
    KIND_TESTS,
    MAKERS_ELEMENT,
    SWARF_REMEDY,
    either_size,
    element_words,
    pieces,
)
from triage.debris.particles import ParticleTable
from triage.sizing import Passing, Sizes
from triage.sizing.ratings import widest_passing

if TYPE_CHECKING:
    from triage.analysis import Sample

# Shop rules.
FEW_PIECES = 20  # below this a share says little: its interval spans 40 points and more
DIRTY_PIECES = 25  # pieces over DIRTY_UM in one sample that call for cleaning
DIRTY_UM = 75.0
BYPASS_PIECES = 2  # too big for the installed filter: one alone may have fallen in at the bench
KIND_PIECES, KIND_SHARE = 5, 0.1  # pieces of one look worth a bench test
STALE_MONTHS = {"petrol": 3.0, "e10": 2.0, "oil_mix": 2.0, "diesel": 6.0}

# Pieces from this size up are worth keeping from the carburettor, by how the fuel gets there.
HARM_UM = {"gravity": 75.0, "pulse": 75.0, "pump": 40.0}
PAST_FILTER = ("clean_side", "bowl")
NOT_FILTERED = ("tank", "can", "fuel")


@dataclass(frozen=True)
class Findings:
    """All that the rules look at."""

    table: ParticleTable  # the particles that count: sized, of at least sizes.from_um
    sizes: Sizes
    passing: tuple[Passing, ...]  # measurable ratings only, coarsest first
    finest_listed_um: float | None
    sample: Sample
    problems: tuple[Problem, ...]

    def count(self, from_um: float, below_um: float = np.inf) -> int:
        """Count the pieces of passing size in [from_um, below_um)."""
        size = self.table["passing_size_um"]
        return int(np.count_nonzero((size >= from_um) & (size < below_um)))

    @property
    def pieces(self) -> int:
        """The pieces all shares are over."""
        return len(self.table)

    @property
    def refused(self) -> bool:
        """No photo could be measured: nothing may be said from sizes."""
        return any(problem.fatal for problem in self.problems)

    @property
    def dirty_um(self) -> float:
        """The size above which debris is counted to call a sample dirty: never below what was measured."""
        return max(DIRTY_UM, self.sizes.from_um)

    @property
    def dirty(self) -> bool:
        """More big pieces than a tank in order gives."""
        return self.count(self.dirty_um) / (self.sample.fraction or 1.0) >= DIRTY_PIECES

    @property
    def too_big(self) -> tuple[int, float] | None:
        """Pieces found past the filter that a sound one would have stopped, and its widest passage, um."""
        installed = self.sample.installed_um
        if installed is None or self.sample.origin not in PAST_FILTER:
            return None
        widest = max(widest_passing(installed, self.sample.element), self.sizes.from_um)
        many = self.count(widest)
        return (many, widest) if many >= BYPASS_PIECES else None

    @property
    def harmful_um(self) -> float | None:
        """Size from which pieces are worth a finer filter; None where only the maker's element will do."""
        return None if self.sample.feed == "injection" else HARM_UM[self.sample.feed or "gravity"]

    @property
    def harmful_through(self) -> int:
        """Pieces worth stopping that the installed filter lets, or would let, through."""
        installed, harmful = self.sample.installed_um, self.harmful_um
        reaches = self.sample.origin in PAST_FILTER or (self.sample.origin in NOT_FILTERED and self.dirty)
        if installed is None or harmful is None or not reaches:
            return 0
        return self.count(harmful, installed)

    @property
    def finer(self) -> Passing | None:
        """The coarsest measurable filter of the list that would stop what the installed one lets through."""
        if self.harmful_um is None or self.harmful_through < FEW_PIECES:
            return None
        fit = [entry for entry in self.passing if entry.rating_um <= self.harmful_um]
        return fit[0] if fit else None


def findings(
    table: ParticleTable,
    sizes: Sizes,
    passing: tuple[Passing, ...],
    sample: Sample,
    problems: tuple[Problem, ...],
) -> Findings:
    """Keep what may be spoken of: the particles shares are over, the ratings that are measurable."""
    counted = (
        ~table["below_sizing_limit"] & (table["weight"] > 0) & (table["passing_size_um"] >= sizes.from_um)
    )
    ratings = sorted(passing, key=lambda entry: -entry.rating_um)
    return Findings(
        table=table[counted],
        sizes=sizes,
        passing=tuple(entry for entry in ratings if entry.measurable),
        finest_listed_um=ratings[-1].rating_um if ratings else None,
        sample=sample,
        problems=problems,
    )


@dataclass(frozen=True)
class Reason:
    """Why one action is called for."""

    code: str
    because: str
    filter_um: float | None = None
    text: str | None = None  # where the usual wording of the action does not fit


Reasons = Iterator[Reason]


def bench(found: Findings) -> Reasons:
    """What was seen, smelt and felt at the bench outranks sizes."""
    for word in found.sample.noticed or ():
        if word in BENCH:
            saying, codes = BENCH[word]
            for code in codes:
                action = behind_the_filter(found) if code == "clean_carburettor" else code
                yield Reason(action, saying, text=SWARF_REMEDY if code == "retake" else None)


def behind_the_filter(found: Findings) -> str:
    """Return the action that cleans what lies behind the filter."""
    return "service_injection" if found.sample.feed == "injection" else "clean_carburettor"


def stale_fuel(found: Findings) -> Reasons:
    """Fuel older than the shop's limit for its kind."""
    age, fuel = found.sample.fuel_age_months, found.sample.fuel
    limit = STALE_MONTHS.get(fuel or "petrol")
    if age is not None and limit is not None and age > limit:
        yield Reason("fresh_fuel", f"The fuel is {age:g} months old; the shop's limit for it is {limit:g}.")


def dirty_sample(found: Findings) -> Reasons:
    """Many big pieces: find where they come from, then clean."""
    if not found.dirty:
        return
    said = f"{pieces(found.count(found.dirty_um))} bigger than {either_size(found.dirty_um)}"
    if found.sample.fraction and found.sample.fraction < 1:
        said += f" in the {found.sample.fraction:.0%} of it that was photographed"
    rule = f"{said}; the shop's rule is to look further from {DIRTY_PIECES} in a whole sample."
    yield Reason("check_cap_and_can", rule)
    for hint in kind_hints(found):
        yield Reason("check_cap_and_can", hint)
    if found.sample.origin != "can":
        yield Reason("clean_tank", f"{said}.")
    if found.sample.origin == "filter":
        yield Reason("shorten_interval", f"The filter had stopped {said} {in_service(found.sample)}.")


def in_service(sample: Sample) -> str:
    """Return how long the filter took to stop what it held, as far as anybody said."""
    spans = ((sample.hours, "running hours"), (sample.months, "months"), (sample.litres, "litres of fuel"))
    said = [f"{amount:g} {unit}" for amount, unit in spans if amount is not None]
    return f"in {' and '.join(said)}" if said else "by the time of this change"


def kind_hints(found: Findings) -> Iterator[str]:
    """Name the bench test for each look that stands out; a look alone decides nothing."""
    for kind, test in KIND_TESTS.items():
        many = int(np.count_nonzero(found.table["kind"] == kind))
        if many >= max(KIND_PIECES, KIND_SHARE * found.pieces):
            yield f"{many} of {found.pieces} pieces over {either_size(found.sizes.from_um)} look like {test}"


def past_the_filter(found: Findings) -> Reasons:
    """Debris in the bowl or on the clean side has been let through, or went round."""
    if found.sample.origin not in PAST_FILTER:
        return
    code = behind_the_filter(found)
    if found.pieces >= FEW_PIECES:
        where = "in the bowl" if found.sample.origin == "bowl" else "on the clean side of the filter"
        yield Reason(
            code, f"{pieces(found.pieces)} over {either_size(found.sizes.from_um)} were found {where}."
        )
    if found.too_big and found.sample.installed_um:
        many, widest = found.too_big
        yield Reason(
            code,
            f"{pieces(many)} bigger than {either_size(widest)} got past a {found.sample.installed_um:g} um "
            "filter. A sound one stops those: look for a split element, a loose end, a way round it, or dirt "
            "let in at the last change.",
        )


def finer_filter(found: Findings) -> Reasons:
    """A finer filter, always with the search for the source, never below what the photo can size."""
    installed, finer, harmful = found.sample.installed_um, found.finer, found.harmful_um
    if installed is None or harmful is None or found.harmful_through < FEW_PIECES:
        return
    over = either_size(max(harmful, found.sizes.from_um))
    said = f"{pieces(found.harmful_through)} over {over} fit through the installed {installed:g} um filter"
    if finer is None:
        if found.finest_listed_um is not None and found.finest_listed_um <= harmful:
            limit = f"this photo sizes nothing below {either_size(found.sizes.from_um)}"
            yield Reason("retake", f"{said}; {limit}.", text=CLOSER)
        return
    yield Reason("check_cap_and_can", f"{said}; a finer filter alone would only clog sooner.")
    yield Reason(
        "finer",
        f"{said}; a {finer.rating_um:g} um {element_words(finer.element)} is made to stop them.",
        filter_um=finer.rating_um,
        text=None if found.sample.feed == "pump" else FINER_PROPOSAL,
    )


def injection_element(found: Findings) -> Reasons:
    """Injection engines: no filter but the maker's."""
    swarf = "swarf" in (found.sample.noticed or ())
    if found.sample.feed == "injection" and (found.dirty or found.too_big or swarf):
        yield Reason(
            "ask_licensed", "This engine has fuel injection: another filter can harm pump and injector."
        )


def not_enough(found: Findings) -> Reasons:
    """Too few pieces for a share, or too coarse a photo for any filter of the list."""
    if 0 < found.pieces < FEW_PIECES:
        yield Reason(
            "collect_more",
            f"Only {pieces(found.pieces)} over {either_size(found.sizes.from_um)} could be sized; "
            f"a share takes {FEW_PIECES}.",
        )
    if not found.passing and found.finest_listed_um is not None:
        yield Reason(
            "retake",
            f"This photo sizes nothing below {either_size(found.sizes.from_um)}, "
            "which is coarser than every filter on the list.",
            text=CLOSER,
        )


def all_well(found: Findings) -> Reasons:
    """Nothing was found against machine or fuel, and somebody looked."""
    said = f"{pieces(found.count(found.dirty_um))} bigger than {either_size(found.dirty_um)} were found"
    own = MAKERS_ELEMENT if found.sample.feed == "injection" else None
    yield Reason("keep", f"{said}; the shop's rule is to look further from {DIRTY_PIECES}.", text=own)
    yield Reason("usual_interval", "Nothing wrong with the fuel was noticed at the bench.")


SIZE_RULES: tuple[Callable[[Findings], Reasons], ...] = (
    dirty_sample,
    past_the_filter,
    finer_filter,
    injection_element,
    not_enough,
)
BENCH_RULES: tuple[Callable[[Findings], Reasons], ...] = (bench, stale_fuel)
