"""The rendered photos themselves: are they what they say they are?"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
import shapely
from skimage import color

from calibration.card import DOT_MM, make_frame
from tests.scenes.camera import Camera, CameraMap
from tests.scenes.campaign import campaign
from tests.scenes.compose import Ground, compose
from tests.scenes.debris import Debris, Piece, scatter
from tests.scenes.light import CONTACT_KERNEL, Light
from tests.scenes.match import ecd_bias, kind_bias, pair, precision, recall, scale_error, true_share
from tests.scenes.materials import MATERIALS, OPAQUE_DARK_MIX
from tests.scenes.paper import Paper, PrintMap
from tests.scenes.phone import Phone, expose, srgb
from tests.scenes.photograph import SceneSpec, photograph
from tests.scenes.print_model import DPI, Print, print_frame, spread_toner
from tests.scenes.shapes import Fibre, Grain, sizes_of
from tests.scenes.truth import measure_truth

FLAT_PAPER = Paper(reflectance=1.0, tint=(1, 1, 1), fine=0, cloudy=0)
EVEN_LIGHT = Light(uneven=0, vignetting=0)


def ring(radius_mm: float, corners: int = 720) -> Grain:
    turn = np.arange(corners) * 2 * np.pi / corners
    return Grain(np.column_stack([np.cos(turn), np.sin(turn)]) * radius_mm)


def black(shape: Grain | Fibre, height_mm: float = 0.0, at: tuple[float, float] = (0.0, 0.0)) -> Piece:
    look = replace(MATERIALS["soot"], shine=0.0, mottle=0.0)
    return Piece("soot", shape, at, height_mm, (0.0, 0.0, 0.0), look, np.zeros((4, 2)))


def render(piece: Piece, camera: Camera, light: Light = EVEN_LIGHT) -> tuple[np.ndarray, CameraMap]:
    view = CameraMap(camera, (0.0, 0.0))
    return compose(Ground(FLAT_PAPER), (piece,), light, view)[0][..., 1], view


@pytest.mark.parametrize("radius_px", [1.5, 3.0, 10.0])
@pytest.mark.parametrize("tilt", [0.0, 20.0])
def test_missing_light_of_a_black_disc_is_its_area(radius_px: float, tilt: float) -> None:
    """Analytic: a black flat disc takes exactly its area of light from the paper, however it is blurred."""
    camera = Camera(
        160, 120, um_per_px=30, tilt_deg=tilt, rotation_deg=17, k1=0.05, focal_px=300, blur_px=1.3
    )
    radius_mm = radius_px * 0.030
    picture, view = render(black(ring(radius_mm), at=(0.313, -0.171)), camera)

    rows, cols = np.indices(picture.shape)
    mm2 = (view.um_per_px(np.column_stack([cols.ravel(), rows.ravel()])) / 1000) ** 2
    missing = ((1 - picture).ravel() * mm2).sum()

    assert missing == pytest.approx(np.pi * radius_mm**2, rel=0.005)


@pytest.mark.parametrize("sigma", [0.8, 1.2, 3.0])
def test_an_edge_is_as_blurred_as_asked(sigma: float) -> None:
    """Analytic: the differences' variance is sigma^2, plus 1/12 for the pixel and 1/12 for differencing."""
    camera = Camera(120, 60, um_per_px=20, blur_px=sigma)
    square = Grain(np.array([[-2.0, -2], [2, -2], [2, 2], [-2, 2]]))
    picture, _ = render(black(square, at=(-1.9963, 0.0)), camera)

    spread = np.diff(picture[30])
    place = np.arange(len(spread))
    middle = (spread * place).sum() / spread.sum()
    variance = (spread * (place - middle) ** 2).sum() / spread.sum()

    assert np.sqrt(variance - 2 / 12) == pytest.approx(sigma, rel=0.02)
    assert middle + 0.5 == pytest.approx((120 - 1) / 2 + 0.0037 / 0.020, abs=0.02)


def test_defocus_grows_away_from_the_point_aimed_at() -> None:
    """Thin lens: the disc of confusion is focal x aperture x depth error over depth and focus distance."""
    camera = Camera(4000, 3000, um_per_px=35, tilt_deg=20, aperture_mm=2.0, blur_px=1.0)
    view = CameraMap(camera, (0.0, 0.0))
    off = 20 * np.sin(np.radians(20))

    blur = view.blur_px(np.array([[0.0, 0.0], [0.0, 20.0], [20.0, 0.0]]))

    confusion = 3000 * 2.0 * off / (105 * (105 + np.array([off, -off])))
    assert blur[0] == pytest.approx(1.0)
    assert np.min(np.abs(blur[1] - np.hypot(1, confusion / 4))) < 1e-9
    assert blur[2] == pytest.approx(1.0)


def test_the_map_agrees_with_opencv() -> None:
    """Outside check: cv2.projectPoints with the same pose and distortion."""
    camera = Camera(4032, 3024, 33.0, tilt_deg=23, tilt_towards_deg=40, rotation_deg=70, k1=0.03, k2=-0.02)
    view = CameraMap(camera, (64.0, 49.0))
    mm = np.random.default_rng(1).uniform([0, 0], [128, 98], (50, 2))
    turn, _ = cv2.Rodrigues(view.rotation)
    move = np.array([0, 0, view.distance_mm]) - view.rotation @ np.array([64.0, 49.0, 0.0])
    lens = np.array([[3000, 0, 2015.5], [0, 3000, 1511.5], [0, 0, 1]])

    for height in (0.0, 0.5):
        solid = np.column_stack([mm, np.full(50, -height)])
        expected = cv2.projectPoints(solid, turn, move, lens, np.array([0.03, -0.02, 0, 0]))[0][:, 0]
        assert view.to_px(mm, height) == pytest.approx(expected, abs=1e-6)
    assert view.to_mm(view.to_px(mm)) == pytest.approx(mm, abs=1e-8)


def test_the_fast_grid_is_the_exact_map() -> None:
    view = CameraMap(Camera(4032, 3024, 33.0, tilt_deg=25, k1=0.04), (64.0, 49.0))

    x, y = view.grid_mm((3700.2, 2800.1), (200, 230), 3)

    rows, cols = np.indices((200, 230)) / 3
    exact = view.to_mm(np.column_stack([3700.2 + cols.ravel(), 2800.1 + rows.ravel()]))
    assert np.abs(np.column_stack([x.ravel(), y.ravel()]) - exact).max() < 0.001 * 0.033


def test_untilted_scale_is_the_stated_one() -> None:
    view = CameraMap(Camera(um_per_px=12.5, rotation_deg=33), (5.0, 5.0))

    assert view.um_per_px(np.array([[0.0, 0.0], [600, 450]])) == pytest.approx(12.5, rel=1e-6)


def test_sizes_agree_with_brute_force() -> None:
    """Outside checks: OpenCV's polygon area, and Feret diameters by turning in steps of 0.02 degrees."""
    pieces = scatter(Debris(count=30), (0, 0, 60, 60), np.random.default_rng(3))
    turn = np.radians(np.arange(0, 180, 0.02))
    across = np.stack([np.cos(turn), np.sin(turn)])
    for piece in pieces:
        corners = np.asarray(piece.polygon.exterior.coords)[:-1]
        reach = corners @ across
        widths = reach.max(axis=0) - reach.min(axis=0)
        sizes = sizes_of(piece.polygon)

        local = (corners - corners.mean(axis=0)).astype(np.float32)
        assert sizes.area == pytest.approx(cv2.contourArea(local), rel=1e-4)
        assert sizes.ecd == pytest.approx(np.sqrt(4 * sizes.area / np.pi))
        assert sizes.feret_max == pytest.approx(widths.max(), rel=1e-5)
        assert sizes.feret_min == pytest.approx(widths.min(), rel=1e-3)


def test_grains_have_the_sizes_asked_for() -> None:
    asked = (80.0, 150.0, 400.0)
    debris = Debris(count=3, sizes_um=asked, mix=(("grit", 1.0),))

    pieces = scatter(debris, (0, 0, 20, 20), np.random.default_rng(0))

    ecds = sorted(1000 * sizes_of(piece.polygon).ecd for piece in pieces)
    assert ecds == pytest.approx(sorted(asked), rel=1e-9)


def test_a_fibre_is_a_band() -> None:
    """Analytic: area of a straight band with round ends."""
    fibre = Fibre(np.array([[-1.0, 0.0], [0.0, 0.0], [1.0, 0.0]]), 0.1)

    assert fibre.length() == pytest.approx(2.1)
    assert fibre.polygon.area == pytest.approx(2 * 0.1 + np.pi * 0.05**2, rel=1e-3)


def test_pieces_keep_their_distance_or_touch() -> None:
    apart = scatter(Debris(count=60, gap_um=300), (0, 0, 40, 40), np.random.default_rng(5))
    outlines = [piece.polygon for piece in apart]
    tree = shapely.STRtree(outlines)
    near = tree.query(outlines, predicate="dwithin", distance=0.299)

    assert (near[0] == near[1]).all()

    against = scatter(Debris(count=60, touching=0.5), (0, 0, 40, 40), np.random.default_rng(5))
    laid = [piece for piece in against if piece.touching]
    others = shapely.STRtree([piece.polygon for piece in against])
    assert len(laid) >= 15
    for piece in laid:
        hits = others.query(piece.polygon, predicate="dwithin", distance=1e-4)
        shared = [
            against[k].polygon.intersection(piece.polygon).area for k in hits if against[k] is not piece
        ]
        assert len(shared) >= 1
        assert max(shared) < 1e-6 * piece.polygon.area


def test_no_room_is_said() -> None:
    with pytest.raises(ValueError, match="no room for 50 pieces"):
        scatter(Debris(count=50, median_um=900), (0, 0, 3, 3), np.random.default_rng(0))


@pytest.mark.parametrize("from_deg", [0.0, 135.0, 270.0])
def test_shadows_fall_away_from_the_lamp(from_deg: float) -> None:
    camera = Camera(160, 160, um_per_px=20, blur_px=1)
    light = replace(EVEN_LIGHT, from_deg=from_deg, elevation_deg=45)
    picture, _ = render(black(ring(0.3), height_mm=0.4), camera, light)

    rows, cols = np.indices(picture.shape) - 79.5
    along = cols * np.cos(np.radians(from_deg)) + rows * np.sin(np.radians(from_deg))
    outside = np.hypot(cols, rows) > 0.3 / 0.020 + 4
    lost = (1 - picture) * outside

    assert lost[along < 0].sum() > 3 * lost[along > 0].sum() > 0


def test_light_from_all_around_is_kept_off_as_by_a_plate() -> None:
    """Analytic: under the middle of a disc of radius r at height z the sky is hidden by r^2 / (r^2 + z^2)."""
    z = 1.0
    for r in (0.3, 0.7, 1.0, 2.0):
        hidden = sum(w * (1 - np.exp(-(r**2) / (2 * (s * z) ** 2))) for w, s in CONTACT_KERNEL)
        assert hidden == pytest.approx(r**2 / (r**2 + z**2), abs=0.04)


def test_noise_is_as_asked() -> None:
    phone = Phone(exposure=0.8, noise=0.02, read_noise=0.0)

    seen = expose(np.ones((200, 200, 3), np.float32), phone, np.random.default_rng(0))
    dark = expose(np.full((200, 200, 3), 0.25, np.float32), phone, np.random.default_rng(0))

    assert seen.mean() == pytest.approx(0.8, rel=1e-3)
    assert seen.std() / 0.8 == pytest.approx(0.02, rel=0.02)
    assert dark.std() / 0.8 == pytest.approx(0.02 * 0.5, rel=0.02)


def test_srgb_agrees_with_skimage() -> None:
    """Outside check: scikit-image goes from sRGB to linear XYZ; grey of level L has Y = L."""
    linear = np.linspace(0, 1, 101, dtype=np.float32)

    coded = srgb(linear)

    back = color.rgb2xyz(np.repeat(coded[:, None], 3, axis=1)[None].astype(float))[0, :, 1]
    assert back == pytest.approx(linear, abs=2e-4)


@pytest.mark.parametrize("growth", [0.0, 20.0])
def test_toner_grows_past_the_drawn_edge(growth: float) -> None:
    """The black patch's area at half ink gives how far its edges moved."""
    printed = print_frame(Print("closeup", growth_um=growth, ragged_um=0, specks_per_cm2=0))
    patch = next(p for p in make_frame("closeup").patches if p.kind == "black")
    x, y, width, height = patch.rect_mm
    to_px, margin = 1000 / printed.um_per_px, 0.15
    rows = slice(round((y - margin) * to_px), round((y + height + margin) * to_px))
    cols = slice(round((x - margin) * to_px), round((x + width + margin) * to_px))

    area = (printed.ink[rows, cols] > 32767).sum() / to_px**2

    # (w + 2g)(h + 2g) = area
    half_sum = (width + height) / 2
    grown = (np.sqrt(half_sum**2 - (width * height - area)) - half_sum) / 2 * 1000
    assert grown == pytest.approx(growth, abs=1.0)


@pytest.mark.parametrize("ragged", [0.0, 15.0])
def test_the_printed_edge_is_ragged_and_soft(ragged: float) -> None:
    """The half-ink place wanders by `ragged`; about that place the edge spreads by `soft_um`."""
    spec = Print(ragged_um=ragged, soft_um=20, growth_um=10, mottle=0)
    dots = np.zeros((800, 100), np.uint8)
    dots[:, 50:] = 1
    strip = spread_toner(dots, 3, spec, np.random.default_rng(0)) / 65535
    pitch_um = 1000 * DOT_MM / 3

    each, past = np.arange(len(strip)), (strip > 0.5).argmax(axis=1)
    rise = strip[each, past] - strip[each, past - 1]
    places = pitch_um * (past - (strip[each, past] - 0.5) / rise)
    softness = np.diff(strip.mean(axis=0))
    at = np.arange(len(softness)) * pitch_um
    middle = (softness * at).sum() / softness.sum()
    spread = np.sqrt((softness * (at - middle) ** 2).sum() / softness.sum())

    assert strip[:, 0].max() < 1e-4
    assert places.mean() + 0.5 * pitch_um == pytest.approx(50 * 3 * pitch_um - 10, abs=3)
    assert places.std() == pytest.approx(ragged, rel=0.15, abs=2)
    assert spread == pytest.approx(np.hypot(ragged, 20), rel=0.15)


def test_the_print_is_out_of_scale_as_asked() -> None:
    place = PrintMap((1.01, 0.99), 0.008, 38.0)
    points = np.random.default_rng(0).uniform(0, 100, (20, 2))

    true = place.to_true(points)

    assert place.to_print(true) == pytest.approx(points, abs=1e-9)
    assert np.polyfit(points[:, 0], true[:, 0], 1)[0] == pytest.approx(1.01)
    assert abs(np.polyfit(points[:, 1], true[:, 1], 1)[0] - 0.99) < 3e-4
    step = np.array([0, 1e-4])
    stretched = place.to_true(points + step)[:, 1] - place.to_true(points - step)[:, 1]
    assert place.stretch(true) == pytest.approx(np.sqrt(1.01 * stretched / 2e-4), rel=1e-6)


def test_the_card_in_the_photo_lies_where_the_truth_says() -> None:
    """Outside check: OpenCV's own marker detector finds the corners where the exact map puts them."""
    spec = SceneSpec(
        debris=Debris(count=0),
        card=Print("closeup", growth_um=0, scale=(1.01, 0.99)),
        camera=Camera(1400, 1100, um_per_px=40, tilt_deg=12, rotation_deg=8, k1=0.03, focal_px=1400),
    )
    photo = photograph(spec)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000))
    detector.setDetectorParameters(_fine_corners())
    corners, ids, _ = detector.detectMarkers(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY))
    markers = {marker.id: marker for marker in make_frame("closeup").markers}
    assert photo.truth.card is not None

    assert set(ids.ravel().tolist()) == set(markers)
    for marker_id, found in zip(ids.ravel().tolist(), corners, strict=True):
        half = markers[marker_id].side_mm / 2
        square = np.array([[-half, -half], [half, -half], [half, half], [-half, half]])
        drawn = square + markers[marker_id].centre_mm
        seen = photo.truth.view.to_px(photo.truth.card.to_true(drawn))
        assert found[0].mean(axis=0) == pytest.approx(seen.mean(axis=0), abs=0.4)


def test_truth_in_card_units_takes_the_prints_scale_out() -> None:
    view = CameraMap(Camera(), (10.0, 10.0))
    piece = black(ring(0.5), at=(8.0, 9.0))
    place = PrintMap((1.01, 0.98), 0.0, 38.0)

    truth = measure_truth((piece,), view, place, np.array([1.0]))

    assert truth.particles["area_um2"][0] == pytest.approx(np.pi * 500**2, rel=1e-4)
    assert truth.in_card_units()["area_um2"][0] == pytest.approx(np.pi * 500**2 / (1.01 * 0.98), rel=1e-4)
    assert truth.particles["x_mm"][0] == pytest.approx(8.0 / 1.01)
    assert truth.print_um_per_px(np.array([[600.0, 450.0]])) == pytest.approx(
        33 / np.sqrt(1.01 * 0.98), rel=1e-6
    )


def test_the_same_spec_gives_the_same_photo() -> None:
    spec = SceneSpec(
        seed=4, debris=Debris(count=8, median_um=300, mix=OPAQUE_DARK_MIX), camera=Camera(300, 240)
    )

    assert photograph(spec).jpeg == photograph(spec).jpeg
    assert photograph(spec).jpeg != photograph(replace(spec, seed=5)).jpeg


def test_a_perfect_measurement_scores_perfectly_and_a_bad_one_does_not() -> None:
    spec = SceneSpec(
        seed=4, debris=Debris(count=40, median_um=300, range_um=(200, 900)), camera=Camera(700, 600)
    )
    true = photograph(spec).truth.particles
    exact = pair(true, true)

    assert (exact.true == exact.found).all()
    assert recall(true, exact, 6) == precision(true, 33.0, exact, 6) == 1
    assert max(abs(row.bias) for row in ecd_bias(true, true, exact)) == 0
    kinds = kind_bias(true, true, exact, 0)
    assert sum(count for _, count in kinds.values()) == (~true["fibre"]).sum()
    assert all(bias == 0 for bias, _ in kinds.values())

    half = true[::2].copy()
    half["ecd_um"] *= 1.1
    half["x_mm"] *= 1.02
    strangers = true[:5].copy()
    strangers["x_px"] += 4000
    found = np.concatenate([half, strangers])
    pairs = pair(true, found)

    assert len(pairs.false) == 5
    assert recall(true, pairs, 0, 0) == pytest.approx(0.5)
    assert precision(found, 33.0, pairs, 0) == pytest.approx(len(half) / len(found))
    assert all(row.bias == pytest.approx(0.1) for row in ecd_bias(true, found, pairs))
    assert scale_error(true, found, pairs) == pytest.approx(np.sqrt(1.02) - 1, abs=1e-6)


def test_true_share_counts_from_the_stated_size() -> None:
    true = np.zeros(4, [("passing_size_um", "f8")])
    true["passing_size_um"] = [10, 40, 80, 200]

    assert true_share(true, 75, 30) == pytest.approx(1 / 3)
    assert true_share(true, 75, 0) == pytest.approx(2 / 4)


def test_nothing_of_the_hidden_set_is_in_the_development_set() -> None:
    known, hidden = (campaign(name, (1008, 756)) for name in ("development", "hidden"))

    assert [scene.expect for scene in known] == [scene.expect for scene in hidden]
    for part in ("seed", "card", "paper", "light", "phone"):
        shared = {getattr(scene.spec, part) for scene in known} & {
            getattr(scene.spec, part) for scene in hidden
        }
        assert not shared


def test_printer_and_card_agree_on_the_dot() -> None:
    assert pytest.approx(DOT_MM) == 25.4 / DPI


def _fine_corners() -> cv2.aruco.DetectorParameters:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    return parameters
