"""A card frame as an office printer prints it: dots, spread toner, ragged soft edges, specks, wrong scale."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import FrameName, make_frame
from calibration.draw import frame_raster
from tests.scenes.noise import Field, crop_wrapped, texture
from tests.scenes.paper import Printed, PrintMap

DPI = 600
DOT_UM = 25400 / DPI
RASTER_PX = 27e6  # of the finished print: 21 um a pixel for the wide frame, 2.6 for micro
EDGE_UM = 22.0  # deviation of the blur that turns the dots into a distance from their edge
FAR_UM = 1000.0
SCREEN_DOTS = 5.66  # halftone: 106 lines an inch at 45 degrees
STRIP = 512


@dataclass(frozen=True)
class Print:
    """One printed frame.

    `growth_um`: toner spread past each drawn edge; `ragged_um`: deviation of the edge's place, correlated
    over `ragged_length_um`; `soft_um`: deviation of the edge's Gaussian softness. `ink`: reflectance of solid
    black, `mottle` its relative deviation. `specks_per_cm2`: stray toner, 20 um wide in the median. `scale`:
    true over drawn length in x and y. `wave_um`: amplitude of uneven paper feed along y, with the roller's
    period.
    """

    frame: FrameName = "wide"
    number: int = 0
    dark: bool = False
    growth_um: float = 12.0
    ragged_um: float = 12.0
    ragged_length_um: float = 40.0
    soft_um: float = 20.0
    ink: float = 0.045
    mottle: float = 0.15
    specks_per_cm2: float = 2.0
    scale: tuple[float, float] = (1.004, 0.997)
    wave_um: float = 8.0
    wave_period_mm: float = 38.0
    seed: int = 0


@lru_cache(maxsize=3)
def print_frame(spec: Print) -> Printed:
    """Print the frame; a few seconds, kept for the next photo of the same print."""
    dots = printer_dots(frame_raster(make_frame(spec.frame, number=spec.number, dark=spec.dark), DPI))
    zoom = max(1, int(np.sqrt(RASTER_PX / dots.size)))
    rng = np.random.default_rng([spec.seed, 5])
    ink = spread_toner(dots, zoom, spec, rng)
    _add_specks(ink, DOT_UM / zoom, spec, rng)
    return Printed(ink, DOT_UM / zoom, spec.ink, print_map(spec))


def print_map(spec: Print) -> PrintMap:
    """Return where the print's drawing comes to lie."""
    return PrintMap(spec.scale, spec.wave_um / 1000, spec.wave_period_mm)


def printer_dots(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Turn a grey 600 dpi page (0 black) into dots (1: toner): greys by a halftone screen, edges at half."""
    kernel = np.ones((3, 3), np.uint8)
    flat = cv2.dilate(grey, kernel) == cv2.erode(grey, kernel)
    rows, cols = np.indices(grey.shape, dtype=np.float32)
    wave = np.float32(2 * np.pi / SCREEN_DOTS / np.sqrt(2))
    spot = np.cos((rows + cols) * wave) + np.cos((rows - cols) * wave)
    levels = np.quantile(spot[: 40 * 17, : 40 * 17], np.linspace(0, 1, 257))
    ranks = np.interp(np.linspace(-2, 2, 1025), levels, np.linspace(0, 1, 257)).astype(np.float32)
    threshold = np.take(ranks, ((spot + 2) * 256).astype(np.intp))
    coverage = 1 - grey.astype(np.float32) / 255
    return np.where(flat, coverage > threshold, coverage > 0.5).astype(np.uint8)


def spread_toner(
    dots: NDArray[np.uint8], zoom: int, spec: Print, rng: np.random.Generator
) -> NDArray[np.uint16]:
    """Blur the dots, read the blur as distance from the edge, move and soften that edge."""
    from scipy.special import ndtr, ndtri

    pitch = DOT_UM / zoom
    distance_of = (EDGE_UM * ndtri(np.linspace(0, 1, 16385))).astype(np.float32)
    distance_of[[0, -1]] = (-FAR_UM, FAR_UM)  # no toner far from any edge, no hole deep inside
    cover_of = (65535 * ndtr(np.linspace(-4, 4, 4097))).astype(np.uint16)
    ragged = texture(2048, spec.ragged_length_um / pitch, rng)
    mottle = texture(1024, max(60 / pitch, 1.0), rng)
    ink = np.empty((dots.shape[0] * zoom, dots.shape[1] * zoom), np.uint16)
    margin = int(np.ceil(4 * EDGE_UM / DOT_UM)) + 1  # dots
    step = max(1, STRIP // zoom)
    for row in range(0, dots.shape[0], step):
        first, last = max(row - margin, 0), min(row + step + margin, dots.shape[0])
        strip = cv2.resize(dots[first:last], None, fx=zoom, fy=zoom, interpolation=cv2.INTER_NEAREST)
        near = cv2.GaussianBlur(strip.astype(np.float32), (0, 0), EDGE_UM / pitch)
        high = min(row + step, dots.shape[0])
        near = near[(row - first) * zoom : (high - first) * zoom]
        away = np.take(distance_of, (near * 16384 + 0.5).astype(np.uint16))
        away += spec.growth_um + spec.ragged_um * crop_wrapped(ragged, row * zoom, 0, near.shape)
        place = np.clip(away * (512 / spec.soft_um) + 2048.5, 0, 4096).astype(np.uint16)
        density = 1 - spec.mottle * spec.ink * np.abs(crop_wrapped(mottle, row * zoom, 0, near.shape))
        ink[row * zoom : high * zoom] = np.take(cover_of, place) * density.astype(np.float32)
    return ink


def _add_specks(ink: NDArray[np.uint16], pitch_um: float, spec: Print, rng: np.random.Generator) -> None:
    area_cm2 = ink.size * (pitch_um / 1e4) ** 2
    for _ in range(rng.poisson(spec.specks_per_cm2 * area_cm2)):
        radius = 10 * np.exp(rng.normal(0, 0.35)) / pitch_um
        centre = rng.uniform([0, 0], ink.shape)
        reach = int(np.ceil(2 * radius)) + 2
        top, left = np.maximum(centre.astype(int) - reach, 0)
        part = ink[top : top + 2 * reach, left : left + 2 * reach]
        rows, cols = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
        away: Field = np.hypot(rows + 0.5 - centre[0], cols + 0.5 - centre[1]).astype(np.float32)
        dot = np.clip(radius + 0.5 - away, 0, 1) * min(1.0, np.pi * radius**2)
        part[:] = np.maximum(part, (dot * 60000).astype(np.uint16))
