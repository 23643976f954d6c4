"""Fuel properties against standards and published values."""

import pytest

from triage.filters.feed import CONSUMPTION, demand_l_h
from triage.filters.fuel import Value, liquid, stated

ENDS = ("likely", "best", "worst")


def test_petrol_keeps_to_en_228():
    """EN 228: 720 to 775 kg/m3 at 15 C."""
    density = liquid("petrol", 15).density
    assert {density.best, density.worst} == {720, 775}
    assert 720 < density.likely < 775


def test_petrol_is_as_thin_as_what_it_is_made_of():
    """Kinematic, 20 C: n-hexane 0.51, n-octane 0.805, toluene 0.68 mm2/s (published table)."""
    petrol = liquid("petrol", 20)
    assert 0.51 < 1e6 * petrol.viscosity.likely / petrol.density.likely < 0.805


def test_ethanol_is_as_published():
    """Kinematic viscosity 1.51 mm2/s at 20 C; reference equation: 789.4 kg/m3, 22.37 mN/m there."""
    pure = liquid("petrol", 20, ethanol=1.0)
    assert pure.density.likely == pytest.approx(789.4, abs=0.5)
    assert 1e6 * pure.viscosity.likely / pure.density.likely == pytest.approx(1.51, abs=0.02)
    assert pure.tension.likely == pytest.approx(0.02237, abs=1e-4)


@pytest.mark.parametrize(
    ("warm", "density", "viscosity", "tension"),
    [(-10, 814.9, 2.288, 25.25), (0, 806.4, 1.819, 24.29), (40, 772.1, 0.8195, 20.43)],
)
def test_ethanol_with_temperature(warm, density, viscosity, tension):
    """Reference equations of state and viscosity as CoolProp 8.0 prints them."""
    pure = liquid("petrol", warm, ethanol=1.0)
    assert pure.density.likely == pytest.approx(density, rel=0.002)
    assert 1e3 * pure.viscosity.likely == pytest.approx(viscosity, rel=0.04)
    assert 1e3 * pure.tension.likely == pytest.approx(tension, rel=0.04)


def test_petrol_thickens_in_the_cold_as_its_hydrocarbons_do():
    """From 20 to 0 C, CoolProp 8.0: n-heptane times 1.269, toluene 1.312, n-octane 1.314."""
    cold, warm = (liquid("petrol", at).viscosity.likely for at in (0, 20))
    assert 1.26 < cold / warm < 1.32


@pytest.mark.parametrize("end", ENDS)
def test_diesel_keeps_to_en_590(end):
    """EN 590: 820 to 845 kg/m3 at 15 C, 2.0 to 4.5 mm2/s at 40 C."""
    diesel = liquid("diesel", 40)
    assert 2.0 <= 1e6 * getattr(diesel.viscosity, end) / diesel.density.likely <= 4.5
    assert 820 <= getattr(liquid("diesel", 15).density, end) <= 845


def test_blends_lie_between_what_they_are_blended_of():
    petrol, e10, mix = (liquid(fuel, 20) for fuel in ("petrol", "e10", "oil_mix"))
    assert petrol.density.likely < e10.density.likely < liquid("petrol", 20, ethanol=1.0).density.likely
    assert petrol.viscosity.likely < e10.viscosity.likely < mix.viscosity.likely
    assert "ethanol" in e10.viscosity.source


@pytest.mark.parametrize(
    ("kw", "burnt", "litres"),
    [(1.5, 400, 0.805), (2.5, 400, 1.342), (4.4, 313, 1.849), (8.7, 313, 3.655), (18, 320, 7.732)],
)
def test_demand_at_rated_power(kw, burnt, litres):
    """Power times specific consumption over 745 kg/m3, worked out by hand."""
    assert demand_l_h(kw, stated(burnt), 745).likely == pytest.approx(litres, abs=0.001)


def test_the_kindest_consumption_is_the_makers_figure():
    """A 160 cc engine's maker states 230 g a metric horsepower-hour; one is 0.7355 kW."""
    assert CONSUMPTION["petrol"].best == pytest.approx(230 / 0.7355, abs=0.5)


def test_values_scale_and_move_as_a_whole():
    value = Value(2, 1, 4, "somewhere")
    assert value.scaled(2) == Value(4, 2, 8, "somewhere")
    assert value.moved(1) == Value(3, 2, 5, "somewhere")
