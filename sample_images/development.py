"""Small rendered pictures with truth, to develop the measuring on: one seed, one picture.

python -m sample_images.development FOLDER FIRST_SEED
"""

import sys
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.debris import Recipe
from sample_images.develop import Phone, save_jpeg
from sample_images.light import Lamp
from sample_images.scene import Scene, render_scene, write_truth
from sample_images.sheet import Sheet

Rng = np.random.Generator
MIXES: tuple[dict[str, float], ...] = (
    {"grit": 5, "rust": 3, "rubber": 1, "plant": 1, "soot": 0.5},
    {"rust": 8, "grit": 2, "rubber": 0.5},
    {"grit": 5, "plant": 4, "filter_paper": 0.7},
    {"rust": 2, "grit": 3, "bright_metal": 1, "swarf": 0.7, "rubber": 1, "green_corrosion": 0.5},
)
PALE_MIX = {"sand": 6, "clear_plastic": 1.0, "white_corrosion": 2, "filter_paper": 0.7}


@dataclass(frozen=True)
class Development:
    """What to choose about a picture; all else (lamp, phone, tilt, sizes) is drawn from the seed."""

    um_per_px: float = 33.0
    dark: bool = False
    count: int = 150
    width_px: int = 1000
    height_px: int = 750
    samples: int = 49


def render_development_scene(
    seed: int, wanted: Development | None = None
) -> tuple[NDArray[np.uint8], dict[str, Any], Phone]:
    """Picture (rows, columns, 3), truth, and the phone it was taken with."""
    wanted = wanted or Development()
    rng = np.random.default_rng([seed, 5])
    width, height = wanted.width_px * wanted.um_per_px / 1000, wanted.height_px * wanted.um_per_px / 1000
    camera = Camera(
        wanted.width_px,
        wanted.height_px,
        wanted.um_per_px,
        (width / 2, height / 2),
        tilt_deg=float(rng.uniform(0, 6)),
        azimuth_deg=float(rng.uniform(0, 360)),
        roll_deg=float(rng.uniform(-8, 8)),
        pupil_mm=1.0 if wanted.um_per_px < 20 else 2.2,
    )
    margin = 0.09
    window = (margin * width, margin * height, (1 - 2 * margin) * width, (1 - 2 * margin) * height)
    scene = Scene(
        seed, camera, window, recipe(rng, wanted), lamp=lamp(rng), phone=phone(rng), samples=wanted.samples
    )
    picture, truth = render_scene(scene, Sheet(dark=wanted.dark))
    return picture, truth, scene.phone


def recipe(rng: Rng, wanted: Development) -> Recipe:
    """Sizes about the limit of the picture and above: from 1 to some 40 px."""
    pixel = wanted.um_per_px
    fibres = int(rng.integers(3, 12))
    return Recipe(
        PALE_MIX if wanted.dark else MIXES[rng.integers(len(MIXES))],
        count=wanted.count - fibres,
        fibres=fibres,
        pale_fibres=wanted.dark,
        median_um=float(rng.uniform(3.5, 5.5)) * pixel,
        spread=float(rng.uniform(1.6, 2.1)),
        smallest_um=1.0 * pixel,
        biggest_um=40 * pixel,
        fibre_length_um=45 * pixel,
        fibre_widths_um=(0.6 * pixel, 2.6 * pixel),
    )


def lamp(rng: Rng) -> Lamp:
    """Anything from a dull sky to a bench lamp."""
    return Lamp(
        azimuth_deg=float(rng.uniform(0, 360)),
        elevation_deg=float(rng.uniform(38, 62)),
        wide_deg=float(rng.uniform(16, 45)),
        high_deg=float(rng.uniform(14, 34)),
        share=float(rng.uniform(0.3, 0.65)),
        warmth=float(rng.uniform(-0.06, 0.1)),
        fall_per_m=float(rng.uniform(0.5, 2.5)),
        fall_azimuth_deg=float(rng.uniform(0, 360)),
    )


def phone(rng: Rng) -> Phone:
    """Phones that smooth, sharpen and bend their tones more or less."""
    return Phone(
        lens_sigma_px=float(rng.uniform(0.7, 1.3)),
        full_well_e=float(rng.uniform(2500, 8000)),
        smoothing=float(rng.uniform(0.15, 0.55)),
        sharpening=float(rng.uniform(0.25, 0.9)),
        sharpening_sigma_px=float(rng.uniform(1.0, 1.6)),
        s_curve=float(rng.uniform(0.0, 0.18)),
        paper_level=float(rng.uniform(0.62, 0.82)),
        warmth=float(rng.uniform(-0.02, 0.03)),
        quality=int(rng.integers(88, 96)),
    )


PLAN = (
    Development(33.0),
    Development(35.5),
    Development(33.0, dark=True),
    Development(32.0, count=220),
    Development(24.0),
    Development(12.0),
    Development(11.0, dark=True),
    Development(36.0, count=90),
)


def write_set(folder: Path, first_seed: int) -> None:
    """The eight kinds of picture of PLAN, with seeds counted from `first_seed`."""
    folder.mkdir(parents=True, exist_ok=True)
    for seed, wanted in enumerate(PLAN, first_seed):
        picture, truth, with_phone = render_development_scene(seed, wanted)
        place = folder / f"{folder.name}_{seed}.jpg"
        save_jpeg(place, picture, with_phone, datetime(2026, 5, 11, 9, seed % 60), "development scene")
        write_truth(place, truth)
        print(place)


if __name__ == "__main__":
    write_set(Path(sys.argv[1]), int(sys.argv[2]))
