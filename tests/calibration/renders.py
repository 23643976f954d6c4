"""Small pictures whose blur, noise and light are known exactly."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

FINE = 4  # sub-pixels a side
PIXEL_SD = 12**-0.5  # a pixel's own width

Grey = NDArray[np.float32]


def encode(linear: Grey) -> Grey:
    """Linear light to sRGB 0..1, IEC 61966-2-1."""
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def grains(size: int, count: int, diameters: tuple[float, float], seed: int, paper: float = 0.7) -> Grey:
    """Irregular grains with soft shadows on even paper, linear light, `FINE` times as many pixels."""
    rng = np.random.default_rng(seed)
    scene = np.full((size * FINE, size * FINE), paper, np.float32)
    for _ in range(count):
        diameter = diameters[0] * (diameters[1] / diameters[0]) ** rng.random()
        centre = rng.uniform(diameter + 10, size - diameter - 10, 2)
        turns = np.sort(rng.random(11)) * 2 * np.pi
        radii = diameter / 2 * rng.uniform(0.8, 1.2, 11)
        outline = centre + np.column_stack([radii * np.cos(turns), radii * np.sin(turns)])
        shadow = np.zeros((size, size), np.float32)
        cv2.fillPoly(shadow, [np.rint(outline + 0.2 * diameter).astype(np.int32)], 1.0)
        shadow = cv2.GaussianBlur(shadow, (0, 0), max(2.0, 0.2 * diameter))
        scene *= 1 - 0.35 * cv2.resize(shadow, None, fx=FINE, fy=FINE)
        cv2.fillPoly(scene, [np.rint(outline * FINE).astype(np.int32)], paper * float(rng.uniform(0.05, 0.5)))
    return scene


def slanted_edge(size: int, degrees: float, dark: float = 0.05, light: float = 0.7) -> Grey:
    """A straight edge through the middle, `degrees` from upright, light on the right, linear light."""
    y, x = np.mgrid[0 : size * FINE, 0 : size * FINE].astype(np.float32)
    turn = np.radians(degrees)
    middle = (size * FINE - 1) / 2
    return np.where((x - middle) * np.cos(turn) + (y - middle) * np.sin(turn) > 0, light, dark).astype(
        np.float32
    )


def take(
    scene: Grey,
    blur_px: float,
    noise_codes: float = 1.0,
    *,
    quality: int | None = None,
    sharpen: tuple[float, float] = (0.0, 1.0),
    seed: int = 0,
) -> NDArray[np.uint8]:
    """Photograph a fine scene: lens blur, pixels, sRGB, noise in codes, sharpening (amount, px), JPEG."""
    blurred = cv2.GaussianBlur(scene, (0, 0), blur_px * FINE) if blur_px else scene
    height, width = (n // FINE for n in scene.shape)
    coded = encode(cv2.resize(blurred, (width, height), interpolation=cv2.INTER_AREA)).astype(np.float32)
    coded += np.random.default_rng(seed).normal(0, noise_codes / 255, coded.shape).astype(np.float32)
    amount, radius = sharpen
    coded += amount * (coded - cv2.GaussianBlur(coded, (0, 0), radius))
    codes = (np.clip(coded, 0, 1) * 255 + 0.5).astype(np.uint8)
    rgb = np.repeat(codes[..., None], 3, axis=2)
    if quality is not None:
        rgb = np.asarray(cv2.imdecode(cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], 1))
    return rgb


def whole(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Outline (4, 2) of a whole picture."""
    height, width = rgb.shape[:2]
    return np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]) - 0.5
