"""A phone camera: where a point of the card falls on the sensor, and the ray that each pixel looks along."""

from dataclasses import dataclass

import numpy as np

from sample_images.meshes import Floats


@dataclass(frozen=True)
class Camera:
    """Pinhole with radial distortion, at the distance from `target_mm` (card x, y) that gives `um_per_px`.

    `tilt_deg` leans the view away from straight down towards `azimuth_deg` (0 = card x, 90 = away from the
    card's foot); `roll_deg` turns the phone about its own axis. `k1`, `k2` act on the tangent of the field
    angle. `pupil_mm` is the diameter of the lens opening that sets how fast blur grows away from the focused
    plane.
    """

    width_px: int
    height_px: int
    um_per_px: float
    target_mm: tuple[float, float]
    tilt_deg: float = 0.0
    azimuth_deg: float = 0.0
    roll_deg: float = 0.0
    focal_px: float = 3050.0
    k1: float = 0.0
    k2: float = 0.0
    pupil_mm: float = 2.2

    @property
    def distance_mm(self) -> float:
        """From the lens to the target."""
        return self.focal_px * self.um_per_px / 1000

    @property
    def axes(self) -> Floats:
        """Rows: image right, image down, forward; in world axes."""
        tilt, azimuth, roll = np.radians([self.tilt_deg, self.azimuth_deg, self.roll_deg])
        back = np.array([np.sin(tilt) * np.cos(azimuth), np.sin(tilt) * np.sin(azimuth), np.cos(tilt)])
        right = np.array([1.0, 0.0, 0.0]) - back[0] * back
        right /= np.linalg.norm(right)
        down = np.cross(-back, right)
        c, s = np.cos(roll), np.sin(roll)
        return np.stack([c * right + s * down, -s * right + c * down, -back])

    @property
    def centre(self) -> Floats:
        """Lens position in world axes, mm."""
        target = np.array([self.target_mm[0], -self.target_mm[1], 0.0])
        return np.asarray(target - self.axes[2] * self.distance_mm)

    def to_px(self, points: Floats) -> Floats:
        """World points (n, 3) mm to photo pixels (n, 2), integer = pixel centre."""
        seen = (points - self.centre) @ self.axes.T
        flat = seen[:, :2] / seen[:, 2:]
        r2 = (flat**2).sum(axis=1, keepdims=True)
        bent = flat * (1 + self.k1 * r2 + self.k2 * r2**2)
        return np.asarray(bent * self.focal_px + self._middle)

    @property
    def _middle(self) -> Floats:
        return np.array([(self.width_px - 1) / 2, (self.height_px - 1) / 2])

    def directions(self, pixels: Floats) -> Floats:
        """Unit world directions (n, 3) in which the pixels (n, 2) look."""
        bent = (pixels - self._middle) / self.focal_px
        flat = bent.copy()
        for _ in range(6):
            r2 = (flat**2).sum(axis=1, keepdims=True)
            flat = bent / (1 + self.k1 * r2 + self.k2 * r2**2)
        rays = np.column_stack([flat, np.ones(len(flat))]) @ self.axes
        return np.asarray(rays / np.linalg.norm(rays, axis=1, keepdims=True))

    def on_paper(self, pixels: Floats) -> Floats:
        """Card x, y (n, 2) mm where the pixels' rays meet the paper."""
        rays = self.directions(pixels)
        reach = -self.centre[2] / rays[:, 2:]
        return np.asarray((self.centre + rays * reach)[:, :2] * [1, -1])

    def from_card(self, card_xy: Floats, height_mm: float = 0.0) -> Floats:
        """Card points (n, 2) mm, `height_mm` above the paper, to pixels (n, 2)."""
        heights = np.full(len(card_xy), height_mm)
        return self.to_px(np.column_stack([card_xy[:, 0], -card_xy[:, 1], heights]))

    def defocus_sigma_px(self, card_xy: Floats) -> Floats:
        """Blur of the card at points (n, 2) from lying off the plane of focus, which holds the target.

        A uniform disc of diameter c has a standard deviation of c / 4 along any axis.
        """
        world = np.column_stack([card_xy[:, 0], -card_xy[:, 1], np.zeros(len(card_xy))])
        depth = (world - self.centre) @ self.axes[2]
        circle = self.pupil_mm * self.focal_px * np.abs(1 / self.distance_mm - 1 / depth)
        return np.asarray(circle / 4)

    def um_per_px_at(self, card_xy: tuple[float, float], height_mm: float = 0.0) -> float:
        """Square root of the area in one pixel at a card point of the plane `height_mm` above the paper."""
        x, y = card_xy
        step = 0.05
        around = np.array([[x - step, y], [x + step, y], [x, y - step], [x, y + step]])
        corners = self.from_card(around, height_mm)
        across, down = corners[1] - corners[0], corners[3] - corners[2]
        return float(1000 * 2 * step / abs(across[0] * down[1] - across[1] * down[0]) ** 0.5)
