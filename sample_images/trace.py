"""Path tracing of debris on paper, only where debris or its shadow can be seen.

Every sample is traced twice with the same random numbers: with the debris and without. Bare paper is known
exactly (radiance = reflectance), so where a ray meets the paper only the difference of the two is noisy, and
away from debris and shadow it is exactly zero. The traced patches therefore join the bare card without a
seam.

Needs mitsuba (extra `samples`) and its vectorised LLVM mode: on Debian `apt install libllvm19`, or any LLVM
16 or newer named in the environment variable DRJIT_LIBLLVM_PATH.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.kinds import Finish, Piece
from sample_images.light import Lamp
from sample_images.rule import Rule

Pixels = NDArray[np.float32]
BRIGHTEST = 12.0
"""Radiance above which a single sample is clipped (mirror glints): a dozen times a white sheet."""


@dataclass(frozen=True)
class Stage:
    """What stands on the paper, and the light on it."""

    pieces: tuple[Piece, ...]
    lamp: Lamp
    rule: Rule | None = None
    finish: Finish = field(default_factory=Finish)

    def solids(self) -> tuple[Piece, ...]:
        """Everything that casts a shadow."""
        if self.rule is None:
            return self.pieces
        body = self.rule.body()
        steel = np.full((len(body.vertices), 3), 0.55)
        return (*self.pieces, Piece("rule", body, steel, "metal"))


def _mitsuba() -> Any:
    import mitsuba as mi

    if mi.variant() != "llvm_ad_rgb":
        mi.set_variant("llvm_ad_rgb")
    return mi


def surfaces(finish: Finish) -> dict[str, dict[str, Any]]:
    """The surface of each name used in kinds.Look; colours come from the mesh's vertices."""
    colour = {"type": "mesh_attribute", "name": "vertex_color"}
    return {
        "matt": {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}},
        "gloss": {
            "type": "twosided",
            "bsdf": {"type": "principled", "base_color": colour, "roughness": finish.gloss},
        },
        "metal": {
            "type": "twosided",
            "bsdf": {
                "type": "roughconductor",
                "material": "Al",
                "alpha": finish.metal,
                "specular_reflectance": colour,
            },
        },
        "clear": {"type": "roughdielectric", "int_ior": 1.5, "ext_ior": 1.0, "alpha": finish.clear},
        "amber": {
            "type": "roughdielectric",
            "int_ior": 1.5,
            "ext_ior": 1.0,
            "alpha": finish.amber,
            "specular_transmittance": colour,
        },
    }


def _mesh(mi: Any, pieces: Sequence[Piece], surface: dict[str, Any]) -> Any:
    offsets = np.cumsum([0] + [len(piece.mesh.vertices) for piece in pieces])
    corners = np.vstack([piece.mesh.vertices for piece in pieces]).astype(np.float32)
    faces = np.vstack([piece.mesh.faces + start for piece, start in zip(pieces, offsets, strict=False)])
    colours = np.vstack([piece.colours for piece in pieces]).astype(np.float32)
    properties = mi.Properties()
    properties["bsdf"] = mi.load_dict(surface)
    properties["face_normals"] = True
    mesh = mi.Mesh("debris", len(corners), len(faces), has_vertex_normals=False, props=properties)
    mesh.add_attribute("vertex_color", 3, colours.ravel())
    values = mi.traverse(mesh)
    values["vertex_positions"] = corners.ravel()
    values["faces"] = faces.astype(np.uint32).ravel()
    values.update()
    return mesh


def _scene(mi: Any, stage: Stage, paper: float) -> Any:
    upper = stage.lamp.sky()
    # mitsuba's envmap has its pole along y and its azimuth running the other way from a quarter turn on;
    # turned so that the pole is the paper's upward normal and azimuth 0 is card x
    sky = np.roll(np.vstack([upper, np.zeros_like(upper)])[:, ::-1], upper.shape[1] // 4, axis=1)
    turn = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
    parts: dict[str, Any] = {
        "type": "scene",
        "sky": {"type": "envmap", "bitmap": mi.Bitmap(np.ascontiguousarray(sky)), "to_world": turn},
        "paper": {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f().scale([2000, 2000, 1]),
            "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": [paper] * 3}},
        },
    }
    for name, surface in surfaces(stage.finish).items():
        chosen = [piece for piece in stage.solids() if piece.surface == name]
        if chosen:
            parts[name] = _mesh(mi, chosen, surface)
    if stage.rule is not None:
        parts |= stage.rule.parts(mi)
    return mi.load_dict(parts)


def affected(stage: Stage, camera: Camera) -> NDArray[np.bool_]:
    """Pixels (rows, columns) where a piece or a noticeable part of its shadow can be seen."""
    mask = np.zeros((camera.height_px, camera.width_px), np.uint8)
    lamp = stage.lamp
    reach = 1 / np.tan(np.radians(max(lamp.elevation_deg - lamp.high_deg / 2, 15.0)))
    away = -np.array([np.cos(np.radians(lamp.azimuth_deg)), np.sin(np.radians(lamp.azimuth_deg))])
    for piece in stage.solids():
        corners = piece.mesh.vertices
        height = corners[:, 2:]
        shade = corners.copy()
        shade[:, :2] += away * reach * height
        shade[:, 2] = 0
        around = [corners * [1, 1, 0] + [dx, dy, 0] for dx, dy in height.max() * 0.9 * _COMPASS]
        seen = camera.to_px(np.vstack([corners, shade, *around]))
        for part in _chunks(seen, piece):
            hull = cv2.convexHull(part.astype(np.float32))
            cv2.fillConvexPoly(mask, np.round(hull).astype(np.int32), 1)
    return cv2.dilate(mask, np.ones((7, 7), np.uint8)) > 0


_COMPASS = np.array([[1, 0], [0.7, 0.7], [0, 1], [-0.7, 0.7], [-1, 0], [-0.7, -0.7], [0, -1], [0.7, -0.7]])


def _chunks(seen: NDArray[np.float64], piece: Piece) -> list[NDArray[np.float64]]:
    """A long fibre is masked in short lengths, anything else as one hull."""
    if piece.kind != "fibre":
        return [seen]
    copies = seen.reshape(10, -1, 2)
    step = 50
    return [
        copies[:, start : start + 2 * step].reshape(-1, 2) for start in range(0, copies.shape[1] - 1, step)
    ]


def trace(
    stage: Stage, camera: Camera, albedo: Pixels, samples: int, seed: int
) -> tuple[NDArray[np.bool_], Pixels, Pixels]:
    """Radiance of the stage relative to its bare paper.

    `albedo` (rows, columns, 3) is the card's own reflectance in each pixel, used as the radiance of bare
    paper. Returns the mask of traced pixels, and for those (n, 3) radiance of debris x coverage and (n, 3)
    the factor on the bare card (0 where covered, below 1 in shadow).
    """
    mi = _mitsuba()
    mask = affected(stage, camera)
    rows, columns = np.nonzero(mask)
    paper = float(np.clip(np.median(albedo[mask]), 0.03, 0.9)) if len(rows) else 0.8
    full, bare = _scene(mi, stage, paper), _scene(mi, Stage((), stage.lamp), paper)
    debris = np.zeros((len(rows), 3), np.float32)
    factor = np.ones((len(rows), 3), np.float32)
    batch = max(1, 3_000_000 // samples)
    for number, start in enumerate(range(0, len(rows), batch)):
        part = slice(start, start + batch)
        pixels = np.column_stack([columns[part], rows[part]]).astype(np.float64)
        debris[part], factor[part] = _batch(
            mi, (full, bare), camera, pixels, samples, seed + 7919 * number, paper
        )
    return mask, debris, factor


def _batch(
    mi: Any, scenes: tuple[Any, Any], camera: Camera, pixels: Any, samples: int, seed: int, paper: float
) -> tuple[Pixels, Pixels]:
    rng = np.random.default_rng(seed)
    side = round(samples**0.5)
    cells = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(1, -1, 2)
    jitter = (cells + rng.uniform(size=(len(pixels), side * side, 2))) / side - 0.5
    rays = camera.directions((pixels[:, None, :] + jitter).reshape(-1, 2)).astype(np.float32)
    origin = mi.Point3f(*(float(v) for v in camera.centre))
    ray = mi.RayDifferential3f(origin, mi.Vector3f(rays[:, 0], rays[:, 1], rays[:, 2]))
    hit = scenes[0].ray_intersect_preliminary(ray)
    on_paper = np.isclose(np.array(hit.t) * rays[:, 2] + camera.centre[2], 0, atol=2e-5 * camera.distance_mm)
    light = [_radiance(mi, scene, ray, len(rays), seed) for scene in scenes]
    factor = np.where(on_paper[:, None], 1 + (light[0] - light[1]) / paper, 0)
    debris = np.where(on_paper[:, None], 0, light[0])
    shape = (len(pixels), side * side, 3)
    return debris.reshape(shape).mean(axis=1), factor.reshape(shape).mean(axis=1)


def _radiance(mi: Any, scene: Any, ray: Any, count: int, seed: int) -> Pixels:
    integrator = mi.load_dict({"type": "path", "max_depth": 7, "rr_depth": 100})
    sampler = mi.load_dict({"type": "independent"})
    sampler.seed(seed % 2**31, count)
    colour, _, _ = integrator.sample(scene, sampler, ray)
    return np.minimum(np.array(colour).T.astype(np.float32), BRIGHTEST)
