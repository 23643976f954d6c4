"""How blurred a photo is: the sharpest honest edge in it.

Blur is the sd in px of the Gaussian that turns the ideal scene into pixel values: lens, focus and the
pixel's own width (0.29 px) together. Sharpening in the phone that leaves no rim cannot be told from a
sharper lens, and acts like one; where it leaves a rim the blur given is that before sharpening.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.edges import (
    CELL_PIXELS,
    EdgePixels,
    Steps,
    find_edge_pixels,
    fit_sharpened,
    fit_steps,
    fit_straight_edge,
    read_profiles,
)
from calibration.light import Light, Noise, view_window
from calibration.tone import grey_of

if TYPE_CHECKING:
    from calibration.card import Frame, SlantedEdge
    from calibration.scale import PlaneMap

FloatArray = NDArray[np.float64]

FWHM_PER_SIGMA = 2.354820  # of a Gaussian
# Printed edges are ragged and soft. A true blur of 1.2 px read on simulated office prints as 1.4 to 1.7 px
# at 28 um/px, 2.1 to 3.8 at 10 and 5.8 to 11.8 at 3: by quadrature a print spread of 17 to 36 um.
PRINT_SPREAD_UM = 26.0
PRINT_SPREAD_U_UM = 5.5
BOUND_REL_U = 0.3  # where the print's spread leaves the blur less sure than this, the reading is a bound
LEAST_SIGMA_PX = 0.35  # a pixel's own width and a little lens

MAX_EDGE_PIXELS = 4800
MIN_EDGE_PIXELS = 100  # fewer give no steepest tenth worth the name
MIN_STRETCHES = 10
LEAST_STEP = 0.15  # of the light side; fainter edges are paper texture and soft shadows
PLATEAU_SIGMAS = 4.0  # a step is even this far out on either side
PLATEAU_SLACK = 0.15
WITHIN_REACH = 0.9
TENTH_SD = 1.28  # the tenth percentile of normal scatter lies 1.28 sd low
INTERPOLATION_VARIANCE = 0.06  # px^2 that interpolation and curved outlines add (measured on rendered edges)
MODEL_REL_U = 0.05  # what is left on rendered grains of 8 px and more with shadows, noise and JPEG
HALVED_ABOVE_PX = 1.7  # blurrier pictures are read at half size: same edges, a third of the noise
LEAST_HALVED_PX = 250  # a smaller picture is not halved
RIM = 0.03  # a rim above this share of the step is sharpening; plain blur with shadows stays below 0.01
BLADE_MIN_PX = 60  # a shorter straight edge in the groove may be a grain


@dataclass(frozen=True)
class Blur:
    """The photo's blur at the window in px, its standard uncertainty, and the edge it comes from.

    `upper_bound` is True where that edge is itself soft: the true blur may be smaller. `worst_px` is the
    blur of the softest part of the window (None where only one part could be read), `worst_quarter` which
    (column, row) of the window's four quarters that is. `overshoot` is the rim that sharpening in the phone
    leaves at an edge, as a share of the step (0 = none seen).
    """

    sigma_px: float
    sigma_u_px: float
    source: str
    upper_bound: bool = False
    worst_px: float | None = None
    overshoot: float = 0.0
    worst_quarter: tuple[int, int] | None = None

    @property
    def fwhm_px(self) -> float:
        """Full width at half maximum, px."""
        return FWHM_PER_SIGMA * self.sigma_px


def measure_blur(
    rgb: NDArray[np.uint8],
    plane: PlaneMap,
    frame: Frame | None,
    window_px: FloatArray,
    light: Light,
    noise: Noise,
) -> Blur | None:
    """Blur at the window, outline (N, 2) px, from the sharpest honest edge; None where no edge is usable.

    Printed edges serve, less the print's own spread, where a pixel is coarse beside it (the wide frame) or
    the blur is; elsewhere they are an upper bound, and a blade or wire in the groove or the steepest of the
    debris' own edges say more.
    """
    view = view_window(rgb, window_px)
    linear = light.tone.to_linear(grey_of(view.rgb))
    found = [steepest_edges_blur(linear, view.mask, noise.sd_rel * light.paper_level, noise.spread3)]
    if frame is not None:
        found += [_printed_edges(rgb, plane, frame, light), _blade(rgb, plane, frame, light, noise)]
    return _sharpest([blur for blur in found if blur is not None])


def steepest_edges_blur(
    linear_grey: NDArray[np.float32],
    mask: NDArray[np.uint8],
    noise_sd: float,
    noise_spread: float = 1.0,
    *,
    parts: bool = True,
) -> Blur | None:
    """Blur from the steepest tenth of the edges of `linear_grey` (H, W) where `mask` is above 0.

    `noise_sd` is the noise of one pixel in the picture's own unit, `noise_spread` that of a 3 x 3 mean over
    what independent pixels would give; with `parts` the softest part is looked for. None with fewer than
    `MIN_EDGE_PIXELS` edge pixels clear of noise.
    """
    blur = _steepest_edges(linear_grey, mask, noise_sd, noise_spread, parts=parts)
    rows, cols = (n // 2 * 2 for n in linear_grey.shape)
    if min(rows, cols) < LEAST_HALVED_PX or (blur is not None and blur.sigma_px < HALVED_ABOVE_PX):
        return blur
    halved = cv2.resize(linear_grey[:rows, :cols], (cols // 2, rows // 2), interpolation=cv2.INTER_AREA)
    coarse = steepest_edges_blur(
        np.asarray(halved, dtype=np.float32),
        mask[:rows:2, :cols:2],
        noise_sd * noise_spread / 2,
        noise_spread,
        parts=parts,
    )
    if coarse is None:
        return blur
    # Averaging 2 x 2 pixels adds (4 - 1) / 12 px^2 to an edge.
    sigma = float(np.sqrt(max(4 * coarse.sigma_px**2 - 0.25, LEAST_SIGMA_PX**2)))
    worst = None if coarse.worst_px is None else 2 * coarse.worst_px
    return replace(coarse, sigma_px=sigma, sigma_u_px=2 * coarse.sigma_u_px, worst_px=worst)


def _steepest_edges(
    linear: NDArray[np.float32],
    mask: NDArray[np.uint8],
    noise_sd: float,
    noise_spread: float,
    *,
    parts: bool,
) -> Blur | None:
    found = _honest_edges(linear, mask, noise_sd)
    blur = None if found is None else _steepest_tenth(found[0], found[1].sigma, noise_spread)
    if found is None or blur is None:
        return None
    if parts:
        worst, where = _worst_quarter(linear, mask, found, noise_sd, noise_spread)
        blur = replace(blur, worst_px=worst, worst_quarter=where)
    return _before_sharpening(blur, linear, *found)


def _honest_edges(
    linear: NDArray[np.float32], mask: NDArray[np.uint8], noise_sd: float
) -> tuple[EdgePixels, Steps] | None:
    """The steepest edge pixels that are steps, and the steps; None where there are too few."""
    edges = find_edge_pixels(linear, mask, noise_sd, MAX_EDGE_PIXELS)
    if len(edges.x) < MIN_EDGE_PIXELS:
        return None
    offsets, profiles = read_profiles(linear, edges)
    steps = fit_steps(offsets, profiles, edges.gradient)
    good = _honest(offsets, profiles, steps, noise_sd)
    return (edges.take(good), steps.take(good)) if good.sum() >= MIN_EDGE_PIXELS else None


def _honest(offsets: FloatArray, profiles: FloatArray, steps: Steps, noise_sd: float) -> NDArray[np.bool_]:
    """Which fitted steps are steps: clear of noise, well fitted, and even on both sides.

    A speck or a thin fibre is a bump, not a step, and its flank reads a third too sharp. None at all where
    many edges are too wide for the reach: the narrow ones left would only be the luckiest.
    """
    fitted = (steps.rms < np.maximum(2 * noise_sd, 0.04 * steps.height)) & (np.abs(steps.place) < 1)
    clear = (steps.height > 12 * noise_sd) & (steps.height > LEAST_STEP * (steps.low + steps.height))
    reach = PLATEAU_SIGMAS * steps.sigma
    inside = reach + np.abs(steps.place) < offsets[-1]
    if not (fitted & clear).any() or inside[fitted & clear].mean() < WITHIN_REACH:
        return np.zeros_like(inside)
    slack = PLATEAU_SLACK * steps.height + 2 * noise_sd
    rows = np.arange(len(reach))

    def level(distance: FloatArray) -> FloatArray:
        at = np.rint((steps.place + distance - offsets[0]) / (offsets[1] - offsets[0])).astype(int)
        return np.asarray(profiles[rows, np.clip(at, 0, len(offsets) - 1)])

    even = (level(-reach) < steps.low + slack) & (level(reach) > steps.low + steps.height - slack)
    return np.asarray(fitted & clear & inside & even)


def _steepest_tenth(edges: EdgePixels, sigma: FloatArray, noise_spread: float) -> Blur | None:
    """Tenth percentile over stretches of edge, plus what picking the lowest of noisy means took off it."""
    member = edges.stretches()
    count = np.bincount(member)
    mean = np.bincount(member, sigma) / count
    variance = np.bincount(member, (sigma - mean[member]) ** 2) / np.maximum(count - 1, 1)
    enough = count >= CELL_PIXELS
    if enough.sum() < MIN_STRETCHES:
        return None
    mean = np.sort(mean[enough])
    scatter = noise_spread * float(np.sqrt(np.median(variance[enough] / count[enough])))
    picked = min(TENTH_SD * scatter, float(np.median(mean) - np.quantile(mean, 0.1)))
    raw = float(np.quantile(mean, 0.1)) + picked
    blur = float(np.sqrt(max(raw**2 - INTERPOLATION_VARIANCE, LEAST_SIGMA_PX**2)))
    chance = 1.7 * float(np.std(mean[: max(len(mean) // 2, 2)])) / np.sqrt(len(mean))
    blur_u = float(np.sqrt(chance**2 + (0.5 * picked) ** 2 + (MODEL_REL_U * blur) ** 2))
    return Blur(blur, blur_u, "the steepest edges of the debris")


def _worst_quarter(
    linear: NDArray[np.float32],
    mask: NDArray[np.uint8],
    found: tuple[EdgePixels, Steps],
    noise_sd: float,
    noise_spread: float,
) -> tuple[float | None, tuple[int, int] | None]:
    """Largest blur of the window's four quarters, of those with edges enough to say, and where it is.

    Among the steepest edges of all a soft quarter has none, so such a one is looked at by itself.
    """
    edges, steps = found
    rows, cols = (length // 2 for length in linear.shape)
    quarter = 2 * (edges.y > rows).astype(int) + (edges.x > cols)
    blurs = []
    for place in range(4):
        here = quarter == place
        if here.sum() >= MIN_EDGE_PIXELS:
            blur = _steepest_tenth(edges.take(here), steps.sigma[here], noise_spread)
        else:
            column, row = place % 2, place // 2
            part = slice(rows * row, rows * (row + 1)), slice(cols * column, cols * (column + 1))
            blur = steepest_edges_blur(linear[part], mask[part], noise_sd, noise_spread, parts=False)
        blurs += [] if blur is None else [(blur.sigma_px, (place % 2, place // 2))]
    return max(blurs) if len(blurs) > 1 else (None, None)


def _before_sharpening(blur: Blur, linear: NDArray[np.float32], edges: EdgePixels, steps: Steps) -> Blur:
    """Look for a sharpening rim along the sharper edges, and go back behind it where there is one."""
    sharper = np.flatnonzero(steps.sigma <= np.quantile(steps.sigma, 0.4))[:1500]
    chosen, fitted = edges.take(sharper), steps.take(sharper)
    offsets, profiles = read_profiles(linear, chosen, fitted.place)
    profile = np.median((profiles - fitted.low[:, None]) / fitted.height[:, None], axis=0)
    level = float(np.median(profile[offsets >= 6]))
    rim = float(profile[(offsets > 0.5) & (offsets < 5)].max()) - level
    if level < 0.5 or rim < RIM * level:
        return blur
    sigma = fit_sharpened(offsets, profile, blur.sigma_px)
    sigma = float(np.sqrt(max(sigma**2 - INTERPOLATION_VARIANCE, LEAST_SIGMA_PX**2)))
    worst = None if blur.worst_px is None else blur.worst_px * sigma / blur.sigma_px
    sigma_u = float(np.hypot(blur.sigma_u_px, 0.1 * sigma))
    return replace(blur, sigma_px=sigma, sigma_u_px=sigma_u, worst_px=worst, overshoot=min(rim / level, 0.5))


def _printed_edges(rgb: NDArray[np.uint8], plane: PlaneMap, frame: Frame, light: Light) -> Blur | None:
    """Blur from the printed slanted edges less the print's own spread; where that is most of it, a bound."""
    fitted = [_printed_edge(rgb, plane, edge, light) for edge in frame.slanted_edges]
    seen = np.array([pair for pair in fitted if pair is not None])
    if len(seen) == 0:
        return None
    sigma, um_per_px = np.median(seen, axis=0)
    softest = float(np.quantile(seen[:, 0], 0.9))
    spread, spread_u = PRINT_SPREAD_UM / um_per_px, PRINT_SPREAD_U_UM / um_per_px
    own = float(np.sqrt(max(sigma**2 - spread**2, LEAST_SIGMA_PX**2)))
    own_u = float(np.hypot(spread * spread_u / own, 0.03 * own))
    if own_u > BOUND_REL_U * own:
        return Blur(float(sigma), 0.05 * float(sigma), "printed edges", upper_bound=True, worst_px=softest)
    worst = float(np.sqrt(max(softest**2 - spread**2, own**2)))
    return Blur(own, own_u, "printed edges, less the print's spread", worst_px=worst)


def _printed_edge(
    rgb: NDArray[np.uint8], plane: PlaneMap, edge: SlantedEdge, light: Light
) -> tuple[float, float] | None:
    """Sigma (px) and um per px of one printed edge."""
    ends = plane.to_px(np.array([edge.start_mm, edge.end_mm]))
    um_per_px = float(plane.um_per_px(ends.mean(axis=0, keepdims=True))[0])
    low = np.maximum(np.floor(ends.min(axis=0)).astype(int) - 14, 0)
    high = np.ceil(ends.max(axis=0)).astype(int) + 15
    crop = rgb[low[1] : high[1], low[0] : high[0]]
    if min(crop.shape[:2]) < 8:
        return None
    linear = light.tone.to_linear(grey_of(crop))
    fitted = fit_straight_edge(linear, ends[0] - low, ends[1] - low, 0.8 * 1000 * edge.clear_mm / um_per_px)
    return None if fitted is None else (fitted.sigma_px, um_per_px)


def _blade(rgb: NDArray[np.uint8], plane: PlaneMap, frame: Frame, light: Light, noise: Noise) -> Blur | None:
    """Blur from a blade or wire laid in the groove; None where nothing straight lies in it."""
    if frame.groove is None:
        return None
    x, y, w, h = frame.groove
    outline = plane.to_px(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]))
    try:
        view = view_window(rgb, outline, shrink=0.1)
    except ValueError:
        return None
    linear = light.tone.to_linear(grey_of(view.rgb))
    edges = find_edge_pixels(linear, view.mask, noise.sd_rel * light.paper_level, MAX_EDGE_PIXELS)
    best = None
    for _ in range(4):
        line, edges = _longest_line(edges)
        if line is None:
            break
        fitted = fit_straight_edge(linear, line[0], line[1], 12.0)
        if fitted is not None and (best is None or fitted.sigma_px < best.sigma_px):
            best = fitted
    if best is None:
        return None
    return Blur(
        best.sigma_px, float(np.hypot(best.sigma_u_px, 0.04 * best.sigma_px)), "the blade in the groove"
    )


def _longest_line(edges: EdgePixels) -> tuple[FloatArray | None, EdgePixels]:
    """Ends (2, 2) of the longest straight run of edge pixels, and the pixels not on it."""
    if len(edges.x) < BLADE_MIN_PX:
        return None, edges
    x, y = edges.x - edges.x.mean(), edges.y - edges.y.mean()
    turn = np.arctan2(edges.normal_y, edges.normal_x)
    away = x * edges.normal_x + y * edges.normal_y
    votes, turns, aways = np.histogram2d(turn, away, bins=[90, max(int(np.ptp(away) / 4), 1)])
    i, j = np.unravel_index(np.argmax(votes), votes.shape)
    angle, distance = (turns[i] + turns[i + 1]) / 2, (aways[j] + aways[j + 1]) / 2
    for width in (6.0, 2.5, 1.5):
        normal = np.array([np.cos(angle), np.sin(angle)])
        off = x * normal[0] + y * normal[1] - distance
        on = (np.abs(off) < width) & (edges.normal_x * normal[0] + edges.normal_y * normal[1] > 0.9)
        if on.sum() < BLADE_MIN_PX:
            return None, edges
        along = y * normal[0] - x * normal[1]
        slope, level = np.polyfit(along[on], off[on], 1)
        distance, angle = distance + level, angle - np.arctan(slope)
    normal = np.array([np.cos(angle), np.sin(angle)])
    along = y * normal[0] - x * normal[1]
    ends = np.quantile(along[on], [0.02, 0.98])
    if ends[1] - ends[0] < BLADE_MIN_PX or on.sum() < 0.6 * (ends[1] - ends[0]):
        return None, edges.take(~on)
    middle = np.array([edges.x.mean(), edges.y.mean()]) + distance * normal
    return middle + ends[:, None] * np.array([-normal[1], normal[0]]), edges.take(~on)


def _sharpest(found: list[Blur]) -> Blur | None:
    """Readings that agree are averaged by their uncertainties; of two that differ the softer edge is soft."""
    honest = [blur for blur in found if not blur.upper_bound] or found
    if not honest:
        return None
    best = min(honest, key=lambda blur: blur.sigma_px)
    bound = min(found, key=lambda blur: blur.sigma_px)
    if bound.upper_bound:  # a softer edge elsewhere says nothing that the bound does not
        return bound
    agree = [b for b in honest if b.sigma_px - best.sigma_px <= 2 * np.hypot(b.sigma_u_px, best.sigma_u_px)]
    weights = np.array([blur.sigma_u_px**-2 for blur in agree])
    worst = [(blur.worst_px, blur.worst_quarter) for blur in agree if blur.worst_px is not None]
    softest, where = max(worst, key=lambda pair: pair[0]) if worst else (None, None)
    return Blur(
        float(weights @ [blur.sigma_px for blur in agree] / weights.sum()),
        float(weights.sum() ** -0.5),
        " and ".join(blur.source for blur in agree),
        best.upper_bound,
        softest,
        max(blur.overshoot for blur in agree),
        where,
    )
