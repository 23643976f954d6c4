"""Colours and kinds: published sRGB to CIELAB values, plain examples, and doubt where it is due."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2lab

from triage.debris.features import lab_of
from triage.debris.kinds import LOOKS, looks_like
from triage.debris.particles import KINDS

# sRGB code values and CIELAB under D65. The first four appear with the 7-digit matrix in several public test
# suites;
# the greys follow from the definition. Two matrix precisions in use differ by 0.02: hence the tolerance of
# 0.05.
WORKED = {
    (255, 0, 0): (53.2408, 80.0925, 67.2032),
    (0, 255, 0): (87.7347, -86.1827, 83.1793),
    (0, 0, 255): (32.2970, 79.1875, -107.8602),
    (255, 255, 255): (100, 0, 0),
    (128, 128, 128): (53.5850, 0, 0),
    (119, 119, 119): (50.0344, 0, 0),
    (0, 0, 0): (0, 0, 0),
    (183, 65, 14): (44.06, 45.76, 51.12),
    (139, 69, 19): (37.47, 26.44, 40.98),
    (160, 82, 45): (43.80, 29.32, 35.64),
}


def linear(code: np.ndarray) -> np.ndarray:
    """sRGB code values to linear light, IEC 61966-2-1."""
    part = np.asarray(code) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


@pytest.mark.parametrize("code", WORKED, ids=str)
def test_worked_colours(code):
    assert lab_of(linear([code]))[0] == pytest.approx(WORKED[code], abs=0.05)


def test_colours_agree_with_scikit_image():
    """Source: scikit-image's rgb2lab, D65, two degrees; it rounds its white point to five digits."""
    codes = np.random.default_rng(1).integers(0, 256, (500, 3))

    assert lab_of(linear(codes)) == pytest.approx(rgb2lab(codes[None] / 255.0)[0], abs=0.05)


def test_colours_beyond_white_and_black_stay_finite():
    lab = lab_of(np.array([[1.5, 1.2, 1.1], [-0.2, 0.0, 0.1]]))

    assert np.isfinite(lab).all()
    assert lab[0] == pytest.approx([100, 0, 0], abs=0.05)


def named(*lab: tuple[float, float, float], glint: float = 0.0, ratio: float = 1.3, thin: bool = False):
    count = len(lab)
    names, share = looks_like(
        np.array(lab, float), np.full(count, glint), np.full(count, ratio), np.full(count, thin)
    )
    return names.tolist(), share


def test_plain_examples():
    """Plain judgement, no source: red-brown is rust, black neutral rubber, blue-green copper corrosion."""
    names, share = named((34, 14, 14), (22, 0.5, 0), (58, -14, 1))

    assert names == ["rust", "rubber", "green_corrosion"]
    assert (share > 0.6).all()


def test_what_looks_like_nothing_known_is_unsure():
    """Pure red, blue and violet paint is on no list."""
    names, _ = named((53, 80, 67), (32, 79, -108), (45, 60, -60))

    assert names == ["unsure"] * 3


def test_a_colour_half_way_between_two_kinds_is_unsure():
    rust, plant = (np.array(look.lab) for look in LOOKS if look.kind in ("rust", "plant"))
    path = [tuple(rust + part * (plant - rust)) for part in np.linspace(0, 1, 41)]

    names, share = named(*path)

    assert share.min() < 0.6
    assert names[int(share.argmin())] == "unsure"


def test_long_thin_pieces_are_fibres_whatever_their_colour():
    names, share = named((20, 0, 0), (53, 80, 67), ratio=15.0, thin=True)

    assert names == ["fibre", "fibre"]
    assert ((share >= 0.5) & (share <= 0.95)).all()


def test_long_thick_pieces_are_no_fibres():
    assert "fibre" not in named((20, 0, 0), (72, 0, 0), ratio=15.0, thin=False)[0]


def test_every_name_given_is_of_the_agreed_list():
    rng = np.random.default_rng(2)
    lab = np.column_stack([rng.uniform(0, 100, 2000), rng.uniform(-60, 60, (2000, 2))])

    names, share = looks_like(
        lab, rng.uniform(0, 0.5, 2000), rng.uniform(1, 30, 2000), rng.random(2000) < 0.5
    )

    assert set(names.tolist()) <= set(KINDS)
    assert ((share > 0) & (share <= 1)).all()
    assert {look.kind for look in LOOKS} <= set(KINDS)


def test_no_pieces_are_no_trouble():
    none = np.empty(0)
    names, share = looks_like(np.empty((0, 3)), none, none, np.empty(0, bool))

    assert names.shape == share.shape == (0,)
