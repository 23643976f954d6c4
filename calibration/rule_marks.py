"""Evenly spaced marks in a picture: found in tiles, then followed along the rule that carries them.

A tile's Fourier peak gives spacing and direction. Then the picture is straightened along that direction and
the phase of the spacing is followed from cell to cell, so that every mark takes part, and last each
mark's own place is taken. Nothing here knows units.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_TILE = 64
_SHORTEST, _LONGEST = 4.5, 13.0  # spacings in pixels searched in one pyramid level; levels differ by two
_SEARCH_SIDE = 2300  # px: finer levels only serve the following
_FAMILIES = 60  # of tiles, tried
SAMPLES = 16  # strip pixels per spacing
BAND = 8  # strip rows in a band
_HALF_BANDS = 48  # bands each side of the tile: 24 spacings, the longest mark of a 1/64 in rule
FEWEST_MARKS = 8
_LONG = 60  # marks that keep step so long do so by no chance, even where blur has taken their shape
_LOOSEST = 0.045  # rms of marks about even spacing: rules 0.01 to 0.03, a brick wall 0.05 to 0.07

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Grey = NDArray[np.uint8]


@dataclass(frozen=True)
class Place:
    """A tile with evenly spaced lines, in full-picture pixels."""

    centre: Doubles  # (x, y)
    wave: Doubles  # (x, y), cycles per pixel
    weight: float  # of two families the more promising


@dataclass(frozen=True)
class Strip:
    """The picture straightened along the supposed rule: one spacing is SAMPLES columns."""

    bands: Doubles  # (bands, columns) grey, each averaged over BAND rows
    origin: Doubles  # (x, y) full-picture pixel of the strip's first corner
    along: Doubles  # (x, y) full-picture pixels per spacing
    across: Doubles  # the same, at right angles
    seed_spacing: int  # the tile it grew from
    seed_band: int


@dataclass(frozen=True)
class Comb:
    """Marks followed along a strip: the phase (`phase_terms`) grows by one from mark to mark."""

    coefficients: Doubles
    used: NDArray[np.bool_]  # (bands, spacings)
    first: int
    last: int  # spacings of the strip between which marks were followed
    residual: float  # rms, in spacings

    @property
    def marks(self) -> int:
        """Spacings between the first and the last mark."""
        return self.last + 1 - self.first


def levels_of(image: Grey) -> list[Grey]:
    """The picture in grey, then halved again and again."""
    # Coloured lines on pale paper stand out most in the darkest channel.
    grey = image if image.ndim == 2 else cv2.min(cv2.min(image[..., 0], image[..., 1]), image[..., 2])
    levels = [np.ascontiguousarray(grey, dtype=np.uint8)]
    while min(levels[-1].shape) >= 2 * _TILE:
        height, width = levels[-1].shape
        even = levels[-1][: height // 2 * 2, : width // 2 * 2]
        halved = cv2.resize(even, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        levels.append(halved.astype(np.uint8, copy=False))
    return levels


def _evened(grey: Grey) -> Floats:
    """Less the local mean, over the local spread: edges and shadows weigh no more than marks."""
    values = grey.astype(np.float32)
    values -= cv2.blur(cv2.blur(values, (15, 15)), (15, 15))
    spread = np.sqrt(np.maximum(cv2.blur(values * values, (31, 31)), 0))
    return np.asarray(np.clip(values / (spread + 2), -3, 3), np.float32)


def _tile_peaks(grey: Grey) -> tuple[Doubles, Doubles, Doubles]:
    """Strongest wave of each tile: centres and waves (N, 2) in this level's pixels, share of power (N,)."""
    from scipy.fft import rfft2

    window = np.hanning(_TILE + 1)[:-1].astype(np.float32)
    fy, fx = np.fft.fftfreq(_TILE), np.fft.rfftfreq(_TILE)
    frequency = np.hypot(fx, fy[:, None]).astype(np.float32)
    weight = frequency * ((frequency > 1 / _LONGEST) & (frequency < 1 / _SHORTEST))
    step = _TILE // 2
    tiles = np.lib.stride_tricks.sliding_window_view(_evened(grey), (_TILE, _TILE))[::step, ::step]
    centres, waves, shares = [], [], []
    near = np.arange(-1, 2)
    for row, line in enumerate(tiles):
        spectrum = rfft2(line * np.outer(window, window))
        power = (spectrum.real**2 + spectrum.imag**2) * weight
        y, x = np.unravel_index(power.reshape(len(power), -1).argmax(axis=1), frequency.shape)
        each = np.arange(len(power))[:, None, None]
        rows = (y[:, None, None] + near[:, None]) % _TILE
        columns = np.minimum(x[:, None, None] + near, _TILE // 2)  # -1 is a column of no power
        peak = power[each, rows, columns] + 1e-12
        total = peak.sum(axis=(1, 2))
        offset_x, offset_y = (peak * near).sum(axis=(1, 2)), (peak * near[:, None]).sum(axis=(1, 2))
        waves.append(np.stack([fx[x] + offset_x / total / _TILE, fy[y] + offset_y / total / _TILE], axis=1))
        shares.append(total / (power.sum(axis=(1, 2)) + 1e-6))
        middle = np.arange(len(power)) * step + (_TILE - 1) / 2
        centres.append(np.stack([middle, np.full(len(power), row * step + (_TILE - 1) / 2)], axis=1))
    return np.concatenate(centres), np.concatenate(waves), np.concatenate(shares)


def places_with_marks(levels: list[Grey]) -> list[Place]:
    """Best tile of each family of tiles that agree in spacing and direction, best family first."""
    found = []
    for number, grey in enumerate(levels):
        if max(grey.shape) <= _SEARCH_SIDE and min(grey.shape) >= _TILE:
            shrink = 2**number
            centres, waves, shares = _tile_peaks(grey)
            area = np.full(len(shares), 4.0**number)
            found.append(np.column_stack([(centres + 0.5) * shrink - 0.5, waves / shrink, shares, area]))
    tiles = np.concatenate(found) if found else np.empty((0, 6))
    tiles = tiles[tiles[:, 4] > 0.25]
    places = []
    while len(tiles):
        best = tiles[tiles[:, 4].argmax()]
        wave = best[2:4]
        apart = np.minimum(
            np.linalg.norm(tiles[:, 2:4] - wave, axis=1), np.linalg.norm(tiles[:, 2:4] + wave, axis=1)
        )
        family = apart < 0.12 * np.linalg.norm(wave)
        places.append(Place(best[:2], wave, float((tiles[family, 4] * tiles[family, 5]).sum())))
        tiles = tiles[~family]
    return sorted(places, key=lambda place: -place.weight)[:_FAMILIES]


def straightened(levels: list[Grey], place: Place, reach: float = np.inf) -> Strip:
    """Sample the picture along the wave through the place, to its edges or `reach` spacings each way."""
    spacing = 1 / float(np.linalg.norm(place.wave))
    along = place.wave * spacing**2 / SAMPLES
    across = np.array([-along[1], along[0]])
    low, high = -reach * SAMPLES, reach * SAMPLES
    for start, step, side in zip(place.centre, along, levels[0].shape[::-1], strict=True):
        if abs(step) > 1e-9:
            ends = sorted((-start / step, (side - 1 - start) / step))
            low, high = max(low, ends[0]), min(high, ends[1])
    before, after = int(-low // SAMPLES), int(high // SAMPLES)
    half_bands = int(min(_HALF_BANDS, 2 * reach))
    origin = place.centre - before * SAMPLES * along - half_bands * BAND * across
    shape = (2 * half_bands * BAND, max(before + after, 1) * SAMPLES)
    number = int(np.clip(np.log2(spacing / SAMPLES) + 0.5, 0, len(levels) - 1))
    shrink = 2**number
    first = (origin + 0.5 * (along + across) + 0.5) / shrink - 0.5
    matrix = np.column_stack([along / shrink, across / shrink, first])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    rows = cv2.warpAffine(levels[number], matrix, shape[::-1], flags=flags)  # flat outside: no marks there
    bands = rows.reshape(-1, BAND, shape[1]).mean(axis=1, dtype=np.float64)
    return Strip(bands, origin, along * SAMPLES, across * SAMPLES, before, half_bands)


def _cells(strip: Strip, harmonic: int) -> NDArray[np.complex128]:
    """Each spacing of each band: the share of its variation in one harmonic (0..1), with its phase."""
    cells = strip.bands.reshape(len(strip.bands), -1, SAMPLES)
    turn = np.exp(-2j * np.pi * harmonic * (np.arange(SAMPLES) + 0.5) / SAMPLES)
    spread = cells.std(axis=2) + 1.5  # grey levels; below that it is noise
    return np.asarray((cells @ turn) * (np.sqrt(2) / SAMPLES) / spread)


def axes(strip: Strip) -> tuple[Doubles, Doubles]:
    """Cell middles from the seed, in spacings: u (1, spacings) along, v (bands, 1) across."""
    bands, columns = strip.bands.shape
    u = np.arange(columns // SAMPLES) + 0.5 - strip.seed_spacing
    v = (np.arange(bands) + 0.5 - strip.seed_band) * BAND / SAMPLES
    return u[None, :], v[:, None]


def sharpened(levels: list[Grey], place: Place) -> Place | None:
    """The place with its wave corrected so that the marks near it agree; None where they do not."""
    strip = straightened(levels, place, reach=7)
    cells = _cells(strip, 1)
    u, v = axes(strip)
    shifts = np.linspace(-0.16, 0.16, 33)
    along = np.exp(-2j * np.pi * u.T * shifts)
    best: tuple[complex, float, float] = (0j, 0.0, 0.0)
    first = 0
    for start in range(0, len(cells) - 5, 3):  # six bands at a time: marks may be short
        across = np.exp(-2j * np.pi * shifts[:, None] * v[start : start + 6].T)
        sums = across @ cells[start : start + 6] @ along / (6 * cells.shape[1])
        row, column = np.unravel_index(np.abs(sums).argmax(), sums.shape)
        if abs(sums[row, column]) > abs(best[0]):
            best = (complex(sums[row, column]), float(shifts[column]), float(shifts[row]))
            first = start
    if abs(best[0]) < 0.3:
        return None
    # Marks go to the middle of the cells: one cut in two by a cell's edge would pull its phase.
    grey = strip.bands[first : first + 6]
    bright = np.mean((grey - grey.mean(axis=1, keepdims=True)) ** 3) > 0
    shift = -np.angle(best[0]) / (2 * np.pi) - (0.5 if bright else 0.0)
    wave = place.wave * (1 + best[1]) + np.array([-place.wave[1], place.wave[0]]) * best[2]
    return Place(place.centre + strip.along * shift, wave, float(abs(best[0])))


def phase_terms(u: Doubles, v: Doubles) -> Doubles:
    """Terms of the phase: uneven spacing along the rule comes from tilt, so it is smooth."""
    u, v = np.broadcast_arrays(u, v)
    return np.stack([np.ones_like(u), u, v, u * u, u * v, u**3], axis=-1)


def followed(strip: Strip) -> Comb | None:
    """Follow the marks from the seed outwards, doubling the reach, while they stay in step."""
    cells = _cells(strip, 1)
    real = cv2.GaussianBlur(cells.real, (0, 0), sigmaX=1.5, sigmaY=1.0)
    imaginary = cv2.GaussianBlur(cells.imag, (0, 0), sigmaX=1.5, sigmaY=1.0)
    agreement = np.hypot(real, imaginary)
    u, v = axes(strip)
    phase = u + np.arctan2(imaginary, real) / (2 * np.pi)
    terms = phase_terms(u, v)
    near = (np.abs(u) < 4) & (np.abs(v) < 3)
    start = np.angle((agreement * np.exp(2j * np.pi * (phase - u)))[near].sum()) / (2 * np.pi)
    coefficients = np.array([start, 1.0, 0, 0, 0, 0])
    for reach in (4, 4, 8, 16, 32, 64, 128, 1e6, 1e6):
        predicted = terms @ coefficients
        off = (phase - predicted + 0.5) % 1 - 0.5
        use = (agreement > 0.3) & (np.abs(off) < 0.2) & (np.abs(u) < reach) & (np.abs(v) < max(reach, 6))
        marks = int(use.any(axis=0).sum())
        count = 3 if marks < 10 else 5 if marks < 24 else 6  # few marks cannot show how the spacing bends
        if use.sum() < 3 * count:
            return None
        weight = agreement[use]
        part = terms[use][:, :count] * weight[:, None]
        fitted = np.linalg.lstsq(part, (predicted + off)[use] * weight, rcond=None)[0]
        coefficients = np.pad(fitted, (0, 6 - count))
    return _comb(strip, coefficients, agreement > 0.3, phase)


def _comb(strip: Strip, coefficients: Doubles, agreeing: NDArray[np.bool_], phase: Doubles) -> Comb | None:
    """The comb over the longest run of spacings that keep step; None for too few, too loose or too bent."""
    u, v = axes(strip)
    predicted = phase_terms(u, v) @ coefficients
    off = (phase - predicted + 0.5) % 1 - 0.5
    used = agreeing & (np.abs(off) < 0.12)
    bands = used.sum(axis=0)
    columns = np.flatnonzero(bands >= max(3.0, 0.3 * np.percentile(bands, 90)))
    if len(columns) < FEWEST_MARKS // 2:
        return None
    run = max(np.split(columns, np.flatnonzero(np.diff(columns) > 10) + 1), key=len)
    used[:, : run[0]] = used[:, run[-1] + 1 :] = False
    comb = Comb(coefficients, used, int(run[0]), int(run[-1]), float(off[used].std()))
    slope = np.diff(phase_terms(u[:, run[0] : run[-1] + 1], v[[0, -1]]) @ coefficients)
    if comb.residual > _LOOSEST or slope.min() < 0.6 or slope.max() > 1.6:
        return None
    return comb if comb.marks >= _LONG or _likeness(strip, predicted - u, used) > 0.6 else None


def _likeness(strip: Strip, phase: Doubles, used: NDArray[np.bool_]) -> float:
    """How far all marks have one shape (0..1): their second harmonic keeps step with the first.

    A chance wave in brushed metal, fibres or grain keeps step only in the harmonic it was found by: measured
    0.1 to 0.5, real marks 0.75 to 0.98.
    """
    second = _cells(strip, 2)[used]
    turned = second * np.exp(-4j * np.pi * phase[used])
    return float(np.abs(turned.sum()) / (np.abs(second).sum() + 1e-9))


def cut_pieces(strip: Strip, comb: Comb) -> Doubles:
    """The strip cut at every gap, (bands, marks, SAMPLES): the mark in the middle, made bright if dark."""
    columns = np.arange(comb.first * SAMPLES, (comb.last + 1) * SAMPLES)
    u = (columns + 0.5) / SAMPLES - strip.seed_spacing
    phase = phase_terms(u[None, :], axes(strip)[1]) @ comb.coefficients
    middle = phase[len(phase) // 2]

    def cut(shift: float) -> Doubles:
        numbers = np.arange(np.ceil(middle[0] - shift), np.floor(middle[-1] - shift))
        places = numbers[:, None] + shift + np.arange(SAMPLES) / SAMPLES
        rows = zip(phase, strip.bands[:, columns], strict=True)
        return np.stack([np.interp(np.interp(places, along, u), u, grey) for along, grey in rows])

    marked = comb.used.mean(axis=1)
    usual = cut(0.0)[marked >= 0.5 * marked.max()].mean(axis=(0, 1))
    usual -= np.median(usual)
    peak = int(np.abs(usual).argmax())
    return np.asarray(cut(peak / SAMPLES - 0.5) * np.sign(usual[peak]))


def strengths_of(pieces: Doubles) -> Doubles:
    """How far each mark stands out from the gaps beside it: (bands, marks), grey levels."""
    half = SAMPLES // 2
    gaps = np.concatenate([pieces[..., :3], pieces[..., -3:]], axis=2).mean(axis=2)
    return np.asarray(pieces[..., half - 1 : half + 2].mean(axis=2) - gaps)


def slip_of(pieces: Doubles) -> tuple[float, float]:
    """How much longer the spacing is by the marks' own centroids, and the uncertainty of that; relative."""
    strengths = strengths_of(pieces)
    quarter = SAMPLES // 4
    near = pieces[..., quarter : 3 * quarter + 1]
    near = np.maximum(near - np.median(pieces, axis=2, keepdims=True), 0)
    centroids = near @ np.arange(-quarter, quarter + 1) / SAMPLES / (near.sum(axis=2) + 1e-9)
    seen = strengths > 0.5 * np.percentile(strengths, 95)
    marks = np.flatnonzero(seen.sum(axis=0) >= 3)
    if len(marks) < FEWEST_MARKS // 2:
        return 0.0, 1.0
    each = np.nanmedian(np.where(seen, centroids, np.nan)[:, marks], axis=0)
    numbers = marks - (strengths.shape[1] - 1) / 2
    kept = np.ones(len(marks), bool)
    for _ in range(3):
        curve = np.polynomial.Polynomial.fit(numbers[kept], each[kept], 1 if len(marks) < 24 else 3)
        off = each - curve(numbers)
        kept = np.abs(off) <= 3 * 1.4826 * np.median(np.abs(off[kept])) + 1e-6
    reach = strengths.shape[1] / 4
    # Twice the error of a straight fit, for the bend that is fitted with it.
    spread = 2 * 12**0.5 * float(off[kept].std()) / len(marks) ** 1.5
    return float(curve(reach) - curve(-reach)) / (2 * reach), spread
