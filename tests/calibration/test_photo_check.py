"""Every problem set where it should be and not where it should not, in plain words with a remedy."""

from dataclasses import replace

import numpy as np
import pytest

from calibration.card import make_frame
from calibration.light import Light, Tone, measure_light
from calibration.photo_check import (
    CODES,
    Problem,
    blank_too_dirty,
    blurred,
    check_photo,
    exposure,
    no_card,
    tilted,
    too_crowded,
    too_far,
    uneven_light,
    window_cut_off,
)
from calibration.scale import PlaneMap
from calibration.sharpness import Blur
from tests.calibration.renders import encode, grains, take, whole

GOOD = Blur(1.2, 0.1, "edges", worst_px=1.3)


def _light(paper: float, grey: float | None = None) -> Light:
    level = np.full(3, paper)
    patches = () if grey is None else ((0.5, np.full(3, grey)),)
    return Light(Tone(), level, level, None, 1.0, patches)


def _picture(level: float, size: int = 400) -> np.ndarray:
    code = float(encode(np.float32(level)) * 255)
    grey = np.random.default_rng(0).normal(code, 1.5, (size, size, 1))
    return np.repeat((np.clip(grey, 0, 255) + 0.5).astype(np.uint8), 3, axis=2)


@pytest.mark.parametrize(
    ("name", "um_per_px"), [("wide", 34.0), ("closeup", 11.0), ("micro", 4.0), (None, 12.5)]
)
def test_a_good_photo_has_no_problem(name: str | None, um_per_px: float) -> None:
    rgb = take(grains(400, 20, (8, 30), seed=1), 1.0, 1.0)
    plane = PlaneMap.similarity(um_per_px)
    light = measure_light(rgb, plane, None, whole(rgb))
    frame = None if name is None else make_frame(name)

    assert check_photo(rgb, plane, frame, whole(rgb), light, GOOD) == ()


def test_every_message_has_a_number_and_a_remedy() -> None:
    problems = [
        no_card(),
        blurred(Blur(3.0, 0.1, "edges"), 34, 150, 75),
        blurred(Blur(1.5, 0.1, "edges"), 34, 150, 75),
        too_far(80, 150, 75),
        too_far(45, 150, 75),
        tilted(3.5, None),
        tilted(1.0, Blur(1.0, 0.1, "edges", worst_px=2.0)),
        window_cut_off(np.array([[-100.0, 0], [100, 0], [100, 100], [-100, 100]]), (400, 300)),
        uneven_light(3.0, card=True),
        too_crowded(0.2),
        blank_too_dirty("75 to 150 µm", 5, 20),
        *exposure(_picture(1.2), whole(_picture(1.2)), _light(1.0), card=True),
        *exposure(_picture(0.02), whole(_picture(0.02)), _light(0.02), card=True),
    ]
    for problem in problems:
        assert isinstance(problem, Problem)
        assert problem.code in CODES
        assert problem.message.endswith(".")
        assert len(problem.remedy) > 20
        assert problem.code == "no_card" or any(letter.isdigit() for letter in problem.message)


@pytest.mark.parametrize(
    ("sigma", "um", "limits", "expected"),
    [
        (1.2, 34.0, (150, 75), None),  # 96 um wide: light sizing to about 67
        (1.5, 34.0, (150, 75), False),
        (2.8, 34.0, (150, 75), True),  # 224 um wide: even 150 is guesswork
        (4.0, 4.0, (150, 75), None),  # many pixels, yet 38 um
        (3.5, 11.0, (75, 30), True),
        (1.2, 11.0, (75, 30), None),
    ],
)
def test_blur_is_judged_in_micrometres(
    sigma: float, um: float, limits: tuple[float, float], expected: bool | None
) -> None:
    problem = blurred(Blur(sigma, 0.1, "edges"), um, *limits)

    assert (None if problem is None else problem.fatal) == expected


def test_a_bound_on_the_blur_never_refuses_but_asks_for_a_blade() -> None:
    problem = blurred(Blur(3.5, 0.2, "printed edges", upper_bound=True), 11.0, 75, 30)

    assert problem is not None
    assert not problem.fatal
    assert "groove" in problem.remedy
    assert blurred(None, 11.0, 75, 30) is None


@pytest.mark.parametrize(("um", "expected"), [(34.0, None), (45.0, False), (80.0, True)])
def test_too_far(um: float, expected: bool | None) -> None:
    problem = too_far(um, 150, 75)

    assert (None if problem is None else problem.fatal) == expected


@pytest.mark.parametrize(
    ("change", "worst", "expected"),
    [(1.8, 1.3, None), (2.2, 1.3, False), (1.1, 2.4, False), (3.5, 1.3, True)],
)
def test_tilt_is_judged_by_its_effect(change: float, worst: float, expected: bool | None) -> None:
    """25 degrees at phone distance change the scale by 1.8 across the window and are not refused."""
    problem = tilted(change, replace(GOOD, worst_px=worst))

    assert (None if problem is None else problem.fatal) == expected


@pytest.mark.parametrize(("shift", "expected"), [(0.0, None), (20.7, False), (60.7, True)])
def test_cut_off_is_the_share_outside(shift: float, expected: bool | None) -> None:
    window = np.array([[0.0, 0], [100, 0], [100, 100], [0, 100]]) - [shift, 0.0]
    problem = window_cut_off(window, (400, 300))

    assert (None if problem is None else problem.fatal) == expected
    if problem is not None:
        share = (shift - 0.5) / 100  # a pixel reaches half a pixel past its centre
        assert f"{100 * share:.0f} %" in problem.message


def test_uneven_light() -> None:
    assert uneven_light(1.5, card=True) is None
    assert uneven_light(3.0, card=True) == uneven_light(3.0, card=False)
    refused, warned = uneven_light(8.0, card=True), uneven_light(8.0, card=False)
    assert refused is not None
    assert warned is not None
    assert refused.fatal
    assert not warned.fatal


@pytest.mark.parametrize(
    ("grey", "card", "fatal"),
    [(0.9, True, True), (None, True, True), (0.45, True, False), (0.9, False, False)],
)
def test_over_exposure_is_fatal_where_white_lies_far_above(
    grey: float | None, card: bool, fatal: bool
) -> None:
    """The grey patch tells paper that is just at the limit from paper far above it."""
    rgb = _picture(1.5)
    rgb[50:80, 50:80] = 90
    problems = exposure(rgb, whole(rgb), _light(1.0, grey), card=card)

    assert [(p.code, p.fatal) for p in problems] == [("clipped", fatal)]


def test_one_clipped_channel_counts() -> None:
    rgb = _picture(0.6)
    rgb[..., 0] = 255
    problems = exposure(rgb, whole(rgb), _light(0.7), card=True)

    assert [p.code for p in problems] == ["clipped"]


@pytest.mark.parametrize(("side", "fatal"), [(0, None), (60, False), (200, True), (260, True), (330, True)])
def test_glare_is_a_blown_patch_on_sound_paper(side: int, fatal: bool | None) -> None:
    rgb = _picture(0.6)
    rgb[100 : 100 + side, 100 : 100 + side] = 255
    problems = exposure(rgb, whole(rgb), _light(0.6), card=True)

    assert [(p.code, p.fatal) for p in problems] == ([] if fatal is None else [("glare", fatal)])
    share = (min(side, 292) / 384) ** 2  # the window drawn in by 2 %; cells are a few per cent of it
    assert [p.unseen for p in problems] == ([] if fatal is None else [pytest.approx(share, abs=0.04)])


def test_a_reflection_on_most_of_the_window_is_told_by_the_white_patches() -> None:
    """The window's own background is then the reflection; the patches beside it are paper."""
    rgb = _picture(0.6)
    rgb[:, 100:] = 255
    light = _light(1.0, 0.27)
    light = replace(light, patch_rgb=(*light.patch_rgb, (0.0, np.full(3, 0.6))))
    problems = exposure(rgb, whole(rgb), light, card=True)

    assert [(p.code, p.fatal) for p in problems] == [("glare", True)]
    assert "reflection" in problems[0].message
    assert "Move the lamp" in problems[0].remedy


def test_glints_on_metal_are_no_glare() -> None:
    rgb = _picture(0.6)
    for k in range(20, 380, 30):
        rgb[k : k + 6, k : k + 6] = 255

    assert exposure(rgb, whole(rgb), _light(0.6), card=True) == ()


def test_a_drawn_black_and_white_picture_is_not_over_exposed() -> None:
    rgb = np.full((300, 300, 3), 255, np.uint8)
    rgb[50:80, 50:80] = 0

    assert exposure(rgb, whole(rgb), _light(1.0), card=False) == ()


@pytest.mark.parametrize(("level", "fatal"), [(0.6, None), (0.03, False), (0.008, True)])
def test_too_dark(level: float, fatal: bool | None) -> None:
    rgb = _picture(level)
    problems = exposure(rgb, whole(rgb), _light(level), card=True)

    assert [(p.code, p.fatal) for p in problems] == ([] if fatal is None else [("clipped", fatal)])


def test_crowding_and_blank() -> None:
    assert too_crowded(0.10) is None
    assert too_crowded(0.11) is not None
    assert blank_too_dirty("75 to 150 µm", 0, 0) is None
    assert blank_too_dirty("75 to 150 µm", 2, 20) is None
    assert blank_too_dirty("75 to 150 µm", 3, 20) is not None
    assert blank_too_dirty("75 to 150 µm", 1, 0) is not None
