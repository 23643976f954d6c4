"""A printed frame photographed: print faults, camera, blur and noise, with the true map kept.

The printed page is a raster of a quarter of a printer dot. Its faults: dots spread by a growth, edges are
ragged (a slowly varying threshold) and soft, the paper feed stretches the page unevenly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np

from calibration.card import Frame
from calibration.draw import frame_raster
from calibration.scale import PlaneMap

DPI = 1200
UM_PER_SAMPLE = 25400 / DPI


@dataclass(frozen=True)
class Shot:
    """Where the camera stands and how well it sees."""

    size: tuple[int, int] = (2000, 1500)
    um_per_px: float = 85.0
    turn_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 30.0
    lens: tuple[float, float] = (0.0, 0.0)
    focal: float = 1.2
    aim_mm: tuple[float, float] | None = None  # None: the middle of the frame
    blur_px: float = 1.0
    noise: float = 2.0
    quality: int = 92
    growth_um: float = 12.0
    ragged_um: float = 8.0
    seed: int = 1

    def smaller(self, factor: float) -> Shot:
        width, height = (round(side / factor) for side in self.size)
        return replace(self, size=(width, height), um_per_px=self.um_per_px * factor)


def true_plane(frame: Frame, shot: Shot) -> PlaneMap:
    """Pinhole camera (focal length in half diagonals) tilted about an axis in the card, lens in front."""
    width, height = shot.size
    radius = math.hypot(width, height) / 2
    aim = shot.aim_mm or (frame.width_mm / 2, frame.height_mm / 2)
    distance = shot.focal * radius * shot.um_per_px / 1000
    turn, tilt, towards = np.radians([shot.turn_deg, shot.tilt_deg, shot.tilt_towards_deg])
    rotate = _about_z(towards) @ _about_x(tilt) @ _about_z(-towards) @ _about_z(turn)
    card_to_camera = np.column_stack([rotate[:, 0], rotate[:, 1], (0, 0, distance)])
    card_to_camera = card_to_camera @ np.array([[1, 0, -aim[0]], [0, 1, -aim[1]], [0, 0, 1]])
    card_to_picture = np.diag([shot.focal, shot.focal, 1]) @ card_to_camera
    middle = ((width - 1) / 2, (height - 1) / 2)
    return PlaneMap(middle, radius, shot.lens, np.linalg.inv(card_to_picture))


def printed(frame: Frame, shot: Shot) -> np.ndarray:
    """The frame as the printer leaves it, float32 reflectance 0..1, DPI samples an inch."""
    rng = np.random.default_rng(shot.seed)
    ink = 1 - frame_raster(frame, DPI).astype(np.float32) / 255
    spread_um = 30.0
    soft = cv2.GaussianBlur(ink, (0, 0), spread_um / UM_PER_SAMPLE)
    wander = cv2.GaussianBlur(rng.normal(size=ink.shape).astype(np.float32), (0, 0), 30 / UM_PER_SAMPLE)
    wander *= shot.ragged_um / wander.std()
    # An edge blurred by a Gaussian of s has slope 1 / (s sqrt(2 pi)): lowering the threshold moves it outward.
    slope = 1 / (spread_um * math.sqrt(2 * math.pi))
    level = np.clip(0.5 - (shot.growth_um + wander) * slope, 0.15, 0.85)
    edge = np.clip((soft - level) / slope / 40 + 0.5, 0, 1)
    return 0.85 - 0.8 * edge


def photographed(frame: Frame, shot: Shot, page: np.ndarray | None = None) -> tuple[np.ndarray, PlaneMap]:
    """The photo, uint8 (H, W) sRGB-coded grey, and the true map."""
    plane = true_plane(frame, shot)
    page = printed(frame, shot) if page is None else page
    margin = round(15000 / UM_PER_SAMPLE)
    page = cv2.copyMakeBorder(page, *[margin] * 4, cv2.BORDER_CONSTANT, value=0.85)
    light = cv2.remap(
        page,
        *_page_samples(plane, shot.size, margin),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0.25,
    )
    light = cv2.resize(light, shot.size, interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), shot.blur_px)
    coded = 255 * np.where(
        light > 0.0031308, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055, 12.92 * light
    )
    coded += np.random.default_rng(shot.seed + 7).normal(0, shot.noise, coded.shape)
    grey = np.clip(np.rint(coded), 0, 255).astype(np.uint8)
    if shot.quality < 100:
        grey = cv2.imdecode(cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, shot.quality])[1], 0)
    return grey, plane


def _page_samples(plane: PlaneMap, size: tuple[int, int], margin: int) -> tuple[np.ndarray, np.ndarray]:
    """Page coordinates under every quarter of a pixel."""
    width, height = size
    x, y = np.meshgrid((np.arange(2 * width) - 0.5) / 2, (np.arange(2 * height) - 0.5) / 2)
    mm = plane.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    at = (mm * 1000 / UM_PER_SAMPLE - 0.5 + margin).astype(np.float32).reshape(2 * height, 2 * width, 2)
    return at[..., 0], at[..., 1]


def _about_x(angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def _about_z(angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])


def window_error(found: PlaneMap, true: PlaneMap, frame: Frame) -> np.ndarray:
    """Relative error of um_per_px on a grid over the debris window."""
    x, y, w, h = frame.debris_rect_mm
    grid = np.stack(np.meshgrid(np.linspace(x, x + w, 9), np.linspace(y, y + h, 7)), -1).reshape(-1, 2)
    px = true.to_px(grid)
    return found.um_per_px(px) / true.um_per_px(px) - 1
