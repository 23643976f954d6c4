"""Features: what kinds are told by, one row of numbers a piece, comparable between photos.

Colour in CIELAB balanced on the paper, and as ratios of the channels, which shading leaves alone; texture,
shine and shading inside; what the outline and the paper beside it are like; shape; how large the piece is
beside the blur and how well the noise lets its colour be known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.looks import Looks

Array = NDArray[np.float64]

TO_XYZ = np.array(  # linear sRGB to CIE XYZ, IEC 61966-2-1
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


@dataclass(frozen=True)
class Appearance:
    """What is measured of each piece's look, (N,) each; `colour` (N, 3) is linear with white paper at 1.

    `looks` are as triage/debris/looks.py measures them. `outside`, `sharpness`: see Pieces. `aspect` is least
    over greatest Feret diameter, `solidity` area over hull area, `roundness` 4 pi area over perimeter
    squared, `slimness` length over width, `across` diameter in blur sigmas, `noise` standard uncertainty of
    the colour. `dark` is True on a dark ground.
    """

    colour: Array
    looks: Looks
    outside: Array
    sharpness: Array
    aspect: Array
    solidity: Array
    roundness: Array
    slimness: Array
    across: Array
    noise: Array
    dark: bool


FEATURES = (
    "lightness",
    "lab_a",
    "lab_b",
    "warmth",
    "greenness",
    "light_sd",
    "tint_sd",
    "darkest",
    "brightest",
    "rim",
    "grain",
    "shade_along",
    "shade",
    "shadow_along",
    "outside",
    "sharpness",
    "aspect",
    "solidity",
    "roundness",
    "slimness",
    "across",
    "noise",
    "ground",
)
FLOOR = 0.02  # of white: colours darker than this are not told apart


def features_of(seen: Appearance) -> NDArray[np.float32]:
    """One row a piece, one column for each of FEATURES (N, F)."""
    looks = seen.looks
    sign = -1.0 if seen.dark else 1.0
    red, green, blue = np.log(np.clip(seen.colour, 0, 2) + FLOOR).T
    shade, shadow = looks["shade"], looks["shadow"]
    away = _away_from_light(shade, shadow)
    darkest, brightest = (
        (looks["least"], looks["most"]) if seen.dark else (1 - looks["most"], 1 - looks["least"])
    )
    columns = [
        *lab_of(seen.colour).T,
        red - blue,
        green - (red + blue) / 2,
        np.log(looks["light_sd"] + 0.01),
        np.log(looks["tint_sd"] + 0.01),
        np.sqrt(np.clip(darkest, 0, 2)),
        np.sqrt(np.clip(brightest, 0, 3)),
        sign * looks["rim"],
        np.log(looks["grain"] + 0.01),
        sign * (shade @ away),
        np.log(np.hypot(*shade.T) + 0.01),
        shadow @ away,
        seen.outside,
        np.clip(seen.sharpness, 0, 2),
        seen.aspect,
        seen.solidity,
        np.clip(seen.roundness, 0, 1.2),
        np.log(np.clip(seen.slimness, 1, 100)),
        np.log(np.clip(seen.across, 0.5, 60)),
        np.log(seen.noise + 1e-3),
        np.full(seen.across.size, -sign),
    ]
    return np.stack(columns, axis=1).astype(np.float32)


def _away_from_light(shade: Array, shadow: Array) -> Array:
    """Unit vector along which most pieces darken and shadows fall."""
    total = (shadow + shade / (np.hypot(*shade.T)[:, None] + 0.1) * 0.05).sum(axis=0)
    return np.asarray(total / (np.hypot(*total) + 1e-9))


def lab_of(rgb_linear: Array) -> Array:
    """CIELAB (N, 3) of linear-light sRGB colours (N, 3) balanced so that white paper is 1, 1, 1 (D65)."""
    xyz = np.clip(rgb_linear, 0, 1) @ (TO_XYZ / TO_XYZ.sum(axis=1, keepdims=True)).T
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = f.T
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=1)
