"""Lookalikes: water drops and the edges of dried films, which are found like debris and are none.

Both show the ground inside a rim. A drop is round and mirrors the lamp in one bright spot; a film of gum or
varnish leaves a thin tan line that closes on itself. A fibre may lie in a loop, but then it is not tan, or
has ends; whatever is not sure stays debris.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.halves import Half, restored, values_at
from triage.debris.particles import FLAG_BIT
from triage.debris.pieces import Pieces
from triage.debris.split import filled

Labels = NDArray[np.int32]
Mask = NDArray[np.uint8]
Flags = NDArray[np.uint32]
Circle = tuple[float, float, float]

LEAST_SIGMAS = 12.0  # across: in smaller ones blur fills the middle
ROUND = 0.8  # of the circle round the hull
CLEAR = 0.35  # of the rim's level, most, in the middle
RIM = 0.75  # of the radius: further out is rim
MIDDLE = 0.6  # further in is middle
LEAST_ARC = 0.3  # of the whole turn
SPOT = 0.1  # brighter than the ground by this part of it, at least, and by half of the rim's level
SPOT_SHARE = (0.002, 0.12)  # of the drop's area
TAN = 0.25  # blue missing more than red, as a part of the light missing
GAP_SIGMAS = 12.0  # a faint edge breaks into stretches this far apart
THIN = 8.0  # length to width
ENCLOSED = 3.0  # area inside over that of the edge itself
ENDS = 1.35  # length of the line over that of the loop, at most


def flag_lookalikes(labels: Labels, pieces: Pieces, light: Half, strength: Half, sigma_px: float) -> Flags:
    """Flag every piece (N,) that is a water drop, a reflection in one, or part of a film's edge.

    `light` and `strength` (H, W) as in `find.Found`, `labels` (H, W) numbered from 1.
    """
    flags = np.zeros(pieces.count, np.uint32)
    large = pieces.box[:, 2:].min(axis=1) > LEAST_SIGMAS * sigma_px if pieces.count else np.zeros(0, bool)
    for index in np.flatnonzero(large).tolist():
        circle = _drop(index, labels, pieces, light)
        if circle is not None:
            within = np.hypot(pieces.x - circle[0], pieces.y - circle[1]) < circle[2]
            flags[within & (pieces.light < 0)] |= np.uint32(FLAG_BIT["water_drop"])
            flags[index] |= np.uint32(FLAG_BIT["water_drop"])
    edges = _film_edges(labels, pieces, strength, sigma_px) & (flags == 0)
    flags[edges] |= np.uint32(FLAG_BIT["film_edge"])
    return flags


def _drop(index: int, labels: Labels, pieces: Pieces, light: Half) -> Circle | None:
    """Middle (x, y) and radius of the drop whose rim, or part of it, the piece is; None where it is none."""
    left, top, wide, tall = pieces.box[index]
    row, column = np.nonzero(labels[top : top + tall, left : left + wide] == index + 1)
    points = np.column_stack([column + left, row + top]).astype(np.float32)
    hull = cv2.convexHull(points)
    (x, y), radius = cv2.minEnclosingCircle(hull)
    if cv2.contourArea(hull) < ROUND * np.pi * radius**2:
        arc = _arc(points)
        if arc is None:
            return None
        x, y, radius = arc
    low = np.maximum(np.floor([y - radius, x - radius]).astype(int), 0)
    near = restored(light[low[0] : int(y + radius) + 2, low[1] : int(x + radius) + 2])
    rows, columns = np.ogrid[low[0] : low[0] + near.shape[0], low[1] : low[1] + near.shape[1]]
    place = np.hypot(columns - x, rows - y) / radius
    rim = float(np.percentile(near[(place > RIM) & (place < 1)], 80))
    middle = float(np.median(near[place < MIDDLE]))
    spot = float((near[place < 1] < -max(SPOT, rim / 2)).mean())
    if rim <= 0 or abs(middle) > CLEAR * rim or not SPOT_SHARE[0] < spot < SPOT_SHARE[1]:
        return None
    return float(x), float(y), float(radius)


def _arc(points: NDArray[np.float32]) -> Circle | None:
    """Circle through the middle of an arc of pixels (N, 2), by least squares; None where they form none."""
    middle = points.mean(axis=0)
    x, y = (points - middle).astype(float).T
    solved = np.linalg.lstsq(np.column_stack([x, y, np.ones_like(x)]), x**2 + y**2, rcond=None)[0]
    radius = float(np.sqrt(max(solved[2] + (solved[0] ** 2 + solved[1] ** 2) / 4, 1e-6)))
    dx, dy = x - solved[0] / 2, y - solved[1] / 2
    low, high = np.percentile(np.hypot(dx, dy) / radius, [5, 95])
    turns = np.unique(np.floor(np.arctan2(dy, dx) / (2 * np.pi) * 36))
    if low < RIM or high > 2 - RIM or turns.size < LEAST_ARC * 36:
        return None
    return float(middle[0] + solved[0] / 2), float(middle[1] + solved[1] / 2), radius


def _film_edges(labels: Labels, pieces: Pieces, strength: Half, sigma_px: float) -> NDArray[np.bool_]:
    """Tell which pieces are stretches of a thin tan line round ground that is left bare."""
    result = np.zeros(pieces.count, bool)
    missing = np.abs(pieces.step).mean(axis=1)
    tan = (pieces.step[:, 2] - pieces.step[:, 0] > TAN * missing) & (pieces.step.min(axis=1) > 0)
    wide = pieces.box[:, 2:].max(axis=1) > LEAST_SIGMAS * sigma_px if pieces.count else result
    chosen = np.concatenate([[False], tan & wide])
    if not chosen.any():
        return result
    level = np.concatenate([[np.inf], pieces.inside / 2])
    place = np.flatnonzero(labels)
    piece = labels.ravel()[place]
    line = np.zeros(labels.shape, np.uint8)
    line.ravel()[place] = chosen[piece] & (values_at(strength, place) > level[piece])
    reach = 2 * round(GAP_SIGMAS * sigma_px / 2) + 1
    grown = cv2.morphologyEx(line, cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    # So few lines need no wider numbers.
    _, groups, stats, _ = cv2.connectedComponentsWithStats(grown, ltype=cv2.CV_16U)
    for group in range(1, len(stats)):
        left, top, width, height = stats[group, :4]
        cut = (slice(top, top + height), slice(left, left + width))
        own = (groups[cut] == group).astype(np.uint8)
        members = np.unique(labels[cut][(own & line[cut]) > 0])
        if members.size and _is_loop(own, line[cut] & own):
            result[members - 1] = True
    return result


def _is_loop(own: Mask, line: Mask) -> bool:
    """Whether a thin line closes round much more than itself, and has no loose ends to speak of."""
    hole = filled(own) - own
    count, parts, stats, _ = cv2.connectedComponentsWithStats(hole)
    if count < 2:
        return False
    biggest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax())
    outlines, _ = cv2.findContours(
        (parts == biggest).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    loop = cv2.arcLength(outlines[0], True)
    area = float(np.count_nonzero(line))
    sides, _ = cv2.findContours(line, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    length = sum(cv2.arcLength(each, True) for each in sides) / 2
    thin = length > THIN * area / max(length, 1e-6)
    return bool(thin and stats[biggest, cv2.CC_STAT_AREA] > ENCLOSED * area and length < ENDS * loop)
