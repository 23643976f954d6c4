"""Scale from a steel rule or graph paper in the picture, found by the even spacing of its marks.

Small tiles of the picture are searched for evenly spaced lines (Fourier peak). From the best tiles the phase
of that spacing is followed along the rule, so that the scale rests on every mark and not on a few. The unit
is read from the pattern of longer or heavier marks: every fifth and tenth means millimetres, halves of halves
mean fractions of an inch. Even spacing without such a pattern (bricks, woven mesh, cloth) is no rule.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.errors import CalibrationError

DIVISIONS_UM = {
    "mm": 1000.0,
    "1/2 mm": 500.0,
    "1/16 in": 25400 / 16,
    "1/32 in": 25400 / 32,
    "1/64 in": 25400 / 64,
}

# Every how many divisions the marks grow longer or heavier.
_RANKS = {
    "mm": (5, 10),
    "1/2 mm": (2, 10, 20),
    "1/16 in": (2, 4, 8, 16),
    "1/32 in": (2, 4, 8, 16, 32),
    "1/64 in": (2, 4, 8, 16, 32, 64),
}

_TILE = 64
_SHORTEST, _LONGEST = 4.5, 13.0  # spacings in pixels searched in one pyramid level; levels differ by two
_SEARCH_SIDE = 2300  # px: finer levels only serve the following
_FAMILIES, _PLACES = 60, 12
_SAMPLES = 16  # strip pixels per spacing
_BAND = 8  # strip rows in a band
_HALF_BANDS = 48  # bands each side of the tile: 24 spacings, the longest mark of a 1/64 in rule
_FEWEST_MARKS = 8
_FEWEST_READ = 12  # marks below which no pattern of longer ones is trusted
_LONG = 60  # marks that keep step so long do so by no chance, even where blur has taken their shape
_LOOSEST = 0.045  # rms of marks about even spacing: rules 0.01 to 0.03, a brick wall 0.05 to 0.07
_EXACT = 0.001  # relative: good enough to look no further
_CLEAR = 12.0  # nats of evidence that a rank of marks is there
_UNSEEN_TILT_U = 0.0025  # tilt across the rule up to 5 degrees shortens by 0.4 %: uniform
_PARALLAX_U = 0.003  # the rule's face up to 1 mm off the debris, from 100 mm away: uniform

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Grey = NDArray[np.uint8]


class RuleNotFound(CalibrationError):  # noqa: N818 - reads as the sentence it stands for
    """No rule or graph paper can be read in the picture."""


@dataclass(frozen=True)
class RuleScale:
    """Scale read from a rule.

    Attributes
    ----------
    um_per_px : at `centre_px`, across the marks.
    rel_u : relative standard uncertainty, with the tilt and parallax that one rule cannot show.
    fit_rel_u : the part of it that the places of the marks show.
    angle_deg : direction in which the marks follow each other; x right, y down, -90 < angle <= 90.
    unit : the division, a key of DIVISIONS_UM.
    unit_sure : False where the longest marks seen were taken for whole inches.
    marks : divisions spanned.
    centre_px : (x, y), middle of the marks used.
    unevenness : relative range of the scale along the rule (tilt, lens, bent paper).
    """

    um_per_px: float
    rel_u: float
    fit_rel_u: float
    angle_deg: float
    unit: str
    unit_sure: bool
    marks: int
    centre_px: tuple[float, float]
    unevenness: float


@dataclass(frozen=True)
class _Place:
    """A tile with evenly spaced lines, in full-picture pixels."""

    centre: Doubles  # (x, y)
    wave: Doubles  # (x, y), cycles per pixel
    weight: float  # of two families the more promising


@dataclass(frozen=True)
class _Strip:
    """The picture straightened along the supposed rule: one spacing is _SAMPLES columns."""

    bands: Doubles  # (bands, columns) grey, each averaged over _BAND rows
    origin: Doubles  # (x, y) full-picture pixel of the strip's first corner
    along: Doubles  # (x, y) full-picture pixels per spacing
    across: Doubles  # the same, at right angles
    seed_spacing: int  # the tile it grew from
    seed_band: int


@dataclass(frozen=True)
class _Comb:
    """Marks followed along a strip: the phase (`_terms`) grows by one from mark to mark."""

    coefficients: Doubles
    used: NDArray[np.bool_]  # (bands, spacings)
    first: int
    last: int  # spacings of the strip between which marks were followed
    residual: float  # rms, in spacings

    @property
    def marks(self) -> int:
        """Spacings between the first and the last mark."""
        return self.last + 1 - self.first


def _levels(image: Grey) -> list[Grey]:
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


def _places(levels: list[Grey]) -> list[_Place]:
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
        places.append(_Place(best[:2], wave, float((tiles[family, 4] * tiles[family, 5]).sum())))
        tiles = tiles[~family]
    return sorted(places, key=lambda place: -place.weight)[:_FAMILIES]


def _straighten(levels: list[Grey], place: _Place, reach: float = np.inf) -> _Strip:
    """Sample the picture along the wave through the place, to its edges or `reach` spacings each way."""
    spacing = 1 / float(np.linalg.norm(place.wave))
    along = place.wave * spacing**2 / _SAMPLES
    across = np.array([-along[1], along[0]])
    low, high = -reach * _SAMPLES, reach * _SAMPLES
    for start, step, side in zip(place.centre, along, levels[0].shape[::-1], strict=True):
        if abs(step) > 1e-9:
            ends = sorted((-start / step, (side - 1 - start) / step))
            low, high = max(low, ends[0]), min(high, ends[1])
    before, after = int(-low // _SAMPLES), int(high // _SAMPLES)
    half_bands = int(min(_HALF_BANDS, 2 * reach))
    origin = place.centre - before * _SAMPLES * along - half_bands * _BAND * across
    shape = (2 * half_bands * _BAND, max(before + after, 1) * _SAMPLES)
    number = int(np.clip(np.log2(spacing / _SAMPLES) + 0.5, 0, len(levels) - 1))
    shrink = 2**number
    first = (origin + 0.5 * (along + across) + 0.5) / shrink - 0.5
    matrix = np.column_stack([along / shrink, across / shrink, first])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    rows = cv2.warpAffine(levels[number], matrix, shape[::-1], flags=flags)  # flat outside: no marks there
    bands = rows.reshape(-1, _BAND, shape[1]).mean(axis=1, dtype=np.float64)
    return _Strip(bands, origin, along * _SAMPLES, across * _SAMPLES, before, half_bands)


def _cells(strip: _Strip, harmonic: int) -> NDArray[np.complex128]:
    """Each spacing of each band: the share of its variation in one harmonic (0..1), with its phase."""
    cells = strip.bands.reshape(len(strip.bands), -1, _SAMPLES)
    turn = np.exp(-2j * np.pi * harmonic * (np.arange(_SAMPLES) + 0.5) / _SAMPLES)
    spread = cells.std(axis=2) + 1.5  # grey levels; below that it is noise
    return np.asarray((cells @ turn) * (np.sqrt(2) / _SAMPLES) / spread)


def _axes(strip: _Strip) -> tuple[Doubles, Doubles]:
    """Cell middles from the seed, in spacings: u (1, spacings) along, v (bands, 1) across."""
    bands, columns = strip.bands.shape
    u = np.arange(columns // _SAMPLES) + 0.5 - strip.seed_spacing
    v = (np.arange(bands) + 0.5 - strip.seed_band) * _BAND / _SAMPLES
    return u[None, :], v[:, None]


def _sharpened(levels: list[Grey], place: _Place) -> _Place | None:
    """The place with its wave corrected so that the marks near it agree; None where they do not."""
    strip = _straighten(levels, place, reach=7)
    cells = _cells(strip, 1)
    u, v = _axes(strip)
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
    return _Place(place.centre + strip.along * shift, wave, float(abs(best[0])))


def _terms(u: Doubles, v: Doubles) -> Doubles:
    """Terms of the phase: uneven spacing along the rule comes from tilt, so it is smooth."""
    u, v = np.broadcast_arrays(u, v)
    return np.stack([np.ones_like(u), u, v, u * u, u * v, u**3], axis=-1)


def _follow(strip: _Strip) -> _Comb | None:
    """Follow the marks from the seed outwards, doubling the reach, while they stay in step."""
    cells = _cells(strip, 1)
    real = cv2.GaussianBlur(cells.real, (0, 0), sigmaX=1.5, sigmaY=1.0)
    imaginary = cv2.GaussianBlur(cells.imag, (0, 0), sigmaX=1.5, sigmaY=1.0)
    agreement = np.hypot(real, imaginary)
    u, v = _axes(strip)
    phase = u + np.arctan2(imaginary, real) / (2 * np.pi)
    terms = _terms(u, v)
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


def _comb(strip: _Strip, coefficients: Doubles, agreeing: NDArray[np.bool_], phase: Doubles) -> _Comb | None:
    """The comb over the longest run of spacings that keep step; None for too few, too loose or too bent."""
    u, v = _axes(strip)
    predicted = _terms(u, v) @ coefficients
    off = (phase - predicted + 0.5) % 1 - 0.5
    used = agreeing & (np.abs(off) < 0.12)
    bands = used.sum(axis=0)
    columns = np.flatnonzero(bands >= max(3.0, 0.3 * np.percentile(bands, 90)))
    if len(columns) < _FEWEST_MARKS // 2:
        return None
    run = max(np.split(columns, np.flatnonzero(np.diff(columns) > 10) + 1), key=len)
    used[:, : run[0]] = used[:, run[-1] + 1 :] = False
    comb = _Comb(coefficients, used, int(run[0]), int(run[-1]), float(off[used].std()))
    slope = np.diff(_terms(u[:, run[0] : run[-1] + 1], v[[0, -1]]) @ coefficients)
    if comb.residual > _LOOSEST or slope.min() < 0.6 or slope.max() > 1.6:
        return None
    return comb if comb.marks >= _LONG or _likeness(strip, predicted - u, used) > 0.6 else None


def _likeness(strip: _Strip, phase: Doubles, used: NDArray[np.bool_]) -> float:
    """How far all marks have one shape (0..1): their second harmonic keeps step with the first.

    A chance wave in brushed metal, fibres or grain keeps step only in the harmonic it was found by: measured
    0.1 to 0.5, real marks 0.75 to 0.98.
    """
    second = _cells(strip, 2)[used]
    turned = second * np.exp(-4j * np.pi * phase[used])
    return float(np.abs(turned.sum()) / (np.abs(second).sum() + 1e-9))


def _pieces(strip: _Strip, comb: _Comb) -> Doubles:
    """The strip cut at every gap, (bands, marks, _SAMPLES): mark in the middle and bright, whatever it was."""
    columns = np.arange(comb.first * _SAMPLES, (comb.last + 1) * _SAMPLES)
    u = (columns + 0.5) / _SAMPLES - strip.seed_spacing
    phase = _terms(u[None, :], _axes(strip)[1]) @ comb.coefficients
    middle = phase[len(phase) // 2]

    def cut(shift: float) -> Doubles:
        numbers = np.arange(np.ceil(middle[0] - shift), np.floor(middle[-1] - shift))
        places = numbers[:, None] + shift + np.arange(_SAMPLES) / _SAMPLES
        rows = zip(phase, strip.bands[:, columns], strict=True)
        return np.stack([np.interp(np.interp(places, along, u), u, grey) for along, grey in rows])

    marked = comb.used.mean(axis=1)
    usual = cut(0.0)[marked >= 0.5 * marked.max()].mean(axis=(0, 1))
    usual -= np.median(usual)
    peak = int(np.abs(usual).argmax())
    return cut(peak / _SAMPLES - 0.5) * np.sign(usual[peak])


def _strengths(pieces: Doubles) -> Doubles:
    """How far each mark stands out from the gaps beside it: (bands, marks), grey levels."""
    half = _SAMPLES // 2
    gaps = np.concatenate([pieces[..., :3], pieces[..., -3:]], axis=2).mean(axis=2)
    return np.asarray(pieces[..., half - 1 : half + 2].mean(axis=2) - gaps)


def _slip(pieces: Doubles) -> tuple[float, float]:
    """Correction of the spacing by the marks' own places, each by its centroid, and its uncertainty; relative."""
    strengths = _strengths(pieces)
    quarter = _SAMPLES // 4
    near = pieces[..., quarter : 3 * quarter + 1]
    near = np.maximum(near - np.median(pieces, axis=2, keepdims=True), 0)
    centroids = near @ np.arange(-quarter, quarter + 1) / _SAMPLES / (near.sum(axis=2) + 1e-9)
    seen = strengths > 0.5 * np.percentile(strengths, 95)
    marks = np.flatnonzero(seen.sum(axis=0) >= 3)
    if len(marks) < _FEWEST_MARKS // 2:
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
    spread = 2 * np.sqrt(12) * float(off[kept].std()) / len(marks) ** 1.5
    return float(curve(reach) - curve(-reach)) / (2 * reach), spread


def _true_step(strengths: Doubles) -> int:
    """Every how many spacings there is a mark in any band: above 1 the comb is a multiple of the rule's."""
    for step in (2, 3, 5):
        for start in range(step):
            chosen = np.arange(strengths.shape[1]) % step == start
            rest = np.median(strengths[:, ~chosen], axis=1).max()
            if (
                chosen.sum() >= _FEWEST_MARKS // 2
                and rest < 0.2 * np.median(strengths[:, chosen], axis=1).max()
            ):
                return step
    return 1


def _gains(strengths: Doubles, step: int) -> Doubles:
    """Evidence (step, bands), in nats, that every step-th mark counted from each start stands out more."""
    marks = strengths.shape[1]
    members = (np.arange(marks)[:, None] - np.arange(step)) % step == 0
    counts = members.sum(axis=0)
    centred = strengths - strengths.mean(axis=1, keepdims=True)
    total = (centred**2).sum(axis=1, keepdims=True) + 1e-9
    sums = centred @ members
    usable = (counts >= 2) & (counts <= marks - 2) & (sums > 0)
    explained = sums**2 * marks / np.maximum(counts * (marks - counts), 1) / total
    gains = -0.5 * marks * np.log1p(-np.clip(explained, 0, 1 - 1e-9)) - 0.5 * np.log(marks)
    return np.where(usable, gains, -np.inf).T


def _evidence(strengths: Doubles, unit: str) -> tuple[Doubles, int]:
    """Evidence (ranks,) for each of the unit's ranks, and the mark to count from that fits best.

    In one band a mark is there or not, or heavier or not, so a band speaks for the one rank that splits its
    marks best.
    """
    low, high = np.percentile(strengths, [2, 98], axis=1, keepdims=True)
    clipped = np.clip(strengths, low, high)
    ranks = _RANKS[unit]
    gains = [_gains(clipped, rank) for rank in ranks]
    found = []
    for start in range(ranks[-1]):
        each = np.stack([gain[start % rank] for gain, rank in zip(gains, ranks, strict=True)])
        won = np.maximum(each.max(axis=0), 0)
        winner = each.argmax(axis=0)
        found.append(np.array([won[winner == rank].sum() for rank in range(len(ranks))]))
    best = int(np.argmax([evidence.sum() for evidence in found]))
    return found[best], best


@dataclass(frozen=True)
class _Reading:
    """What the marks of one comb say."""

    unit: str | None  # None: no pattern that names the unit
    sure: bool
    evidence: float


def _is_clear(unit: str, evidence: Doubles, longest: Doubles) -> bool:
    """Whether the ranks that make the unit are seen; `longest` are the strengths of its longest marks."""
    if unit == "mm":
        return bool(evidence[0] > _CLEAR)
    if unit == "1/2 mm":
        return bool(evidence[0] > _CLEAR and evidence[1:].sum() > _CLEAR)
    if evidence[-1] < _CLEAR or (evidence[:-1] > _CLEAR / 2).sum() < 2:
        return False
    # Only a 1/64 in rule has so many ranks. With fewer, the longest marks are taken for whole inches, but not
    # if one of them is longer still.
    lengths = (longest > 0.5 * np.percentile(longest, 90)).sum(axis=0)
    return unit == "1/64 in" or (len(lengths) >= 3 and np.ptp(lengths) <= 0.1 * lengths.max() + 1)


def _read(strengths: Doubles) -> _Reading:
    """Unit of a comb from which marks stand out more."""
    best = _Reading(None, False, 0.0)
    if strengths.shape[1] < _FEWEST_READ:
        return best
    for unit, ranks in _RANKS.items():
        evidence, start = _evidence(strengths, unit)
        total = float(evidence.sum()) - np.log(ranks[-1])
        if total > best.evidence:
            clear = _is_clear(unit, evidence, strengths[:, start :: ranks[-1]])
            best = _Reading(unit if clear else None, clear and unit not in ("1/16 in", "1/32 in"), total)
    return best


@dataclass(frozen=True)
class _Found:
    strip: _Strip
    comb: _Comb
    reading: _Reading
    slip: float  # relative correction of the comb's spacing
    exactness: float  # relative uncertainty of the spacing


def _combed(levels: list[Grey], place: _Place) -> _Found | None:
    """The comb through a place and what it says."""
    strip = _straighten(levels, place)
    comb = _follow(strip)
    if comb is None or comb.marks < _FEWEST_MARKS:
        return None
    pieces = _pieces(strip, comb)
    strengths = _strengths(pieces)
    step = _true_step(strengths)
    if step == 1:
        return _Found(strip, comb, _read(strengths), *_slip(pieces))
    slower = _sharpened(levels, _Place(place.centre, place.wave / step, place.weight))
    return _combed(levels, slower) if slower else None


def _scale(found: _Found, unit: str) -> RuleScale:
    strip, comb, reading = found.strip, found.comb, found.reading
    half = comb.marks / 2
    u = comb.first + half - strip.seed_spacing
    v = float(np.broadcast_to(_axes(strip)[1], comb.used.shape)[comb.used].mean())
    phase = _terms(u + half * np.linspace(-1, 1, 9), np.full(9, v)) @ comb.coefficients
    local = np.diff(phase) * 4 / half  # marks per spacing, in eighths of the length
    slant = comb.coefficients[2] + comb.coefficients[4] * u
    # Over the middle half: what holds where the debris lies, whatever lens and tilt do at the ends.
    per_spacing = float(np.hypot(local[2:6].mean(), slant)) * (1 - found.slip)
    um_per_px = DIVISIONS_UM[unit] * per_spacing / float(np.linalg.norm(strip.along))
    uneven = float(local[2:6].std() / local.mean())
    direction = strip.along * local[2:6].mean() + strip.across * slant
    angle = float(np.degrees(np.arctan2(direction[1], direction[0])))
    x, y = (
        strip.origin
        + strip.along * (u + strip.seed_spacing)
        + strip.across * (v + strip.seed_band * _BAND / _SAMPLES)
    )
    return RuleScale(
        um_per_px=um_per_px,
        rel_u=float(np.linalg.norm([found.exactness, uneven, _UNSEEN_TILT_U, _PARALLAX_U])),
        fit_rel_u=found.exactness,
        angle_deg=angle - 180 * round(angle / 180 - 1e-9),
        unit=unit,
        unit_sure=reading.sure or unit != reading.unit,
        marks=round(phase[-1] - phase[0]),
        centre_px=(float(x), float(y)),
        unevenness=float(np.ptp(local) / local.mean()),
    )


def _extent(found: _Found) -> float:
    """Area of the picture over which the marks keep step, square pixels."""
    return float(found.comb.used.sum() * np.linalg.norm(found.strip.along) ** 2)


def _chosen(levels: list[Grey], unit: str | None) -> _Found:
    """The comb to trust: surest, then most exact; where the unit is named, of those that suit it."""
    sharpened = [place for family in _places(levels) if (place := _sharpened(levels, family))]
    sharpened.sort(key=lambda place: -place.weight)
    found = []
    for place in sharpened[:_PLACES]:
        comb = _combed(levels, place)
        if comb is None:
            continue
        found.append(comb)
        if comb.reading.sure and unit in (None, comb.reading.unit) and comb.exactness < _EXACT:
            return comb
    if not found:
        raise RuleNotFound(
            "no steel rule or graph paper could be read in the picture: lay one flat beside the debris, "
            "in focus, with at least 15 divisions in view"
        )
    named = [each for each in found if each.reading.unit is not None]
    suited = [each for each in named if unit in (None, each.reading.unit)]
    if suited:
        return min(suited, key=lambda each: (not each.reading.sure, each.exactness))
    if unit is not None and len(named) < len(found):
        return max((each for each in found if each.reading.unit is None), key=_extent)
    raise RuleNotFound(
        f"the marks of the rule look like {named[0].reading.unit}, not {unit}: name its smallest division"
        if named
        else "evenly spaced marks were found, but no longer ones that tell millimetres from fractions of "
        "an inch: show more of the rule, or name its smallest division"
    )


def find_rule_scale(image: Grey, *, unit: str | None = None) -> RuleScale:
    """Scale of a picture that shows a steel rule or graph paper.

    Parameters
    ----------
    image : uint8, (H, W) grey or (H, W, 3) RGB.
    unit : the rule's smallest division, a key of DIVISIONS_UM, where its marks do not tell it. Rules divided
        in tenths of an inch look like millimetres and are not told apart.

    Raises
    ------
    RuleNotFound
        No rule, or one whose unit cannot be read; the message says what to do.
    """
    if unit is not None and unit not in DIVISIONS_UM:
        raise ValueError(f"unit must be one of {', '.join(DIVISIONS_UM)}")
    found = _chosen(_levels(image), unit)
    return _scale(found, unit or str(found.reading.unit))
