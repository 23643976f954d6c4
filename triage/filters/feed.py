"""How fuel gets from tank to carburettor: what was stated of a machine, what is assumed of the rest."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from triage.errors import UserError
from triage.filters.fuel import ETHANOL_SHARE, LEAST_C, MOST_C, OIL_SHARE, Value, stated

KW_PER_HP = 0.7457
PULSE_PUMP = "service manuals of small twins: at least 7.5 l/h at 2.07 kPa (0.3 psi)"
LIFT = "service manuals of small twins: 18 in, others 24"
FUEL_PUMP = "a maker's page: 30 l/h, 20 to 24 kPa (2.9 to 3.5 psi); less: no source"
ASTM = "ASTM E11-17 allows single openings of 1.29 times at 150 um"


@dataclass(frozen=True)
class Assumed:
    """A number that can be replaced by name, within `least` and `most`: what it is, its unit, its value."""

    name: str
    what: str
    unit: str
    value: Value
    least: float = 1e-3
    most: float = 1e6


# Value(likely, kindest to the flow, worst for it, source).
ASSUMED = (
    Assumed("temperature_c", "temperature", "C", Value(20, 20, 20, "an ordinary day"), LEAST_C, MOST_C),
    Assumed("hose_bore_mm", "hose bore", "mm", Value(6.35, 7.94, 6.35, "1/4 in; 5/16 in: common practice")),
    Assumed("hose_length_mm", "hose length", "mm", Value(500, 200, 1000, "no source")),
    Assumed(
        "fittings_k", "losses in tap, tails, bends", "velocity heads", Value(10, 5, 30, "no source"), 0, 1000
    ),
    Assumed(
        "seat_mm",
        "bore of the open needle seat",
        "mm",
        Value(2.0, 2.5, 1.5, "2.0 in one maker's manual"),
        0.1,
    ),
    Assumed("seat_discharge", "its discharge factor", "", Value(0.75, 0.8, 0.6, "from memory"), 0.1, 1),
    Assumed("clogged", "part of the element blocked", "", Value(0.5, 0.5, 0.5, "a choice"), 0, 0.99),
    Assumed("reserve", "flow wanted in the flow test", "times the need", Value(2, 2, 2, "a choice"), 1, 100),
    Assumed(
        "permeability",
        "permeability of paper",
        "times rating^2 / 100",
        Value(1, 10, 0.1, "1e-13 to 1e-11 m2 for fine paper, from memory"),
    ),
    Assumed("thickness_mm", "thickness of paper", "mm", Value(0.5, 0.3, 0.8, "from memory")),
    Assumed(
        "widest_screen", "widest hole of a screen", "times the rating", Value(1, 1.3, 0.95, ASTM), 0.5, 5
    ),
    Assumed("widest_paper", "widest pore of paper", "times the rating", Value(1, 3, 1, "no source"), 0.5, 20),
)

CONSUMPTION = {  # by fuel: four-stroke, two-stroke, diesel
    "petrol": Value(400, 313, 500, "313 from the maker of a 160 cc engine; 500 from memory"),
    "oil_mix": Value(500, 425, 650, "425 published for a light two-stroke; the rest from memory"),
    "diesel": Value(260, 230, 300, "from memory"),
}
PUMPS = {  # by feed: pressure that it gives at its stated flow, and that flow
    "pulse": (Value(2068, 2068, 2068, PULSE_PUMP), Value(7.5, 7.5, 7.5, PULSE_PUMP)),
    "pump": (Value(20000, 24000, 13000, FUEL_PUMP), Value(30, 30, 30, FUEL_PUMP)),
}


@dataclass(frozen=True)
class FeedSetup:
    """One machine's fuel feed: what is known of it, and in `assumed` every number taken for the rest."""

    feed: str | None = None  # gravity | pulse | pump | injection
    fuel: str = "petrol"  # petrol | e10 | oil_mix | diesel
    power_kw: float | None = None
    cylinders: int | None = None
    head_mm: float | None = None  # fuel surface above the carburettor's inlet, tank nearly empty
    flow_test_ml_min: float | None = None  # measured at the carburettor's end of the hose
    flow_test_um: float | None = None  # rating of the filter that was fitted in that test
    assumed: tuple[Assumed, ...] = ASSUMED

    def find(self, name: str) -> Value | None:
        """Return an assumed number, or None where this feed has none of that name."""
        return next((each.value for each in self.assumed if each.name == name), None)

    @property
    def makers_only(self) -> bool:
        """Whether only the maker's element will do: injection, so every diesel too."""
        return self.feed == "injection" or self.fuel == "diesel"

    def value(self, name: str) -> Value:
        """Return an assumed number that every feed has; KeyError for any other."""
        found = self.find(name)
        if found is None:
            raise KeyError(name)
        return found


def completed(setup: FeedSetup) -> FeedSetup:
    """Add what is assumed by kind of fuel and of feed, where it is not there yet."""
    burnt = CONSUMPTION.get(setup.fuel, CONSUMPTION["petrol"])
    ethanol, oil = ETHANOL_SHARE.get(setup.fuel, 0.0), OIL_SHARE.get(setup.fuel, 0.0)
    more = [
        Assumed("consumption_g_kwh", "fuel burnt at rated power", "g/kWh", burnt, 100, 2000),
        Assumed(
            "ethanol_share", "ethanol in the fuel", "", Value(ethanol, ethanol, ethanol, "usual for it"), 0, 1
        ),
        Assumed("oil_share", "oil in the fuel", "", Value(oil, oil, oil, "usual for it"), 0, 0.2),
    ]
    if setup.feed in PUMPS:
        pressure, flow = PUMPS[setup.feed]
        more.append(Assumed("pump_pa", "pressure of the pump at its stated flow", "Pa", pressure))
        more.append(Assumed("pump_l_h", "stated flow of the pump", "l/h", flow))
        more.append(Assumed("pump_lift_mm", "height that the pump lifts", "mm", Value(457, 610, 457, LIFT)))
    there = {each.name for each in setup.assumed}
    return replace(setup, assumed=(*setup.assumed, *(each for each in more if each.name not in there)))


def replaced(setup: FeedSetup, numbers: Mapping[str, float]) -> FeedSetup:
    """Put stated numbers in the place of assumptions, by name.

    Raises
    ------
    UserError
        Nothing is assumed under that name, or the number cannot be right.
    """
    setup = completed(setup)
    known = {each.name: each for each in setup.assumed}
    for name, number in numbers.items():
        if name not in known:
            raise UserError(f"Nothing is assumed under the name {name}; choose from {', '.join(known)}.")
        least, most = known[name].least, known[name].most
        if not least <= number <= most:
            raise UserError(f"{name} cannot be {number:g}; give a number from {least:g} to {most:g}.")
    return replace(
        setup,
        assumed=tuple(
            replace(each, value=stated(numbers[each.name])) if each.name in numbers else each
            for each in setup.assumed
        ),
    )


def demand_l_h(power_kw: float, consumption_g_kwh: Value, density: float) -> Value:
    """Return the fuel, litres an hour, that an engine burns at rated power; density in kg/m3."""
    return consumption_g_kwh.scaled(power_kw / density)
