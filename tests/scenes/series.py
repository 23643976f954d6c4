"""Several photographs of one spread: the debris and the sheet stay, camera, lamp and noise change."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.card import make_frame
from tests.scenes.camera import Camera, CameraMap
from tests.scenes.compose import Ground, compose
from tests.scenes.debris import scatter
from tests.scenes.light import Light
from tests.scenes.noise import Field
from tests.scenes.paper import Printed, PrintMap, paper_texture
from tests.scenes.phone import develop, expose, from_jpeg, to_jpeg
from tests.scenes.photograph import Photograph, SceneSpec
from tests.scenes.print_model import print_frame
from tests.scenes.truth import measure_truth

TEXTURE_UM = 10.0
BARE = PrintMap((1.0, 1.0), 0.0, 38.0)


@dataclass(frozen=True)
class Look:
    """What changes from photo to photo."""

    camera: Camera
    light: Light


@dataclass(frozen=True)
class Sheet(Printed):
    """A print whose paper texture stays on the sheet when the camera moves; `texture` has mean 1."""

    texture: Field

    def read(self, x_mm: Field, y_mm: Field, paper: Field) -> Field:
        """Lay texture and print over the plain `paper`."""
        pitch = np.float32(1000 / TEXTURE_UM)
        side = np.float32(self.texture.shape[0])
        at = ((axis * pitch) % side for axis in (x_mm, y_mm))
        grain = cv2.remap(self.texture, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
        return super().read(x_mm, y_mm, paper * grain)


def photographs(spec: SceneSpec, looks: Sequence[Look]) -> Iterator[Photograph]:
    """Photograph the spread of `spec` once for each look; its own camera and light are not used."""
    rng = np.random.default_rng(spec.seed)
    card = print_frame(spec.card) if spec.card else None
    sheet = _sheet(spec, card)
    pieces = scatter(spec.debris, _rect(spec, card), rng) if spec.debris.count else ()
    plain = replace(spec.paper, fine=0.0, cloudy=0.0)
    middle = card.middle_mm() if card else (0.0, 0.0)
    for number, look in enumerate(looks):
        view = CameraMap(look.camera, look.camera.aim_mm or middle)
        linear, contrast = compose(Ground(plain, sheet, (), spec.seed), pieces, look.light, view)
        truth = measure_truth(pieces, view, card.place if card else None, contrast)
        noise = np.random.default_rng([spec.seed, number])
        jpeg = to_jpeg(develop(expose(linear, spec.phone, noise), spec.phone), spec.phone.jpeg_quality)
        yield Photograph(from_jpeg(jpeg), jpeg, truth)


def _sheet(spec: SceneSpec, card: Printed | None) -> Sheet:
    own = replace(spec.paper, reflectance=1.0)
    texture = np.maximum(paper_texture(own, TEXTURE_UM, spec.seed), 0.0)
    if card is None:
        return Sheet(np.zeros((1, 1), np.uint16), 1.0, 1.0, BARE, texture)
    return Sheet(card.ink, card.um_per_px, card.ink_reflectance, card.place, texture)


def _rect(spec: SceneSpec, card: Printed | None) -> tuple[float, float, float, float]:
    if spec.card is None or card is None:
        assert spec.rect_mm is not None, "without a card say where the debris lies"
        return spec.rect_mm
    frame = make_frame(spec.card.frame, number=spec.card.number, dark=spec.card.dark)
    x, y, width, height = spec.rect_mm or frame.debris_rect_mm
    low, high = card.place.to_true(np.array([[x, y], [x + width, y + height]]))
    return (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1]))


def hand_held(camera: Camera, count: int, seed: int) -> list[Camera]:
    """The camera as a hand moves it from photo to photo: millimetres aside, a degree of tilt and turn."""
    rng = np.random.default_rng([seed, 11])
    aim = camera.aim_mm
    assert aim is not None, "say where the camera aims"
    made = []
    for _ in range(count):
        aside = rng.normal(0, 0.01 * camera.width_px * camera.um_per_px / 1000, 2)
        made.append(
            replace(
                camera,
                aim_mm=(aim[0] + float(aside[0]), aim[1] + float(aside[1])),
                tilt_deg=camera.tilt_deg + float(abs(rng.normal(0, 1.5))),
                tilt_towards_deg=float(rng.uniform(0, 360)),
                rotation_deg=camera.rotation_deg + float(rng.normal(0, 1.0)),
                um_per_px=camera.um_per_px * float(np.exp(rng.normal(0, 0.015))),
            )
        )
    return made
