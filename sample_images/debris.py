"""Scatter pieces of debris over a window of the card."""

from dataclasses import dataclass, field, replace

import numpy as np
import shapely

from sample_images.kinds import DARK_FIBRE, FLECK_MM, PALE_FIBRE, Look, Piece, Rng, fibre, grain
from sample_images.meshes import Floats, Mesh, moved, scaled

Rect = tuple[float, float, float, float]


@dataclass(frozen=True)
class Recipe:
    """What a sample of debris is made of.

    `parts` are relative numbers of each grain of kinds.GRAINS. Sizes (equivalent circular diameter of the
    silhouette, um) are log-normal by number, cut off at both ends; `spread` is the geometric standard
    deviation. `looks` replaces the usual look of a grain, or of "fibre".
    """

    parts: dict[str, float]
    count: int
    fibres: int = 0
    pale_fibres: bool = False
    median_um: float = 100.0
    spread: float = 1.9
    smallest_um: float = 30.0
    biggest_um: float = 1500.0
    touching: float = 0.03
    fibre_length_um: float = 1200.0
    fibre_widths_um: tuple[float, float] = (18.0, 80.0)
    looks: dict[str, Look] = field(default_factory=dict)


def silhouette(vertices_xy: Floats, mesh: Mesh) -> shapely.Geometry:
    """Outline of a mesh whose vertices are projected to (n, 2): the union of its triangles."""
    corners = vertices_xy[mesh.faces]
    ab, ac = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    cross = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    facing = corners[cross > 1e-12 * np.abs(cross).max()]
    return shapely.union_all(shapely.polygons(facing)).buffer(0)


def from_above(piece: Piece) -> shapely.Geometry:
    """Silhouette projected straight down onto the paper, mm."""
    return silhouette(piece.mesh.vertices[:, :2], piece.mesh)


def scatter(recipe: Recipe, rect: Rect, rng: Rng) -> list[Piece]:
    """Pieces at rest inside `rect` (x, y, width, height in card mm), apart from those meant to touch."""
    pieces = sorted(_made(recipe, rng), key=lambda piece: -np.ptp(piece.mesh.vertices, axis=0).max())
    placed: list[Piece] = []
    outlines: list[shapely.Geometry] = []
    for piece in pieces:
        outline = from_above(piece)
        touching = bool(placed) and rng.uniform() < recipe.touching
        shift = _beside(outline, outlines, rect, rng) if touching else _apart(outline, outlines, rect, rng)
        if shift is None:
            continue
        placed.append(replace(piece, mesh=moved(piece.mesh, *shift)))
        outlines.append(shapely.transform(outline, lambda xy, shift=shift: xy + shift))
    return placed


def _made(recipe: Recipe, rng: Rng) -> list[Piece]:
    names = list(recipe.parts)
    weights = np.array([recipe.parts[name] for name in names])
    chosen = rng.choice(names, recipe.count, p=weights / weights.sum())
    pieces = [
        _sized(grain(str(name), rng, recipe.looks.get(str(name))), _ecd_um(recipe, rng)) for name in chosen
    ]
    threads = recipe.looks.get("fibre", PALE_FIBRE if recipe.pale_fibres else DARK_FIBRE)
    for _ in range(recipe.fibres):
        length = float(np.clip(np.exp(rng.normal(np.log(recipe.fibre_length_um), 0.6)), 250, 6000))
        pieces.append(fibre(rng, threads, length, float(rng.uniform(*recipe.fibre_widths_um))))
    return pieces


def _ecd_um(recipe: Recipe, rng: Rng) -> float:
    while True:
        size = float(np.exp(rng.normal(np.log(recipe.median_um), np.log(recipe.spread))))
        if recipe.smallest_um <= size <= recipe.biggest_um:
            return size


def _sized(piece: Piece, ecd_um: float) -> Piece:
    now_um = 1000 * (4 * from_above(piece).area / np.pi) ** 0.5
    mesh = scaled(piece.mesh, ecd_um / now_um)
    if piece.kind == "toner":
        high = np.ptp(mesh.vertices[:, 2])
        mesh = Mesh(mesh.vertices * [1, 1, FLECK_MM / high], mesh.faces)
    return replace(piece, mesh=mesh)


def _apart(outline: shapely.Geometry, others: list[shapely.Geometry], rect: Rect, rng: Rng) -> Floats | None:
    """A shift that keeps the piece inside and clear of the others by a quarter of its size, or None."""
    gap = 0.05 + 0.25 * outline.area**0.5
    tree = shapely.STRtree(others)
    for _ in range(200):
        shift = _random_shift(outline, rect, rng)
        there = shapely.transform(outline, lambda xy, shift=shift: xy + shift)
        if not len(tree.query(there, predicate="dwithin", distance=gap)):
            return shift
    return None


def _beside(outline: shapely.Geometry, others: list[shapely.Geometry], rect: Rect, rng: Rng) -> Floats | None:
    """A shift that brings the piece up against one of the others without covering it, or None."""
    tree = shapely.STRtree(others)
    for _ in range(50):
        other = others[rng.integers(len(others))]
        angle = rng.uniform(0, 2 * np.pi)
        away = np.array([np.cos(angle), np.sin(angle)])
        reach = shapely.minimum_bounding_radius(other) + shapely.minimum_bounding_radius(outline)
        shift = np.array(other.centroid.coords[0]) + away * (reach + 0.02)
        for _ in range(6):
            shift = shift - away * shapely.distance(_shifted(outline, shift), other)
        there = _shifted(outline, shift + away * 0.002)
        inside = shapely.box(rect[0], -rect[1] - rect[3], rect[0] + rect[2], -rect[1]).contains(there)
        if inside and not len(tree.query(there, predicate="intersects")):
            return np.asarray(shift + away * 0.002)
    return None


def _shifted(outline: shapely.Geometry, shift: Floats) -> shapely.Geometry:
    return shapely.transform(outline, lambda xy: xy + shift)


def _random_shift(outline: shapely.Geometry, rect: Rect, rng: Rng) -> Floats:
    left, low, right, high = outline.bounds
    x = rng.uniform(rect[0] - left, rect[0] + rect[2] - right)
    y = rng.uniform(-rect[1] - rect[3] - low, -rect[1] - high)
    return np.array([x, y])
