"""The sample photographs are what they say: whole, labelled as rendered, true to the truth beside them."""

import json
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from PIL import Image

from sample_images.camera import Camera
from sample_images.meshes import at_rest, icosphere, lumpy_grain, signed_volume, tube

FOLDER = Path(__file__).resolve().parents[1] / "sample_images"
PHOTOS = sorted(FOLDER.glob("*.jpg"))
LABEL = "rendered scene, invented data"
KINDS = {
    "fibre",
    "rust",
    "bright_metal",
    "white_corrosion",
    "green_corrosion",
    "grit",
    "plant",
    "rubber",
    "clear_plastic",
    "filter_paper",
    "swarf",
    "soot",
}
each_photo = pytest.mark.parametrize("photo", PHOTOS, ids=lambda path: path.stem)


@cache
def truth_of(photo: Path) -> dict[str, Any]:
    return json.loads(photo.with_suffix(".truth.json").read_text(encoding="utf-8"))


def column(photo: Path, name: str) -> np.ndarray:
    return np.array([particle[name] for particle in truth_of(photo)["particles"]])


def test_folder_holds_at_least_six_photos_with_one_pair_in_under_40_mb():
    names = [photo.stem for photo in PHOTOS]

    assert len(names) >= 6
    assert [name.replace("before", "after") for name in names if "before" in name] == [
        name for name in names if "after" in name
    ]
    assert sum(file.stat().st_size for file in FOLDER.rglob("*") if file.is_file()) < 40e6


def test_folder_has_one_photo_to_refuse():
    assert [photo.stem for photo in PHOTOS if not truth_of(photo)["usable"]] == ["generator_GN-05_blurred"]


@each_photo
def test_photo_is_whole_and_labelled_as_rendered(photo):
    with Image.open(photo) as image:
        exif = image.getexif()
        taken = datetime.strptime(exif.get_ifd(0x8769)[0x9003], "%Y:%m:%d %H:%M:%S")
        image.load()

    assert (image.mode, image.size) == ("RGB", (4000, 3000))
    assert LABEL in exif[0x010E]
    assert exif[0x010F] == "rendered"
    assert LABEL.encode() in image.info["comment"]
    assert taken.year == 2026
    assert truth_of(photo)["label"] == LABEL
    assert truth_of(photo)["file"] == photo.name


@each_photo
def test_truth_is_consistent(photo):
    area, ecd = column(photo, "area_um2"), column(photo, "ecd_um")
    longest, narrowest = column(photo, "feret_max_um"), column(photo, "feret_min_um")
    fibre = column(photo, "kind") == "fibre"
    width = column(photo, "width_um")

    assert set(column(photo, "kind")) <= KINDS
    assert sorted(set(column(photo, "id"))) == list(range(1, len(area) + 1))
    np.testing.assert_allclose(np.pi / 4 * ecd**2, area, rtol=1e-3)
    # of all outlines of one greatest width the disc has the largest area
    assert (longest >= ecd * 0.999).all()
    assert (narrowest <= longest).all()
    np.testing.assert_allclose(column(photo, "passing_size_um"), np.where(fibre, width, narrowest))
    # a bar covers its length x width, or less where it lies across itself
    filled = (area / (column(photo, "length_um") * width))[fibre]
    assert filled.max() < 1.03
    assert np.median(filled) > 0.98


@each_photo
def test_pieces_lie_in_the_window_and_those_that_touch_name_each_other(photo):
    truth = truth_of(photo)
    window = np.array(truth["photo"]["window_px"], np.float32)
    pairs = {(p["id"], other) for p in truth["particles"] for other in p["touching"]}
    inside = [
        cv2.pointPolygonTest(window, (p["x_px"], p["y_px"]), measureDist=True) > -5
        for p in truth["particles"]
    ]

    assert all(inside)
    assert {(b, a) for a, b in pairs} == pairs


@each_photo
def test_particles_are_seen_where_and_as_big_as_the_truth_says(photo):
    """A cut at half of each piece's own depth, in linear light (sRGB undone): shadow adds, a pale piece's own
    shaded side takes away.
    """
    if not truth_of(photo)["usable"]:
        pytest.skip("blurred on purpose")
    big = [
        particle
        for particle in truth_of(photo)["particles"]
        if particle["ecd_px"] > 5 and abs(particle["contrast"] or 0) > 0.4 and not particle["touching"]
    ]
    green = cv2.imread(str(photo))[..., 1]
    found = [half_cut(green, particle) for particle in big]
    away = np.median([shift for shift, _ in found], axis=0)
    ratio = np.median([size for _, size in found])
    pale = np.median([particle["contrast"] for particle in big]) < 0

    assert len(big) >= 10
    assert np.abs(away).max() < 0.6
    assert (0.8 if pale else 0.98) < ratio < (1.05 if pale else 1.12)


def half_cut(green: np.ndarray, particle: dict[str, Any]) -> tuple[tuple[float, float], float]:
    """What is cut out about the particle's place: shift of its centroid (px), ECD over the silhouette's."""
    x, y = round(particle["x_px"]), round(particle["y_px"])
    size_px = particle["seen_ecd_um"] / particle["um_per_px"]
    reach = round(particle["feret_max_um"] / particle["um_per_px"] * 0.7) + 4
    part = green[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1] / 255
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    paper = np.median(np.concatenate([linear[0], linear[-1], linear[:, 0], linear[:, -1]]))
    depth = np.abs(linear - paper)
    at_x, at_y = x - max(x - reach, 0), y - max(y - reach, 0)
    core = depth[at_y - 2 : at_y + 3, at_x - 2 : at_x + 3]
    cut = (depth > core.max() / 2).astype(np.uint8)
    _, label, stats, centres = cv2.connectedComponentsWithStats(cut)
    near = label[at_y - 2 : at_y + 3, at_x - 2 : at_x + 3]
    found = np.bincount(near[near > 0]).argmax()
    shift = centres[found] - (at_x, at_y) + (x - particle["x_px"], y - particle["y_px"])
    return (float(shift[0]), float(shift[1])), float((4 * stats[found, 4] / np.pi) ** 0.5 / size_px)


def test_ball_has_the_volume_of_a_sphere():
    assert signed_volume(icosphere(4)) == pytest.approx(4 / 3 * np.pi, rel=0.01)


def test_pieces_lie_on_the_paper():
    rng = np.random.default_rng(2)
    heights = [at_rest(lumpy_grain(rng, (1, 0.8, 0.6), 0.1), rng).vertices[:, 2] for _ in range(5)]

    assert max(abs(height.min()) for height in heights) < 1e-12


def test_silhouettes_match_analytic_areas():
    pytest.importorskip("shapely", reason="needs shapely (extra `test`)")
    from sample_images.debris import silhouette
    from sample_images.truth import feret_um

    ball = icosphere(4)
    bar = tube(np.column_stack([np.linspace(0, 5, 40), np.zeros((40, 2))]), 0.1, sides=32)
    outline = silhouette(bar.vertices[:, :2], bar)

    assert silhouette(ball.vertices[:, :2], ball).area == pytest.approx(np.pi, rel=0.005)
    assert outline.area == pytest.approx(5 * 0.2, rel=0.005)
    assert feret_um(outline)[1] == pytest.approx(200, rel=0.005)
    assert feret_um(outline)[0] == pytest.approx(1000 * np.hypot(5, 0.2), rel=0.005)


def test_camera_sees_each_point_where_its_ray_goes():
    camera = Camera(4000, 3000, 35, (64, 49), tilt_deg=20, azimuth_deg=30, roll_deg=40, k1=0.02, k2=-0.01)
    points = np.random.default_rng(1).uniform(5, 100, (20, 2))

    np.testing.assert_allclose(camera.on_paper(camera.from_card(points)), points, atol=1e-6)
    np.testing.assert_allclose(camera.from_card(np.array([[64.0, 49.0]])), [[1999.5, 1499.5]], atol=1e-6)
    assert Camera(4000, 3000, 35, (64, 49)).um_per_px_at((64, 49)) == pytest.approx(35, rel=1e-5)


def test_shadow_falls_away_from_the_lamp_and_leaves_bare_paper_exact():
    pytest.importorskip("mitsuba", reason="needs the ray tracer (extra `samples`)")
    from sample_images.kinds import Piece
    from sample_images.light import Lamp
    from sample_images.meshes import dropped, moved, scaled
    from sample_images.trace import Stage, trace

    ball = moved(dropped(scaled(icosphere(3), 0.5)), 2.0, -2.0)
    piece = Piece("grit", ball, np.full((len(ball.vertices), 3), 0.1), "matt")
    paper = np.full((80, 80, 3), 0.8, np.float32)
    lamp_at_right = Lamp(azimuth_deg=0, share=0.6)
    camera = Camera(80, 80, 50, (2.0, 2.0))
    try:
        mask, _, factor = trace(Stage((piece,), lamp_at_right), camera, paper, 25, 1)
    except ImportError as missing:
        pytest.skip(f"the ray tracer found no LLVM library: {missing}")
    seen = np.ones((80, 80), np.float32)
    seen[mask] = factor.mean(axis=1)

    assert seen[35:45, 24:28].mean() < 0.75
    assert seen[35:45, 53:57].mean() > 0.9
    assert np.median(np.abs(seen[0:10] - 1)) < 0.01
