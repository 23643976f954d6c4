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
LEAST_STEP_PX = 1.0  # a thin strip on the pixel grid swells and narrows by less than this
SOLID = 0.92  # convex pieces are not looked at
ENCLOSES = 4.0  # of its own area: what encloses more is a loop round bare paper, and no glint
SMALLEST = 2.5  # inscribed width of a part, in blur sigmas: less is ragged outline


def split_touching(
    labels: Labels, boxes: NDArray[np.int64], solidity: NDArray[np.float64], sigma_px: float
) -> Labels:
    """Part touching particles; returns, for every label of the result (from 1), the label it came from.

    `labels` (H, W) is changed in place: the largest part keeps its label, others get new ones, and a hole
    that one part alone encloses is filled: it is a glint, while one between several parts is paper.
    `boxes` (N, 4) and `solidity` (N,) describe the pieces in the order of their labels; one with an empty
    box is left as it is.
    """
    origin = list(range(1, len(boxes) + 1))
    for index in np.flatnonzero(boxes[:, 2] > 0).tolist():
        left, top, width, height = boxes[index]
        view = labels[top : top + height, left : left + width]
        mask = np.pad((view == index + 1).astype(np.uint8), 1)
        parts, count = (
            part_at_necks(mask, sigma_px) if solidity[index] < SOLID else (mask.astype(np.int32), 1)
        )
        for part in range(1, count + 1):
            own = (parts == part).astype(np.uint8)
            whole = filled(own)[1:-1, 1:-1] > 0
            if np.count_nonzero(whole) > ENCLOSES * np.count_nonzero(own):
                whole = own[1:-1, 1:-1] > 0
            if part > 1:
                origin.append(index + 1)
            free = (view == 0) | (parts[1:-1, 1:-1] == part)
            view[whole & free] = index + 1 if part == 1 else len(origin)
    return np.array(origin, np.int32)


def filled(mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Fill the holes of a mask."""
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(cv2.drawContours(np.zeros_like(mask), outlines, -1, 1, cv2.FILLED), np.uint8)


def part_at_necks(mask: NDArray[np.uint8], sigma_px: float) -> tuple[Labels, int]:
    """Part one piece; returns labels 1..count, biggest first."""
    depth = np.asarray(cv2.distanceTransform(mask, cv2.DIST_L2, 5), np.float32)
    smooth = np.asarray(cv2.GaussianBlur(depth, (0, 0), 1.0), np.float32)
    basins = _basins(smooth, mask)
    return _merged(basins, depth, SMALLEST * sigma_px / 2)


def _basins(depth: NDArray[np.float32], mask: NDArray[np.uint8]) -> Labels:
    """Give every pixel the peak that the steepest way up the depth leads to."""
    height, width = depth.shape
    padded = np.pad(depth, 1, constant_values=-1)
    steps = [(row, column) for row in range(3) for column in range(3)]
    around = np.stack([padded[row : row + height, column : column + width] for row, column in steps])
    best = around.argmax(axis=0)
    offset = np.array([(row - 1) * width + column - 1 for row, column in steps])
    up = np.where(mask.ravel() > 0, np.arange(depth.size) + offset[best.ravel()], np.arange(depth.size))
    level = depth.ravel()
    up = np.where(level[up] > level, up, np.arange(depth.size))
    while not np.array_equal(further := up[up], up):
        up = further
    peaks = np.zeros(depth.size, np.uint8)
    peaks[up[mask.ravel() > 0]] = 1
    tops = cv2.connectedComponents(peaks.reshape(depth.shape), connectivity=8)[1].ravel()
    return np.where(mask > 0, tops[up].reshape(depth.shape), 0).astype(np.int32)


def _merged(basins: Labels, depth: NDArray[np.float32], least: float) -> tuple[Labels, int]:
    """Join basins whose neck is wide, widest first, and those too shallow; number the rest by size."""
    count = int(basins.max())
    peak = np.zeros(count + 1)
    np.maximum.at(peak, basins.ravel(), depth.ravel())
    necks = _necks(basins, depth)
    group = np.arange(count + 1)
    for (one, other), neck in sorted(necks.items(), key=lambda item: -item[1]):
        first, second = group[one], group[other]
        shallower = min(peak[first], peak[second])
        wide = neck > NECK * shallower or shallower - neck < LEAST_STEP_PX
        if first != second and (wide or shallower < least):
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
        for pair, width in zip(
            zip(low, high, strict=True), np.maximum(here[border], there[border]).tolist(), strict=True
        ):
            necks[pair] = max(necks.get(pair, 0.0), width)
    return necks
