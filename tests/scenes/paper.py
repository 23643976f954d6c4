"""What lies under the debris: plain paper with its fibre texture, or a printed card on such paper."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.noise import Field, texture

FINE_UM, CLOUDY_UM = 40.0, 350.0  # correlation lengths of single fibres and of the sheet's cloudiness


@dataclass(frozen=True)
class Paper:
    """Matt paper: linear reflectance, its tint, and the relative deviation of its fine and coarse texture."""

    reflectance: float = 0.85
    tint: tuple[float, float, float] = (1.0, 0.995, 0.98)
    fine: float = 0.012
    cloudy: float = 0.008


def paper_texture(paper: Paper, um_per_px: float, seed: int) -> Field:
    """Return the reflectance of a seamless square of paper, 2048 px wide."""
    rng = np.random.default_rng([seed, 77])
    fine = texture(2048, FINE_UM / um_per_px, rng)
    cloudy = texture(2048, min(CLOUDY_UM / um_per_px, 200.0), rng)
    return np.asarray(paper.reflectance * (1 + paper.fine * fine + paper.cloudy * cloudy), dtype=np.float32)


@dataclass(frozen=True)
class PrintMap:
    """Where the card's drawing came to lie: `scale` is true mm per drawn mm along x and y.

    `wave_mm` and `wave_period_mm` describe the paper feed's slow waviness along y.
    """

    scale: tuple[float, float]
    wave_mm: float
    wave_period_mm: float

    def to_true(self, print_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn points (N, 2) of the card's drawing into true mm."""
        wave = self.wave_mm * np.sin(2 * np.pi * print_mm[:, 1] / self.wave_period_mm)
        return np.column_stack([print_mm[:, 0] * self.scale[0], print_mm[:, 1] * self.scale[1] + wave])

    def to_print(self, true_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn true mm (N, 2) into the card's drawing; exact to 1e-9 mm."""
        y = true_mm[:, 1] / self.scale[1]
        for _ in range(6):
            y = (true_mm[:, 1] - self.wave_mm * np.sin(2 * np.pi * y / self.wave_period_mm)) / self.scale[1]
        return np.column_stack([true_mm[:, 0] / self.scale[0], y])

    def stretch(self, true_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return true over drawn length (N,) at true mm (N, 2): the root of the area's stretch."""
        y = self.to_print(true_mm)[:, 1]
        turn = 2 * np.pi / self.wave_period_mm
        return np.asarray(np.sqrt(self.scale[0] * (self.scale[1] + self.wave_mm * turn * np.cos(turn * y))))


@dataclass(frozen=True)
class Printed:
    """A printed frame: ink coverage (uint16 for 0..1), pitch, the ink's reflectance, where it lies."""

    ink: NDArray[np.uint16]
    um_per_px: float
    ink_reflectance: float
    place: PrintMap

    def middle_mm(self) -> tuple[float, float]:
        """Return the frame's middle in true mm."""
        height, width = self.ink.shape
        x, y = self.place.to_true(np.array([[width, height]]) * self.um_per_px / 2000)[0]
        return (float(x), float(y))

    def read(self, x_mm: Field, y_mm: Field, paper: Field) -> Field:
        """Lay the print over `paper` (h, w), the sheet's reflectance at true mm (h, w)."""
        place = self.place
        print_y = y_mm / np.float32(place.scale[1])
        wave = np.sin(print_y * np.float32(2 * np.pi / place.wave_period_mm))
        print_y -= wave * np.float32(place.wave_mm / place.scale[1])
        to_px = 1000 / self.um_per_px
        cols = x_mm * np.float32(to_px / place.scale[0]) - np.float32(0.5)
        rows = print_y * np.float32(to_px) - np.float32(0.5)
        ink = cv2.remap(self.ink, cols, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
        cover = ink.astype(np.float32) * np.float32(1 / 65535)
        return np.asarray(paper + (self.ink_reflectance - paper) * cover, dtype=np.float32)
