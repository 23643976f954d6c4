"""Volume and mass: published masses of 100 um spheres, solids lying flat, limits, rates, capacity."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.triage.tables import round_grains
from triage.debris.particles import KINDS
from triage.errors import UserError
from triage.filters.materials import Material, Materials, load_materials
from triage.sizing.amount import Exposure, amount

BALL = {"thickness": 1.0, "thickness_low": 1.0, "thickness_high": 1.0}
WHOLE = Exposure()


def ball_of(density: float, kind: str = "unsure") -> Materials:
    material = Material(kind, density, density, density, **BALL, source="test")
    return Materials({kind: material}, {})


@pytest.mark.parametrize(
    ("density", "micrograms"),
    [(5.26, 2.754), (2.65, 1.388), (2.70, 1.414), (8.5, 4.451), (7.85, 4.110), (1.2, 0.628), (1.31, 0.686)],
)
def test_balls_of_100_um_weigh_what_arithmetic_says(density, micrograms):
    """pi/6 d^3 rho for hematite, quartz, aluminium, brass, steel, nitrile rubber, keratin."""
    found = amount(round_grains([100.0] * 50), ball_of(density), 30.0, 0.0, WHOLE)
    assert found.mass_mg.value == pytest.approx(50 * micrograms / 1000, rel=1e-3)
    assert found.volume_mm3.value == pytest.approx(50 * np.pi / 6 * 1e-3, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "height"),
    [
        *(("rust", 0.15), ("rust", 0.8), ("grit", 0.5), ("grit", 1.0), ("unsure", 0.2), ("unsure", 1.0)),
        *(("rubber", 0.3), ("rubber", 1.0), ("bright_metal", 0.1), ("gum", 0.05)),
    ],
)
def test_the_interval_holds_square_plates_lying_flat(kind, height):
    """A plate a by a by height a: outline a^2, volume height a^3; a cube at most 1.33 of its ball."""
    table = round_grains([200 * np.sqrt(4 / np.pi)] * 400)
    table["kind"] = kind
    found = amount(table, load_materials(), 30.0, 0.003, WHOLE)
    truth = 400 * height * 0.2**3
    assert found.volume_mm3.low <= truth <= found.volume_mm3.high


def test_a_fibre_is_a_round_thread():
    table = round_grains([100.0] * 30)
    table["kind"], table["width_um"], table["length_um"] = "fibre", 20.0, 2000.0
    found = amount(table, ball_of(1.0, "fibre"), 30.0, 0.0, WHOLE)
    assert found.volume_mm3.value == pytest.approx(30 * np.pi / 4 * 0.02**2 * 2.0)


def test_limits_are_those_of_sampling_sizes_thickness_and_density():
    """Only one of them at a time: 400 equal balls, Garwood's limits; 3 times a scale of 1 % at 2 sigma."""
    table = round_grains([100.0] * 400)
    sampled = amount(table, ball_of(1.0), 30.0, 0.0, WHOLE).mass_mg
    assert (sampled.low / sampled.value, sampled.high / sampled.value) == pytest.approx(
        (361.75 / 400, 441.18 / 400), rel=1e-3
    )
    scaled = amount(table, ball_of(1.0), 30.0, 0.01, WHOLE).mass_mg
    assert 1 - scaled.low / scaled.value == pytest.approx(np.hypot(1 - 361.75 / 400, 0.06), rel=1e-3)
    thick = replace(ball_of(1.0).of_kind["unsure"], thickness_low=0.5, thickness_high=2.0)
    wide = amount(table, Materials({"unsure": thick}, {}), 30.0, 0.0, WHOLE).mass_mg
    assert wide.high / wide.value == pytest.approx(1 + np.hypot(1.0, 41.18 / 400), rel=1e-3)
    assert wide.low / wide.value == pytest.approx(1 - np.hypot(0.5, 38.25 / 400), rel=1e-3)


def test_each_pieces_own_uncertainty_goes_in_three_times():
    """20 % of a diameter is 60 % of a volume; of 400 pieces a twentieth of that is left, at 2 sigma."""
    found = amount(round_grains([100.0] * 400, 20.0), ball_of(1.0), 30.0, 0.0, WHOLE).mass_mg
    assert 1 - found.low / found.value == pytest.approx(np.hypot(1 - 361.75 / 400, 2 * 0.6 / 20), rel=1e-3)


def test_the_heaviest_kind_comes_first():
    table = round_grains([100.0] * 30 + [300.0] * 30)
    table["kind"] = ["rust"] * 30 + ["grit"] * 30
    kinds = amount(table, load_materials(), 30.0, 0.0, WHOLE).kinds
    assert [each.kind for each in kinds] == ["grit", "rust"]
    assert kinds[0].mass_mg.value > kinds[1].mass_mg.value


def test_few_pieces_decide_and_there_is_no_interval():
    found = amount(round_grains([30.0] * 400 + [900.0]), load_materials(), 30.0, 0.003, WHOLE)
    assert found.few_pieces_decide
    assert (found.mass_mg.low, found.mass_mg.high) == (None, None)
    assert found.mass_mg.value > 0


def test_rates_and_the_part_photographed():
    table = round_grains([100.0] * 50)
    whole = amount(table, ball_of(2.0), 30.0, 0.0, Exposure(1.0, 10.0, 20.0, 500.0))
    half = amount(table, ball_of(2.0), 30.0, 0.0, Exposure(0.5, 10.0, 20.0, 500.0))
    assert half.mass_mg.value == pytest.approx(2 * whole.mass_mg.value)
    assert whole.mg_per_hour.value == pytest.approx(whole.mass_mg.value / 10)
    assert whole.mg_per_litre_burnt.high == pytest.approx(whole.mass_mg.high / 20)
    assert whole.mg_per_ml.low == pytest.approx(whole.mass_mg.low / 500)


def test_what_an_element_holds():
    found = amount(round_grains([500.0] * 200), load_materials(), 30.0, 0.0, Exposure(element="paper"))
    assert found.filled.share_low == pytest.approx(found.mass_mg.low / found.filled.high_mg)
    assert found.filled.share_high == pytest.approx(found.mass_mg.high / found.filled.low_mg)
    assert "from memory" in found.filled.source
    assert amount(round_grains([500.0] * 200), load_materials(), 30.0, 0.0, WHOLE).filled is None


def test_the_parts_add_up_and_nothing_is_a_valid_amount():
    rng = np.random.default_rng(0)
    table = round_grains(80 * np.exp(0.3 * rng.standard_normal(300)))
    table["kind"] = rng.choice(["rust", "grit", "rubber"], 300)
    found = amount(table, load_materials(), 30.0, 0.003, WHOLE)
    assert sum(kind.mass_mg.value for kind in found.kinds) == pytest.approx(found.mass_mg.value)
    assert sum(kind.count for kind in found.kinds) == found.count
    nothing = amount(round_grains([]), load_materials(), 30.0, 0.003, WHOLE)
    assert (nothing.count, nothing.mass_mg.value, nothing.kinds) == (0, 0.0, ())


def test_unsized_and_cut_pieces_are_not_in_it():
    table = round_grains([100.0] * 50 + [20.0] * 50, limit_um=30.0)
    table["weight"][:10] = 0.0
    assert amount(table, load_materials(), 30.0, 0.003, WHOLE).count == 40


def test_every_kind_has_a_material_with_a_source():
    materials = load_materials()
    assert set(materials.of_kind) == set(KINDS)
    assert all(material.source for material in materials.of_kind.values())
    assert set(materials.holding) == {"screen", "paper"}


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("density = 3.8", 'density = "3.8"', "line 29: density must be a number of g/cm3"),
        ("density = 3.8", "density = 1.0", '"rust": density must lie between its limits'),
        ('kind = "gum"', 'kind = "tar"', 'kind must be one of "fibre"'),
        ('kind = "gum"', 'kind = "rust"', "has no material for gum"),
        ("low_mg = 10", "low_mg = -1", "low_mg must be a number of mg"),
    ],
)
def test_a_wrong_list_is_told_plainly(tmp_path, old, new, said):
    from triage.filters.blocks import list_in_use

    text = list_in_use("materials.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "materials.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UserError) as raised:
        load_materials(path)
    assert said in str(raised.value)


def fibres_of(lengths_um, weight=1.0, fraction=1.0, scale_rel_u=0.0):
    table = round_grains([80.0] * (len(lengths_um) + 5))
    table["kind"][:-5], table["length_um"][:-5], table["weight"][:-5] = "fibre", lengths_um, weight
    found = amount(table, load_materials(), 30.0, scale_rel_u, Exposure(fraction))
    return {kind.kind: kind.length for kind in found.kinds}


def test_fibres_are_stated_by_length_and_nothing_else_is():
    """1, 2 and 3 mm: 6 mm in all, mean weighted by length 14 / 6 mm; half of it photographed, 12 mm."""
    lengths = fibres_of([1000.0, 2000.0, 3000.0])
    assert lengths["unsure"] is None
    assert lengths["fibre"].total_mm.value == pytest.approx(6.0)
    assert lengths["fibre"].mean_mm == pytest.approx(14 / 6)
    assert lengths["fibre"].total_mm.low is None  # few pieces decide
    half = fibres_of([1000.0, 2000.0, 3000.0], fraction=0.5)["fibre"]
    assert (half.total_mm.value, half.mean_mm) == (pytest.approx(12.0), pytest.approx(14 / 6))


def test_equal_fibres_leave_the_exact_limits_of_their_number():
    """Garwood's limits of 100 counted: 81.36 and 121.63; a scale error of 10 % (two of 5 %) by squares."""
    sure = fibres_of([1000.0] * 100)["fibre"].total_mm
    assert (sure.low, sure.high) == (pytest.approx(81.36, abs=0.01), pytest.approx(121.63, abs=0.01))
    scaled = fibres_of([1000.0] * 100, scale_rel_u=0.05)["fibre"].total_mm
    assert scaled.high == pytest.approx(100 + np.hypot(21.63, 10), abs=0.01)


def test_fibres_at_the_window_edge_stand_for_others_and_no_length_is_no_fibre():
    assert fibres_of([1000.0, 1000.0], weight=[1.5, 0.0])["fibre"].total_mm.value == pytest.approx(1.5)
    assert fibres_of([np.nan, 500.0])["fibre"].total_mm.value == pytest.approx(0.5)
    assert fibres_of([np.nan])["fibre"] is None
