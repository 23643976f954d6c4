"""The annotated photo and the customer's picture, measured in their own pixels."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from tests.triage.invented import InventedPhoto, invented_analysis, refused_analysis
from triage.analysis import Analysis
from triage.debris.particles import FLAG_BIT
from triage.report import write_overlay
from triage.report.closeup import BESIDE, HAIR_UM, HEIGHT, INK, WIDTH, closeup, shown_particle
from triage.report.labels import BOX, font, free_boxes
from triage.report.picture import DARK, PALE, annotate, aspect, nice_length

SHAPE = (900, 1200)


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return invented_analysis(60, shape=SHAPE)


def _flat(analysis: Analysis, grey: int) -> Analysis:
    """The same result on a photo of one grey, so that all that differs from it was drawn."""
    corners = np.array([[0, 0], [SHAPE[1], 0], [SHAPE[1], SHAPE[0]], [0, SHAPE[0]]], float)
    photo = replace(analysis.photos[0], window_px=corners)
    rgb = np.full((*SHAPE, 3), grey, np.uint8)
    return replace(analysis, photos=(photo,), pictures=(InventedPhoto(rgb),))


def _luminance(rgb: np.ndarray) -> np.ndarray:
    """Relative luminance, WCAG 2 (sRGB decode, 0.2126, 0.7152, 0.0722)."""
    linear = np.where(rgb / 255 <= 0.04045, rgb / 255 / 12.92, ((rgb / 255 + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear @ np.array([0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("grey", [10, 128, 245])
def test_every_particle_is_outlined_visibly_on_any_ground(analysis: Analysis, grey: int) -> None:
    """Round each particle something stands out from the ground by a contrast of 3 (WCAG 2, graphics)."""
    plain = _flat(analysis, grey)
    drawn = annotate(plain, 0)
    factor = drawn.shape[1] / SHAPE[1]
    light = _luminance(drawn.astype(float)) + 0.05
    ground = float(_luminance(np.full(3, float(grey)))) + 0.05
    contrast = np.maximum(light / ground, ground / light)
    for outline in plain.outlines:
        mask = np.zeros(drawn.shape[:2], np.uint8)
        points = np.round((outline + 0.5) * factor - 0.5).astype(np.int32)
        cv2.polylines(mask, [points], True, 255, 15)
        assert contrast[mask > 0].max() >= 3


def test_the_two_tones_stay_apart_in_grey_print() -> None:
    """Contrast of 7 between the lines, the strictest that WCAG 2 asks of text."""
    dark, pale = (float(_luminance(np.array(tone, float))) + 0.05 for tone in (DARK, PALE))
    assert pale / dark >= 7


def test_outlines_run_outside_the_particle(analysis: Analysis) -> None:
    """The piece itself stays to be seen: no drawn pixel in its inside."""
    big = shown_particle(analysis)
    assert big is not None
    row = int(np.flatnonzero(analysis.particles["id"] == big["id"])[0])
    only = replace(
        _flat(analysis, 128), particles=analysis.particles[[row]], outlines=(analysis.outlines[row],)
    )
    drawn = annotate(only, 0)
    factor = drawn.shape[1] / SHAPE[1]
    inside = np.zeros(drawn.shape[:2], np.uint8)
    cv2.fillPoly(inside, [np.round((analysis.outlines[row] + 0.5) * factor - 0.5).astype(np.int32)], 255)
    inside = cv2.erode(inside, np.ones((5, 5), np.uint8))  # the soft edge of the line
    assert inside.any()
    assert (drawn[inside > 0] == 128).all()


def test_an_edge_particle_is_dashed_and_an_unsized_one_ringed(analysis: Analysis) -> None:
    outline = np.array([[500, 400], [600, 400], [600, 500], [500, 500]], np.float32)
    table = analysis.particles[[0]].copy()
    table["x_px"], table["y_px"], table["below_sizing_limit"], table["touches_edge"] = (
        550.0,
        450.0,
        False,
        False,
    )
    plain = _pale(replace(_flat(analysis, 128), particles=table, outlines=(outline,)))
    cut, unsized = table.copy(), table.copy()
    cut["touches_edge"], unsized["below_sizing_limit"] = True, True
    dashed = _pale(replace(_flat(analysis, 128), particles=cut, outlines=(outline,)))
    assert 0.35 < dashed.sum() / plain.sum() < 0.7
    ys, xs = np.nonzero(_pale(replace(_flat(analysis, 128), particles=unsized, outlines=(outline[:0],))))
    assert np.ptp(xs) == pytest.approx(np.ptp(ys), abs=2)
    assert xs.mean() * SHAPE[1] / 1400 == pytest.approx(550, abs=1.5)
    assert ys.mean() * SHAPE[1] / 1400 == pytest.approx(450, abs=1.5)


def _pale(analysis: Analysis) -> np.ndarray:
    """Where the pale line was drawn: much more red than blue, as nothing on a grey photo is."""
    drawn = annotate(analysis, 0).astype(int)
    return np.asarray(drawn[..., 0] - drawn[..., 2] > 90)


def test_scale_bars_have_their_stated_length(analysis: Analysis) -> None:
    """30 um a pixel, enlarged to 1400 px: bars of 5 mm and of 0.2 in, found as dark runs in the foot."""
    drawn = annotate(_flat(analysis, 128), 0)
    foot = drawn[SHAPE[0] * drawn.shape[1] // SHAPE[1] :]
    um_per_px = 30.0 * SHAPE[1] / drawn.shape[1]
    lengths = set()
    for row in (foot == DARK).all(axis=2):
        edges = np.flatnonzero(np.diff(np.r_[0, row.astype(int), 0]))
        lengths |= {
            int(end - start) for start, end in zip(edges[::2], edges[1::2], strict=True) if end - start > 100
        }
    assert sorted(lengths) == [
        pytest.approx(5000 / um_per_px, abs=0.6),
        pytest.approx(0.2 * 25_400 / um_per_px, abs=0.6),
    ]


@pytest.mark.parametrize(("longest", "nice"), [(9.9, 5), (10, 10), (1.99, 1), (0.07, 0.05), (4100, 2000)])
def test_nice_lengths(longest: float, nice: float) -> None:
    assert nice_length(longest) == pytest.approx(nice)


def test_labels_do_not_collide_and_stay_inside() -> None:
    """Six names wanted in one crowded corner."""
    rng = np.random.default_rng(2)
    square = np.array([[-4, -4], [4, -4], [4, 4], [-4, 4]], float)
    shapes = [square + centre for centre in rng.uniform((30, 30), (250, 200), (6, 2))]
    names = {row: f"{row + 1}: 120 µm (0.005 in)" for row in range(6)}
    boxes = list(free_boxes((700, 1000), shapes, names, 16).values())
    assert len(boxes) == 6
    for i, a in enumerate(boxes):
        assert a[0] >= 0
        assert a[1] >= 0
        assert a[2] < 1000
        assert a[3] < 700
        assert a[2] - a[0] > font(16).getlength(names[0])
        for b in boxes[:i]:
            assert a[0] > b[2] or b[0] > a[2] or a[1] > b[3] or b[1] > a[3]


def test_a_label_keeps_off_other_particles() -> None:
    """A wall of pieces to the right and below leaves room on the left and above."""
    square = np.array([[-6, -6], [6, -6], [6, 6], [-6, 6]], float)
    wall = [square + np.array([x, y]) for x in range(420, 800, 15) for y in range(0, 600, 15)]
    shapes = [square + np.array([400, 300]), *wall]
    (box,) = free_boxes((600, 800), shapes, {0: "1: 300 µm (0.012 in)"}, 16).values()
    assert box[2] < 412


def test_the_biggest_are_named_first(analysis: Analysis) -> None:
    """Without its label a big piece's surroundings stay grey: only the labelled picture has white boxes."""
    drawn = annotate(_flat(analysis, 120), 0)
    boxes = (drawn[: SHAPE[0]] == BOX).all(axis=2).sum()
    none = annotate(replace(_flat(analysis, 120), particles=analysis.particles[:0], outlines=()), 0)
    assert boxes > 6 * 2000
    assert (none[: SHAPE[0]] == BOX).all(axis=2).sum() == 0


def test_crop_holds_the_window_and_a_margin(analysis: Analysis) -> None:
    drawn = annotate(analysis, 0)
    window = analysis.photos[0].window_px
    assert window is not None
    span = np.ptp(window, axis=0)
    assert drawn.shape[1] == 1400
    foot = round(4.2 * max(12, round(2.9 * 1400 / 180)))
    assert (drawn.shape[0] - foot) / 1400 == pytest.approx(
        (span[1] + 0.06 * span.max()) / (span[0] + 0.06 * span.max()), rel=0.02
    )


def test_without_a_window_the_crop_holds_the_particles(analysis: Analysis) -> None:
    outline = np.array([[500, 400], [700, 400], [700, 500], [500, 500]], np.float32)
    photo = replace(analysis.photos[0], window_px=None)
    one = replace(analysis, photos=(photo,), particles=analysis.particles[[0]], outlines=(outline,))
    assert aspect(one, 0) == pytest.approx((100 + 2 * 6) / (200 + 2 * 6), rel=0.02)
    assert aspect(replace(one, particles=one.particles[:0], outlines=()), 0) == pytest.approx(900 / 1200)


@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_written_picture_opens(analysis: Analysis, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"o{suffix}"
    write_overlay(analysis, path)
    with Image.open(path) as picture:
        assert picture.format == {".jpg": "JPEG", ".png": "PNG"}[suffix]
        assert picture.width == 1400


def test_several_photos_stand_below_each_other(analysis: Analysis, tmp_path: Path) -> None:
    twice = replace(analysis, photos=analysis.photos * 2, pictures=analysis.pictures * 2)
    write_overlay(analysis, tmp_path / "one.png")
    write_overlay(twice, tmp_path / "two.png")
    with Image.open(tmp_path / "one.png") as one, Image.open(tmp_path / "two.png") as two:
        assert two.size == (one.width, 2 * one.height)


def test_refused_photo_can_still_be_looked_at(tmp_path: Path) -> None:
    write_overlay(refused_analysis(), tmp_path / "o.jpg")
    assert (tmp_path / "o.jpg").stat().st_size > 1000


def test_hair_is_to_the_scale_of_the_piece(analysis: Analysis) -> None:
    """The hair's bar over 70 um against the piece's own dark pixels over its known outline."""
    picture = closeup(analysis)
    particle = shown_particle(analysis)
    assert picture is not None
    assert particle is not None
    assert picture.shape == (HEIGHT, WIDTH + BESIDE, 3)
    hair_px = int((picture[10, WIDTH:] == INK).all(axis=1).sum())
    outline = analysis.outlines[int(np.flatnonzero(analysis.particles["id"] == particle["id"])[0])]
    piece = picture[:, :WIDTH].astype(int)
    grey = piece.mean(axis=2)
    half = (
        np.median(grey[:40])
        + np.median(grey[HEIGHT // 2 - 20 : HEIGHT // 2 + 20, WIDTH // 2 - 20 : WIDTH // 2 + 20])
    ) / 2
    _, labels = cv2.connectedComponents((grey < half).astype(np.uint8))
    area_px = int((labels == labels[HEIGHT // 2, WIDTH // 2]).sum())
    um_per_px = np.sqrt(cv2.contourArea(outline) * 30.0**2 / area_px)
    assert hair_px * um_per_px == pytest.approx(HAIR_UM, rel=0.08)


def test_hair_leaves_room_beside_it_under_a_lens() -> None:
    """2 um a pixel and small pieces: the hair must not fill its panel."""
    picture = closeup(invented_analysis(5, shape=(600, 800), um_per_px=2.0, limit_um=5.0))
    assert picture is not None
    hair_px = int((picture[10, WIDTH:] == INK).all(axis=1).sum())
    assert 0.2 * BESIDE < hair_px < 0.7 * BESIDE


def test_a_piece_larger_than_the_picture_is_shrunk() -> None:
    """A square of 2400 px fills 1/1.7 of the picture's height, seen by its dark pixels."""
    rgb = np.full((3000, 3000, 3), 230, np.uint8)
    rgb[300:2700, 300:2700] = 40
    table = invented_analysis(1, shape=(300, 400)).particles.copy()
    table["x_px"], table["y_px"], table["feret_max_um"], table["ecd_um"] = 1500, 1500, 72_000.0, 80_000.0
    one = invented_analysis(1, shape=(300, 400))
    picture = closeup(replace(one, particles=table, pictures=(InventedPhoto(rgb),)))
    assert picture is not None
    assert int((picture[:, WIDTH // 2, 0] < 135).sum()) == pytest.approx(HEIGHT / 1.7, abs=2)


def test_whole_single_grains_are_shown_before_fibres_clumps_and_cut_pieces(analysis: Analysis) -> None:
    table = analysis.particles[:4].copy()
    table["ecd_um"], table["kind"], table["flags"], table["touches_edge"] = (
        [900, 800, 700, 600],
        "rust",
        0,
        False,
    )
    table["touches_edge"][0], table["kind"][2] = True, "fibre"
    table["flags"][1] = FLAG_BIT["clump"]
    shown = []
    for left in (4, 3):  # the whole grain, and without it the fibre
        particle = shown_particle(replace(analysis, particles=table[:left]))
        assert particle is not None
        shown.append(float(particle["ecd_um"]))
    assert shown == [600.0, 700.0]


def test_no_piece_no_closeup() -> None:
    assert closeup(invented_analysis(0, shape=(300, 400))) is None


def test_closeup_at_the_photo_corner_does_not_fail(analysis: Analysis) -> None:
    table = analysis.particles[:1].copy()
    table["x_px"], table["y_px"], table["touches_edge"], table["kind"] = 1.0, 2.0, False, "rust"
    assert closeup(replace(analysis, particles=table, outlines=analysis.outlines[:1])) is not None
