"""Clumps: pieces that look like several which could not be parted, and how many they may be.

Grains that touch leave notches between them, two for every neck; a piece no bigger than those beside it is
taken for one odd grain all the same. How many there are at most follows from its notches and from how many
of the smaller pieces beside it would fill its area.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.particles import FLAG_BIT, NO_DEBRIS, ParticleTable

Outlines = Sequence[NDArray[np.float32]]

SOLID = 0.94  # area over hull: a fuller piece has no notches to speak of
DEEP = 0.07  # of the smaller Feret diameter: a shallower notch is roughness
DEEP_SIGMAS = 1.0
BESIDE = 15  # pieces, the nearest
FEWEST_BESIDE = 5
BIGGER = 1.3  # than the middle one of these, in area
SMALLER = 25  # percentile of their areas that fills a clump with the most pieces
FINE = 16  # parts of a pixel, OpenCV's notches want whole numbers


@dataclass(frozen=True)
class Clump:
    """Row of the table, and the fewest and most pieces it may be."""

    row: int
    least: int
    most: int


def find_clumps(table: ParticleTable, outlines: Outlines, sigma_px: float) -> list[Clump]:
    """Find clumps among the pieces of one photo; `outlines` (N, 2) px in the table's order."""
    area = table["area_um2"].astype(float)
    plain = (table["kind"] != "fibre") & ~table["touches_edge"] & ((table["flags"] & NO_DEBRIS) == 0)
    plain &= ~table["below_sizing_limit"]
    notched = plain & (area < SOLID * table["hull_area_um2"])
    rows = [(row, _notches(outlines[row], sigma_px)) for row in np.flatnonzero(notched).tolist()]
    suspects = [(row, notches) for row, notches in rows if notches >= 2]
    single = plain.copy()
    single[[row for row, _ in suspects]] = False
    singles = np.flatnonzero(single)
    if singles.size < FEWEST_BESIDE:
        return []
    clumps = []
    for row, notches in suspects:
        away = np.hypot(
            table["x_px"][singles] - table["x_px"][row], table["y_px"][singles] - table["y_px"][row]
        )
        beside = area[singles[np.argsort(away)[:BESIDE]]]
        if area[row] > BIGGER * np.median(beside):
            by_area = int(np.ceil(area[row] / np.percentile(beside, SMALLER)))
            clumps.append(Clump(row, 2, max(by_area, notches, 2)))
    return clumps


def put_clumps(table: ParticleTable, clumps: Sequence[Clump]) -> None:
    """Write the clumps' flag and counts into the table, in place; every other piece counts as one."""
    table["pieces_least"] = table["pieces_most"] = 1
    for clump in clumps:
        table["pieces_least"][clump.row], table["pieces_most"][clump.row] = clump.least, clump.most
        table["flags"][clump.row] |= FLAG_BIT["clump"]


def _notches(outline: NDArray[np.float32], sigma_px: float) -> int:
    """Number of notches deeper than roughness and blur explain."""
    points = np.round(outline * FINE).astype(np.int32).reshape(-1, 1, 2)
    if len(points) < 8:
        return 0
    hull = cv2.convexHull(points, returnPoints=False)
    hull = np.sort(hull, axis=0)[::-1]  # OpenCV asks for its own order; a noisy outline may break it
    try:
        notches = cv2.convexityDefects(points, hull)
    except cv2.error:  # an outline that crosses itself
        return 0
    if notches is None:
        return 0
    _, (wide, tall), _ = cv2.minAreaRect(points)
    least = max(DEEP * min(wide, tall), DEEP_SIGMAS * sigma_px * FINE)
    return int(np.count_nonzero(notches.reshape(-1, 4)[:, 3] / 256 > least))
