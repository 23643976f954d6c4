"""Frame-edge weights of Miles and Lantuejoul: the worked example, and a simulation of fibres and grains."""

from __future__ import annotations

import numpy as np
import pytest

from triage.debris.tabulate import edge_weight

WINDOW = np.array([100.0, 70.0])


def test_the_worked_example():
    """Frame 1000 x 800, piece 100 x 50: seen whole in 0.84375 of places (Russ, Image Processing Handbook)."""
    weight = edge_weight(np.array([[100.0, 50.0]]), np.array([1000.0, 800.0]))
    assert weight[0] == pytest.approx(1 / 0.84375)


def test_a_piece_as_long_as_the_window_stays_finite():
    assert edge_weight(np.array([[100.0, 1.0]]), WINDOW)[0] == pytest.approx(20 / (1 - 1 / 70))


@pytest.mark.parametrize(("length", "width"), [(20.0, 20.0), (10.0, 5.0), (30.0, 1.0), (40.0, 2.0)])
def test_those_wholly_inside_stand_for_all(length, width):
    """Ellipses at any angle, thrown at random: the weights add up to what lies in the window."""
    rng = np.random.default_rng(0)
    count = 200_000
    angle, place = rng.uniform(0, np.pi, count), rng.uniform(-50, WINDOW + 50, (count, 2))
    extent = np.stack(
        [
            np.hypot(length * np.cos(angle), width * np.sin(angle)),
            np.hypot(length * np.sin(angle), width * np.cos(angle)),
        ],
        axis=1,
    )
    whole = ((place > extent / 2) & (place < WINDOW - extent / 2)).all(axis=1)
    expected = count * WINDOW.prod() / (WINDOW + 100).prod()
    assert edge_weight(extent[whole], WINDOW).sum() == pytest.approx(expected, rel=0.02)
