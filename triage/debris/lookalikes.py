"""Lookalikes: water drops and the edges of dried films, which are found like debris and are none.

Both show the ground inside a rim. A drop is round and mirrors the lamp in one bright spot; a film of gum or
varnish leaves a thin tan line that closes on itself. A fibre may lie in a loop, but then it is not tan, or
has ends; whatever is not sure stays debris.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image
from triage.debris.particles import FLAG_BIT
from triage.debris.pieces import Pieces
from triage.debris.split import filled

Labels = NDArray[np.int32]
Mask = NDArray[np.uint8]
Flags = NDArray[np.uint32]

LEAST_SIGMAS = 12.0  # across: in smaller ones blur fills the middle
ROUND = 0.8  # of the circle round the hull
CLEAR = 0.35  # of the rim's level, most, in the middle
MIDDLE = 0.45  # of the hull's depth: further in is middle
SPOT = 0.1  # brighter than the ground by this part of it, at least, and by half of the rim's level
SPOT_SHARE = (0.002, 0.12)  # of the drop's area
TAN = 0.25  # blue missing more than red, as a part of the light missing
GAP_SIGMAS = 12.0  # a faint edge breaks into stretches this far apart
THIN = 8.0  # length to width
ENCLOSED = 3.0  # area inside over that of the edge itself
ENDS = 1.35  # length of the line over that of the loop, at most


def flag_lookalikes(labels: Labels, pieces: Pieces, light: Image, strength: Image, sigma_px: float) -> Flags:
    """Flag every piece (N,) that is a water drop, a reflection in one, or part of a film's edge.

    `light` and `strength` (H, W) as in `find.Found`, `labels` (H, W) numbered from 1.
    """
    flags = np.zeros(pieces.count, np.uint32)
    large = pieces.box[:, 2:].min(axis=1) > LEAST_SIGMAS * sigma_px if pieces.count else np.zeros(0, bool)
    for index in np.flatnonzero(large):
        hull = _drop(index, labels, pieces, light)
        if hull is not None:
            inside = _within(hull, pieces) & (pieces.light < 0)
            flags[inside] |= np.uint32(FLAG_BIT["water_drop"])
            flags[index] |= np.uint32(FLAG_BIT["water_drop"])
    edges = _film_edges(labels, pieces, strength, sigma_px) & (flags == 0)
    flags[edges] |= np.uint32(FLAG_BIT["film_edge"])
    return flags


def _drop(index: int, labels: Labels, pieces: Pieces, light: Image) -> NDArray[np.float32] | None:
    """Outline (M, 2) px of the drop whose rim the piece is; None where it is none."""
    left, top, wide, tall = pieces.box[index]
    cut = (slice(top, top + tall), slice(left, left + wide))
    own = (labels[cut] == index + 1).astype(np.uint8)
    outlines, _ = cv2.findContours(own, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = cv2.convexHull(np.concatenate(outlines))
    _, radius = cv2.minEnclosingCircle(hull)
    if cv2.contourArea(hull) < ROUND * np.pi * radius**2:
        return None
    body = cv2.drawContours(np.zeros_like(own), [hull], -1, 1, cv2.FILLED)
    depth = cv2.distanceTransform(np.pad(body, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    part = depth / max(float(depth.max()), 1e-6)
    within = light[cut]
    rim = float(np.percentile(within[(part > 0) & (part < MIDDLE)], 80))
    middle = float(np.median(within[part > MIDDLE]))
    spot = float((within[body > 0] < -max(SPOT, rim / 2)).mean())
    if rim <= 0 or abs(middle) > CLEAR * rim or not SPOT_SHARE[0] < spot < SPOT_SHARE[1]:
        return None
    return np.asarray(hull[:, 0] + [left, top], np.float32)


def _within(hull: NDArray[np.float32], pieces: Pieces) -> NDArray[np.bool_]:
    outline = hull.reshape(-1, 1, 2)
    near = (np.abs(pieces.x - hull[:, 0].mean()) < np.ptp(hull[:, 0])) & (
        np.abs(pieces.y - hull[:, 1].mean()) < np.ptp(hull[:, 1])
    )
    for index in np.flatnonzero(near):
        near[index] = cv2.pointPolygonTest(outline, (float(pieces.x[index]), float(pieces.y[index])), False) > 0
    return near


def _film_edges(labels: Labels, pieces: Pieces, strength: Image, sigma_px: float) -> NDArray[np.bool_]:
    """Tell which pieces are stretches of a thin tan line round ground that is left bare."""
    result = np.zeros(pieces.count, bool)
    missing = np.abs(pieces.step).mean(axis=1)
    tan = (pieces.step[:, 2] - pieces.step[:, 0] > TAN * missing) & (pieces.step.min(axis=1) > 0)
    wide = pieces.box[:, 2:].max(axis=1) > LEAST_SIGMAS * sigma_px if pieces.count else result
    chosen = np.concatenate([[False], tan & wide])
    if not chosen.any():
        return result
    level = np.concatenate([[np.inf], pieces.inside / 2])
    line = (chosen[labels] & (strength > level[labels])).astype(np.uint8)
    reach = 2 * round(GAP_SIGMAS * sigma_px / 2) + 1
    grown = cv2.morphologyEx(line, cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    _, groups, stats, _ = cv2.connectedComponentsWithStats(grown)
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
