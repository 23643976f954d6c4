"""Named findings on one sample: what the bench saw, how much debris of which sizes, how it was before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from calibration.photo_check import Problem
from triage.advice_data import AdviceData, Look
from triage.consequences import Consequences
from triage.debris.particles import ParticleTable
from triage.filters import Filter
from triage.sizing import Passing, Sizes
from triage.sizing.compare import Comparison
from triage.sizing.exact import poisson_limits

if TYPE_CHECKING:
    from triage.analysis import Sample

PAST_FILTER = ("clean_side", "bowl")
CUT_OPEN = ("filter", "clean_side")  # debris that chips from opening the filter can lie among
WHOLE = ("filter", *PAST_FILTER)  # debris that is all there is, where `fraction` is 1
MAKERS_WORDS = ("outboard", "marine", "boat", "inboard", "jet ski")  # in a machine's name or type


@dataclass(frozen=True)
class Evidence:
    """All that is known when advice is given."""

    table: ParticleTable
    sizes: Sizes
    passing: tuple[Passing, ...]
    sample: Sample
    problems: tuple[Problem, ...] = ()  # of the photos measured; of all photos where none could be
    filters: Sequence[Filter] = ()
    further: Consequences | None = None
    comparison: Comparison | None = None  # of this sample (after) with an earlier one of the machine


@dataclass(frozen=True)
class SampleFindings:
    """The evidence held against the shop's rules. Ratings that are not measurable are left out of it."""

    given: Evidence
    data: AdviceData

    @cached_property
    def table(self) -> ParticleTable:
        """The particles that count: those that shares are over."""
        table = self.given.table
        sized = ~table["below_sizing_limit"] & (table["weight"] > 0)
        return table[sized & (table["passing_size_um"] >= self.from_um)]

    @cached_property
    def ratings(self) -> tuple[Passing, ...]:
        """The measurable ratings, coarsest first."""
        found = (entry for entry in self.given.passing if entry.measurable)
        return tuple(sorted(found, key=lambda entry: -entry.rating_um))

    @property
    def sample(self) -> Sample:
        """Where the debris came from, and the machine."""
        return self.given.sample

    @property
    def from_um(self) -> float:
        """The smallest size that was measured."""
        return self.given.sizes.from_um

    @property
    def pieces(self) -> int:
        """The pieces all shares are over."""
        return len(self.table)

    def count(self, from_um: float, below_um: float = np.inf) -> int:
        """Count the pieces of passing size in [from_um, below_um)."""
        size = self.table["passing_size_um"]
        return int(np.count_nonzero((size >= from_um) & (size < below_um)))

    def noticed(self, word: str) -> bool:
        """Whether the bench saw that."""
        return word in (self.sample.noticed or ())

    @property
    def wet(self) -> bool:
        """Whether the bench saw water, as drops or as a layer."""
        return self.noticed("water") or self.noticed("layers")

    @property
    def looked(self) -> bool:
        """Whether anybody looked at the fuel."""
        return self.sample.noticed is not None

    def origin(self, word: str) -> bool:
        """Whether the debris was found there."""
        return self.sample.origin == word

    def fuel(self, word: str) -> bool:
        """Whether the machine runs on that."""
        return self.sample.fuel == word

    def feed(self, word: str) -> bool:
        """Whether fuel gets to the engine that way; one that nobody named is taken as gravity."""
        return (self.sample.feed or "gravity") == word

    def season(self, word: str) -> bool:
        """Whether the nights were so lately."""
        return self.sample.season == word

    def storage(self, word: str) -> bool:
        """Whether the machine was there in the last month."""
        return self.sample.storage == word

    @property
    def stood(self) -> bool:
        """Whether it stood for a month or more with fuel in it."""
        return self.storage("indoors") or self.storage("outdoors")

    @property
    def went_off(self) -> bool:
        """Whether the fuel is old by its smell, its gum or its age."""
        return self.stale or self.noticed("sour_smell") or self.noticed("gum")

    @property
    def age_unknown(self) -> bool:
        """Whether nobody said how old the fuel is."""
        return self.sample.fuel_age_months is None

    @property
    def makers_only(self) -> bool:
        """Whether only the maker's element will do: injection, diesel, on the water."""
        name = f"{self.sample.machine or ''} {self.sample.machine_type or ''}".lower()
        afloat = any(word in name for word in MAKERS_WORDS)
        return self.sample.feed == "injection" or self.sample.fuel == "diesel" or afloat

    @property
    def injected(self) -> bool:
        """Whether an injection system lies behind the filter, not a carburettor."""
        return self.sample.feed == "injection" or self.sample.fuel == "diesel"

    @property
    def stale(self) -> bool:
        """Whether the fuel is older than the shop's limit for its kind."""
        age = self.sample.fuel_age_months
        return age is not None and age > self.data.shop.stale_months(self.sample.fuel)

    @property
    def refused(self) -> bool:
        """Whether no photo could be measured: then nothing may be said from sizes."""
        return any(problem.fatal for problem in self.given.problems)

    @property
    def behind_filter(self) -> bool:
        """Whether the debris was found past the filter."""
        return self.sample.origin in PAST_FILTER

    @property
    def cut_open(self) -> bool:
        """Whether a filter was cut open for it, or nobody said where it was found."""
        return self.sample.origin is None or self.sample.origin in CUT_OPEN

    @property
    def chips(self) -> bool:
        """Whether cut metal is among debris from an opened filter: then its sizes say nothing."""
        return self.noticed("swarf") and self.cut_open

    @property
    def sizes_stand(self) -> bool:
        """Whether anything may be said from sizes."""
        return not self.refused and not self.chips

    @property
    def dirty_um(self) -> float:
        """Size from which pieces count as big: never below what was measured."""
        return max(self.data.shop.dirty_um, self.from_um)

    @property
    def big(self) -> int:
        """The big pieces that were counted."""
        return self.count(self.dirty_um)

    @property
    def stands_for(self) -> float:
        """How many pieces of a whole sample each one counted stands for."""
        share = self.sample.fraction or 1.0
        if self.sample.origin == "fuel" and self.sample.volume_ml:
            share *= self.sample.volume_ml / self.data.shop.dirty_ml
        return 1 / share

    @property
    def use(self) -> float:
        """Usual intervals that the debris was gathered in, at least one."""
        if self.sample.origin not in WHOLE:
            return 1.0
        shop = self.data.shop
        served = ((self.sample.months or 0) / shop.usual_months, (self.sample.hours or 0) / shop.usual_hours)
        return max(1.0, *served)

    @property
    def dirty_limit(self) -> float:
        """Big pieces counted, from which this sample is called dirty."""
        return self.data.shop.dirty_pieces * self.use / self.stands_for

    @property
    def dirty(self) -> bool:
        """Whether there are more big pieces than clean fuel gives."""
        return self.big >= self.dirty_limit

    @property
    def surely_dirty(self) -> bool:
        """Whether chance alone does not explain it (95 %)."""
        return poisson_limits(self.big)[0] >= self.dirty_limit

    @property
    def too_few(self) -> bool:
        """Whether so few pieces say too little: more of the debris could turn the answer."""
        if self.sample.origin in WHOLE and (self.sample.fraction or 1.0) == 1.0:
            return False
        part = self.stands_for > 1 and not self.dirty and poisson_limits(self.big)[1] >= self.dirty_limit
        return part or 0 < self.pieces < self.data.shop.few_pieces

    @property
    def enough(self) -> bool:
        """Whether there are enough pieces behind the filter to call for cleaning there."""
        return self.pieces >= self.data.shop.few_pieces

    @property
    def no_rating_measurable(self) -> bool:
        """Whether the photo is too coarse for every filter of the list."""
        return bool(self.given.passing) and not self.ratings

    @property
    def too_coarse_to_judge(self) -> bool:
        """Whether the photo could judge a filter, but is too coarse to show that all is well."""
        return bool(self.ratings) and self.from_um > self.data.shop.judge_um and not self.dirty

    @property
    def loaded(self) -> bool:
        """Whether the installed element may have been full: it held more than the least that one holds."""
        held = self.given.further.amount if self.given.further else None
        if held is None or held.filled is None or held.mass_mg.low is None:
            return False
        return held.mass_mg.low >= held.filled.low_mg

    @property
    def looks(self) -> tuple[tuple[Look, int], ...]:
        """The looks that stand out, and how many pieces have them, most frequent first."""
        shop, kinds = self.data.shop, self.table["kind"]
        counts = [(look, int(np.count_nonzero(kinds == look.kind))) for look in self.data.looks]
        least = max(shop.look_pieces, shop.look_share * self.pieces)
        return tuple(sorted((each for each in counts if each[1] >= least), key=lambda each: -each[1]))

    def compared(self, verdict: str) -> bool:
        """Whether the comparison with the earlier sample came out so."""
        return self.given.comparison is not None and self.given.comparison.verdict == verdict

    @property
    def little_matters(self) -> bool:
        """Whether a comparison that cannot tell asks for more: it stands alone, or this sample is small."""
        return self.from_um == 0 or self.too_few

    @property
    def target_missed(self) -> bool:
        """Whether a stated cleaning target was not met."""
        target = self.given.comparison.target if self.given.comparison else None
        return target is not None and target.verdict == "not_met"
