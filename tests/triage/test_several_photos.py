"""Several photos of one sample: which show the same spread, what fusing gains, and that nothing counts twice.

Every expectation comes from the scenes' exact truth (tests/scenes: cameras, outlines measured by shapely) or
from how the layouts were made; none from an earlier run of the tool.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calibration.calibrate import ByStated, HowScaled
from tests.benchmarks.several_photos import (
    Case,
    close_up,
    lamp_moved,
    layout,
    photographed_again,
    registration_px,
    rendered,
    sizes,
)
from tests.scenes.light import Light
from tests.scenes.series import Look, hand_held
from triage.analysis import Setup, analyse
from triage.debris.register import match
from triage.report import summary_text
from triage.report.picture import annotate
from triage.report.result import to_json

SMALL = (1344, 1008)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRIAGE_DATA", str(tmp_path_factory.mktemp("kept")))
        yield tmp_path_factory.mktemp("series")


@pytest.fixture(scope="module")
def lamp(folder) -> Case:
    """One spread under one low strong lamp, then moved to the other side."""
    spec = close_up(7, SMALL)
    spec = replace(spec, debris=replace(spec.debris, count=90))
    return rendered("lamp", spec, lamp_moved(spec), folder)


@pytest.fixture(scope="module")
def both(lamp):
    return analyse(lamp.paths)


@pytest.fixture(scope="module")
def alone(lamp):
    return analyse(lamp.paths[:1])


@pytest.fixture(scope="module")
def other(folder) -> Case:
    """Another spread on the same card, under the first lamp."""
    spec = close_up(7, SMALL)
    spec = replace(spec, seed=8, debris=replace(spec.debris, count=60))
    return rendered("other", spec, [Look(hand_held(spec.camera, 1, 3)[0], Light())], folder)


def test_photos_of_one_spread_are_all_listed_and_count_once(lamp, both):
    uses = [photo.use for photo in both.photos]

    assert [photo.file for photo in both.photos] == ["lamp_0.jpg", "lamp_1.jpg"]
    assert sorted(uses) == ["fused", "measured"]
    assert [photo.spread for photo in both.photos] == [1, 1]
    assert set(both.particles["photo"]) == {uses.index("measured")}
    assert len(both.particles) == pytest.approx(len(lamp.photos[0].truth.particles), abs=3)


def test_result_says_in_words_what_became_of_each_photo(both):
    said = summary_text(both)
    notes = {photo["use"]: photo["note"] for photo in to_json(both)["photos"]}

    assert "lamp was moved, so cast shadows are cancelled" in notes["measured"]
    assert "The same spread as" in notes["fused"]
    assert "cast shadows are cancelled" in " ".join(said.split())


def test_moved_lamp_takes_the_shadows_out_of_the_sizes(lamp, alone, both):
    """One low lamp reads large and scatters with every piece's own shadow; the scatter at least halves."""
    one, fused = sizes(alone, lamp), sizes(both, lamp)

    assert one.scatter > 0.04
    assert fused.scatter < one.scatter / 2
    assert abs(fused.bias) < abs(one.bias)


def test_photos_are_registered_to_a_fraction_of_a_pixel(lamp):
    """Source: the exact cameras. Grains a tenth of a millimetre high shift by as much when the hand moves."""
    assert registration_px(lamp).max() < 0.25


def test_places_and_outlines_stand_in_the_photo_that_they_name(both, lamp):
    index = [photo.use for photo in both.photos].index("measured")
    true = lamp.photos[index].truth.particles
    at = np.column_stack([both.particles["x_px"], both.particles["y_px"]])
    apart = np.hypot(at[:, None, 0] - true["x_px"], at[:, None, 1] - true["y_px"]).min(axis=1)

    assert np.median(apart) < 0.5
    for row, outline in zip(both.particles[:30], both.outlines, strict=False):
        inside = cv2.pointPolygonTest(outline, (float(row["x_px"]), float(row["y_px"])), True)
        assert inside > -row["feret_max_um"] / 200
    assert annotate(both, index).shape[2] == 3


def test_different_spreads_are_added_up_and_one_seen_twice_counts_once(lamp, both, other):
    single = analyse(other.paths)
    mixed = analyse([lamp.paths[0], other.paths[0], lamp.paths[1]])

    assert [photo.spread for photo in mixed.photos] == [1, 2, 1]
    assert mixed.photos[1].use == "measured"
    assert sorted(np.bincount(mixed.particles["photo"], minlength=3)) == sorted(
        [0, len(both.particles), len(single.particles)]
    )
    assert mixed.sizes.from_um == max(both.sizes.from_um, single.sizes.from_um)


def test_a_copy_of_the_file_changes_nothing(lamp, alone, folder):
    copy = folder / "copy.jpg"
    copy.write_bytes(lamp.paths[0].read_bytes())
    twice = analyse([lamp.paths[0], copy])

    assert [photo.use for photo in twice.photos] == ["measured", "repeat"]
    assert twice.particles["ecd_um"].tolist() == alone.particles["ecd_um"].tolist()
    assert twice.sizes.from_um == alone.sizes.from_um


def test_a_softer_photo_is_not_mixed_in(lamp, alone, folder):
    soft = folder / "soft.png"
    cv2.imwrite(str(soft), cv2.GaussianBlur(lamp.photos[0].rgb[..., ::-1], (0, 0), 1.6))
    with_soft = analyse([lamp.paths[0], soft])

    assert [photo.use for photo in with_soft.photos] == ["measured", "repeat"]
    assert "softer" in with_soft.photos[1].note
    assert len(with_soft.photos) == 2
    assert with_soft.sizes.from_um == alone.sizes.from_um


def test_overlapping_photos_without_a_card_count_their_common_part_once(lamp):
    """Source: two windows that overlap, one of them turned, hold together what one window over both holds."""
    rgb = lamp.photos[0].rgb
    left, top, width, height = 330, 300, 680, 420
    part = width * 2 // 3
    names = [lamp.paths[0].with_name(f"part{k}.png") for k in range(2)]
    for name, begin in zip(names, (left, left + width - part), strict=True):
        crop = np.ascontiguousarray(rgb[top : top + height, begin : begin + part, ::-1])
        cv2.imwrite(str(name), np.rot90(crop) if begin > left else crop)
    whole = lamp.paths[0].with_name("whole.png")
    cv2.imwrite(str(whole), np.ascontiguousarray(rgb[top : top + height, left : left + width, ::-1]))
    setup = Setup(how=HowScaled(by=ByStated(35.0)))

    union, joined = analyse([whole], setup), analyse(names, setup)

    assert [photo.spread for photo in joined.photos] == [1, 1]
    assert [photo.use for photo in joined.photos] == ["measured", "measured"]
    sized = [each.sizes.count for each in (union, joined)]
    assert sized[1] == pytest.approx(sized[0], abs=0.06 * sized[0] + 1)


@pytest.mark.parametrize("on_card", [True, False])
@pytest.mark.parametrize("count", [12, 150])
def test_unlike_layouts_are_never_taken_for_one(on_card, count):
    for seed in range(5):
        rng = np.random.default_rng([seed, count])
        link = match(layout(rng, count), layout(rng, count), on_card=on_card)
        assert link is None or not link.same


@pytest.mark.parametrize("on_card", [True, False])
@pytest.mark.parametrize("count", [12, 150])
def test_a_layout_is_recognised_turned_and_with_pieces_missed(on_card, count):
    for seed in range(5):
        rng = np.random.default_rng([seed, count])
        one = layout(rng, count)
        link = match(one, photographed_again(one, rng, on_card=on_card), on_card=on_card)
        assert link is not None
        assert link.share > 0.75


def test_pieces_stuck_to_the_card_do_not_make_two_spreads_one():
    """Ten of sixty pieces lie in both photos of the card: more than chance gives, yet two spreads."""
    rng = np.random.default_rng(5)
    one, other = layout(rng, 60), layout(rng, 60)
    stuck = replace(
        other,
        xy_mm=np.vstack([one.xy_mm[:10], other.xy_mm[10:]]),
        ecd_um=np.append(one.ecd_um[:10], other.ecd_um[10:]),
    )

    link = match(one, stuck, on_card=True)

    assert link is not None
    assert not link.same
    assert link.again >= 8
