"""Whether a card was printed longer along one side than along the other, as far as a photo can tell.

A plane card stretched along one side and a tilted card look alike: what tells them apart is how strongly the
far side shrinks, and that depends on the lens. Seen from straight above the two differ plainly, whatever the
lens; the stronger the tilt, the better the focal length must be known. A print too large along both sides
alike shows in no photo.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.pose import Focal
from calibration.scale import Floats, PlaneFit, PlaneMap

MIDDLE_U = 0.02  # of the focal length: how far a lens axis lies beside the picture's middle. From memory
SURE = 2.5  # a departure is told only if it is this many standard uncertainties from equal


@dataclass(frozen=True)
class Squareness:
    """Printed over drawn length along x, over the same along y: its natural logarithm, and that one's u."""

    log_ratio: float
    log_ratio_u: float

    @property
    def ratio(self) -> float:
        """How many times longer the print is along x than along y."""
        return math.exp(self.log_ratio)

    def surely_beyond(self, usual_u: float) -> bool:
        """Whether it surely departs from 1 by more than what is usual, given as a standard uncertainty."""
        return abs(self.log_ratio) > SURE * math.hypot(self.log_ratio_u, usual_u)

    def against(self, x: float, y: float) -> Squareness:
        """What is left of it for a print whose two sides are known to be x and y times their drawing."""
        return Squareness(self.log_ratio - math.log(x / y), self.log_ratio_u)


def squareness_of(fit: PlaneFit, focal: Focal, flatness_u: float) -> Squareness:
    """Squareness of the print that `fit` maps; `flatness_u` (relative): what an uneven sheet does to it."""
    ratio = _log_ratio(fit.plane, focal.half_diagonals)
    shown_u = float(fit.u_of(lambda plane: np.array([_log_ratio(plane, focal.half_diagonals)]))[0])
    by_focal = _log_ratio(fit.plane, focal.half_diagonals * (1.0 + focal.rel_u)) - ratio
    off = MIDDLE_U * focal.half_diagonals
    by_middle = [
        _log_ratio(fit.plane, focal.half_diagonals, move) - ratio for move in ((off, 0.0), (0.0, off))
    ]
    return Squareness(ratio, math.hypot(shown_u, by_focal, *by_middle, flatness_u))


def _log_ratio(plane: PlaneMap, focal: float, middle: tuple[float, float] = (0.0, 0.0)) -> float:
    """Of the card's two sides as the camera sees them in space, which a true print makes equally long."""
    to_camera = np.array([[1.0, 0.0, -middle[0]], [0.0, 1.0, -middle[1]], [0.0, 0.0, focal]])
    sides: Floats = to_camera @ np.linalg.inv(plane.to_card)[:, :2]
    along_x, along_y = np.linalg.norm(sides, axis=0)
    return math.log(float(along_x / along_y))
