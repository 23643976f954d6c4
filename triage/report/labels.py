"""Lettering on pictures: text in a font every installation has, and labels that do not collide."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Points = NDArray[np.float64]
Box = tuple[int, int, int, int]  # x0, y0, x1, y1

INK = (18, 22, 26)
BOX = (255, 255, 255)
COARSE = 8  # the map of what is covered is this much smaller than the picture
ANGLES = np.deg2rad(np.arange(0, 360, 30))
REACHES = (1.2, 2.5, 4.5, 7.0, 11.0)  # distance from the particle in letter heights


@dataclass(frozen=True)
class Taken:
    """What a new label must keep off, and what it had better keep off."""

    covered: NDArray[np.float64]  # integral image of the particles, COARSE times smaller than the picture
    labels: list[Box]
    avoided: list[Box]

    def cost(self, box: Box, line: Box) -> float:
        """Return how bad a place is for a label and the line to it; infinite where it cannot be."""
        height, width = ((side - 1) * COARSE for side in self.covered.shape)
        inside = box[0] >= 2 and box[1] >= 2 and box[2] < width - COARSE - 1 and box[3] < height - COARSE - 1
        gap = (box[3] - box[1]) // 4
        if not inside or any(_overlap(box, label, gap) for label in self.labels):
            return float("inf")
        crossed = sum(_overlap(line, label, 0) for label in self.labels)
        crossed += sum(_overlap(box, other, 0) for other in self.avoided)
        return 0.6 * crossed + self._hidden(box)

    def _hidden(self, box: Box) -> float:
        """Return the part of the box's area under which particles would disappear."""
        x0, y0, x1, y1 = (v // COARSE for v in box)
        total = self.covered[y1, x1] - self.covered[y0, x1] - self.covered[y1, x0] + self.covered[y0, x0]
        return float(total) / max(1, (x1 - x0) * (y1 - y0))


def font(size_px: int) -> Any:
    """Return the lettering font (it comes with the PDF library, and has the micron sign)."""
    import reportlab
    from PIL import ImageFont

    folder = Path(reportlab.__file__).parent / "fonts"
    return ImageFont.truetype(str(folder / "Vera.ttf"), size_px)


def write(picture: Picture, text: str, place: tuple[int, int], size_px: int) -> None:
    """Write into the picture, the text's top left corner at (x, y); what falls outside is cut off."""
    from PIL import Image, ImageDraw

    x, y = place
    end_x, end_y = x + round(font(size_px).getlength(text)) + 2, y + round(1.3 * size_px)
    tile = Image.fromarray(picture[max(y, 0) : end_y, max(x, 0) : end_x])
    ImageDraw.Draw(tile).text((min(x, 0), min(y, 0)), text, font=font(size_px), fill=INK)
    picture[max(y, 0) : end_y, max(x, 0) : end_x] = np.asarray(tile)


def place_labels(picture: Picture, shapes: list[Points], names: dict[int, str], size_px: int) -> None:
    """Name some of the shapes, each label in a free place near its shape with a line to it.

    Parameters
    ----------
    shapes : outlines in picture pixels, all of them: labels keep off them where they can
    names : label by index into `shapes`
    """
    boxes = free_boxes(picture.shape[:2], shapes, names, size_px)
    for row, box in boxes.items():
        _leader(picture, shapes[row], box, max(1, size_px // 14))
    for row, (x0, y0, x1, y1) in boxes.items():
        cv2.rectangle(picture, (x0, y0), (x1, y1), BOX, -1)
        cv2.rectangle(picture, (x0, y0), (x1, y1), INK, max(1, size_px // 20))
        write(picture, names[row], (x0 + size_px // 3, y0 + size_px // 6), size_px)


def free_boxes(
    size: tuple[int, ...], shapes: list[Points], names: dict[int, str], text_px: int
) -> dict[int, Box]:
    """Return a box for each label, inside a picture of `size` (rows, columns) and apart from each other.

    A label for which no place is left has no box.
    """
    covered = _covered(size, shapes)
    around = {row: _around(shapes[row]) for row in names}
    boxes: dict[int, Box] = {}
    lines: list[Box] = []
    for row, name in names.items():
        avoided = [*lines, *(box for other, box in around.items() if other != row)]
        box = _free_box(shapes[row], _box_size(name, text_px), Taken(covered, list(boxes.values()), avoided))
        if box is not None:
            boxes[row] = box
            lines.append(_around(np.array(_leader_ends(shapes[row], box))))
    return boxes


def _around(points: Points) -> Box:
    (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
    return int(x0), int(y0), int(x1) + 1, int(y1) + 1


def _box_size(name: str, size_px: int) -> tuple[int, int]:
    return round(font(size_px).getlength(name) + 0.67 * size_px), round(1.5 * size_px)


def _covered(shape: tuple[int, ...], shapes: list[Points]) -> NDArray[np.float64]:
    """Return the integral image of what the shapes cover, at a coarse scale."""
    mask = np.zeros((shape[0] // COARSE + 1, shape[1] // COARSE + 1), np.uint8)
    cv2.fillPoly(mask, [np.round(points / COARSE).astype(np.int32) for points in shapes], 1)
    return np.asarray(cv2.integral(mask), np.float64)


def _free_box(shape: Points, size: tuple[int, int], taken: Taken) -> Box | None:
    """Return the best place for a box near a shape, or None where every place hits a label or the border."""
    low, high = shape.min(axis=0), shape.max(axis=0)
    centre, half = (low + high) / 2, (high - low) / 2
    best, best_cost = None, np.inf
    for reach in REACHES:
        for angle in ANGLES:
            away = np.array([np.cos(angle), np.sin(angle)]) / max(abs(np.cos(angle)), abs(np.sin(angle)))
            corner = centre + away * (half + np.array(size) / 2 + reach * size[1] / 2) - np.array(size) / 2
            x0, y0 = (int(v) for v in corner)
            box = (x0, y0, x0 + size[0], y0 + size[1])
            cost = 0.12 * reach + taken.cost(box, _around(np.array(_leader_ends(shape, box))))
            if cost < best_cost:
                best, best_cost = box, cost
    return best


def _overlap(a: Box, b: Box, gap: int) -> bool:
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


def _leader_ends(shape: Points, box: Box) -> tuple[Points, Points]:
    """Return the ends of the line from the box's nearest edge to the shape's nearest point."""
    middle = np.array([(box[0] + box[2]) / 2, (box[1] + box[3]) / 2])
    end = shape[np.argmin(np.hypot(*(shape - middle).T))]
    return np.clip(end, (box[0], box[1]), (box[2], box[3])), end


def _leader(picture: Picture, shape: Points, box: Box, stroke: int) -> None:
    start, end = ([round(v) for v in point.tolist()] for point in _leader_ends(shape, box))
    for colour, width in ((BOX, 3 * stroke), (INK, stroke)):
        cv2.line(picture, start, end, colour, width, cv2.LINE_AA)
