"""Proof: discs of known size drawn into bare paper of the same photo, then found and sized as its own are.

Patches of the photo's paper, noise and all, are laid side by side in a small picture. The disc in the middle
of each is blurred as the photo is, drawn in linear light and coded with the photo's tone curve again. What a
phone's smoothing does to true particles before it saves a photo, drawn discs do not undergo.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from zlib import crc32

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Departure
from triage.debris.by_light import STEP, blurred_disc
from triage.debris.find import LIGHT_AND_COLOUR, Found, Mask, find_smoothed, light_and_strength
from triage.debris.limits import CONTRAST_REL_U, FAINT, OPAQUE, Proof, Sight, Trial
from triage.debris.pieces import Pieces
from triage.debris.sizes import UNSHADOWED, Diameters

Array = NDArray[np.float64]
Places = NDArray[np.intp]

PATCHES = 40
FEWEST_PATCHES = 24  # a share of 90 % is then known to 6 points
LEAST_PATCH, PATCH_SIGMAS = 32, 20  # pixels across, beside the disc
MARGIN_SIGMAS = 6  # of paper without debris round a patch
RESOLVED, RESOLVED_SIGMAS = 4, 9.0  # discs that tell the contrast, as larger pieces of a material do
FOUND_SHARE, MOST_BIAS, MOST_SCATTER = 0.9, 0.10, 0.15
DOUBT = 1.64  # standard uncertainties by which a trial must fail to speak against a limit: 95 %, one side
RAISE, RAISES = 1.25, 9  # a limit that failed is raised by so much, tried so many times in all: to 6 times
NEAR_SIGMAS = 2.0  # a piece found so near is the disc that was drawn
REACH_SIGMAS = 5.0  # beyond its rim a disc is not drawn

# Outlines and sizes what was found in a departure, as the photo's own pieces are.
Measuring = Callable[[Found, Departure], tuple[Pieces, Diameters]]


@dataclass(frozen=True)
class Ground:
    """The photo's own paper and how it was searched.

    `found` holds the photo's levels, its mask where debris is; `sight` is what its limits are computed from.
    """

    departure: Departure
    window: Mask
    found: Found
    sight: Sight


def prove(ground: Ground, measuring: Measuring, um_per_px: float) -> Proof:
    """Try a photo's limits for dark and faint discs; the same photo gives the same bits."""
    sigma_px = max(ground.sight.search_px, ground.sight.sigma_px)
    sizes = [size for c in (OPAQUE, FAINT) for size in ground.sight.smallest_px(c) if np.isfinite(size)]
    largest = max(sizes, default=0.0)
    patch = max(LEAST_PATCH, int(np.ceil(PATCH_SIGMAS * sigma_px + 2 * largest)))
    corners = _bare(ground, patch, int(np.ceil(MARGIN_SIGMAS * sigma_px)))
    if len(corners) < FEWEST_PATCHES:
        return Proof(why_not="too little bare paper")
    bench = _Bench(ground, measuring, corners, patch)
    (dark, false_dark), (faint, false_faint) = _try(bench, OPAQUE), _try(bench, FAINT)
    mm2 = len(corners) * (patch * um_per_px / 1000) ** 2
    return Proof(dark, faint, false_dark + false_faint, mm2)


def _bare(ground: Ground, patch: int, margin: int) -> Places:
    """Top-left corners (N, 2) as (row, column) of patches of bare paper, spread over the window."""
    pitch = patch + 2 * margin
    rows, columns = (size // pitch for size in ground.window.shape)
    if not rows or not columns:
        return np.empty((0, 2), np.intp)
    taken = np.maximum(ground.found.mask, ground.window == 0)[: rows * pitch, : columns * pitch]
    for axis, count in ((0, rows), (1, columns)):
        taken = np.maximum.reduceat(taken, np.arange(count) * pitch, axis=axis)
    free = np.argwhere(taken == 0)
    chosen = np.linspace(0, len(free) - 1, min(PATCHES, len(free))).astype(np.intp)
    return free[chosen] * pitch + margin


@dataclass(frozen=True)
class _Bench:
    """Where discs are tried: patches of bare paper, `patch` pixels across, at `corners` (N, 2)."""

    ground: Ground
    measuring: Measuring
    corners: Places
    patch: int


@dataclass(frozen=True)
class _Discs:
    """Discs to draw, one a patch, (N,) each: which patch, diameter in pixels, contrast; offset (N, 2)."""

    patch: Places
    diameter: Array
    contrast: Array
    offset: Array


@dataclass(frozen=True)
class _Came:
    """What came of each disc, (N,): whether it was found, its diameter as measured; pieces nobody drew."""

    found: NDArray[np.bool_]
    diameter: Array
    false_finds: int


def _try(bench: _Bench, contrast: float) -> tuple[Trial | None, int]:
    """Try the limits for discs of one contrast, raised until nothing speaks against them; and false finds."""
    claimed = bench.ground.sight.smallest_px(contrast)
    if not np.isfinite(claimed).all():
        return None, 0
    raised = [1.0, 1.0]
    count, room = len(bench.corners), bench.patch - PATCH_SIGMAS / 2 * bench.ground.sight.sigma_px
    for _ in range(RAISES):
        seen, sized = (size * by for size, by in zip(claimed, raised, strict=True))
        came = _measured(bench, _drawn(bench, contrast, seen, sized))
        share, ratio = float(came.found[:count].mean()), came.diameter[count : 2 * count] / sized
        ratio = ratio[np.isfinite(ratio)]
        fails = _found_fails(share, count), _sized_fails(ratio, count)
        if not any(fails) or max(seen, sized) * RAISE > room:
            break
        raised = [by * RAISE if fail else by for by, fail in zip(raised, fails, strict=True)]
    bias, scatter = (float(ratio.mean()) - 1, float(ratio.std())) if ratio.size else (None, None)
    held = [None if fail else by for by, fail in zip(raised, fails, strict=True)]
    return Trial(contrast, count, seen, share, held[0], sized, bias, scatter, held[1]), came.false_finds


def _found_fails(share: float, count: int) -> bool:
    return share + DOUBT * float(np.sqrt(FOUND_SHARE * (1 - FOUND_SHARE) / count)) < FOUND_SHARE


def _sized_fails(ratio: Array, drawn: int) -> bool:
    if _found_fails(ratio.size / drawn, drawn):
        return True
    scatter = float(ratio.std())
    off = abs(float(ratio.mean()) - 1) - DOUBT * scatter / np.sqrt(ratio.size)
    return bool(off > MOST_BIAS or scatter * (1 - DOUBT / np.sqrt(2 * ratio.size)) > MOST_SCATTER)


def _drawn(bench: _Bench, contrast: float, seen_px: float, sized_px: float) -> _Discs:
    """Discs at the limit of seeing, then at that of size, then resolved ones, at chance fractions of a pixel.

    Pieces of one material differ in contrast; those that are to be sized do too. They reach as far beyond
    their size as shadow is taken to where no lamp casts one.
    """
    from scipy.special import ndtri

    rgb = bench.ground.departure.rgb
    chance = np.random.default_rng(crc32(np.ascontiguousarray(rgb[::31, ::31]).tobytes()))
    count, sigma_px = len(bench.corners), bench.ground.sight.sigma_px
    shadow = 2 * UNSHADOWED.light * float(np.hypot(sigma_px, bench.ground.found.smoothing_px))
    diameter = np.repeat(
        [seen_px, sized_px + shadow, RESOLVED_SIGMAS * sigma_px + shadow], [count, count, RESOLVED]
    )
    unlike = np.concatenate(
        [np.zeros(count), *(chance.permutation(ndtri((np.arange(n) + 0.5) / n)) for n in (count, RESOLVED))]
    )
    return _Discs(
        np.arange(2 * count + RESOLVED) % count,
        diameter,
        np.minimum(contrast * (1 + CONTRAST_REL_U * unlike), 1.0),
        chance.uniform(-0.5, 0.5, (diameter.size, 2)),
    )


def _measured(bench: _Bench, discs: _Discs) -> _Came:
    """Draw discs into a picture of patches, find and size them."""
    ground, patch, count = bench.ground, bench.patch, discs.diameter.size
    columns = int(np.ceil(np.sqrt(count)))
    departure = _laid(
        ground.departure, bench.corners[np.resize(discs.patch, (-(-count // columns), columns))], patch
    )
    row, column = np.divmod(np.arange(count), columns)
    centre = np.stack([column, row], axis=1) * patch + (patch - 1) / 2 + discs.offset
    _draw(departure, discs, centre, ground.sight.sigma_px)
    pieces, sizes = bench.measuring(_found(ground, departure), departure)
    apart = np.hypot(*(centre[:, None] - np.stack([pieces.x, pieces.y], axis=1)).transpose(2, 0, 1))
    own = apart <= (discs.diameter / 2 + NEAR_SIGMAS * ground.sight.sigma_px)[:, None]
    hit = own.any(axis=1)
    nearest = np.where(own, apart, np.inf).argmin(axis=1) if pieces.count else np.zeros(count, np.intp)
    diameter = np.where(hit, sizes.value[nearest], np.nan) if pieces.count else np.full(count, np.nan)
    return _Came(hit, diameter, int(np.count_nonzero(~own.any(axis=0))))


def _laid(departure: Departure, corner: Places, patch: int) -> Departure:
    """Patches of the photo side by side, each over its own paper; `corner` is (rows, columns, 2)."""
    row, column = (np.repeat(np.repeat(corner[..., axis], patch, axis=0), patch, axis=1) for axis in (0, 1))
    row += np.arange(len(row))[:, None] % patch
    column += np.arange(column.shape[1]) % patch
    by = departure.reduction
    across, down = (((pixel - (by - 1) / 2) / by).astype(np.float32) for pixel in (column, row))
    paper, span = (
        np.asarray(
            cv2.remap(image, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
        )
        for image in (departure.paper, departure.span)
    )
    return Departure(np.ascontiguousarray(departure.rgb[row, column]), departure.table, paper, span, 1)


def _draw(departure: Departure, discs: _Discs, centre: Array, sigma_px: float) -> None:
    """Draw blurred discs into the picture of `departure`, in linear light, and code it again."""
    levels = departure.table[0, :, 0]
    edges = (levels[1:] + levels[:-1]) / 2
    for diameter in np.unique(discs.diameter):
        alike = discs.diameter == diameter
        half = int(np.ceil(diameter / 2 + REACH_SIGMAS * sigma_px)) + 1
        offset = np.arange(-half, half + 1)
        place = np.round(centre[alike]).astype(np.intp)
        row, column = place[:, 1, None, None] + offset[:, None], place[:, 0, None, None] + offset
        away = np.hypot(column - centre[alike, 0, None, None], row - centre[alike, 1, None, None])
        radius = np.arange(0, 2 * half, STEP * sigma_px)
        profile = np.interp(away, radius, blurred_disc(radius / sigma_px, diameter / sigma_px))
        part = (discs.contrast[alike, None, None] * profile)[..., None]
        light, covered = levels[departure.rgb[row, column]], (departure.paper - departure.span)[row, column]
        departure.rgb[row, column] = np.searchsorted(edges, light * (1 - part) + part * covered)


def _found(ground: Ground, departure: Departure) -> Found:
    """Find in the picture of patches, held to the photo's own levels, which less paper tells less well."""
    own, (height, width) = ground.found, departure.rgb.shape[:2]
    window = np.ones((height, width), np.uint8)
    found = find_smoothed(departure, window, ground.sight.search_px, own.smoothing_px)
    whole = slice(0, height), slice(0, width)
    step = np.asarray(cv2.transform(departure.inside(whole), LIGHT_AND_COLOUR), np.float32)
    _, strength = light_and_strength(step, ground.sight.search_px)
    count, blobs = cv2.connectedComponents(cv2.dilate(found.mask, np.ones((3, 3), np.uint8)), connectivity=8)
    clear = np.zeros(count, np.uint8)
    clear[blobs[strength > own.seed_level]] = 1
    levels = {name: getattr(own, name) for name in ("noise", "seed_level", "detection_noise")}
    return replace(found, mask=np.asarray(found.mask * clear[blobs], np.uint8), **levels)
