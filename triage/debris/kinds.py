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
