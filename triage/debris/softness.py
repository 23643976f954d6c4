"""Softness: the blur that large pieces' own outlines show.

A tall grain stands out of focus while the paper's fibres beside it are sharp, so the photo's blur may say
too little. Its outline under too small a blur is the foot of its soft rim: dim, ragged and too wide.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image
from triage.debris.find import Mask
from triage.debris.halves import Half, restored

LARGE_SIGMAS = 12  # side of a square of the least area judged by
STRONG = 0.175  # departure inside a piece: a fainter one may be a blotch or a shadow
STEEPEST = 75  # percentile of the slopes: the rest of an outline may be soft by shading
SOBEL_VARIANCE = 0.5  # px^2 that the Sobel kernel smooths by itself
MARGIN = 3


def own_blur(strength: Half, mask: Mask, sigma_px: float) -> float:
    """Blur in px of `strength` (H, W) at the outlines of the large strong pieces of `mask`; 0 without any.

    The outline is taken at half of a piece's own middle level; what touches the picture's rim has no say.
    """
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    height, width = mask.shape
    found = []
    for index in range(1, count):
        left, top, wide, tall, area = boxes[index]
        low, high = (left - MARGIN, top - MARGIN), (left + wide + MARGIN, top + tall + MARGIN)
        if area < (LARGE_SIGMAS * sigma_px) ** 2 or min(low) < 0 or high[0] > width or high[1] > height:
            continue
        cut = (slice(low[1], high[1]), slice(low[0], high[0]))
        found.append(_outline_blurs(restored(strength[cut]), labels[cut] == index))
    blurs = np.concatenate([np.empty(0), *found])
    return float(np.percentile(blurs, 100 - STEEPEST)) if blurs.size else 0.0


def _outline_blurs(strength: Image, piece: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Blur at each pixel of one piece's outline at half of its middle level, (N,)."""
    body = float(np.median(strength[piece]))
    if body < STRONG:
        return np.empty(0)
    near = cv2.dilate(piece.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    outlines, _ = cv2.findContours(
        ((strength > body / 2) & near).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    column, row = max(outlines, key=len)[:, 0].T
    across = cv2.Sobel(strength, cv2.CV_32F, 1, 0, scale=1 / 8)[row, column]
    down = cv2.Sobel(strength, cv2.CV_32F, 0, 1, scale=1 / 8)[row, column]
    total = body / (np.sqrt(2 * np.pi) * np.maximum(np.hypot(across, down), 1e-6))
    return np.asarray(np.sqrt(np.maximum(total**2 - SOBEL_VARIANCE, 0)), np.float64)
