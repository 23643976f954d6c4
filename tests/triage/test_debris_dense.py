"""Fine debris lying thick: the paper between is found again, and what stands alone is counted."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from tests.benchmarks.blurred_discs import by_tool
from tests.benchmarks.dense_discs import frames, photograph, score, spread
from triage.debris.background import find_departure
from triage.debris.dust import lifted
from triage.debris.find import noise_of

LUT = np.linspace(0, 1, 256, dtype=np.float32)


@pytest.mark.parametrize("by", [30, 22, 15])
def test_discs_at_the_density_of_the_reference_picture_are_counted(by):
    """Source: the ISO working group's 90 px discs (drawn alike where missing), 3, 4 and 6 px wide."""
    got = score(photograph(spread(frames(), by, 200), by, 0.8, by))

    assert got.lone > 100
    assert got.found == pytest.approx(got.lone, rel=0.03)
    assert got.strays <= 1
    if by == 15:  # smaller ones run together until neither blur nor contrast is known
        assert got.clump_found_px2 == pytest.approx(got.clump_px2, rel=0.05)


@pytest.mark.parametrize(("across", "pitch", "blur"), [(4, 12, 0.8), (12, 32, 1.3)])
def test_discs_on_a_regular_grid_are_no_cloth(across, pitch, blur):
    """Source: the discs drawn, at eight times the resolution."""
    fine = 8
    count = 420 // pitch
    page = np.zeros(((count + 2) * pitch * fine,) * 2, np.uint8)
    for row, column in np.ndindex(count, count):
        place = ((1.5 + column) * pitch * fine, (1.5 + row) * pitch * fine)
        cv2.circle(page, np.round(place).astype(int).tolist(), across * fine // 2, 1, cv2.FILLED)
    true = photograph(page > 0, fine, blur, seed=3)

    found = by_tool(true.grey)

    assert len(found.diameter) == count**2
    assert np.median(found.diameter) == pytest.approx(np.sqrt(true.area.mean() * 4 / np.pi), rel=0.03)


def test_paper_between_dust_is_paper():
    """Source: the picture's own paper, 0.8; its average with dust on a fifth of it is 0.64."""
    rng = np.random.default_rng(5)
    light = np.where(rng.random((256, 256)) < 0.2, 0.0, 0.8) + rng.normal(0, 0.005, (256, 256))
    rgb = np.repeat(np.round(light.clip(0, 1) * 255).astype(np.uint8)[:, :, None], 3, axis=2)
    window = np.ones(light.shape, np.uint8)
    averaged = find_departure(rgb, LUT, window)

    departure = lifted(averaged, window)

    assert averaged.paper.mean() < 0.72
    assert departure.paper.mean() == pytest.approx(0.8, abs=0.015)
    assert departure.span is departure.paper


@pytest.mark.parametrize("noise", [0.005, 0.02, 0.06])
def test_bare_paper_is_left_as_it_is(noise):
    rng = np.random.default_rng(6)
    light = rng.normal(0.8, noise, (256, 256)).clip(0, 1)
    rgb = np.repeat(np.round(light * 255).astype(np.uint8)[:, :, None], 3, axis=2)
    window = np.ones(light.shape, np.uint8)
    departure = find_departure(rgb, LUT, window)

    assert lifted(departure, window) is departure


def test_noise_between_dust_is_that_of_the_paper():
    """Source: the noise put in, 0.01; the spread of all pixels is fifteen times that."""
    rng = np.random.default_rng(7)
    values = rng.normal(0, 0.01, (512, 512))
    dusty = np.where(rng.random(values.shape) < 0.45, rng.uniform(0.1, 0.6, values.shape), values)
    window = np.ones(values.shape, np.uint8)

    assert noise_of(values.astype(np.float32), window) == pytest.approx(0.01, rel=0.05)
    assert noise_of(dusty.astype(np.float32), window) == pytest.approx(0.01, rel=0.1)
