"""The card as printed: every mark on the picture of the PDF at 1200 dpi, within 0.02 mm of its place.

The marks are found by image measurement (half-level crossings, centroids, line fits), not from the drawing.
"""

import json
import math
from functools import lru_cache

import cv2
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from calibration.card import FRAME_NAMES, make_frame
from calibration.card_sheets import X_BAR_MM, Y_BAR_MM, Placed, sheets
from calibration.draw import card_pdf, frame_png, frame_raster

NUMBER = 7
DPI = 1200
PX_PER_MM = DPI / 25.4
PLACE_MM = 0.02  # what every mark must keep to
PAGES_OF_FRAMES = 5


@pytest.fixture(scope="module")
def pdfs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("card")
    for paper in ("a4", "letter"):
        card_pdf(folder / f"{paper}.pdf", paper, NUMBER)
    return {paper: folder / f"{paper}.pdf" for paper in ("a4", "letter")}


@lru_cache(maxsize=1)
def page_ink(path, index):
    """One page as ink, 0 paper to 255 black, at 1200 dpi."""
    with pypdfium2.PdfDocument(path) as document:
        grey = document[index].render(scale=DPI / 72, grayscale=True).to_numpy()
    return 255 - grey.reshape(grey.shape[:2])


class Ink:
    """Part of a picture addressed in mm, from the top-left corner of a frame that lies at (left, top)."""

    def __init__(self, ink, left_mm=0.0, top_mm=0.0):
        self.ink, self.left, self.top = ink, left_mm, top_mm

    def window(self, x0, y0, x1, y1):
        """The pixels of a box given in mm, as 0..1, and the mm of their first corner."""
        c0, c1 = (round((x + self.left) * PX_PER_MM) for x in (x0, x1))
        r0, r1 = (round((y + self.top) * PX_PER_MM) for y in (y0, y1))
        assert 0 <= r0 < r1 <= self.ink.shape[0]
        assert 0 <= c0 < c1 <= self.ink.shape[1]
        part = self.ink[r0:r1, c0:c1] / np.float32(255)
        return part, (c0 / PX_PER_MM - self.left, r0 / PX_PER_MM - self.top)

    def crossings_x(self, x0, x1, y, thick=0.02):
        """Where a horizontal cut through a mark passes half ink, mm."""
        part, (x, _) = self.window(x0, y - thick, x1, y + thick)
        return x + half_level(part.mean(axis=0)) / PX_PER_MM

    def crossings_y(self, y0, y1, x, thick=0.02):
        part, (_, y) = self.window(x - thick, y0, x + thick, y1)
        return y + half_level(part.mean(axis=1)) / PX_PER_MM

    def centroid(self, x0, y0, x1, y1):
        """Centre in mm and area in mm2 of the ink in a box."""
        part, (x, y) = self.window(x0, y0, x1, y1)
        total = part.sum()
        rows, columns = np.indices(part.shape)
        place = ((part * (columns + 0.5)).sum() / total, (part * (rows + 0.5)).sum() / total)
        return (x + place[0] / PX_PER_MM, y + place[1] / PX_PER_MM), total / PX_PER_MM**2


def half_level(profile):
    """Sub-pixel places, in pixels from the profile's start, where it crosses one half."""
    values = np.concatenate([[0.0], profile, [0.0]]) - 0.5
    at = np.flatnonzero((values[:-1] < 0) != (values[1:] < 0))
    return at - 0.5 + values[at] / (values[at] - values[at + 1])


def placed_frames(paper_pages=range(PAGES_OF_FRAMES)):
    """Each kind of frame on each sheet once, the last copy of it (the farthest from the corner)."""
    all_sheets = sheets(NUMBER)
    found = []
    for page in paper_pages:
        last: dict[str, Placed] = {placed.frame.name: placed for placed in all_sheets[page].placed}
        found += [(page, placed) for placed in last.values()]
    return found


CASES = placed_frames()


@pytest.fixture(
    params=CASES, ids=[f"page{page + 1}-{placed.frame.name}" for page, placed in CASES], scope="module"
)
def printed(request, pdfs):
    """(frame, its part of the Letter page)."""
    page, placed = request.param
    return placed.frame, Ink(page_ink(pdfs["letter"], page), placed.left_mm, placed.top_mm)


# --- marks in their places


def test_marker_corners(printed):
    frame, ink = printed
    for marker in frame.markers:
        (x, y), half = marker.centre_mm, marker.side_mm / 2
        module = marker.side_mm / 8
        for side in (-1, 1):  # the black border's middle, above and below, left and right
            across = ink.crossings_x(
                x - half - 0.8 * module, x + half + 0.8 * module, y + side * (half - module / 2)
            )
            down = ink.crossings_y(
                y - half - 0.8 * module, y + half + 0.8 * module, x + side * (half - module / 2)
            )
            assert across == pytest.approx([x - half, x + half], abs=PLACE_MM)
            assert down == pytest.approx([y - half, y + half], abs=PLACE_MM)


def test_crosses_stand_alone_in_their_places(printed):
    frame, ink = printed
    length, stroke = frame.cross_mm
    half = length / 2 + 0.05
    for x, y in frame.crosses:
        centre, area = ink.centroid(x - half, y - half, x + half, y + half)
        assert centre == pytest.approx((x, y), abs=PLACE_MM)
        assert area == pytest.approx(2 * length * stroke - stroke**2, rel=0.01)


def test_check_dots_have_their_place_and_size(printed):
    frame, ink = printed
    for dot in frame.check_dots:
        (x, y), half = dot.centre_mm, dot.diameter_mm / 2 + 0.05
        centre, area = ink.centroid(x - half, y - half, x + half, y + half)
        assert centre == pytest.approx((x, y), abs=PLACE_MM)
        assert math.sqrt(4 * area / math.pi) == pytest.approx(dot.diameter_mm, abs=PLACE_MM)


def test_slanted_edges_lie_on_their_lines_with_black_to_the_right(printed):
    frame, ink = printed
    for edge in frame.slanted_edges:
        (x0, y0), (x1, y1) = edge.start_mm, edge.end_mm
        length = math.hypot(x1 - x0, y1 - y0)
        normal = (-(y1 - y0) / length, (x1 - x0) / length)  # towards black, y pointing down
        reach = 0.8 * edge.clear_mm
        for along in (0.2, 0.5, 0.8):
            x, y = x0 + along * (x1 - x0), y0 + along * (y1 - y0)
            flat = abs(x1 - x0) > abs(y1 - y0)
            cut = (
                ink.crossings_y(y - reach, y + reach, x) if flat else ink.crossings_x(x - reach, x + reach, y)
            )
            inside = [c for c in cut if abs(c - (y if flat else x)) < 0.6 * reach]
            assert inside == pytest.approx([y if flat else x], abs=PLACE_MM)
            for sign, wanted in ((1, 1.0), (-1, 0.0)):
                px, py = x + sign * reach * normal[0], y + sign * reach * normal[1]
                assert ink.window(px - 0.03, py - 0.03, px + 0.03, py + 0.03)[0].mean() == pytest.approx(
                    wanted
                )


def test_patches_have_their_place_and_tone(printed):
    frame, ink = printed
    for patch in frame.patches:
        x, y, w, h = patch.rect_mm
        assert ink.window(x, y, x + w, y + h)[0].mean() == pytest.approx(patch.coverage, abs=0.01)
        if patch.kind == "black":
            assert ink.crossings_x(x - 0.1, x + w + 0.1, y + h / 2) == pytest.approx([x, x + w], abs=PLACE_MM)
            assert ink.crossings_y(y - 0.1, y + h + 0.1, x + w / 2) == pytest.approx([y, y + h], abs=PLACE_MM)


def test_line_patches_have_the_stated_share_of_black_and_pitch(printed):
    frame, ink = printed
    for patch in frame.line_patches:
        x, y, w, h = patch.rect_mm
        assert ink.window(x, y, x + w, y + h)[0].mean() == pytest.approx(patch.line_dots / 8, abs=0.005)
        if patch.stacked == "x":
            edges = ink.crossings_x(x - 0.05, x + w + 0.02, y + h / 2) - x
        else:
            edges = ink.crossings_y(y - 0.05, y + h + 0.02, x + w / 2) - y
        pitch, line = 8 * 25.4 / 600, patch.line_dots * 25.4 / 600
        starts = np.arange(len(edges) // 2) * pitch
        assert len(edges) // 2 == round(w / pitch)
        np.testing.assert_allclose(edges[::2], starts, atol=PLACE_MM)
        np.testing.assert_allclose(edges[1::2], starts + line, atol=PLACE_MM)


def test_scales_have_a_tick_at_every_step(printed):
    frame, ink = printed
    unit_mm = {"mm": 1.0, "thou": 0.0254}
    for scale in frame.scales:
        x, y = scale.origin_mm
        assert x == pytest.approx(frame.debris_rect_mm[0])
        steps = scale.step_mm / unit_mm[scale.unit]
        assert steps == pytest.approx(round(steps * 2) / 2)
        level = y + 0.15 if scale.unit == "mm" else y - 0.15
        edges = ink.crossings_x(x - 0.15, x + scale.count * scale.step_mm - 0.15, level)
        ticks = edges.reshape(-1, 2).mean(axis=1)
        np.testing.assert_allclose(ticks, x + np.arange(scale.count) * scale.step_mm, atol=PLACE_MM)


def test_the_window_is_blank_or_solid_for_a_millimetre_beyond_its_edge(printed):
    """Within 1 mm, less a pixel, of the window; the corners of the band are rounded."""
    frame, ink = printed
    x, y, w, h = frame.debris_rect_mm
    wanted = 1.0 if frame.dark else 0.0
    band = 0.97
    boxes = [(x, y, x + w, y + h), (x - band, y, x, y + h), (x + w, y, x + w + band, y + h)]
    boxes += [(x, y - band, x + w, y), (x, y + h, x + w, y + h + band)]
    turns = [(x + sx * w, y + sy * h, 2 * sx - 1, 2 * sy - 1) for sx in (0, 1) for sy in (0, 1)]
    for part in (0.3, 0.5, 0.7):  # the largest boxes inside the rounded corners, at three angles
        out_x, out_y = band * math.cos(part * math.pi / 2), band * math.sin(part * math.pi / 2)
        for cx, cy, sx, sy in turns:
            xs, ys = sorted((cx, cx + sx * out_x)), sorted((cy, cy + sy * out_y))
            boxes.append((xs[0], ys[0], xs[1], ys[1]))
    for box in boxes:
        assert ink.window(*box)[0].min() == ink.window(*box)[0].max() == wanted


def test_the_groove_is_blank_between_its_two_lines(printed):
    frame, ink = printed
    if frame.groove is None:
        return
    x, y, w, h = frame.groove
    assert ink.window(x + 0.02, y, x + w - 0.02, y + h)[0].max() == 0.0
    assert len(ink.crossings_x(x - 0.12, x + w + 0.12, y + h / 2)) == 4


@pytest.mark.parametrize(("paper", "page"), [("letter", 0), ("letter", 4), ("a4", 0), ("a4", 2)])
def test_long_bars_are_five_inches(pdfs, paper, page):
    ink = Ink(page_ink(pdfs[paper], page))
    x, y, w, h = X_BAR_MM
    faces = ink.crossings_x(x - 2, x + w + 2, y + h / 2)
    assert faces == pytest.approx([x, x + 127.0], abs=PLACE_MM)
    x, y, w, h = Y_BAR_MM
    faces = ink.crossings_y(y - 2, y + h + 2, x + w / 2)
    assert faces == pytest.approx([y, y + 127.0], abs=PLACE_MM)


# --- markers decode


def detect(grey):
    parameters = cv2.aruco.DetectorParameters()
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(grey)
    return {} if ids is None else dict(zip(ids.ravel().tolist(), (c[0] for c in corners), strict=True))


@pytest.mark.parametrize("number", [0, 17, 40])
@pytest.mark.parametrize("dark", [False, True], ids=["pale", "dark"])
@pytest.mark.parametrize("name", FRAME_NAMES)
def test_all_four_markers_decode_at_their_corners(name, dark, number):
    """At the scale a phone gives: about 35, 11 and 4 um a pixel."""
    frame = make_frame(name, number=number, dark=dark)
    dpi = {"wide": 726, "cutout": 726, "micro": 2400}.get(name, 2300)
    paper = cv2.copyMakeBorder(frame_raster(frame, dpi), 40, 40, 40, 40, cv2.BORDER_CONSTANT, value=255)
    found = detect(paper)
    assert set(found) == {marker.id for marker in frame.markers}
    assert sorted(found) == [24 * number + 4 * FRAME_NAMES.index(name) + corner for corner in range(4)]
    for marker in frame.markers:  # first corner top-left, clockwise: the marker stands upright
        half = marker.side_mm / 2
        first = np.array(marker.centre_mm) - half
        # the detector's whole-pixel corners are pixel centres, hence the half pixel
        assert (found[marker.id][0] - 40 + 0.5) / dpi * 25.4 == pytest.approx(first, abs=1.5 * 25.4 / dpi)


def test_the_picture_and_the_sheet_are_one_drawing(pdfs):
    page, placed = CASES[0]
    alone = 255 - frame_raster(placed.frame, DPI)
    row, column = (round(mm * PX_PER_MM) for mm in (placed.top_mm, placed.left_mm))
    on_sheet = page_ink(pdfs["letter"], page)[row : row + alone.shape[0], column : column + alone.shape[1]]
    assert np.abs(alone.astype(int) - on_sheet).mean() < 0.05


# --- the picture file


@pytest.mark.parametrize(
    ("name", "dpi"), [("wide", 300), ("closeup", 601), ("micro", 1234.5), ("cutout", 100)]
)
def test_png_states_its_dpi_and_its_geometry_beside_it(tmp_path, name, dpi):
    path = tmp_path / "frame.png"
    frame_png(path, dpi, name, number=12, dark=True)
    frame = make_frame(name, number=12, dark=True)
    with Image.open(path) as picture:
        assert picture.mode == "L"
        assert picture.size == (round(frame.width_mm / 25.4 * dpi), round(frame.height_mm / 25.4 * dpi))
        assert picture.info["dpi"] == pytest.approx((dpi, dpi), abs=0.02)  # PNG keeps whole pixels a metre
        width, height = picture.size
    geometry = json.loads((tmp_path / "frame.json").read_text(encoding="utf-8"))
    assert geometry["width_mm"] == pytest.approx(width * 25.4 / dpi, abs=1e-5)
    assert geometry["height_mm"] == pytest.approx(height * 25.4 / dpi, abs=1e-5)
    assert geometry["debris_rect_mm"] == pytest.approx(frame.debris_rect_mm, abs=1e-5)
    assert (geometry["number"], geometry["frame"], geometry["dark"]) == (12, name, True)


def test_marks_keep_their_places_at_a_dpi_that_fits_no_dot():
    """Edges fall between pixels there: each is drawn as grey, not snapped to the next whole pixel."""
    frame = make_frame("wide")
    grey = frame_raster(frame, 150)
    px = 150 / 25.4
    for marker in frame.markers:
        (x, y), half = marker.centre_mm, marker.side_mm / 2
        part = (
            255
            - grey[round((y - half + 0.5) * px), round((x - half - 0.8) * px) : round((x + half + 0.8) * px)]
        ) / 255
        across = (round((x - half - 0.8) * px) + half_level(part)) / px
        assert across == pytest.approx([x - half, x + half], abs=0.02)


@pytest.mark.parametrize("dpi", [0, 99, 2401, -300, math.nan, math.inf])
def test_an_impossible_dpi_is_refused(dpi):
    with pytest.raises(ValueError, match="dpi is not possible; choose"):
        frame_raster(make_frame("micro"), dpi)


# --- the PDF as a document


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_pdf_has_six_sheets_of_the_asked_paper_with_printable_margins(pdfs, paper, size_mm):
    with pypdfium2.PdfDocument(pdfs[paper]) as document:
        assert len(document) == 6
        for page in document:
            width, height = (pt / 72 * 25.4 for pt in page.get_size())
            assert (width, height) == pytest.approx(size_mm, abs=0.03)
            ink = 255 - page.render(scale=100 / 72, grayscale=True).to_numpy().squeeze()
            rows, columns = np.nonzero(ink)
            margin = 6 / 25.4 * 100
            assert min(rows.min(), columns.min()) >= margin
            assert ink.shape[0] - rows.max() >= margin
            assert ink.shape[1] - columns.max() >= margin


def test_the_viewer_is_asked_not_to_scale(pdfs):
    assert b"/PrintScaling /None" in pdfs["a4"].read_bytes()


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_words_can_be_read_and_selected(pdfs, paper):
    with pypdfium2.PdfDocument(pdfs[paper]) as document:
        texts = [" ".join(page.get_textpage().get_text_range().split()) for page in document]
    for text in texts:
        assert "Print at 100 %" in text
        assert "not “fit to page”" in text
        assert f"Debris card {NUMBER}" in text
    for text in texts[:PAGES_OF_FRAMES]:
        assert text.count("127.00 mm (5.000 in)") >= 2
    assert f"triage card --number {NUMBER} --measured" in texts[0]
    assert texts[4].count("cut out along this line") == 4  # one wide frame, three close-ups
    for words in (
        "Petrol",
        "licensed practice",
        "32 to 38 µm",
        "1.3 to 1.5 thou",
        "clip-on lens",
        "never subtracted",
    ):
        assert words in texts[5]


def test_the_same_card_is_the_same_file(pdfs, tmp_path):
    again = tmp_path / "again.pdf"
    card_pdf(again, "a4", NUMBER)
    assert again.read_bytes() == pdfs["a4"].read_bytes()


def test_no_two_frames_on_a_sheet_overlap():
    for sheet in sheets(NUMBER):
        boxes = [
            (p.left_mm, p.top_mm, p.left_mm + p.frame.width_mm, p.top_mm + p.frame.height_mm)
            for p in sheet.placed
        ]
        for i, a in enumerate(boxes):
            for b in boxes[i + 1 :]:
                assert a[2] < b[0] or b[2] < a[0] or a[3] < b[1] or b[3] < a[1]


@pytest.mark.parametrize(("paper", "number"), [("a3", 0), ("a4", -1), ("letter", 41)])
def test_an_impossible_sheet_is_refused_and_nothing_written(tmp_path, paper, number):
    path = tmp_path / "card.pdf"
    with pytest.raises(ValueError, match="choose"):
        card_pdf(path, paper, number)
    assert not path.exists()
