"""Sizes: the diameter of every piece in pixels, by its outline or by its light, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from triage.debris import by_light
from triage.debris.find import Found
from triage.debris.particles import FLAG_BIT
from triage.debris.pieces import Pieces
from triage.debris.shadows import contact_darkness
from triage.debris.shape import strip_length_and_width

Array = NDArray[np.float64]
Labels = NDArray[np.int32]

# Contact shadow on pale paper, or a dim rim on the dark card, moves a half-level outline out (or in) by this
# part of the blur, and a size by light by a smaller one that grows with the darkness seen beside the pieces.
# Found on rendered grains, path-traced and shaded, at 11 to 36 um/px: tests/benchmarks/accuracy.py.
OUTLINE_SHIFT, OUTLINE_SHIFT_DARK = 0.36, -0.28
LIGHT_SHIFT, LIGHT_SHIFT_MORE, LIGHT_SHIFT_DARK = 0.17, 0.08, -0.03
SHIFT_U = 0.10
SHAPE_U = 0.05  # of the diameter: facets, lit and shaded sides, shapes that are no discs
RIM = 0.02  # a rim above this hides what the paper beside a piece shows
FLAT, SOLID = 0.004, 0.012  # darkness beside flat marks, and from which on grains are plainly solid
FAINT_CONTACT, DEEP_CONTACT = 0.015, 0.040
RESOLVED = 5.5  # blur sigmas across: from here on the outline sizes a piece, below it the light does
# Blur sigmas across, how many, and by how much more their shadow counts: pieces large enough to show a
# contact shadow; smaller ones show half of it, so more are asked. Still smaller ones look alike either way.
JUDGES = ((6.0, 4, 1.0), (3.5, 20, 2.0))
BEYOND = 1.5  # of its outline's diameter, and a blur sigma: no small piece is so much larger
NEARLY = 4.0  # blur sigmas: such a piece tells its contrast, if with a correction
FEWEST_TELLING = 3
LIKE_COLOUR = 0.12  # spread of colour ratios within one material
PLAIN_CONTRAST = (0.8, 0.15)  # of debris on paper where no larger piece tells
CONTRAST_U = 0.04
FEWEST_SIGMAS = 1.5
STRIP_RATIO = 4.0
STRAND_SHADOW, STRAND_SHADOW_U = 0.42, 0.15  # of its width, on path-traced fibres of 0.6 to 2.5 px
STRAND_RESOLVED = 3.5  # blur sigmas: from here on less of it, none from twice as wide
SAME_WIDTH, FAR = 10.0, 1e4  # blur sigmas
EVEN_WIDTH = 1.8  # widest over mean width of a strip
JURY = 12  # small pieces needed to judge the blur by
MOST_SIGMAS, MOST_SIGMAS_VAGUE = 5.0, 8.0  # the largest that judge it, where edges told it and where none did
VAGUE = 0.2  # relative uncertainty of a blur that no edge told
# Debris is never of one size: so many pieces that differ by no more are a printed target, flat and black.
TARGET_PIECES, TARGET_SPREAD = 20, 0.08
TARGET_CONTRAST = (0.9, 0.08)


@dataclass(frozen=True)
class TotalBlur:
    """Blur of what was measured, its uncertainty, and sharpening's rim as a part of an edge's step."""

    sigma_px: float
    sigma_u_px: float
    rim: float


@dataclass(frozen=True)
class Diameters:
    """ECD of each piece in pixels with its standard uncertainty, its contrast, and how it was sized."""

    value: Array
    uncertainty: Array
    contrast: Array
    flags: NDArray[np.uint32]
    strips: NDArray[np.bool_]  # as wide everywhere as on average
    sigma_px: float  # blur under which the small pieces fit best


def size_pieces(
    found: Found, labels: Labels, pieces: Pieces, blur: TotalBlur, *, dark: bool, unshadowed: bool = False
) -> Diameters:
    """Size every piece of a photo on pale paper or a dark ground; `unshadowed`: no lamp's shadow is left."""
    sigma_px, sigma_u_px = blur.sigma_px, blur.sigma_u_px
    rough = np.sqrt(np.maximum(pieces.area, 0.5) * 4 / np.pi)
    noise = found.pixel_noise
    most = MOST_SIGMAS if sigma_u_px < VAGUE * sigma_px else MOST_SIGMAS_VAGUE
    jury = np.flatnonzero((rough > FEWEST_SIGMAS * sigma_px) & (rough < most * sigma_px))
    known = _known(pieces, rough, sigma_px, jury)
    if known.label.size >= JURY:
        sigma_px = by_light.sharpest_fit(found.light, labels, known, sigma_px, noise)
    blur = replace(blur, sigma_px=sigma_px)
    target = not dark and _is_target(found, labels, pieces, rough, sigma_px)
    plain = TARGET_CONTRAST if target else PLAIN_CONTRAST
    shift = UNSHADOWED
    if not unshadowed:
        shift = _shift(found, labels, pieces, rough, blur, dark=dark, target=target)
    value, u = _by_outline(pieces, sigma_px, shift.outline)
    blur_u = 4 * sigma_px * sigma_u_px / value
    contrast = pieces.inside - np.minimum(pieces.outside, 0)
    flags = np.zeros(pieces.count, np.uint32)
    strips = _strips(pieces)
    value[strips], u[strips] = _by_width(pieces, strips, rough, sigma_px, shift.outline)
    small = np.flatnonzero((value < RESOLVED * sigma_px) & ~strips)
    if small.size:
        known = _known(pieces, rough, sigma_px, small, plain)
        sizes = by_light.fit(found.light, labels, known, sigma_px, noise)
        sizes = by_light.fit_apart(found.light, labels, known, sizes, sigma_px, noise)
        sizes = _within_outline(sizes, known.rough_diameter, sigma_px)
        value[small] = np.maximum(sizes.diameter_px - 2 * sigma_px * shift.light, 0.4 * sizes.diameter_px)
        u[small] = np.sqrt(
            sizes.diameter_u_px**2 + (1.5 * SHIFT_U * sigma_px) ** 2 + (SHAPE_U * value[small]) ** 2
        )
        # Far below the blur a size goes as the blur does.
        blur_u[small] = sigma_u_px * np.clip(1.5 - value[small] / (4 * sigma_px), 0.3, 1)
        contrast[small] = sizes.contrast
        flags[small] = FLAG_BIT["by_light"]
    return Diameters(value, np.hypot(u, blur_u), contrast, flags, strips, sigma_px)


def _within_outline(sizes: by_light.LightSizes, rough: Array, sigma_px: float) -> by_light.LightSizes:
    """Take the outline's word where the light's is far beyond it: noise or a neighbour was fitted.

    Blur makes the outline of a small piece too large, never much too small.
    """
    beyond = sizes.diameter_px > BEYOND * rough + sigma_px
    return replace(
        sizes,
        diameter_px=np.where(beyond, rough, sizes.diameter_px),
        diameter_u_px=np.where(beyond, rough / 2, sizes.diameter_u_px),
    )


def _strips(pieces: Pieces) -> NDArray[np.bool_]:
    """Pieces that are as wide everywhere as their length and area say: fibres, slivers, bent or straight."""
    length, width = strip_length_and_width(pieces.area, pieces.perimeter)
    return np.asarray((length > STRIP_RATIO * width) & (2 * pieces.depth < EVEN_WIDTH * width + 1))


def _by_width(
    pieces: Pieces, strips: NDArray[np.bool_], rough: Array, sigma_px: float, shift: float
) -> tuple[Array, Array]:
    """ECD of strips from length and width: a narrow one's half-level width is mostly blur."""
    chosen = np.flatnonzero(strips)
    length, seen = strip_length_and_width(pieces.area[chosen], pieces.perimeter[chosen])
    resolved = (rough > RESOLVED * sigma_px) & ~strips
    contrast, contrast_u = _like_contrast(pieces, pieces.inside, resolved, chosen)
    wide = np.interp(seen / sigma_px, *_half_level_widths()) * sigma_px
    filled = np.clip(pieces.inside[chosen] / contrast, 0.02, 0.98)
    narrow = 2 * sigma_px * _normal_quantile((1 + filled) / 2)
    trust = np.clip(
        (seen / sigma_px - 2.6) / 0.6, 0, 1
    )  # the outline's say, growing from no width to a clear one
    width = np.maximum(
        trust * wide + (1 - trust) * narrow - 2 * shift * sigma_px * (0.5 + trust / 2), 0.2 * narrow
    )
    # A strand's own shadow is about as wide as itself: until blur lets it be seen apart, it counts as strand.
    merged = np.clip(2 - width / (STRAND_RESOLVED * sigma_px), 0, 1) * np.clip(shift / OUTLINE_SHIFT, 0, 1)
    width /= 1 + STRAND_SHADOW * merged
    unsure = (1 - trust) * contrast_u / contrast
    width_rel_u = np.sqrt(unsure**2 + (2 * SHIFT_U * sigma_px / width) ** 2 + (STRAND_SHADOW_U * merged) ** 2)
    value = np.sqrt(4 * length * width / np.pi)
    return value, value * np.hypot(width_rel_u, 0.03) / 2


@cache
def _half_level_widths() -> tuple[Array, Array]:
    """Width of a blurred strip at half of its own peak, and its true width, both in blur sigmas."""
    true = np.linspace(0.05, 12, 240)
    x = np.linspace(0, 8, 4000)
    profile = _normal(x[None] + true[:, None] / 2) - _normal(x[None] - true[:, None] / 2)
    seen = 2 * x[(profile > profile[:, :1] / 2).sum(axis=1).clip(max=x.size - 1)]
    # From ten sigma on the half-level width is the true one.
    clear = seen < SAME_WIDTH
    return np.append(seen[clear], [SAME_WIDTH, FAR]), np.append(true[clear], [SAME_WIDTH, FAR])


def _normal(x: Array) -> Array:
    from scipy.special import ndtr

    return np.asarray(ndtr(x))


def _normal_quantile(share: Array) -> Array:
    from scipy.special import ndtri

    return np.asarray(ndtri(share))


@dataclass(frozen=True)
class _Shift:
    """How far shadow or rim move an outline and a size by light outwards, in blur sigmas."""

    outline: float
    light: float


UNSHADOWED = _Shift(0.09, 0.06)  # what the room's light leaves: tests/benchmarks/several_photos.py


def _shift(
    found: Found, labels: Labels, pieces: Pieces, rough: Array, blur: TotalBlur, *, dark: bool, target: bool
) -> _Shift:
    if dark:
        return _Shift(OUTLINE_SHIFT_DARK, LIGHT_SHIFT_DARK)
    darkness = _contact(found, labels, pieces, rough, blur.sigma_px)
    if target and (darkness is None or darkness < SOLID):
        return _Shift(0.0, 0.0)
    if darkness is None or (blur.rim > RIM and darkness < SOLID):
        # Nothing to judge by, or sharpening brightened what lies beside: debris is solid as a rule.
        return _Shift(OUTLINE_SHIFT, LIGHT_SHIFT + LIGHT_SHIFT_MORE / 2)
    solid = float(np.clip((darkness - FLAT) / (SOLID - FLAT), 0, 1))
    deep = float(np.clip((darkness - FAINT_CONTACT) / (DEEP_CONTACT - FAINT_CONTACT), 0, 1))
    return _Shift(solid * OUTLINE_SHIFT, solid * (LIGHT_SHIFT + deep * LIGHT_SHIFT_MORE))


def _contact(found: Found, labels: Labels, pieces: Pieces, rough: Array, sigma_px: float) -> float | None:
    """How dark the paper is at the foot of the pieces; None where too few could show it."""
    for least, enough, factor in JUDGES:
        large = rough > least * sigma_px
        if np.count_nonzero(large) >= enough:
            dark = contact_darkness(found.light, labels, pieces.box, pieces.inside, large, sigma_px)
            return None if dark is None else factor * dark
    return None


def _is_target(found: Found, labels: Labels, pieces: Pieces, rough: Array, sigma_px: float) -> bool:
    """Tell whether the pieces are all of one size, as marks of a printed target are."""
    # Blur makes outlines of unlike small pieces alike, never those of like ones unlike: a cheap first sieve.
    if rough.size < TARGET_PIECES or _spread(rough) > 2 * TARGET_SPREAD:
        return False
    if np.median(rough) > RESOLVED * sigma_px:
        return _spread(rough) < TARGET_SPREAD
    some = np.linspace(0, rough.size - 1, min(by_light.JURY, rough.size)).astype(np.intp)
    known = _known(pieces, rough, sigma_px, some)
    sizes = by_light.fit(found.light, labels, known, sigma_px, found.pixel_noise)
    return _spread(sizes.diameter_px) < TARGET_SPREAD


def _spread(sizes: Array) -> float:
    """Robust relative spread: half of what holds the middle two thirds."""
    low, high = np.quantile(np.log(sizes), [1 / 6, 5 / 6])
    return float(high - low) / 2


def _known(
    pieces: Pieces,
    rough: Array,
    sigma_px: float,
    small: NDArray[np.intp],
    plain: tuple[float, float] = PLAIN_CONTRAST,
) -> by_light.SmallPieces:
    level, telling = pieces.inside, rough > RESOLVED * sigma_px
    if telling.sum() < FEWEST_TELLING:  # what a blurred disc keeps in its middle is known
        level, telling = level / -np.expm1(-((rough / sigma_px) ** 2) / 8), rough > NEARLY * sigma_px
    prior, prior_u = _like_contrast(pieces, level, telling, small, plain)
    centre = np.stack([pieces.x, pieces.y], axis=1)[small]
    return by_light.SmallPieces((small + 1).astype(np.int32), centre, rough[small], prior, prior_u)


def _by_outline(pieces: Pieces, sigma_px: float, shift: float) -> tuple[Array, Array]:
    """ECD from the outline, blur and contact shadow taken off.

    Blur by sigma shrinks the half-level outline of any closed shape by pi sigma^2 of area, to first
    order in its curvature (Gauss-Bonnet: the outline turns by 2 pi in all).
    """
    move = shift * sigma_px
    area = pieces.area + np.pi * sigma_px**2 - pieces.perimeter * move + np.pi * move**2
    value = np.sqrt(np.maximum(area, 0.3 * np.maximum(pieces.area, 0.5)) * 4 / np.pi)
    wobble = 0.3 / np.sqrt(np.maximum(pieces.perimeter, 1))  # pixel noise along the outline averages out
    # What shapes do outweighs blur and noise: tests/benchmarks/size_coverage.py.
    return value, np.sqrt((2 * SHIFT_U * sigma_px) ** 2 + wobble**2 + (SHAPE_U * value) ** 2)


def _like_contrast(
    pieces: Pieces,
    level: Array,
    telling: NDArray[np.bool_],
    small: NDArray[np.intp],
    plain: tuple[float, float] = PLAIN_CONTRAST,
) -> tuple[Array, Array]:
    """Contrast that the telling pieces of like colour have, for each small piece, and its spread.

    `level` (N,) is each piece's contrast where it tells; `plain` stands for it where too few do.
    """
    if telling.sum() < FEWEST_TELLING:
        value, spread = (np.full(small.size, number) for number in plain)
        return np.maximum(value, pieces.peak[small]), spread
    level = level[telling]
    colour = pieces.step / np.maximum(pieces.step.mean(axis=1, keepdims=True), 1e-3) / LIKE_COLOUR
    one, other = colour[small], colour[telling]
    apart = (one**2).sum(axis=1)[:, None] + (other**2).sum(axis=1) - 2 * one @ other.T
    weight = np.exp(np.asarray(-0.5 * apart, np.float32)) + np.float32(1e-3)
    moments = weight @ np.stack([np.ones_like(level), level, level**2], axis=1).astype(np.float32)
    value, square = (moments[:, 1:] / moments[:, :1]).T
    spread = np.sqrt(np.maximum(square - value**2, 0) + CONTRAST_U**2)
    return np.maximum(value, pieces.peak[small]), spread
