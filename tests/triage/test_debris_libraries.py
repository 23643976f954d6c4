"""The same label picture measured here and by general libraries: SimpleITK, DIPlib, scikit-image.

What they call by one name is not always one thing. Areas are pixel counts everywhere: equal. Feret diameters:

- here the outline is that of whole pixel squares, corners and all;
- DIPlib and scikit-image run theirs through the middles of the pixels' outer sides, so corners are cut;
- SimpleITK measures from pixel centre to pixel centre: one pixel shorter along an axis, a diagonal (1.41)
  along one.
"""

from __future__ import annotations

import numpy as np
import pytest
import SimpleITK as Sitk
from skimage.measure import regionprops_table

from tests.scenes.shapes import random_fibre, random_grain
from tests.triage.drawn import cover, rows_of
from triage.debris.outline import cell_segments
from triage.debris.shape import measure_shapes

dip = pytest.importorskip("diplib", reason="DIPlib is not installed here")


@pytest.fixture(scope="module")
def labels() -> np.ndarray:
    """Thirty grains and six fibres of 4 to 40 px, one label each, every one a single piece without holes."""
    rng = np.random.default_rng(17)
    grains = [random_grain(rng, ecd, 24, 0.15, rng.uniform(1, 2)).polygon for ecd in np.geomspace(4, 40, 30)]
    fibres = [random_fibre(rng, 4.0, length, 0.5).polygon for length in (20, 30, 40, 50, 55, 60)]
    laid, size = rows_of(grains + fibres, 76)
    whole = np.zeros(size, np.int32)
    for k, shape in enumerate(laid):
        whole[cover(shape, size) > 0.5] = k + 1
    return whole


@pytest.fixture(scope="module")
def ours(labels):
    return measure_shapes(cell_segments(labels), int(labels.max()))


@pytest.fixture(scope="module")
def theirs(labels):
    names = ("label", "area", "area_convex", "feret_diameter_max", "perimeter_crofton")
    return regionprops_table(labels, properties=names)


def test_areas_equal_those_of_three_libraries(labels, ours, theirs):
    """Source: SimpleITK, DIPlib, scikit-image: the number of pixels."""
    filter_ = Sitk.LabelShapeStatisticsImageFilter()
    filter_.Execute(Sitk.GetImageFromArray(labels))
    names = range(1, labels.max() + 1)
    measured = dip.MeasurementTool.Measure(labels.astype(np.uint32), features=["Size"])

    assert ours.area == pytest.approx([filter_.GetNumberOfPixels(k) for k in names])
    assert ours.area == pytest.approx([measured[k]["Size"][0] for k in names])
    assert ours.area == pytest.approx(theirs["area"])


def test_longest_feret_against_scikit_image(ours, theirs):
    """Source: scikit-image. It joins the middles of pixels' sides: at most a diagonal's half short at one
    end in all.

    It does so round the hull drawn in pixels, which may take in a pixel more: half a pixel longer.
    """
    short = ours.feret_max - theirs["feret_diameter_max"]

    assert (short > -0.5).all()
    assert (short < np.sqrt(2) / 2 + 1e-6).all()


def test_longest_feret_against_simpleitk(labels, ours):
    """Source: SimpleITK, from pixel centre to pixel centre."""
    filter_ = Sitk.LabelShapeStatisticsImageFilter()
    filter_.ComputeFeretDiameterOn()
    filter_.Execute(Sitk.GetImageFromArray(labels))

    short = ours.feret_max - [filter_.GetFeretDiameter(k) for k in range(1, labels.max() + 1)]

    assert (short > 0.9).all()
    assert (short < np.sqrt(2) + 1e-6).all()


def test_feret_diameters_against_diplib(labels, ours):
    """Source: DIPlib, outline through the middles of the pixels' sides, hull by rotating calipers."""
    measured = dip.MeasurementTool.Measure(labels.astype(np.uint32), features=["Feret"])
    longest, shortest = np.array([measured[k]["Feret"][:2] for k in range(1, labels.max() + 1)]).T

    assert (ours.feret_max - longest > -0.01).all()
    assert (ours.feret_max - longest < np.sqrt(2)).all()
    assert (ours.feret_min - shortest > -0.05).all()
    assert (ours.feret_min - shortest < np.sqrt(2)).all()


def test_hull_area_against_scikit_image(ours, theirs):
    """Source: scikit-image: pixels whose centre lies in the hull. It and the hull differ by part of the
    rim's pixels.
    """
    rim = 0.25 * np.pi * ours.feret_max + 2

    assert (np.abs(ours.hull_area - theirs["area_convex"]) < rim).all()


def test_perimeter_along_pixel_sides_is_the_crofton_one_stretched(ours, theirs):
    """Source: scikit-image's Crofton perimeter, right for smooth outlines. Stairs are 4 / pi longer on
    average.
    """
    big = ours.area > 100

    assert np.median(ours.perimeter[big] / theirs["perimeter_crofton"][big]) == pytest.approx(
        4 / np.pi, rel=0.05
    )
