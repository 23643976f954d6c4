"""Split: touching particles parted at their necks.

A piece is parted where its inscribed width drops well below that of both sides. What is only notched
stays whole.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Labels = NDArray[np.int32]

NECK = 0.7  # of the smaller side's inscribed width: narrower than this parts two particles
SOLID = 0.92  # convex pieces are not looked at
SMALLEST = 2.5  # inscribed width of a part, in blur sigmas: less is ragged outline


def split_touching(labels: Labels, boxes: NDArray[np.int64], solidity: NDArray[np.float64], sigma_px: float) -> Labels:
    """Part touching particles; returns, for every label of the result (from 1), the label it came from.

    `labels` (H, W) is changed in place: the largest part keeps its label, others get new ones.
    `boxes` (N, 4) and `solidity` (N,) describe the pieces in the order of their labels.
    """
    origin = list(range(1, len(boxes) + 1))
    for index in np.flatnonzero(solidity < SOLID):
        left, top, width, height = boxes[index]
        view = labels[top : top + height, left : left + width]
        mask = np.pad((view == index + 1).astype(np.uint8), 1)
        parts, count = part_at_necks(mask, sigma_px)
        for part in range(2, count + 1):
            origin.append(index + 1)
            view[parts[1:-1, 1:-1] == part] = len(origin)
    return np.array(origin, np.int32)


def part_at_necks(mask: NDArray[np.uint8], sigma_px: float) -> tuple[Labels, int]:
    """Part one piece; returns labels 1..count, biggest first."""
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    smooth = cv2.GaussianBlur(depth, (0, 0), 1.0)
    markers = _peaks(smooth, mask, SMALLEST * sigma_px / 2)
    if markers.max() < 2:
        return mask.astype(np.int32), 1
    basins = _flood(smooth, markers, mask)
    return _merged(basins, depth)


def _peaks(depth: NDArray[np.float32], mask: NDArray[np.uint8], least: float) -> Labels:
    top = (depth >= cv2.dilate(depth, np.ones((5, 5), np.uint8))) & (mask > 0) & (depth >= least)
    return np.asarray(cv2.connectedComponents(top.astype(np.uint8), connectivity=8)[1], np.int32)


def _flood(depth: NDArray[np.float32], markers: Labels, mask: NDArray[np.uint8]) -> Labels:
    """Watershed of the depth from the markers; its border pixels go to a neighbour."""
    height = np.uint8(255) - (depth * (254 / depth.max())).astype(np.uint8)
    sown = markers.copy()
    sown[mask == 0] = markers.max() + 1
    flooded = cv2.watershed(cv2.merge([height] * 3), sown)
    flooded[(flooded == markers.max() + 1) | (mask == 0)] = 0
    for _ in range(3):
        grown = cv2.dilate(np.maximum(flooded, 0).astype(np.float32), np.ones((3, 3), np.uint8))
        flooded = np.where((flooded <= 0) & (mask > 0), grown.astype(np.int32), flooded)
    return np.asarray(np.where(mask > 0, np.maximum(flooded, 0), 0), np.int32)


def _merged(basins: Labels, depth: NDArray[np.float32]) -> tuple[Labels, int]:
    """Join basins whose neck is wide, widest first; number what is left by size."""
    count = int(basins.max())
    peak = np.zeros(count + 1)
    np.maximum.at(peak, basins.ravel(), depth.ravel())
    necks = _necks(basins, depth)
    group = np.arange(count + 1)
    for (one, other), neck in sorted(necks.items(), key=lambda item: -item[1]):
        first, second = group[one], group[other]
        if first != second and neck > NECK * min(peak[first], peak[second]):
            group[group == second] = first
            peak[first] = max(peak[first], peak[second])
    joined = group[basins]
    names, sizes = np.unique(joined[joined > 0], return_counts=True)
    order = np.zeros(count + 1, np.int32)
    order[names[np.argsort(-sizes)]] = np.arange(1, names.size + 1)
    return order[joined], names.size


def _necks(basins: Labels, depth: NDArray[np.float32]) -> dict[tuple[int, int], float]:
    """Widest passage between each two neighbouring basins, as half its width."""
    necks: dict[tuple[int, int], float] = {}
    for one, other, here, there in (
        (basins[:, :-1], basins[:, 1:], depth[:, :-1], depth[:, 1:]),
        (basins[:-1], basins[1:], depth[:-1], depth[1:]),
    ):
        border = (one != other) & (one > 0) & (other > 0)
        low = np.minimum(one[border], other[border]).tolist()
        high = np.maximum(one[border], other[border]).tolist()
        for pair, width in zip(zip(low, high, strict=True), np.maximum(here[border], there[border]).tolist(), strict=True):
            necks[pair] = max(necks.get(pair, 0.0), width)
    return necks
