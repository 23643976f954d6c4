"""A printed frame photographed: print faults, camera, blur and noise, with the true map kept.

Print faults: ink spreads by a growth, edges are ragged (a wandering threshold) and soft.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.card import Frame
from calibration.draw import frame_raster
from calibration.scale import PlaneMap

PAPER, TONER, DESK = 0.85, 0.05, 0.25  # reflectance
PIXEL_SD = 0.29  # of a square of one pixel
SPREAD_UM = 30.0  # how soft a printed edge is


@dataclass(frozen=True)
class Page:
    """A printed frame, reflectance (H, W) float32, so many samples to the mm."""

    light: np.ndarray
    per_mm: float


@dataclass(frozen=True)
class Shot:
    """Where the camera stands and how well it sees."""

    size: tuple[int, int] = (1000, 750)
    um_per_px: float = 60.0
    turn_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 30.0
    lens: tuple[float, float] = (0.0, 0.0)
    focal: float = 1.2  # half diagonals
    aim_mm: tuple[float, float] | None = None  # None: the middle of the frame
    blur_px: float = 1.0
    noise: float = 2.0
    quality: int = 92
    seed: int = 1


def printed(
    frame: Frame, *, growth_um: float = 12.0, ragged_um: float = 8.0, dpi: int = 1200, seed: int = 1
) -> Page:
    """The frame as the printer leaves it."""
    um = 25400 / dpi
    ink = 1 - frame_raster(frame, dpi).astype(np.float32) / 255
    soft = cv2.GaussianBlur(ink, (0, 0), SPREAD_UM / um)
    wander = np.random.default_rng(seed).standard_normal(ink.shape, dtype=np.float32)
    wander = cv2.GaussianBlur(wander, (0, 0), 30 / um)
    wander *= ragged_um / wander.std()
    # An edge blurred by a Gaussian of s has slope 1 / (s sqrt(2 pi)): a lower threshold lies further out.
    slope = 1 / (SPREAD_UM * math.sqrt(2 * math.pi))
    level = np.clip(0.5 - (growth_um + wander) * slope, 0.15, 0.85)
    edge = np.clip((soft - level) / slope / 40 + 0.5, 0, 1)
    return Page(PAPER - (PAPER - TONER) * edge, 1000 / um)


def covered(page: Page, frame: Frame, corners: tuple[int, ...]) -> Page:
    """Debris heaped on some of the corner markers."""
    light = page.light.copy()
    for corner in corners:
        marker = frame.markers[corner]
        x, y = (round(c * page.per_mm) for c in marker.centre_mm)
        cv2.circle(light, (x + 5, y - 5), round(0.6 * marker.side_mm * page.per_mm), 0.12, -1)
    return Page(light, page.per_mm)


def true_plane(frame: Frame, shot: Shot) -> PlaneMap:
    """Pinhole camera tilted about an axis in the card, lens in front."""
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


@dataclass(frozen=True)
class Folded:
    """A sheet with a crease along x = `at_mm`: one plane left of it, another right of it."""

    left: PlaneMap
    right: PlaneMap
    at_mm: float

    def to_mm(self, xy_px: np.ndarray) -> np.ndarray:
        """(N, 2) pixels to millimetres along the paper."""
        left = self.left.to_mm(xy_px)
        return np.where(left[:, :1] < self.at_mm, left, self.right.to_mm(xy_px))

    def scale_error(self, found: PlaneMap, frame: Frame) -> np.ndarray:
        """Relative error of um_per_px over the debris window."""
        mm = window_grid_mm(frame)
        sides = ((self.left, mm[mm[:, 0] < self.at_mm]), (self.right, mm[mm[:, 0] > self.at_mm]))
        px = [(plane, plane.to_px(places)) for plane, places in sides]
        return np.concatenate([found.um_per_px(at) / plane.um_per_px(at) - 1 for plane, at in px])


def folded(frame: Frame, shot: Shot, at_mm: float, up_deg: float) -> Folded:
    """The frame as in `true_plane`, its right part turned up towards the camera about the line x = at_mm."""
    left = true_plane(frame, shot)
    to_picture = np.diag([shot.focal, shot.focal, 1])
    card = np.linalg.inv(to_picture) @ np.linalg.inv(left.to_card)  # columns: along x, along y, the origin
    up, turn = np.cross(card[:, 1], card[:, 0]), math.radians(up_deg)  # the camera looks along +z
    along = math.cos(turn) * card[:, 0] + math.sin(turn) * up
    turned = np.column_stack([along, card[:, 1], card[:, 2] + at_mm * (card[:, 0] - along)])
    right = PlaneMap(left.centre_px, left.radius_px, left.lens, np.linalg.inv(to_picture @ turned))
    return Folded(left, right, at_mm)


def photographed(page: Page, plane: PlaneMap | Folded, shot: Shot) -> np.ndarray:
    """The photo, uint8 (H, W) sRGB-coded grey: paper 15 mm wider than the frame, desk beyond."""
    margin = round(15 * page.per_mm)
    sheet = cv2.copyMakeBorder(page.light, *[margin] * 4, cv2.BORDER_CONSTANT, value=PAPER)
    # The lens's blur and the pixel's own width, laid on the page: the picture's middle has them exactly.
    blur_um = math.hypot(shot.blur_px, PIXEL_SD) * shot.um_per_px
    sheet = cv2.GaussianBlur(sheet, (0, 0), blur_um * page.per_mm / 1000)
    width, height = shot.size
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    mm = plane.to_mm(np.column_stack([x.ravel(), y.ravel()]))
    at = (mm * page.per_mm - 0.5 + margin).astype(np.float32).reshape(height, width, 2)
    light = cv2.remap(
        sheet, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=DESK
    )
    return developed(light, shot)


def developed(light: np.ndarray, shot: Shot) -> np.ndarray:
    """Linear light to sRGB codes, with noise, through JPEG."""
    bright = 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055
    coded = 255 * np.where(light > 0.0031308, bright, 12.92 * light)
    coded += np.random.default_rng(shot.seed).normal(0, shot.noise, coded.shape)
    grey = np.clip(np.rint(coded), 0, 255).astype(np.uint8)
    jpeg = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, shot.quality])[1]
    return cv2.imdecode(jpeg, cv2.IMREAD_GRAYSCALE)


def scale_error(found: PlaneMap, true: PlaneMap, frame: Frame) -> np.ndarray:
    """Relative error of um_per_px on a grid over the debris window."""
    px = true.to_px(window_grid_mm(frame))
    return found.um_per_px(px) / true.um_per_px(px) - 1


def window_grid_mm(frame: Frame) -> np.ndarray:
    x, y, width, height = frame.debris_rect_mm
    grid = np.meshgrid(np.linspace(x, x + width, 9), np.linspace(y, y + height, 7))
    return np.stack(grid, axis=-1).reshape(-1, 2)


def _about_x(angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[1, 0, 0], [0, c, -s], [0, s, c]])


def _about_z(angle: float) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
