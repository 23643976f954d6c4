"""Blur against rendered truth, and against the analytic MTF of a Gaussian: MTF50 = 0.1873906 / sigma,

10 to 90 % rise = 2.563103 sigma (both follow from exp(-2 pi^2 sigma^2 f^2)).
"""

from dataclasses import replace

import numpy as np
import pytest

from calibration.card import make_frame
from calibration.edges import fit_straight_edge
from calibration.light import Noise, Tone, measure_light, measure_noise
from calibration.scale import PlaneMap
from calibration.sharpness import Blur, _blade, _sharpest, measure_blur, steepest_edges_blur
from calibration.tone import grey_of
from tests.calibration.renders import FINE, PIXEL_SD, grains, slanted_edge, take, whole

CLOSEUP = make_frame("closeup")
PLANE = PlaneMap.similarity(34.0)


def _blur_of(rgb: np.ndarray) -> Blur | None:
    light = measure_light(rgb, PLANE, None, whole(rgb))
    noise = measure_noise(rgb, PLANE, None, whole(rgb), light)
    return measure_blur(rgb, PLANE, None, whole(rgb), light, noise)


@pytest.mark.parametrize(("blur_px", "largest"), [(0.6, 40), (1.2, 40), (2.0, 40), (3.0, 80)])
@pytest.mark.parametrize(("noise", "quality"), [(0.5, 95), (2.0, 90), (4.0, 80)])
def test_steepest_edges_give_the_blur_within_a_tenth(
    blur_px: float, largest: float, noise: float, quality: int
) -> None:
    """Forty grains of 8 to 40 px with shadows; to 80 at 3 px, where a step needs 24 px of grain."""
    rgb = take(grains(700, 40, (8, largest), seed=1), blur_px, noise, quality=quality)
    blur = _blur_of(rgb)

    assert blur is not None
    truth = np.hypot(blur_px, PIXEL_SD)
    assert blur.sigma_px == pytest.approx(truth, rel=0.1)
    assert abs(blur.sigma_px - truth) < 3 * blur.sigma_u_px
    assert blur.overshoot == 0.0


def test_sharpening_rim_is_reported_and_gone_behind() -> None:
    """Unsharp masking, amount 1 at 2 px, turned 0.9 px of blur into edges a third too steep."""
    rgb = take(grains(500, 40, (8, 40), seed=1), 0.9, 1.0, quality=92, sharpen=(1.0, 2.0))
    blur = _blur_of(rgb)

    assert blur is not None
    assert blur.overshoot > 0.05
    assert blur.sigma_px == pytest.approx(np.hypot(0.9, PIXEL_SD), rel=0.15)


def test_specks_and_fibres_are_no_edges() -> None:
    """Bumps narrower than the blur read a third too sharp; without any step there is no answer."""
    scene = np.full((1600, 1600), 0.7, np.float32)
    scene[100:1500:60, 100:1500] = 0.05  # lines a quarter pixel wide
    scene[100:1500, 130:1500:60] = 0.05

    assert _blur_of(take(scene, 1.5, 0.5)) is None


def test_blank_paper_has_no_blur() -> None:
    assert _blur_of(take(np.full((1600, 1600), 0.7, np.float32), 1.0, 2.0)) is None


@pytest.mark.parametrize("sigma", [0.7, 1.0, 1.5, 3.0])
def test_straight_edge_agrees_with_its_own_mtf_and_rise(sigma: float) -> None:
    """MTF50 by the slanted-edge steps of ISO 12233, computed here without the fit."""
    linear = Tone().to_linear(grey_of(take(slanted_edge(120, 7.0), sigma, 0.0)))
    lean = 40 * np.tan(np.radians(7.0))
    ends = np.array([[59.5 + lean, 19.5], [59.5 - lean, 99.5]])
    edge = fit_straight_edge(linear, ends[0], ends[1], 12.0 + 4 * sigma)

    assert edge is not None
    total = np.hypot(sigma, PIXEL_SD)
    assert edge.sigma_px == pytest.approx(total, rel=0.02)

    width = 0.125
    bins = np.arange(-9, 9 + width, width)
    which = np.digitize(edge.across_px, bins)
    esf = (
        np.bincount(which, edge.level, len(bins) + 1)[1:-1]
        / np.bincount(which, minlength=len(bins) + 1)[1:-1]
    )
    spread = np.diff(esf)
    spectrum = np.abs(np.fft.rfft(spread, 8192))
    mtf50 = np.fft.rfftfreq(8192, width)[np.argmax(spectrum < 0.5 * spectrum[0])]
    assert mtf50 == pytest.approx(0.1873906 / edge.sigma_px, rel=0.03)

    share = (esf - esf[:8].mean()) / (esf[-8:].mean() - esf[:8].mean())
    rise = width * (np.argmax(share > 0.9) - np.argmax(share > 0.1))
    assert rise == pytest.approx(2.563103 * edge.sigma_px, rel=0.06, abs=2 * width)


def test_straight_edge_refuses_what_is_none() -> None:
    even = np.full((100, 100), 0.5, np.float32)
    even += np.random.default_rng(0).normal(0, 0.01, even.shape).astype(np.float32)

    assert fit_straight_edge(even, np.array([50.0, 10.0]), np.array([50.0, 90.0]), 12.0) is None
    assert fit_straight_edge(even, np.array([50.0, -40.0]), np.array([50.0, 40.0]), 12.0) is None


def test_agreeing_readings_are_averaged_and_a_soft_one_is_left_out() -> None:
    sharp, same, soft = Blur(1.0, 0.1, "a"), Blur(1.1, 0.1, "b"), Blur(2.0, 0.1, "c")

    both = _sharpest([sharp, same])
    assert both is not None
    assert both.sigma_px == pytest.approx(1.05)
    assert both.sigma_u_px == pytest.approx(0.1 / np.sqrt(2))
    assert _sharpest([sharp, soft]) == Blur(1.0, pytest.approx(0.1), "a")


def test_a_bound_below_the_debris_edges_is_what_is_known() -> None:
    bound = Blur(2.0, 0.1, "printed edges", upper_bound=True)

    assert _sharpest([Blur(6.0, 0.5, "debris"), bound]) == bound
    assert _sharpest([Blur(1.0, 0.1, "debris"), bound]) == Blur(1.0, pytest.approx(0.1), "debris")
    assert _sharpest([]) is None


def test_few_edges_are_not_enough() -> None:
    rgb = take(grains(200, 1, (12, 12), seed=2), 1.0, 1.0)
    linear = Tone().to_linear(grey_of(rgb))

    assert steepest_edges_blur(linear, np.full(linear.shape, 255, np.uint8), 0.006) is None


def test_noise_of_a_mean_lies_between_independent_and_shared() -> None:
    noise = Noise(0.01, 2.0, 3.0, 1.0)

    assert noise.sd_of_mean(1) == pytest.approx(0.01)
    assert noise.sd_of_mean(9) == pytest.approx(0.01 * 2 / 3)
    assert noise.sd_of_mean(25) == pytest.approx(0.01 * 3 / 5)


def _groove_photo(blade: bool, blur_px: float) -> tuple[np.ndarray, PlaneMap]:
    """Where the close-up frame's groove is, at 11 um/px: bare paper, or a dark blade laid askew across it."""
    scale = 0.011
    x, y, width, height = CLOSEUP.groove or (0.0, 0.0, 0.0, 0.0)
    shape = (round((height + 2) / scale), round((width + 2) / scale))
    scene = np.full((shape[0] * FINE, shape[1] * FINE), 0.7, np.float32)
    if blade:
        row, col = np.mgrid[0 : scene.shape[0], 0 : scene.shape[1]]
        scene[(row > 500 * FINE + 0.1 * col) & (row < 900 * FINE + 0.1 * col)] = 0.05
    plane = PlaneMap((-0.5, -0.5), 1000.0, (0.0, 0.0), np.diag([1000 * scale, 1000 * scale, 1.0]))
    moved = np.array([[1.0, 0, x - 1], [0, 1, y - 1], [0, 0, 1]]) @ plane.to_card
    return take(scene, blur_px, 1.0, quality=92), replace(plane, to_card=moved)


@pytest.mark.parametrize("blur_px", [0.8, 1.5, 2.5])
def test_a_blade_in_the_groove_gives_the_blur(blur_px: float) -> None:
    rgb, plane = _groove_photo(True, blur_px)
    light = measure_light(rgb, plane, None, whole(rgb))
    noise = measure_noise(rgb, plane, None, whole(rgb), light)
    blur = _blade(rgb, plane, CLOSEUP, light, noise)

    assert blur is not None
    assert not blur.upper_bound
    assert blur.sigma_px == pytest.approx(np.hypot(blur_px, PIXEL_SD), rel=0.06)


def test_an_empty_groove_has_no_blade() -> None:
    rgb, plane = _groove_photo(False, 1.0)
    light = measure_light(rgb, plane, None, whole(rgb))
    noise = measure_noise(rgb, plane, None, whole(rgb), light)

    assert _blade(rgb, plane, CLOSEUP, light, noise) is None
