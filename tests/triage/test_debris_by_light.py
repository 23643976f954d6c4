"""Size by light, against numerical convolution, a closed form, and discs of known size in noise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter
from scipy.special import i0e

from tests.triage.drawn import blurred_cover, cover, disc, placed, rows_of
from triage.debris.by_light import (
    DIAMETERS,
    LightSizes,
    SmallPieces,
    blurred_disc,
    disc_energy,
    fit,
    fit_apart,
    sharpest_fit,
)

CONTRAST = 0.85
PITCH = 30


@pytest.mark.parametrize("diameter", [0.3, 1.0, 2.0, 4.0, 8.0, 10.0])
def test_middle_of_a_blurred_disc(diameter):
    """Closed form: the Gaussian's share within radius R is 1 - exp(-R^2 / 2)."""
    assert blurred_disc(np.zeros(1), diameter)[0] == pytest.approx(1 - np.exp(-(diameter**2) / 8), rel=2e-3)


@pytest.mark.parametrize("diameter", [0.5, 2.0, 6.0, 10.0])
def test_profile_of_a_blurred_disc(diameter):
    """Source: scipy's adaptive integral of rings, each smeared as exp(-(r - s)^2 / 2) I0e(r s) s."""
    for radius in (0.0, 0.5, 1.0, diameter / 2, diameter / 2 + 1, diameter / 2 + 3):
        exact = quad(lambda s, r=radius: np.exp(-0.5 * (r - s) ** 2) * i0e(r * s) * s, 0, diameter / 2)[0]
        assert blurred_disc(np.array([radius]), diameter)[0] == pytest.approx(exact, rel=5e-3, abs=5e-5)


@pytest.mark.parametrize(("diameter", "sigma"), [(12.0, 6.0), (40.0, 8.0), (60.0, 10.0)])
def test_profile_agrees_with_a_convolution(diameter, sigma):
    """Source: scipy.ndimage's Gaussian filter of an area-sampled disc; the pixel's own 1/12 px^2 of blur
    counted.
    """
    half = 90
    drawn = cover(placed(disc(diameter), half, half), (2 * half + 1, 2 * half + 1)).astype(float)
    numeric = gaussian_filter(drawn, sigma, truncate=6)[half, half:]

    total = np.hypot(sigma, np.sqrt(1 / 12))
    model = blurred_disc(np.arange(half + 1) / total, diameter / total)

    assert model == pytest.approx(numeric, abs=1e-3)


def test_energy_of_wide_and_narrow_discs():
    """Closed forms, in squared sigmas: a narrow disc is a Gaussian of its area A, energy A^2 / 4 pi.

    A wide one has its area less what an edge loses, 2 / sqrt(pi) / 2 a unit of circumference (the integral of
    H - Phi^2 over an edge is 1 / sqrt(pi)).
    """
    energy = disc_energy()
    narrow, wide = DIAMETERS[0], DIAMETERS[-1]

    assert energy[0] == pytest.approx((np.pi * narrow**2 / 4) ** 2 / (4 * np.pi), rel=0.02)
    assert energy[-1] == pytest.approx(np.pi * wide**2 / 4 - np.pi * wide / np.sqrt(np.pi), rel=0.02)


def spread(diameter: float, sigma: float, noise: float, seed: int, count: int = 144):
    """A departure picture of equal discs in white noise, and what is known of them beforehand."""
    laid, size = rows_of([disc(diameter)] * count, PITCH)
    light = CONTRAST * blurred_cover(laid, size, np.sqrt(sigma**2 - 1 / 12))
    light += np.random.default_rng(seed).normal(0, noise, size).astype(np.float32)
    centre = np.array([[each.centroid.x, each.centroid.y] for each in laid])
    labels = np.zeros(size, np.int32)
    for k, (x, y) in enumerate(np.round(centre).astype(int)):
        labels[y - 1 : y + 2, x - 1 : x + 2] = k + 1
    rough = np.full(count, np.hypot(diameter, 1.2 * sigma))
    known = SmallPieces(
        np.arange(1, count + 1, dtype=np.int32), centre, rough, np.full(count, CONTRAST), np.full(count, 0.04)
    )
    return light, labels, known


def sized(diameter: float, sigma: float, noise: float, seed: int = 5) -> LightSizes:
    light, labels, known = spread(diameter, sigma, noise, seed)
    return fit(light, labels, known, sigma, noise)


@pytest.mark.parametrize("noise", [0.01, 0.03])
@pytest.mark.parametrize(
    ("diameter", "sigma"),
    [(2.0, 0.85), (3.0, 0.85), (4.0, 0.85), (2.0, 1.33), (3.0, 1.33), (4.0, 1.33), (6.0, 1.33)],
)
def test_discs_of_known_contrast_are_sized(diameter, sigma, noise):
    """Source: the discs drawn. Below 3 px 5 %, above 2 %, three standard errors of the mean of 144 allowed
    for.
    """
    found = sized(diameter, sigma, noise)

    error = found.diameter_px.std() / np.sqrt(found.diameter_px.size)
    bound = (0.05 if diameter < 3 else 0.02) * diameter
    assert abs(found.diameter_px.mean() - diameter) < bound + 3 * error
    assert found.contrast.mean() == pytest.approx(CONTRAST, abs=0.04)


def test_sizes_between_the_diameters_tried():
    """Source: the discs drawn, 3 to 5.4 blur widths across, noise 0.5 %: two per cent as for the rest."""
    diameters = np.linspace(3.0, 5.4, 13)

    found = [sized(diameter, 1.0, 0.005).diameter_px.mean() for diameter in diameters]

    assert found / diameters == pytest.approx(np.ones(13), abs=0.02)


@pytest.mark.parametrize("noise", [0.02, 0.05])
@pytest.mark.parametrize("diameter", [2.0, 3.0, 4.0, 6.0])
def test_stated_uncertainty_covers(diameter, noise):
    """A standard uncertainty doubled covers about 95 %. Known contrast makes it wide rather than narrow."""
    found = sized(diameter, 1.33, noise)

    covered = np.abs(found.diameter_px - diameter) <= 2 * found.diameter_u_px
    assert 0.85 <= covered.mean() <= 1
    assert found.diameter_u_px.mean() < 0.35 * diameter


def test_slope_of_the_paper_is_not_taken_for_particle():
    """Source: the disc drawn; the paper beside it runs from -5 to +5 % of its light across one patch."""
    light, labels, known = spread(3.0, 1.33, 0.01, 5)
    tilted = light + np.linspace(-2, 2, light.shape[1], dtype=np.float32) * 0.3

    plain, sloped = (fit(picture, labels, known, 1.33, 0.01).diameter_px for picture in (light, tilted))

    assert sloped == pytest.approx(plain, rel=0.02)


def test_neighbours_pixels_have_no_say():
    light, labels, known = spread(3.0, 1.33, 0.01, 5)
    beside = np.zeros_like(labels)
    for x, y in np.round(known.centre).astype(int):
        beside[y - 9 : y - 5, x - 3 : x + 4] = 1000
    crowded = np.where(beside > 0, np.float32(0.9), light)

    alone, together = (
        fit(picture, owner, known, 1.33, 0.01).diameter_px
        for picture, owner in ((light, labels), (crowded, np.where(beside > 0, beside, labels)))
    )

    assert np.median(together / alone) == pytest.approx(1, abs=0.03)


@pytest.mark.parametrize("guess", [1.1, 1.33])
def test_blur_is_found_from_the_discs_themselves(guess):
    """Source: the blur drawn; noise of 3 % leaves the misfit meaning something."""
    light, labels, known = spread(3.0, 1.33, 0.03, 5)

    assert sharpest_fit(light, labels, known, guess, 0.03) == pytest.approx(1.33, rel=0.08)


def test_blur_is_found_in_a_clean_photo_of_grains():
    """Grains up to twice as long as wide, noise 0.4 %: what is no disc must not move the blur by a tenth."""
    from shapely import affinity

    rng = np.random.default_rng(3)
    stretch = rng.uniform(1, 1.6, 64)
    shapes = [placed(affinity.scale(disc(6), k, 1 / k), 0, 0, rng.uniform(0, 180)) for k in stretch]
    laid, size = rows_of(shapes, PITCH)
    light = CONTRAST * blurred_cover(laid, size, np.sqrt(1.33**2 - 1 / 12))
    light += rng.normal(0, 0.004, size).astype(np.float32)
    centre = np.array([[each.centroid.x, each.centroid.y] for each in laid])
    known = SmallPieces(
        np.arange(1, 65, dtype=np.int32), centre, np.full(64, 6.5), np.full(64, CONTRAST), np.full(64, 0.04)
    )

    assert sharpest_fit(light, np.zeros(size, np.int32), known, 1.33, 0.004) == pytest.approx(1.33, rel=0.1)


def test_close_pairs_are_sized_apart():
    """Source: the discs drawn, 7 px apart. Each of a pair shades the paper the other is measured against."""
    diameter, sigma, count, apart = 3.0, 1.3, 100, 7
    light, labels, one = spread(diameter, sigma, 0.01, seed=4, count=count)
    light = light + np.roll(light, apart, axis=1)
    labels = labels + np.roll(np.where(labels > 0, labels + count, 0), apart, axis=1)
    known = SmallPieces(
        np.concatenate([one.label, one.label + count]),
        np.concatenate([one.centre, one.centre + np.array([apart, 0])]),
        *(np.tile(each, 2) for each in (one.rough_diameter, one.contrast, one.contrast_u)),
    )

    alone = fit(light, labels, known, sigma, 0.01 * 2**0.5)
    told = fit_apart(light, labels, known, alone, sigma, 0.01 * 2**0.5)

    off = [abs(sizes.diameter_px.mean() / diameter - 1) for sizes in (alone, told)]
    assert off[1] < 0.03
    assert off[1] < 0.5 * off[0]
