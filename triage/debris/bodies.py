"""Bodies: large shaded things on a dark ground, whole from their lit side to the side that is nearly black.

A cut at half of the nearest peak stops where a round thing turns away from the lamp, or at its dark
speckles. No shadow shows on a dark ground, so all that is lit and hangs together is debris.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image
from triage.debris.find import Found, Mask
from triage.debris.halves import above, restored

LARGE_SIGMAS = 30  # side of a square of the least area: smaller ones show no shading beyond their blur
BODY_SIGMAS = 6.0  # neighbourhood whose mean is the body's own level there
SPECKLE_SIGMAS = 2.0


def with_bodies(found: Found, sigma_px: float) -> Mask:
    """Mask (H, W) of `found` with its large bodies made whole."""
    lit = _large(above(found.strength, found.seed_level / 2), found.mask, (LARGE_SIGMAS * sigma_px) ** 2)
    if not lit.any():
        return found.mask
    share, strength = lit.astype(np.float32), restored(found.strength)
    body = _mean(strength * share, sigma_px) / np.maximum(_mean(share, sigma_px), 1e-6)
    smooth = cv2.GaussianBlur(strength, (0, 0), SPECKLE_SIGMAS * sigma_px)
    return np.asarray(found.mask | (lit & (smooth > 0.5 * body)), np.uint8)


def _large(lit: Mask, seen: Mask, least_area: float) -> NDArray[np.bool_]:
    """Connected parts of `lit` that hold something seen and are large."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(lit, connectivity=4)
    chosen = np.zeros(count, bool)
    chosen[labels[seen > 0]] = True
    chosen &= stats[:, cv2.CC_STAT_AREA] >= least_area
    chosen[0] = False
    part: NDArray[np.bool_] = chosen[labels]
    return part


def _mean(image: Image, sigma_px: float) -> Image:
    return np.asarray(cv2.GaussianBlur(image, (0, 0), BODY_SIGMAS * sigma_px), np.float32)
