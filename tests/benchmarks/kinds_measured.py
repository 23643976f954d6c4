"""Rendered scenes, measured by the tool and paired with their truth, for learning and trying kinds.

Every scene that is learnt from is also seen as other phones and other batches of the same materials would
show it: colours shifted, then blurred, made smaller, noisy, bent in tone, sharpened and coded anew.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import ByStated, Calibration, HowScaled, calibrate
from calibration.card import make_frame
from sample_images.sheet import PAPER, TONER
from tests.benchmarks.kinds_scenes import CAMPAIGNS, TRUTH, Truth, rendered
from tests.scenes.match import pair
from triage.debris.measure import measure_debris
from triage.debris.particles import ParticleTable

Picture = NDArray[np.uint8]
VARIANTS = 3
BORDER_PX = 12
WEIGHTS = np.array([0.299, 0.587, 0.114], np.float32)


@dataclass(frozen=True)
class Paired:
    """The pieces of one photo that were found: what the tool measured (N,) and their true kinds."""

    name: str
    dark: bool
    table: ParticleTable
    kinds: tuple[str, ...]


def measured(folder: Path, name: str, number: int, variant: int = 0) -> Paired:
    """Scene `number` of a campaign, rendered if need be; `variant` 0 is the picture as it was rendered."""
    with np.load(rendered(folder, name, number)) as stored:
        picture, truth = stored["picture"], stored["truth"].copy()
        um_per_px, dark = float(stored["um_per_px"]), bool(stored["dark"])
    smaller = 1.0
    if variant:
        seed = CAMPAIGNS[name].first_seed + number
        picture, smaller = vary(picture, np.random.default_rng([seed, variant]))
        truth["x_px"], truth["y_px"] = ((truth[axis] + 0.5) / smaller - 0.5 for axis in ("x_px", "y_px"))
        truth["ecd_px"] /= smaller
    height, width = picture.shape[:2]
    window = (BORDER_PX, BORDER_PX, width - 2 * BORDER_PX, height - 2 * BORDER_PX)
    return _paired(f"{name}_{number}.{variant}", picture, um_per_px * smaller, window, truth, dark=dark)


def measured_photo(path: Path) -> Paired:
    """A rendered photo without a card, with its truth beside it as sample_images writes it."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    rows = [(row["x_px"], row["y_px"], row["ecd_px"], row["kind"]) for row in truth["particles"]]
    picture = np.ascontiguousarray(cv2.imread(str(path))[..., ::-1])
    size = np.array(picture.shape[1::-1])
    corners = np.array(truth["photo"]["window_px"])
    low, high = np.maximum(corners.min(axis=0), 0), np.minimum(corners.max(axis=0), size - 1)
    window = (float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1]))
    dark = bool(np.median(picture) < 100)
    return _paired(path.stem, picture, truth["photo"]["um_per_px"], window, np.array(rows, TRUTH), dark=dark)


def _paired(
    name: str,
    picture: Picture,
    um_per_px: float,
    window: tuple[float, float, float, float],
    truth: Truth,
    *,
    dark: bool,
) -> Paired:
    picture = np.ascontiguousarray(picture)
    calibration = calibrate(picture, HowScaled(ByStated(um_per_px), window=window))
    if dark:
        calibration = _as_on_card(calibration)
    table = measure_debris(picture, calibration).table
    pairs = pair(truth, table)
    return Paired(name, dark, table[pairs.found], tuple(truth["kind"][pairs.true].tolist()))


def _as_on_card(calibration: Calibration) -> Calibration:
    """What the dark card would tell of white paper; the scenes show bare toner."""
    white = calibration.light.background_rgb * (PAPER / TONER)
    return replace(
        calibration,
        frame=make_frame("wide", dark=True),
        dark=True,
        light=replace(calibration.light, paper_rgb=white),
    )


def vary(picture: Picture, rng: np.random.Generator) -> tuple[Picture, float]:
    """The scene as another batch of materials and another phone would show it, and how much smaller it is."""
    code = picture.astype(np.float32) / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
    light = _recoloured(light, rng)
    height, width = light.shape[:2]
    shrink = rng.uniform(0.65, 1.0)
    size = (round(width * shrink), round(height * shrink))
    blur = rng.uniform(0.2, 0.8)
    light = cv2.resize(cv2.GaussianBlur(light, (0, 0), blur), size, interpolation=cv2.INTER_AREA)
    grain = cv2.GaussianBlur(rng.standard_normal(light.shape, np.float32), (0, 0), 0.6)
    light = np.clip(light + grain * np.sqrt(np.maximum(light, 0) + 0.002) * rng.uniform(0, 0.02), 0, 1)
    code = np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 1e-6) ** (1 / 2.4) - 0.055)
    code -= rng.uniform(-0.06, 0.06) / (2 * np.pi) * np.sin(2 * np.pi * code)
    grey = np.asarray(code @ WEIGHTS, np.float32)
    detail = grey - cv2.GaussianBlur(grey, (0, 0), rng.uniform(0.8, 1.6))
    code += rng.uniform(0, 0.6) * detail[..., None]
    shown = np.clip(np.round(code * 255), 0, 255).astype(np.uint8)
    quality = [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(85, 96))]
    coded = cv2.imencode(".jpg", shown[..., ::-1], quality)[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1], np.uint8), width / size[0]


def _recoloured(light: NDArray[np.float32], rng: np.random.Generator) -> NDArray[np.float32]:
    """Every reflectance below white's raised to a power near one; the ground stays as it was."""
    ground = np.median(light[::8, ::8].reshape(-1, 3), axis=0)
    white = ground * (PAPER / TONER) if ground.mean() < 0.1 else ground
    power = np.exp(rng.normal(0, 0.10) + rng.normal(0, 0.035, 3)).astype(np.float32)
    part = np.maximum(light / white, 1e-4)
    shifted = np.where(part < 1, part**power, part) * (ground / white) ** (1 - power)
    return np.asarray(shifted * white, np.float32)
