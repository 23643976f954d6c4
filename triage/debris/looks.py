"""Looks: colour, texture, shine and shading inside every piece, measured for all of them at once.

Pixels deep inside count most, since the blur of the outline mixes what lies near it with paper.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.edges import Outlined
from triage.debris.halves import Half

Array = NDArray[np.float64]
Looks = NDArray[np.void]

# One row a piece. Levels are departures from the paper as a part of its light, positive darker on pale paper
# and brighter on a dark ground; `_sd` within the piece, `_slope` across it.
LOOK = np.dtype(
    [
        ("step", "f8", 3),  # red, green, blue, of the pixels deep inside
        ("step_u", "f8"),  # its standard uncertainty by the pixel noise
        ("light_sd", "f8"),
        ("tint_sd", "f8"),  # of red less blue
        ("least", "f8"),
        ("most", "f8"),
        ("rim", "f8"),  # how much the level grows for each blur sigma of depth
        ("grain", "f8"),  # mean difference from the four places 1.5 blur sigmas away
        ("shade", "f8", 2),  # change of the level from end to end along x and y
        ("shadow", "f8", 2),  # what the level just outside leans to, along x and y
    ]
)


@dataclass(frozen=True)
class Inside:
    """The pixels of all pieces: which piece (0-based), where, how deep; departures by channel (n, 3)."""

    piece: NDArray[np.integer]
    x: NDArray[np.intp]
    y: NDArray[np.intp]
    depth: NDArray[np.floating]
    step: NDArray[np.float32]


def measure_looks(inside: Inside, drawn: Outlined, light: Half, sigma_px: float) -> Looks:
    """Measure every piece; `light` (H, W) is the smoothed departure, `sigma_px` its blur in all."""
    count, piece = drawn.count, inside.piece
    looks = np.zeros(count, LOOK)
    weight = np.minimum(inside.depth, 2 * sigma_px) ** 2
    total = np.bincount(piece, weight, count) + 1e-12

    def mean(values: NDArray[np.floating]) -> Array:
        return np.asarray(np.bincount(piece, weight * values, count) / total)

    def centred(values: NDArray[np.floating]) -> Array:
        return np.asarray(values - mean(values)[piece])

    level = light[inside.y, inside.x].astype(np.float32)
    off = centred(level)
    looks["step"] = np.stack([mean(channel) for channel in inside.step.T], axis=1)
    looks["step_u"] = np.sqrt(np.bincount(piece, weight**2, count)) / total
    looks["light_sd"] = np.sqrt(mean(off**2))
    looks["tint_sd"] = np.sqrt(mean(centred(inside.step[:, 0] - inside.step[:, 2]) ** 2))
    looks["least"], looks["most"] = _extremes(piece, level, inside.depth > 0.75 * sigma_px, count)
    deep = centred(np.minimum(inside.depth, 4 * sigma_px) / sigma_px)
    looks["rim"] = mean(off * deep) / (mean(deep**2) + 0.05)
    looks["grain"] = mean(np.abs(level - _around(light, inside, max(1, round(1.5 * sigma_px)))))
    for axis, place in enumerate((inside.x, inside.y)):
        along = centred(place.astype(float))
        spread = mean(along**2)
        looks["shade"][:, axis] = mean(off * along) / np.sqrt(spread + 0.5)
    looks["shadow"] = _leaning(drawn)
    return looks


def _extremes(
    piece: NDArray[np.integer], level: NDArray[np.float32], deep: NDArray[np.bool_], count: int
) -> tuple[Array, Array]:
    """Least and most level of each piece away from its outline, or anywhere where it has no such place."""
    chosen = deep | (np.bincount(piece[deep], minlength=count) == 0)[piece]
    least, most = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(least, piece[chosen], level[chosen])
    np.maximum.at(most, piece[chosen], level[chosen])
    return least, most


def _around(light: Half, inside: Inside, reach: int) -> NDArray[np.float32]:
    """Mean of the four places `reach` pixels away along rows and columns."""
    last_row, last_column = light.shape[0] - 1, light.shape[1] - 1
    total = np.zeros(inside.x.size, np.float32)
    for step in (-reach, reach):
        total += light[inside.y, np.clip(inside.x + step, 0, last_column)]
        total += light[np.clip(inside.y + step, 0, last_row), inside.x]
    return np.asarray(total / 4, np.float32)


def _leaning(drawn: Outlined) -> Array:
    """Mean over the outline of the level just outside times the way outwards, (count, 2)."""
    segments, piece = drawn.segments, drawn.segments.label - 1
    way = segments.end - segments.start
    length = np.bincount(piece, np.hypot(*way.T), drawn.count) + 1e-9
    # The outline runs so that its shoelace area is positive: outwards is a quarter turn to the side of y.
    normal = (way[:, 1], -way[:, 0])
    return np.stack(
        [np.bincount(piece, drawn.outside * part, drawn.count) / length for part in normal], axis=1
    )
