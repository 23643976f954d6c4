"""Measure: from a calibrated photo to the particle table, the one path through this folder."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import Calibration
from triage.debris import shadows, two_level
from triage.debris.background import Departure, Image, brightest, find_departure, is_darker_than_debris
from triage.debris.bodies import with_bodies
from triage.debris.dust import lifted
from triage.debris.edges import Outlined, outlined, refine
from triage.debris.find import Found, Mask, disc, find
from triage.debris.ground import even_ground
from triage.debris.halves import Half
from triage.debris.limits import Limits, Sight, limits_of, regions_of
from triage.debris.lookalikes import flag_lookalikes
from triage.debris.looks import LOOK
from triage.debris.outline import cell_segments, trace
from triage.debris.particles import FLAG_BIT
from triage.debris.pieces import Pieces, measure_pieces, outline_length, polygon_area
from triage.debris.proof import Ground, prove
from triage.debris.shape import strip_length_and_width
from triage.debris.sizes import Diameters, TotalBlur, size_pieces
from triage.debris.softness import own_blur
from triage.debris.split import split_touching
from triage.debris.tabulate import Debris, Sized, tabulate, without_hidden

Array = NDArray[np.float64]

UNKNOWN_BLUR_PX = (1.2, 0.4)  # a picture without one clean edge; usual for phones, from memory
STEP_SHARE = 0.7  # of the level that counts as seen: a weaker outline is a blotch
STRIP_RATIO = 5.0
STRONG_STEP = 0.35  # of the paper's light: so strong an outline is debris however soft
THIN_SIGMAS = 8  # a strip wider than this has necks only where something touches
SOFT = 1.5  # of the photo's blur: debris softer than this stands out of focus
SOFTEST_PX = 6.0
GROUND_SHARE = 0.1  # of white paper's light, at most, that a black ground throws back; from memory, no source
SHARP = 0.55  # of an ideal edge's slope: a softer outline is a shadow


@dataclass(frozen=True)
class Crop:
    """The debris window cut from the photo: its pixels, which of them count, and its corner in the photo."""

    rgb: NDArray[np.uint8]
    window: Mask
    left: int
    top: int


def measure_debris(rgb: NDArray[np.uint8], calibration: Calibration) -> Debris:
    """Find, size and name every particle in the debris window of an upright photo (H, W, 3)."""
    crop = cut_window(rgb, calibration.window_px)
    if two_level.is_two_level(crop.rgb):
        return tabulate(_by_cells(crop, calibration), calibration, crop.left, crop.top)
    even = even_ground(crop.rgb, crop.window, calibration, (crop.left, crop.top))
    if even is None:
        dark = _is_dark(crop, calibration)
        return tabulate(_by_light(crop, calibration, dark=dark), calibration, crop.left, crop.top)
    sized = _by_light(
        replace(crop, rgb=even.rgb, window=even.window),
        calibration,
        dark=False,
        hidden_px=even.ground.hidden_um / calibration.um_per_px,
    )
    sized = replace(sized, limits=even.ground.raised(sized.limits))
    debris = tabulate(sized, even.calibration, crop.left, crop.top)
    return replace(without_hidden(debris, even.ground.hidden_um, even.ground.faintest), ground=even.ground)


def cut_window(rgb: NDArray[np.uint8], window_px: Array) -> Crop:
    """Cut the window's bounding box out of the photo."""
    height, width = rgb.shape[:2]
    low = np.clip(np.floor(window_px.min(axis=0) + 0.5), 0, [width - 1, height - 1]).astype(int)
    high = np.clip(np.ceil(window_px.max(axis=0) + 0.5), low + 1, [width, height]).astype(int)
    window = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillPoly(window, [np.round((window_px - low) * 16).astype(np.int32)], 1, shift=4)
    return Crop(rgb[low[1] : high[1], low[0] : high[0]], window, int(low[0]), int(low[1]))


def _by_cells(crop: Crop, calibration: Calibration) -> Sized:
    labels, count = two_level.label(crop.rgb)
    outline = cell_segments(labels)
    area = polygon_area(outline, count)
    place = np.flatnonzero(labels)
    row, column = np.divmod(place, labels.shape[1])
    pixels = np.maximum(np.bincount(labels.ravel()[place] - 1, minlength=count), 1)
    x, y = (np.bincount(labels.ravel()[place] - 1, axis, count) / pixels for axis in (column, row))
    scale = calibration.um_per_px
    # A pixel is in or out by its centre: the area of a disc scatters by about 0.3 of the root of its outline.
    diameter = np.sqrt(area * 4 / np.pi)
    dark = np.zeros((count, 3)) if crop.rgb[0, 0, 0] > 127 else np.ones((count, 3))
    return Sized(
        outline=outline,
        labels=labels,
        x=x,
        y=y,
        diameter=diameter,
        diameter_u=0.35 / np.sqrt(diameter),
        contrast=np.ones(count),
        colour=dark,
        looks=np.zeros(count, LOOK),
        beside=np.zeros((count, 2)),
        flags=np.zeros(count, np.uint32),
        on_edge=_on_edge(labels, crop.window, count),
        limits=Limits(scale, scale, 2 * scale, scale, 2 * scale),
        even=np.zeros(count, bool),
        blurred=False,
        dark=crop.rgb[0, 0, 0] <= 127,
        noise=0.0,
        blur_px=0.5,
    )


def _is_dark(crop: Crop, calibration: Calibration) -> bool:
    """Whether the debris lies on a ground darker than itself."""
    if calibration.frame is not None:
        return calibration.dark
    return is_darker_than_debris(crop.rgb, calibration.light.tone.lut, crop.window)


def _by_light(crop: Crop, calibration: Calibration, *, dark: bool, hidden_px: float = 0.0) -> Sized:
    paper = hidden_px == 0
    sigma, sigma_u = (
        (calibration.blur.sigma_px, calibration.blur.sigma_u_px) if calibration.blur else UNKNOWN_BLUR_PX
    )
    light = calibration.light
    white = _white(crop, calibration) if dark else None
    departure = find_departure(crop.rgb, light.tone.lut, crop.window, white)
    if paper:  # what is left of a weave is no dust
        departure = lifted(departure, crop.window)
    found = find(departure, crop.window, sigma)
    softness = _softness(found, sigma) if paper else 1.0  # a weave frays outlines
    if softness > SOFT:  # the debris stands out of focus: its own edges say how much
        sigma, sigma_u = sigma * softness, sigma_u * softness
        found = find(departure, crop.window, sigma)
    seen = _outlined(found, departure, sigma, dark=dark)
    if not paper:  # what is left of the weave must not tell the blur
        seen = _without_small(seen, hidden_px)
    labels, pieces, searched = seen.drawn.labels, seen.pieces, sigma
    if calibration.blur is None and 1 < softness <= SOFT:  # no edge of a card told the blur
        sigma, sigma_u = sigma * softness, sigma_u * softness
    total = float(np.hypot(sigma, found.smoothing_px))
    rim = calibration.blur.overshoot if calibration.blur else 0.0
    blur = TotalBlur(total, sigma_u, rim)
    sizes = size_pieces(found, labels, pieces, blur, dark=dark, unshadowed=light.unshadowed)

    def measuring(found: Found, departure: Departure) -> tuple[Pieces, Diameters]:
        seen = _outlined(found, departure, searched, dark=dark)
        sizes = size_pieces(found, seen.drawn.labels, seen.pieces, blur, dark=dark, unshadowed=True)
        return seen.pieces, sizes

    sight = Sight(
        _before_smoothing(sizes.sigma_px, found),
        searched,
        found.seed_level,
        found.pixel_noise,
        found.detection_noise,
    )
    ground = Ground(departure, crop.window, found, sight)
    proof = prove(ground, measuring, calibration.um_per_px)
    regions = regions_of(found.light, crop.window, calibration.plane, (crop.left, crop.top))
    return Sized(
        outline=seen.drawn.segments,
        labels=labels,
        x=pieces.x,
        y=pieces.y,
        diameter=sizes.value,
        diameter_u=sizes.uncertainty,
        contrast=sizes.contrast,
        colour=_colour(pieces, sizes, departure, white),
        looks=pieces.looks,
        beside=np.stack([pieces.outside, pieces.sharpness], axis=1),
        flags=sizes.flags
        | np.where(seen.split, FLAG_BIT["split"], 0).astype(np.uint32)
        | flag_lookalikes(labels, pieces, found.light, found.strength, total),
        on_edge=_on_edge(labels, crop.window, pieces.count),
        limits=limits_of(sight, calibration.um_per_px, regions, proof),
        even=sizes.strips,
        blurred=True,
        dark=dark,
        noise=found.noise,
        blur_px=total,
    )


@dataclass(frozen=True)
class _Seen:
    """What was found, outlined and parted."""

    drawn: Outlined
    pieces: Pieces
    split: NDArray[np.bool_]


def _outlined(found: Found, departure: Departure, sigma_px: float, *, dark: bool) -> _Seen:
    total = float(np.hypot(sigma_px, found.smoothing_px))
    drawn, origin = _parted(found.strength, _debris(found, sigma_px, dark=dark), total)
    pieces = measure_pieces(drawn, departure, found, total)
    step = pieces.inside - pieces.outside
    # On a dark ground no shadow shows: what is soft there is debris out of focus or turned from the lamp.
    plain = dark | (pieces.sharpness > SHARP) | (step > STRONG_STEP)
    real = (step > STEP_SHARE * found.seed_level) & plain
    drawn, pieces = _keep(real, drawn, pieces)
    split = np.bincount(origin, minlength=origin.max(initial=0) + 1)[origin][real] > 1
    return _Seen(drawn, pieces, split)


def _debris(found: Found, sigma_px: float, *, dark: bool) -> Mask:
    if dark:
        return with_bodies(found, sigma_px)
    total = float(np.hypot(sigma_px, found.smoothing_px))
    return shadows.remove(found.mask, found.light, found.strength, total).mask


def _without_small(seen: _Seen, hidden_px: float) -> _Seen:
    real = seen.pieces.area > np.pi / 4 * (0.8 * hidden_px) ** 2
    drawn, pieces = _keep(real, seen.drawn, seen.pieces)
    return _Seen(drawn, pieces, seen.split[real])


def _softness(found: Found, sigma_px: float) -> float:
    """How much softer than the photo's blur the outlines of large strong pieces are."""
    own = _before_smoothing(own_blur(found.strength, found.mask, sigma_px), found)
    return min(own, SOFTEST_PX) / sigma_px


def _before_smoothing(total_px: float, found: Found) -> float:
    return float(np.sqrt(max(total_px**2 - found.smoothing_px**2, 0.1)))


def _white(crop: Crop, calibration: Calibration) -> Image:
    """White paper for a dark ground: the card's own, the window's brightest, or what the ground implies."""
    light = calibration.light
    if calibration.frame is not None:
        return np.asarray(light.paper_rgb, np.float32)
    ground, most = brightest(crop.rgb, light.tone.lut, crop.window)
    return np.full(3, max(most, min(ground / GROUND_SHARE, 1.0), 0.1), np.float32)


def _parted(strength: Half, mask: Mask, sigma_px: float) -> tuple[Outlined, NDArray[np.int32]]:
    """Outline and part the pieces; returns them, and for each which one it was before it was parted."""
    edges = refine(strength, mask, sigma_px)
    outline = trace(edges.labels, edges.field)
    bounds = np.searchsorted(outline.label, np.arange(1, edges.count + 2))
    area = polygon_area(outline, edges.count)
    length, width = strip_length_and_width(area, outline_length(outline, edges.count))
    solidity = np.ones(edges.count)
    start = outline.start.astype(np.float32)
    boxes = np.zeros((edges.count, 4), np.int64)
    for index in np.flatnonzero(area > (4 * sigma_px) ** 2):
        points = start[bounds[index] : bounds[index + 1]]
        low = np.maximum(np.floor(points.min(axis=0)), 0).astype(int)
        high = np.ceil(points.max(axis=0)).astype(int)
        boxes[index] = [*low, *(high - low + 1)]
        view = edges.labels[low[1] : high[1] + 1, low[0] : high[0] + 1]
        # A bent thin fibre is all neck: it is left whole.
        if (
            length[index] < STRIP_RATIO * width[index]
            or 2 * _depth(view == index + 1) > THIN_SIGMAS * sigma_px
        ):
            solidity[index] = area[index] / max(cv2.contourArea(cv2.convexHull(points)), 1e-9)
    origin = split_touching(edges.labels, boxes, solidity, sigma_px)
    if origin.size > edges.count:
        outline = trace(edges.labels, edges.field)
    return outlined(edges, origin.size, outline, strength), origin


def _depth(piece: NDArray[np.bool_]) -> float:
    return float(cv2.distanceTransform(np.pad(piece.astype(np.uint8), 1), cv2.DIST_L2, 5).max())


def _keep(real: NDArray[np.bool_], drawn: Outlined, pieces: Pieces) -> tuple[Outlined, Pieces]:
    """Drop what is not debris and number the rest anew."""
    rows = {name: getattr(pieces, name)[real] for name in pieces.__dataclass_fields__}
    return drawn.kept(real), Pieces(**rows)


def _colour(pieces: Pieces, sizes: Diameters, departure: Departure, white: Image | None) -> Array:
    """Linear colour of each piece with white paper at 1, (N, 3)."""
    # Blur thins a small piece's colour out with paper: its step is stretched to the contrast it has inside.
    step = pieces.looks["step"]
    thinned = np.maximum(step.mean(axis=1), 1e-3)
    by_light = (sizes.flags & FLAG_BIT["by_light"]) > 0
    step = step * np.where(by_light, np.clip(sizes.contrast / thinned, 1, 4), 1)[:, None]
    if white is None:
        return 1 - step
    rows, columns = departure.paper.shape[:2]
    row = np.clip((pieces.y / departure.reduction).astype(int), 0, rows - 1)
    column = np.clip((pieces.x / departure.reduction).astype(int), 0, columns - 1)
    paper = departure.paper[row, column] / white
    return np.asarray(paper + step * np.maximum(1 - paper, 0.2))


def _on_edge(labels: NDArray[np.int32], window: Mask, count: int) -> NDArray[np.bool_]:
    """Tell which pieces reach the window's edge, or the pixel beside it where outlines close."""
    inner = cv2.erode(window, disc(2), borderType=cv2.BORDER_CONSTANT, borderValue=0)
    touching = np.zeros(count + 1, bool)
    touching[labels[inner == 0]] = True
    return touching[1:]
