"""Put a scene together: sheet, debris, light, camera; render it; say what is in it."""

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.debris import Recipe, Rect, scatter
from sample_images.develop import LABEL, Phone, develop
from sample_images.kinds import Finish, Piece
from sample_images.light import Lamp
from sample_images.rule import Rule
from sample_images.sheet import Sheet, albedo, card_positions
from sample_images.trace import Stage, trace
from sample_images.truth import particle_table, photo_truth

UNITS = (
    "sizes and um_per_px in true um; print_stretch = true over drawn length, so a tool that trusts the card "
    "reads true / print_stretch; x_mm, y_mm in mm of the card's drawing (true mm on plain paper)"
)


@dataclass(frozen=True)
class Scene:
    """Everything that decides a picture, but for the sheet it lies on.

    `window_mm` (x, y, width, height) is where debris lies, in true mm from the sheet's corner. `samples` are
    light paths for each pixel where debris or shadow shows. `add` are things that are no debris: they show,
    and are not in the table of particles.
    """

    seed: int
    camera: Camera
    window_mm: Rect
    recipe: Recipe
    lamp: Lamp = field(default_factory=Lamp)
    rule: Rule | None = None
    phone: Phone = field(default_factory=Phone)
    samples: int = 49
    add: tuple[Piece, ...] = ()
    finish: Finish = field(default_factory=Finish)


def render_scene(scene: Scene, sheet: Sheet) -> tuple[NDArray[np.uint8], dict[str, Any]]:
    """Picture (rows, columns, 3) sRGB and the truth about it."""
    rng = np.random.default_rng(scene.seed)
    pieces = scatter(scene.recipe, scene.window_mm, rng)
    camera = scene.camera
    positions = card_positions(camera)
    paper = albedo(sheet, positions, rng)
    light = paper.copy()
    stage = Stage((*pieces, *scene.add), scene.lamp, scene.rule, scene.finish)
    mask, debris, factor = trace(stage, camera, paper, scene.samples, scene.seed)
    light[mask] = debris + factor * paper[mask]
    spots = positions.reshape(-1, 2).astype(np.float64)
    truth = _truth(scene, sheet, particle_table(pieces, camera, light, paper, sheet.printed))
    even = scene.lamp.evenness(spots, camera.target_mm).reshape(light.shape[:2]).astype(np.float32)
    defocus = camera.defocus_sigma_px(spots).reshape(light.shape[:2]).astype(np.float32)
    picture = develop(light * (even / even.max() / 0.8)[..., None], defocus, scene.phone, rng)
    return picture, truth


def _truth(scene: Scene, sheet: Sheet, particles: list[dict[str, Any]]) -> dict[str, Any]:
    x, y, width, height = scene.window_mm
    corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
    blur = np.hypot(scene.camera.defocus_sigma_px(corners), scene.phone.lens_sigma_px)
    made_with = {"seed": scene.seed, "samples": scene.samples}
    parts: dict[str, Any] = {
        "camera": scene.camera,
        "lamp": scene.lamp,
        "phone": scene.phone,
        "recipe": scene.recipe,
        "finish": scene.finish,
    }
    return {
        "label": LABEL,
        "units": UNITS,
        "photo": photo_truth(scene.camera, sheet.printed)
        | {
            "lens_sigma_px": scene.phone.lens_sigma_px,
            "lens_sigma_px_window_corners": np.round(blur, 3).tolist(),
            "window_true_mm": [round(v, 4) for v in scene.window_mm],
            "window_px": np.round(scene.camera.from_card(corners), 2).tolist(),
        }
        | _rule_truth(scene),
        "particles": particles,
        "made_with": made_with | {name: asdict(part) for name, part in parts.items()},
    }


def _rule_truth(scene: Scene) -> dict[str, Any]:
    """A rule's face stands above the paper, so it shows a little larger: its own scale at the target."""
    if scene.rule is None:
        return {}
    height = scene.rule.thickness_mm
    face_um_per_px = scene.camera.um_per_px_at(scene.camera.target_mm, height)
    return {"rule": {"thickness_mm": height, "face_um_per_px": round(face_um_per_px, 5)}}


def write_truth(photo: Path, truth: dict[str, Any]) -> None:
    """Write the truth beside its photo, as PHOTO.truth.json."""
    head = {key: value for key, value in truth.items() if key != "particles"}
    rows = ",\n  ".join(json.dumps(row) for row in truth["particles"])
    body = json.dumps(head, indent=1)[:-2] + f',\n "particles": [\n  {rows}\n ]\n}}\n'
    photo.with_suffix(".truth.json").write_text(body, encoding="utf-8")
