"""Edges: the outline of every piece at the level half-way between its inside and what lies beside it.

Both levels are taken near each place of the outline, so that a facet in the light, a shadow on one
side or a darker neighbour moves the level there and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image
from triage.debris.find import Mask, blurred, disc
from triage.debris.halves import Half, halved, restored
from triage.debris.outline import Segments
from triage.debris.tiles import filter_tiles

ROUNDS = 2
ROUND_SIGMAS = 10  # how far one round looks, in blur sigmas
REACH = 1.6  # blur sigmas from an edge at which the level has settled to within 6 %
PAPER_SHARE = 0.3  # of a piece's level: a hole fainter than this shows the paper


@dataclass(frozen=True)
class Edges:
    """Pieces and the field whose zero line is their outline.

    All (H, W). labels: 0 is paper. inside: level of the nearest piece. field: strength less the mean of the
    levels inside and outside, so positive inside; the level outside follows from it, which saves a picture.
    """

    labels: NDArray[np.int32]
    count: int
    field: Half
    inside: Half


def refine(strength: Half, mask: Mask, sigma_px: float) -> Edges:
    """Move the outline of `mask` to the local half level of `strength`, blurred by `sigma_px` in all."""
    halo = int(np.ceil(ROUNDS * ROUND_SIGMAS * sigma_px)) + 8
    mask, field, inside = filter_tiles(
        lambda cut: _refined(restored(strength[cut]), mask[cut], sigma_px), mask.shape, halo
    )
    mask[[0, -1]] = mask[:, [0, -1]] = 0  # an outline needs a border to close in
    _close(mask, strength, inside, sigma_px)
    count, labels = cv2.connectedComponents(mask, connectivity=8)
    return Edges(np.asarray(labels, np.int32), count - 1, field, inside)


@dataclass(frozen=True)
class Outlined:
    """Pieces, numbered from 1 in `labels` (H, W), their outlines, and the levels beside each part, (M,)."""

    labels: NDArray[np.int32]
    count: int
    segments: Segments
    inside: NDArray[np.float32]
    outside: NDArray[np.float32]

    def kept(self, real: NDArray[np.bool_]) -> Outlined:
        """Drop pieces (N,) and number the rest anew; `labels` is changed in place."""
        number = np.zeros(real.size + 1, np.int32)
        number[1:][real] = np.arange(1, real.sum() + 1)
        for row in self.labels:  # row by row: a whole picture of indices costs twice what it holds
            row[:] = number[row]
        part = real[self.segments.label - 1]
        segments = self.segments.rows(part)
        segments = replace(segments, label=number[segments.label])
        return Outlined(self.labels, int(real.sum()), segments, self.inside[part], self.outside[part])


def outlined(edges: Edges, count: int, segments: Segments, strength: Half) -> Outlined:
    """Read the levels along the outlines: all that is asked of them, while whole pictures cost memory."""
    column, row = segments.middle_px(edges.labels.shape)
    own, field, inside = (
        picture[row, column].astype(np.float32) for picture in (strength, edges.field, edges.inside)
    )
    return Outlined(edges.labels, count, segments, inside, 2 * (own - field) - inside)


def _refined(strength: Image, mask: Mask, sigma_px: float) -> tuple[Mask, Half, Half]:
    """Return mask, field and level inside after all rounds."""
    for _ in range(ROUNDS):
        inside, known = _local_mean(strength, _core(mask, sigma_px), sigma_px)
        outside, _ = _local_mean(strength, _ring(mask, sigma_px), sigma_px)
        field = strength - (inside + outside) * np.float32(0.5)
        near = cv2.dilate(mask, disc(np.ceil(sigma_px)))
        mask = ((field > 0) & known & (near > 0)).astype(np.uint8)
    return mask, halved(field), halved(inside)


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
    total, mass = blurred(values * weight, 1.5 * sigma_px), blurred(weight, 1.5 * sigma_px)
    return total / (mass + 1e-6), mass > 1e-4


def _close(mask: Mask, strength: Half, inside: Half, sigma_px: float) -> None:
    """Fill holes in place: a glint in a particle is particle. Wide ones of paper may lie between several."""
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
        if not paper:
            mask[cut][hole > 0] = 1
