"""A camera's tone curve: sRGB, or what the wide frame's own print says where it says it surely.

Two tests, both blind to how dark the toner is and how much it grew. Lines of 2, 4 and 6 dots on one pitch
grow alike, so in linear light their mean levels fall in two equal steps. A blurred straight edge is
antisymmetric about its middle in linear light. A curve that lifts or sinks the middle breaks both.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.edges import fit_straight_edge

if TYPE_CHECKING:
    from calibration.card import Frame, LinePatch
    from calibration.scale import PlaneMap

FloatArray = NDArray[np.float64]

MOST_BEND = 0.6  # further from sRGB than any camera: something else is wrong
BEND_PRIOR_U = 0.15  # of a phone that was not checked; common practice, no source
SURE = 2.0  # a departure is used only if it is this many standard uncertainties from sRGB
AGREE = 2.5  # the two tests may differ by so many of theirs
GROWTH_U_DOTS = 0.05  # 2 um: how far toner growth may differ by the width of the line; assumed
# How unlike its mirror image a printed edge may be, of its width: toner scatters outwards, and a phone that
# sharpens moderately adds as much again (seen on renders).
PRINT_SKEW_U = 0.06
MIN_EDGES = 4
TRIAL_BENDS = np.array([-0.4, -0.2, 0.0, 0.2, 0.4])


@dataclass(frozen=True)
class Tone:
    """A camera's tone curve undone: code 0..255 to linear light 0..1.

    Linear light is that of sRGB to the power 1 + `bend`; `bend_u` is its standard uncertainty, `measured` is
    False where sRGB was simply taken. A power is the one kind of departure that the print can show: an
    S-shaped curve that is even about the middle between black and paper leaves both tests as they were.
    """

    bend: float = 0.0
    bend_u: float = BEND_PRIOR_U
    measured: bool = False

    @property
    def lut(self) -> NDArray[np.float32]:
        """Linear light of each code, (256,) float32."""
        return (srgb_decode(np.arange(256) / 255.0) ** (1 + self.bend)).astype(np.float32)

    def to_linear(self, codes: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Linear light of `codes` (any shape of one to three dimensions, uint8)."""
        return np.asarray(cv2.LUT(codes, self.lut), dtype=np.float32).reshape(codes.shape)

    def of_code(self, code: FloatArray) -> FloatArray:
        """Linear light (any shape) of codes of that shape that need not be whole, such as means."""
        return np.asarray(np.interp(code, np.arange(256), self.lut), dtype=float)

    def slope_at(self, code: FloatArray) -> FloatArray:
        """Linear light per code (any shape) at each of `code`."""
        return np.asarray(np.interp(code, np.arange(256), np.gradient(self.lut.astype(float))), dtype=float)


def srgb_decode(value: FloatArray) -> FloatArray:
    """Linear light (any shape) of sRGB values 0..1 of that shape (IEC 61966-2-1)."""
    value = np.clip(value, 0.0, 1.0)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def grey_of(rgb: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Luma codes (H, W) of `rgb`."""
    return np.asarray(cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY), dtype=np.uint8)


@dataclass(frozen=True)
class _Reading:
    """One test's answer: the bend at which it is fulfilled, and its standard uncertainty."""

    bend: float
    bend_u: float


def measure_tone(rgb: NDArray[np.uint8], plane: PlaneMap, frame: Frame) -> Tone:
    """Tone curve of the camera that took `rgb` (H, W, 3) of a wide frame; plain sRGB where nothing is sure.

    Other frames' lines and edges are wider than the blur and say nothing: they give plain sRGB.
    """
    if frame.name not in ("wide", "cutout"):
        return Tone()
    lines, edges = _by_lines(rgb, plane, frame), _by_edges(rgb, plane, frame)
    if lines is None:
        return Tone()
    # Sharpening skews an edge as a tone curve does, so edges alone never bend the tone; they may object.
    apart = (
        0.0 if edges is None else abs(lines.bend - edges.bend) / float(np.hypot(lines.bend_u, edges.bend_u))
    )
    if abs(lines.bend) > SURE * lines.bend_u and abs(lines.bend) <= MOST_BEND and apart <= AGREE:
        return Tone(lines.bend, lines.bend_u, measured=True)
    return Tone(bend_u=min(lines.bend_u, BEND_PRIOR_U))


def _zero(trials: FloatArray, values: FloatArray, value_u: float) -> _Reading | None:
    """Where `values` (one a trial) cross zero, by a quadratic through them; None where they do not."""
    slope = float(np.polyfit(trials, values, 1)[0])
    if abs(slope) < 1e-6:
        return None
    fine = np.linspace(2 * trials[0], 2 * trials[-1], 2001)
    curve = np.polyval(np.polyfit(trials, values, 2), fine)
    at = int(np.argmin(np.abs(curve) + 1e-3 * np.abs(fine) * abs(slope)))
    local = float(np.gradient(curve, fine)[at])
    if abs(local) < 0.2 * abs(slope) or abs(curve[at]) > 0.02 * abs(slope):
        return None
    return _Reading(float(fine[at]), value_u / abs(local))


def _by_lines(rgb: NDArray[np.uint8], plane: PlaneMap, frame: Frame) -> _Reading | None:
    """Bend at which the steps from 2 to 4 and from 4 to 6 dots are equal."""
    found = []
    for _, group in groupby(frame.line_patches, key=lambda patch: (patch.stacked, _row(patch))):
        patches = sorted(group, key=lambda patch: patch.line_dots)
        if [patch.line_dots for patch in patches] == [2, 4, 6]:
            counts = [_counts(rgb, plane, patch) for patch in patches]
            if all(count is not None for count in counts):
                found.append(np.array(counts))
    if not found:
        return None
    luts = np.array([Tone(bend).lut for bend in TRIAL_BENDS], dtype=float)
    # (sets, patches, 2, trials): mean level of the lines over that of the paper round them
    levels = np.array(found) @ luts.T
    means = levels[:, :, 0] / levels[:, :, 1]
    unequal = (means[:, 0] - 2 * means[:, 1] + means[:, 2]) / (means[:, 0] - means[:, 2])
    # Of three patches' growth each, in shares of the whole fall of four dots.
    growth_u = np.sqrt(6.0) / 4 * GROWTH_U_DOTS
    chance = float(np.std(unequal[:, 2])) / np.sqrt(len(found))
    value_u = float(np.hypot(growth_u, chance))
    return _zero(TRIAL_BENDS, np.median(unequal, axis=0), value_u)


def _row(patch: LinePatch) -> float:
    """Place across the row that a line patch stands in: patches of a row share it."""
    return round(patch.rect_mm[1 if patch.stacked == "x" else 0], 2)


def _counts(rgb: NDArray[np.uint8], plane: PlaneMap, patch: LinePatch) -> FloatArray | None:
    """Shares (2, 256) of the codes in a line patch, faded out towards its ends, and on the paper round it."""
    x, y, w, h = patch.rect_mm
    box = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
    middle = np.array([x + w / 2, y + h / 2])
    outer = plane.to_px(middle + 1.35 * (box - middle))
    low, high = np.floor(outer.min(axis=0)).astype(int), np.ceil(outer.max(axis=0)).astype(int) + 1
    if (low < 0).any() or (high > [rgb.shape[1], rgb.shape[0]]).any():
        return None
    codes = grey_of(rgb[low[1] : high[1], low[0] : high[0]]).ravel()
    px = np.stack(np.meshgrid(np.arange(low[0], high[0]), np.arange(low[1], high[1])), axis=-1)
    u, v = ((plane.to_mm(px.reshape(-1, 2).astype(float)) - middle) / [w / 2, h / 2]).T
    along, across = (u, v) if patch.stacked == "x" else (v, u)
    # A window that fades out over whole periods makes no difference where the first line starts.
    lines = np.where(np.abs(along) < 0.9, np.cos(np.pi * along / 1.8) ** 2, 0.0) * (np.abs(across) < 0.8)
    paper = (np.maximum(np.abs(u), np.abs(v)) > 1.15) & (np.maximum(np.abs(u), np.abs(v)) < 1.33)
    if lines.sum() < 100 or paper.sum() < 50:
        return None
    middle_code = np.median(codes[paper])
    paper &= np.abs(codes - middle_code) < 12  # other marks and debris stand round some patches
    shares = [np.bincount(codes, weight, 256) / weight.sum() for weight in (lines, paper.astype(float))]
    return np.array(shares)


def _by_edges(rgb: NDArray[np.uint8], plane: PlaneMap, frame: Frame) -> _Reading | None:
    """Bend at which the printed slanted edges are their own mirror image."""
    skews = []
    for edge in frame.slanted_edges:
        ends = plane.to_px(np.array([edge.start_mm, edge.end_mm]))
        clear_px = 0.8 * 1000 * edge.clear_mm / float(plane.um_per_px(ends.mean(axis=0, keepdims=True))[0])
        low = np.maximum(np.floor(ends.min(axis=0)).astype(int) - 14, 0)
        high = np.ceil(ends.max(axis=0)).astype(int) + 15
        crop = rgb[low[1] : high[1], low[0] : high[0]]
        if min(crop.shape[:2]) < 8:
            continue
        plain = Tone()
        fitted = fit_straight_edge(plain.to_linear(grey_of(crop)), ends[0] - low, ends[1] - low, clear_px)
        if fitted is None or fitted.sigma_px > clear_px / 5:
            continue
        codes = np.interp(fitted.level, plain.lut, np.arange(256))
        skew = [_skew(fitted.across_px, fitted.sigma_px, Tone(b).of_code(codes)) for b in TRIAL_BENDS]
        if np.isfinite(skew).all():
            skews.append(skew)
    if len(skews) < MIN_EDGES:
        return None
    values = np.array(skews)
    chance = 1.25 * float(np.std(values[:, 2])) / np.sqrt(len(values))
    return _zero(TRIAL_BENDS, np.median(values, axis=0), float(np.hypot(chance, PRINT_SKEW_U)))


def _skew(across: FloatArray, sigma: float, level: FloatArray) -> float:
    """How much further the light half of an edge reaches than its dark half, as a share of its width.

    NaN where the picture ends before the edge does.
    """
    edges = np.arange(-4.5, 4.51, 0.2) * sigma
    which = np.digitize(across, edges)
    count = np.bincount(which, minlength=len(edges) + 1)[1:-1]
    mean = np.bincount(which, level, len(edges) + 1)[1:-1] / np.maximum(count, 1)
    x = ((edges[:-1] + edges[1:]) / 2)[count > 0]
    mean = mean[count > 0]
    before, beyond = mean[x < -3 * sigma], mean[x > 3 * sigma]
    if not (before.size and beyond.size):
        return float("nan")
    low, high = np.median(before), np.median(beyond)
    near = np.abs(x) < 3 * sigma
    rise = np.maximum.accumulate((mean[near] - low) / (high - low))
    parts = np.arange(0.1, 0.41, 0.05)
    dark, middle, light = (np.interp(p, rise, x[near]) for p in (parts, 0.5, 1 - parts))
    return float(np.mean((dark + light - 2 * middle) / np.maximum(light - dark, 1e-6)))
