"""Whether the card lies flat: no one map is right for the whole of a bent or creased sheet.

Marks are looked for by the map that the others give, so on a creased sheet those of one side alone would be
found and agree perfectly. Here the rest is looked for further off: a covered mark is nowhere, one that stands
elsewhere tells of a sheet that is no plane.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import Frame
from calibration.marks import Mark, Pyramid, seek, settle
from calibration.scale import Floats, PlaneFit

# Of the frame's width. Sheets that are flat leave a mark within 0.0001 of its place, one creased by 4 degrees
# 0.0025 and more: tests/benchmarks/creased_cards.py.
STRAY = 0.0016
SOUGHT = 0.05  # how far off a missing mark is looked for: less than half-way to its neighbour
LEAST_STRAYS = 2  # one thing that looks like a mark beside a covered one is no proof
# Over creases below those that are refused, the scale at the window's worst place is off by 18 to 45 times
# the marks' rms distance from their places over the frame's width, 45 where it is within the print's own
# uncertainty; with that, twice this covers it. Same benchmark.
SCALE_U_PER_MISFIT = 17.0
LEAST_COVERED = 0.7  # of the window in the picture: beyond the marks the map is a guess that they are flat


def strays_mm(
    pyramid: Pyramid, fit: PlaneFit, marks: list[Mark], used: NDArray[np.bool_], frame: Frame
) -> Floats:
    """(N,) how far, mm, the marks stand from their places that stand elsewhere; N below LEAST_STRAYS is flat.

    `marks` (M) are all of the frame's, `used` (M,) those that the fit was given, in the same order.
    """
    um_per_px = fit.plane.um_per_px(fit.plane.to_px([mark.centre_mm for mark in marks]))
    off = (np.hypot(*fit.residual_px.T) * um_per_px[used] / 1000.0).tolist()
    for mark in (mark for mark, there in zip(marks, used, strict=True) if not there):
        start = seek(pyramid, fit.plane, mark, SOUGHT * frame.width_mm)
        found = settle(pyramid, fit.plane, mark, start) if start else None
        if found:
            off.append(float(np.hypot(*(fit.plane.to_mm([found.xy_px])[0] - mark.centre_mm))))
    far = np.array(off)
    return far[far > STRAY * frame.width_mm]


def covered_share(fit: PlaneFit, points_px: Floats, window_px: Floats, size: tuple[int, int]) -> float:
    """Share 0..1 of the window in a picture of (width, height) that lies between the marks (N, 2) kept."""
    hull = cv2.convexHull(points_px[fit.kept].astype(np.float32))
    last = np.array(size) - 0.5
    window = cv2.convexHull(np.clip(window_px, -0.5, last).astype(np.float32))
    common, _ = cv2.intersectConvexConvex(hull, window)
    return float(common / max(cv2.contourArea(window), 1e-9))


def bend_rel_u(fit: PlaneFit, frame: Frame) -> float:
    """Relative standard uncertainty of the scale anywhere in the window, by the marks' misfit."""
    return SCALE_U_PER_MISFIT * fit.residual_mm / frame.width_mm
