"""Shadows: which way they fall in this photo, and which pixels are shadow and not debris.

A cast shadow keeps the paper's colour, is never darker than the lamp's share of the light, and lies on
the same side of every particle. The side is found from all particles together. What cannot be cut
away is the contact shadow, the dark seam at the foot of a solid grain: it moves every half-level
outline outwards by about the same part of the blur, and that part is taken off again.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.find import COLOUR_WEIGHT, Mask
from triage.debris.halves import Half, restored, values_at

Vector = NDArray[np.float64]

DARKEST = 0.72  # of the paper's light: sky and walls still light a phone picture's shadow
NEUTRAL = 0.22  # colour departure of a shadow, as a part of its light departure, at most
CORE = 0.8  # of a piece's own peak: certainly particle
LONGEST_PX = 48
FAN_RAD = 0.45  # the side is known to about 25 degrees
SURE_SNR = 1.5
STRAND_RATIO = 5.0  # length to width
STRAND_SIGMAS = 7  # a wider strand is resolved: its shadow lies beside it
STRAND_LEVEL = 0.55  # of its peak, over more than half of it: a grain's long shadow is fainter
NEAR_SIGMAS, FAR_SIGMAS = 2.9, 4.2  # beside a piece, beyond the blur's reach


@dataclass(frozen=True)
class Shadows:
    """Debris without its cast shadows, and the unit vector (x, y) along which they fall (None: not seen)."""

    mask: Mask
    towards: Vector | None


def remove(mask: Mask, light: Half, strength: Half, sigma_px: float) -> Shadows:
    """Take cast shadows out of `mask` (H, W); `light` and `strength` as in `find.Found`."""
    pieces = _pieces(mask, light, strength)
    towards = _side(_core(pieces, np.inf), light, strength, sigma_px)
    if towards is None:
        return Shadows(mask, None)
    debris = _core(pieces, DARKEST)
    shadow = _sweep(debris, towards)
    shadow &= 1 - debris
    shadow &= 1 - _strands(mask, pieces, sigma_px)
    return Shadows(mask & ~shadow, towards)


@dataclass(frozen=True)
class _Joined:
    """Connected pieces: flat index, piece, light and colour of each pixel, each piece's strongest light."""

    shape: tuple[int, ...]
    place: NDArray[np.intp]
    piece: NDArray[np.int32]
    light: NDArray[np.float32]
    colour: NDArray[np.float32]
    peak: NDArray[np.float32]

    def drawn(self, chosen: NDArray[np.bool_]) -> Mask:
        """Picture of the chosen pixels."""
        picture = np.zeros(self.shape, np.uint8)
        picture.ravel()[self.place] = chosen
        return picture


def _pieces(mask: Mask, light: Half, strength: Half) -> _Joined:
    count, labels = cv2.connectedComponents(mask, connectivity=8)
    place = np.flatnonzero(labels)
    piece = np.asarray(labels, np.int32).ravel()[place]
    dark = values_at(light, place)
    peak = np.zeros(count, np.float32)
    np.maximum.at(peak, piece, dark)
    return _Joined(mask.shape, place, piece, dark, _colour(dark, values_at(strength, place)), peak)


def _colour(light: NDArray[np.float32], strength: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(np.sqrt(np.maximum(strength**2 - light**2, 0)) / COLOUR_WEIGHT, np.float32)


def _core(pieces: _Joined, darkest: float) -> Mask:
    """Pixels too dark, compared with their piece's peak or with any shadow, or too coloured to be shadow."""
    coloured = pieces.colour > 0.04 + NEUTRAL * pieces.light
    return pieces.drawn(coloured | (pieces.light >= np.minimum(CORE * pieces.peak[pieces.piece], darkest)))


def _strands(mask: Mask, pieces: _Joined, sigma_px: float) -> Mask:
    """Thin long pieces about as dark all along: a fibre hides its own shadow, and would lose itself."""
    count = pieces.peak.size
    depth = np.zeros(count)
    inner = cv2.distanceTransform(mask, cv2.DIST_L2, 5).ravel()[pieces.place]
    np.maximum.at(depth, pieces.piece, inner)
    area = np.bincount(pieces.piece, minlength=count)
    full = pieces.light > STRAND_LEVEL * pieces.peak[pieces.piece]
    even = np.bincount(pieces.piece, full, count) > area / 2
    thin = (2 * depth < STRAND_SIGMAS * sigma_px) & (area > STRAND_RATIO * (2 * depth) ** 2)
    return pieces.drawn((thin & even)[pieces.piece])


def _side(core: Mask, light: Half, strength: Half, sigma_px: float) -> Vector | None:
    """Find the side on which the paper beside the cores is darker, over all of them."""
    # Every other pixel tells the side as well, in a quarter of the time.
    core = np.ascontiguousarray(core[::2, ::2])
    dark, strong = (restored(np.ascontiguousarray(picture[::2, ::2])) for picture in (light, strength))
    distance, nearest = cv2.distanceTransformWithLabels(
        1 - core, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_CCOMP
    )
    ring = (distance > sigma_px) & (distance < sigma_px + 3) & (_colour(dark, strong) < 0.05 + 0.25 * dark)
    place = np.flatnonzero(ring)
    owner = nearest.ravel()[place]
    count = int(nearest.max()) + 1
    y, x = np.divmod(place, core.shape[1])
    inner = np.flatnonzero(core)
    inner_y, inner_x = np.divmod(inner, core.shape[1])
    inner_owner = nearest.ravel()[inner]
    size = np.bincount(inner_owner, minlength=count)
    centre = np.stack([np.bincount(inner_owner, axis, count) for axis in (inner_x, inner_y)]) / np.maximum(
        size, 1
    )
    step = np.stack([x, y]) - centre[:, owner]
    step /= np.hypot(*step) + 1e-9
    beside = np.clip(dark.ravel()[place], -0.05, 0.6)
    pixels = np.bincount(owner, minlength=count)
    lean = np.stack([np.bincount(owner, beside * part, count) for part in step]) / np.maximum(pixels, 1)
    lean = np.clip(lean[:, (size >= 2) & (pixels > 8)], -0.1, 0.1)
    if lean.shape[1] < 8:
        return None
    mean = lean.mean(axis=1)
    length = float(np.hypot(*mean))
    error = float(lean.std(axis=1).mean()) / np.sqrt(lean.shape[1])
    return mean / length if length > SURE_SNR * error else None


def _sweep(core: Mask, towards: Vector) -> Mask:
    """Draw the cores out along the shadow's side, fanned out by how well it is known."""
    swept = core.copy()
    for turn in (-FAN_RAD, 0.0, FAN_RAD):
        cosine, sine = np.cos(turn), np.sin(turn)
        along = np.array([towards[0] * cosine - towards[1] * sine, towards[0] * sine + towards[1] * cosine])
        drawn, step = core.copy(), 1
        while step < LONGEST_PX:
            _or_moved(drawn, *np.round(along * step).astype(int).tolist())
            step *= 2
        swept |= drawn
    return swept


def _or_moved(mask: Mask, right: int, down: int) -> None:
    """Add to `mask`, in place, itself moved by whole pixels."""
    height, width = mask.shape
    to = (slice(max(down, 0), height + min(down, 0)), slice(max(right, 0), width + min(right, 0)))
    of = (slice(max(-down, 0), height + min(-down, 0)), slice(max(-right, 0), width + min(-right, 0)))
    mask[to] |= mask[of].copy()


def contact_darkness(
    light: Half,
    labels: NDArray[np.int32],
    boxes: NDArray[np.int64],
    inside: Vector,
    big: NDArray[np.bool_],
    sigma_px: float,
) -> float | None:
    """How dark the paper is just beyond the blur's reach, as a part of each piece's contrast, on average.

    Beside a flat mark it is as bright as anywhere, beside a solid grain it is not. `boxes` (N, 4) are left,
    top, width, height; `inside` (N,) is each piece's contrast, `big` (N,) says which are large enough to
    judge by; None where fewer than four are.
    """
    if big.sum() < 4:
        return None
    margin = int(np.ceil(FAR_SIGMAS * sigma_px)) + 1
    dark = []
    for index in np.flatnonzero(big):
        left, top, wide, tall = boxes[index]
        cut = (
            slice(max(top - margin, 0), top + tall + margin),
            slice(max(left - margin, 0), left + wide + margin),
        )
        near = labels[cut]
        own = cv2.distanceTransform((near != index + 1).astype(np.uint8), cv2.DIST_L2, 5)
        any_piece = cv2.distanceTransform((near == 0).astype(np.uint8), cv2.DIST_L2, 5)
        ring = (own > NEAR_SIGMAS * sigma_px) & (own < FAR_SIGMAS * sigma_px) & (own == any_piece)
        if ring.any():
            dark.append(float(np.clip(light[cut][ring].astype(np.float32), -0.1, 0.5).mean()) / inside[index])
    return float(np.mean(dark)) if len(dark) >= 4 else None
