"""Fuels: density, viscosity and surface tension with temperature, each with its range and its source."""

from __future__ import annotations

import math
from dataclasses import dataclass

ABS_ZERO_C = -273.15
DENSITY_AT_C, KNOWN_AT_C = 15.0, 20.0
SLACKENING = 0.1  # mN/m lost with each degree: n-heptane, n-octane and ethanol alike (REFERENCE)
LEAST_C, MOST_C = -30.0, 50.0  # the range that the temperature laws are used over
REFERENCE = "reference equations of the pure hydrocarbons (CoolProp 8.0)"


@dataclass(frozen=True)
class Value:
    """A number that may be assumed: the likely one, the kindest to the flow, the worst, and its source."""

    likely: float
    best: float
    worst: float
    source: str
    stated: bool = False

    def moved(self, by: float) -> Value:
        """The same with something added to all three numbers."""
        return Value(self.likely + by, self.best + by, self.worst + by, self.source, self.stated)

    def scaled(self, factor: float) -> Value:
        """The same with all three numbers multiplied."""
        return Value(self.likely * factor, self.best * factor, self.worst * factor, self.source, self.stated)


def stated(number: float) -> Value:
    """Return a number that somebody gave, taken as it is."""
    return Value(number, number, number, "as stated", stated=True)


@dataclass(frozen=True)
class Stuff:
    """One constituent, at the temperatures at which its values are known."""

    density: Value  # kg/m3 at 15 C
    thinning: float  # kg/m3 lost with each degree
    viscosity: Value  # mPa s at 20 C
    warmth: float  # K: the viscosity goes with exp(warmth / absolute temperature)
    tension: Value  # mN/m at 20 C


@dataclass(frozen=True)
class Liquid:
    """A fuel at its temperature: density kg/m3, viscosity Pa s, surface tension N/m."""

    density: Value
    viscosity: Value
    tension: Value


# thinning, warmth: n-heptane 0.84, n-octane 0.80, toluene 0.93 kg/m3 a degree; 950 to 1090 K (REFERENCE).
PETROL = Stuff(
    density=Value(745, 775, 720, "EN 228: 720 to 775 kg/m3 at 15 C"),
    thinning=0.85,
    viscosity=Value(0.5, 0.3, 0.7, f"n-hexane 0.31, n-octane 0.54, toluene 0.59 mPa s at 20 C, {REFERENCE}"),
    warmth=1000,
    tension=Value(21.6, 18.4, 24.0, f"n-hexane 18.4, n-octane 21.7, n-decane 23.9 mN/m at 20 C, {REFERENCE}"),
)
ETHANOL = Stuff(
    density=Value(793.7, 793.7, 793.7, "reference equation of ethanol (CoolProp 8.0)"),
    thinning=0.85,
    viscosity=Value(1.19, 1.15, 1.25, "1.51 mm2/s at 20 C; reference equation of ethanol (CoolProp 8.0)"),
    warmth=1690,
    tension=Value(22.4, 22.4, 22.4, "reference equation of ethanol (CoolProp 8.0)"),
)
DIESEL = Stuff(
    density=Value(832, 845, 820, "EN 590: 820 to 845 kg/m3 at 15 C"),
    thinning=0.7,
    viscosity=Value(3.8, 2.52, 5.66, "EN 590: 2.0 to 4.5 mm2/s at 40 C, taken to 20 C"),
    warmth=2000,
    tension=Value(27, 25, 29, "25 to 28.3 mN/m at 20 C, from published figures for single fuels"),
)
OIL = Stuff(
    density=Value(880, 880, 880, "from memory"),
    thinning=0.65,
    viscosity=Value(120, 60, 250, "two-stroke oil at 20 C, from memory"),
    warmth=4500,
    tension=Value(30, 28, 32, "from memory"),
)
FUELS = ("petrol", "e10", "oil_mix", "diesel")
ETHANOL_SHARE = {"e10": 0.10}  # by volume, at most
OIL_SHARE = {"oil_mix": 0.02}  # 50 to 1: common practice, no source


def liquid(fuel: str, temperature_c: float, ethanol: float | None = None, oil: float | None = None) -> Liquid:
    """Return the fuel at a temperature; `ethanol` and `oil` are shares by volume that replace the usual ones.

    Blends are taken by volume: density and surface tension in proportion, viscosity in proportion of its
    logarithm (Arrhenius). The temperature is held within -30 to 50 C.
    """
    base = DIESEL if fuel == "diesel" else PETROL
    ethanol = ETHANOL_SHARE.get(fuel, 0.0) if ethanol is None else ethanol
    oil = OIL_SHARE.get(fuel, 0.0) if oil is None else oil
    warm = min(max(temperature_c, LEAST_C), MOST_C)
    parts = [(base, 1 - ethanol - oil), (ETHANOL, ethanol), (OIL, oil)]
    parts = [(stuff, share) for stuff, share in parts if share > 0]
    return Liquid(
        density=_mixed([(_density(stuff, warm), share) for stuff, share in parts]),
        viscosity=_mixed([(_viscosity(stuff, warm), share) for stuff, share in parts], logarithmic=True),
        tension=_mixed([(_tension(stuff, warm), share) for stuff, share in parts]),
    )


def _density(stuff: Stuff, warm: float) -> Value:
    return stuff.density.moved(stuff.thinning * (DENSITY_AT_C - warm))


def _viscosity(stuff: Stuff, warm: float) -> Value:
    inverse = 1 / (warm - ABS_ZERO_C) - 1 / (KNOWN_AT_C - ABS_ZERO_C)
    return stuff.viscosity.scaled(1e-3 * math.exp(stuff.warmth * inverse))


def _tension(stuff: Stuff, warm: float) -> Value:
    return stuff.tension.moved(SLACKENING * (KNOWN_AT_C - warm)).scaled(1e-3)


def _mixed(parts: list[tuple[Value, float]], *, logarithmic: bool = False) -> Value:
    def mean(end: str) -> float:
        each = [(getattr(value, end), share) for value, share in parts]
        if logarithmic:
            return math.exp(sum(share * math.log(number) for number, share in each))
        return float(sum(share * number for number, share in each))

    return Value(mean("likely"), mean("best"), mean("worst"), "; ".join(value.source for value, _ in parts))
