"""Size by light: particles too small for their outline, from the light they take away.

A small particle's picture is a disc smeared by the photo's blur. Its brightness pattern is compared
with that of discs of many diameters; the contrast is fitted along with the size, held near the
contrast that larger particles of like colour have in the same photo. A slope and an offset of the
paper are fitted too, so that a shadow on one side is not taken for particle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Disc diameters tried, in blur sigmas: below the first, size and contrast cannot be told apart.
DIAMETERS = np.geomspace(0.3, 10.0, 64)
RIM = 2.0  # pixels are used out to the disc's rim plus this many sigma
STEP = 0.02  # of the radius table, in sigma


@dataclass(frozen=True)
class LightSizes:
    """Per particle: diameter and its standard uncertainty in pixels, and the fitted contrast."""

    diameter_px: Array
    diameter_u_px: Array
    contrast: Array


def blurred_disc(radius: Array, diameter: float) -> Array:
    """Brightness at each `radius` of a unit disc blurred by a Gaussian, all lengths in its sigma.

    A ring of radius s becomes exp(-(r - s)^2 / 2) I0e(r s); the disc is the sum of its rings.
    """
    from scipy.special import i0e

    count = 32
    rings = (np.arange(count) + 0.5) / count * diameter / 2
    kernel = np.exp(-0.5 * (radius[..., None] - rings) ** 2) * i0e(radius[..., None] * rings)
    result: Array = (kernel * rings).sum(axis=-1) * diameter / (2 * count)
    return result


def fit(
    light: NDArray[np.float32],
    usable: NDArray[np.bool_],
    centres_px: Array,
    rough_diameter_px: Array,
    sigma_px: float,
    noise: float,
    contrast: Array,
    contrast_u: Array,
) -> LightSizes:
    """Fit size and contrast of N isolated small particles.

    Parameters
    ----------
    light : (H, W), signed departure in linear light
    usable : (H, W), False where other debris lies, indexed by the particle's own pixels as well
    centres_px : (N, 2)
    rough_diameter_px : (N,), sets which pixels are used
    sigma_px : blur of `light`, pixel size included
    noise : standard deviation of one independent pixel of `light`
    contrast, contrast_u : (N,), what is known of the contrast beforehand, and its standard uncertainty
    """
    half = int(np.ceil(rough_diameter_px.max() / 2 + RIM * sigma_px)) + 1
    data, weight, radius, basis = _patches(light, usable, centres_px, rough_diameter_px, sigma_px, half)
    templates = _templates(radius / sigma_px)  # (N, P, K)
    data, templates = _without_plane(data, templates, basis, weight)
    power = np.einsum("npk,npk->nk", templates, templates) / noise**2
    match = np.einsum("npk,np->nk", templates, data) / noise**2
    prior = 1 / contrast_u[:, None] ** 2
    amplitude = (match + contrast[:, None] * prior) / (power + prior)
    misfit = -2 * amplitude * match + amplitude**2 * power + (amplitude - contrast[:, None]) ** 2 * prior
    return _summary(misfit, amplitude, np.log(power + prior), sigma_px)


def _patches(light, usable, centres, rough, sigma, half):  # type: ignore[no-untyped-def]
    offset = np.arange(-half, half + 1)
    whole = np.round(centres).astype(int)
    column = whole[:, 0, None, None] + offset[None, None, :]
    row = whole[:, 1, None, None] + offset[None, :, None]
    inside = (row >= 0) & (row < light.shape[0]) & (column >= 0) & (column < light.shape[1])
    row_in, column_in = np.clip(row, 0, light.shape[0] - 1), np.clip(column, 0, light.shape[1] - 1)
    x, y = np.broadcast_arrays(column - centres[:, 0, None, None], row - centres[:, 1, None, None])
    radius = np.hypot(x, y)
    near = radius <= (rough / 2 + RIM * sigma)[:, None, None]
    weight = (near & inside & usable[row_in, column_in]).astype(float)
    count = len(centres)
    basis = np.stack([np.ones_like(x), x / half, y / half], axis=-1)
    return (
        light[row_in, column_in].reshape(count, -1).astype(float),
        weight.reshape(count, -1),
        radius.reshape(count, -1),
        basis.reshape(count, -1, 3),
    )


def _templates(radius: Array) -> Array:
    grid = np.arange(0, radius.max() + 2 * STEP, STEP)
    table = np.stack([blurred_disc(grid, diameter) for diameter in DIAMETERS], axis=1)
    position = radius / STEP
    low = position.astype(int)
    part = (position - low)[..., None]
    result: Array = table[low] * (1 - part) + table[low + 1] * part
    return result


def _without_plane(data, templates, basis, weight):  # type: ignore[no-untyped-def]
    """Take the best paper plane out of data and templates alike, so that it no longer matters."""
    weighted = basis * weight[..., None]
    normal = np.einsum("npi,npj->nij", weighted, basis) + 1e-9 * np.eye(3)
    both = np.concatenate([data[..., None], templates], axis=2) * weight[..., None]
    plane = np.linalg.solve(normal, np.einsum("npi,npk->nik", basis, both))
    both -= np.einsum("npi,nik->npk", weighted, plane)
    return both[..., 0], both[..., 1:]


def _summary(misfit: Array, amplitude: Array, log_power: Array, sigma: float) -> LightSizes:
    """Weigh all diameters by how well they fit (even prior in the logarithm of the diameter)."""
    evidence = -0.5 * (misfit - misfit.min(axis=1, keepdims=True)) - 0.5 * log_power
    chance = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    log_diameter = np.log(DIAMETERS * sigma)
    mean = chance @ log_diameter
    spread = np.sqrt(np.maximum(chance @ log_diameter**2 - mean**2, (np.diff(log_diameter)[0] / 3) ** 2))
    diameter = np.exp(mean)
    return LightSizes(diameter, diameter * spread, (chance * amplitude).sum(axis=1))
