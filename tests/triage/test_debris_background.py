"""Paper under the debris and what departs from it, on drawn pictures of known light."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.tone import Tone
from tests.scenes.camera import Camera
from tests.scenes.debris import Debris as Scatter
from tests.scenes.paper import Paper, paper_texture
from tests.scenes.photograph import SceneSpec, photograph
from tests.triage.drawn import blurred_cover, disc, in_reading_order, measured, photo, rows_of
from triage.debris.background import find_departure, is_darker_than_debris
from triage.debris.find import find, noise_of

LUT = Tone().lut


def uneven(size: tuple[int, int], depth: float) -> np.ndarray:
    """Light falling off smoothly to one corner and to the rim, 1 at its brightest."""
    y, x = (np.linspace(-1, 1, side) for side in size)
    slope = 1 - depth * 0.25 * ((1 + x[None]) + (1 + y[:, None]))
    return (slope * (1 - 0.15 * (x[None] ** 2 + y[:, None] ** 2))).astype(np.float32)


@pytest.mark.parametrize("depth", [0.0, 0.3, 0.6])
def test_paper_level_under_uneven_light(depth):
    """Source: the light drawn. Between the pieces, and under them, the paper is known to 0.3 %.

    One 8-bit code is 0.8 % of the light here; over the neighbourhood averaged it leaves next to nothing.
    """
    laid, size = rows_of([disc(width) for width in np.geomspace(4, 40, 64)], 70)
    level = 0.8 * uneven(size, depth)
    rgb = photo(0.8 * blurred_cover(laid, size, 1.0), paper=level, noise=0.01)

    found = find_departure(rgb, LUT, np.ones(size, np.uint8))

    rows, columns = (
        np.minimum((np.arange(n) + 0.5) * found.reduction, side - 1).astype(int)
        for n, side in zip(found.paper.shape[:2], size, strict=True)
    )
    error = found.paper[..., 1] / level[np.ix_(rows, columns)] - 1
    assert abs(np.median(error)) < 0.002
    assert np.percentile(np.abs(error), 99) < 0.01
    assert np.abs(error).mean() < 0.003


def test_departure_inside_and_outside_discs():
    """Source: what was drawn: 0.8 of the light gone inside, none between."""
    laid, size = rows_of([disc(24)] * 16, 60)
    rgb = photo(0.8 * blurred_cover(laid, size, 1.0), paper=0.8 * uneven(size, 0.4), noise=0.005)

    whole = slice(0, size[0]), slice(0, size[1])
    step = find_departure(rgb, LUT, np.ones(size, np.uint8)).inside(whole).mean(axis=2)

    inside = blurred_cover([disc_.buffer(-5) for disc_ in laid], size, 0) > 0.99
    outside = blurred_cover([disc_.buffer(6) for disc_ in laid], size, 0) == 0
    assert np.median(step[inside]) == pytest.approx(0.8, abs=0.004)
    assert np.median(step[outside]) == pytest.approx(0, abs=0.003)


def test_window_decides_what_is_paper():
    """A black print beside the window must not pull its paper down."""
    size = (200, 300)
    missing = np.zeros(size, np.float32)
    missing[:, 200:] = 0.95
    window = np.zeros(size, np.uint8)
    window[:, :190] = 1

    found = find_departure(photo(missing), LUT, window)

    assert found.paper[:, : 190 // found.reduction, 1] == pytest.approx(0.8, rel=0.005)


def test_empty_window_is_refused():
    with pytest.raises(ValueError, match="outside the photo"):
        find_departure(photo(np.zeros((50, 50), np.float32)), LUT, np.zeros((50, 50), np.uint8))


@pytest.mark.parametrize("pale_on_dark", [False, True])
def test_dark_ground_is_told_from_pale_paper(pale_on_dark):
    laid, size = rows_of([disc(width) for width in np.linspace(8, 30, 16)], 60)
    shape = blurred_cover(laid, size, 1.0)
    light = 0.04 + 0.6 * shape if pale_on_dark else 0.8 - 0.6 * shape
    rgb = photo(1 - light, paper=1.0, noise=0.003)

    assert is_darker_than_debris(rgb, LUT, np.ones(size, np.uint8)) is pale_on_dark


@pytest.mark.parametrize("sigma", [0.8, 1.3])
def test_pale_discs_on_a_dark_ground_are_sized(sigma):
    """Source: the discs drawn; ECD within the project's 3 % from 12 px up, where no rim or shadow was drawn
    to allow for.

    The dim rim of real pale grains, for which the tool adds 0.28 blur widths a side, is absent on flat discs.
    """
    laid, size = rows_of([disc(width) for width in np.linspace(20, 40, 16)], 80)
    light = 0.04 + 0.6 * blurred_cover(laid, size, sigma)

    found = in_reading_order(measured(photo(1 - light, paper=1.0, noise=0.003)), 80)

    excess_px = found["ecd_um"] / 10 - np.linspace(20, 40, 16)
    assert len(found) == 16
    assert np.abs(excess_px - np.median(excess_px)).max() < 0.3
    assert abs(np.median(excess_px)) < 2 * 0.28 * np.hypot(sigma, 0.7) + 0.2


@pytest.mark.parametrize("seed", range(4))
def test_bare_paper_in_noise_shows_nothing(seed):
    """Source: nothing was drawn: paper with the texture of tests/scenes, white noise of 1 to 4 %."""
    size = (500, 700)
    sheet = paper_texture(Paper(fine=0.015, cloudy=0.010), 30.0, seed)[: size[0], : size[1]]
    level = sheet * uneven(size, 0.2)

    for noise in (0.01, 0.04):
        assert (
            len(measured(photo(np.zeros(size, np.float32), paper=level, noise=noise, seed=seed)).table) == 0
        )


def test_bare_paper_through_a_phone_shows_nothing():
    """Source: the scene: no debris. Mosaic, smoothing, sharpening and JPEG make noise that neighbours
    share.
    """
    spec = SceneSpec(seed=9, debris=Scatter(count=0), camera=Camera(900, 700, um_per_px=30.0))

    assert len(measured(photograph(spec).rgb, 30.0).table) <= 1


@pytest.mark.parametrize(("contrast", "width"), [(0.3, 4.0), (0.3, 6.0), (0.85, 2.5), (0.85, 4.0)])
def test_faint_and_small_discs_are_seen(contrast, width):
    """Source: the discs drawn; noise of 2 % a pixel. A disc of 4 px and 30 % stands out of it some forty
    times.
    """
    laid, size = rows_of([disc(width)] * 64, 24)

    found = measured(photo(contrast * blurred_cover(laid, size, 1.0), noise=0.02)).table

    assert len(found) == 64
    centres = np.array([[each.centroid.x, each.centroid.y] for each in laid])
    apart = np.hypot(found["x_px"][:, None] - centres[:, 0], found["y_px"][:, None] - centres[:, 1]).min(
        axis=1
    )
    assert apart.max() < 1.0


def test_noise_is_that_of_the_paper_not_of_the_debris():
    """Source: the noise drawn, 2 %, with 8 % of the window under debris, nearly as much as is not called
    crowded.
    """
    laid, size = rows_of([disc(20)] * 36, 64)
    values = 0.8 * blurred_cover(laid, size, 1.0)
    values += np.random.default_rng(1).normal(0, 0.02, size).astype(np.float32)

    assert noise_of(values, np.ones(size, np.uint8)) == pytest.approx(0.02, rel=0.15)


def test_what_is_found_lies_in_the_window():
    laid, size = rows_of([disc(12)] * 36, 40)
    rgb = photo(0.85 * blurred_cover(laid, size, 1.0))
    window = np.zeros(size, np.uint8)
    window[45:195, 45:195] = 1

    found = find(find_departure(rgb, LUT, window), window, 1.0)

    outside = np.ones(size, bool)
    outside[42:198, 42:198] = False
    assert found.mask[60:180, 60:180].sum() > 9 * 60
    assert not found.mask[outside].any()
