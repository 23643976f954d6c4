"""Limits: the smallest particle a photo can show, and the smallest it can size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calibration.scale import PlaneMap
from triage.debris.by_light import DIAMETERS, disc_energy
from triage.debris.find import TILE, Mask, noise_of
from triage.debris.halves import Half

Array = NDArray[np.float64]

OPAQUE = 0.9  # contrast of a dark grain
FAINT = 0.3
NOISIEST = 2.0  # times the noise of the middling parts: what spreads more there is debris; from memory
FOUND_MARGIN = 1.28  # in noise standard deviations above the seed level: found in 90 % of cases
# Squared distance of a disc's centre from the nearest pixel's, mean and standard deviation, in square pixels.
OFF_CENTRE, OFF_CENTRE_U = 1 / 6, 90**-0.5
SIZED_SCATTER = 0.15
# Below this many blur sigmas blur alone, known to about 5 %, moves a size by 10 % (rendered scenes).
SIZED_SIGMAS = 2.0
# Under a blur below three quarters of a pixel smaller discs read by where they fall among the pixels.
SIZED_PX = 1.5
CONTRAST_REL_U = 0.12  # what is usually known of a small particle's contrast
FWHM = 2.354820
PARTS = 3  # regions along either side of the window
REGION_TILES = 4  # along either side, in the middle of a region: enough to tell its noise to a few per cent
NOT_REACHABLE = np.inf


@dataclass(frozen=True)
class Trial:
    """Discs of one contrast drawn into the photo's own paper at its limits, then found and sized.

    `found_share` is of those `seen_px` across; `bias` and `scatter` are the diameters' of those `sized_px`
    across, as parts of it, None where none was found. `seen_raised`, `sized_raised`: by how much a limit had
    to be raised until a trial no longer spoke against it; 1 as computed, None where no size tried would do.
    """

    contrast: float
    drawn: int
    seen_px: float
    found_share: float
    seen_raised: float | None
    sized_px: float
    bias: float | None
    scatter: float | None
    sized_raised: float | None


@dataclass(frozen=True)
class Proof:
    """The trials of a photo's limits; `dark`, `faint` None where nothing of that contrast could be tried.

    `false_finds`: pieces found on `paper_mm2` of paper that nobody drew: false, or its own at the edge of
    sight. `why_not`: why nothing was tried.
    """

    dark: Trial | None = None
    faint: Trial | None = None
    false_finds: int | None = None
    paper_mm2: float | None = None
    why_not: str | None = None


@dataclass(frozen=True)
class RegionLimits:
    """Limits in one part of the window; None: not reachable. `box_px`: left, top, right, bottom of it."""

    box_px: tuple[int, int, int, int]
    smallest_seen_um: float | None
    smallest_sized_um: float | None
    smallest_seen_faint_um: float | None
    smallest_sized_faint_um: float | None


@dataclass(frozen=True)
class Limits:
    """All in micrometres: blur as full width at half maximum, then the smallest disc seen and sized.

    Infinite (NOT_REACHABLE) where no disc, however large, could be seen or sized in this photo. Those of the
    worst of `regions`, raised where `proved` speaks against what was computed.
    """

    blur_fwhm_um: float
    smallest_seen_um: float
    smallest_sized_um: float
    smallest_seen_faint_um: float
    smallest_sized_faint_um: float
    regions: tuple[RegionLimits, ...] = ()
    proved: Proof | None = None


@dataclass(frozen=True)
class Region:
    """One part of the window: its place in the photo (left, top, right, bottom px), scale and noise.

    `noise_ratio` is its noise over that of the window's middling parts.
    """

    box_px: tuple[int, int, int, int]
    um_per_px: float
    noise_ratio: float


@dataclass(frozen=True)
class Sight:
    """What decides the limits of a photo.

    sigma_px: blur. search_px: what the picture was smoothed by to find pieces. seed_level: departure that
    counts as seen in it.
    noise: standard deviation of one independent pixel. smoothed_noise: that of the smoothed picture.
    """

    sigma_px: float
    search_px: float
    seed_level: float
    noise: float
    smoothed_noise: float

    def smallest_px(self, contrast: float, noise_ratio: float = 1.0) -> tuple[float, float]:
        """Diameters of the smallest disc seen and sized, in pixels; `noise_ratio`: noise over usual."""
        # A disc of diameter d under a blur of variance v in all peaks at 1 - exp(-d^2 / 8 v). The nearest
        # pixel keeps `kept` of that on average, `kept_u` either way.
        variance = self.sigma_px**2 + self.search_px**2
        kept, kept_u = np.exp(-OFF_CENTRE / (2 * variance)), OFF_CENTRE_U / (2 * variance)
        chance = np.hypot(self.smoothed_noise * noise_ratio, kept_u * self.seed_level)
        level = (self.seed_level + FOUND_MARGIN * chance) / (kept * contrast)
        seen = np.sqrt(-8 * variance * np.log1p(-level)) if level < 1 else NOT_REACHABLE
        least = _least_sized(self.noise * noise_ratio / contrast, self.sigma_px)
        return float(seen), float(max(seen, SIZED_PX, self.sigma_px * max(SIZED_SIGMAS, least)))


def limits_of(sight: Sight, um_per_px: float, regions: Sequence[Region], proof: Proof | None) -> Limits:
    """Limits of a photo: those of its worst region, raised to what was proved; `um_per_px` for the blur."""
    found = tuple(_in_region(sight, region, proof) for region in regions)
    seen, sized, seen_faint, sized_faint = (
        max(_number(getattr(each, field.name)) for each in found) for field in fields(RegionLimits)[1:]
    )
    blur_um = FWHM * sight.sigma_px * um_per_px
    return Limits(blur_um, seen, sized, seen_faint, sized_faint, found, proof)


def _in_region(sight: Sight, region: Region, proof: Proof | None) -> RegionLimits:
    limits = []
    for contrast, trial in ((OPAQUE, proof and proof.dark), (FAINT, proof and proof.faint)):
        raised = (trial.seen_raised, trial.sized_raised) if trial else (1.0, 1.0)
        smallest = sight.smallest_px(contrast, region.noise_ratio)
        limits += [px * region.um_per_px * _number(by) for px, by in zip(smallest, raised, strict=True)]
    seen, sized, seen_faint, sized_faint = (value if np.isfinite(value) else None for value in limits)
    return RegionLimits(region.box_px, seen, sized, seen_faint, sized_faint)


def _number(limit: float | None) -> float:
    return NOT_REACHABLE if limit is None else limit


def regions_of(light: Half, window: Mask, plane: PlaneMap, corner: tuple[int, int]) -> tuple[Region, ...]:
    """Scale and noise in PARTS by PARTS parts of the window; parts wholly outside it are left out.

    `light` and `window` (H, W) are as in `find`; `corner` is their (left, top) in the photo.
    """
    rows, columns = (np.linspace(0, size, PARTS + 1).astype(int).tolist() for size in window.shape)
    boxes = [
        (left, top, right, bottom) for top, bottom in pairwise(rows) for left, right in pairwise(columns)
    ]
    boxes = [box for box in boxes if window[_middle(box)].any()] or [(0, 0, *window.shape[::-1])]
    noise = [noise_of(light[part], window[part]) for part in map(_middle, boxes)]
    places = np.array([[(left + right) / 2, (top + bottom) / 2] for left, top, right, bottom in boxes])
    scales = plane.um_per_px(places + corner).tolist()
    x, y = corner
    return tuple(
        Region(
            (left + x, top + y, right + x, bottom + y),
            scale,
            float(np.clip(level / float(np.median(noise)), 1.0, NOISIEST)),
        )
        for (left, top, right, bottom), scale, level in zip(boxes, scales, noise, strict=True)
    )


def _middle(box: tuple[int, int, int, int]) -> tuple[slice, slice]:
    """Rows and columns of the middle of a box, REGION_TILES tiles at most."""
    left, top, right, bottom = box
    half = REGION_TILES * TILE // 2
    x, y = (left + right) // 2, (top + bottom) // 2
    return slice(max(top, y - half), min(bottom, y + half)), slice(max(left, x - half), min(right, x + half))


def _least_sized(relative_noise: float, sigma_px: float) -> float:
    """Diameter, in sigmas, from which light sizes to SIZED_SCATTER (contrast part included)."""
    light_rel_u = relative_noise / (sigma_px * np.sqrt(disc_energy()))
    scatter = np.hypot(light_rel_u, CONTRAST_REL_U) / 2
    good = np.flatnonzero(scatter <= SIZED_SCATTER)
    return float(DIAMETERS[good[0]]) if good.size else NOT_REACHABLE
