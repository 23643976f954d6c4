"""A rendered photograph of debris on paper or on a printed card, with exact truth."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.card import make_frame
from tests.scenes.camera import Camera, CameraMap
from tests.scenes.compose import Ground, compose
from tests.scenes.debris import Debris, Rect, scatter
from tests.scenes.grounds import Laid
from tests.scenes.light import Light
from tests.scenes.paper import Paper, Printed
from tests.scenes.phone import Phone, develop, expose, from_jpeg, to_jpeg
from tests.scenes.print_model import Print, print_frame
from tests.scenes.truth import Truth, measure_truth


@dataclass(frozen=True)
class SceneSpec:
    """Everything about one scene; the same spec gives the same picture.

    Debris lies over `rect_mm` (card mm; true mm without a card), by default the card's debris window, on
    plain paper the whole picture less a margin. The camera aims at the card's middle unless told otherwise.
    `covers` are round dark things (x_mm, y_mm, radius_mm; card mm) that hide the print; `laid` lies under the
    debris.
    """

    seed: int = 0
    debris: Debris = field(default_factory=Debris)
    paper: Paper = field(default_factory=Paper)
    light: Light = field(default_factory=Light)
    camera: Camera = field(default_factory=Camera)
    phone: Phone = field(default_factory=Phone)
    card: Print | None = None
    rect_mm: Rect | None = None
    covers: tuple[tuple[float, float, float], ...] = ()
    laid: tuple[Laid, ...] = ()


@dataclass(frozen=True)
class Photograph:
    """The picture as the phone saved it (`rgb` is the decoded `jpeg`) and the truth about it."""

    rgb: NDArray[np.uint8]
    jpeg: bytes
    truth: Truth

    def save(self, path: Path) -> Path:
        """Write the JPEG."""
        path.write_bytes(self.jpeg)
        return path


def photograph(spec: SceneSpec) -> Photograph:
    """Render the scene: about 1 s a megapixel and 5 ms a piece on one core."""
    rng = np.random.default_rng(spec.seed)
    card = print_frame(spec.card) if spec.card else None
    view = CameraMap(spec.camera, spec.camera.aim_mm or (card.middle_mm() if card else (0.0, 0.0)))
    pieces = scatter(spec.debris, _debris_rect(spec, view, card), rng) if spec.debris.count else ()
    ground = Ground(spec.paper, card, _covers(spec, card), spec.seed, spec.laid)
    linear, contrast = compose(ground, pieces, spec.light, view)
    truth = measure_truth(pieces, view, card.place if card else None, contrast)
    jpeg = to_jpeg(develop(expose(linear, spec.phone, rng), spec.phone), spec.phone.jpeg_quality)
    return Photograph(from_jpeg(jpeg), jpeg, truth)


def _debris_rect(spec: SceneSpec, view: CameraMap, card: Printed | None) -> Rect:
    if spec.card is None or card is None:
        return spec.rect_mm or _inside_picture(view)
    frame = make_frame(spec.card.frame, number=spec.card.number, dark=spec.card.dark)
    x, y, width, height = spec.rect_mm or frame.debris_rect_mm
    low, high = card.place.to_true(np.array([[x, y], [x + width, y + height]]))
    return (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1]))


def _inside_picture(view: CameraMap) -> Rect:
    edge = 0.04 * view.camera.height_px
    right, bottom = view.camera.width_px - edge, view.camera.height_px - edge
    mm = view.to_mm(np.array([[edge, edge], [right, edge], [edge, bottom], [right, bottom]]))
    x, y = np.sort(mm[:, 0]), np.sort(mm[:, 1])
    return (float(x[1]), float(y[1]), float(x[2] - x[1]), float(y[2] - y[1]))


def _covers(spec: SceneSpec, card: Printed | None) -> tuple[tuple[float, float, float], ...]:
    if card is None or not spec.covers:
        return ()
    centres = card.place.to_true(np.array(spec.covers)[:, :2])
    return tuple((float(x), float(y), cover[2]) for (x, y), cover in zip(centres, spec.covers, strict=True))
