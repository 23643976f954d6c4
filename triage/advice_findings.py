"""What the rules of the advice look at: named findings on one sample, each with one job.

A rule names a finding by its method or property here (`triage/advice_rules.toml`).
"""

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
from triage.filters.flow import SAME_RATING, FlowVerdict, flow_for
from triage.sizing import Passing, Sizes
from triage.sizing.compare import Comparison
from triage.sizing.exact import poisson_limits
from triage.sizing.orifices import OrificeRisk
from triage.sizing.ratings import widest_passing
from triage.sizing.went_past import installed_filter

if TYPE_CHECKING:
    from triage.analysis import Sample

PAST_FILTER = ("clean_side", "bowl")
CUT_OPEN = ("filter", "clean_side")  # debris that chips from opening the filter can lie among
WHOLE = ("filter", *PAST_FILTER)  # debris that is all there is, where `fraction` is 1
MADE_BEHIND = ("swarf", "hose_crumbs", "white_corrosion", "green_corrosion")  # no filter before it helps
MAKERS_WORDS = ("outboard", "marine", "boat", "inboard", "jet ski")  # in a machine's name


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
class Findings:
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

    @cached_property
    def flows(self) -> tuple[FlowVerdict, ...]:
        """What each listed filter does to the feed; the installed one last, where it is known."""
        installed = [self.installed] if self.installed else []
        return flow_for(self.sample, (*self.given.filters, *installed))

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

    @property
    def makers_only(self) -> bool:
        """Whether only the maker's element will do: injection, diesel, on the water."""
        name = (self.sample.machine or "").lower()
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

    # The installed filter, and whether another is wanted.

    @cached_property
    def installed(self) -> Filter | None:
        """The installed filter, as the shop's list has it if it does."""
        rating = self.sample.installed_um
        return None if rating is None else installed_filter(rating, self.sample.element, self.given.filters)

    @property
    def widest_um(self) -> float | None:
        """Size from which a sound installed filter stops nearly all pieces, if that was measured."""
        if self.installed is None:
            return None
        return max(widest_passing(self.installed.rating_um, self.installed.element), self.from_um)

    @property
    def bypassed(self) -> bool:
        """Whether pieces were found past the filter that a sound one would have stopped."""
        if self.widest_um is None or not self.behind_filter:
            return False
        return self.count(self.widest_um) >= self.data.shop.bypass_pieces

    @property
    def blocking(self) -> OrificeRisk | None:
        """The widest place that pieces are too big for, else the narrowest that they can bridge."""
        risks = self.given.further.orifices if self.given.further else ()
        whole = [risk for risk in risks if risk.whole.count]
        bridged = [risk for risk in risks if risk.third.count]
        return next(iter([*whole[:1], *bridged[-1:]]), None)

    @property
    def can_block(self) -> bool:
        """Whether pieces big enough to block something have got there already."""
        return self.behind_filter and self.blocking is not None

    @property
    def harm_um(self) -> float:
        """Size from which pieces are worth stopping, on this feed."""
        return self.data.shop.harm_um(self.sample.feed)

    @property
    def harmful(self) -> int:
        """Pieces worth stopping that the installed filter lets through."""
        return self.count(self.harm_um, self.installed.rating_um) if self.installed else 0

    @property
    def wants_finer(self) -> bool:
        """Whether enough of those pieces reach the filter, or got past it."""
        arrives = self.sample.origin in ("tank", "can", "fuel") and self.dirty
        made_there = any(map(self.noticed, MADE_BEHIND))
        passed = self.behind_filter and not self.bypassed and not made_there
        return (arrives or passed) and self.harmful >= self.data.shop.few_pieces

    @cached_property
    def fit(self) -> tuple[Passing, ...]:
        """Measurable filters of the list that would stop those pieces, coarsest first."""
        return tuple(entry for entry in self.ratings if entry.rating_um <= self.harm_um)

    @property
    def finer(self) -> Passing | None:
        """The coarsest of them that does not starve the engine."""
        fed = (entry for entry in self.fit if self._starving(entry) is None)
        return next(fed, None) if self.wants_finer else None

    @property
    def finer_um(self) -> float | None:
        """Its rating."""
        return self.finer.rating_um if self.finer else None

    @property
    def finer_found(self) -> bool:
        """Whether there is one."""
        return self.finer is not None

    @property
    def finer_starves(self) -> bool:
        """Whether a finer one is wanted and measurable, but each would starve the engine."""
        return self.wants_finer and bool(self.fit) and self.finer is None

    @property
    def finer_unseen(self) -> bool:
        """Whether a finer one is wanted and listed, but this photo cannot judge it."""
        listed = any(entry.rating_um <= self.harm_um for entry in self.given.passing)
        return self.wants_finer and not self.fit and listed

    @property
    def amiss(self) -> bool:
        """Whether anything is wrong that another filter might be thought to mend."""
        return self.dirty or self.bypassed or self.wants_finer

    @property
    def coarse_load(self) -> bool:
        """Whether so much is coarser than the installed filter that a finer one alone would soon clog."""
        return self.installed is not None and self.count(self.installed.rating_um) >= self.dirty_limit

    def flow_of(self, rating_um: float, element: str) -> FlowVerdict | None:
        """What a filter does to the feed."""
        same = (
            found
            for found in self.flows
            if found.filter.rating_um == rating_um and found.filter.element == element
        )
        return next(same, None)

    def _starving(self, entry: Passing) -> FlowVerdict | None:
        found = self.flow_of(entry.rating_um, entry.element)
        return found if found and found.verdict == "starves" else None

    @property
    def finer_flow(self) -> FlowVerdict | None:
        """The verdict on the finer filter, or on the coarsest of those that starve."""
        entry = self.finer or next(iter(self.fit), None)
        return self.flow_of(entry.rating_um, entry.element) if entry else None

    @property
    def finer_proven(self) -> bool:
        """Whether a flow test has shown that the finer filter keeps the engine fed."""
        found = self.finer_flow
        return found is not None and (found.verdict, found.limit) == ("flows", "bench")

    @property
    def pushed(self) -> bool:
        """Whether a fuel pump pushes enough through the finer filter, as far as is known."""
        found = self.finer_flow
        return self.feed("pump") and (found is None or found.limit != "pump")

    # Whether the engine gets enough fuel as it is.

    @property
    def installed_flow(self) -> FlowVerdict | None:
        """The verdict on the installed filter."""
        return self.flows[-1] if self.installed and self.flows else None

    @property
    def starves_now(self) -> bool:
        """Whether the installed filter starves the engine, measured or computed."""
        found = self.installed_flow
        return found is not None and found.verdict == "starves"

    @property
    def tested(self) -> bool:
        """Whether a flow test was entered."""
        return self.sample.flow_test_ml_min is not None

    @property
    def tested_installed(self) -> bool:
        """Whether it was made with the installed filter."""
        fitted, installed = self.sample.flow_test_um or self.sample.installed_um, self.sample.installed_um
        same = fitted is not None and installed is not None and abs(fitted / installed - 1) <= SAME_RATING
        return self.tested and same

    @property
    def paper_on_low_tank(self) -> bool:
        """Whether paper on gravity feed has less head than it likely needs."""
        found = self.installed_flow
        if found is None or found.margin_mm is None or not self.feed("gravity"):
            return False
        return found.filter.element == "paper" and found.verdict == "unknown" and found.margin_mm < 0

    @property
    def coarser(self) -> FlowVerdict | None:
        """The finest listed filter coarser than the installed one that keeps the engine fed, or likely so."""
        if self.installed is None:
            return None
        coarser = [found for found in self.flows[:-1] if found.filter.rating_um > self.installed.rating_um]
        sure = [found for found in coarser if found.verdict == "flows"]
        likely = [found for found in coarser if found.verdict == "unknown" and (found.margin_mm or -1) >= 0]
        return next(iter([*sure[::-1], *likely[::-1]]), None)

    @property
    def coarser_um(self) -> float | None:
        """Its rating."""
        return self.coarser.filter.rating_um if self.coarser else None

    # What went past, and what changed.

    @property
    def past_low(self) -> float:
        """Harmful pieces that went past the installed filter at the least, by the model."""
        past = self.given.further.went_past if self.given.further else None
        bands = past.bands if past and not past.refused else ()
        return float(sum(band.low for band in bands if band.from_um >= self.harm_um))

    @property
    def much_went_past(self) -> bool:
        """Whether that is so many that the bowl is worth a look."""
        return self.past_low >= self.data.shop.few_pieces and not self.makers_only

    def compared(self, verdict: str) -> bool:
        """Whether the comparison with the earlier sample came out so."""
        return self.given.comparison is not None and self.given.comparison.verdict == verdict

    @property
    def target_missed(self) -> bool:
        """Whether a stated cleaning target was not met."""
        target = self.given.comparison.target if self.given.comparison else None
        return target is not None and target.verdict == "not_met"
