"""Pixels to millimetres: conventions, derivatives, and fits against OpenCV's own camera model."""

from __future__ import annotations

import math
from collections.abc import Callable

import cv2
import numpy as np
import pytest

from calibration.scale import PlaneMap, ScaleUncertainty, TooFewMarks, fit_plane_map

SIZE = (4000, 3000)
MARKS_MM = np.array([(x, y) for x in (5.0, 47.0, 84.0, 123.0) for y in (5.0, 34.0, 65.0, 93.0)])
WINDOW_MM = np.array([(x, y) for x in np.linspace(14, 114, 6) for y in np.linspace(14, 84, 5)])


def camera_px(mm: np.ndarray, tilt_deg: float, k1: float = 0.0, k2: float = 0.0) -> np.ndarray:
    """OpenCV's projection of card points: pinhole 3000 px, Brown distortion about the picture's middle."""
    tilt = math.radians(tilt_deg)
    turn = cv2.Rodrigues(np.array([0.0, 0.0, 0.4]))[0]
    rotation = cv2.Rodrigues(np.array([tilt * 0.8, tilt * 0.6, 0.0]))[0] @ turn
    centred = np.column_stack([mm - (64.0, 49.0), np.zeros(len(mm))])
    matrix = np.array([[3000.0, 0, 1999.5], [0, 3000.0, 1499.5], [0, 0, 1]])
    px, _ = cv2.projectPoints(
        centred, cv2.Rodrigues(rotation)[0], np.array([0, 0, 120.0]), matrix, np.array([k1, k2, 0, 0])
    )
    return px.reshape(-1, 2)


def slopes(image: Callable[[np.ndarray], np.ndarray], at: np.ndarray, step: float) -> list[np.ndarray]:
    """Finite differences of a map of points, along x and along y."""
    return [(image(at + move) - image(at - move)) / (2 * step) for move in step * np.eye(2)]


def true_um_per_px(mm: np.ndarray, *camera: float) -> np.ndarray:
    """From OpenCV's projection alone: the area in px of a small square on the card."""
    step = 1e-3
    along_x, along_y = slopes(lambda at: camera_px(at, *camera), mm, step)
    return 1000 / np.sqrt(np.abs(along_x[:, 0] * along_y[:, 1] - along_x[:, 1] * along_y[:, 0]))


def bent_plane() -> PlaneMap:
    return fit_plane_map(camera_px(MARKS_MM, 20, -0.08, 0.02), MARKS_MM, SIZE).plane


def test_a_pixel_reaches_half_a_pixel_either_side_of_its_centre():
    plane = PlaneMap.similarity(10.0)

    assert plane.to_mm([[-0.5, -0.5], [0.0, 0.0], [99.5, 199.5]]) == pytest.approx(
        np.array([[0, 0], [0.005, 0.005], [1.0, 2.0]])
    )


def test_a_scanner_may_have_two_scales():
    plane = PlaneMap.similarity(20.0, 30.0)

    assert plane.to_mm([[9.5, 9.5]])[0] == pytest.approx([0.2, 0.3])
    assert plane.um_per_px([[5, 5]])[0] == pytest.approx(math.sqrt(600.0))


def test_there_and_back():
    plane = bent_plane()
    px = np.array([(x, y) for x in (0.0, 900.0, 3999.0) for y in (0.0, 1700.0, 2999.0)])

    assert plane.to_px(plane.to_mm(px)) == pytest.approx(px, abs=1e-6)


def test_jacobian_is_the_slope_of_the_map():
    plane = bent_plane()
    px = np.array([(100.0, 200.0), (2000.0, 1500.0), (3800.0, 2900.0)])

    assert plane.jacobian(px) == pytest.approx(np.stack(slopes(plane.to_mm, px, 1e-2), axis=2), rel=1e-6)


@pytest.mark.parametrize(
    "camera", [(0, 0, 0), (25, 0, 0), (0, -0.08, 0.02), (25, 0.05, -0.03), (12, -0.1, 0.0)]
)
def test_fit_gives_the_scale_of_opencvs_camera(camera: tuple[float, float, float]):
    """An independent lens model, bent the other way about, so the match need not be exact."""
    fit = fit_plane_map(camera_px(MARKS_MM, *camera), MARKS_MM, SIZE, 0.1)

    error = fit.plane.um_per_px(camera_px(WINDOW_MM, *camera)) / true_um_per_px(WINDOW_MM, *camera) - 1
    assert np.abs(error).max() < 3e-4
    assert fit.kept.all()


def test_marks_that_are_something_else_are_left_out():
    px = camera_px(MARKS_MM, 15, -0.03) + np.random.default_rng(3).normal(0, 0.05, MARKS_MM.shape)
    px[[2, 7, 13]] += [(14, 3), (-6, 9), (0, -4)]

    fit = fit_plane_map(px, MARKS_MM, SIZE)

    error = fit.plane.um_per_px(camera_px(WINDOW_MM, 15, -0.03)) / true_um_per_px(WINDOW_MM, 15, -0.03) - 1
    assert np.flatnonzero(~fit.kept).tolist() == [2, 7, 13]
    assert np.abs(error).max() < 5e-4


def test_stated_uncertainty_is_that_of_repeated_fits():
    """Two hundred noisy views: the spread of the scale found, over the spread stated."""
    rng = np.random.default_rng(4)
    true_px, at = camera_px(MARKS_MM, 10), camera_px(WINDOW_MM, 10)
    found, stated = [], []
    for _ in range(200):
        fit = fit_plane_map(true_px + rng.normal(0, 0.3, true_px.shape), MARKS_MM, SIZE, 0.01)
        found.append(fit.plane.um_per_px(at))
        stated.append(fit.scale_rel_u(at))

    ratio = np.std(found, axis=0) / np.mean(found, axis=0) / np.mean(stated, axis=0)
    assert ratio.min() > 0.8
    assert ratio.max() < 1.25


def test_a_lens_that_the_marks_cannot_show_is_taken_as_straight():
    corners = MARKS_MM[[0, 3, 12, 15]]
    fit = fit_plane_map(camera_px(corners, 10), corners, SIZE, 0.5)

    assert fit.plane.lens == pytest.approx((0.0, 0.0), abs=1e-6)


def test_three_marks_are_too_few():
    with pytest.raises(TooFewMarks, match="only 3 marks"):
        fit_plane_map(MARKS_MM[:3], MARKS_MM[:3], SIZE)


def test_marks_in_one_line_are_too_few():
    with pytest.raises(TooFewMarks, match="one line"):
        fit_plane_map(camera_px(MARKS_MM[:4], 10), MARKS_MM[:4], SIZE)


def test_uncertainty_parts_add_in_quadrature():
    assert ScaleUncertainty(0.003, 0.004, 0.0, 0.012, 0.0).total == pytest.approx(0.013)
