"""Size by light: particles too small for their outline, from the light they take away.

A small particle's picture is a disc smeared by the photo's blur. Its brightness pattern is compared
with that of discs of many diameters; the contrast is fitted along with the size, held near the
contrast that larger particles of like colour have in the same photo. A slope and an offset of the
paper are fitted too, so that a shadow on one side is not taken for particle.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Disc diameters tried, in blur sigmas: below the first, size and contrast cannot be told apart.
DIAMETERS = np.geomspace(0.3, 10.0, 44)
RIM = 2.0  # pixels are used out to the disc's rim plus this many sigma
STEP = 0.05  # of the radius table, in sigma
FARTHEST = 14.0  # radius, in sigma, to which the table reaches
TRIALS = np.linspace(0.8, 1.6, 7)  # of the blur that edges gave
ROUNDS = 3  # of trials, each round the best of the last
SHAPE_NOISE = 0.03  # of the contrast
OUTLIER = 200.0  # misfit above which a piece is no disc and has no more say
APART_ROUNDS = 2
CHUNK = 128  # pieces at a time: bounds the memory
JURY = 96  # pieces that judge the blur: more hardly move it


@dataclass(frozen=True)
class SmallPieces:
    """What is known beforehand; (N,) arrays, (N, 2) centres, in pixels.

    `rough_diameter` sets which pixels are used; `contrast` and `contrast_u` are the contrast that like pieces
    have and its standard uncertainty.
    """

    label: NDArray[np.int32]
    centre: Array
    rough_diameter: Array
    contrast: Array
    contrast_u: Array

    def rows(self, part: NDArray[np.intp]) -> SmallPieces:
        """Some of the pieces."""
        return SmallPieces(
            self.label[part],
            self.centre[part],
            self.rough_diameter[part],
            self.contrast[part],
            self.contrast_u[part],
        )


@dataclass(frozen=True)
class _Patches:
    """Pixels round each piece: (N, P), `plane` (N, P, 3); `x`, `y` and `radius` from its centre."""

    data: NDArray[np.float32]
    weight: NDArray[np.float32]
    x: Array
    y: Array
    radius: Array
    plane: NDArray[np.float32]

    @property
    def data_power(self) -> Array:
        """Sum of squares of the data, (N,), the paper's plane taken out."""
        data, _ = _without_plane(self, np.empty((*self.data.shape, 0), np.float32))
        return np.asarray(np.einsum("np,np->n", data, data))


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
    light: NDArray[np.floating],
    labels: NDArray[np.int32],
    small: SmallPieces,
    sigma_px: float,
    noise: float,
) -> LightSizes:
    """Fit size and contrast of N isolated small particles.

    Parameters
    ----------
    light : (H, W), signed departure in linear light
    labels : (H, W), other pieces' pixels are left out
    sigma_px : blur of `light`, pixel size included
    noise : standard deviation of one independent pixel of `light`
    """
    order = np.argsort(small.rough_diameter, kind="stable")  # like sizes together: small patches stay small
    result = np.empty((3, small.label.size))
    for first in range(0, order.size, CHUNK):
        part = order[first : first + CHUNK]
        result[:, part] = _fit_chunk(light, labels, small.rows(part), sigma_px, noise)
    return LightSizes(*result)


def fit_apart(
    light: NDArray[np.floating],
    labels: NDArray[np.int32],
    small: SmallPieces,
    sizes: LightSizes,
    sigma_px: float,
    noise: float,
) -> LightSizes:
    """Fit those anew that others lie close beside, with the light that the others take away given back.

    Parameters as in `fit`; `sizes` is what it returned.
    """
    near = np.flatnonzero(_crowded(small, sizes, sigma_px))
    if not near.size:
        return sizes
    result = np.stack([sizes.diameter_px, sizes.diameter_u_px, sizes.contrast])
    order = near[np.argsort(small.rough_diameter[near], kind="stable")]
    for _ in range(APART_ROUNDS):
        fresh = result.copy()
        for first in range(0, order.size, CHUNK):
            part = order[first : first + CHUNK]
            patch = _patches(light, labels, small.rows(part), sigma_px)
            given_back = patch.data - _taken_by_others(patch, small, part, result, sigma_px)
            patch = replace(patch, data=given_back)
            fresh[:, part] = _summary(*_misfit(patch, small.rows(part), sigma_px, noise), sigma_px)
        result = fresh
    return LightSizes(*result)


def _crowded(small: SmallPieces, sizes: LightSizes, sigma_px: float) -> NDArray[np.bool_]:
    """Pieces into whose patch the blur of the nearest other reaches."""
    from scipy.spatial import cKDTree

    if small.label.size < 2:
        return np.zeros(small.label.size, bool)
    apart, nearest = cKDTree(small.centre).query(small.centre, k=2)
    across = sizes.diameter_px + sizes.diameter_px[nearest[:, 1]]
    return np.asarray(apart[:, 1] < across / 2 + 2 * RIM * sigma_px)


def _taken_by_others(
    patch: _Patches, small: SmallPieces, part: NDArray[np.intp], sizes: Array, sigma_px: float
) -> NDArray[np.float32]:
    """Light that all other fitted discs take away in the patches (N, P) of the pieces `part`."""
    from scipy.spatial import cKDTree

    rim = RIM * sigma_px + small.rough_diameter[part] / 2  # farther out a patch has no say
    reach = sizes[0] / 2 + 2 * RIM * sigma_px
    within = cKDTree(small.centre).query_ball_point(small.centre[part], rim + reach.max())
    owner, other = np.repeat(np.arange(part.size), [len(each) for each in within]), np.concatenate(within)
    apart = small.centre[part[owner]] - small.centre[other]
    meets = (other != part[owner]) & (np.hypot(*apart.T) < rim[owner] + reach[other])
    owner, other, apart = owner[meets], other[meets], apart[meets]
    radius = np.hypot(patch.x[owner] + apart[:, :1], patch.y[owner] + apart[:, 1:])
    taken = np.zeros_like(patch.data)
    np.add.at(taken, owner, _profiles(radius, sizes[:, other], sigma_px))
    return taken


def _profiles(radius: Array, sizes: Array, sigma_px: float) -> NDArray[np.float32]:
    """Light that each fitted disc takes away at radii (N, P), in pixels, from its centre."""
    place = np.interp(np.log(sizes[0] / sigma_px), np.log(DIAMETERS), np.arange(DIAMETERS.size))
    low = np.minimum(place.astype(np.intp), DIAMETERS.size - 2)
    part = (place - low)[:, None]
    at = np.minimum(radius / sigma_px / STEP, len(disc_table()) - 1).astype(np.intp)
    table = disc_table()
    profile = table[at, low[:, None]] * (1 - part) + table[at, low[:, None] + 1] * part
    return np.asarray(sizes[2][:, None] * profile, np.float32)


def sharpest_fit(
    light: NDArray[np.floating], labels: NDArray[np.int32], small: SmallPieces, sigma_px: float, noise: float
) -> float:
    """Return the blur under which the small particles together look most like blurred discs.

    The smallest particles are pictures of the blur itself, phone sharpening and smoothing included, which
    edges do not show in the same way. `sigma_px` is the blur to start from.
    """
    # Grains are no perfect discs: in a clean photo their shape, not the noise, is what is left over.
    noise = float(np.hypot(noise, SHAPE_NOISE * np.median(small.contrast)))
    chosen = small.rows(np.linspace(0, small.label.size - 1, min(JURY, small.label.size)).astype(int))
    for _ in range(ROUNDS):
        patch = _patches(light, labels, chosen, sigma_px)
        trials = sigma_px * TRIALS
        misfits = np.array([_mean_misfit(patch, chosen, trial, noise) for trial in trials])
        best = int(np.argmin(misfits))
        if 0 < best < TRIALS.size - 1:
            break
        sigma_px = trials[best]
    best = int(np.clip(best, 1, TRIALS.size - 2))
    curve = np.polyfit(trials[best - 1 : best + 2], misfits[best - 1 : best + 2], 2)
    turn = -curve[1] / (2 * curve[0]) if curve[0] > 0 else trials[int(np.argmin(misfits))]
    return float(np.clip(turn, trials[0], trials[-1]))


def _mean_misfit(patch: _Patches, small: SmallPieces, sigma_px: float, noise: float) -> float:
    misfit = _misfit(patch, small, sigma_px, noise)[0].min(axis=1) + patch.data_power / noise**2
    return float(np.minimum(misfit, OUTLIER).mean())


def _fit_chunk(
    light: NDArray[np.floating], labels: NDArray[np.int32], small: SmallPieces, sigma_px: float, noise: float
) -> tuple[Array, Array, Array]:
    patch = _patches(light, labels, small, sigma_px)
    return _summary(*_misfit(patch, small, sigma_px, noise), sigma_px)


def _misfit(patch: _Patches, small: SmallPieces, sigma_px: float, noise: float) -> tuple[Array, Array, Array]:
    """Misfit (less the data's own power), best contrast and logarithm of its weight, (N, K) each."""
    data, templates = _without_plane(patch, _templates(patch.radius / sigma_px))
    power = np.einsum("npk,npk->nk", templates, templates).astype(float) / noise**2
    match = (data[:, None].astype(np.float32) @ templates)[:, 0].astype(float) / noise**2
    contrast, prior = small.contrast[:, None], 1 / small.contrast_u[:, None] ** 2
    amplitude = (match + contrast * prior) / (power + prior)
    misfit = -2 * amplitude * match + amplitude**2 * power + (amplitude - contrast) ** 2 * prior
    return misfit, amplitude, np.log(power + prior)


def _patches(
    light: NDArray[np.floating], labels: NDArray[np.int32], small: SmallPieces, sigma: float
) -> _Patches:
    half = int(np.ceil(small.rough_diameter.max() / 2 + RIM * sigma)) + 1
    offset = np.arange(-half, half + 1)
    whole = np.round(small.centre).astype(int)
    column = whole[:, 0, None, None] + offset[None, None, :]
    row = whole[:, 1, None, None] + offset[None, :, None]
    inside = (row >= 0) & (row < light.shape[0]) & (column >= 0) & (column < light.shape[1])
    row_in, column_in = np.clip(row, 0, light.shape[0] - 1), np.clip(column, 0, light.shape[1] - 1)
    x, y = np.broadcast_arrays(column - small.centre[:, 0, None, None], row - small.centre[:, 1, None, None])
    radius = np.hypot(x, y)
    near = radius <= (small.rough_diameter / 2 + RIM * sigma)[:, None, None]
    owner = labels[row_in, column_in]
    free = (owner == 0) | (owner == small.label[:, None, None])
    count = small.label.size
    plane = np.stack([np.ones_like(x), x / half, y / half], axis=-1)
    return _Patches(
        data=light[row_in, column_in].astype(np.float32).reshape(count, -1),
        weight=(near & inside & free).astype(np.float32).reshape(count, -1),
        x=x.reshape(count, -1),
        y=y.reshape(count, -1),
        radius=radius.reshape(count, -1),
        plane=plane.reshape(count, -1, 3).astype(np.float32),
    )


@cache
def disc_table() -> NDArray[np.float32]:
    """Profiles of all DIAMETERS at radii STEP apart, (R, K), in blur sigmas."""
    grid = np.arange(0, FARTHEST + 2 * STEP, STEP)
    return np.stack([blurred_disc(grid, diameter) for diameter in DIAMETERS], axis=1).astype(np.float32)


def disc_energy() -> Array:
    """Integral over the plane of each disc's squared profile, (K,), in squared sigmas."""
    table = disc_table().astype(float)
    radius = np.arange(len(table)) * STEP
    energy: Array = (table**2 * radius[:, None]).sum(axis=0) * 2 * np.pi * STEP
    return energy


def _templates(radius: Array) -> NDArray[np.float32]:
    table = disc_table()
    position = np.minimum(radius / STEP, len(table) - 2)
    low = position.astype(np.intp)
    part = (position - low)[..., None].astype(np.float32)
    profile = table[low]
    profile += part * (table[low + 1] - profile)
    return profile


def _without_plane(patch: _Patches, templates: NDArray[np.float32]) -> tuple[Array, NDArray[np.float32]]:
    """Take the best paper plane out of data and templates alike, so that it no longer matters."""
    weight = patch.weight[..., None]
    weighted = patch.plane * weight
    across = weighted.transpose(0, 2, 1)
    both = np.concatenate([patch.data[..., None], templates], axis=2) * weight
    fitted = np.linalg.solve(across @ patch.plane + 1e-6 * np.eye(3, dtype=np.float32), across @ both)
    both -= weighted @ fitted
    return both[..., 0].astype(float), both[..., 1:]


def _summary(misfit: Array, amplitude: Array, log_power: Array, sigma: float) -> tuple[Array, Array, Array]:
    """Weigh all diameters by how well they fit (even prior in the logarithm of the diameter)."""
    evidence = -0.5 * (misfit - misfit.min(axis=1, keepdims=True)) - 0.5 * log_power
    chance = np.exp(evidence - evidence.max(axis=1, keepdims=True))
    chance /= chance.sum(axis=1, keepdims=True)
    log_diameter = np.log(DIAMETERS * sigma)
    step = float(np.diff(log_diameter)[0])
    mean = chance @ log_diameter
    spread = np.sqrt(np.maximum(chance @ log_diameter**2 - mean**2, 0))
    turn, width = _vertex(evidence)
    narrow = width < 1  # the peak lies between two diameters tried
    mean = np.where(narrow, log_diameter[0] + turn * step, mean)
    spread = np.where(narrow, width * step, np.maximum(spread, step / 3))
    diameter = np.exp(mean)
    return diameter, diameter * spread, (chance * amplitude).sum(axis=1)


def _vertex(evidence: Array) -> tuple[Array, Array]:
    """Place and width, in grid steps, of the normal peak through the highest three values, (N,) each."""
    best = np.clip(evidence.argmax(axis=1), 1, evidence.shape[1] - 2)
    row = np.arange(len(best))
    low, top, high = (evidence[row, best + k] for k in (-1, 0, 1))
    bend = np.maximum(2 * top - low - high, 1e-9)
    return best + np.clip((high - low) / (2 * bend), -1, 1), 1 / np.sqrt(bend)
