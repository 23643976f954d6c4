"""Particle tables made by hand for tests: round grains of given sizes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from triage.debris.particles import ParticleTable, empty_table


def round_grains(size_um: ArrayLike, uncertainty_um: ArrayLike = 0.0, limit_um: float = 0.0) -> ParticleTable:
    """Return a table of discs, each standing for itself; those below the limit seen but not sized."""
    size = np.atleast_1d(np.asarray(size_um, dtype=float))
    table = empty_table(size.size)
    for name in ("ecd_um", "feret_max_um", "feret_min_um", "length_um", "width_um", "passing_size_um"):
        table[name] = size
    table["ecd_u_um"] = uncertainty_um
    table["area_um2"] = np.pi / 4 * size**2
    table["passing_below_um"] = np.nan
    table["kind"] = "unsure"
    table["weight"] = 1.0
    table["below_sizing_limit"] = size < limit_um
    table["passing_size_um"][size < limit_um] = np.nan
    return table
