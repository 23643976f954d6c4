"""Where the camera stood: tilt and distance, read from the map of the card.

Square pixels and a lens axis through the picture's middle are assumed. The focal length shows only in a
strongly tilted view, so the one that the camera states, or a phone's usual one, is held to unless the picture
says otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from calibration.scale import PlaneMap

PHONE_FOCAL = 1.2  # in half diagonals: a 26 mm-equivalent camera. Common practice, no source
PHONE_FOCAL_REL_U = 0.25
# A stated 35 mm equivalent is whole, and stays as it is when the picture is cropped to another shape or the
# lens focuses near. From memory, no source
STATED_FOCAL_REL_U = 0.08
HALF_DIAGONAL_35_MM = 21.63  # of the 24 x 36 mm picture that equivalents refer to
POSSIBLE_35_MM = (8.0, 300.0)
SQUARENESS_U = 0.015  # what a print's unequal x and y scale leave of the map's own squareness
LEAST_FOCAL = 0.5


@dataclass(frozen=True)
class Focal:
    """Focal length in half diagonals of the picture, and its relative standard uncertainty."""

    half_diagonals: float = PHONE_FOCAL
    rel_u: float = PHONE_FOCAL_REL_U

    @classmethod
    def stated(cls, equivalent_mm: float | None) -> Focal:
        """From the 35 mm equivalent that a camera wrote into the file; a phone's usual one without."""
        if equivalent_mm is None or not POSSIBLE_35_MM[0] <= equivalent_mm <= POSSIBLE_35_MM[1]:
            return cls()
        return cls(equivalent_mm / HALF_DIAGONAL_35_MM, STATED_FOCAL_REL_U)


@dataclass(frozen=True)
class Pose:
    """Tilt of the lens axis from upright on the card, and how far the lens is above a point, mm."""

    tilt_deg: float
    distance_mm: float


def pose_of(plane: PlaneMap, at_mm: tuple[float, float], focal: Focal) -> Pose:
    """Pose of the camera; the distance is that to `at_mm` along the lens axis."""
    to_picture = np.linalg.inv(plane.to_card)
    inverse_square = _inverse_focal_square(to_picture, focal)
    camera = np.diag([math.sqrt(inverse_square), math.sqrt(inverse_square), 1.0]) @ to_picture
    along_x, along_y = camera[:, 0], camera[:, 1]
    size = math.sqrt(float(np.linalg.norm(along_x) * np.linalg.norm(along_y)))
    upright = np.cross(along_x, along_y)
    cosine = abs(float(upright[2])) / float(np.linalg.norm(upright))
    depth = abs(float(camera[2] @ (*at_mm, 1.0))) / size
    return Pose(math.degrees(math.acos(min(cosine, 1.0))), depth)


def _inverse_focal_square(to_picture: np.ndarray, focal: Focal) -> float:
    """1 / f^2 that makes the card's axes square and equal in the camera, drawn to `focal`."""
    x, y = to_picture[:, 0], to_picture[:, 1]
    usual = focal.half_diagonals**-2
    size = (x[:2] @ x[:2] + y[:2] @ y[:2]) * usual / 2.0
    flat = np.array([x[:2] @ y[:2], (x[:2] @ x[:2] - y[:2] @ y[:2]) / 2.0]) / size
    deep = np.array([x[2] * y[2], (x[2] ** 2 - y[2] ** 2) / 2.0]) / size
    hold = (2.0 * focal.rel_u * usual) ** -2
    solved = (usual * hold - flat @ deep / SQUARENESS_U**2) / (hold + flat @ flat / SQUARENESS_U**2)
    return float(np.clip(solved, 0.05 * usual, max(LEAST_FOCAL**-2, usual)))
