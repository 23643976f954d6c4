"""What is really in a rendered photograph, from the meshes themselves."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.debris import from_above, silhouette
from sample_images.kinds import Piece
from tests.scenes.paper import Printed

Pixels = NDArray[np.float32]
TOUCHING_UM = 15.0


def feret_um(outline: shapely.Geometry) -> tuple[float, float]:
    """Greatest and least caliper width of an outline given in mm: (max, min) in um."""
    corners = np.array(outline.convex_hull.exterior.coords)[:-1]
    edges = np.roll(corners, -1, axis=0) - corners
    normals = np.column_stack([-edges[:, 1], edges[:, 0]]) / np.hypot(edges[:, 0], edges[:, 1])[:, None]
    widths = np.ptp(corners @ normals.T, axis=0)
    longest = np.sqrt(((corners[:, None] - corners[None]) ** 2).sum(axis=2)).max()
    return 1000 * float(longest), 1000 * float(widths.min())


def seen_outline(piece: Piece, camera: Camera) -> shapely.Geometry:
    """Silhouette as the lens sees it, projected from the lens onto the paper: (card x, -card y) mm.

    A piece with height hides more paper than it covers, the more so towards the picture's edge.
    """
    corners = piece.mesh.vertices
    rays = corners - camera.centre
    return silhouette((camera.centre - rays * (camera.centre[2] / rays[:, 2:]))[:, :2], piece.mesh)


def particle_table(
    pieces: Sequence[Piece],
    camera: Camera,
    light: Pixels,
    paper: Pixels,
    printed: Printed | None,
) -> list[dict[str, Any]]:
    """One row of true values for each piece.

    `light` and `paper` (rows, columns, 3) are the scene before the lens with and without debris, for the
    contrast; `printed` is the card they lie on, if any.
    """
    outlines = [from_above(piece) for piece in pieces]
    tree = shapely.STRtree(outlines)
    rows = []
    for number, (piece, outline) in enumerate(zip(pieces, outlines, strict=True)):
        near = tree.query(outline, predicate="dwithin", distance=TOUCHING_UM / 1000)
        seen = seen_outline(piece, camera)
        row = _sizes(piece, outline, seen)
        row |= _places(outline, seen, camera, printed)
        row["contrast"] = _contrast(seen, camera, light, paper)
        row["touching"] = sorted(int(other) + 1 for other in near if other != number)
        rows.append({"id": number + 1, "kind": piece.kind} | row)
    return rows


def _sizes(piece: Piece, outline: shapely.Geometry, seen: shapely.Geometry) -> dict[str, Any]:
    longest, narrowest = feret_um(outline)
    length, width = piece.length_um or longest, piece.width_um or narrowest
    return {
        "area_um2": round(outline.area * 1e6, 1),
        "ecd_um": round(2000 * (outline.area / np.pi) ** 0.5, 2),
        "seen_area_um2": round(seen.area * 1e6, 1),
        "seen_ecd_um": round(2000 * (seen.area / np.pi) ** 0.5, 2),
        "feret_max_um": round(longest, 2),
        "feret_min_um": round(narrowest, 2),
        "length_um": round(length, 2),
        "width_um": round(width, 2),
        "passing_size_um": round(piece.width_um or narrowest, 2),
        "height_um": round(1000 * float(piece.mesh.vertices[:, 2].max()), 2),
    }


def _places(
    outline: shapely.Geometry, seen: shapely.Geometry, camera: Camera, printed: Printed | None
) -> dict[str, Any]:
    x_px, y_px = camera.from_card(np.array(seen.centroid.coords) * [1, -1])[0]
    x, y = outline.centroid.x, -outline.centroid.y
    drawn = np.array([[x, y]]) if printed is None else printed.place.to_print(np.array([[x, y]]))
    um_per_px = camera.um_per_px_at((x, y))
    edge = camera.from_card(np.array(seen.envelope.exterior.coords) * [1, -1])
    inside = (
        (edge.min() >= 0) and (edge[:, 0].max() < camera.width_px) and (edge[:, 1].max() < camera.height_px)
    )
    return {
        "x_mm": round(float(drawn[0, 0]), 4),
        "y_mm": round(float(drawn[0, 1]), 4),
        "x_px": round(float(x_px), 3),
        "y_px": round(float(y_px), 3),
        "um_per_px": round(float(um_per_px), 4),
        "ecd_px": round(float(2000 * (outline.area / np.pi) ** 0.5 / um_per_px), 3),
        "in_picture": bool(inside),
    }


def _contrast(seen: shapely.Geometry, camera: Camera, light: Pixels, paper: Pixels) -> float | None:
    """Part of the paper's light missing over the piece (negative: brighter); None if it is too small."""
    shape = seen if seen.geom_type == "Polygon" else max(seen.geoms, key=lambda part: part.area)
    corners = camera.from_card(np.array(shape.exterior.coords) * [1, -1])
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 1, [camera.width_px, camera.height_px])
    if (high <= low).any():
        return None
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    cv2.fillPoly(mask, [np.round((corners - low) * 16).astype(np.int32)], 1, shift=4)
    mask = cv2.erode(mask, np.ones((3, 3), np.uint8)) > 0
    if mask.sum() < 3:
        return None
    there = (slice(low[1], high[1]), slice(low[0], high[0]))
    return round(1 - float(light[there][mask].mean() / paper[there][mask].mean()), 4)


def photo_truth(camera: Camera, printed: Printed | None) -> dict[str, Any]:
    """The camera's geometry: scale at the target and at the picture's corners, in true um of the paper."""
    right, bottom = camera.width_px - 1, camera.height_px - 1
    on_card = camera.on_paper(np.array([[0, 0], [right, 0], [right, bottom], [0, bottom]], float))
    target = np.array([camera.target_mm])
    stretch = 1.0 if printed is None else float(printed.place.stretch(target)[0])
    um_per_px = float(camera.um_per_px_at(camera.target_mm))
    return {
        "print": None if printed is None else asdict(printed.place),
        "um_per_px": round(um_per_px, 5),
        "um_per_px_by_card": round(um_per_px / stretch, 5),
        "print_stretch": round(stretch, 6),
        "target_px": np.round(camera.from_card(target)[0], 2).tolist(),
        "um_per_px_corners": [round(float(camera.um_per_px_at((x, y))), 4) for x, y in on_card],
        "tilt_deg": camera.tilt_deg,
        "distance_mm": round(camera.distance_mm, 2),
    }
