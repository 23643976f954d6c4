"""Outlines and what is measured on them, against geometry: closed forms, shapely, brute force."""

from __future__ import annotations

from itertools import pairwise

import cv2
import numpy as np
import pytest
import shapely
from numpy.typing import NDArray
from scipy.special import ndtri
from shapely import affinity

from tests.scenes.shapes import random_fibre, random_grain, sizes_of
from tests.triage.drawn import (
    blurred_cover,
    cover,
    disc,
    ell,
    ellipse,
    in_reading_order,
    measured,
    photo,
    placed,
    plus,
    rectangle,
    rows_of,
    triangle,
)
from triage.debris.outline import Segments, cell_segments, polygons, trace
from triage.debris.shape import Shapes, feret_diameters, measure_shapes, strip_length_and_width

# Unit shape: Feret min, Feret max, area, perimeter, hull area. Closed forms; mean Feret = hull perimeter /
# pi is not kept.
CLOSED_FORMS = {
    "square": (rectangle(1, 1), 1, 2**0.5, 1, 4, 1),
    "rectangle 2 by 1": (rectangle(2, 1), 1, 5**0.5, 2, 6, 2),
    "rectangle 10 by 1": (rectangle(10, 1), 1, 101**0.5, 10, 22, 10),
    "triangle": (triangle(1), 0.75**0.5, 1, 0.75**0.5 / 2, 3, 0.75**0.5 / 2),
    "L": (ell(1), 2, 8**0.5, 3, 8, 3.5),
    "plus": (plus(1), 8**0.5, 10**0.5, 5, 12, 7),
    "disc": (disc(1), 1, 1, np.pi / 4, np.pi, np.pi / 4),
    "ellipse 2 by 1": (
        ellipse(2, 1),
        1,
        2,
        np.pi / 2,
        4.844224,
        np.pi / 2,
    ),  # perimeter: complete elliptic integral
}
each_form = pytest.mark.parametrize("name", CLOSED_FORMS)


def segments_of(outlines: list[NDArray[np.float64]]) -> Segments:
    """Closed rings (N, 2) as the pieces that the outliner gives."""
    label = np.concatenate([np.full(len(ring), k + 1, np.int32) for k, ring in enumerate(outlines)])
    start = np.concatenate(outlines)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in outlines])
    none = np.zeros(len(label), np.int64)
    return Segments(label, start, end, none, none)


def ring_of(shape: shapely.Polygon) -> NDArray[np.float64]:
    return np.asarray(shapely.geometry.polygon.orient(shape).exterior.coords)[:-1]


@each_form
def test_polygons_measure_as_their_closed_forms_at_any_angle_and_place(name):
    """Source: plane geometry (the disc and the ellipse as 360-gons: short by 5e-5 at most)."""
    shape, feret_min, feret_max, area, perimeter, hull = CLOSED_FORMS[name]
    turned = [
        ring_of(placed(affinity.scale(shape, 30, 30), 1000 + 0.13 * k, 77 - 0.29 * k, turn))
        for k, turn in enumerate(np.linspace(0, 180, 19))
    ]

    found = measure_shapes(segments_of(turned), len(turned))

    assert found.feret_min == pytest.approx(np.full(19, 30 * feret_min), rel=1e-4)
    assert found.feret_max == pytest.approx(np.full(19, 30 * feret_max), rel=1e-4)
    assert found.area == pytest.approx(np.full(19, 900 * area), rel=1e-4)
    assert found.perimeter == pytest.approx(np.full(19, 30 * perimeter), rel=1e-4)
    assert found.hull_area == pytest.approx(np.full(19, 900 * hull), rel=1e-4)


def test_feret_diameters_agree_with_brute_force():
    """Source: the definition. Width by direction at 20,000 directions, longest distance over all pairs of
    points.
    """
    rng = np.random.default_rng(3)
    turn = np.linspace(0, np.pi, 20_000, endpoint=False)
    directions = np.stack([np.cos(turn), np.sin(turn)])
    clouds = [
        (rng.normal(0, (30, 9), (count, 2)) + rng.uniform(-500, 500, 2)).astype(np.float32)
        for count in (40, 3, 200, 4, 7)
    ]

    for points, (longest, shortest, hull) in zip(clouds, feret_diameters(clouds), strict=True):
        widths = np.ptp(points.astype(float) @ directions, axis=0)
        apart = points[:, None].astype(float) - points
        assert longest == pytest.approx(np.hypot(apart[..., 0], apart[..., 1]).max(), rel=1e-6)
        assert shortest == pytest.approx(widths.min(), rel=1e-4, abs=0.01)
        assert shortest <= widths.min() + 1e-4
        assert hull == pytest.approx(shapely.MultiPoint(points).convex_hull.area, rel=1e-5)


@pytest.mark.parametrize(
    "points", [[[1, 1]], [[0, 0], [3, 4]], [[0, 0], [1, 1], [2, 2], [5, 5]], [[2, 2]] * 9]
)
def test_feret_diameters_of_points_on_a_line(points):
    """Source: the definition: no width and no area."""
    points = np.array(points, np.float32)
    ((longest, shortest, hull),) = feret_diameters([points])

    assert longest == pytest.approx(np.hypot(*np.ptp(points, axis=0)))
    assert shortest == pytest.approx(0, abs=1e-6)
    assert hull == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("count", [1, 2, 5, 9, 16])
def test_cell_outlines_of_polyominoes_are_exact(count):
    """Source: shapely on the union of the unit squares; a polyomino's area is its number of cells."""
    rng = np.random.default_rng(count)
    labels, cells = np.zeros((40, 40 * 12), np.int32), []
    for k in range(12):
        grown = grow_polyomino(rng, count)
        labels[grown[:, 1] + 20, grown[:, 0] + 20 + 40 * k] = k + 1
        squares = [shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5) for x, y in grown]
        cells.append(shapely.union_all(squares))

    found = measure_shapes(cell_segments(labels), 12)

    truth = [sizes_of(cell) for cell in cells]
    assert found.area == pytest.approx(np.full(12, count))
    assert found.perimeter == pytest.approx([cell.length for cell in cells])
    assert found.feret_max == pytest.approx([size.feret_max for size in truth], rel=1e-6)
    assert found.feret_min == pytest.approx([size.feret_min for size in truth], rel=1e-6)
    assert found.hull_area == pytest.approx([cell.convex_hull.area for cell in cells], rel=1e-6)


def grow_polyomino(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Cells (N, 2) joined side by side, without holes."""
    cells = [(0, 0)]
    while len(cells) < count:
        x, y = cells[int(rng.integers(len(cells)))]
        dx, dy = [(1, 0), (0, 1), (-1, 0), (0, -1)][int(rng.integers(4))]
        if (x + dx, y + dy) not in cells:
            cells.append((x + dx, y + dy))
    whole = shapely.union_all([shapely.box(x, y, x + 1, y + 1) for x, y in cells])
    return np.array(cells) if not whole.interiors else grow_polyomino(rng, count)


@pytest.mark.parametrize("sigma", [1.0, 2.0])
@pytest.mark.parametrize("radius", [6.0, 15.0])
def test_blur_shrinks_a_half_level_outline_by_pi_sigma_squared(radius, sigma):
    """Analytic: an edge of curvature 1 / R under blur s moves inwards by s^2 / 2R, so pi s^2 of area is lost.

    First order in s / R: the next term is of order (s / R)^2 of that, and marching squares on a pixel grid
    cut a
    circle's bows by 1 / 12 R a pixel. Five per cent of the lost area and 0.1 px^2 a px of outline allow for
    both.
    """
    shapes = [placed(disc(2 * radius), 40 + dx, 40 - dx / 2) for dx in (0.0, 0.2, 0.5, 0.8)]
    smooth = [blurred_cover([shape], (80, 80), np.sqrt(sigma**2 - 1 / 12)) for shape in shapes]

    lost = [np.pi * radius**2 - traced(field).area[0] for field in smooth]

    slack = 0.05 * np.pi * sigma**2 + 0.02 * 2 * np.pi * radius
    assert lost == pytest.approx(np.full(4, np.pi * sigma**2), abs=slack)


@pytest.mark.parametrize("turn", [0.0, 20.0, 45.0])
@pytest.mark.parametrize("sigma", [1.0, 1.5])
def test_blur_rounds_a_right_corner_as_calculated(turn, sigma):
    """Analytic: on a right corner's diagonal light is Phi(x / s)^2, half at x = Phi^-1(sqrt(1/2)) s from
    both sides.

    A square's longest Feret diameter is therefore short by 2 sqrt(2) Phi^-1(0.7071) s = 1.541 s. Marching
    squares
    cut a rounded tip by less than 0.15 px.
    """
    side = 24.0
    smooth = blurred_cover(
        [placed(rectangle(side, side), 30.3, 29.8, turn)], (60, 60), np.sqrt(sigma**2 - 1 / 12)
    )

    found = traced(smooth)

    rounded = 2 * np.sqrt(2) * ndtri(np.sqrt(0.5)) * sigma
    assert found.feret_max[0] == pytest.approx(side * np.sqrt(2) - rounded, abs=0.15)
    assert found.feret_min[0] == pytest.approx(side, abs=0.05)


def traced(smooth: NDArray[np.float32]) -> Shapes:
    inside = smooth > 0.5
    return measure_shapes(trace(inside.astype(np.int32), smooth - np.float32(0.5)), 1)


def test_outlines_of_touching_labels_close_and_share_their_border():
    """Source: shapely. Every outline is one simple ring with the shoelace area, no two overlap."""
    rng = np.random.default_rng(8)
    seeds = rng.uniform(4, 76, (14, 2))
    y, x = np.mgrid[:80, :80]
    nearest = np.hypot(x[..., None] - seeds[:, 0], y[..., None] - seeds[:, 1]).argmin(axis=2) + 1
    labels = np.where(np.hypot(x - 40, y - 40) < 33, nearest, 0).astype(np.int32)
    names = np.unique(labels[labels > 0])
    labels = np.searchsorted(np.concatenate([[0], names]), labels).astype(np.int32)
    field = np.where(labels > 0, 1, -1).astype(np.float32)

    segments = trace(labels, field)
    rings = [shapely.Polygon(ring) for ring in polygons(segments, len(names))]

    assert all(ring.is_valid for ring in rings)
    areas = measure_shapes(segments, len(names)).area
    assert [ring.area for ring in rings] == pytest.approx(areas, rel=1e-5)
    assert shapely.union_all(rings).area == pytest.approx(
        sum(areas), abs=14
    )  # triple points leave half a cell


def test_longest_loop_is_kept_where_a_label_has_a_hole():
    labels = np.zeros((30, 30), np.int32)
    cv2.circle(labels, (15, 15), 11, 1, -1)
    cv2.circle(labels, (15, 15), 4, 0, -1)

    ring = polygons(cell_segments(labels), 1)[0]

    assert np.ptp(ring, axis=0) == pytest.approx([23, 23])


@pytest.mark.parametrize("ratio", [1.0, 2.0, 10.0, 50.0])
def test_strip_of_known_area_and_perimeter(ratio):
    """Analytic: a rectangle."""
    length, width = strip_length_and_width(np.array([7.0 * 7 * ratio]), np.array([2 * (7 + 7 * ratio)]))

    assert [length[0], width[0]] == pytest.approx([7 * ratio, 7])


# Tolerances (relative) of photographed shapes with sides of 20 px and more: ECD, Feret max, Feret min.
# ECD: what is left of the blur's own bias. Feret max: a half-level outline rounds sharp corners, see
# test_blur_rounds_a_right_corner_as_calculated; 2 sqrt(2) Phi^-1(0.7071) s is 1.6 to 2.3 px of a square's
# diagonal with the smoothing for measuring, and nothing the photo shows says that a corner was sharp.
PHOTOGRAPHED = {
    "disc": (disc(24), 0.01, 0.01, 0.01),
    "ellipse": (ellipse(44, 24), 0.01, 0.015, 0.015),
    "square": (rectangle(24, 24), 0.012, 0.075, 0.02),
    "rectangle": (rectangle(48, 24), 0.012, 0.042, 0.025),
    "triangle": (triangle(40), 0.015, 0.08, 0.06),
    "L": (ell(16), 0.012, 0.055, 0.035),
    "plus": (plus(14), 0.015, 0.035, 0.065),
}


@pytest.mark.parametrize("sigma", [0.8, 1.3])
@pytest.mark.parametrize("name", PHOTOGRAPHED)
def test_photographed_flat_shapes_measure_as_drawn(name, sigma):
    """Source: shapely on the polygon drawn; sixteen angles, each at a random sub-pixel place, through the
    whole path.
    """
    shape, ecd, longest, shortest = PHOTOGRAPHED[name]
    laid, size = rows_of([placed(shape, 0, 0, turn) for turn in np.arange(16) * 180 / 16], 72)

    found = in_reading_order(measured(photo(0.85 * blurred_cover(laid, size, sigma))), 72)

    truth = sizes_of(shape)
    assert len(found) == 16
    assert found["ecd_um"] == pytest.approx(np.full(16, 10 * truth.ecd), rel=ecd)
    assert found["area_um2"] == pytest.approx(np.full(16, 100 * truth.area), rel=2.1 * ecd)
    assert found["feret_max_um"] == pytest.approx(np.full(16, 10 * truth.feret_max), rel=longest)
    assert found["feret_min_um"] == pytest.approx(np.full(16, 10 * truth.feret_min), rel=shortest)
    solidity = shape.area / shape.convex_hull.area
    assert found["area_um2"] / found["hull_area_um2"] == pytest.approx(np.full(16, solidity), rel=0.09)
    centres = np.array([[each.centroid.x, each.centroid.y] for each in laid])
    # The centre is a mean of whole pixels: an upright side that ends within a pixel moves it by a quarter at
    # most.
    assert np.abs(found["x_px"] - centres[:, 0]).max() < 0.27
    assert np.abs(found["y_px"] - centres[:, 1]).max() < 0.27


@pytest.mark.parametrize("sigma", [0.8, 1.3])
def test_perimeter_of_photographed_round_shapes(sigma):
    """Source: 2 pi R and the ellipse's complete elliptic integral (ratio 2: 2.422112 times the long
    diameter).
    """
    shapes = [disc(24), ellipse(44, 22)] * 8
    laid, size = rows_of([placed(shape, 0, 0, 12 * k) for k, shape in enumerate(shapes)], 72)

    found = in_reading_order(measured(photo(0.85 * blurred_cover(laid, size, sigma))), 72)

    truth = np.tile([np.pi * 240, 2.422112 * 440], 8)
    assert found["perimeter_um"] == pytest.approx(truth, rel=0.01)


@pytest.mark.parametrize("sigma", [0.8, 1.3])
def test_photographed_grains_measure_as_drawn(sigma):
    """Source: shapely on random grains of 10 to 40 px. Their corners are blunt: under 2 % goes of the
    longest Feret.

    ECD within 3 % is the project's own bound from 6 px up.
    """
    rng = np.random.default_rng(5)
    ecds = np.geomspace(10, 40, 25)
    grains = [random_grain(rng, ecd, 48, 0.12, rng.uniform(1, 1.5)).polygon for ecd in ecds]
    laid, size = rows_of(grains, 90)

    found = in_reading_order(measured(photo(0.85 * blurred_cover(laid, size, sigma))), 90)

    truth = [sizes_of(grain) for grain in laid]
    ratio = found["ecd_um"] / (10 * ecds)
    assert np.median(ratio) == pytest.approx(1, abs=0.01)
    assert ratio == pytest.approx(np.ones(25), abs=0.03)
    assert np.median(found["feret_max_um"] / [10 * each.feret_max for each in truth]) == pytest.approx(
        1, abs=0.02
    )
    assert np.median(found["feret_min_um"] / [10 * each.feret_min for each in truth]) == pytest.approx(
        1, abs=0.02
    )


@pytest.mark.parametrize("width", [3.0, 6.0])
def test_fibre_on_a_drawn_curve(width):
    """Source: the centre line drawn. Width to 8 %: a strip's width takes twice its ECD's error.

    Length to 4 %: round ends take 0.43 widths from the half perimeter of a strip 30 widths long, blur as
    much again.

    One fibre a picture of grains, as on a card: what other pieces look like says how dark a thin one really
    is.
    """
    rng = np.random.default_rng(11)
    fibres = [random_fibre(rng, width, 30 * width, curl) for curl in (0.0, 0.4, 0.9, 1.2)]
    grains = [disc(16)] * 12
    pitch = int(32 * width) + 16
    laid, size = rows_of([*[fibre.polygon for fibre in fibres], *grains], pitch)

    found = in_reading_order(measured(photo(0.85 * blurred_cover(laid, size, 1.0))), pitch)[:4]

    assert found["length_um"] / [10 * fibre.length() for fibre in fibres] == pytest.approx(
        np.ones(4), abs=0.04
    )
    assert found["width_um"] / (10 * width) == pytest.approx(np.ones(4), abs=0.08)
    assert found["passing_size_um"] == pytest.approx(found["width_um"])
    assert (found["kind"] == "fibre").all()


@pytest.mark.parametrize("sigma", [0.8, 1.3])
@pytest.mark.parametrize("width", [6, 8, 12, 16, 20])
def test_chip_six_times_as_long_as_wide(width, sigma):
    """Source: the rectangle drawn. ECD within the project's 3 %, width (what a sieve hole must have) within
    5 %.
    """
    chips = [placed(rectangle(6 * width, width), 0, 0, turn) for turn in (3, 27, 48, 80)]
    laid, size = rows_of([*chips, *[disc(16)] * 12], 7 * width + 24)

    found = in_reading_order(measured(photo(0.85 * blurred_cover(laid, size, sigma))), 7 * width + 24)[:4]

    assert found["ecd_um"] / (10 * np.sqrt(24 / np.pi) * width) == pytest.approx(np.ones(4), abs=0.03)
    assert found["passing_size_um"] / (10 * width) == pytest.approx(np.ones(4), abs=0.055)
    assert (found["kind"] != "fibre").all()


def test_width_of_a_narrow_chip():
    """Source: the rectangle drawn, 4 by 24 px. Its ECD is right to 3 %, and its width should be to 12 %."""
    laid, size = rows_of(
        [*[placed(rectangle(24, 4), 0, 0, k) for k in (3, 27, 48, 80)], *[disc(16)] * 12], 52
    )

    found = in_reading_order(measured(photo(0.85 * blurred_cover(laid, size, 1.3))), 52)[:4]

    assert found["passing_size_um"] / 40 == pytest.approx(np.ones(4), abs=0.12)


def test_rotating_a_picture_by_right_angles_changes_no_size():
    """Source: symmetry. What holds of a picture holds of it turned; only the paper's average is laid
    differently.
    """
    rng = np.random.default_rng(2)
    grains = [random_grain(rng, 20, 9, 0.15, 1.4).polygon for _ in range(9)]
    laid, size = rows_of(grains, 64)
    rgb = photo(0.85 * blurred_cover(laid, size, 1.0))

    tables = [measured(np.ascontiguousarray(np.rot90(rgb, k))).table for k in range(4)]

    for one, other in pairwise(tables):
        for column in ("ecd_um", "feret_max_um", "feret_min_um"):
            assert np.sort(one[column]) == pytest.approx(np.sort(other[column]), rel=0.01)


def test_cover_is_the_polygons_area():
    """The pictures these tests stand on: every pixel's cover is its square's part inside the polygon
    (shapely).
    """
    shape = placed(ell(5), 12.3, 11.8, 31)
    whole = cover(shape, (24, 24))

    exact = [
        [shape.intersection(shapely.box(x - 0.5, y - 0.5, x + 0.5, y + 0.5)).area for x in range(24)]
        for y in range(24)
    ]
    assert whole.sum() == pytest.approx(shape.area, rel=2e-4)
    assert whole == pytest.approx(np.array(exact), abs=0.01)
