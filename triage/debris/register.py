"""Register: whether two photos show the same spread, and how one lies over the other, from the pieces alone.

Pieces are a constellation. On the card both photos share its millimetres; without one, or where a cut-out
frame was moved, the turn and shift are found from pairs of pieces that lie equally far apart in both. What
chance would match is worked out, so that unlike spreads are not taken for one.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Pairs = NDArray[np.intp]

CHANCE = 1e-6  # of taking two unlike spreads for one, all trials together
SAME_SHARE = 0.5  # of the comparable pieces must lie where they lay
ALIKE = 0.3  # natural logarithm of two readings of one piece's diameter; lamps and blur move it
CLEAR = 1.3  # times the larger of both limits: such pieces are found in both photos
MOST = 300  # pieces compared
LANDMARKS = 40  # biggest pieces that turn and shift are tried on
BLURS = 1.5  # blur widths by which a centre may be off
CUT_SHARE = 0.3  # of a piece's diameter: shadows and facets move its centre
FIELD_REL = 0.004  # of the window: tilt, unseen without marks, and scale
MOST_TURNS = 6_000
FREE = 2  # pairs that any turn and shift found from pairs brings together
FEWEST = 3  # pieces found again, beyond those, that can tell anything
LARGEST_STRETCH = 0.03  # between the scales of two photos
UNMOVED = np.eye(2, 3)


@dataclass(frozen=True)
class Layout:
    """Where the pieces of one photo lie: `xy_mm` (N, 2), `ecd_um` (N,), the window's outline (M, 2) mm."""

    xy_mm: Array
    ecd_um: Array
    window_mm: Array
    limit_um: float
    blur_um: float

    def of_at_least(self, ecd_um: float) -> Layout:
        """The biggest pieces only."""
        order = np.argsort(-self.ecd_um, kind="stable")[:MOST]
        rows = order[self.ecd_um[order] >= ecd_um]
        return Layout(self.xy_mm[rows], self.ecd_um[rows], self.window_mm, self.limit_um, self.blur_um)


@dataclass(frozen=True)
class Match:
    """How a second layout lies over a first: `move` (2, 3) takes its millimetres to those of the first.

    Of `comparable` clear pieces that lie in both windows `again` lie where they should; chance would give
    `by_chance` of them. `overlap` is the part of the first window that the second photo shows.
    """

    move: Array
    comparable: int
    again: int
    by_chance: float
    overlap: float

    @property
    def share(self) -> float:
        """Part of the comparable pieces found again."""
        return self.again / max(self.comparable, 1)

    @property
    def same(self) -> bool:
        """Whether both photos show one spread."""
        return self.share >= SAME_SHARE


def moved(xy: Array, move: Array) -> Array:
    """(N, 2) points by an affine (2, 3)."""
    return np.asarray(xy @ move[:, :2].T + move[:, 2])


def inverse(move: Array) -> Array:
    """The affine (2, 3) that undoes `move`."""
    back = np.linalg.inv(move[:, :2])
    return np.column_stack([back, -back @ move[:, 2]])


def after(second: Array, first: Array) -> Array:
    """The affine (2, 3) that does `first`, then `second`."""
    return np.column_stack([second[:, :2] @ first[:, :2], second[:, :2] @ first[:, 2] + second[:, 2]])


def match(one: Layout, other: Layout, *, on_card: bool) -> Match | None:
    """Tell how `other` lies over `one`; None where no more pieces agree than chance explains.

    `on_card`: both are in the millimetres of one printed frame, so that an unmoved spread is tried first.
    """
    least = CLEAR * max(one.limit_um, other.limit_um)
    clear, clear_other = one.of_at_least(least), other.of_at_least(least)
    still = _judged(clear, clear_other, UNMOVED, 0, 0.1 * FIELD_REL) if on_card else None
    if still and still.same:
        return still
    moves = _moves(clear, clear_other)
    best = max(
        _most_agreed(clear, clear_other, moves),
        key=lambda move: len(pairs_of(clear, clear_other, move)),
        default=None,
    )
    if best is None:
        return still
    for _ in range(3):
        best = _fitted(clear, clear_other, best)
    turned = _judged(clear, clear_other, best, len(moves), FIELD_REL)
    return turned if turned and turned.same else still


def pairs_of(one: Layout, other: Layout, move: Array, field_rel: float = FIELD_REL) -> Pairs:
    """Rows (K, 2) of both layouts that are one piece: each other's nearest, near enough, alike in size."""
    if not len(one.xy_mm) or not len(other.xy_mm):
        return np.zeros((0, 2), np.intp)
    from scipy.spatial import cKDTree

    at = moved(other.xy_mm, move)
    apart, nearest = cKDTree(one.xy_mm).query(at)
    _, back = cKDTree(at).query(one.xy_mm)
    rows = np.arange(len(at))
    alike = np.abs(np.log(one.ecd_um[nearest] / other.ecd_um)) < ALIKE
    good = (back[nearest] == rows) & alike & (apart <= _reach(one, other, field_rel))
    return np.column_stack([nearest[good], rows[good]])


def within(xy: Array, outline: Array) -> NDArray[np.bool_]:
    """Tell which points (N, 2) lie in a convex outline (M, 2)."""
    corner = cv2.convexHull(outline.astype(np.float32))[:, 0].astype(float)
    side = np.roll(corner, -1, axis=0) - corner
    away = xy[:, None] - corner
    cross = side[:, 0] * away[..., 1] - side[:, 1] * away[..., 0]
    return np.asarray((cross >= 0).all(axis=1) | (cross <= 0).all(axis=1))


def _reach(one: Layout, other: Layout, field_rel: float) -> Array:
    """How far each piece of `other` may lie off, mm."""
    blur_mm = BLURS * max(one.blur_um, other.blur_um) / 1000
    field = float(np.hypot(*np.ptp(one.window_mm, axis=0)))
    return np.asarray(np.hypot(blur_mm, CUT_SHARE * other.ecd_um / 1000) + field_rel * field)


def _judged(one: Layout, other: Layout, move: Array, trials: int, field_rel: float) -> Match | None:
    """Hold a move against chance; `trials`: how many were tried to find it, 0 where it was known."""
    from scipy.special import pdtrc

    if abs(np.hypot(*move[:, 0]) - 1) > LARGEST_STRETCH:
        return None
    inside = within(moved(other.xy_mm, move), one.window_mm)
    seen = within(moved(one.xy_mm, inverse(move)), other.window_mm)
    comparable = int(min(inside.sum(), seen.sum()))
    again = len(pairs_of(one, other, move, field_rel))
    like = np.abs(np.log(other.ecd_um[inside, None] / one.ecd_um)) < ALIKE
    room = max(float(cv2.contourArea(one.window_mm.astype(np.float32))), 1e-12)
    by_chance = float(np.pi / room * (like.sum(axis=1) @ _reach(one, other, field_rel)[inside] ** 2))
    told = again - (FREE if trials else 0)
    if told < FEWEST or max(trials, 1) * pdtrc(told - 1, by_chance) > CHANCE:
        return None
    return Match(move, comparable, again, by_chance, _overlap(one, other, move))


def _overlap(one: Layout, other: Layout, move: Array) -> float:
    low, high = one.window_mm.min(axis=0), one.window_mm.max(axis=0)
    grid = np.stack(np.meshgrid(*np.linspace(low, high, 30).T), axis=-1).reshape(-1, 2)
    grid = grid[within(grid, one.window_mm)]
    return float(within(moved(grid, inverse(move)), other.window_mm).mean()) if len(grid) else 0.0


def _moves(one: Layout, other: Layout) -> Array:
    """Turns and shifts (K, 2, 3) that lay two landmarks of `other` on two alike of `one`, as far apart."""
    first, second = (each.xy_mm[:LANDMARKS] @ [1, 1j] for each in (one, other))
    alike = np.abs(np.log(one.ecd_um[:LANDMARKS, None] / other.ecd_um[:LANDMARKS])) < ALIKE
    i, j = (rows.ravel() for rows in np.nonzero(~np.eye(len(first), dtype=bool)))
    k, m = (rows.ravel() for rows in np.nonzero(~np.eye(len(second), dtype=bool)))
    if not i.size or not k.size:
        return np.zeros((0, 2, 3))
    step, other_step = first[j] - first[i], second[m] - second[k]
    field = float(np.hypot(*np.ptp(one.window_mm, axis=0)))
    reach = BLURS * max(one.blur_um, other.blur_um) / 1000 + FIELD_REL * field
    fits = np.abs(np.abs(step)[:, None] - np.abs(other_step)) < reach
    fits &= alike[i[:, None], k] & alike[j[:, None], m] & (np.abs(step)[:, None] > 0.1 * field)
    here, there = np.nonzero(fits)
    if here.size > MOST_TURNS:  # the longest pairs fix the turn best
        kept = np.argsort(-np.abs(step[here]), kind="stable")[:MOST_TURNS]
        here, there = here[kept], there[kept]
    turn = step[here] / other_step[there]
    turn /= np.abs(turn)
    middle, other_middle = (first[i] + first[j])[here] / 2, (second[k] + second[m])[there] / 2
    shift = middle - turn * other_middle
    rows = [[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag]]
    return np.asarray(rows).transpose(2, 0, 1)


def _most_agreed(one: Layout, other: Layout, moves: Array) -> Array:
    """The few moves under which most landmarks fall together."""
    if not len(moves):
        return moves
    first, second = one.xy_mm[:LANDMARKS], other.xy_mm[:LANDMARKS]
    alike = np.abs(np.log(one.ecd_um[:LANDMARKS, None] / other.ecd_um[:LANDMARKS])) < ALIKE
    reach = 1.5 * _reach(one, other, FIELD_REL)[:LANDMARKS]
    agreed = []
    for start in range(0, len(moves), 1000):
        part = moves[start : start + 1000]
        at = np.einsum("kab,nb->kna", part[:, :, :2], second) + part[:, None, :, 2]
        apart = np.abs((at @ [1, 1j])[:, None, :] - (first @ [1, 1j])[None, :, None])
        agreed.append(((apart < reach) & alike).any(axis=1).sum(axis=1))
    return moves[np.argsort(-np.concatenate(agreed), kind="stable")[:5]]


def _fitted(one: Layout, other: Layout, move: Array) -> Array:
    """Turn, shift and scale by least squares over the pairs."""
    pairs = pairs_of(one, other, move)
    if len(pairs) < 2:
        return move
    here, there = one.xy_mm[pairs[:, 0]] @ [1, 1j], other.xy_mm[pairs[:, 1]] @ [1, 1j]
    middle, other_middle = here.mean(), there.mean()
    spread = float((np.abs(there - other_middle) ** 2).sum())
    turn = ((here - middle) @ np.conj(there - other_middle)) / max(spread, 1e-12)
    shift = middle - turn * other_middle
    return np.array([[turn.real, -turn.imag, shift.real], [turn.imag, turn.real, shift.imag]])
