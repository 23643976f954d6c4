"""Finding the frame and its scale on photographed prints, and refusing what is no card."""

from __future__ import annotations

import csv
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.card import DOT_MM, make_frame
from calibration.draw import frame_raster
from calibration.locate import (
    CardNotFound,
    MirroredPicture,
    TwoCards,
    WrongLayout,
    find_markers,
    fit_markers,
    locate,
)
from tests.calibration.rendered import (
    PAPER,
    Page,
    Shot,
    covered,
    developed,
    photographed,
    printed,
    scale_error,
    true_plane,
)

PHOTOS = Path(__file__).resolve().parents[2] / ".." / "shared" / "photos"
SCALE_LIMIT = 0.003  # what the card must keep to, relative to the print
# The pictures here are a quarter the size of a phone's, so their marks are a quarter as many pixels wide.
FRAME = make_frame("closeup", number=5)
WIDE = make_frame("wide", number=5)


@pytest.fixture(scope="module")
def page() -> Page:
    return printed(FRAME)


@pytest.fixture(scope="module")
def wide_page() -> Page:
    return printed(WIDE, dpi=600)


def worst_error(page: Page, shot: Shot, frame=FRAME) -> float:
    plane = true_plane(frame, shot)
    located = locate(photographed(page, plane, shot))
    assert (located.frame.name, located.frame.number) == (frame.name, frame.number)
    return float(np.abs(scale_error(located.plane, plane, frame)).max())


def test_pixel_centres_are_whole_numbers():
    """The frame's own raster shrunk by a whole factor by area: no renderer comes between."""
    raster = frame_raster(FRAME, 1200)
    height, width = (side // 3 * 3 for side in raster.shape)
    small = cv2.resize(raster[:height, :width], (width // 3, height // 3), interpolation=cv2.INTER_AREA)

    plane = locate(cv2.GaussianBlur(small, (0, 0), 0.8)).plane

    px = np.array([(50.0, 40.0), (160.0, 120.0), (600.0, 400.0)])
    assert plane.to_mm(px) / (1.5 * DOT_MM) - 0.5 == pytest.approx(px, abs=0.05)


@pytest.mark.parametrize("turn_deg", range(0, 360, 45))
def test_any_rotation(page: Page, turn_deg: int):
    assert worst_error(page, Shot(turn_deg=turn_deg, um_per_px=75, lens=(0.02, -0.01))) < SCALE_LIMIT / 3


@pytest.mark.parametrize("towards_deg", [0, 40, 90, 200])
def test_tilt_of_25_degrees(wide_page: Page, towards_deg: int):
    shot = Shot(
        size=(1400, 1050), um_per_px=125, tilt_deg=25, tilt_towards_deg=towards_deg, lens=(-0.03, 0.01)
    )

    assert worst_error(wide_page, shot, WIDE) < SCALE_LIMIT / 3


@pytest.mark.parametrize("corners", list(combinations(range(4), 2)))
def test_two_markers_covered_and_tilted(wide_page: Page, corners: tuple[int, int]):
    shot = Shot(size=(1400, 1050), um_per_px=125, turn_deg=8, tilt_deg=25, lens=(0.03, 0.0))

    assert worst_error(covered(wide_page, WIDE, corners), shot, WIDE) < SCALE_LIMIT


def test_three_markers_covered_is_refused(page: Page):
    shot = Shot()
    heaped = covered(page, FRAME, (0, 1, 2))

    with pytest.raises(CardNotFound, match="at least two"):
        locate(photographed(heaped, true_plane(FRAME, shot), shot))


def test_one_side_of_the_frame_out_of_the_picture(page: Page):
    assert worst_error(page, Shot(aim_mm=(35.0, 16.0), um_per_px=50)) < SCALE_LIMIT


def test_card_in_a_quarter_of_the_picture(page: Page):
    """Markers about 40 px wide, the far corner of the picture."""
    assert (
        worst_error(page, Shot(size=(1600, 1200), um_per_px=100, aim_mm=(75.0, 60.0), tilt_deg=10))
        < SCALE_LIMIT
    )


@pytest.mark.parametrize("blur_px", [0.6, 2.0, 3.5])
def test_blur_does_not_move_the_scale(page: Page, blur_px: float):
    assert worst_error(page, Shot(blur_px=blur_px, turn_deg=10)) < SCALE_LIMIT


@pytest.mark.parametrize("growth_um", [0.0, 30.0])
def test_spread_ink_does_not_move_the_scale(growth_um: float):
    assert worst_error(printed(FRAME, growth_um=growth_um), Shot(turn_deg=10)) < SCALE_LIMIT / 3


def test_noisy_small_jpeg(page: Page):
    assert worst_error(page, Shot(noise=9.0, quality=50)) < SCALE_LIMIT


@pytest.mark.parametrize("lens", [(0.1, 0.02), (-0.08, 0.0)])
def test_bent_lens(page: Page, lens: tuple[float, float]):
    assert worst_error(page, Shot(lens=lens, um_per_px=65)) < SCALE_LIMIT


def test_uneven_light_and_a_glare_spot(page: Page):
    shot = Shot()
    plane = true_plane(FRAME, shot)
    photo = photographed(page, plane, shot).astype(float)
    y, x = np.mgrid[: photo.shape[0], : photo.shape[1]] / 1000
    lit = photo * (0.25 + 0.8 * x) + 300 * np.exp(-((x - 0.3) ** 2 + (y - 0.1) ** 2) / 0.004)

    located = locate(np.clip(lit, 0, 255).astype(np.uint8))

    assert np.abs(scale_error(located.plane, plane, FRAME)).max() < SCALE_LIMIT


def test_micro_frame_fills_the_picture():
    frame = make_frame("micro", number=40)

    assert worst_error(printed(frame), Shot(um_per_px=17.5, blur_px=2.0), frame) < SCALE_LIMIT


@pytest.mark.parametrize("dark", [False, True])
def test_pale_and_dark_are_told_apart(dark: bool):
    frame = make_frame("closeup", number=5, dark=dark)
    shot = Shot()

    assert locate(photographed(printed(frame), true_plane(frame, shot), shot)).frame == frame


def test_stated_fit_uncertainty_covers_the_error(page: Page):
    """Five photos: the error anywhere in the window, in stated standard uncertainties."""
    ratios = []
    for seed in range(5):
        shot = Shot(seed=seed, turn_deg=3 * seed, tilt_deg=2 * seed, lens=(0.01 * seed, 0))
        plane = true_plane(FRAME, shot)
        located = locate(photographed(page, plane, shot))
        at = plane.to_px([(21.0, 16.0)])
        error = located.plane.um_per_px(at) / plane.um_per_px(at) - 1
        ratios.append(abs(error[0]) / located.fit.scale_rel_u(at)[0])

    assert np.median(ratios) < 2
    assert max(ratios) < 4


def test_frame_with_its_window_in_the_picture_is_chosen():
    """One sheet: the close-up frame above a wide frame of which only the top is in the picture."""
    close, wide = printed(FRAME, dpi=600), printed(WIDE, dpi=600)
    light = np.full((close.light.shape[0] + 1000, wide.light.shape[1]), PAPER, np.float32)
    light[: close.light.shape[0], 300 : 300 + close.light.shape[1]] = close.light
    light[close.light.shape[0] + 100 :] = wide.light[:900]
    photo = developed(cv2.resize(light, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), Shot())

    assert locate(photo).frame.name == "closeup"


@pytest.mark.parametrize(("other", "said"), [(6, "number 5 and 6"), (5, "two copies")])
def test_two_cards_are_refused(page: Page, other: int, said: str):
    second = printed(make_frame("closeup", number=other))
    both = cv2.resize(
        np.hstack([page.light, second.light]), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA
    )

    with pytest.raises(TwoCards, match=said):
        locate(developed(both, Shot()))


def test_mirror_image_is_refused(page: Page):
    shot = Shot()
    photo = photographed(page, true_plane(FRAME, shot), shot)

    with pytest.raises(MirroredPicture, match="mirror"):
        locate(np.ascontiguousarray(photo[:, ::-1]))


def test_pieced_together_card_is_refused(page: Page):
    """The right half pasted on 4 mm too low."""
    shot = Shot()
    shifted = page.light.copy()
    half = shifted.shape[1] // 2
    shifted[:, half:] = np.roll(shifted[:, half:], round(4 * page.per_mm), axis=0)

    with pytest.raises(WrongLayout):
        locate(photographed(replace(page, light=shifted), true_plane(FRAME, shot), shot))


def test_blank_paper_is_no_card():
    with pytest.raises(CardNotFound, match="no card was found"):
        locate(np.full((600, 800), 220, np.uint8))


def test_tiny_picture_is_no_card():
    with pytest.raises(CardNotFound):
        locate(np.zeros((1, 1), np.uint8))


def real_photo(name: str) -> np.ndarray:
    path = PHOTOS / name
    if not path.exists():
        pytest.skip("the folder of real photos is not beside the checkout")
    return cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)


def eight_markers(width: float, height: float) -> dict[int, tuple[float, float]]:
    """Ids 0-3: corners from top left; 4-7: middles of top, right, bottom, left; 30 mm from the edges."""
    near, right, low = 30.0, width - 30.0, height - 30.0
    corners = [(near, near), (right, near), (right, low), (near, low)]
    return dict(
        enumerate([*corners, (width / 2, near), (right, height / 2), (width / 2, low), (near, height / 2)])
    )


@pytest.mark.parametrize("name", ["pipe_cutter", "screwdriver_green"])
def test_real_sheet_of_another_maker_fits_its_own_layout_only(name: str):
    """US legal paper, 20 mm markers; on Letter or A4 the layout must be refused."""
    photo = real_photo(f"marker_card/{name}.jpg")
    seen = find_markers(photo, cv2.aruco.DICT_4X4_50)
    size = (photo.shape[1], photo.shape[0])

    fit = fit_markers(seen, eight_markers(215.9, 355.6), 20.0, size)

    sides = np.diff(fit.plane.to_mm(seen.corners_px).reshape(-1, 4, 2)[:, [0, 1, 2, 3, 0]], axis=1)
    assert sorted(seen.ids) == list(range(8))
    assert fit.residual_mm < 0.5
    assert np.linalg.norm(sides, axis=2).mean() == pytest.approx(20.0, abs=0.5)
    for paper in ((215.9, 279.4), (210.0, 297.0), (355.6, 215.9)):
        with pytest.raises(WrongLayout):
            fit_markers(seen, eight_markers(*paper), 20.0, size)


@pytest.mark.parametrize("name", ["singlemarkersoriginal.jpg", "choriginal.jpg"])
def test_real_marker_sheets_within_a_pixel_of_the_gold_corners(name: str):
    seen = find_markers(real_photo(f"marker_sheets/{name}"), cv2.aruco.DICT_6X6_250)
    found = dict(zip(seen.ids.tolist(), seen.corners_px, strict=True))
    with (PHOTOS / "marker_sheets" / "gold_corners.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["image"] == name]

    assert len(rows) >= 6
    for row in rows:
        gold = np.array([(float(row[f"x{i}"]), float(row[f"y{i}"])) for i in range(4)])
        assert np.abs(found[int(row["id"])] - gold).max() <= 1.0


@pytest.mark.parametrize(
    "name", ["gravel.png", "brick.png", "grass.png", "coins.png", "lentil_black_cardboard.jpg"]
)
def test_real_backgrounds_hold_no_card(name: str):
    with pytest.raises(CardNotFound):
        locate(real_photo(f"backgrounds/{name}"))
