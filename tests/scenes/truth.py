"""The exact truth about a rendered photograph."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import affinity

from tests.scenes.camera import CameraMap
from tests.scenes.debris import Piece
from tests.scenes.light import PLATE_HEIGHT
from tests.scenes.paper import PrintMap
from tests.scenes.shapes import Fibre, sizes_of

TRUTH_DTYPE = np.dtype(
    [
        ("x_px", "f8"),  # centroid of the silhouette as the camera sees it
        ("y_px", "f8"),
        ("x_mm", "f8"),  # card (print) millimetres; true ones without a card
        ("y_mm", "f8"),
        ("area_um2", "f8"),
        ("ecd_um", "f8"),
        ("feret_max_um", "f8"),
        ("feret_min_um", "f8"),
        ("length_um", "f8"),  # fibres: along the centre line, tip to tip; others Feret max
        ("width_um", "f8"),
        ("passing_size_um", "f8"),  # fibres: width; others Feret min
        ("height_um", "f8"),
        ("ecd_px", "f8"),
        (
            "contrast",
            "f8",
        ),  # light missing inside, relative to unshaded paper; negative: brighter than what is under it
        ("blur_px", "f8"),  # deviation of the lens blur there; the pixel's own area adds 0.289 px
        ("kind", "U16"),
        ("fibre", "?"),
        ("touching", "?"),
    ]
)


@dataclass(frozen=True)
class Truth:
    """What is really there. `particles` is a table of TRUTH_DTYPE, sizes in true um.

    `outlines_mm`: silhouettes in true mm. `view`: the exact map between pixels and true mm. `card`: where the
    print lies, None on plain paper.
    """

    particles: NDArray[np.void]
    outlines_mm: tuple[shapely.Polygon, ...]
    view: CameraMap
    card: PrintMap | None

    def um_per_px(self, xy_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the true local scale (N,)."""
        return self.view.um_per_px(xy_px)

    def print_um_per_px(self, xy_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the local scale (N,) relative to the print: what a tool that trusts the card must find."""
        true = self.view.um_per_px(xy_px)
        if self.card is None:
            return true
        return np.asarray(true / self.card.stretch(self.view.to_mm(xy_px)))

    def in_card_units(self) -> NDArray[np.void]:
        """Return the table with sizes as a tool that trusts the card must find them."""
        if self.card is None:
            return self.particles
        table = self.particles.copy()
        for row, outline in zip(table, self.outlines_mm, strict=True):
            stretch = float(self.card.stretch(np.array([[outline.centroid.x, outline.centroid.y]]))[0])
            along_x = self.card.scale[0]
            shrunk = affinity.scale(outline, 1 / along_x, along_x / stretch**2, origin=(0, 0))
            band = (row["length_um"] / stretch, row["width_um"] / stretch) if row["fibre"] else None
            _put_sizes(row, shrunk, band)
        return table


def measure_truth(
    pieces: tuple[Piece, ...], view: CameraMap, card: PrintMap | None, contrast: NDArray[np.float64]
) -> Truth:
    """Measure every piece exactly; `contrast` (N,) comes from the rendering."""
    outlines = tuple(piece.polygon for piece in pieces)
    table = np.zeros(len(pieces), TRUTH_DTYPE)
    for row, piece, outline in zip(table, pieces, outlines, strict=True):
        row["fibre"] = isinstance(piece.shape, Fibre)
        _put_sizes(row, outline, _band_um(piece))
        row["x_px"], row["y_px"] = _seen_centre(outline, piece, view)
        row["kind"], row["height_um"] = piece.kind, 1000 * piece.height_mm
    if len(table):
        centres = np.array([[outline.centroid.x, outline.centroid.y] for outline in outlines])
        shown = card.to_print(centres) if card else centres
        table["x_mm"], table["y_mm"] = shown.T
        table["ecd_px"] = table["ecd_um"] / view.um_per_px(np.column_stack([table["x_px"], table["y_px"]]))
        table["contrast"] = contrast
        table["blur_px"] = view.blur_px(centres)
        table["touching"] = _touching(outlines)
    return Truth(table, outlines, view, card)


def _put_sizes(row: np.void, outline: shapely.Polygon, band_um: tuple[float, float] | None) -> None:
    """Fill in the sizes; `band_um` is a fibre's length and width."""
    sizes = sizes_of(outline)
    row["area_um2"], row["ecd_um"] = 1e6 * sizes.area, 1000 * sizes.ecd
    row["feret_max_um"], row["feret_min_um"] = 1000 * sizes.feret_max, 1000 * sizes.feret_min
    row["length_um"], row["width_um"] = band_um or (row["feret_max_um"], row["feret_min_um"])
    row["passing_size_um"] = row["width_um"]


def _band_um(piece: Piece) -> tuple[float, float] | None:
    if not isinstance(piece.shape, Fibre):
        return None
    return 1000 * piece.shape.length(), 1000 * piece.shape.width


def _seen_centre(outline: shapely.Polygon, piece: Piece, view: CameraMap) -> NDArray[np.float64]:
    corners = np.asarray(outline.exterior.coords)[:-1]
    seen = shapely.Polygon(view.to_px(corners, PLATE_HEIGHT * piece.height_mm)).centroid
    return np.array([seen.x, seen.y])


def _touching(outlines: tuple[shapely.Polygon, ...]) -> NDArray[np.bool_]:
    tree = shapely.STRtree(outlines)
    first, second = tree.query(outlines, predicate="dwithin", distance=0.001)
    touching = np.zeros(len(outlines), dtype=bool)
    touching[first[first != second]] = True
    return touching
