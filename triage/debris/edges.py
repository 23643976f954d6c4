"""Edges: the outline of every piece at the level half-way between its inside and what lies beside it.

Both levels are taken near each place of the outline, so that a facet in the light, a shadow on one
side or a darker neighbour moves the level there and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image
from triage.debris.find import Mask, disc
from triage.debris.strips import filter_strips

ROUNDS = 2
ROUND_SIGMAS = 10  # how far one round looks, in blur sigmas
REACH = 1.6  # blur sigmas from an edge at which the level has settled to within 6 %
PAPER_SHARE = 0.3  # of a piece's level: a hole fainter than this shows the paper


@dataclass(frozen=True)
class Edges:
    """Pieces and the field whose zero line is their outline.

    All (H, W). labels: 0 is paper. field: positive inside. inside, outside: levels near each place.
    """

    labels: NDArray[np.int32]
    count: int
    field: Image
    inside: Image
    outside: Image


def refine(strength: Image, mask: Mask, sigma_px: float) -> Edges:
    """Move the outline of `mask` to the local half level of `strength`, blurred by `sigma_px` in all."""
    halo = int(np.ceil(ROUNDS * ROUND_SIGMAS * sigma_px)) + 8
    mask, field, inside, outside = filter_strips(
        lambda rows: _refined(strength[rows], mask[rows], sigma_px), len(mask), halo
    )
    mask[[0, -1]] = mask[:, [0, -1]] = 0  # an outline needs a border to close in
    count, labels = cv2.connectedComponents(_closed(mask, strength, inside, sigma_px), connectivity=8)
    return Edges(np.asarray(labels, np.int32), count - 1, field, inside, outside)


def _refined(strength: Image, mask: Mask, sigma_px: float) -> tuple[Mask, Image, Image, Image]:
    """Return mask, field, inside and outside level after all rounds."""
    for _ in range(ROUNDS):
        inside, known = _local_mean(strength, _core(mask, sigma_px), sigma_px)
        outside, _ = _local_mean(strength, _ring(mask, sigma_px), sigma_px)
        field = strength - (inside + outside) * np.float32(0.5)
        near = cv2.dilate(mask, disc(np.ceil(sigma_px)))
        mask = ((field > 0) & known & (near > 0)).astype(np.uint8)
    return mask, field, inside, outside


def _core(mask: Mask, sigma_px: float) -> NDArray[np.bool_]:
    """Pixels deep enough that the blur of the outline no longer lightens them, or the deepest there are."""
    depth = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
    deepest = cv2.dilate(depth, disc(1.5 * sigma_px))
    core: NDArray[np.bool_] = (mask > 0) & (depth >= np.minimum(REACH * sigma_px + 0.5, 0.75 * deepest))
    return core


def _ring(mask: Mask, sigma_px: float) -> NDArray[np.bool_]:
    """Pixels just outside, beyond the blur of the outline."""
    distance = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5)
    ring: NDArray[np.bool_] = (distance >= REACH * sigma_px + 0.5) & (distance <= 4 * sigma_px + 1)
    return ring


def _local_mean(values: Image, chosen: NDArray[np.bool_], sigma_px: float) -> tuple[Image, NDArray[np.bool_]]:
    weight = chosen.astype(np.float32)
    total = cv2.GaussianBlur(values * weight, (0, 0), 1.5 * sigma_px)
    mass = cv2.GaussianBlur(weight, (0, 0), 1.5 * sigma_px)
    return total / (mass + 1e-6), mass > 1e-4


def _closed(mask: Mask, strength: Image, inside: Image, sigma_px: float) -> Mask:
    """Fill holes: a glint inside a particle is particle. Wide ones of paper may lie between several."""
    whole = mask.copy()
    outlines, family = cv2.findContours(mask, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    for outline, kin in zip(outlines, family[0] if family is not None else (), strict=True):
        if kin[3] < 0:
            continue
        left, top, wide, tall = cv2.boundingRect(outline)
        cut = (slice(top, top + tall), slice(left, left + wide))
        hole = cv2.drawContours(np.zeros((tall, wide), np.uint8), [outline - (left, top)], -1, 1, cv2.FILLED)
        hole[mask[cut] > 0] = 0
        depth = cv2.distanceTransform(np.pad(hole, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
        middle = depth > REACH * sigma_px
        paper = bool(middle.any()) and np.median(strength[cut][middle]) < PAPER_SHARE * np.median(
            inside[cut][(hole > 0) & (inside[cut] > 1e-3)]  # 0 where no edge is near
        )
        whole[cut][hole > 0] = not paper
    return whole
