"""A thin steel rule lying on the paper: marks every millimetre on one edge, every half on the other."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.meshes import Floats, Mesh, hull_faces

DOTS_PER_MM = 40


@dataclass(frozen=True)
class Rule:
    """Where the rule lies (card mm; the end of its millimetre edge, its direction) and how big it is.

    `turn_deg` is counter-clockwise as seen from above; the millimetre edge is the upper one in the picture.
    """

    start_mm: tuple[float, float]
    turn_deg: float = 0.0
    length_mm: float = 155.0
    width_mm: float = 15.0
    thickness_mm: float = 0.4

    def corners(self, height_mm: float) -> Floats:
        """World points (4, 3): start and end of the millimetre edge, then of the other edge."""
        turn = np.radians(self.turn_deg)
        along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([np.sin(turn), -np.cos(turn)])
        start = np.array([self.start_mm[0], -self.start_mm[1]])
        ends = [start, start + along * self.length_mm]
        flat = np.array([*ends, *(end + across * self.width_mm for end in ends)])
        return np.column_stack([flat, np.full(4, height_mm)])

    def body(self) -> Mesh:
        """The steel under its marked face."""
        points = np.vstack([self.corners(0.0), self.corners(self.thickness_mm - 0.005)])
        return Mesh(points, hull_faces(points))

    def parts(self, mi: Any) -> dict[str, Any]:
        """The marked face as mitsuba shapes."""
        steel = {"type": "roughconductor", "material": "Cr", "alpha": 0.28}
        etched = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.025, 0.025, 0.025]}}
        bitmap = mi.Bitmap(np.ascontiguousarray(self.marks()[::-1, :, None]))
        weight = {"type": "bitmap", "bitmap": bitmap, "raw": True}
        corners = self.corners(self.thickness_mm)
        middle = corners.mean(axis=0)
        place = mi.ScalarTransform4f().translate([float(v) for v in middle]).rotate([0, 0, 1], self.turn_deg)
        place = place @ mi.ScalarTransform4f().scale([self.length_mm / 2, self.width_mm / 2, 1])
        face = {"type": "blendbsdf", "weight": weight, "first": steel, "second": etched}
        return {"rule_face": {"type": "rectangle", "to_world": place, "bsdf": face}}

    def marks(self) -> NDArray[np.float32]:
        """Etched (1) or bare (0), (rows, columns), row 0 at the millimetre edge; with a little wear."""
        face = np.zeros((round(self.width_mm * DOTS_PER_MM), round(self.length_mm * DOTS_PER_MM)), np.uint8)
        for half in range(int(self.length_mm * 2) - 4):
            length = 6.0 if half % 20 == 0 else 4.5 if half % 10 == 0 else 3.0
            if half % 2 == 0:
                _mark(face, half / 2, 0.0, length)
            _mark(face, half / 2, self.width_mm, -(length if half % 2 == 0 else 2.0))
        for ten in range(10, int(self.length_mm) - 4, 10):
            place = (round((ten + 2.0 - 1.6) * DOTS_PER_MM), round(8.6 * DOTS_PER_MM))
            cv2.putText(face, str(ten), place, cv2.FONT_HERSHEY_SIMPLEX, 2.4, 255, 7, cv2.LINE_AA)
        wear = np.random.default_rng(4).uniform(0.85, 1.0, (face.shape[0] // 8, face.shape[1] // 8))
        worn = face / 255 * cv2.resize(wear, face.shape[::-1], interpolation=cv2.INTER_LINEAR)
        return worn.astype(np.float32)


def _mark(face: NDArray[np.uint8], at_mm: float, from_mm: float, length_mm: float) -> None:
    """One etched line 0.15 mm wide, centred on its millimetre; the rule's own zero is 2 mm from its end."""
    half = 0.075 * DOTS_PER_MM
    x = (at_mm + 2.0) * DOTS_PER_MM
    rows = sorted((round(from_mm * DOTS_PER_MM), round((from_mm + length_mm) * DOTS_PER_MM)))
    face[rows[0] : rows[1], round(x - half) : round(x + half)] = 255
