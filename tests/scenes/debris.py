"""Scatter debris of known size, place and kind over a rectangle of paper."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from tests.scenes.materials import MATERIALS, USUAL_MIX, Material, Rgb
from tests.scenes.shapes import Fibre, Grain, random_fibre, random_grain, sizes_of

Rect = tuple[float, float, float, float]


@dataclass(frozen=True)
class Debris:
    """How much of what: a log-normal number distribution of ECD, or given sizes.

    `gap_um` is the least clear distance between pieces; `touching` the part of pieces laid against another
    one; `on_edge` the part of pieces allowed to lie across the rectangle's edge.
    """

    count: int = 100
    median_um: float = 200.0
    spread: float = 1.8  # geometric standard deviation
    range_um: tuple[float, float] = (20.0, 3000.0)
    sizes_um: tuple[float, ...] | None = None
    mix: tuple[tuple[str, float], ...] = USUAL_MIX
    fibre_width_um: tuple[float, float] = (15.0, 60.0)
    gap_um: float = 150.0
    touching: float = 0.0
    on_edge: float = 0.0


@dataclass(frozen=True)
class Piece:
    """One piece of debris lying on the paper, in true mm."""

    kind: str
    shape: Grain | Fibre
    centre_mm: tuple[float, float]  # of the shape's own origin
    height_mm: float
    rgb: Rgb
    look: Material
    facets: NDArray[np.float64]  # (K, 2) slopes of its faces
    touching: bool = False
    seed: int = 0

    @cached_property
    def polygon(self) -> shapely.Polygon:
        """Return the silhouette in true mm."""
        return affinity.translate(self.shape.polygon, *self.centre_mm)


def scatter(debris: Debris, rect_mm: Rect, rng: np.random.Generator) -> tuple[Piece, ...]:
    """Lay the debris out; raises ValueError where the rectangle has no room for it."""
    pieces = sorted(_make_pieces(debris, rng), key=lambda piece: -piece.polygon.area)
    placed: list[Piece] = []
    taken = np.zeros((0, 3))
    for piece in pieces:
        lean = len(placed) > 0 and rng.random() < debris.touching
        laid = _lay_against(piece, placed, rect_mm, rng) if lean else None
        laid = laid or _lay_apart(piece, debris, rect_mm, taken, rng)
        placed.append(laid)
        taken = np.vstack([taken, laid.shape.discs() + np.array([*laid.centre_mm, 0])])
    return tuple(placed)


def _make_pieces(debris: Debris, rng: np.random.Generator) -> list[Piece]:
    kinds, weights = zip(*debris.mix, strict=True)
    chosen = rng.choice(len(kinds), debris.count, p=np.array(weights) / sum(weights))
    ecds = debris.sizes_um or _draw_sizes(debris, rng)
    return [_make_piece(kinds[k], ecd / 1000, debris, rng) for k, ecd in zip(chosen, ecds, strict=True)]


def _draw_sizes(debris: Debris, rng: np.random.Generator) -> NDArray[np.float64]:
    kept = np.zeros(0)
    while len(kept) < debris.count:
        drawn = debris.median_um * np.exp(np.log(debris.spread) * rng.standard_normal(4 * debris.count))
        kept = np.append(kept, drawn[(drawn >= debris.range_um[0]) & (drawn <= debris.range_um[1])])
    return np.asarray(kept[: debris.count])


def _make_piece(kind: str, ecd_mm: float, debris: Debris, rng: np.random.Generator) -> Piece:
    look = MATERIALS[kind]
    shape = _make_shape(look, ecd_mm, debris, rng)
    thickness = shape.width if isinstance(shape, Fibre) else sizes_of(shape.polygon).feret_min
    brightness = np.exp(rng.normal(0, look.spread))
    colour = np.array(look.rgb) * brightness * np.exp(rng.normal(0, look.tint, 3))
    steep = 2 * look.height[0]
    return Piece(
        kind=look.called or kind,
        shape=shape,
        centre_mm=(0.0, 0.0),
        height_mm=float(thickness * rng.uniform(*look.height)),
        rgb=tuple(np.clip(colour, 0.008, 0.75).tolist()),
        look=look,
        facets=rng.normal(0, min(steep, 0.8), (int(rng.integers(4, 9)), 2)),
        seed=int(rng.integers(1 << 30)),
    )


def _make_shape(look: Material, ecd_mm: float, debris: Debris, rng: np.random.Generator) -> Grain | Fibre:
    if look.form in ("fibre", "curl"):
        low, high = np.log(debris.fibre_width_um)
        width = max(float(np.exp(rng.uniform(low, high))) / 1000, ecd_mm / 10)
        length = max(np.pi / 4 * ecd_mm**2 / width, (8 if look.form == "fibre" else 4) * width)
        curl = rng.uniform(0.2, 0.9) if look.form == "fibre" else rng.uniform(1.0, 1.6)
        return random_fibre(rng, width, length, curl)
    corners = int(rng.integers(6, 11)) if look.form in ("facets", "flake") else 48
    return random_grain(rng, ecd_mm, corners, look.roughness, rng.uniform(*look.stretch))


def _lay_apart(
    piece: Piece, debris: Debris, rect: Rect, taken: NDArray[np.float64], rng: np.random.Generator
) -> Piece:
    own = piece.shape.discs()
    low, high = own[:, :2].min(axis=0) - own[:, 2].max(), own[:, :2].max(axis=0) + own[:, 2].max()
    if rng.random() < debris.on_edge:
        low, high = low * 0, high * 0
    room = np.array(rect[2:]) - (high - low)
    for _ in range(4000 if (room > 0).all() else 0):
        centre = np.array(rect[:2]) - low + room * rng.random(2)
        if _is_free(own + np.array([*centre, 0]), taken, debris.gap_um / 1000):
            return replace(piece, centre_mm=(float(centre[0]), float(centre[1])))
    raise ValueError(f"no room for {debris.count} pieces with gaps of {debris.gap_um} um in {rect[2:]} mm")


def _is_free(discs: NDArray[np.float64], taken: NDArray[np.float64], gap: float) -> bool:
    apart = discs[:, None, :2] - taken[None, :, :2]
    least = discs[:, None, 2] + taken[None, :, 2] + gap
    return bool((np.einsum("ijk,ijk->ij", apart, apart) >= least**2).all())


def _lay_against(piece: Piece, placed: list[Piece], rect: Rect, rng: np.random.Generator) -> Piece | None:
    """Push the piece along a random line until it just touches one host and nothing else."""
    inside = shapely.box(rect[0], rect[1], rect[0] + rect[2], rect[1] + rect[3])
    others = shapely.STRtree([other.polygon for other in placed])
    for _ in range(30):
        host = placed[int(rng.integers(len(placed)))]
        if isinstance(host.shape, Fibre):
            continue
        way = rng.uniform(0, 2 * np.pi)
        direction = np.array([np.cos(way), np.sin(way)])
        moved = _push_to_touch(piece, host, direction)
        outline = moved.polygon
        if inside.contains(outline) and others.query(outline, predicate="intersects").size <= 1:
            return replace(moved, touching=True)
    return None


def _push_to_touch(piece: Piece, host: Piece, direction: NDArray[np.float64]) -> Piece:
    body, outline = host.polygon, piece.shape.polygon
    near, far = 0.0, 2.0 * (body.length + outline.length)
    for _ in range(40):
        middle = (near + far) / 2
        at = np.array(host.centre_mm) + direction * middle
        if affinity.translate(outline, *at).intersects(body):
            near = middle
        else:
            far = middle
    at = np.array(host.centre_mm) + direction * near
    return replace(piece, centre_mm=(float(at[0]), float(at[1])))
