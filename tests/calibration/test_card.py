"""The card's geometry: ids, whole printer dots, what stands where."""

import math
from itertools import pairwise

import cv2
import numpy as np
import pytest

from calibration.card import FRAME_NAMES, Frame, Rects, identify, make_frame, marker_bits

DOT_MM = 0.0423333333  # 25.4 mm / 600
FRAMES = [make_frame(name, number=5, dark=dark) for name in FRAME_NAMES for dark in (False, True)]
NAMES = [f"{frame.name}-{'dark' if frame.dark else 'pale'}" for frame in FRAMES]
frames = pytest.mark.parametrize("frame", FRAMES, ids=NAMES)


def window_distance(frame: Frame, x: float, y: float, w: float, h: float) -> float:
    """Distance in mm between a rectangle and the debris window."""
    wx, wy, ww, wh = frame.debris_rect_mm
    gap_x = max(wx - (x + w), x - (wx + ww), 0.0)
    gap_y = max(wy - (y + h), y - (wy + wh), 0.0)
    return math.hypot(gap_x, gap_y)


def test_every_marker_id_is_used_once_and_says_where_it_stands():
    seen = set()
    for number in range(41):
        for name in FRAME_NAMES:
            for corner, marker in enumerate(make_frame(name, number=number).markers):
                assert identify(marker.id) == (number, name, corner)
                seen.add(marker.id)
    assert len(seen) == 41 * 5 * 4
    assert min(seen) == 0
    assert max(seen) < 1000  # the dictionary's size


@pytest.mark.parametrize("marker_id", [-1, 20, 23, 24 * 40 + 20, 24 * 41, 999])
def test_a_marker_of_no_card_is_refused(marker_id):
    with pytest.raises(ValueError, match="stands on no card"):
        identify(marker_id)


@pytest.mark.parametrize("marker_id", [0, 1, 137, 500, 979])
def test_marker_bits_agree_with_the_librarys_own_picture_of_the_marker(marker_id):
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)
    picture = cv2.aruco.generateImageMarker(dictionary, marker_id, 8)
    np.testing.assert_array_equal(marker_bits(marker_id), picture == 0)


@pytest.mark.parametrize(
    ("name", "window_mm", "frame_mm"),
    [("wide", (100, 70), (128, 98)), ("closeup", (30, 20), (42, 32)), ("micro", (10, 7), (15.8, 12.2))],
)
def test_frame_and_window_have_the_sizes_the_design_names(name, window_mm, frame_mm):
    frame = make_frame(name)
    assert frame.debris_rect_mm[2:] == pytest.approx(window_mm, abs=0.2)
    assert (frame.width_mm, frame.height_mm) == pytest.approx(frame_mm, abs=0.1)
    assert frame.width_mm / frame.height_mm == pytest.approx(
        4 / 3, rel=0.03
    )  # the shape of a phone's picture


def test_a_cut_out_frame_has_the_geometry_of_its_whole_sister():
    for cut, whole in (("cutout", "wide"), ("cutout_closeup", "closeup")):
        a, b = make_frame(cut), make_frame(whole)
        assert a.debris_rect_mm == b.debris_rect_mm
        assert a.crosses == b.crosses
        assert [m.centre_mm for m in a.markers] == [m.centre_mm for m in b.markers]


def test_pale_and_dark_share_every_mark():
    for pale, dark in zip(FRAMES[::2], FRAMES[1::2], strict=True):
        assert pale.markers == dark.markers
        assert pale.crosses == dark.crosses
        assert pale.slanted_edges == dark.slanted_edges


@frames
def test_marks_stand_on_whole_printer_dots(frame):
    lengths = [frame.width_mm, frame.height_mm, *frame.debris_rect_mm, *frame.cross_mm]
    for marker in frame.markers:
        module = marker.side_mm / 8
        assert round(module / DOT_MM) >= 5
        lengths += [module, *(c - marker.side_mm / 2 for c in marker.centre_mm)]
    lengths += [c - frame.cross_mm[1] / 2 for cross in frame.crosses for c in cross]
    lengths += [c for edge in frame.slanted_edges for c in edge.start_mm]
    lengths += [c - dot.diameter_mm / 2 for dot in frame.check_dots for c in dot.centre_mm]
    lengths += [c for patch in (*frame.patches, *frame.line_patches) for c in patch.rect_mm]
    dots = np.array(lengths) / DOT_MM
    assert np.abs(dots - np.round(dots)).max() < 1e-4


@frames
def test_there_are_marks_enough_all_round(frame):
    assert len(frame.crosses) >= (12 if frame.name in ("wide", "cutout") else 8)
    x, y, w, h = frame.debris_rect_mm
    sides = [
        sum(cy < y for _, cy in frame.crosses),
        sum(cy > y + h for _, cy in frame.crosses),
        sum(cx < x for cx, _ in frame.crosses),
        sum(cx > x + w for cx, _ in frame.crosses),
    ]
    assert min(sides) >= 2
    assert {patch.kind for patch in frame.patches} == {"white", "grey", "black"}
    assert {patch.line_dots for patch in frame.line_patches} == {2, 4, 6}
    assert {patch.pitch_dots for patch in frame.line_patches} == {8}
    assert {scale.unit for scale in frame.scales} == {"mm", "thou"}
    assert (frame.groove is None) == (frame.name in ("wide", "cutout"))


@frames
def test_slanted_edges_lean_by_five_to_eight_degrees_both_ways_and_go_round_black(frame):
    angles = []
    for edge in frame.slanted_edges:
        (x0, y0), (x1, y1) = edge.start_mm, edge.end_mm
        angle = math.degrees(math.atan2(y1 - y0, x1 - x0)) % 90
        assert 5 <= min(angle, 90 - angle) <= 8
        angles.append(abs(x1 - x0) > abs(y1 - y0))
    assert sum(angles) >= 4
    assert len(angles) - sum(angles) >= 4
    for first, second in pairwise(frame.slanted_edges[:4]):  # clockwise: black lies to the right
        assert first.end_mm == second.start_mm


@frames
def test_nothing_but_the_dark_ground_is_drawn_within_a_millimetre_of_the_window(frame):
    shapes = frame.shapes[1:] if frame.dark else frame.shapes
    for shape in shapes:
        if isinstance(shape, Rects):
            assert min(window_distance(frame, *rect) for rect in shape.rects_mm) >= 1.0


@frames
def test_markers_keep_a_white_module_all_round(frame):
    """The last thing drawn there is the white island: no later shape reaches into it."""
    for marker in frame.markers:
        reach = marker.side_mm / 2 + marker.side_mm / 8
        (mx, my) = marker.centre_mm
        assert mx - reach > -1e-9
        assert my - reach > -1e-9
        for cx, cy in frame.crosses:
            assert max(abs(cx - mx), abs(cy - my)) > reach + frame.cross_mm[0] / 2


@pytest.mark.parametrize(("number", "name"), [(-1, "wide"), (41, "wide"), (0, "poster")])
def test_an_impossible_card_is_refused_in_a_plain_sentence(number, name):
    with pytest.raises(ValueError, match="choose"):
        make_frame(name, number=number)
