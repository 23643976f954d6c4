"""Wires: a cloth's pattern followed over the whole window, and its pitch on the card.

The pattern is compared with an even one in card millimetres, so that perspective is out of the way; how
far the two drift apart is a phase, found block by block and joined across the window.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.scale import PlaneMap
from triage.debris.background import Image, average
from triage.debris.split import filled
from triage.debris.weave import Lattice

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

NODES = 4  # block means in a repeat
PRESENT = 0.45  # of the usual strength of the pattern: what shows less is not cloth, or hidden
LEAST_REPEATS = 100.0
RIM = 2  # repeats along the edge, where the pattern is known from one side only
PARTS = 3  # of the window along each side, whose own pitches show how even the cloth is


@dataclass(frozen=True)
class Followed:
    """Places in the pattern, in repeats: `repeats` (2, h, w) at nodes `step` pixels apart.

    Node (0, 0) lies one step outside, at pixel -(`step` + 1) / 2 of the crop. `shown` (h, w) tells where the
    pattern shows; `cloth` (H, W) is 1 there and where something small hides it.
    """

    repeats: Array
    step: int
    shown: NDArray[np.bool_]
    cloth: Mask

    def at(self, rows: slice, columns: slice) -> list[Image]:
        """Places of some pixels in the repeat, 0 to 1 along each of its sides."""
        places = (enlarged(each, rows, columns, self.step) for each in self.repeats)
        return [np.asarray(each - np.floor(each), np.float32) for each in places]


@dataclass(frozen=True)
class Pitch:
    """Mean distance of neighbouring wires in um, both directions; relative standard uncertainty."""

    one_um: float
    other_um: float
    rel_u: float


def follow(light: Image, window: Mask, lattice: Lattice, plane: PlaneMap, corner: Array) -> Followed | None:
    """Follow the pattern in `light` (H, W), a crop whose first pixel is `corner` (x, y) of the photo.

    None where less than LEAST_REPEATS repeats show.
    """
    step = max(1, round(lattice.period_px / NODES))
    shape = (-(-light.shape[0] // step) + 2, -(-light.shape[1] // step) + 2)
    mm = node_mm(shape, step, plane, corner)
    at_place = plane.jacobian(np.array([lattice.place]) + corner)[0]
    carriers = np.einsum("ij,hwj->ihw", lattice.basis @ np.linalg.inv(at_place), mm)
    even = _even(light, window, step)
    drifts = [_drift(even, np.einsum("j,jhw->hw", each, carriers), step) for each in lattice.tracked]
    shown = _shown([np.abs(each) for each in drifts], _reduced(window.astype(np.float32), step) > 0.99)
    if np.count_nonzero(shown) < LEAST_REPEATS * NODES**2:
        return None
    turns = np.stack([np.pad(_joined(each, shown), 1, mode="edge") for each in drifts])
    repeats = carriers + np.einsum("ij,jhw->ihw", np.linalg.inv(lattice.tracked.astype(float)), turns)
    cloth = cv2.resize(_whole(shown), None, fx=step, fy=step, interpolation=cv2.INTER_NEAREST)
    cut = np.asarray(cloth, np.uint8)[: light.shape[0], : light.shape[1]] & (window > 0).astype(np.uint8)
    return Followed(repeats, step, np.pad(shown, 1), cut)


def measure_pitch(followed: Followed, lattice: Lattice, plane: PlaneMap, corner: Array) -> Pitch | None:
    """Measure the wires' distance on the card's plane; None where wires are not told from over and under.

    The uncertainty is how far parts of the window differ, the scale's own left out.
    """
    if lattice.wires is None:
        return None
    wires = np.einsum("ij,jhw->ihw", lattice.wires.astype(float), followed.repeats)
    mm = node_mm(followed.shown.shape, followed.step, plane, corner)
    whole = _spacing(wires, mm, followed.shown)
    parts = []
    rows, columns = (np.array_split(np.arange(side), PARTS) for side in followed.shown.shape)
    for row in rows:
        for column in columns:
            part = np.zeros_like(followed.shown)
            part[row[0] : row[-1] + 1, column[0] : column[-1] + 1] = True
            part &= followed.shown
            if np.count_nonzero(part) > 0.3 * row.size * column.size:
                parts.append(_spacing(wires, mm, part) / whole)
    spread = float(np.std(np.mean(parts, axis=1), ddof=1)) if len(parts) > 2 else 0.02
    return Pitch(1000 * float(whole[0]), 1000 * float(whole[1]), spread / max(len(parts), 1) ** 0.5)


def node_mm(shape: tuple[int, ...], step: int, plane: PlaneMap, corner: Array) -> Array:
    """Card millimetres (h, w, 2) of the nodes."""
    row, column = ((np.arange(side) - 0.5) * step - 0.5 for side in shape)
    x, y = np.meshgrid(column + corner[0], row + corner[1])
    return plane.to_mm(np.column_stack([x.ravel(), y.ravel()])).reshape(*shape, 2)


def enlarged(nodes: NDArray[np.floating], rows: slice, columns: slice, step: int) -> NDArray[Any]:
    """Values at nodes brought to some whole pixels, linearly interpolated."""
    first = (rows.start // step, columns.start // step)
    part = nodes[first[0] : (rows.stop - 1) // step + 3, first[1] : (columns.stop - 1) // step + 3]
    size = (part.shape[1] * step, part.shape[0] * step)
    large = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
    down, across = rows.start % step + step, columns.start % step + step
    return np.asarray(
        large[down : down + rows.stop - rows.start, across : across + columns.stop - columns.start]
    )


def _reduced(image: Image, step: int) -> Image:
    """Means of blocks of `step` pixels; the last ones are filled up with their own edge."""
    down, across = (-side % step for side in image.shape[:2])
    padded = cv2.copyMakeBorder(image, 0, down, 0, across, cv2.BORDER_REPLICATE)
    size = (padded.shape[1] // step, padded.shape[0] // step)
    return np.asarray(cv2.resize(padded, size, interpolation=cv2.INTER_AREA), np.float32)


def _even(light: Image, window: Mask, step: int) -> Image:
    """Light over its own mean of a few repeats, less 1; held within 1 so that no glint outshouts wires."""
    weight = _reduced((window > 0).astype(np.float32), step)
    total, mass = (
        cv2.GaussianBlur(each, (0, 0), 2.0 * NODES) for each in (_reduced(light, step) * weight, weight)
    )
    mean = np.pad(total / (mass + 1e-6), 1, mode="edge") + 1e-4
    whole = (slice(0, light.shape[0]), slice(0, light.shape[1]))
    even = np.clip(light / enlarged(mean.astype(np.float32), *whole, step) - 1, -1, 1) * (window > 0)
    return np.asarray(even, np.float32)


def _drift(even: Image, carrier: Array, step: int) -> NDArray[np.complex64]:
    """Strength and phase of the pattern against the carrier (in repeats), at the inner nodes."""
    whole = (slice(0, even.shape[0]), slice(0, even.shape[1]))
    turn = enlarged(carrier - np.floor(carrier.min()), *whole, step) * (2 * np.pi)
    parts = [_reduced((even * wave(turn)).astype(np.float32), step) for wave in (np.cos, np.sin)]
    real, imaginary = (cv2.GaussianBlur(each, (0, 0), float(NODES)) for each in parts)
    return np.asarray(real - 1j * imaginary, np.complex64)


def _shown(strength: list[Image], inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    parts = [each / np.percentile(each[inside], 75) for each in strength]
    return np.asarray((np.minimum(*parts) > PRESENT) & inside)


def _whole(shown: NDArray[np.bool_]) -> Mask:
    """The largest place where the pattern shows, what debris hides filled in, its rim left out."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(shown.astype(np.uint8))
    biggest = 1 + int(stats[1:, cv2.CC_STAT_AREA].argmax()) if count > 1 else 0
    reach = np.ones((2 * NODES + 1, 2 * NODES + 1), np.uint8)
    closed = cv2.morphologyEx((labels == biggest).astype(np.uint8), cv2.MORPH_CLOSE, reach)
    rim = np.ones((2 * RIM * NODES + 1,) * 2, np.uint8)
    whole = filled(np.asarray(closed, np.uint8))
    return np.asarray(cv2.erode(whole, rim, borderType=cv2.BORDER_CONSTANT, borderValue=0), np.uint8)


def _joined(drift: NDArray[np.complex64], shown: NDArray[np.bool_]) -> Array:
    """Phases in repeats, joined across the window and carried on smoothly where the pattern is hidden."""
    coarse = np.angle(drift[::NODES, ::NODES]).astype(float) / (2 * np.pi)
    known = shown[::NODES, ::NODES]
    joined = _unwrapped(coarse, known)
    trend = _quadratic(joined, known)
    smooth = trend + average((joined - trend).astype(np.float32), known, 1.5)
    inner = np.pad(np.where(known, joined, smooth), 1, mode="edge")
    # A coarse node lies on node NODES i: half a coarse step is not to be taken off again.
    row, column = (np.arange(side, dtype=np.float32) / NODES + 1 for side in drift.shape)
    places = np.meshgrid(column, row)
    fine = cv2.remap(inner.astype(np.float32), *places, cv2.INTER_LINEAR)
    off = np.angle(drift) / (2 * np.pi) - fine
    return np.where(shown, fine + off - np.round(off), fine)


def _unwrapped(phase: Array, known: NDArray[np.bool_]) -> Array:
    """Add whole repeats so that neighbours agree, along the tree of the smallest steps."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree

    number = np.arange(phase.size).reshape(phase.shape)
    one = np.concatenate([number[:, :-1].ravel(), number[:-1].ravel()])
    other = np.concatenate([number[:, 1:].ravel(), number[1:].ravel()])
    both = known.ravel()[one] & known.ravel()[other]
    one, other, flat = one[both], other[both], phase.ravel()
    step = flat[other] - flat[one]
    cost = np.abs(step - np.round(step)) + 1e-3
    graph = minimum_spanning_tree(coo_array((cost, (one, other)), shape=(phase.size, phase.size)).tocsr())
    _, part = connected_components(graph, directed=False)
    root = int(np.flatnonzero(part == np.bincount(part[known.ravel()]).argmax())[0])
    order, before = breadth_first_order(graph, root, directed=False)
    joined = flat.copy()
    for node in order[1:].tolist():
        joined[node] -= np.round(joined[node] - joined[before[node]])
    return joined.reshape(phase.shape)


def _quadratic(values: Array, known: NDArray[np.bool_]) -> Array:
    y, x = (np.linspace(-1, 1, side) for side in values.shape)
    x, y = np.meshgrid(x, y)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    return np.asarray(terms @ np.linalg.lstsq(terms[known], values[known], rcond=None)[0])


def _spacing(wires: Array, mm: Array, part: NDArray[np.bool_]) -> Array:
    """Distance of neighbouring wires in mm, both directions, from their numbers at the nodes of `part`."""
    place = np.column_stack([mm[part], np.ones(np.count_nonzero(part))])
    slope = np.linalg.lstsq(place, wires[:, part].T, rcond=None)[0][:2]
    return np.asarray(1 / np.hypot(*slope))
