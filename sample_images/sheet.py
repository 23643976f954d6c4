"""The sheet under the debris: plain paper or a printed card, as reflectance seen by each pixel."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from tests.scenes.paper import Printed

Floats = NDArray[np.float32]
PAPER = 0.8
TONER = 0.036
TINT = (1.0, 1.0, 1.015)


@dataclass(frozen=True)
class Sheet:
    """Plain paper, plain solid toner (`dark`), or a printed card lying with its origin at (0, 0)."""

    printed: Printed | None = None
    dark: bool = False


def card_positions(camera: Camera) -> Floats:
    """Card x, y in mm at each pixel's centre, (rows, columns, 2)."""
    strips = []
    for top in range(0, camera.height_px, 250):
        rows = np.arange(top, min(top + 250, camera.height_px))
        x, y = np.meshgrid(np.arange(camera.width_px), rows)
        spots = camera.on_paper(np.column_stack([x.ravel(), y.ravel()]).astype(np.float64))
        strips.append(spots.reshape(len(rows), -1, 2).astype(np.float32))
    return np.vstack(strips)


def albedo(sheet: Sheet, positions: Floats, rng: np.random.Generator) -> Floats:
    """Reflectance (rows, columns, 3) of the sheet, averaged over each pixel."""
    grain = paper_grain(positions, rng)
    if sheet.printed is not None:
        grey = _averaged(sheet.printed, positions, grain * PAPER)
    else:
        grey = grain * (TONER if sheet.dark else PAPER)
    return np.asarray(grey[..., None] * np.array(TINT, np.float32))


def _averaged(printed: Printed, positions: Floats, paper: Floats) -> Floats:
    across, down = np.gradient(positions, axis=1), np.gradient(positions, axis=0)
    total = np.zeros(positions.shape[:2], np.float32)
    thirds = (-1 / 3, 0.0, 1 / 3)
    for u in thirds:
        for v in thirds:
            spot = positions + np.float32(u) * across + np.float32(v) * down
            total += printed.read(spot[..., 0], spot[..., 1], paper)
    return np.asarray(total / 9, np.float32)


def paper_grain(positions: Floats, rng: np.random.Generator) -> Floats:
    """Mottle of uncoated paper under slanting light, mean 1, repeated every 51 mm.

    Deviation 0.8 % correlated over 0.1 mm and 0.5 % over 1 mm: chosen by eye.
    """
    tile = np.ones((1024, 1024), np.float32)
    for sigma_px, strength in ((2.0, 0.008), (20.0, 0.005)):
        noise = cv2.GaussianBlur(rng.standard_normal((1024, 1024), np.float32), (0, 0), sigma_px)
        tile += noise * (strength / noise.std())
    spot = np.mod(positions * np.float32(20), np.float32(1023))
    return np.asarray(cv2.remap(tile, spot[..., 0], spot[..., 1], cv2.INTER_LINEAR), np.float32)
