"""Pair measured particles with true ones, and score what was measured."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

CLASSES_PX = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0, 50.0, np.inf)
Table = NDArray[np.void]


@dataclass(frozen=True)
class Pairs:
    """Rows of `true` and `found` that belong together, one to one, and the rows of each left over."""

    true: NDArray[np.intp]
    found: NDArray[np.intp]
    missed: NDArray[np.intp]
    false: NDArray[np.intp]


@dataclass(frozen=True)
class ClassBias:
    """ECD of one size class: median of measured over true less 1, and its robust deviation."""

    from_px: float
    to_px: float
    count: int
    bias: float
    scatter: float


def pair(true: Table, found: Table) -> Pairs:
    """Pair by place, best first: a centre counts within 2.5 px or 0.6 of the true ECD, whichever is more.

    Both tables need x_px and y_px; `true` ecd_px. Of rivals the one nearer, as a part of that reach, wins.
    """
    if not len(true) or not len(found):
        return Pairs(*(np.zeros(0, np.intp),) * 2, np.arange(len(true)), np.arange(len(found)))
    at = np.column_stack([found["x_px"], found["y_px"]])
    reach = np.maximum(2.5, 0.6 * true["ecd_px"])
    near = cKDTree(at).query_ball_point(np.column_stack([true["x_px"], true["y_px"]]), reach)
    first = np.repeat(np.arange(len(true)), [len(hits) for hits in near])
    second = np.array([hit for hits in near for hit in hits], dtype=np.intp)
    apart = np.hypot(true["x_px"][first] - at[second, 0], true["y_px"][first] - at[second, 1]) / reach[first]
    free_true, free_found = np.ones(len(true), bool), np.ones(len(found), bool)
    chosen = []
    for k in np.argsort(apart):
        if free_true[first[k]] and free_found[second[k]]:
            free_true[first[k]] = free_found[second[k]] = False
            chosen.append(k)
    return Pairs(first[chosen], second[chosen], np.flatnonzero(free_true), np.flatnonzero(free_found))


def recall(true: Table, pairs: Pairs, from_px: float, least_contrast: float = 0.3) -> float:
    """Return the part of true particles of at least `from_px` that were found; NaN where there are none.

    Only pieces that differ from the paper by `least_contrast` count: paper-coloured ones are invisible.
    """
    asked = (true["ecd_px"] >= from_px) & (np.abs(true["contrast"]) >= least_contrast)
    return _part(asked, pairs.true)


def precision(found: Table, um_per_px: float, pairs: Pairs, from_px: float) -> float:
    """Return the part of particles measured as at least `from_px` that are real; NaN where there are none."""
    return _part(found["ecd_um"] >= from_px * um_per_px, pairs.found)


def ecd_bias(true: Table, found: Table, pairs: Pairs) -> tuple[ClassBias, ...]:
    """Return the ECD's bias and scatter by true size class; fibres left out (their ECD is not a size)."""
    grain = ~true["fibre"][pairs.true] & (np.abs(true["contrast"][pairs.true]) >= 0.3)
    size = true["ecd_px"][pairs.true][grain]
    ratio = (found["ecd_um"][pairs.found] / true["ecd_um"][pairs.true])[grain]
    rows = []
    for low, high in pairwise(CLASSES_PX):
        part = ratio[(size >= low) & (size < high) & np.isfinite(ratio)]
        if len(part):
            middle = float(np.median(part))
            scatter = 1.4826 * float(np.median(np.abs(part - middle)))
            rows.append(ClassBias(low, high, len(part), middle - 1, scatter))
    return tuple(rows)


def kind_bias(true: Table, found: Table, pairs: Pairs, from_px: float) -> dict[str, tuple[float, int]]:
    """Return each kind's median ECD bias and count, of pairs of at least `from_px`, fibres left out."""
    kept = ~true["fibre"][pairs.true] & (true["ecd_px"][pairs.true] >= from_px)
    kinds = true["kind"][pairs.true][kept]
    ratio = (found["ecd_um"][pairs.found] / true["ecd_um"][pairs.true])[kept]
    parts = {str(kind): ratio[kinds == kind] for kind in np.unique(kinds)}
    return {kind: (float(np.median(part)) - 1, len(part)) for kind, part in parts.items()}


def true_share(true: Table, rating_um: float, from_um: float) -> float:
    """Return the true share by number that a rating lets through, of pieces of at least `from_um`."""
    counted = true["passing_size_um"][true["passing_size_um"] >= from_um]
    return float((counted < rating_um).mean()) if len(counted) else float("nan")


def scale_error(true: Table, found: Table, pairs: Pairs) -> float:
    """Return measured over true card millimetres less 1, from the places of all paired particles."""
    if len(pairs.true) < 8:
        return float("nan")
    own = np.column_stack([true["x_mm"], true["y_mm"], np.ones(len(true))])[pairs.true]
    seen = np.column_stack([found["x_mm"], found["y_mm"]])[pairs.found]
    keep = np.ones(len(own), bool)
    for _ in range(3):  # a few particles are centred badly; the map is not to blame
        fit = np.linalg.lstsq(own[keep], seen[keep], rcond=None)[0]
        away = np.hypot(*(own @ fit - seen).T)
        keep = away <= 4 * np.median(away) + 1e-9
    return float(np.sqrt(abs(np.linalg.det(fit[:2]))) - 1)


def _part(asked: NDArray[np.bool_], hit: NDArray[np.intp]) -> float:
    there = np.zeros(len(asked), bool)
    there[hit] = True
    return float(there[asked].mean()) if asked.any() else float("nan")
