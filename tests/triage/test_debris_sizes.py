"""What single sizes rest on: printed targets told from debris, and fibres freed of their own shadow."""

from pathlib import Path

import numpy as np
import pytest

from tests.benchmarks.alternatives import Result, by_tool, fibres, load
from tests.scenes.match import pair
from tests.triage.drawn import blurred_cover, disc, in_reading_order, measured, photo, rows_of

FIBRES = Path(__file__).resolve().parents[2] / "sample_images" / "pressure_washer_PW-07_before.jpg"
CONTRAST = 0.9
PITCH = 24


def read_sizes(diameters: np.ndarray, sigma: float) -> np.ndarray:
    """Measured over drawn diameters of separate black discs, in the order drawn."""
    shapes, size = rows_of([disc(each) for each in diameters], PITCH)
    found = measured(photo(CONTRAST * blurred_cover(shapes, size, sigma), noise=0.008), um_per_px=1.0)
    assert len(found.table) == len(diameters)
    return in_reading_order(found, PITCH)["ecd_um"] / diameters


@pytest.mark.parametrize("sigma", [0.8, 1.3])
@pytest.mark.parametrize("diameter", [3.0, 4.0, 6.0])
def test_equal_discs_alone_in_a_picture_read_as_drawn(diameter, sigma):
    """Source: the discs drawn. Nothing else tells their blur, contrast or lack of shadow: 6 % is allowed."""
    assert read_sizes(np.full(64, diameter), sigma).mean() == pytest.approx(1, abs=0.06)


def test_unequal_pieces_are_debris_and_lose_a_contact_shadow():
    """A disc reads smaller among unequal small ones, taken for solid, than among its equals, flat marks."""
    unequal = np.resize([2.5, 3.0, 3.5, 4.0], 64)
    among_unequal = read_sizes(unequal, 1.3)[unequal == 3.0].mean()
    assert among_unequal < read_sizes(np.full(64, 3.0), 1.3).mean() - 0.05


def test_fibres_lose_the_shadow_that_blur_merges_with_them():
    """Source: the truth beside a path traced photo, never tuned on. With their shadow they read 40 % wide."""
    scene = load(FIBRES)
    assert scene is not None
    found, from_um = by_tool(scene)
    _, named, length, width = fibres([Result(scene, found, pair(scene.true, found), 0.0, from_um)])
    assert named > 0.65
    assert abs(length) < 0.06
    assert abs(width) < 0.2
