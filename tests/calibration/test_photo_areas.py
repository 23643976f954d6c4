"""Where something is wrong in a photo: rectangles checked against where it was put."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from calibration.card import make_frame
from calibration.draw import frame_raster
from calibration.light import Light
from calibration.locate import CardNotFound, locate
from calibration.photo_areas import box, cut_sides, darkest_parts
from calibration.photo_check import check_photo, exposure
from calibration.scale import PlaneMap
from calibration.sharpness import steepest_edges_blur
from calibration.tone import Tone

WINDOW = np.array([[40.0, 30.0], [360.0, 30.0], [360.0, 270.0], [40.0, 270.0]])
SIZE = (400, 300)


def test_glare_is_marked_where_it_was_put():
    rgb = np.full((300, 400, 3), 200, np.uint8)
    rgb[:, :, 1] = 190
    rgb[100:164, 200:296] = 255
    white = np.ones(3)
    light = Light(Tone(), 0.6 * white, 0.6 * white, None, 1.0)
    (problem,) = exposure(rgb, WINDOW, light, card=True)
    ((x, y, width, height),) = problem.areas_px

    assert problem.code == "glare"
    assert (x, y, x + width, y + height) == pytest.approx((200, 100, 296, 164), abs=17)  # cells of 16 px


def test_the_side_that_runs_out_of_the_photo_is_marked():
    ((x, y, width, height),) = cut_sides(WINDOW + np.array([90.0, 0.0]), SIZE)

    assert x + width == 400
    assert 0 < width <= 20
    assert (y, y + height) == (30, 270)


def test_the_dark_corner_is_marked():
    rgb = np.full((300, 400, 3), 200, np.uint8)
    rgb[150:, 200:] = 90
    found = darkest_parts(rgb, WINDOW)

    assert len(found) == 4
    assert min(x for x, *_ in found) >= 199
    assert min(y for _, y, *_ in found) >= 149


@pytest.mark.parametrize("soft", [(0, 0), (1, 0), (0, 1), (1, 1)])
def test_the_blurred_quarter_of_a_window_is_marked(soft):
    """Discs on paper, one quarter of the window blurred 2.5 times as much as the rest."""
    sharp = np.full((720, 960), 215, np.uint8)
    rng = np.random.default_rng(3)
    for x, y in rng.uniform((60, 60), (900, 660), (60, 2)):
        cv2.circle(sharp, (round(16 * x), round(16 * y)), 16 * 26, 60, -1, cv2.LINE_AA, 4)
    grey = cv2.GaussianBlur(sharp, (0, 0), 1.0)
    rows, cols = (slice(start, start + half) for start, half in ((360 * soft[1], 360), (480 * soft[0], 480)))
    grey[rows, cols] = cv2.GaussianBlur(sharp, (0, 0), 2.5)[rows, cols]
    grey = np.clip(grey + rng.normal(0, 1, grey.shape), 0, 255).astype(np.uint8)
    window = np.array([[0.0, 0.0], [960.0, 0.0], [960.0, 720.0], [0.0, 720.0]])
    linear = (grey / 255.0).astype(np.float32)
    blur = steepest_edges_blur(linear, np.full(grey.shape, 255, np.uint8), 1 / 255)
    plane = PlaneMap.similarity(30.0)
    (problem,) = [
        each
        for each in check_photo(
            np.dstack([grey] * 3), plane, None, window, Light(Tone(), np.ones(3), np.ones(3), None, 1.0), blur
        )
        if each.code == "tilted"
    ]

    assert "times as blurred" in problem.message
    assert problem.areas_px == ((480.0 * soft[0], 360.0 * soft[1], 480.0, 360.0),)


@pytest.mark.parametrize("points", [[[-50.0, 20.0], [-10.0, 60.0]], [[500.0, 20.0], [700.0, 900.0]]])
def test_what_lies_outside_is_a_strip_inside(points):
    ((x, y, width, height),) = box(np.array(points), SIZE)

    assert x >= 0
    assert x + width <= 400
    assert y >= 0
    assert y + height <= 300
    assert min(width, height) >= 1


def test_markers_that_are_covered_are_marked_where_they_should_be():
    """Three of the four are painted over; expected are their places in the card's own drawing."""
    frame = make_frame("wide", number=0)
    px_per_mm = 200 / 25.4
    grey = np.pad(frame_raster(frame, 200).copy(), 0)
    hidden = frame.markers[1:]
    for marker in hidden:
        low, high = ((np.array(marker.centre_mm) + side * marker.side_mm) * px_per_mm for side in (-0.6, 0.6))
        grey[int(low[1]) : int(high[1]), int(low[0]) : int(high[0])] = 255
    with pytest.raises(CardNotFound, match="only one of the card's corner markers") as told:
        locate(grey)
    found = sorted((x + width / 2, y + height / 2) for x, y, width, height in told.value.areas_px)
    expected = sorted(tuple(np.array(marker.centre_mm) * px_per_mm) for marker in hidden)

    assert np.array(found) == pytest.approx(
        np.array(expected), abs=0.5 * frame.markers[0].side_mm * px_per_mm
    )
