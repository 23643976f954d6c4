"""Blurred edges: found, their profiles read, a blurred step fitted to each or along a straight line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

REACH_PX = 8.0  # how far from an edge its profile is read
STEP_PX = 0.5
FIT_SIGMAS = 2.0  # a step is fitted this far from the edge: a neighbouring edge 4 sigma away is no matter
FIT_PX = 6.0
STRIP_ROWS = 512  # gradients are worked out for so many rows at a time, in little memory
CELL_PX = 8  # edge pixels this near that face the same way are one stretch of edge
CELL_PIXELS = 3  # a stretch has at least so many
SOBEL_NOISE = 0.43  # sd of a Sobel side, scaled to a gradient, over the sd of a pixel
SHARPENING_RADII_PX = (0.8, 1.2, 1.8, 2.6)


@dataclass(frozen=True)
class EdgePixels:
    """Edge pixels: place (px), unit normal towards the light, gradient. All (N,)."""

    x: FloatArray
    y: FloatArray
    normal_x: FloatArray
    normal_y: FloatArray
    gradient: FloatArray

    def take(self, which: NDArray[np.generic]) -> EdgePixels:
        """Return the chosen ones, by index or by mask."""
        return EdgePixels(*(v[which] for v in (self.x, self.y, self.normal_x, self.normal_y, self.gradient)))

    def stretches(self) -> NDArray[np.intp]:
        """Stretch of edge (N,) each pixel belongs to, counted from 0: one cell, one of eight directions."""
        facing = np.rint(np.arctan2(self.normal_y, self.normal_x) / (np.pi / 4)).astype(int) % 8
        cell = (self.y // CELL_PX).astype(int) * 100_000 + (self.x // CELL_PX).astype(int)
        return np.unique(cell * 8 + facing, return_inverse=True)[1]


@dataclass(frozen=True)
class Steps:
    """A blurred step fitted to each profile: dark level, height, place of its middle, sigma. (N,), px."""

    low: FloatArray
    height: FloatArray
    place: FloatArray
    sigma: FloatArray
    rms: FloatArray

    def take(self, which: NDArray[np.generic]) -> Steps:
        """Return the chosen ones, by index or by mask."""
        return Steps(*(v[which] for v in (self.low, self.height, self.place, self.sigma, self.rms)))


def magnitude(across: NDArray[Any], down: NDArray[Any]) -> NDArray[np.float32]:
    """Length of each gradient (H, W), of its two sides as float32.

    OpenCV's own differs in the last bit with where its arrays happen to lie in memory, so that the same photo
    would not give the same numbers twice.
    """
    square = across * across
    square += down * down
    return np.asarray(np.sqrt(square, out=square), np.float32)


def find_edge_pixels(
    linear: NDArray[np.float32], mask: NDArray[np.uint8], noise_sd: float, most: int
) -> EdgePixels:
    """Ridge pixels of the gradient of `linear` (H, W) where `mask` is set; the `most` steepest of them."""
    margin = int(REACH_PX) + 1
    # Eight times its own noise leaves no edge to chance.
    least = max(8 * SOBEL_NOISE * noise_sd, 0.01)
    last = len(linear) - margin
    strips = [slice(top, min(top + STRIP_ROWS, last)) for top in range(margin, last, STRIP_ROWS)]
    found = [_ridge_pixels(linear, mask, rows, least) for rows in strips]
    edges = EdgePixels(*np.concatenate([np.zeros((5, 0)), *found], axis=1))
    if len(edges.x) > most:
        edges = edges.take(np.argpartition(-edges.gradient, most)[:most])
    return edges


def _ridge_pixels(
    linear: NDArray[np.float32], mask: NDArray[np.uint8], rows: slice, least: float
) -> FloatArray:
    """Ridge pixels steeper than `least` in some of the rows, (5, N) in the order of EdgePixels."""
    first = rows.start - 2  # the ridge looks one row on, its gradient one more
    strip = linear[first : rows.stop + 2]
    gx = cv2.Sobel(strip, cv2.CV_32F, 1, 0, scale=1 / 8)
    gy = cv2.Sobel(strip, cv2.CV_32F, 0, 1, scale=1 / 8)
    steep = magnitude(gx, gy)
    margin = int(REACH_PX) + 1
    clear = (steep[2:-2, margin:-margin] > least) & (mask[rows, margin:-margin] > 0)
    row, col = np.nonzero(clear)
    row, col = row + 2, col + margin
    gradient = steep[row, col]
    nx, ny = gx[row, col] / gradient, gy[row, col] / gradient
    dx, dy = np.rint(nx).astype(int), np.rint(ny).astype(int)
    ridge = (gradient >= steep[row + dy, col + dx]) & (gradient > steep[row - dy, col - dx])
    return np.array([col, row + first, nx, ny, gradient], dtype=float)[:, ridge]


def read_profiles(
    linear: NDArray[np.float32], edges: EdgePixels, shift: FloatArray | float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Offsets (T,) px along the normal, dark to light, and the light there (N, T), moved by `shift` px."""
    offsets = np.arange(-REACH_PX, REACH_PX + STEP_PX / 2, STEP_PX)
    along = offsets + np.reshape(shift, (-1, 1))
    x = (edges.x[:, None] + edges.normal_x[:, None] * along).astype(np.float32)
    y = (edges.y[:, None] + edges.normal_y[:, None] * along).astype(np.float32)
    # Cubic interpolation keeps the width of an edge; linear would widen it.
    read = cv2.remap(linear, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return offsets, np.asarray(read, dtype=float)


def fit_steps(offsets: FloatArray, profiles: FloatArray, gradient: FloatArray) -> Steps:
    """Fit a blurred step to every profile (N, T) at once, from what the gradient (N,) says of its width."""
    from scipy.special import ndtr

    used = np.abs(offsets) <= FIT_PX
    offsets, profiles = offsets[used].astype(np.float32), profiles[:, used].astype(np.float32)
    near = np.abs(offsets) <= 4
    low, high = profiles[:, near].min(axis=1), profiles[:, near].max(axis=1)
    height, place = high - low, np.zeros_like(low)
    sigma = np.clip(height / (np.sqrt(2 * np.pi) * gradient), 0.4, 4.5).astype(np.float32)
    for _ in range(7):
        z = (offsets - place[:, None]) / sigma[:, None]
        weight = 1 / (1 + np.exp(np.clip(4 * (np.abs(z) - FIT_SIGMAS) * sigma[:, None], -30, 30)))
        rise = ndtr(z)
        bell = np.exp(-z * z / 2) * np.float32(1 / np.sqrt(2 * np.pi)) * (height / sigma)[:, None]
        slopes = np.stack([np.ones_like(rise), rise, -bell, -bell * z], axis=1)
        rest = profiles - low[:, None] - height[:, None] * rise
        weighted = slopes * weight[:, None]
        normal = (weighted @ slopes.swapaxes(1, 2)).astype(float)
        normal += 1e-6 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(4)
        move = np.linalg.solve(normal, (weighted @ rest[..., None]).astype(float))[..., 0].astype(np.float32)
        low, height = low + move[:, 0], height + move[:, 1]
        place = np.clip(place + np.clip(move[:, 2], -0.5, 0.5), -2, 2)
        sigma = np.clip(sigma + np.clip(move[:, 3], -0.3 * sigma, 0.3 * sigma), 0.3, FIT_PX)
    rms = np.sqrt((weight * rest**2).sum(axis=1) / weight.sum(axis=1))
    return Steps(*(np.asarray(v, dtype=float) for v in (low, height, place, sigma, rms)))


def fit_sharpened(offsets: FloatArray, profile: FloatArray, sigma: float) -> float:
    """Sigma before sharpening of a mean edge profile (T,) whose plain fit gave `sigma`, both px.

    The model is the common one: picture plus a share of its difference from its blurred self.
    """
    from scipy.special import ndtr

    used = (offsets >= -1.8 * sigma) & (offsets <= REACH_PX - 1)
    t, y = offsets[used], profile[used]
    best, best_sigma = np.inf, sigma
    for trial in sigma * np.arange(0.8, 2.2, 0.02):
        plain = ndtr(t / trial)
        for radius in SHARPENING_RADII_PX:
            basis = np.stack([np.ones_like(t), plain, plain - ndtr(t / np.hypot(trial, radius))], axis=1)
            found = np.linalg.lstsq(basis, y, rcond=None)[0]
            misfit = float(np.sum((y - basis @ found) ** 2))
            if misfit < best and 0 <= found[2] <= 2 * found[1]:
                best, best_sigma = misfit, float(trial)
    return best_sigma


@dataclass(frozen=True)
class StraightEdge:
    """A straight edge fitted to pixels: sigma and its uncertainty from noise (px), height, residual rms."""

    sigma_px: float
    sigma_u_px: float
    height: float
    rms: float
    across_px: FloatArray  # (M,) distance of every pixel used from the fitted line, light side positive
    level: FloatArray  # (M,) light of those pixels


def fit_straight_edge(
    linear: NDArray[np.float32], start_px: FloatArray, end_px: FloatArray, clear_px: float
) -> StraightEdge | None:
    """Fit a blurred step to all pixels near the line from start to end, (2,) px each.

    The line may be shifted, turned and slightly curved. A slanted edge crosses the pixel grid at every
    phase, so it is sampled far finer than the pixels. Both sides must be even for `clear_px`. None where
    there is no such edge, or it lies outside the picture.
    """
    from scipy.special import ndtr

    start, end = np.asarray(start_px, dtype=float), np.asarray(end_px, dtype=float)
    along, across, level = _pixels_near(linear, start, end, min(clear_px, 12.0))
    if len(level) < 60:
        return None
    sides = level[across < -1], level[across > 1]
    if min(side.size for side in sides) < 10:
        return None
    low, high = (np.median(side) for side in sides)
    if high < low:
        across, low, high = -across, high, low
    basis = np.stack([np.ones_like(along), along, along**2], axis=1)
    theta = np.array([low, high - low, 0.0, 0.0, 0.0, 1.2])
    for _ in range(25):
        z = (across - basis @ theta[2:5]) / theta[5]
        bell = np.exp(-z * z / 2) / np.sqrt(2 * np.pi) * theta[1] / theta[5]
        slopes = np.column_stack([np.ones_like(z), ndtr(z), -bell[:, None] * basis, -bell * z])
        rest = level - theta[0] - theta[1] * slopes[:, 1]
        normal = slopes.T @ slopes
        if not np.isfinite(normal).all() or np.linalg.cond(normal) > 1e12:
            return None
        move = np.linalg.solve(normal, slopes.T @ rest)
        move[2:] = np.clip(move[2:], -0.5, 0.5)
        theta = theta + move
        theta[5] = np.clip(theta[5], 0.3, clear_px / 2)
        if np.abs(move[2:]).max() < 1e-3:
            break
    rms = float(np.sqrt(np.mean(rest**2)))
    if rms > 0.12 * theta[1] or not 0.3 < theta[5] < clear_px / 2:
        return None
    sigma_u = rms * float(np.sqrt(np.linalg.inv(normal)[5, 5]))
    return StraightEdge(float(theta[5]), sigma_u, float(theta[1]), rms, across - basis @ theta[2:5], level)


def _pixels_near(
    linear: NDArray[np.float32], start: FloatArray, end: FloatArray, reach: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Pixels near the line, its ends left out: place along it (-1..1), across it (px), light. (M,) each."""
    length = float(np.hypot(*(end - start)))
    low = np.floor(np.minimum(start, end) - reach).astype(int)
    high = np.ceil(np.maximum(start, end) + reach).astype(int) + 1
    if length < 8 or (low < 0).any() or (high > linear.shape[::-1]).any():
        return np.zeros(0), np.zeros(0), np.zeros(0)
    y, x = np.mgrid[low[1] : high[1], low[0] : high[0]]
    way = (end - start) / length
    dx, dy = x - (start[0] + end[0]) / 2, y - (start[1] + end[1]) / 2
    along, across = (dx * way[0] + dy * way[1]) / (length / 2), dy * way[0] - dx * way[1]
    near = (np.abs(along) < 1 - 2 * min(reach / length, 0.3)) & (np.abs(across) < reach)
    return along[near], across[near], linear[low[1] : high[1], low[0] : high[0]][near].astype(float)
