"""A print stretched along one side is told from a tilted one, as far as the lens is known."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.calibrate import PRINT_GLOBAL_U, HowScaled, calibrate
from calibration.card import make_frame
from calibration.kept import CardCorrection, Kept
from calibration.pose import PHONE_FOCAL, Focal
from calibration.scale import PlaneFit, fit_plane_map
from calibration.squareness import squareness_of
from tests.calibration.rendered import Shot, photographed, printed, true_plane
from triage.analysis import Scale
from triage.report.small_print import _print_lines

FRAME = make_frame("wide", number=5)
PHONE_35_MM = 26.0  # of the rendered camera: 1.2 half diagonals of a 24 x 36 mm picture, 21.63 mm each


def fitted(x: float, y: float, **shot: float) -> PlaneFit:
    """The map of a card printed x and y times its drawing; marks found to 0.05 px."""
    view = Shot(size=(4000, 3000), um_per_px=34.0, turn_deg=20, **shot)
    places = np.array(FRAME.crosses, dtype=float)
    px = true_plane(FRAME, view).to_px(places * (x, y))
    px += np.random.default_rng(4).normal(0, 0.05, px.shape)
    return fit_plane_map(px, places, view.size)


@pytest.mark.parametrize("tilt_deg", [0, 3, 6])
@pytest.mark.parametrize(("x", "y"), [(1.0, 1.0), (1.01, 1.0), (1.03, 1.0), (1.0, 1.02), (0.97, 0.97)])
def test_near_square_on_no_lens_need_be_known(x: float, y: float, tilt_deg: float):
    """Half as long again a lens as supposed: what that does to the ratio stays within the uncertainty."""
    found = squareness_of(fitted(x, y, tilt_deg=tilt_deg, focal=1.5), Focal(), 0.0)

    assert found.log_ratio == pytest.approx(math.log(x / y), abs=2 * found.log_ratio_u + 2e-4)
    assert found.log_ratio_u < 0.005


@pytest.mark.parametrize("towards_deg", [0, 45, 90])
@pytest.mark.parametrize("tilt_deg", [15, 25])
def test_tilted_the_stated_lens_tells_them_apart(tilt_deg: float, towards_deg: float):
    fit = fitted(1.03, 1.0, tilt_deg=tilt_deg, tilt_towards_deg=towards_deg)
    stated = squareness_of(fit, Focal.stated(PHONE_35_MM), 0.0)
    usual = squareness_of(fit, Focal(), 0.0)

    assert stated.log_ratio == pytest.approx(math.log(1.03), abs=0.001)
    assert stated.log_ratio_u <= usual.log_ratio_u
    for found in (stated, usual):  # a lens off by its own uncertainty moves the ratio by no more than that
        off = squareness_of(fit, replace(Focal(), half_diagonals=PHONE_FOCAL * 1.08), 0.0)
        assert abs(off.log_ratio - found.log_ratio) < 1.2 * stated.log_ratio_u


def test_how_sure_it_is_depends_on_tilt_and_lens():
    u = {
        (tilt, stated): squareness_of(
            fitted(1, 1, tilt_deg=tilt, tilt_towards_deg=0), Focal.stated(26.0 if stated else None), 0.0
        ).log_ratio_u
        for tilt in (0, 15, 25)
        for stated in (True, False)
    }
    assert u[0, True] == pytest.approx(u[0, False], rel=0.01)
    assert u[15, True] < 0.01 < u[15, False]
    assert u[25, True] < 0.02 < u[25, False]


def test_a_focal_length_no_camera_has_is_not_believed():
    assert Focal.stated(0.0) == Focal.stated(1e9) == Focal.stated(None) == Focal()
    assert Focal.stated(26.0).half_diagonals == pytest.approx(26 / math.hypot(12, 18), rel=1e-3)


CARD = make_frame("closeup", number=5)


@pytest.fixture(scope="module")
def stretched() -> np.ndarray:
    """Photo of a close-up card printed 3 % too long along x, seen nearly from above."""
    page = printed(CARD, dpi=600)
    longer = cv2.resize(page.light, None, fx=1.03, fy=1.0, interpolation=cv2.INTER_AREA)
    shot = Shot(turn_deg=5, tilt_deg=3)
    grey = photographed(replace(page, light=longer), true_plane(CARD, shot), shot)
    return np.dstack([grey] * 3)


def test_a_stretched_card_is_found_out_and_halved_between_its_sides(stretched):
    found = calibrate(stretched, HowScaled(kept=Kept()))

    assert found.print_ratio == pytest.approx(1.03, abs=0.006)
    # One side is right and one is 3 % off, and nobody knows which: half of it either way.
    assert found.um_per_px == pytest.approx(60 / math.sqrt(1.03), rel=0.006)
    assert found.uncertainty.print_global == pytest.approx(math.hypot(PRINT_GLOBAL_U, 0.0148), rel=0.1)
    x, y = np.ptp(found.plane.to_mm(found.print_plane.to_px([(0, 0), (30, 20)])), axis=0) / (30, 20)
    assert x / y == pytest.approx(found.print_ratio)
    assert x * y == pytest.approx(1.0)


def test_the_caliper_puts_it_right_and_its_readings_swapped_are_found_out(stretched):
    right = calibrate(stretched, HowScaled(kept=Kept(cards={5: CardCorrection(1.03, 1.0)})))
    swapped = calibrate(stretched, HowScaled(kept=Kept(cards={5: CardCorrection(1.0, 1.03)})))

    assert right.print_ratio is None
    assert right.um_per_px == pytest.approx(60, rel=0.004)
    assert right.um_per_px_rel_u < 0.006
    assert swapped.print_ratio == pytest.approx(1.03**2, abs=0.008)
    assert swapped.um_per_px_rel_u > 0.025
    assert swapped.print_measured is True


def test_what_the_report_says_of_it():
    scale = Scale("card", 30.0, 0.016, 3.0, 5, "wide", print_measured=False, print_ratio=1 / 1.03)
    unequal, unmeasured = _print_lines(scale)
    assert "no. 5 is 3.0 % longer along the standing bar than along the lying one" in unequal
    assert "never checked with a caliper" in unmeasured
    (misread,) = _print_lines(replace(scale, print_measured=True, print_ratio=1.06))
    assert "6.0 % longer along the lying bar" in misread
    assert "entered the wrong way round" in misread
    assert _print_lines(replace(scale, print_measured=True, print_ratio=None)) == []
