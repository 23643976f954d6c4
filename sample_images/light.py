"""The light in the workshop: a sky of brightness around the card, and how evenly it falls."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]


@dataclass(frozen=True)
class Lamp:
    """One bright patch of sky (a window or a lamp) over a dim surround, the phone a dark patch overhead.

    Angles in degrees; azimuth 0 = card x to the right, 90 = towards the card's head. `share` is the part of
    the light on the bare paper that comes from the patch. `fall_per_m` is how fast that light weakens across
    the card (relative, per metre, towards `fall_azimuth_deg`).
    """

    azimuth_deg: float = 130.0
    elevation_deg: float = 48.0
    wide_deg: float = 30.0
    high_deg: float = 24.0
    share: float = 0.65
    warmth: float = 0.0
    fall_per_m: float = 1.2
    fall_azimuth_deg: float = -50.0

    def sky(self) -> Floats:
        """Radiance over the upper half sphere, (128, 512, 3): row 0 is the zenith, the last row the horizon.

        The bare, flat paper receives irradiance pi, so that white paper of reflectance r has radiance r.
        """
        rows, columns = 128, 512
        elevation = np.radians(90 * (1 - (np.arange(rows) + 0.5) / rows))[:, None]
        azimuth = (np.arange(columns) + 0.5)[None, :] * 2 * np.pi / columns
        turn = (np.degrees(azimuth) - self.azimuth_deg + 180) % 360 - 180
        lift = np.degrees(elevation) - self.elevation_deg
        soft = 2.5
        patch = _step((self.wide_deg / 2 / np.cos(np.radians(self.elevation_deg)) - np.abs(turn)) / soft)
        patch = patch * _step((self.high_deg / 2 - np.abs(lift)) / soft)
        overhead = 1 - 0.75 * _step((np.degrees(elevation) - 66) / 4)
        surround = (0.6 + 0.4 * np.sin(elevation) + 0.15 * np.cos(azimuth - 1.0)) * overhead
        weight = np.cos(elevation) * np.sin(elevation) * (np.pi / 2 / rows) * (2 * np.pi / columns)
        patch = patch * (self.share * np.pi / (patch * weight).sum())
        surround = surround * ((1 - self.share) * np.pi / (surround * weight).sum())
        warm = np.array([1 + self.warmth, 1.0, 1 - self.warmth])
        cool = 2 - warm
        sky = patch[..., None] * warm + surround[..., None] * cool
        tint = (sky * weight[..., None]).sum(axis=(0, 1)) / np.pi
        return np.asarray(sky / tint, np.float32)

    def evenness(self, card_xy: NDArray[np.float64], middle: tuple[float, float]) -> NDArray[np.float64]:
        """Relative strength of the light at card points (n, 2), 1 at the middle."""
        direction = np.radians(self.fall_azimuth_deg)
        along = (card_xy - np.asarray(middle)) @ [np.cos(direction), -np.sin(direction)] / 1000
        return np.asarray(1 / np.clip(1 + self.fall_per_m * along / 2, 0.2, None) ** 2)


def _step(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return 1 / (1 + np.exp(-np.clip(4 * x, -60, 60)))
