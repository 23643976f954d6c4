"""The annotated photo: every particle outlined, the biggest named, a scale bar in microns and inches.

Outlines are a pale line on a dark one, so they show on pale and dark debris and in grey print; what an
outline means is told by its shape (solid, dashed, ring), never by its colour.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.analysis import Analysis
from triage.debris.particles import ParticleTable
from triage.errors import UserError
from triage.report.files import write_whole
from triage.report.labels import place_labels, write
from triage.report.units import in_shop_units
from triage.report.words import microns
from triage.sizing import inches

Picture = NDArray[np.uint8]
Points = NDArray[np.float64]

DARK = (18, 22, 26)
PALE = (255, 222, 90)
PAPER = (250, 250, 248)
NAMED = 6
PAGE_MM = 180.0  # a picture across a page of A4 or Letter
MARGIN = 0.03
SMALLEST_WIDTH, LARGEST_WIDTH = 1400, 4200
SHIFT = 4  # fractional bits of the drawing coordinates
TOLERANCE = 5  # by which outlines are straightened before drawing, in those: a third of a pixel


@dataclass(frozen=True)
class View:
    """A crop of a photo at another size: where photo pixels land, and the pens to draw with there."""

    x0: int
    y0: int
    x1: int
    y1: int
    factor: float
    across_mm: float  # how wide the picture will be looked at

    @property
    def width(self) -> int:
        """Width of the drawn picture in pixels."""
        return round((self.x1 - self.x0) * self.factor)

    @property
    def height(self) -> int:
        """Height of the drawn picture in pixels."""
        return round((self.y1 - self.y0) * self.factor)

    @property
    def pale(self) -> int:
        """Width of the pale line in pixels: a seventh of a millimetre."""
        return max(2, round(self.width / self.across_mm / 7))

    @property
    def dark(self) -> int:
        """Width of the dark line in pixels; it shows on either side of the pale one."""
        return self.pale + 2 * max(1, round(0.6 * self.pale))

    @property
    def text_px(self) -> int:
        """Height of the lettering in pixels: 2.9 mm, less where the picture is narrow."""
        return max(12, round(min(2.9 / self.across_mm, 1 / 34) * self.width))

    def to_view(self, xy_px: Points) -> Points:
        """Map photo pixels (N, 2) to pixels of the drawn picture."""
        moved: Points = (np.asarray(xy_px, float) - (self.x0, self.y0) + 0.5) * self.factor - 0.5
        return moved


def write_overlay(analysis: Analysis, path: Path) -> None:
    """Write the annotated photos to one JPEG or PNG picture, below each other where there are several.

    Raises
    ------
    UserError
        The name does not end in .jpg, .jpeg or .png, or the file cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in {".jpg", ".jpeg", ".png"}:
        raise UserError(f"Cannot write {path}: the annotated photo must be named .jpg or .png.")
    shown = [index for index, photo in enumerate(analysis.photos) if photo.counted or not photo.usable]
    pictures = [annotate(analysis, index) for index in shown if index < len(analysis.pictures)]
    if not pictures:
        raise UserError(f"Cannot write {path}: no photo was opened.")
    write_whole(path, encode(_stack(pictures), suffix))


def annotate(analysis: Analysis, index: int, width: int | None = None, across_mm: float = PAGE_MM) -> Picture:
    """Draw one photo's annotated crop.

    Parameters
    ----------
    index : the photo's place in `analysis.photos`
    width : pixels of the drawn picture; by default the crop's own, enlarged where it is small
    across_mm : how wide it will be looked at, so that lines and lettering come out right

    Returns
    -------
    RGB uint8 (H, W, 3)
    """
    photo, rgb = analysis.photos[index], analysis.pictures[index].rgb
    view = _view(analysis, index, width, across_mm)
    canvas = _crop(rgb, view)
    mine = np.flatnonzero(analysis.particles["photo"] == index)
    table = analysis.particles[mine]
    shapes = [_shape(table[row], analysis.outlines[at], view) for row, at in enumerate(mine)]
    if photo.window_px is not None:
        _draw_window(canvas, view.to_view(photo.window_px), view.pale)
    _draw_shapes(canvas, table, shapes, view)
    place_labels(canvas, shapes, _names(table), view.text_px)
    if photo.scale is None:
        return canvas
    return np.vstack([canvas, _foot(view, photo.scale.um_per_px / view.factor)])


def aspect(analysis: Analysis, index: int) -> float:
    """Return height over width of one photo's annotated crop, without the strip under it."""
    view = _view(analysis, index, None, PAGE_MM)
    return view.height / view.width


def across_px(analysis: Analysis, index: int) -> int:
    """Return how many photo pixels one photo's annotated crop is wide."""
    view = _view(analysis, index, None, PAGE_MM)
    return view.x1 - view.x0


def encode(picture: Picture, suffix: str = ".jpg", quality: int = 88) -> bytes:
    """Return an RGB picture as the bytes of a JPEG or PNG file; RuntimeError if the encoder fails."""
    options = (
        [cv2.IMWRITE_JPEG_QUALITY, quality]
        if suffix in {".jpg", ".jpeg"}
        else [cv2.IMWRITE_PNG_COMPRESSION, 2]
    )
    done, data = cv2.imencode(suffix, cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise RuntimeError(f"the picture could not be encoded as {suffix}")
    return bytes(data.tobytes())


def nice_length(longest: float) -> float:
    """Return the largest of 1, 2 and 5 times a power of ten that does not exceed `longest`."""
    power = 10.0 ** np.floor(np.log10(longest))
    return float(max(step * power for step in (1, 2, 5) if step * power <= longest))


def _view(analysis: Analysis, index: int, width: int | None, across_mm: float) -> View:
    height_px, width_px = analysis.pictures[index].rgb.shape[:2]
    points = _of_interest(analysis, index)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = MARGIN * float((high - low).max())
    x0, y0 = (max(0, int(v - margin)) for v in low)
    x1, y1 = (min(end, int(v + margin) + 2) for end, v in zip((width_px, height_px), high, strict=True))
    own = max(1, x1 - x0)
    drawn = width or int(np.clip(own, SMALLEST_WIDTH, LARGEST_WIDTH))
    return View(x0, y0, x1, y1, drawn / own, across_mm)


def _of_interest(analysis: Analysis, index: int) -> Points:
    """Return points round what is worth showing: the window, else the particles, else the whole photo."""
    window = analysis.photos[index].window_px
    if window is not None and len(window):
        return window
    mine = np.flatnonzero(analysis.particles["photo"] == index)
    outlines = [analysis.outlines[row] for row in mine if len(analysis.outlines[row])]
    if outlines:
        around: Points = np.vstack(outlines).astype(float)
        return around
    height, width = analysis.pictures[index].rgb.shape[:2]
    return np.array([[0.0, 0.0], [width, height]])


def _crop(rgb: Picture, view: View) -> Picture:
    crop = rgb[view.y0 : view.y1, view.x0 : view.x1]
    if view.factor == 1:
        return crop.copy()
    method = cv2.INTER_AREA if view.factor < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(crop, (view.width, view.height), interpolation=method), np.uint8)


def _shape(particle: Any, outline: NDArray[np.float32], view: View) -> Points:
    """Return what is drawn round a particle: its outline a little outside itself, or a ring."""
    gap = 0.5 * view.dark + 0.8
    if len(outline) >= 3 and not particle["below_sizing_limit"]:
        return _outside(view.to_view(outline.astype(float)), gap)
    centre = view.to_view(np.array([[particle["x_px"], particle["y_px"]]]))
    half = np.ptp(outline, axis=0).max() / 2 * view.factor if len(outline) else 0.0
    angle = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    circle: Points = centre + (half + 2 * gap) * np.column_stack([np.cos(angle), np.sin(angle)])
    return circle


def _outside(outline: Points, gap: float) -> Points:
    """Move a closed outline outwards along its normals."""
    ahead, behind = np.roll(outline, -1, axis=0), np.roll(outline, 1, axis=0)
    area = np.sum(outline[:, 0] * ahead[:, 1] - ahead[:, 0] * outline[:, 1])
    tangent = ahead - behind
    normal = np.column_stack([tangent[:, 1], -tangent[:, 0]]) * (1.0 if area > 0 else -1.0)
    length = np.maximum(np.hypot(normal[:, 0], normal[:, 1]), 1e-9)
    return outline + gap * normal / length[:, None]


def _draw_shapes(canvas: Picture, table: ParticleTable, shapes: list[Points], view: View) -> None:
    """Draw all dark lines first, so that no particle's dark line covers a neighbour's pale one."""
    cut = table["touches_edge"].tolist()
    closed = [_fixed(shape) for shape, is_cut in zip(shapes, cut, strict=True) if not is_cut]
    dashes = [
        _fixed(dash)
        for shape, is_cut in zip(shapes, cut, strict=True)
        if is_cut
        for dash in _dashes(shape, 2.5 * view.dark)
    ]
    for colour, width in ((DARK, view.dark), (PALE, view.pale)):
        cv2.polylines(canvas, closed, True, colour, width, cv2.LINE_AA, SHIFT)
        cv2.polylines(canvas, dashes, False, colour, width, cv2.LINE_AA, SHIFT)


def _fixed(line: Points) -> NDArray[np.int32]:
    """Return a line in the drawing's fixed-point coordinates, straightened where that cannot be seen."""
    scaled = np.round(line * (1 << SHIFT)).astype(np.int32)
    return np.asarray(cv2.approxPolyDP(scaled, TOLERANCE, False), np.int32)


def _dashes(shape: Points, dash: float) -> list[Points]:
    """Cut a closed outline into dashes of equal length with equal gaps."""
    ring = np.vstack([shape, shape[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ring, axis=0).T))])
    count = max(3, int(along[-1] / (2 * dash)))
    starts = np.arange(count) * along[-1] / count
    steps = starts[:, None] + np.linspace(0, along[-1] / count / 2, 4)
    xs, ys = np.interp(steps, along, ring[:, 0]), np.interp(steps, along, ring[:, 1])
    return list(np.stack([xs, ys], axis=-1))


def _draw_window(canvas: Picture, polygon: Points, stroke: int) -> None:
    fixed = [_fixed(polygon)]
    cv2.polylines(canvas, fixed, True, (255, 255, 255), 2 * stroke, cv2.LINE_AA, SHIFT)
    cv2.polylines(canvas, fixed, True, (90, 96, 104), stroke, cv2.LINE_AA, SHIFT)


def _names(table: ParticleTable) -> dict[int, str]:
    """Return the label of each of the biggest sized particles, by row; ids run from the biggest down."""
    sized = np.flatnonzero(~table["below_sizing_limit"])
    biggest = sized[np.argsort(table["id"][sized], kind="stable")][:NAMED]
    return {int(row): _name(table[row]) for row in biggest}


def _name(particle: Any) -> str:
    length = float(particle["feret_max_um"])
    return in_shop_units(f"{int(particle['id'])}: {microns(length)} µm ({inches(length)} in)")


def _foot(view: View, um_per_px: float) -> Picture:
    """Draw the strip under the picture: a bar round in microns and one round in inches."""
    text = view.text_px
    strip = np.full((round(4.2 * text), view.width, 3), PAPER, np.uint8)
    longest = 0.22 * view.width * um_per_px
    length_um, length_in = nice_length(longest), nice_length(longest / 25_400)
    bars = ((length_um, _micron_words(length_um), 0.9), (length_in * 25_400, f"{length_in:g} in", 2.6))
    left = text
    for length, words, row in bars:
        right, top = left + round(length / um_per_px), round(row * text)
        cv2.rectangle(strip, (left, top), (right - 1, top + max(3, text // 4)), DARK, -1)
        write(strip, words, (right + text // 2, top - text // 2 + text // 8), text)
    return strip


def _micron_words(um: float) -> str:
    return f"{um:g} µm" if um < 1000 else f"{um:,.0f} µm ({um / 1000:g} mm)".replace(",", " ")


def _stack(pictures: list[Picture]) -> Picture:
    width = max(picture.shape[1] for picture in pictures)
    padded = [
        np.pad(picture, ((0, 0), (0, width - picture.shape[1]), (0, 0)), constant_values=PAPER[0])
        for picture in pictures
    ]
    return np.vstack(padded)
