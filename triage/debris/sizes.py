"""Sizes: the diameter of every piece in pixels, by its outline or by its light, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris import by_light
from triage.debris.edges import Edges
from triage.debris.find import Found
from triage.debris.particles import FLAG_BIT
from triage.debris.pieces import Pieces
from triage.debris.shadows import contact_share

Array = NDArray[np.float64]

# Contact shadow on pale paper, or a dim rim on the dark card, moves a half-level outline out (or in) by this
# part of the blur, and a size by light by a smaller one. Found on path-traced grains at 11 to 36 um/px.
OUTLINE_SHIFT, OUTLINE_SHIFT_DARK = 0.36, -0.28
LIGHT_SHIFT, LIGHT_SHIFT_DARK = 0.19, -0.19
SHIFT_U = 0.10
RESOLVED = 5.5  # blur sigmas across: from here on the outline sizes a piece, below it the light does
JUDGES = 6.0  # blur sigmas across: large enough to show a contact shadow
LIKE_COLOUR = 0.12  # spread of colour ratios within one material
PLAIN_CONTRAST = (0.8, 0.15)  # of debris on paper where no larger piece tells
CONTRAST_U = 0.04


@dataclass(frozen=True)
class Diameters:
    """ECD of each piece in pixels with its standard uncertainty, its contrast, and how it was sized."""

    value: Array
    uncertainty: Array
    contrast: Array
    flags: NDArray[np.uint32]


def size_pieces(
    found: Found, edges: Edges, pieces: Pieces, sigma_px: float, sigma_u_px: float, *, dark: bool
) -> Diameters:
    """Size every piece; `sigma_px` is the blur of what was measured, `sigma_u_px` its standard uncertainty."""
    rough = np.sqrt(np.maximum(pieces.area, 0.5) * 4 / np.pi)
    share = 1.0 if dark else contact_share(found.light, edges.labels, pieces.inside, rough > JUDGES * sigma_px, sigma_px)
    value, u = _by_outline(pieces, sigma_px, share * (OUTLINE_SHIFT_DARK if dark else OUTLINE_SHIFT))
    blur_u = 4 * sigma_px * sigma_u_px / value
    contrast = pieces.inside - np.minimum(pieces.outside, 0)
    flags = np.zeros(pieces.count, np.uint32)
    small = np.flatnonzero(value < RESOLVED * sigma_px)
    if small.size:
        prior, prior_u = _like_contrast(pieces, rough > RESOLVED * sigma_px, small)
        known = by_light.SmallPieces(
            (small + 1).astype(np.int32), np.stack([pieces.x, pieces.y], 1)[small], rough[small], prior, prior_u
        )
        sizes = by_light.fit(found.light, edges.labels, known, sigma_px, 2 * found.noise)
        shift = 2 * sigma_px * share * (LIGHT_SHIFT_DARK if dark else LIGHT_SHIFT)
        value[small] = np.maximum(sizes.diameter_px - shift, 0.4 * sizes.diameter_px)
        u[small] = np.hypot(sizes.diameter_u_px, 2 * SHIFT_U * sigma_px * (0.5 + share / 2))
        # Where a piece is far below the blur, its size goes as the blur does.
        blur_u[small] = sigma_u_px * np.clip(1.5 - value[small] / (4 * sigma_px), 0.3, 1)
        contrast[small] = sizes.contrast
        flags[small] = FLAG_BIT["by_light"]
    return Diameters(value, np.hypot(u, blur_u), contrast, flags)


def _by_outline(pieces: Pieces, sigma_px: float, shift: float) -> tuple[Array, Array]:
    """ECD from the outline, blur and contact shadow taken off.

    Blur by sigma shrinks the half-level outline of any closed shape by pi sigma^2 of area, to first
    order in its curvature (Gauss-Bonnet: the outline turns by 2 pi in all).
    """
    move = shift * sigma_px
    area = pieces.area + np.pi * sigma_px**2 - pieces.perimeter * move + np.pi * move**2
    value = np.sqrt(np.maximum(area, 0.3 * np.maximum(pieces.area, 0.5)) * 4 / np.pi)
    wobble = 0.3 / np.sqrt(np.maximum(pieces.perimeter, 1))  # pixel noise along the outline averages out
    return value, np.hypot(2 * SHIFT_U * sigma_px, wobble)


def _like_contrast(pieces: Pieces, resolved: NDArray[np.bool_], small: NDArray[np.intp]) -> tuple[Array, Array]:
    """Contrast that the resolved pieces of like colour have, for each small piece, and its spread."""
    if resolved.sum() < 3:
        value, spread = (np.full(small.size, number) for number in PLAIN_CONTRAST)
        return np.maximum(value, pieces.peak[small]), spread
    level = pieces.inside[resolved]
    ratio = pieces.step / np.maximum(pieces.step.mean(axis=1, keepdims=True), 1e-3) - 1
    apart = ((ratio[small][:, None] - ratio[resolved][None]) ** 2).sum(axis=2)
    weight = np.exp(-0.5 * apart / LIKE_COLOUR**2) + 1e-3
    weight /= weight.sum(axis=1, keepdims=True)
    value = weight @ level
    spread = np.sqrt(np.maximum(weight @ level**2 - value**2, 0) + CONTRAST_U**2)
    return np.maximum(value, pieces.peak[small]), spread
