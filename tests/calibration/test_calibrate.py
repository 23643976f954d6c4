"""From a photo to its calibration, by the card and without it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from calibration import kept
from calibration.calibrate import (
    LIFT_MM,
    BadSetting,
    ByLens,
    ByPoints,
    ByScanner,
    ByStated,
    Calibration,
    HowScaled,
    calibrate,
    remember_tone,
)
from calibration.card import make_frame
from calibration.locate import CardNotFound
from calibration.pose import Focal, pose_of
from calibration.scale import fit_plane_map
from tests.calibration.rendered import Shot, photographed, printed, scale_error, true_plane, window_grid_mm

FRAME = make_frame("closeup", number=5)
SHOT = Shot(turn_deg=5, tilt_deg=12, lens=(0.02, 0.0))
PLANE = true_plane(FRAME, SHOT)


@pytest.fixture(autouse=True)
def _own_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))


@pytest.fixture(scope="module")
def photo() -> np.ndarray:
    return np.dstack([photographed(printed(FRAME), PLANE, SHOT)] * 3)


@pytest.fixture
def by_card(photo: np.ndarray) -> Calibration:
    return calibrate(photo)


def test_the_card_gives_everything(by_card: Calibration):
    assert (by_card.source, by_card.card_number, by_card.frame) == ("card", 5, FRAME)
    assert np.abs(scale_error(by_card.plane, PLANE, FRAME)).max() < 0.001
    assert by_card.um_per_px == pytest.approx(60, rel=0.02)
    assert by_card.window_mm == FRAME.debris_rect_mm
    assert by_card.tilt_deg == pytest.approx(12, abs=1)
    assert by_card.blur is not None
    assert 0 < by_card.noise.sd_rel < 0.05


def test_window_outline_follows_the_printed_window(by_card: Calibration):
    x, y, width, height = FRAME.debris_rect_mm
    mm = PLANE.to_mm(by_card.window_px)
    off_x = np.minimum(np.abs(mm[:, 0] - x), np.abs(mm[:, 0] - x - width))
    off_y = np.minimum(np.abs(mm[:, 1] - y), np.abs(mm[:, 1] - y - height))

    assert len(mm) == 32
    assert np.minimum(off_x, off_y).max() < 0.02


def test_uncertainty_without_a_caliper_is_the_printers(by_card: Calibration):
    """Up to 1 % printer error dominates; a camera 45 mm away adds paper lift and grain height."""
    parts = by_card.uncertainty

    assert parts.print_global == 0.006
    assert parts.fit < 0.001
    assert parts.flatness == pytest.approx(0.5 * 42 / 128 / math.sqrt(3) / 45, rel=0.2)
    assert parts.grain_height == pytest.approx(0.075 / 45, rel=0.2)
    assert by_card.um_per_px_rel_u == pytest.approx(parts.total)


def test_kept_correction_stretches_the_card(photo: np.ndarray, by_card: Calibration):
    kept.keep_card(5, kept.CardCorrection(1.006, 0.996))

    corrected = calibrate(photo)

    at = corrected.window_px[:3]
    assert corrected.plane.to_mm(at) == pytest.approx(by_card.plane.to_mm(at) * (1.006, 0.996))
    assert corrected.um_per_px / by_card.um_per_px == pytest.approx(math.sqrt(1.006 * 0.996))
    assert corrected.um_per_px_rel_u < 0.6 * by_card.um_per_px_rel_u
    assert corrected.print_plane.to_mm(at) == pytest.approx(by_card.plane.to_mm(at))
    assert corrected.window_mm == pytest.approx(np.array(FRAME.debris_rect_mm) * (1.006, 0.996, 1.006, 0.996))


def test_another_cards_correction_is_not_used(photo: np.ndarray, by_card: Calibration):
    kept.keep_card(6, kept.CardCorrection(1.006, 0.996))

    assert calibrate(photo).um_per_px == by_card.um_per_px


@pytest.mark.parametrize(
    ("by", "source", "um_per_px", "rel_u"),
    [
        (ByStated(12.5), "stated", 12.5, 0.005),
        (ByPoints(10, 20, 40, 60, 2.0), "points", 40.0, math.hypot(math.sqrt(2) / 50, 0.01)),
        (ByScanner((1200, 1200)), "scanner", 25400 / 1200, 0.003),
    ],
)
def test_scales_without_a_card(photo: np.ndarray, by, source: str, um_per_px: float, rel_u: float):
    """25.4 mm to the inch, by its definition."""
    found = calibrate(photo, HowScaled(by))

    assert found.source == source
    assert found.um_per_px == pytest.approx(um_per_px)
    assert found.um_per_px_rel_u == pytest.approx(rel_u)
    assert (found.frame, found.card_number, found.tilt_deg, found.window_mm) == (None, None, None, None)
    assert found.window_px.min(axis=0) == pytest.approx([-0.5, -0.5])
    assert found.window_px.max(axis=0) == pytest.approx([999.5, 749.5])


def test_a_kept_lens_follows_the_pictures_size(photo: np.ndarray):
    kept.keep_lens("scope", kept.LensScale(3.0, 0.004, 2000))

    found = calibrate(photo, HowScaled(ByLens("scope")))

    assert (found.source, found.um_per_px) == ("lens", pytest.approx(6.0))
    assert found.um_per_px_rel_u == pytest.approx(0.004)


def test_a_window_limits_what_counts(photo: np.ndarray):
    found = calibrate(photo, HowScaled(ByStated(10.0), window=(100, 50, 300, 200)))

    assert found.window_px.min(axis=0) == pytest.approx([99.5, 49.5])
    assert found.window_px.max(axis=0) == pytest.approx([399.5, 249.5])


@pytest.mark.parametrize(
    ("how", "said"),
    [
        (HowScaled(ByStated(0.0)), "above 0"),
        (HowScaled(ByStated(float("nan"))), "above 0"),
        (HowScaled(ByPoints(5, 5, 5, 5, 1.0)), "lie apart"),
        (HowScaled(ByScanner((0, 300))), "resolution tag"),
        (HowScaled(ByLens("never")), "triage lens never"),
        (HowScaled(ByStated(10.0), window=(900, 0, 200, 100)), "1000 x 750 px"),
    ],
)
def test_settings_that_cannot_be_are_refused(photo: np.ndarray, how: HowScaled, said: str):
    with pytest.raises(BadSetting, match=said):
        calibrate(photo, how)


def test_no_card_is_said_with_what_to_do(photo: np.ndarray):
    with pytest.raises(CardNotFound) as caught:
        calibrate(np.full_like(photo, 200))

    assert caught.value.reason == "no card was found"
    assert "printed card" in caught.value.remedy


def test_kept_tone_is_used_for_its_camera_only(photo: np.ndarray):
    kept.keep_tone("shop phone", kept.PhoneTone(0.2, 0.03))

    assert calibrate(photo, HowScaled(camera="shop phone")).light.tone.bend == 0.2
    assert calibrate(photo, HowScaled(camera="another")).light.tone.bend == 0.0


def test_only_a_surer_tone_is_remembered(photo: np.ndarray):
    kept.keep_tone("shop phone", kept.PhoneTone(0.2, 0.03))

    remember_tone(calibrate(photo), "shop phone")

    assert kept.load().tones == {"shop phone": kept.PhoneTone(0.2, 0.03)}


@pytest.mark.parametrize("tilt_deg", [0, 5, 15, 25])
@pytest.mark.parametrize("focal", [1.0, 1.2, 1.5])
def test_pose_of_a_known_camera(tilt_deg: float, focal: float):
    """Pinhole cameras from a 22 to a 32 mm-equivalent lens; a slight tilt shows no focal length."""
    frame = make_frame("wide")
    shot = Shot(um_per_px=130, tilt_deg=tilt_deg, focal=focal)

    pose = pose_of(true_plane(frame, shot), (frame.width_mm / 2, frame.height_mm / 2), Focal())

    assert pose.tilt_deg == pytest.approx(tilt_deg, abs=0.3 * tilt_deg + 0.1)
    assert pose.distance_mm == pytest.approx(focal * 625 * 0.13, rel=0.3)


@pytest.mark.parametrize("tilt_deg", [0, 15])
def test_flatness_part_covers_a_curled_sheet(tilt_deg: int):
    """A wide sheet whose ends curl 0.5 mm up, 110 mm from a pinhole camera, mapped as if flat."""
    frame = make_frame("wide")
    marks = np.array([*(marker.centre_mm for marker in frame.markers), *frame.crosses])
    window, step = window_grid_mm(frame), 1e-3
    tilt = math.radians(tilt_deg)
    rotate = np.array([[1, 0, 0], [0, math.cos(tilt), -math.sin(tilt)], [0, math.sin(tilt), math.cos(tilt)]])

    def camera(mm: np.ndarray) -> np.ndarray:
        x, y = (mm - (frame.width_mm / 2, frame.height_mm / 2)).T
        seen = np.column_stack([x, y, -0.5 * (x / 64) ** 2]) @ rotate.T + (0, 0, 110)
        return seen[:, :2] / seen[:, 2:] * 3000 + (1999.5, 1499.5)

    along = [(camera(window + move) - camera(window - move)) / (2 * step) for move in step * np.eye(2)]
    true = 1000 / np.sqrt(np.abs(along[0][:, 0] * along[1][:, 1] - along[0][:, 1] * along[1][:, 0]))

    plane = fit_plane_map(camera(marks), marks, (4000, 3000)).plane

    error = plane.um_per_px(camera(window)) / true - 1
    assert 0.001 < error.std() < LIFT_MM / math.sqrt(3) / 110
