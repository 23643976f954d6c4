"""The plain scripts that the tool is compared with work as they should, and the comparison scores rightly."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.benchmarks.alternatives import Result, Scene, by_size, fibres, load, share_errors
from tests.benchmarks.plain_scripts import FIBRE_ASPECT, PLAIN
from tests.scenes.match import pair

SAMPLE = Path(__file__).resolve().parents[2] / "sample_images" / "pressure_washer_PW-07_after.jpg"


def clean_picture():
    """Nine sharp discs of 20 px and a bar of 60 by 4 px, black on pale."""
    grey = np.full((200, 200), 210, np.uint8)
    for x, y in ((x, y) for x in (30, 90, 150) for y in (30, 80, 130)):
        cv2.circle(grey, (x, y), 10, 20, -1)
    grey[170:174, 100:160] = 20
    noise = np.random.default_rng(0).normal(0, 2, grey.shape)
    return np.clip(grey + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("name", ["Otsu", "local, watershed"])
def test_plain_scripts_measure_a_clean_picture(name):
    """A drawn disc of radius 10 covers 317 px. The watershed cuts the bar up, which is why it is no fibre."""
    found = PLAIN[name](clean_picture())
    discs = np.abs(found.xy[:, 1] - 80) < 60
    assert np.count_nonzero(discs) == 9
    assert found.diameter[discs] == pytest.approx(np.sqrt(317 * 4 / np.pi), rel=0.03)
    assert found.width[discs] == pytest.approx(found.diameter[discs], rel=0.05)
    if name != "local, watershed":
        (bar,) = np.flatnonzero(~discs)
        assert found.length[bar] == pytest.approx(60, rel=0.05)
        assert found.width[bar] == pytest.approx(4, rel=0.1)
        assert found.length[bar] > FIBRE_ASPECT * found.width[bar]


def test_sep_takes_in_a_pixel_all_round():
    """Its filter of 3 by 3 pixels, on unless switched off, widens whatever it outlines by one pixel."""
    pytest.importorskip("sep")
    found = PLAIN["sep"](clean_picture())
    discs = np.abs(found.xy[:, 1] - 80) < 60
    assert np.count_nonzero(discs) == 9
    assert found.diameter[discs] == pytest.approx(22.1, abs=0.8)
    (bar,) = np.flatnonzero(~discs)
    assert found.length[bar] == pytest.approx(60, rel=0.05)


def perfect(scene: Scene, wrong: float = 1.0) -> Result:
    """A method that finds every true piece, with diameter, length and width `wrong` times the true ones."""
    found = scene.true.copy()
    for name in ("ecd_um", "length_um", "width_um"):
        found[name] *= wrong
    return Result(scene, found, pair(scene.true, found), 0.0, 60.0)


def test_the_comparison_scores_a_known_method():
    scene = load(SAMPLE)
    row = by_size([perfect(scene)], 3.0, 40.0)
    assert (row.recall, row.precision, row.bias, row.scatter) == (1.0, 1.0, 0.0, 0.0)
    assert share_errors([perfect(scene)])[75.0] == [0.0]
    assert fibres([perfect(scene)]) == (1.0, 1.0, 0.0, 0.0)
    large = perfect(scene, 1.2)
    assert by_size([large], 3.0, 40.0).bias == pytest.approx(0.2)
    assert fibres([large])[2:] == pytest.approx((0.2, 0.2))


def test_missed_and_false_pieces_are_counted():
    """Of the pieces of 3 to 40 px every second is left out; as many are put where nothing lies."""
    scene = load(SAMPLE)
    kept = scene.true[::2]
    false = kept.copy()
    false["x_px"] += 5000
    found = np.concatenate([kept, false])
    row = by_size([Result(scene, found, pair(scene.true, found), 0.0, 60.0)], 3.0, 40.0)
    assert row.recall == pytest.approx(0.5, abs=0.1)
    assert row.precision == pytest.approx(0.5)
