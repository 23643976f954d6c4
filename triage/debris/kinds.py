"""Kinds: what a piece looks like, by colour balanced on the paper, shape and shine.

The centres and spreads below were set on rendered scenes and plain judgement, not on shop pieces:
"looks like" is all they say. A piece near no centre, or between two, is `unsure`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SURE = 0.6  # below this share of the evidence a piece stays unsure
STRANGE = 12.0  # squared distance from the nearest centre beyond which nothing fits
FIBRE_RATIO = 10.0  # length over width from which a piece is a fibre


TO_XYZ = np.array(  # linear sRGB to CIE XYZ, IEC 61966-2-1
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)


@dataclass(frozen=True)
class Look:
    """A kind's usual appearance: CIELAB centre and spread, share of pixels brighter than paper."""

    kind: str
    lab: tuple[float, float, float]
    spread: tuple[float, float, float]
    shiny: float = 0.0


LOOKS = (
    Look("rust", (34, 11, 10), (17, 6, 8)),
    Look("grit", (66, 0.8, 4.5), (15, 1.8, 4.5)),
    Look("rubber", (24, 0.8, -0.5), (12, 1.4, 1.8)),
    Look("plant", (47, -2.5, 9), (13, 3, 6)),
    Look("bright_metal", (72, 0, 0), (18, 0.8, 1.2), 0.15),
    Look("green_corrosion", (58, -12, 1), (12, 6, 5)),
    Look("white_corrosion", (94, 0, 0.8), (6, 0.8, 1.4)),
    Look("filter_paper", (79, 0.2, 14), (8, 1.3, 4.5)),
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
    looks: NDArray[np.void]
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
)
FLOOR = 0.02  # of white: colours darker than this are not told apart


def features_of(seen: Appearance) -> NDArray[np.float32]:
    """One row a piece, one column for each of FEATURES; levels darker than the paper are positive."""
    looks = seen.looks
    sign = -1.0 if seen.dark else 1.0
    red, green, blue = np.log(np.clip(seen.colour, 0, 2) + FLOOR).T
    shade, shadow = looks["shade"], looks["shadow"]
    away = _away_from_light(shade, shadow)
    levels = np.sort(
        np.stack([looks["least"], looks["most"]])
        if seen.dark
        else 1 - np.stack([looks["least"], looks["most"]]),
        axis=0,
    )
    columns = [
        *lab_of(seen.colour).T,
        red - blue,
        green - (red + blue) / 2,
        np.log(looks["light_sd"] + 0.01),
        np.log(looks["tint_sd"] + 0.01),
        np.sqrt(np.clip(levels[0], 0, 2)),
        np.sqrt(np.clip(levels[1], 0, 3)),
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


def looks_like(
    lab: Array, glint: Array, ratio: Array, thin: NDArray[np.bool_]
) -> tuple[NDArray[np.str_], Array]:
    """Name each piece's kind and the share of the evidence for it, (N,) each.

    lab (N, 3); glint (N,), share of pixels brighter than paper; ratio (N,), length over width;
    thin (N,), True where the width is that of a fibre or hair.
    """
    distance = np.stack([_distance(look, lab, glint) for look in LOOKS], axis=1)
    # A narrow look that fits says more than a wide one that fits as well.
    cost = distance + 2 * np.log([np.prod(look.spread) for look in LOOKS])
    evidence = np.exp(-0.5 * (cost - cost.min(axis=1, keepdims=True)))
    share = evidence.max(axis=1) / evidence.sum(axis=1)
    best = cost.argmin(axis=1)
    names = np.array([look.kind for look in LOOKS], dtype="U16")[best]
    names[(share < SURE) | (distance[np.arange(len(best)), best] > STRANGE)] = "unsure"
    long = ratio >= FIBRE_RATIO
    names[long & thin] = "fibre"
    share[long & thin] = np.clip(0.5 + 0.05 * (ratio[long & thin] - FIBRE_RATIO), 0.5, 0.95)
    metal = long & ~thin & (names == "bright_metal")
    names[metal] = "swarf"
    return names, share


def _distance(look: Look, lab: Array, glint: Array) -> Array:
    colour = ((lab - look.lab) / look.spread) ** 2
    shine = ((glint - look.shiny) / 0.08) ** 2 if look.shiny else (glint / 0.1) ** 2
    return np.asarray(colour.sum(axis=1) + np.minimum(shine, 9))
