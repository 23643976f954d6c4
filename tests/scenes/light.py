"""The light on the paper: a lamp from one side plus light from all around, and what one piece does to it.

All light is relative to flat unshaded paper lit by both, which is 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.camera import CameraMap
from tests.scenes.debris import Piece
from tests.scenes.noise import Field
from tests.scenes.shapes import Fibre

# Light from all around that a plate at height z keeps from the paper is its silhouette convolved with
# z^2 / (pi (d^2 + z^2)^2); Gauss-Laguerre quadrature turns that kernel into Gaussians: (weight, sigma / z).
CONTACT_KERNEL = ((0.6032, 1.245), (0.3574, 0.535), (0.0394, 0.332))
PLATE_HEIGHT = 0.45  # of a piece's thickness: about where its outline stands


@dataclass(frozen=True)
class Light:
    """The lamp shines from `from_deg` (0: from +x, 90: from +y, down in the picture) at `elevation_deg`.

    `direct` is the lamp's share of the paper's light, `lamp_radius` its half-angle in radians (soft shadow
    edges), `contact` scales the darkening by nearness, `uneven` is the relative rise of light towards the
    lamp per 100 mm, `vignetting` the loss in the corners, `glare` a bright reflection (x_mm, y_mm,
    radius_mm, strength) in true mm or None.
    """

    from_deg: float = 225.0
    elevation_deg: float = 50.0
    direct: float = 0.5
    lamp_radius: float = 0.12
    contact: float = 1.0
    uneven: float = 0.15
    vignetting: float = 0.15
    colour: tuple[float, float, float] = (1.0, 1.0, 1.0)
    glare: tuple[float, float, float, float] | None = None

    def towards(self) -> NDArray[np.float64]:
        """Return the unit vector to the lamp (x, y, up)."""
        turn, rise = np.radians([self.from_deg, self.elevation_deg])
        return np.array([np.cos(rise) * np.cos(turn), np.cos(rise) * np.sin(turn), np.sin(rise)])


@dataclass(frozen=True)
class Patch:
    """One piece on the fine grid: its place, what it sends out, lets through, and takes from the paper."""

    first: tuple[int, int]  # fine column, row of [0, 0]
    cover: Field  # (h, w) 0..1
    colour: Field  # (h, w, 3)
    through: Field  # (h, w) part of the paper's light that comes through the piece
    shade: Field  # (h, w) what is left of the paper's light


def draw_piece(piece: Piece, light: Light, view: CameraMap) -> Patch:
    """Draw one piece with its shading and shadows on the camera's fine grid."""
    fine = view.camera.supersample
    lift = view.eye_height_mm / (view.eye_height_mm - PLATE_HEIGHT * piece.height_mm)
    first, shape = _extent(piece, light, view)
    x_mm, y_mm = view.grid_mm(((first[0] + 0.5) / fine - 0.5, (first[1] + 0.5) / fine - 0.5), shape, fine)
    x = (x_mm - view.eye_mm[0]) / lift + view.eye_mm[0] - piece.centre_mm[0]
    y = (y_mm - view.eye_mm[1]) / lift + view.eye_mm[1] - piece.centre_mm[1]
    depth, radius = piece.shape.depth(x, y)
    centre_px = view.to_px(np.array([piece.centre_mm]))
    to_fine = np.linalg.inv(view.jacobian(centre_px)[0]) * fine
    pitch = 1 / np.sqrt(abs(np.linalg.det(to_fine)))
    cover = np.clip(0.5 + depth / pitch, 0, 1).astype(np.float32)
    slope_x, slope_y = _slopes(piece, x, y, depth, radius, to_fine)
    return Patch(
        first=first,
        cover=cover,
        colour=_surface(piece, light, slope_x, slope_y),
        through=(piece.look.clear * (1 - 0.6 * np.clip(radius, 0, 1) ** 4)).astype(np.float32),
        shade=_shade(piece, light, cover, to_fine, pitch),
    )


def illumination(light: Light, view: CameraMap, x_mm: Field, y_mm: Field) -> Field:
    """Return the paper's light at photo pixels (h, w), without vignetting."""
    towards = light.towards()[:2] / np.hypot(*light.towards()[:2])
    along = ((x_mm - view.aim[0]) * towards[0] + (y_mm - view.aim[1]) * towards[1]) / 100
    return np.asarray(np.exp(light.uneven * along - 0.3 * light.uneven * along**2), dtype=np.float32)


def _extent(piece: Piece, light: Light, view: CameraMap) -> tuple[tuple[int, int], tuple[int, int]]:
    towards = light.towards()
    reach = piece.height_mm * max(
        1.7, np.hypot(*towards[:2]) / towards[2] + 3 * light.lamp_radius / towards[2] ** 2
    )
    low_x, low_y, high_x, high_y = piece.polygon.buffer(reach + 0.01).bounds
    box = view.to_px(np.array([[low_x, low_y], [high_x, low_y], [low_x, high_y], [high_x, high_y]]))
    fine = view.camera.supersample
    low = np.floor((box.min(axis=0) + 0.5) * fine).astype(int) - 3
    high = np.ceil((box.max(axis=0) + 0.5) * fine).astype(int) + 3
    return (int(low[0]), int(low[1])), (int(high[1] - low[1]), int(high[0] - low[0]))


def _slopes(
    piece: Piece,
    x: Field,
    y: Field,
    depth: NDArray[np.float64],
    radius: NDArray[np.float64],
    to_fine: NDArray[np.float64],
) -> tuple[Field, Field]:
    """Return the surface's fall along x and y (so that the normal is (fall_x, fall_y, 1))."""
    if piece.look.form in ("facets", "flake"):
        size = np.sqrt(piece.shape.polygon.area)
        offsets = 1 + 0.25 * np.sin(np.arange(len(piece.facets)) * 2.4 + piece.seed % 7)
        planes = [c - (f[0] * x + f[1] * y) / size for c, f in zip(offsets, piece.facets, strict=True)]
        face = np.argmin(planes, axis=0)
        return piece.facets[face, 0].astype(np.float32), piece.facets[face, 1].astype(np.float32)
    down, across = np.gradient(-depth)
    fall_x = across * to_fine[0, 0] + down * to_fine[1, 0]
    fall_y = across * to_fine[0, 1] + down * to_fine[1, 1]
    norm = np.hypot(fall_x, fall_y) + 1e-9
    rim = np.clip(radius, 0, 0.97)
    half_width = (
        piece.shape.width / 2 if isinstance(piece.shape, Fibre) else np.sqrt(piece.shape.polygon.area / np.pi)
    )
    steep = piece.height_mm / 2 / half_width * rim / np.sqrt(1 - rim**2)
    return (steep * fall_x / norm).astype(np.float32), (steep * fall_y / norm).astype(np.float32)


def _surface(piece: Piece, light: Light, fall_x: Field, fall_y: Field) -> Field:
    towards = light.towards()
    up = 1 / np.sqrt(1 + fall_x**2 + fall_y**2)
    facing = np.clip((fall_x * towards[0] + fall_y * towards[1] + towards[2]) * up, 0, 1) / towards[2]
    ambient = (1 + up) / 2 + 0.25 * (1 - up)
    lit = light.direct * facing + (1 - light.direct) * ambient
    rng = np.random.default_rng(piece.seed)
    grain = cv2.GaussianBlur(rng.standard_normal(fall_x.shape).astype(np.float32), (0, 0), 2.0) * 6
    body = lit * np.clip(1 + piece.look.mottle * grain, 0.3, 2.0) * (1 - piece.look.clear)
    mirror = piece.look.shine * _reflected(light, fall_x * up, fall_y * up, up)
    return np.asarray(body[..., None] * np.array(piece.rgb, np.float32) + mirror[..., None], dtype=np.float32)


def _reflected(light: Light, normal_x: Field, normal_y: Field, normal_z: Field) -> Field:
    """Return what a mirror with this normal shows the camera above: the room, the phone, or the lamp."""
    towards = light.towards()
    up = 2 * normal_z**2 - 1
    to_lamp = 2 * normal_z * (normal_x * towards[0] + normal_y * towards[1]) + up * towards[2]
    phone = 0.75 * np.exp(-((1 - up) / 0.08))
    room = (1 - light.direct) * (0.3 + 0.7 * np.clip(up, 0, 1)) * (1 - phone)
    spread = light.lamp_radius**2 + 0.15**2
    lamp = light.direct / (towards[2] * spread) * np.exp(-2 * (1 - to_lamp) / spread)
    return np.asarray(room + lamp, dtype=np.float32)


def _shade(piece: Piece, light: Light, cover: Field, to_fine: NDArray[np.float64], pitch: float) -> Field:
    opaque = 1 - piece.look.clear
    cast = _cast_shadow(piece, light, cover, to_fine, pitch)
    plate = PLATE_HEIGHT * piece.height_mm / pitch
    near = np.zeros_like(cover)
    for weight, sigma in CONTACT_KERNEL if plate > 0.3 else ():
        near += weight * _blurred(cover, sigma * plate)
    lamp = light.direct * (1 - opaque * cast)
    room = (1 - light.direct) * (1 - opaque * light.contact * near)
    return np.asarray(lamp + room, dtype=np.float32)


def _cast_shadow(
    piece: Piece, light: Light, cover: Field, to_fine: NDArray[np.float64], pitch: float
) -> Field:
    """Return 0..1: the union of the piece's cross-sections, each thrown by its height away from the lamp."""
    towards = light.towards()
    middle = np.array(cover.shape[::-1]) / 2
    if cover.sum() > 0:
        rows, cols = np.nonzero(cover)
        middle = np.array([cols.mean(), rows.mean()])
    shadow = np.zeros_like(cover)
    for level, scale in _cross_sections(piece):
        height = level * piece.height_mm
        shift = to_fine @ (-towards[:2] / towards[2] * height)
        move = np.array([[scale, 0, 0], [0, scale, 0]], dtype=float)
        move[:, 2] = middle - scale * middle + shift
        thrown = np.asarray(cv2.warpAffine(cover, move, cover.shape[::-1]), np.float32)
        softness = height * light.lamp_radius / towards[2] ** 2 / pitch / 2
        shadow = np.maximum(shadow, _blurred(thrown, softness))
    open_part = 1 - cover  # of a grid point on the outline; what is covered is hidden, not shaded
    return np.where(open_part > 0.01, np.clip((shadow - cover) / np.maximum(open_part, 0.01), 0, 1), shadow)


def _cross_sections(piece: Piece) -> tuple[tuple[float, float], ...]:
    """Return (height, scale) of cross-sections, heights as parts of the thickness."""
    if isinstance(piece.shape, Fibre):
        return ((0.25, 1.0), (0.5, 1.0), (0.7, 1.0))
    if piece.look.form == "blob":
        return tuple((t, float(np.sqrt(1 - (2 * t - 1) ** 2))) for t in (0.1, 0.3, 0.5, 0.7, 0.85, 0.95))
    return tuple((t, 1 - 0.5 * t**2) for t in (0.1, 0.3, 0.5, 0.7, 0.85, 1.0))


def _blurred(mask: Field, sigma: float) -> Field:
    return mask if sigma < 0.3 else np.asarray(cv2.GaussianBlur(mask, (0, 0), sigma))
