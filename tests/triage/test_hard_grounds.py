"""Screens, pleats, drops, film edges and clumps: rendered with truth, or computed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import shapely

from calibration.calibrate import ByStated, Calibration, HowScaled, calibrate
from tests.scenes.camera import Camera
from tests.scenes.debris import Debris
from tests.scenes.grounds import Drop, FilmEdge, Laid, Pleats, Weave
from tests.scenes.match import pair, recall
from tests.scenes.photograph import Photograph, SceneSpec, photograph
from triage.debris.clumps import find_clumps
from triage.debris.measure import measure_debris
from triage.debris.particles import FLAG_BIT, empty_table
from triage.debris.pleats import find_folds
from triage.debris.tabulate import Debris as Found
from triage.debris.weave import find_lattice

UM = 30.0
WIDTH, HEIGHT = 440, 330
RECT = (-8.0, -6.0, 16.0, 12.0)


def _scene(laid: tuple[Laid, ...], seed: int, sizes_um: tuple[float, ...]) -> SceneSpec:
    return SceneSpec(
        seed=seed,
        debris=Debris(count=len(sizes_um), sizes_um=sizes_um, gap_um=250, mix=(("rust", 0.6), ("soot", 0.4))),
        camera=Camera(WIDTH, HEIGHT, um_per_px=UM, aim_mm=(0.0, 0.0)),
        laid=laid,
    )


def _calibrated(photo: Photograph) -> Calibration:
    return calibrate(photo.rgb, HowScaled(by=ByStated(UM)))


@cache
def _measured(spec: SceneSpec) -> tuple[Found, Photograph]:
    photo = photograph(spec)
    return measure_debris(photo.rgb, _calibrated(photo)), photo


SIZES = (320.0, 400.0, 450.0, 500.0, 550.0, 600.0, 700.0, 800.0)
SCREEN = _scene((Weave(RECT, 0.25, turn_deg=17.0, seed=5),), 51, SIZES)
FOLDED = _scene((Pleats(RECT, 1.6, turn_deg=20.0, seed=3),), 52, SIZES)
DROPS = (Drop((-5.6, -3.6), 0.8), Drop((5.2, 3.8), 0.6))
FILM = FilmEdge((0.0, 0.0), 3.0, depth=0.5, uneven=0.15, seed=8)
WET = replace(_scene((*DROPS, FILM), 53, SIZES[:5]), rect_mm=(-1.8, -1.8, 3.6, 3.6))


def test_pitch_of_a_screen_is_measured() -> None:
    """150 um cloth has wires 250 um apart: opening 150, wire 100 (ASTM E11-17, No. 100)."""
    found, _ = _measured(SCREEN)
    assert found.ground is not None
    assert found.ground.kind == "woven"
    assert found.ground.pitch_um == pytest.approx(250, rel=0.005)
    assert found.limits.smallest_sized_um >= 0.99 * found.ground.pitch_um


def test_debris_on_a_screen_is_found_and_sized() -> None:
    found, photo = _measured(SCREEN)
    true = photo.truth.in_card_units()
    pairs = pair(true, found.table)
    assert len(pairs.true) == len(true)
    assert len(pairs.false) <= 1
    ratio = found.table["ecd_um"][pairs.found] / true["ecd_um"][pairs.true]
    assert abs(np.median(ratio) - 1) < 0.1


def test_debris_on_pleats_is_found() -> None:
    found, photo = _measured(FOLDED)
    assert found.ground is not None
    assert found.ground.kind == "pleated"
    assert found.ground.pitch_um is None
    assert 0.5 < found.ground.seen_share <= 1
    true = photo.truth.in_card_units()
    pairs = pair(true, found.table)
    assert recall(true, pairs, 8) >= 0.7
    assert np.count_nonzero(found.table["weight"][pairs.false]) <= 1


def test_drops_and_film_edges_are_told_from_debris() -> None:
    found, photo = _measured(WET)
    true = photo.truth.in_card_units()
    pairs = pair(true, found.table)
    counted = found.table["weight"] > 0
    assert counted[pairs.found].all()
    assert not counted[pairs.false].any()
    at = np.column_stack([found.table["x_px"], found.table["y_px"]])
    for drop in DROPS:
        place = photo.truth.view.to_px(np.array([drop.centre_mm]))[0]
        near = np.hypot(*(at - place).T) < drop.radius_mm * 1000 / UM / 2
        assert (found.table["flags"][near] & FLAG_BIT["water_drop"] > 0).any()
    assert np.count_nonzero(found.table["flags"] & FLAG_BIT["film_edge"])


def test_plain_paper_is_no_hard_ground() -> None:
    plain = replace(WET, laid=())
    photo = photograph(plain)
    window = np.ones(photo.rgb.shape[:2], np.uint8)
    assert find_lattice(photo.rgb, window, 1.2) is None
    assert find_folds(photo.rgb, window) is None


def _gratings(diagonal: float, turn: float = 0.3) -> np.ndarray:
    """Two crossed cosines and their sum and difference, as a grey picture (H, W, 3)."""
    y, x = np.mgrid[:400, :500]
    one = 2 * np.pi / 9 * (np.cos(turn) * x + np.sin(turn) * y)
    other = 2 * np.pi / 9 * (-np.sin(turn) * x + np.cos(turn) * y)
    grey = 120 + 25 * (np.cos(one) + np.cos(other) + diagonal * (np.cos(one + other) + np.cos(one - other)))
    noise = np.random.default_rng(1).normal(0, 1, grey.shape)
    return np.repeat(np.round(grey + noise)[..., None], 3, axis=2).astype(np.uint8)


@pytest.mark.parametrize(("diagonal", "pitch_px"), [(0.2, 9.0), (0.6, None), (1.5, 9.0 / np.sqrt(2))])
def test_wires_are_told_from_over_and_under_or_not_at_all(diagonal: float, pitch_px: float | None) -> None:
    """The spacing of a sum of cosines is known; between the two clear cases none is given."""
    rgb = _gratings(diagonal)
    lattice = find_lattice(rgb, np.ones(rgb.shape[:2], np.uint8), 0.5)
    assert lattice is not None
    if pitch_px is None:
        assert lattice.wires is None
    else:
        assert lattice.wires is not None
        spacing = 1 / np.hypot(*(lattice.wires @ lattice.basis).T)
        assert spacing == pytest.approx(pitch_px, rel=0.01)


def test_one_grating_is_no_cloth() -> None:
    y, x = np.mgrid[:400, :500]
    grey = (120 + 30 * np.cos(2 * np.pi * (x + 0.3 * y) / 9)).astype(np.uint8)
    rgb = np.repeat(grey[..., None], 3, axis=2)
    assert find_lattice(rgb, np.ones(grey.shape, np.uint8), 1.0) is None


@pytest.mark.parametrize("count", [2, 3, 4])
def test_a_clump_of_discs_holds_their_number(count: int) -> None:
    """Discs in a row that overlap a little; single ones beside them."""
    spots = [(40.0 * k, 0.0) for k in range(20)]
    shapes = [shapely.Point(spot).buffer(10) for spot in spots]
    shapes.append(shapely.union_all([shapely.Point(300 + 18 * k, 60).buffer(10) for k in range(count)]))
    table = empty_table(len(shapes))
    for row, shape in zip(table, shapes, strict=True):
        row["area_um2"], row["hull_area_um2"] = shape.area, shape.convex_hull.area
        row["x_px"], row["y_px"] = shape.centroid.coords[0]
    outlines = [np.asarray(shape.exterior.coords[:-1], np.float32) for shape in shapes]
    (clump,) = find_clumps(table, outlines, 1.0)
    assert clump.row == len(shapes) - 1
    assert clump.least <= count <= clump.most <= 2 * count
