"""What phones and people do to a picture of the card, through the whole path, and what the tool says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from calibration.calibrate import HowScaled
from calibration.card import make_frame
from calibration.kept import CardCorrection, ImplausibleMeasure, Kept
from tests.calibration.rendered import Shot, photographed, printed, true_plane
from tests.triage.odd_pictures import jpegs
from triage.analysis import Analysis, Setup, analyse
from triage.photo import open_photo
from triage.report import summary_text

FRAME = make_frame("wide", number=3)
SHOT = Shot(size=(1900, 1500), um_per_px=66.0, turn_deg=2.0, tilt_deg=3.0)
NOTHING_KEPT = Kept()


def specked(stretch: float = 1.0) -> np.ndarray:
    """Grey photo (H, W) of the card printed `stretch` times its size, with 60 round dark specks on it."""
    page = printed(FRAME, dpi=600)
    if stretch != 1.0:
        light = cv2.resize(page.light, None, fx=stretch, fy=stretch, interpolation=cv2.INTER_AREA)
        page = replace(page, light=light)
    rng = np.random.default_rng(5)
    x, y, width, height = (stretch * side for side in FRAME.debris_rect_mm)
    radius = rng.integers(6, 22, 60)
    for at, r in zip(
        rng.uniform((x + 4, y + 4), (x + width - 4, y + height - 4), (60, 2)), radius, strict=True
    ):
        cv2.circle(page.light, np.rint(at * page.per_mm).astype(int).tolist(), int(r), 0.1, -1)
    return photographed(page, true_plane(FRAME, SHOT), SHOT)


@pytest.fixture(scope="module")
def plain() -> np.ndarray:
    return specked()


@pytest.fixture(scope="module")
def tried(tmp_path_factory):
    """Save a picture and analyse it with nothing kept unless said otherwise."""
    folder = tmp_path_factory.mktemp("photos")

    def go(picture: np.ndarray | bytes, name: str = "photo.png", kept: Kept = NOTHING_KEPT) -> Analysis:
        path: Path = folder / name
        coded = picture if isinstance(picture, bytes) else bytes(cv2.imencode(path.suffix, picture)[1])
        path.write_bytes(coded)
        return analyse([path], Setup(how=HowScaled(kept=kept)))

    return go


def refusal(analysis: Analysis) -> str:
    photo = analysis.photos[0]
    assert not photo.usable
    assert len(analysis.particles) == 0
    return " ".join(f"{problem.message} {problem.remedy}" for problem in photo.problems)


def test_plain_photo_is_measured(plain, tried):
    analysis = tried(plain)
    assert analysis.photos[0].usable
    assert analysis.photos[0].scale.um_per_px == pytest.approx(66.0, rel=0.005)
    assert analysis.sizes.count > 50


def test_mirror_image_of_the_front_camera(plain, tried):
    said = refusal(tried(plain[:, ::-1]))
    assert "mirror image" in said
    assert "Turn off mirroring in the camera and take it again." in said


def test_two_cards_in_one_picture(plain, tried):
    other = make_frame("wide", number=4)
    page = printed(other, dpi=600)
    second = photographed(page, true_plane(other, SHOT), SHOT)
    small = [cv2.resize(each, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA) for each in (plain, second)]
    assert "cards number 3 and 4 are both in the picture" in refusal(tried(np.vstack(small)))
    assert "two copies of the wide frame" in refusal(tried(np.vstack([small[0], small[0]])))


def test_screenshot_and_messenger_are_told_from_the_photo_itself(plain, tried):
    """A shrunk picture has lost what is needed, and the remedy says how to send it."""
    shown = cv2.resize(plain, (1080, 852), interpolation=cv2.INTER_AREA)
    screen = cv2.copyMakeBorder(shown, 700, 788, 0, 0, cv2.BORDER_CONSTANT, value=20)
    cv2.putText(screen, "12:34  IMG_0001.JPG", (40, 60), cv2.FONT_HERSHEY_SIMPLEX, 1.4, 230, 3)
    for said in (refusal(tried(screen)), refusal(tried(shown, "sent.jpg"))):
        assert "Too far away: a pixel covers" in said
        assert "full size, no screenshot, no messenger" in said


def test_recompressed_at_full_size_is_measured_the_same(plain, tried):
    sent = bytes(cv2.imencode(".jpg", plain, [cv2.IMWRITE_JPEG_QUALITY, 45])[1])
    before, after = tried(plain), tried(sent, "sent.jpg")
    assert after.photos[0].scale.um_per_px == pytest.approx(before.photos[0].scale.um_per_px, rel=0.002)
    assert after.sizes.by_count.d50_um == pytest.approx(before.sizes.by_count.d50_um, rel=0.03)


def test_fit_to_page_is_found_out_by_the_caliper_only(tried):
    """The photo cannot tell; the report says what the ± rests on, and the bars put every size right."""
    stretch = 0.97
    picture = specked(stretch)
    blind = tried(picture)
    scale = blind.photos[0].scale
    assert scale.um_per_px == pytest.approx(66.0 / stretch, rel=0.006)
    assert scale.um_per_px_rel_u < 0.007  # honest for a print at 100 % only, and that is said:
    said = " ".join(summary_text(blind).split())
    assert "+-1.3 % (95 %)" in said
    assert "never checked with a caliper" in said
    assert "triage card --number 3 --measured X,Y" in said

    bars = CardCorrection.from_bars(127.0 * stretch, 127.0 * stretch)
    right = tried(picture, kept=Kept(cards={3: bars}))
    assert right.photos[0].scale.um_per_px == pytest.approx(66.0, rel=0.006)
    assert right.photos[0].scale.print_measured is True
    assert "caliper" not in summary_text(right)


def test_a_card_printed_far_too_small_is_not_corrected_but_printed_again():
    with pytest.raises(ImplausibleMeasure, match="without fitting it to the page"):
        CardCorrection.from_bars(127.0 * 0.94, 127.0 * 0.94)


def blown(picture: np.ndarray, share: float) -> np.ndarray:
    """The photo with a reflection across a share of its debris window, from the left."""
    x, y, width, height = FRAME.debris_rect_mm
    part = np.array([[x, y], [x + share * width, y], [x + share * width, y + height], [x, y + height]])
    outline = np.rint(true_plane(FRAME, SHOT).to_px(part)).astype(np.int32)
    return np.asarray(cv2.fillPoly(picture.copy(), [outline], 255))


def test_amounts_are_scaled_by_what_a_reflection_hides(plain, tried):
    """A tenth of the window: what is left stands for ten ninths of it, as the pieces' volumes say."""
    analysis = tried(blown(plain, 0.1))
    photo, table = analysis.photos[0], analysis.particles
    sized = table[(table["weight"] > 0) & ~table["below_sizing_limit"]]
    sized = sized[sized["ecd_um"] >= analysis.sizes.from_um]
    balls_mm3 = np.pi / 6 * (sized["ecd_um"] / 1000) ** 3
    thickness = {each.kind: each.thickness for each in analysis.further.amount.kinds}
    seen_mm3 = sum(sized["weight"] * balls_mm3 * [thickness[kind] for kind in sized["kind"].astype(str)])

    assert photo.usable
    assert photo.seen_share == pytest.approx(0.9, abs=0.02)  # the window is drawn in by 2 %
    assert analysis.further.amount.volume_mm3.value == pytest.approx(seen_mm3 / photo.seen_share, rel=1e-6)
    assert "of a photo's window was not seen" in " ".join(summary_text(analysis).split())
    assert analysis.sample.fraction is None  # what was said stays as it was said


def test_a_reflection_over_two_fifths_of_the_window_is_refused(plain, tried):
    said = refusal(tried(blown(plain, 0.4)))
    assert re.search(
        r"Glare: (38|39|40|41)\.\d % of the window is blown out by a reflection\. Move the lamp", said
    )


def test_a_panorama_is_refused_with_what_to_do(plain, tried):
    """Swept pictures are laid on a cylinder: what is straight bends, and no plane fits the card."""
    height, width = plain.shape
    focal = SHOT.focal * np.hypot(*SHOT.size) / 2
    across, down = np.meshgrid(np.arange(2 * width) - width, np.arange(height) - height / 2)
    turn = np.clip(across / focal, -1.4, 1.4)
    x, y = focal * np.tan(turn) + width / 2, down / np.cos(turn) + height / 2
    sweep = cv2.remap(plain, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR, borderValue=90)
    said = refusal(tried(sweep))
    assert "plain photo, no panorama" in said


def test_motion_photo_burst_and_gain_map_are_the_photo_itself(plain, tmp_path):
    """The same pixels, so the same result; a second picture in the file is another coding of the first."""
    kinds = jpegs(Image.fromarray(np.repeat(plain[..., None], 3, axis=2)))

    def opened(name: str) -> np.ndarray:
        (tmp_path / name).write_bytes(kinds[name])
        return open_photo(tmp_path / name).rgb

    expected = opened("plain.jpg")
    for name in (
        "motion.jpg",
        "gain_map.jpg",
        "depth_map.jpg",
        "thumbnail.jpg",
        "burst_00001_IMG_20260304_050607_BURST1.jpg",
    ):
        assert np.array_equal(opened(name), expected), name
    assert np.abs(opened("two_pictures.jpg").astype(int) - expected).mean() < 3
