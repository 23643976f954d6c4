"""A creased card is measured within its stated uncertainty or refused, against the exact fold."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.calibrate import HowScaled, calibrate
from calibration.card import make_frame
from calibration.kept import Kept
from calibration.locate import NotFlat
from tests.calibration.rendered import Folded, Shot, folded, photographed, printed
from triage.analysis import Setup, analyse

FRAME = make_frame("wide", number=3)
SHOT = Shot(size=(1100, 830), um_per_px=125.0, turn_deg=2.0, tilt_deg=3.0)


@pytest.fixture(scope="module")
def page():
    return printed(FRAME, dpi=400)


def creased(page, part: float, up_deg: float) -> tuple[Folded, np.ndarray]:
    """The fold, and the photo (H, W) of the card creased there."""
    fold = folded(FRAME, SHOT, part * FRAME.width_mm, up_deg)
    return fold, photographed(page, fold, SHOT)


def test_the_fold_itself_is_the_pinhole_cameras():
    """Both planes meet along the crease; a length beside it appears larger as it stands nearer: f / z."""
    shot = replace(SHOT, tilt_deg=0.0)
    fold = folded(FRAME, shot, 60.0, 5.0)
    crease, beside = np.array([[60.0, 10.0], [60.0, 80.0]]), np.array([[120.0, 45.0], [120.0, 55.0]])
    seen = [np.linalg.norm(np.diff(plane.to_px(beside), axis=0)) for plane in (fold.left, fold.right)]
    distance_mm = shot.focal * np.hypot(*shot.size) / 2 * shot.um_per_px / 1000

    assert fold.left.to_px(crease) == pytest.approx(fold.right.to_px(crease), abs=1e-6)
    assert seen[0] / seen[1] == pytest.approx(1 - 60.0 * np.sin(np.radians(5.0)) / distance_mm, rel=1e-4)


@pytest.mark.parametrize(("part", "up_deg"), [(0.5, 0.0), (0.5, 2.0), (0.3, 3.0), (0.5, -2.0)])
def test_a_slight_crease_is_measured_within_what_is_stated(page, part, up_deg):
    fold, grey = creased(page, part, up_deg)
    found = calibrate(np.repeat(grey[..., None], 3, axis=2), HowScaled(kept=Kept()))
    error = np.abs(fold.scale_error(found.plane, FRAME))

    assert error.max() < 2 * found.um_per_px_rel_u
    assert (found.uncertainty.flatness > 0.003) == (up_deg != 0)


@pytest.mark.parametrize(("part", "up_deg"), [(0.5, 5.0), (0.3, -8.0)])
def test_a_sharp_crease_is_refused_with_what_to_do(page, part, up_deg):
    """Either side alone agrees with itself to the hundredth of a millimetre."""
    with pytest.raises(NotFlat, match="press it flat"):
        calibrate(np.repeat(creased(page, part, up_deg)[1][..., None], 3, axis=2), HowScaled(kept=Kept()))


def test_the_photo_of_a_creased_card_is_refused_in_a_sentence(page, tmp_path):
    path = tmp_path / "creased.png"
    cv2.imwrite(str(path), creased(page, 0.3, 15.0)[1])
    photo = analyse([path], Setup(how=HowScaled(kept=Kept()))).photos[0]
    (problem,) = photo.problems

    assert not photo.usable
    assert "the card does not lie flat" in problem.message
    assert problem.remedy.startswith("Press it flat")
