"""Tabulate: pieces in photo pixels become rows of the particle table in micrometres."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import Calibration
from triage.debris.clumps import find_clumps, put_clumps
from triage.debris.confirmed import load as load_confirmed
from triage.debris.features import Appearance, features_of, lab_of
from triage.debris.ground import GroundSeen
from triage.debris.kinds import FIBRE_RATIO, UNSURE, is_strip, looks_like
from triage.debris.limits import Limits
from triage.debris.looks import Looks
from triage.debris.outline import Segments, polygons
from triage.debris.particles import FLAG_BIT, NO_DEBRIS, ParticleTable, empty_table
from triage.debris.shape import Shapes, measure_shapes, strip_length_and_width

Array = NDArray[np.float64]

FAINT_BELOW = 0.45  # contrast under which a piece is held to the limit of faint ones
SHAPE_SIGMAS = 3.0  # blur FWHM-like widths across below which Feret diameters lean on the disc model


@dataclass(frozen=True)
class Sized:
    """What is known of each piece in photo pixels, before the scale comes in; (N,) arrays in label order.

    `outline` holds the pieces' outlines in pixels of the crop, `labels` (H, W) the pieces' pixels there.
    `diameter` is the ECD with blur and shadow taken off, `colour` (N, 3) linear light with white paper at 1.
    `even` tells strips as wide everywhere as on average. `blurred` is False for pictures of only two
    levels, whose outlines are exact.
    """

    outline: Segments
    labels: NDArray[np.int32]
    x: Array
    y: Array
    diameter: Array
    diameter_u: Array
    contrast: Array
    colour: Array
    looks: Looks
    beside: Array
    flags: NDArray[np.uint32]
    on_edge: NDArray[np.bool_]
    limits: Limits
    even: NDArray[np.bool_]
    blurred: bool
    dark: bool
    noise: float
    blur_px: float


@dataclass(frozen=True)
class Debris:
    """All particles of one photo, biggest first; outlines (N, 2) px, share of the window covered."""

    table: ParticleTable
    outlines: tuple[NDArray[np.float32], ...]
    limits: Limits
    coverage: float
    window_cm2: float
    ground: GroundSeen | None = None  # None: plain


def tabulate(sized: Sized, calibration: Calibration, left: int, top: int) -> Debris:
    """Bring the pieces to scale; `left` and `top` place the crop in the photo."""
    count = sized.x.size
    corner = np.array([left, top])
    plane = calibration.plane
    to_um = [plane.to_mm(points + corner) * 1000 for points in (sized.outline.start, sized.outline.end)]
    mapped = replace(sized.outline, start=to_um[0], end=to_um[1])
    shapes = measure_shapes(mapped, count)
    centre_px = np.stack([sized.x, sized.y], axis=1) + corner
    scale = plane.um_per_px(centre_px) if count else np.empty(0)
    table = empty_table(count)
    table["x_px"], table["y_px"] = centre_px.T
    table["x_mm"], table["y_mm"] = (plane.to_mm(centre_px) if count else centre_px).T
    table["ecd_um"] = sized.diameter * scale
    table["ecd_u_um"] = np.hypot(sized.diameter_u * scale, table["ecd_um"] * calibration.um_per_px_rel_u)
    _put_shapes(table, shapes, sized)
    _put_kinds(table, shapes, sized)
    _put_limits(table, sized)
    window_cm2 = _put_edges(table, sized, shapes.extent, calibration)
    order = np.lexsort((table["x_px"], table["y_px"], -table["ecd_um"]))
    outlines = polygons(sized.outline, count)
    table = table[order]
    table["id"] = np.arange(1, count + 1)
    ordered = [outlines[index] for index in order]
    put_clumps(table, find_clumps(table, ordered, sized.blur_px) if sized.blurred else ())
    covered = float(shapes.area.sum()) / 1e8 / max(window_cm2, 1e-9)
    shown = tuple(each + corner.astype(np.float32) for each in ordered)
    return Debris(table, shown, sized.limits, covered, window_cm2)


def without_hidden(debris: Debris, least_um: float, least_contrast: float) -> Debris:
    """Leave out what is smaller or fainter: of what cannot be told from its ground nothing is reported."""
    table = debris.table
    kept = (table["ecd_um"] >= least_um) & (np.abs(table["contrast"]) >= least_contrast)
    table = table[kept]
    table["id"] = np.arange(1, len(table) + 1)
    outlines = tuple(each for each, keep in zip(debris.outlines, kept, strict=True) if keep)
    return replace(debris, table=table, outlines=outlines)


def _put_shapes(table: ParticleTable, shapes: Shapes, sized: Sized) -> None:
    """Feret diameters lose what the area lost for blur and shadow.

    Evenly along a resolved outline; in squares, as blurred widths add, where light sized the piece.
    """
    seen = np.sqrt(np.maximum(shapes.area, 1e-9) * 4 / np.pi)
    length, _ = strip_length_and_width(shapes.area, shapes.perimeter)
    table["area_um2"] = np.pi / 4 * table["ecd_um"] ** 2
    rim = 2 * (shapes.area - table["area_um2"]) / np.maximum(shapes.perimeter, 1e-9)
    square = seen**2 - table["ecd_um"] ** 2
    by_light = (sized.flags & FLAG_BIT["by_light"]) > 0
    for name, value in (("feret_max_um", shapes.feret_max), ("feret_min_um", shapes.feret_min)):
        small = np.sqrt(np.maximum(value**2 - square, 0))
        table[name] = np.maximum(np.where(by_light, small, value - rim), 0.4 * value)
    table["feret_min_um"] = np.minimum(table["feret_min_um"], table["feret_max_um"])
    part = table["ecd_um"] / seen
    table["perimeter_um"] = shapes.perimeter * part
    table["hull_area_um2"] = shapes.hull_area * part**2
    fibre_width = table["area_um2"] / np.maximum(length, 1e-9)
    strip = sized.even & (length >= FIBRE_RATIO * fibre_width)
    table["length_um"] = np.where(strip, length, table["feret_max_um"])
    table["width_um"] = np.where(strip, fibre_width, table["feret_min_um"])
    table["passing_size_um"] = table["width_um"]
    at_limit = sized.blurred & (table["ecd_um"] < SHAPE_SIGMAS * sized.limits.blur_fwhm_um / 2.355)
    table["flags"] = sized.flags | np.where(at_limit, FLAG_BIT["shape_at_limit"], 0).astype(np.uint32)


def _put_kinds(table: ParticleTable, shapes: Shapes, sized: Sized) -> None:
    table["lightness"], table["lab_a"], table["lab_b"] = lab_of(sized.colour).T
    table["contrast"] = sized.contrast
    strip = is_strip(table)
    if not sized.blurred:  # two levels show shapes, and nothing of a look
        table["kind"] = np.where(strip, "fibre", UNSURE)
        return
    table["features"] = features_of(_appearance(table, shapes, sized))
    named = looks_like(table["features"], strip, load_confirmed())
    table["kind"], table["kind_confidence"] = named.kind, named.confidence
    table["flags"] |= np.where(named.like_print, FLAG_BIT["like_print"], 0).astype(np.uint32)


def _appearance(table: ParticleTable, shapes: Shapes, sized: Sized) -> Appearance:
    return Appearance(
        colour=sized.colour,
        looks=sized.looks,
        outside=sized.beside[:, 0],
        sharpness=sized.beside[:, 1],
        aspect=table["feret_min_um"] / np.maximum(table["feret_max_um"], 1e-9),
        solidity=shapes.area / np.maximum(shapes.hull_area, 1e-9),
        roundness=4 * np.pi * shapes.area / np.maximum(shapes.perimeter, 1e-9) ** 2,
        slimness=table["length_um"] / np.maximum(table["width_um"], 1e-9),
        across=sized.diameter / sized.blur_px,
        noise=sized.noise * sized.looks["step_u"],
        dark=sized.dark,
    )


def _put_limits(table: ParticleTable, sized: Sized) -> None:
    """Mark what is too small or faint to size; it and a piece narrower than the limit have only a bound.

    Too faint at any size, a piece is bounded by its own length.
    """
    limits = sized.limits
    least = np.where(
        np.abs(sized.contrast) < FAINT_BELOW, limits.smallest_sized_faint_um, limits.smallest_sized_um
    )
    table["below_sizing_limit"] = table["ecd_um"] < least
    least = np.where(table["below_sizing_limit"], least, limits.smallest_sized_um)
    least = np.where(np.isfinite(least), least, table["feret_max_um"])
    narrow = table["below_sizing_limit"] | (table["passing_size_um"] < least)
    table["passing_below_um"] = np.where(narrow, least, np.nan)
    table["passing_size_um"] = np.where(narrow, np.nan, table["passing_size_um"])


def edge_weight(extent: Array, window: Array) -> Array:
    """Miles-Lantuejoul weights (N,) of pieces of these extents (N, 2) wholly inside a window (2,).

    One piece stands for at most 20 along either side.
    """
    seen = np.maximum(1 - extent / window, 0.05)
    weight: Array = 1 / (seen[:, 0] * seen[:, 1])
    return weight


def _put_edges(table: ParticleTable, sized: Sized, extent_um: Array, calibration: Calibration) -> float:
    """Flag what the window cuts, weigh the rest for it; returns the window in cm2.

    Miles-Lantuejoul: a particle w by h is wholly seen in (W - w)(H - h) of the W by H places it may lie in;
    w and h are its extents (N, 2) along the window's sides as it lies: its longest Feret diameter in place
    of both would count a fibre a third of the window long 1.4 to 1.8 times.
    """
    corners = calibration.plane.to_mm(calibration.window_px) * 1000
    table["touches_edge"] = sized.on_edge
    table["weight"] = np.where(
        sized.on_edge | ((sized.flags & NO_DEBRIS) > 0), 0, edge_weight(extent_um, np.ptp(corners, axis=0))
    )
    table["flags"] |= np.where(sized.on_edge, FLAG_BIT["near_window_edge"], 0).astype(np.uint32)
    x, y = corners.T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2 / 1e8)
