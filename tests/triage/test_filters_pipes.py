"""Pressure losses against a handbook's worked example, published tables and an independent library."""

import math

import pytest

from triage.filters.pipes import (
    GRAVITY,
    L_H,
    bubble_pa,
    cloth_pa,
    fittings_pa,
    head_pa,
    hose_pa,
    orifice_pa,
    paper_pa,
    velocity,
)

fluids = pytest.importorskip("fluids", reason="the extra `test` brings the library fluids")

PETROL, THIN = 745.0, 5e-4  # kg/m3, Pa s
FOOT, INCH, GALLON, PSI = 0.3048, 0.0254, 3.785411784e-3, 6894.757


def test_a_handbooks_whole_pressure_balance():
    """Crane TP-410, example 7-9, as the library's documentation works it: SAE 30 oil, 400 gal/min, 5 in
    schedule 40 pipe, 300 ft of it, gate and angle valve, elbow, 50 ft up: 6.41 ft/s, Re 1676, 26.06 psi."""
    bore, density, viscosity, flow = 5.047 * INCH, 0.87 * 62.364 / 2.20462 / FOOT**3, 0.130, 400 * GALLON / 60
    fittings = (8 + 150 + 20) * 0.0154394

    total = (
        hose_pa(flow, bore, 300 * FOOT, density, viscosity)
        + fittings_pa(flow, bore, fittings, density)
        + head_pa(density, 50 * FOOT)
    )

    assert velocity(flow, bore) / FOOT == pytest.approx(6.414, rel=1e-3)
    assert density * velocity(flow, bore) * bore / viscosity == pytest.approx(1675.6, rel=1e-3)
    assert total / PSI == pytest.approx(26.064, rel=1e-3)


@pytest.mark.parametrize(
    ("mm", "pa"), [(50, 365.3), (100, 730.6), (300, 2191.8), (457.2, 3340.3), (609.6, 4453.7)]
)
def test_heads_of_petrol(mm, pa):
    """rho g h worked out by hand; 18 and 24 in are the lifts in service manuals of small twins."""
    assert head_pa(PETROL, mm / 1000) == pytest.approx(pa, abs=0.06)


@pytest.mark.parametrize(
    ("bore_mm", "litres", "pa"),
    [
        (6.35, 2, 3.48),
        (6.35, 5, 8.70),
        (6.35, 7.5, 13.05),
        (7.9375, 5, 3.56),
        (3.175, 2, 55.7),
        (3.175, 7.5, 208.8),
    ],
)
def test_hose_follows_hagen_poiseuille(bore_mm, litres, pa):
    """8 mu L Q / (pi R^4), half a metre of hose."""
    found = hose_pa(litres * L_H, bore_mm / 1000, 0.5, PETROL, THIN)
    assert found == pytest.approx(8 * THIN * 0.5 * litres * L_H / (math.pi * (bore_mm / 2000) ** 4), rel=1e-9)
    assert found == pytest.approx(pa, rel=2e-3)


@pytest.mark.parametrize(("litres", "within"), [(0.5, 1e-9), (5, 1e-9), (19, 1e-9), (100, 0.03), (400, 0.03)])
def test_hose_agrees_with_an_independent_library(litres, within):
    """Laminar exactly; turbulent, Blasius against the library's smooth-pipe friction factor."""
    flow, bore = litres * L_H, 0.00635
    expected = fluids.one_phase_dP(PETROL * flow, PETROL, THIN, bore, roughness=0.0, L=0.5)
    assert hose_pa(flow, bore, 0.5, PETROL, THIN) == pytest.approx(expected, rel=within)


def test_fittings_and_orifice_agree_with_an_independent_library():
    speed = velocity(5 * L_H, 0.002)
    assert fittings_pa(5 * L_H, 0.002, 10, PETROL) == pytest.approx(fluids.dP_from_K(10, PETROL, speed))
    assert orifice_pa(5 * L_H, 0.002, 0.75, PETROL) == pytest.approx(
        fluids.dP_from_K(1 / 0.75**2, PETROL, speed)
    )


@pytest.mark.parametrize(
    ("bore_mm", "kpa", "litres"), [(0.72, 1, 1.80), (0.72, 3, 3.12), (0.75, 1, 1.95), (1.0, 3, 6.02)]
)
def test_jets_pass_what_bernoulli_says(bore_mm, kpa, litres):
    """Cd A sqrt(2 p / rho), Cd 0.75, worked out apart from the program."""
    assert orifice_pa(litres * L_H, bore_mm / 1000, 0.75, PETROL) == pytest.approx(kpa * 1000, rel=0.01)


@pytest.mark.parametrize(
    ("opening_um", "area_mm2", "pa"), [(150, 50, 10.9), (150, 300, 1.69), (75, 50, 20.9), (75, 300, 3.36)]
)
def test_clean_cloth_costs_only_pascals(opening_um, area_mm2, pa):
    """Armour and Cannon (1968) at 5 l/h, standard sieve cloth, worked out apart from the program."""
    assert cloth_pa(5 * L_H, opening_um * 1e-6, area_mm2 * 1e-6, PETROL, THIN) == pytest.approx(pa, rel=0.005)


@pytest.mark.parametrize("reynolds", [20, 40, 80])
def test_cloth_agrees_with_blevins_screens_within_a_factor_of_two(reynolds):
    """Blevins' round-wire screens in the library; two correlations of one thing differ by some tens of %."""
    wire, opening = 100e-6, 150e-6
    speed = reynolds * THIN / (PETROL * wire)
    expected = fluids.dP_from_K(fluids.round_edge_screen(0.36, reynolds), PETROL, speed)
    ratio = cloth_pa(speed * 1e-4, opening, 1e-4, PETROL, THIN) / expected
    assert 0.5 < ratio < 2


def test_paper_follows_darcy():
    """K 1e-12 m2, 0.5 mm, 10 cm2, 5 l/h: 347 Pa, worked out by hand."""
    assert paper_pa(5 * L_H, 1e-12, 0.5e-3, 10e-4, THIN) == pytest.approx(347, abs=0.5)


@pytest.mark.parametrize(
    ("um", "pa", "mm"),
    [(150, 576, 79), (100, 864, 118), (75, 1152, 158), (30, 2880, 394), (25, 3456, 473), (10, 8640, 1183)],
)
def test_bubble_points_of_petrol(um, pa, mm):
    """4 sigma / D, sigma 0.0216 N/m, and the same as a height of fuel."""
    found = bubble_pa(0.0216, um * 1e-6)
    assert found == pytest.approx(pa, abs=0.5)
    assert 1000 * found / (PETROL * GRAVITY) == pytest.approx(mm, abs=0.6)


def test_nothing_flows_at_no_pressure():
    assert hose_pa(0, 0.006, 1, PETROL, THIN) == cloth_pa(0, 1e-4, 1e-4, PETROL, THIN) == 0
