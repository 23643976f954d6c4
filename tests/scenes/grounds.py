"""What else debris lies on: woven screen, pleated paper, a filter paper's patch, drops, dried film edges.

Each is laid over the sheet: `read` turns the sheet's linear light (h, w, 3) at true mm into what is seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from tests.scenes.debris import Rect
from tests.scenes.light import Light
from tests.scenes.noise import Field

Rgb = tuple[float, float, float]


class Laid(Protocol):
    """Something on the sheet, under the debris."""

    def read(self, x_mm: Field, y_mm: Field, under: Field, light: Light) -> Field:
        """Return the linear light (h, w, 3) at true mm (h, w), `under` being what lies below."""

    def level(self, x_mm: float, y_mm: float, light: Light) -> float:
        """Return how strongly a piece lying there is lit, 1 on the flat sheet."""


class Flat:
    """What lies flat: a piece on it is lit as on the sheet."""

    def level(self, *_: float | Light) -> float:
        """See `Laid`."""
        return 1.0


@dataclass(frozen=True)
class Weave(Flat):
    """Plain-woven square wire cloth over `rect_mm`: each wire passes over one, then under one.

    `wire` is the wire's part of the pitch, `behind` the light of what shows through openings, `jitter` the
    deviation of single wires' places, `bend` that of a slow wave along them (both in pitches).
    """

    rect_mm: Rect
    pitch_mm: float
    turn_deg: float = 7.0
    wire: float = 0.4
    rgb: Rgb = (0.36, 0.35, 0.33)
    behind: float = 0.05
    shine: float = 0.5
    stretch: float = 1.0  # of one wire direction's pitch over the other's
    jitter: float = 0.03
    bend: float = 0.25
    seed: int = 0

    def read(self, x_mm: Field, y_mm: Field, under: Field, light: Light) -> Field:
        """See `Laid`; a wire is a cylinder that waves up and down, lit from the lamp's side."""
        turn = np.radians(self.turn_deg)
        across = (np.cos(turn) * x_mm + np.sin(turn) * y_mm) / (self.pitch_mm * self.stretch)
        down = (-np.sin(turn) * x_mm + np.cos(turn) * y_mm) / self.pitch_mm
        wave = np.float32(2 * np.pi / 60)
        across, down = across + self.bend * np.sin(down * wave), down + self.bend * np.sin(across * wave + 1)
        towards = light.towards()
        lamp = (
            np.cos(turn) * towards[0] + np.sin(turn) * towards[1],
            -np.sin(turn) * towards[0] + np.cos(turn) * towards[1],
            towards[2],
        )
        warp, warp_height = self._wire(across, down, (lamp[0], lamp[1], lamp[2]), 1.0, light, self.seed)
        weft, weft_height = self._wire(down, across, (lamp[1], lamp[0], lamp[2]), -1.0, light, self.seed + 1)
        wire = np.where(warp_height >= weft_height, warp, weft)
        bare = np.maximum(warp_height, weft_height) < -5
        x, y, width, height = self.rect_mm
        inside = (x_mm > x) & (x_mm < x + width) & (y_mm > y) & (y_mm < y + height)
        seen = np.where(
            bare[..., None], self.behind * under, wire[..., None] * np.array(self.rgb, np.float32)
        )
        return np.where(inside[..., None], seen, under).astype(np.float32)

    def _wire(
        self, place: Field, along: Field, lamp: tuple[float, ...], over: float, light: Light, seed: int
    ) -> tuple[Field, Field]:
        """Brightness of the wires of one direction over 1 of white, and their height; -9 beside them."""
        rng = np.random.default_rng([seed, 3])
        moved = (self.jitter * rng.standard_normal(4096)).astype(np.float32)
        number = np.rint(place).astype(int)
        off = (place - number - moved[number % 4096]) * np.float32(2 / self.wire)
        sign = over * np.where(number % 2 == 0, 1.0, -1.0).astype(np.float32)
        climb = np.float32(self.wire / 2)  # a wire rises and falls by half its width
        height = climb * sign * np.cos(np.pi * along)
        rim = np.clip(off, -0.98, 0.98)
        tall = np.sqrt(1 - rim**2)
        fall_across = rim / tall
        fall_along = climb * sign * np.pi * np.sin(np.pi * along)
        up = 1 / np.sqrt(1 + fall_across**2 + fall_along**2)
        facing = np.clip((fall_across * lamp[0] + fall_along * lamp[1] + lamp[2]) * up, 0, None) / lamp[2]
        ambient = up * (0.75 + 0.25 * sign * np.cos(np.pi * along))
        mirror = self.shine * (np.exp(-(1 - up) / 0.05) * 0.6 + light.direct * facing**12)
        lit = light.direct * facing + (1 - light.direct) * ambient + mirror
        body = height + np.float32(self.wire / 2) * tall
        return lit.astype(np.float32), np.where(np.abs(off) < 1, body, -9).astype(np.float32)


@dataclass(frozen=True)
class Pleats:
    """Brown pleated element paper over `rect_mm`, seen from above: ridges and valleys along `turn_deg`.

    `steep` is the flanks' slope, `spread` the deviation of pleat widths, `wavy_mm` how far ridges wander.
    """

    rect_mm: Rect
    pitch_mm: float = 3.0
    turn_deg: float = 5.0
    steep: float = 1.6
    spread: float = 0.12
    wavy_mm: float = 0.3
    fan_deg_per_100mm: float = 6.0
    rgb: Rgb = (0.44, 0.30, 0.17)
    fine: float = 0.04
    seed: int = 0

    def read(self, x_mm: Field, y_mm: Field, under: Field, light: Light) -> Field:
        """See `Laid`."""
        lit = self._lit(x_mm, y_mm, light)
        grain = under.mean(axis=2) / max(
            float(under.mean()), 1e-6
        )  # the sheet's texture serves as its fibres
        colour = (lit * grain)[..., None] * np.array(self.rgb, np.float32)
        x, y, width, height = self.rect_mm
        inside = (x_mm > x) & (x_mm < x + width) & (y_mm > y) & (y_mm < y + height)
        return np.where(inside[..., None], colour, under).astype(np.float32)

    def level(self, x_mm: float, y_mm: float, light: Light) -> float:
        """See `Laid`."""
        x, y = (np.full((1, 1), mm, np.float32) for mm in (x_mm, y_mm))
        return float(self._lit(x, y, light)[0, 0])

    def _lit(self, x_mm: Field, y_mm: Field, light: Light) -> Field:
        rng = np.random.default_rng([self.seed, 9])
        turn = np.radians(self.turn_deg)
        x0, y0 = self.rect_mm[0] + self.rect_mm[2] / 2, self.rect_mm[1] + self.rect_mm[3] / 2
        along = -np.sin(turn) * (x_mm - x0) + np.cos(turn) * (y_mm - y0)
        across = np.cos(turn) * (x_mm - x0) + np.sin(turn) * (y_mm - y0)
        across = across * (1 + np.radians(self.fan_deg_per_100mm) * along / 100)
        across = across + self.wavy_mm * np.sin(along * 2 * np.pi / 37 + across / 15)
        widths = self.pitch_mm * np.exp(self.spread * rng.standard_normal(200))
        ridges = np.cumsum(widths) - widths[:100].sum()
        number = np.clip(np.searchsorted(ridges, across), 1, 199)
        part = ((across - ridges[number - 1]) / widths[number]).astype(np.float32)
        profile = 0.5 + 0.5 * np.cos(2 * np.pi * part)  # 1 on a ridge, 0 in a valley
        rounded = np.clip(profile * 1.3, 0, 1) ** 0.7
        fall = self.steep * np.clip(np.sin(2 * np.pi * part) * 1.8, -1, 1)
        up = 1 / np.sqrt(1 + fall**2)
        lamp = light.towards()
        lamp_across = np.cos(turn) * lamp[0] + np.sin(turn) * lamp[1]
        facing = np.clip((fall * lamp_across + lamp[2]) * up, 0, None) / lamp[2]
        open_sky = 0.15 + 0.85 * rounded
        seen = (light.direct * facing + (1 - light.direct) * (0.4 + 0.6 * up)) * open_sky
        return np.asarray(seen, np.float32)


@dataclass(frozen=True)
class Patch(Flat):
    """A round white filter paper lying on the sheet, with the tide mark that dried fuel leaves.

    `tide` is the part of the patch's radius to which fuel ran, `stain` how much darker its rim is.
    """

    centre_mm: tuple[float, float]
    radius_mm: float
    reflectance: float = 0.9
    tint: Rgb = (1.0, 0.995, 0.97)
    fibres: float = 0.03
    fibre_mm: float = 0.12
    tide: float = 0.75
    stain: float = 0.12
    seed: int = 0

    def read(self, x_mm: Field, y_mm: Field, under: Field, light: Light) -> Field:
        """See `Laid`."""
        dx, dy = x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]
        radius, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
        towards = light.towards()
        edge_shadow = 0.35 * light.direct * np.exp(-np.abs(radius - self.radius_mm) / 0.12)
        lee = np.clip(-(dx * towards[0] + dy * towards[1]) / np.maximum(radius, 1e-6), 0, 1)
        shaded = under * (1 - np.where(radius > self.radius_mm, edge_shadow * lee, 0))[..., None]
        grain = under.mean(axis=2) / max(float(under.mean()), 1e-6)
        paper = self.reflectance * (1 + (grain - 1) + self.fibres * self._fibre_field(x_mm, y_mm))
        front = self.radius_mm * self.tide * (1 + 0.04 * np.sin(3 * angle + 1) + 0.02 * np.sin(7 * angle))
        inward = front - radius
        ring = np.where(inward > 0, 0.15 + 0.85 * np.exp(-inward / 1.2), np.exp(-((inward / 0.08) ** 2)))
        tan = 1 - self.stain * ring[..., None] * np.array([0.5, 1.0, 1.9], np.float32)
        own = paper[..., None] * np.array(self.tint, np.float32) * tan
        return np.asarray(np.where((radius < self.radius_mm)[..., None], own, shaded), np.float32)

    def _fibre_field(self, x_mm: Field, y_mm: Field) -> Field:
        """Crossing waves at many angles: strands of `fibre_mm`, without a lattice."""
        rng = np.random.default_rng([self.seed, 4])
        total = np.zeros_like(x_mm)
        for _ in range(24):
            angle, phase = rng.uniform(0, 2 * np.pi, 2)
            pitch = self.fibre_mm * 2 * np.exp(rng.normal(0, 0.4))
            total += np.sin((np.cos(angle) * x_mm + np.sin(angle) * y_mm) * (2 * np.pi / pitch) + phase)
        return np.asarray(total / np.sqrt(12), np.float32)


@dataclass(frozen=True)
class Drop(Flat):
    """A drop of water: clear inside, dark rim, one bright reflection, light gathered on the far side."""

    centre_mm: tuple[float, float]
    radius_mm: float
    rim: float = 0.45

    def read(self, x_mm: Field, y_mm: Field, under: Field, light: Light) -> Field:
        """See `Laid`."""
        dx, dy = (x_mm - self.centre_mm[0]) / self.radius_mm, (y_mm - self.centre_mm[1]) / self.radius_mm
        radius = np.hypot(dx, dy)
        towards = light.towards()[:2] / np.hypot(*light.towards()[:2])
        side = dx * towards[0] + dy * towards[1]
        dark = self.rim * np.exp(-(((radius - 0.93) / 0.09) ** 2)) * (1 + 0.4 * side)
        gathered = (
            0.22
            * light.direct
            * np.exp(-((dx + 0.5 * towards[0]) ** 2 + (dy + 0.5 * towards[1]) ** 2) / 0.12)
        )
        spot = 2.0 * np.exp(-(((dx - 0.5 * towards[0]) ** 2 + (dy - 0.5 * towards[1]) ** 2) / 0.012))
        shadow = 0.3 * light.direct * np.exp(-(((radius - 1.0) / 0.12) ** 2)) * np.clip(-side, 0, 1)
        factor = np.where(radius < 1, 1 - dark + gathered, 1 - shadow)
        spotted = np.where(radius < 1, spot, 0)[..., None]
        return np.asarray(under * factor[..., None] + spotted, np.float32)


@dataclass(frozen=True)
class FilmEdge(Flat):
    """The tan edge that a dried film of gum or varnish leaves round where it stood."""

    centre_mm: tuple[float, float]
    radius_mm: float
    width_mm: float = 0.15
    depth: float = 0.4
    inside: float = 0.02
    uneven: float = 0.25
    seed: int = 0

    def outline(self, angle: Field | NDArray[np.float64]) -> NDArray[np.floating]:
        """Radius in mm at these angles."""
        rng = np.random.default_rng([self.seed, 6])
        rise = np.zeros_like(angle)
        for mode in range(2, 7):
            rise = rise + rng.normal() / mode * np.cos(mode * angle + rng.uniform(0, 2 * np.pi))
        return np.asarray(self.radius_mm * np.exp(self.uneven * rise))

    def read(self, x_mm: Field, y_mm: Field, under: Field, light: Light) -> Field:  # noqa: ARG002 - as all of them
        """See `Laid`."""
        dx, dy = x_mm - self.centre_mm[0], y_mm - self.centre_mm[1]
        inward = self.outline(np.arctan2(dy, dx)) - np.hypot(dx, dy)
        line = self.depth * np.exp(-((inward / (self.width_mm / 2)) ** 2)) + self.inside * (inward > 0)
        return np.asarray(under * (1 - line[..., None] * np.array([0.6, 1.0, 1.5])), np.float32)
