"""Levels, evenness and noise against pictures whose light is known; sRGB against published values."""

import cv2
import numpy as np
import pytest

from calibration.card import make_frame
from calibration.draw import frame_raster
from calibration.light import Light, Noise, Tone, measure_light, measure_noise, view_window
from calibration.scale import PlaneMap
from calibration.tone import BEND_PRIOR_U, MOST_BEND, measure_tone, srgb_decode
from tests.calibration.renders import encode, grains, take, whole

PLANE = PlaneMap.similarity(34.0)


def _light_and_noise(rgb: np.ndarray) -> tuple[Light, Noise]:
    light = measure_light(rgb, PLANE, None, whole(rgb))
    return light, measure_noise(rgb, PLANE, None, whole(rgb), light)


def test_srgb_decode_matches_published_values() -> None:
    """IEC 61966-2-1: code 128 is 0.2158605, code 119 is 18.4 % (L* 50.03), the threshold 0.04045 / 12.92."""
    assert Tone().lut[128] == pytest.approx(0.2158605, abs=1e-6)
    assert 116 * Tone().lut[119] ** (1 / 3) - 16 == pytest.approx(50.0344, abs=1e-3)
    assert srgb_decode(np.array([0.04045]))[0] == pytest.approx(0.04045 / 12.92)


@pytest.mark.parametrize("bend", [-MOST_BEND, -0.2, 0.0, 0.2, MOST_BEND])
def test_a_bent_tone_keeps_order_and_ends(bend: float) -> None:
    lut = Tone(bend).lut

    assert (np.diff(lut) > 0).all()
    assert lut[0] == pytest.approx(0, abs=1e-6)
    assert lut[255] == pytest.approx(1, abs=1e-6)


def test_a_bent_tone_undoes_a_power() -> None:
    linear = np.linspace(0.05, 0.95, 50)

    assert Tone(0.2).of_code(encode(linear ** (1 / 1.2)) * 255) == pytest.approx(linear, abs=1e-3)


@pytest.mark.parametrize("count", [0, 40])
def test_background_level_holds_with_and_without_debris(count: int) -> None:
    rgb = take(grains(500, count, (8, 40), seed=3), 1.0, 1.0)
    light, _ = _light_and_noise(rgb)

    assert light.background_rgb == pytest.approx([0.7, 0.7, 0.7], rel=0.01)
    assert light.paper_rgb == pytest.approx(light.background_rgb)
    assert light.black_rgb is None
    assert light.unevenness < 1.05
    assert light.white_balance == pytest.approx([1, 1, 1], abs=0.01)


def test_white_balance_makes_coloured_paper_neutral() -> None:
    linear = np.ones((300, 300, 3), np.float32) * np.array([0.7, 0.6, 0.4], np.float32)
    rgb = (encode(linear) * 255 + 0.5).astype(np.uint8)
    light, _ = _light_and_noise(rgb)

    balanced = light.white_balance * light.paper_rgb
    assert balanced == pytest.approx([balanced[0]] * 3, rel=1e-6)
    assert light.paper_rgb == pytest.approx([0.7, 0.6, 0.4], rel=0.02)


def test_unevenness_is_the_ratio_of_the_window_ends() -> None:
    """Light falling to half across the window, with debris on it."""
    scene = grains(500, 30, (8, 40), seed=3)
    scene *= np.linspace(1.0, 0.5, scene.shape[1], dtype=np.float32)
    light, _ = _light_and_noise(take(scene, 1.0, 1.0))

    assert light.unevenness == pytest.approx(2.0, rel=0.08)
    assert light.background_level == pytest.approx(0.7 * 0.75, rel=0.02)


@pytest.mark.parametrize(("noise", "quality"), [(0.5, None), (2.0, None), (4.0, None), (2.0, 90), (4.0, 80)])
@pytest.mark.parametrize("count", [0, 30])
def test_noise_and_its_spread_match_blank_paper(noise: float, quality: int | None, count: int) -> None:
    """Truth: the plain sd of pixels and of block means of the same blank paper."""
    blank = take(grains(500, 0, (8, 20), seed=4), 1.0, noise, quality=quality, seed=5)
    level = Tone().to_linear(np.ascontiguousarray(blank[..., 1])).astype(float)
    fives = level.reshape(100, 5, 100, 5).mean(axis=(1, 3))
    _, found = _light_and_noise(
        take(grains(500, count, (8, 20), seed=4), 1.0, noise, quality=quality, seed=5)
    )

    assert found.sd_rel == pytest.approx(level.std() / level.mean(), rel=0.12)
    assert found.spread5 == pytest.approx(5 * fives.std() / level.std(), rel=0.15)


def test_a_drawn_picture_has_no_noise() -> None:
    _, noise = _light_and_noise(np.full((200, 200, 3), 255, np.uint8))

    assert noise.sd_rel == 0
    assert (noise.spread3, noise.spread5) == (1, 1)


def test_noise_follows_the_light_between_black_and_paper() -> None:
    noise = Noise(0.02, 1, 1, background_rel=1.0, black_rel=0.05, black_sd_rel=0.005)

    assert noise.sd_at(1.0) == pytest.approx(0.02)
    assert noise.sd_at(0.05) == pytest.approx(0.005)
    assert noise.sd_at(0.525) == pytest.approx(np.sqrt((0.02**2 + 0.005**2) / 2))


def test_a_window_outside_the_picture_is_refused() -> None:
    rgb = np.zeros((50, 50, 3), np.uint8)

    with pytest.raises(ValueError, match="no pixels"):
        view_window(rgb, np.array([[60.0, 60], [90, 60], [90, 90], [60, 90]]))


def test_other_frames_leave_srgb_with_its_doubt() -> None:
    tone = measure_tone(np.zeros((50, 50, 3), np.uint8), PLANE, make_frame("micro"))

    assert tone == Tone(0.0, BEND_PRIOR_U, measured=False)


@pytest.mark.parametrize("power", [1.0, 1.45])
def test_tone_is_bent_only_where_the_print_says_so(power: float) -> None:
    """The top rows of a card with sharp toner at 34 um/px, its light raised to a power before sRGB."""
    frame = make_frame("wide")
    ink = frame_raster(frame, 1200)[:520].astype(np.float32) / 255
    grown = cv2.erode(ink, np.ones((3, 3)))  # one dot of 21 um
    dots = 34.0 * 1200 / 25400
    size = (round(ink.shape[1] / dots), round(ink.shape[0] / dots))
    soft = cv2.GaussianBlur(0.04 + 0.66 * grown, (0, 0), 2.0 * dots)
    linear = cv2.resize(soft, size, interpolation=cv2.INTER_AREA)
    codes = (encode(linear ** (1 / power)) * 255 + 0.5).astype(np.uint8)
    scale = frame.width_mm / size[0]
    plane = PlaneMap((-0.5, -0.5), 1000.0, (0.0, 0.0), np.diag([1000 * scale, 1000 * scale, 1.0]))

    tone = measure_tone(np.repeat(codes[..., None], 3, axis=2), plane, frame)
    assert tone.measured == (power > 1)
    assert abs(1 + tone.bend - power) < 2 * tone.bend_u
