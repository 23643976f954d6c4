"""Photo to result on rendered photographs of the printed card, against the scenes' exact truth.

Source of every expectation: tests/scenes, whose silhouettes are measured by shapely. The bounds are the
project's own
aims: scale within 0.3 % of the print, recall and precision of 98 % from 6 px up, ECD bias within 3 %,
shares within
2 points plus what one piece more or less is worth among so few.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import pytest
import shapely

from calibration.calibrate import ByStated, HowScaled
from calibration.card import make_frame
from tests.scenes.camera import Camera
from tests.scenes.debris import Debris
from tests.scenes.light import Light
from tests.scenes.match import pair, precision, recall, scale_error, true_share
from tests.scenes.materials import OPAQUE_DARK_MIX
from tests.scenes.phone import Phone
from tests.scenes.photograph import Photograph, SceneSpec, photograph
from tests.scenes.print_model import Print
from triage.analysis import Analysis, Setup, analyse
from triage.sizing import size_distribution

WIDE = SceneSpec(
    seed=41,
    card=Print("wide", number=7, growth_um=20.0, ragged_um=14.0, scale=(1.007, 0.994), seed=41),
    debris=Debris(
        count=260, median_um=400, spread=1.6, range_um=(130, 3000), mix=OPAQUE_DARK_MIX, gap_um=500
    ),
    rect_mm=(
        11.0,
        11.0,
        106.0,
        76.0,
    ),  # 3 mm beyond the debris window: some pieces lie across its edge or on the print
    light=Light(from_deg=130, elevation_deg=55, direct=0.45, uneven=0.2),
    camera=Camera(
        2240, 1680, um_per_px=60, tilt_deg=12, tilt_towards_deg=70, rotation_deg=182, focal_px=2000, k1=-0.02
    ),
    phone=Phone(noise=0.012, denoise=0.4, sharpen=0.3),
)
CLOSEUP = SceneSpec(
    seed=42,
    card=Print("closeup", number=11, growth_um=8.0, scale=(0.996, 1.003), seed=42),
    debris=Debris(count=120, median_um=140, spread=1.6, range_um=(45, 900), gap_um=170, mix=OPAQUE_DARK_MIX),
    light=Light(from_deg=300, elevation_deg=50, direct=0.5),
    camera=Camera(2016, 1512, um_per_px=23.5, tilt_deg=3, focal_px=2200, blur_px=1.1),
    phone=Phone(noise=0.015, curve=0.15),
)
EMPTY = replace(WIDE, debris=Debris(count=0), seed=43, covers=((12.0, 12.0, 4.0),))
SIZED_PX = 6.0


@dataclass(frozen=True)
class Case:
    """A rendered photograph and what the tool made of it."""

    spec: SceneSpec
    photo: Photograph
    path: str
    analysis: Analysis


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRIAGE_DATA", str(tmp_path_factory.mktemp("kept")))
        yield tmp_path_factory.mktemp("photos")


def made(spec: SceneSpec, path) -> Case:
    photo = photograph(spec)
    photo.save(path)
    return Case(spec, photo, str(path), analyse([path]))


@pytest.fixture(scope="module")
def wide(folder) -> Case:
    return made(WIDE, folder / "wide.jpg")


@pytest.fixture(scope="module")
def closeup(folder) -> Case:
    return made(CLOSEUP, folder / "closeup.jpg")


@pytest.fixture(scope="module")
def empty(folder) -> Case:
    return made(EMPTY, folder / "empty.jpg")


@pytest.fixture(params=["wide", "closeup"])
def case(request) -> Case:
    return request.getfixturevalue(request.param)


def whole_pieces(case: Case):
    """Truth in the print's own units, and which pieces lie wholly in the window."""
    true = case.photo.truth.in_card_units()
    x, y, width, height = make_frame(case.spec.card.frame).debris_rect_mm
    place = case.photo.truth.card
    bounds = []
    for outline in case.photo.truth.outlines_mm:
        corners = place.to_print(np.asarray(outline.exterior.coords))
        bounds.append([*corners.min(axis=0), *corners.max(axis=0)])
    low_x, low_y, high_x, high_y = np.array(bounds).T
    return true, (low_x > x) & (low_y > y) & (high_x < x + width) & (high_y < y + height)


def test_scale_is_that_of_the_print(case):
    scale = case.analysis.photos[0].scale
    true, _ = whole_pieces(case)

    assert (scale.source, scale.frame, scale.card_number) == (
        "card",
        case.spec.card.frame,
        case.spec.card.number,
    )
    assert abs(scale_error(true, case.analysis.particles, pair(true, case.analysis.particles))) < 0.003
    assert scale.tilt_deg == pytest.approx(case.spec.camera.tilt_deg, abs=4)
    assert 0.003 < scale.um_per_px_rel_u < 0.02


def test_particles_are_found_and_nothing_else(case):
    found = case.analysis.particles
    true, whole = whole_pieces(case)
    pairs = pair(true, found)

    inside = pair(true[whole], found)
    assert recall(true[whole], inside, SIZED_PX) >= 0.98
    assert precision(found, case.analysis.photos[0].scale.um_per_px, pairs, SIZED_PX) >= 0.98


def sized_pairs(case: Case, from_px: float):
    """Rows measured and true, of grains wholly in the window and of at least that size."""
    true, whole = whole_pieces(case)
    pairs = pair(true, case.analysis.particles)
    kept = whole[pairs.true] & (true["ecd_px"][pairs.true] >= from_px) & ~true["fibre"][pairs.true]
    return case.analysis.particles[pairs.found][kept], true[pairs.true][kept]


def test_sizes_are_unbiased(case):
    measured, true = sized_pairs(case, SIZED_PX)

    assert np.median(measured["ecd_um"] / true["ecd_um"]) == pytest.approx(1, abs=0.03)
    assert np.median(measured["feret_min_um"] / true["feret_min_um"]) == pytest.approx(1, abs=0.05)


@pytest.mark.xfail(
    strict=True, reason="known: blurred corners take 6 to 9 % from the longest Feret of sharp grains"
)
def test_longest_feret_is_unbiased(case):
    measured, true = sized_pairs(case, SIZED_PX)

    assert np.median(measured["feret_max_um"] / true["feret_max_um"]) == pytest.approx(1, abs=0.05)


def covered(cases: tuple[Case, ...], from_px: float, to_px: float) -> float:
    """Part of the pieces whose true ECD lies within twice the stated standard uncertainty."""
    hits = []
    for case in cases:
        measured, true = sized_pairs(case, from_px)
        small = true["ecd_px"] < to_px
        hits.append((np.abs(measured["ecd_um"] - true["ecd_um"]) <= 2 * measured["ecd_u_um"])[small])
    return float(np.concatenate(hits).mean())


def test_uncertainty_of_small_pieces_holds(wide, closeup):
    """A standard uncertainty doubled covers about 95 %; 85 to 100 % allows for some hundred pieces."""
    assert 0.85 <= covered((wide, closeup), 3.0, 8.0) <= 1


def test_uncertainty_of_large_pieces_holds(wide, closeup):
    assert 0.85 <= covered((wide, closeup), 8.0, np.inf) <= 1


def test_shares_at_measurable_ratings(case):
    """The stated 95 % interval holds the true share, and is no wider than so few pieces make it.

    Exact binomial: 100 pieces at a share of one half give an interval of 0.2; sizing may double it.
    """
    true, whole = whole_pieces(case)
    rows = [row for row in case.analysis.passing if row.measurable]

    assert rows
    for row in rows:
        share = true_share(true[whole], row.rating_um, row.from_um)
        assert row.by_count.low - 0.01 <= share <= row.by_count.high + 0.01
        assert row.by_count.high - row.by_count.low < 0.4
        assert row.by_count.share == pytest.approx(share, abs=0.06)


def test_ratings_below_the_limit_are_not_measured(case):
    limit = case.analysis.photos[0].limits.smallest_sized_um

    assert case.analysis.sizes.from_um == limit
    for row in case.analysis.passing:
        assert row.measurable == (row.rating_um >= limit)
        assert (row.by_count.share is None) == (not row.measurable)


def test_pieces_on_the_windows_edge_are_flagged_and_no_others(wide):
    """Source: the outlines drawn, against the window drawn. Within 0.15 mm (two pixels) of the edge either
    will do.
    """
    found = wide.analysis.particles
    x, y, width, height = make_frame("wide").debris_rect_mm
    place = wide.photo.truth.card
    window = shapely.box(x, y, x + width, y + height)
    outlines = [
        shapely.Polygon(place.to_print(np.asarray(each.exterior.coords)))
        for each in wide.photo.truth.outlines_mm
    ]
    touching = shapely.MultiPoint(np.column_stack([found["x_mm"], found["y_mm"]])[found["touches_edge"]])
    free = np.column_stack([found["x_mm"], found["y_mm"]])[~found["touches_edge"]]

    cut = [each for each in outlines if 0.3 < each.intersection(window).area / each.area < 0.7]
    assert len(cut) >= 3
    assert all(each.buffer(0.15).intersects(touching) for each in cut)
    assert all(window.buffer(-0.05).contains(shapely.Point(*at)) for at in free)
    clear = shapely.union_all([each for each in outlines if window.buffer(-0.4).contains(each)])
    assert not clear.intersects(touching)


def test_every_particle_lies_in_the_window(case):
    """Those cut by its edge may reach three pixels beyond, where their outline closes; no other lies on the
    print.
    """
    x, y, width, height = make_frame(case.spec.card.frame).debris_rect_mm
    found = case.analysis.particles
    reach = np.where(found["touches_edge"], 3 * case.analysis.photos[0].scale.um_per_px / 1000, 0)

    assert (found["x_mm"] > x - reach).all()
    assert (found["x_mm"] < x + width + reach).all()
    assert (found["y_mm"] > y - reach).all()
    assert (found["y_mm"] < y + height + reach).all()


def test_table_is_numbered_from_the_biggest_and_its_outlines_fit(wide):
    found = wide.analysis.particles

    assert found["id"].tolist() == list(range(1, len(found) + 1))
    assert (np.diff(found["ecd_um"]) <= 0).all()
    assert len(wide.analysis.outlines) == len(found)
    for row, outline in zip(found[:50], wide.analysis.outlines, strict=False):
        assert (
            cv2.pointPolygonTest(outline, (float(row["x_px"]), float(row["y_px"])), True)
            > -row["feret_max_um"] / 10
        )
        middle = (outline.min(axis=0) + outline.max(axis=0)) / 2
        assert np.hypot(*(middle - [row["x_px"], row["y_px"]])) < np.ptp(outline, axis=0).max()


def test_empty_card_shows_at_most_one_particle(empty):
    """A clean card with print faults, stray toner (20 um, a third of a pixel), something dark on its rim."""
    assert empty.analysis.photos[0].usable
    assert size_distribution(empty.analysis.particles, empty.analysis.sizes.from_um).count <= 1
    assert len(empty.analysis.particles) <= 3


def test_blurred_photo_is_refused_with_its_reason(wide, folder):
    """Out of focus by 9 px, as the campaign's blurred scene."""
    path = folder / "blurred.png"
    cv2.imwrite(str(path), cv2.GaussianBlur(wide.photo.rgb[..., ::-1], (0, 0), 9))

    result = analyse([path])

    assert not result.photos[0].usable
    assert {"blurred", "no_card"} & {problem.code for problem in result.photos[0].problems}
    assert len(result.particles) == 0
    assert result.passing == ()
    assert result.advice.actions[0].code == "retake"


def test_turned_photo_gives_the_same_card_places(wide, folder):
    """Source: symmetry. A phone held upside down or upright sees the same card, millimetre for millimetre."""
    path = folder / "turned.png"
    cv2.imwrite(str(path), np.rot90(wide.photo.rgb)[..., ::-1])

    turned = analyse([path]).particles
    straight = wide.analysis.particles
    big = straight[:60]

    apart = np.hypot(big["x_mm"][:, None] - turned["x_mm"], big["y_mm"][:, None] - turned["y_mm"])
    assert (apart.min(axis=1) < 0.1).mean() > 0.95
    assert abs(len(turned) - len(straight)) <= 0.05 * len(straight)
    assert np.median(turned["ecd_um"][apart.argmin(axis=1)] / big["ecd_um"]) == pytest.approx(1, abs=0.01)


def test_photos_of_one_spread_are_counted_once(wide, folder):
    """The same spread photographed twice (here: lightly smoothed and saved anew) is one sample, not two."""
    path = folder / "again.png"
    cv2.imwrite(str(path), cv2.GaussianBlur(wide.photo.rgb[..., ::-1], (0, 0), 0.7))

    both = analyse([wide.path, path])

    assert [photo.file for photo in both.photos] == ["wide.jpg", "again.png"]
    assert [photo.spread for photo in both.photos] == [1, 1]
    assert both.photos[0].use == "measured"
    assert both.photos[1].use != "measured"
    assert len(both.particles) == pytest.approx(len(wide.analysis.particles), rel=0.03)


def test_two_different_spreads_are_pooled(wide, closeup):
    both = analyse([wide.path, closeup.path])

    assert len(both.photos) == 2
    assert len(both.particles) == len(wide.analysis.particles) + len(closeup.analysis.particles)
    assert both.sizes.from_um == pytest.approx(wide.analysis.sizes.from_um)
    assert np.bincount(both.particles["photo"]).tolist() == [
        len(wide.analysis.particles),
        len(closeup.analysis.particles),
    ]


def test_blank_stands_beside_the_result_and_takes_nothing_away(wide, empty):
    plain, with_blank = wide.analysis, analyse([wide.path], Setup(blank=empty.path))

    assert with_blank.blank is not None
    assert with_blank.blank.ok
    assert with_blank.blank.count == len(empty.analysis.particles)
    _, _, width, height = make_frame("wide").debris_rect_mm
    assert with_blank.blank.exposure_cm2 == pytest.approx(width * height / 100, rel=0.01)
    assert with_blank.sizes.count == plain.sizes.count
    assert with_blank.particles["ecd_um"] == pytest.approx(plain.particles["ecd_um"], rel=1e-3)


def test_dirty_blank_is_a_problem(wide):
    result = analyse([wide.path], Setup(blank=wide.path))

    assert not result.blank.ok
    assert "blank_too_dirty" in [problem.code for problem in result.photos[0].problems]


def test_a_stated_scale_is_obeyed_beside_a_card(closeup):
    result = analyse(
        [closeup.path], Setup(how=HowScaled(by=ByStated(10.0), window=(700.0, 500.0, 600.0, 400.0)))
    )

    assert result.photos[0].scale.source == "stated"
    assert result.photos[0].scale.um_per_px == pytest.approx(10.0)
    assert result.photos[0].scale.frame is None
