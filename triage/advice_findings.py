"""What the rules of the advice look at: named findings, each with one job.

A rule names a finding by its method or property (`triage/advice_rules.toml`). Here are those on the filter:
whether another is wanted, and whether the engine still gets enough fuel; the rest is in `advice_sample.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from triage.advice_sample import SampleFindings
from triage.filters import Filter
from triage.filters.flow import SAME_RATING, FlowVerdict, flow_for
from triage.sizing import Passing
from triage.sizing.orifices import OrificeRisk
from triage.sizing.ratings import widest_passing
from triage.sizing.went_past import installed_filter

BEST_FIRST = ("flows", "unknown", "starves")
MADE_BEHIND = ("swarf", "hose_crumbs", "white_corrosion", "green_corrosion")  # no filter before it helps


@dataclass(frozen=True)
class Findings(SampleFindings):
    """All findings on one sample and its machine."""

    @cached_property
    def flows(self) -> tuple[FlowVerdict, ...]:
        """What each listed filter does to the feed; the installed one last, where it is known."""
        installed = [self.installed] if self.installed else []
        return flow_for(self.sample, (*self.given.filters, *installed))

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
        """Whether there is one, and the engine is not short of fuel already."""
        return self.finer is not None and not self.short_now

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
        """What a listed filter does to the feed: of several of that rating, the one that feeds best."""
        same = [
            found
            for found in self.flows
            if found.filter.rating_um == rating_um and found.filter.element == element
        ]
        return min(same, key=lambda found: BEST_FIRST.index(found.verdict), default=None)

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
        scant = found.verdict == "unknown" and found.margin_mm < 0
        return found.filter.element == "paper" and scant and not self.tested_installed

    @property
    def short_now(self) -> bool:
        """Whether the engine is, or may be, short of fuel through the filter that it has."""
        return self.starves_now or self.paper_on_low_tank

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

    @property
    def past(self) -> tuple[float, float, float]:
        """Harmful pieces that went past the installed filter, by the model: estimate, low, high."""
        past = self.given.further.went_past if self.given.further else None
        bands = past.bands if past and not past.refused else ()
        counted = [band for band in bands if band.from_um >= self.harm_um]
        return (
            sum(band.past for band in counted),
            sum(band.low for band in counted),
            sum(band.high for band in counted),
        )

    @property
    def much_went_past(self) -> bool:
        """Whether that is so many that the bowl is worth a look."""
        return self.past[0] >= self.data.shop.few_pieces and not self.makers_only
