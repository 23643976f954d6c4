"""Dust: the paper's own level where fine debris lies so thick that its average is no longer paper.

The background is estimated at a fraction of the resolution, where dust and the paper between it are one
grey. At full resolution the brightest tenth of the pixels (dark ground: the darkest) still shows the paper.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Departure

TILES = 8  # along either side of the window
SAMPLES = 256  # along either side
BETWEEN, TAIL = 0.1, 0.02  # of the pixels: as few still lie free between dust that covers a fifth
NORMAL_BETWEEN, NORMAL_TAIL = 1.2816, 2.0537  # standard deviations below the mean that those quantiles lie
LEAST_LIFT = 0.05  # of the paper's light: less is texture of the paper or a bright rim
MOST_LIFT = 0.25  # more is no dust: something large and dark, or the edge of the lamp's light


def lifted(departure: Departure, window: NDArray[np.uint8]) -> Departure:
    """Return the departure from the paper between the dust; the same object where there is none."""
    between = _between_dust(departure, window)
    if not between.any():
        return departure
    size = departure.paper.shape[1::-1]
    lift = cv2.resize(between, size, interpolation=cv2.INTER_LINEAR)
    paper = departure.paper - lift[..., None] * departure.span
    span = paper if departure.span is departure.paper else departure.span
    return replace(departure, paper=paper, span=span)


def _between_dust(departure: Departure, window: NDArray[np.uint8]) -> NDArray[np.float32]:
    """How far the least departing pixels of each tile depart, (TILES, TILES); 0 where that is paper."""
    height, width = window.shape
    row, column = (np.linspace(0, size - 1, min(SAMPLES, size)).astype(np.intp) for size in (height, width))
    place = np.stack(np.meshgrid(row, column, indexing="ij"), axis=-1).reshape(-1, 2)
    place = place[window[place[:, 0], place[:, 1]] > 0]
    light = departure.at(place[:, 0], place[:, 1]).mean(axis=1)
    tile = place[:, 0] * TILES // height * TILES + place[:, 1] * TILES // width
    found = np.zeros(TILES * TILES, np.float32)
    for index in np.unique(tile):
        tail, between = np.quantile(light[tile == index], (TAIL, BETWEEN))
        # Noise alone reaches as far: the two quantiles tell how strong it is, and where its middle lies.
        middle = between + NORMAL_BETWEEN * (between - tail) / (NORMAL_TAIL - NORMAL_BETWEEN)
        # Paper lies at `middle` where it is nearly all there is, at `between` where it is little.
        found[index] = (middle + between) / 2 if -MOST_LIFT < middle < -LEAST_LIFT else 0
    return found.reshape(TILES, TILES)
