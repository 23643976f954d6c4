"""Limits: the smallest particle a photo can show, and the smallest it can size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.by_light import DIAMETERS, disc_energy

Array = NDArray[np.float64]

OPAQUE = 0.9  # contrast of a dark grain
FAINT = 0.3
FOUND_MARGIN = 1.28  # in noise standard deviations above the seed level: found in 90 % of cases
SIZED_SCATTER = 0.15
# Below this many blur sigmas blur alone, known to about 5 %, moves a size by 10 % (rendered scenes).
SIZED_SIGMAS = 2.0
CONTRAST_REL_U = 0.12  # what is usually known of a small particle's contrast
FWHM = 2.354820


@dataclass(frozen=True)
class Limits:
    """All in micrometres: blur as full width at half maximum, then the smallest disc seen and sized."""

    blur_fwhm_um: float
    smallest_seen_um: float
    smallest_sized_um: float
    smallest_seen_faint_um: float
    smallest_sized_faint_um: float


def limits_of(
    sigma_px: float, seed_level: float, noise: float, smoothed_noise: float, um_per_px: float
) -> Limits:
    """Work out the limits of one photo.

    sigma_px: the photo's blur. seed_level: departure that counts as seen, after smoothing by sigma_px.
    noise: standard deviation of one independent pixel. smoothed_noise: that of the smoothed picture.
    """
    seen, sized = {}, {}
    for contrast in (OPAQUE, FAINT):
        level = (seed_level + FOUND_MARGIN * smoothed_noise) / contrast
        seen[contrast] = np.sqrt(2) * sigma_px * np.sqrt(-8 * np.log1p(-min(level, 0.98)))
        sized[contrast] = max(
            seen[contrast], SIZED_SIGMAS * sigma_px, sigma_px * _least_sized(noise / contrast, sigma_px)
        )
    return Limits(
        FWHM * sigma_px * um_per_px,
        seen[OPAQUE] * um_per_px,
        sized[OPAQUE] * um_per_px,
        seen[FAINT] * um_per_px,
        sized[FAINT] * um_per_px,
    )


def _least_sized(relative_noise: float, sigma_px: float) -> float:
    """Diameter, in sigmas, from which light sizes to SIZED_SCATTER (contrast part included)."""
    light_rel_u = relative_noise / (sigma_px * np.sqrt(disc_energy()))
    scatter = np.hypot(light_rel_u, CONTRAST_REL_U) / 2
    good = np.flatnonzero(scatter <= SIZED_SCATTER)
    return float(DIAMETERS[good[0]] if good.size else DIAMETERS[-1])
