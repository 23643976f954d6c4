"""Will the engine still get fuel through a filter: what it needs, what there is, which of two limits bites.

Two limits, each as a height of fuel. Flow: hose, fittings, needle seat and part-blocked element at rated
power. Air: a bubble of air or vapour held on a fuel-wet element lets nothing by until 4 sigma / D pushes it
through. Clean cloth and hose cost next to nothing at small engines' flows, so on gravity feed it is mostly
the second; that this is why the trade fits coarse screens to gravity feed is an inference, not a source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from triage.filters.feed import Assumed, FeedSetup, completed, demand_l_h
from triage.filters.fuel import Liquid, Value, liquid, stated
from triage.filters.pipes import (
    L_H,
    bubble_pa,
    cloth_pa,
    fittings_pa,
    head_pa,
    hose_pa,
    orifice_pa,
    paper_pa,
)
from triage.filters.shelf import Filter

PERMEABILITY_RULE = (
    100  # permeability of an element: pore squared over this; the Armour-Cannon cloths have 81
)
L_H_PER_ML_MIN = 0.06
SAME_RATING = 0.05
JOINT = 1.25  # joined by squares, assumptions spread evenly over their ranges keep to 92 to 94 %; so, to 95

# Area of the element, mm2, by what it is and its size class: no source.
AREAS = {
    ("screen", "compact"): (100, 200, 50),
    ("screen", "standard"): (300, 600, 50),
    ("screen", "large"): (600, 1200, 300),
    ("paper", "compact"): (1000, 2000, 500),
    ("paper", "standard"): (3000, 6000, 1000),
    ("paper", "large"): (8000, 16000, 4000),
}
Numbers = Mapping[str, float]


@dataclass(frozen=True)
class FlowVerdict:
    """What one filter does to the feed. Heights are mm of fuel above the carburettor's inlet."""

    filter: Filter
    verdict: str  # flows | starves | unknown
    limit: str  # flow | air | pump | bench | maker | unstated: what decides, or is missing
    demand_l_h: Value | None
    have_mm: float | None  # head, the pump's pressure added
    full_mm: Value | None  # needed at rated power, the part-blocked element full of fuel
    air_mm: Value | None  # needed to push held air or vapour through the element
    least_head_mm: Value | None  # head at which both are met; below 0 the tank may lie lower
    margin_mm: float | None  # head there is beyond the likely least head
    blocked_until: float | None  # part of the element that may be blocked before the flow runs short
    assumptions: tuple[str, ...] = ()


class Fed(Protocol):
    """What `flow_for` reads of a sample."""

    @property
    def feed(self) -> str | None:
        """Kind of feed."""

    @property
    def fuel(self) -> str | None:
        """Kind of fuel."""

    @property
    def installed_um(self) -> float | None:
        """Rating of the filter that is fitted."""

    @property
    def head_mm(self) -> float | None:
        """Fuel surface above the carburettor's inlet."""

    @property
    def power_kw(self) -> float | None:
        """Rated power."""

    @property
    def flow_test_ml_min(self) -> float | None:
        """Flow measured at the carburettor's end of the hose."""

    @property
    def flow_test_um(self) -> float | None:
        """Rating of the filter that was fitted in that test."""


def flow_for(sample: Fed, filters: Sequence[Filter]) -> tuple[FlowVerdict, ...]:
    """Judge the filters for a sample's machine; a flow test that names no filter had the installed one."""
    setup = FeedSetup(
        feed=sample.feed,
        fuel=sample.fuel or "petrol",
        power_kw=sample.power_kw,
        head_mm=sample.head_mm,
        flow_test_ml_min=sample.flow_test_ml_min,
        flow_test_um=sample.flow_test_um or sample.installed_um,
    )
    return judge(setup, filters)


def judge(setup: FeedSetup, filters: Sequence[Filter]) -> tuple[FlowVerdict, ...]:
    """Say of each filter, in the order given, whether it keeps the engine fed.

    flows: the head meets both limits with every assumption at its worst, those being independent.
    starves: it does not meet the flow limit with every assumption at its kindest.
    unknown: between, or something was not stated. A flow measured at the bench wins over the model.
    """
    setup = completed(setup)
    warm, ethanol, oil = (
        setup.value(name).likely for name in ("temperature_c", "ethanol_share", "oil_share")
    )
    fuel = liquid(setup.fuel, warm, ethanol, oil)
    return tuple(_verdict(setup, fuel, entry) for entry in filters)


def _verdict(setup: FeedSetup, fuel: Liquid, entry: Filter) -> FlowVerdict:
    burnt = setup.value("consumption_g_kwh")
    flow = demand_l_h(setup.power_kw, burnt, fuel.density.likely) if setup.power_kw else None
    full, air = _needs(setup, fuel, entry, flow)
    pump = setup.find("pump_pa")
    pump_mm = pump.likely / head_pa(fuel.density.likely, 1e-3) if pump else 0.0
    head = 0.0 if setup.head_mm is None and pump else setup.head_mm
    have = None if head is None else head + pump_mm
    least = _lifted(_larger(full, air).moved(-pump_mm), setup)
    found = FlowVerdict(
        filter=entry,
        verdict="unknown",
        limit="unstated",
        demand_l_h=flow,
        have_mm=have,
        full_mm=full,
        air_mm=air,
        least_head_mm=least,
        margin_mm=None if head is None else head - least.likely,
        blocked_until=_blocked_until(setup, fuel, entry, flow, have),
        assumptions=tuple(map(in_words, (*setup.assumed, *_of_element(fuel, entry)))),
    )
    verdict, limit = _decide(setup, found)
    return replace(found, verdict=verdict, limit=limit)


def _decide(setup: FeedSetup, found: FlowVerdict) -> tuple[str, str]:
    """Return (verdict, limit): the maker's word, else the bench's, else the model's."""
    if setup.makers_only:
        return "unknown", "maker"
    bench = _by_bench(setup, found)
    if bench:
        return bench, "bench"
    if found.have_mm is None or found.full_mm is None or found.air_mm is None or found.demand_l_h is None:
        return "unknown", "unstated"
    if _beyond_pump(setup, found.demand_l_h):
        return "unknown", "pump"
    have, full, air = found.have_mm, found.full_mm, found.air_mm
    decides = "air" if air.worst >= full.worst or have >= full.worst else "flow"
    if have < full.best:
        return "starves", "flow"
    return ("flows" if have >= max(full.worst, air.worst) else "unknown"), decides


def _beyond_pump(setup: FeedSetup, demand: Value) -> bool:
    """Whether more is asked of the pump, in flow or in lift, than it is stated to give."""
    flow, lift = setup.find("pump_l_h"), setup.find("pump_lift_mm")
    if flow is None or lift is None:
        return False
    return demand.worst > flow.likely or (setup.head_mm or 0.0) < -lift.likely


def _by_bench(setup: FeedSetup, found: FlowVerdict) -> str | None:
    """What a measured flow says of the filter tested, of coarser ones if it was enough, of finer if not."""
    measured, tested = setup.flow_test_ml_min, setup.flow_test_um
    if measured is None or tested is None or found.demand_l_h is None:
        return None
    flow, coarse, fine = measured * L_H_PER_ML_MIN, found.filter.rating_um, found.filter.finest_um
    same = (fine or coarse) * (1 - SAME_RATING) <= tested <= coarse * (1 + SAME_RATING)
    enough = flow >= setup.value("reserve").likely * found.demand_l_h.worst
    too_little = flow < found.demand_l_h.best
    if enough and (same or coarse > tested):
        return "flows"
    if too_little and (same or coarse < tested):
        return "starves"
    return "unknown" if same else None


def _needs(setup: FeedSetup, fuel: Liquid, entry: Filter, flow: Value | None) -> tuple[Value | None, Value]:
    """Return the two limits, mm of fuel: at rated power, full of fuel; and for held air."""
    values = _values(setup, fuel, entry)
    column = head_pa(fuel.density.likely, 1e-3)

    def losses(at: Numbers) -> float:
        return (_line_pa(at) + _element_pa(at, entry, setup.value("clogged").likely)) / column

    air = _spread(lambda at: bubble_pa(at["tension"], at["opening"]) / column, values)
    if flow is None:
        return None, air
    return _spread(losses, {**values, "flow": flow.scaled(L_H)}), air


def _values(setup: FeedSetup, fuel: Liquid, entry: Filter) -> dict[str, Value]:
    """Every number of the model, SI units."""
    widest = setup.value(f"widest_{entry.element}")
    fine, coarse = (entry.finest_um or entry.rating_um) * 1e-6, entry.rating_um * 1e-6
    opening = Value(fine * widest.likely, coarse * widest.best, fine * widest.worst, widest.source)
    return {
        "density": fuel.density,
        "viscosity": fuel.viscosity,
        "tension": fuel.tension,
        "bore": setup.value("hose_bore_mm").scaled(1e-3),
        "length": setup.value("hose_length_mm").scaled(1e-3),
        "fittings": setup.value("fittings_k"),
        "seat": setup.value("seat_mm").scaled(1e-3),
        "discharge": setup.value("seat_discharge"),
        "opening": opening,
        "area": _area(entry).scaled(1e-6),
        "permeability": setup.value("permeability").scaled(fine**2 / PERMEABILITY_RULE),
        "thickness": setup.value("thickness_mm").scaled(1e-3),
    }


def _area(entry: Filter) -> Value:
    if entry.area_mm2 is not None:
        return stated(entry.area_mm2)
    size = entry.size_class or "standard"
    return Value(*AREAS[entry.element, size], "unfolded; no source")


def _line_pa(at: Numbers) -> float:
    """Pressure that hose, fittings and needle seat take."""
    return (
        hose_pa(at["flow"], at["bore"], at["length"], at["density"], at["viscosity"])
        + fittings_pa(at["flow"], at["bore"], at["fittings"], at["density"])
        + orifice_pa(at["flow"], at["seat"], at["discharge"], at["density"])
    )


def _element_pa(at: Numbers, entry: Filter, blocked: float) -> float:
    """Pressure that an element takes with a part of it blocked; as measured on the clean one where known."""
    if entry.clean_loss_pa is not None and entry.clean_flow_l_h is not None:
        return entry.clean_loss_pa * at["flow"] / (entry.clean_flow_l_h * L_H) / (1 - blocked)
    area = at["area"] * (1 - blocked)
    if entry.element == "screen":
        return cloth_pa(at["flow"], at["opening"], area, at["density"], at["viscosity"])
    return paper_pa(at["flow"], at["permeability"], at["thickness"], area, at["viscosity"])


def _spread(need: Callable[[Numbers], float], values: Mapping[str, Value]) -> Value:
    """Return a need with its range: what each assumption alone can do to it, as ratios joined by squares."""
    likely = {name: value.likely for name, value in values.items()}
    middle = need(likely)

    def reach(end: str) -> float:
        alone = (need({**likely, name: getattr(value, end)}) for name, value in values.items())
        return JOINT * math.sqrt(sum(math.log(each / middle) ** 2 for each in alone))

    return Value(middle, middle * math.exp(-reach("best")), middle * math.exp(reach("worst")), "model")


def _larger(full: Value | None, air: Value) -> Value:
    if full is None:
        return air
    return Value(
        max(full.likely, air.likely),
        max(full.best, air.best),
        max(full.worst, air.worst),
        "the larger of the two limits",
    )


def _lifted(least: Value, setup: FeedSetup) -> Value:
    """The same, held to what the pump can lift."""
    lift = setup.find("pump_lift_mm")
    if lift is None:
        return least
    low = -lift.likely
    return Value(max(least.likely, low), max(least.best, low), max(least.worst, low), least.source)


def _blocked_until(
    setup: FeedSetup, fuel: Liquid, entry: Filter, flow: Value | None, have_mm: float | None
) -> float | None:
    """Part of a likely element that may be blocked before the flow runs short; None if it does when clean."""
    if flow is None or have_mm is None:
        return None
    values = {**_values(setup, fuel, entry), "flow": flow.scaled(L_H)}
    at = {name: value.likely for name, value in values.items()}
    left = head_pa(at["density"], have_mm * 1e-3) - _line_pa(at)
    clean = _element_pa(at, entry, 0.0)
    return 1 - clean / left if left > clean else None


def _of_element(fuel: Liquid, entry: Filter) -> tuple[Assumed, ...]:
    """Assumptions that are not of the feed: the fuel's properties and the element."""
    size = f"{entry.size_class or 'standard'} {entry.element} element"
    what = f"area of a {size}" if entry.area_mm2 is None else f"area of the {entry.rating} um element"
    return (
        Assumed("", "density of the fuel", "kg/m3", fuel.density),
        Assumed("", "viscosity of the fuel", "mPa s", fuel.viscosity.scaled(1e3)),
        Assumed("", "surface tension of the fuel", "mN/m", fuel.tension.scaled(1e3)),
        Assumed("", what, "mm2", _area(entry)),
    )


def in_words(each: Assumed) -> str:
    """Return an assumption as one line: what, how much, in what range, from where."""
    value = each.value
    low, high = sorted((value.best, value.worst))
    spread = "" if low == high else f" ({_figure(low)} to {_figure(high)})"
    name = f" [{each.name}]" if each.name else ""
    return f"{each.what}{name}: {f'{_figure(value.likely)} {each.unit}'.strip()}{spread}; {value.source}"


def _figure(number: float) -> str:
    return f"{float(f'{number:.3g}'):g}" if abs(number) < 1e5 else f"{number:.0f}"
