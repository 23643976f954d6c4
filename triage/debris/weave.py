"""Weave: whether the debris lies on woven cloth, from the peaks of small windows' spectra.

Plain cloth repeats every two wires along both directions, over and under: beside the orders of the wires
themselves there are half-odd ones between them. Their lattice is the wires' own turned by 45 degrees and
finer by the square root of two, so one square lattice of peaks can be read in two ways; where neither
reading is sure, none is given.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image

Array = NDArray[np.float64]

TILE = 256
REDUCTIONS = (1, 4)  # fine cloth shows at full size, a coarse weave under a near lens when reduced
PLACES = (
    (0.5, 0.5),
    (0.28, 0.28),
    (0.28, 0.72),
    (0.72, 0.28),
    (0.72, 0.72),
)  # parts of the window's free play
COARSE = 16
LEAST_PERIODS = 8.0  # in a tile: fewer are no pattern
LIKE = 0.15  # of an order: what perspective moves a peak from one place of the picture to another
EVEN_SMOOTHING_PX = 0.7
EVEN_SPREAD = 0.15  # of that at the strongest edges
EVEN_SHARE = 0.5  # rendered cloth reaches 0.4, grids of discs a third of their pitch wide start at 0.6
PROMINENT = 40.0  # a peak's amplitude over the median one: white noise of a tile reaches 4
LEAST_AMPLITUDE = 0.003  # of the mean light
WEAKEST = 0.02  # of the strongest peak: weaker ones do not say which lattice it is
PEAKS = 12
STRONGEST = 6  # two of these span the lattice
CENTRED = np.array([[0.5, 0.5], [0.5, -0.5]])
RING, ALONE = 3.0, 8.0  # bins; times the median amplitude there: chance among a ring's bins reaches 4
NEAR = 0.05  # of a basis vector: a peak further off the lattice does not belong to it
SKEWED = 0.35  # most that perspective makes the two spacings differ, or lean out of the right angle
BLOCK = 8  # pixels of a JPEG block: its own grid is no cloth
WIRES = 0.75  # diagonal over first orders, geometric means: above, the first ones are half-odd
GRID = 0.5  # below, the lattice is the wires' own: two crossed gratings give at most 0.5
EVEN = 1.6  # ratio of the two first orders of equal wires, at most


@dataclass(frozen=True)
class Lattice:
    """The repeating pattern at pixel `place` (x, y): rows of `basis` (2, 2) in cycles a pixel (x, y).

    All orders are whole sums of these. `wires` (2, 2) gives those of the two wire directions, as rows; None
    where over and under cannot be told from wires. `tracked` (2, 2) are the two that show best.
    """

    place: tuple[float, float]
    basis: Array
    wires: NDArray[np.int64] | None
    tracked: NDArray[np.int64]

    @property
    def period_px(self) -> float:
        """Length of the repeat, two wires wide across their diagonal where over and under shows."""
        return float(1 / np.hypot(*self.basis.T).mean())


def find_lattice(rgb: NDArray[np.uint8], window: NDArray[np.uint8], sigma_px: float) -> Lattice | None:
    """Find woven cloth in a photo (H, W, 3) inside `window` (H, W); None on any other ground.

    `sigma_px` is the photo's blur.
    """
    for reduction in REDUCTIONS:
        tiles = _tiles(rgb, window, reduction)
        spectra = [(place, _spectrum(tile)) for place, tile in tiles if not _is_mostly_even(tile)]
        seen = [(peaks, *each) for each in spectra if (peaks := _peaks(each[1])) is not None]
        for peaks, place, spectrum in sorted(seen, key=lambda each: -float(each[0][:, 2].sum())):
            basis = _basis(peaks)
            others = [each for each, at, _ in seen if at != place]
            # One place alone is no ground.
            if basis is not None and any(_agrees(basis, each) for each in others):
                return _lattice(basis, spectrum, place, sigma_px, reduction)
    return None


def _agrees(basis: Array, peaks: Array) -> bool:
    """Whether another place's peaks lie on about the same lattice, as perspective may have it there."""
    order = peaks[:, :2] @ np.linalg.inv(basis)
    whole = np.round(order)
    far = np.hypot(*(order - whole).T) > np.minimum(LIKE * np.maximum(np.hypot(*whole.T), 1), 2 * LIKE)
    low = np.abs(whole).max(axis=1) <= 2
    return bool((low & ~far).sum() >= 2 and peaks[low & ~far, 2].sum() > 0.5 * peaks[:, 2].sum())


def _tiles(
    rgb: NDArray[np.uint8], window: NDArray[np.uint8], reduction: int
) -> list[tuple[tuple[float, float], Image]]:
    """Five tiles wholly inside the window: middle (x, y), green light as coded (peaks stay in place)."""
    side = TILE * reduction
    coarse = window[::COARSE, ::COARSE]
    rows, columns = (COARSE * np.nonzero(coarse.any(axis=axis))[0] for axis in (1, 0))
    tiles = []
    for down, across in PLACES if rows.size else ():
        top, left = (
            int(of[0] + part * max(of[-1] + COARSE - side - of[0], 0))
            for of, part in ((rows, down), (columns, across))
        )
        cut = (slice(top, top + side), slice(left, left + side))
        if min(window[cut].shape) < side or not window[cut][:: side // 8, :: side // 8].all():
            continue
        green = rgb[(*cut, 1)]
        if reduction > 1:
            green = np.asarray(
                cv2.resize(np.ascontiguousarray(green), (TILE, TILE), interpolation=cv2.INTER_AREA), np.uint8
            )
        tiles.append(((left + side / 2 - 0.5, top + side / 2 - 0.5), green.astype(np.float32)))
    return tiles


def _is_mostly_even(tile: Image) -> bool:
    """Whether most of a tile is even beside its edges: marks on paper may repeat, but are no cloth."""
    smooth = cv2.GaussianBlur(tile, (0, 0), EVEN_SMOOTHING_PX)
    mean, square = cv2.blur(smooth, (3, 3)), cv2.blur(smooth * smooth, (3, 3))
    spread = np.sqrt(np.maximum(square - mean**2, 0))
    return bool(np.mean(spread < EVEN_SPREAD * np.quantile(spread, 0.95)) > EVEN_SHARE)


def _spectrum(tile: Image) -> Image:
    """Amplitudes of a tile over its mean, (TILE, TILE), zero frequency in the middle."""
    ramp = np.hanning(TILE).astype(np.float32)
    taper = ramp[:, None] * ramp
    mean = float(tile.mean()) + 1e-3
    parts = cv2.dft((tile - mean) * taper, flags=cv2.DFT_COMPLEX_OUTPUT)
    amplitude = cv2.sqrt(parts[..., 0] ** 2 + parts[..., 1] ** 2) * (2 / (mean * float(taper.sum())))
    return np.asarray(np.fft.fftshift(amplitude), np.float32)


def _peaks(spectrum: Image) -> Array | None:
    """Peaks of one half plane, strongest first: (N, 3) x and y in cycles a pixel, amplitude."""
    middle = TILE // 2
    least = max(PROMINENT * float(np.median(spectrum[::4, ::4])), LEAST_AMPLITUDE)
    if np.count_nonzero(spectrum[middle + 2 :] > least) < 2:
        return None
    high = (spectrum >= cv2.dilate(spectrum, np.ones((7, 7), np.uint8))) & (spectrum > least)
    row, column = np.nonzero(high[:, middle:])
    down, across = row - middle, column
    inner = (row > 1) & (row < TILE - 2) & (column < middle - 2)
    keep = (np.hypot(down, across) >= LEAST_PERIODS) & inner & ~_of_blocks(down, across)
    keep &= (across > 0) | (down > 0)
    row, column = row[keep], column[keep] + middle
    amplitude = spectrum[row, column]
    order = np.argsort(-amplitude)[:PEAKS]
    order = order[amplitude[order] > WEAKEST * amplitude.max(initial=0)]
    row, column = row[order], column[order]
    alone = [_is_alone(spectrum, *each) for each in zip(row - middle, column - middle, strict=True)]
    if order.size < 3 or not all(alone[:3]):
        return None
    row, column, order = row[alone], column[alone], order[alone]
    # A Gaussian through three amplitudes finds a tapered peak's middle to a few hundredths of a bin.
    y = row + _between(*(spectrum[row + k, column] for k in (-1, 0, 1)))
    x = column + _between(*(spectrum[row, column + k] for k in (-1, 0, 1)))
    return np.column_stack([(x - middle) / TILE, (y - middle) / TILE, amplitude[order]])


def _is_alone(spectrum: Image, down: int, across: int) -> bool:
    """Whether a peak stands far above all else of its own fineness: grains alone make rings."""
    axis = np.arange(TILE) - TILE // 2
    ring = np.abs(np.hypot(axis[:, None], axis) - np.hypot(down, across)) < RING
    here = float(spectrum[TILE // 2 + down, TILE // 2 + across])
    return here > ALONE * float(np.median(spectrum[ring]))


def _of_blocks(down: NDArray[np.intp], across: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Peaks where the coder's own blocks have theirs."""
    step = TILE // BLOCK
    return (np.minimum(down % step, -down % step) <= 1) & (np.minimum(across % step, -across % step) <= 1)


def _between(low: Image, top: Image, high: Image) -> Array:
    low, top, high = (np.log(np.maximum(each, 1e-9)).astype(float) for each in (low, top, high))
    return np.asarray(np.clip((high - low) / (2 * np.maximum(2 * top - low - high, 1e-9)), -0.5, 0.5))


def _lattice(
    basis: Array, spectrum: Image, place: tuple[float, float], sigma_px: float, reduction: int
) -> Lattice:
    orders = ((1, 0), (0, 1), (1, 1), (1, -1))
    second = max(_amplitude_at(spectrum, 2 * each) for each in basis)
    amplitude = {each: _amplitude_at(spectrum, np.array(each) @ basis) for each in orders}
    first = np.array([amplitude[1, 0], amplitude[0, 1]])
    diagonal = np.array([amplitude[1, 1], amplitude[1, -1]])
    ranked = sorted(amplitude, key=lambda order: -amplitude[order])
    tracked = next(
        [one, other]
        for number, other in enumerate(ranked)
        for one in ranked[:number]
        if one[0] * other[1] != one[1] * other[0]
    )
    wires = _wires(first, diagonal, basis, sigma_px / reduction)
    if wires is not None and wires[0, 1] == 0 and second > first.min():
        wires = None  # no grating's second order outshines its first: half-odd ones may be missing
    return Lattice(place, basis / reduction, wires, np.array(tracked))


def _wires(first: Array, diagonal: Array, basis: Array, sigma_px: float) -> NDArray[np.int64] | None:
    """Tell wires from over and under by the peaks that both readings explain differently.

    Wires of one kind show equally in both directions and strongly; between them over and under shows as
    the lamp makes it. Two crossed gratings without it have weak diagonal orders.
    """
    ratio = float(np.sqrt(np.prod(diagonal) / np.prod(first)))
    if ratio > WIRES:
        return np.array([[1, 1], [1, -1]])
    frequency = np.hypot(*basis.T)
    blurred = np.exp(-2 * np.pi**2 * sigma_px**2 * float(np.mean(frequency**2)))  # of a diagonal over a first
    if ratio / max(blurred, 0.05) < GRID and first.max() < EVEN * first.min():
        return np.array([[1, 0], [0, 1]])
    return None


def _basis(peaks: Array) -> Array | None:
    """Two shortest vectors that all peaks are whole sums of, nearly square; None where there are none."""
    vectors, weight = peaks[:, :2], peaks[:, 2]
    for pair in combinations(vectors[:STRONGEST], 2):  # single wires aside make weak peaks of their own
        spanned = _reduced(np.array(pair))
        if spanned is None:
            continue
        # Half-odd orders may show only where no two peaks span them.
        for basis in (spanned, CENTRED @ spanned):
            order = vectors @ np.linalg.inv(basis)
            fits = np.abs(order - np.round(order)).max(axis=1) < NEAR * np.maximum(
                np.abs(order).max(axis=1), 1
            )
            if weight[fits].sum() > 0.9 * weight.sum() and _is_square(basis):
                whole = np.round(order[fits]) * weight[fits, None]
                return np.asarray(
                    np.linalg.lstsq(whole, vectors[fits] * weight[fits, None], rcond=None)[0], float
                )
    return None


def _reduced(basis: Array) -> Array | None:
    """Lagrange's reduction to the two shortest vectors of the lattice; None where they lie in one line."""
    short, long = sorted(basis, key=lambda each: float(each @ each))
    for _ in range(20):
        if short @ short < (LEAST_PERIODS / 2 / TILE) ** 2:
            return None
        turns = np.round(long @ short / (short @ short))
        long = long - turns * short
        if long @ long >= short @ short:
            return np.array([short, long])
        short, long = long, short
    return None


def _is_square(basis: Array) -> bool:
    length = np.hypot(*basis.T)
    lean = abs(float(basis[0] @ basis[1])) / float(length.prod())
    return bool(lean < SKEWED and abs(length[0] - length[1]) < SKEWED * length.mean())


def _amplitude_at(spectrum: Image, frequency: Array) -> float:
    column, row = np.round(frequency * TILE).astype(int) + TILE // 2
    near = spectrum[max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3]
    return float(near.max(initial=1e-9))
