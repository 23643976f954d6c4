"""What each kind of debris looks like: its shape, its colours and its surface.

Colours are linear reflectances (red, green, blue) chosen by eye for plausibility; they are not measurements.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sample_images.meshes import (
    Floats,
    Mesh,
    angular_grain,
    at_rest,
    dropped,
    flake,
    lumpy_grain,
    ribbon,
    smooth_noise,
    spun,
    tube,
    wandering_line,
)

Rng = np.random.Generator
Colour = tuple[float, float, float]


@dataclass(frozen=True)
class Finish:
    """How rough the surfaces are: 0 a mirror, 1 no shine."""

    gloss: float = 0.4
    metal: float = 0.22
    clear: float = 0.06
    amber: float = 0.12


@dataclass(frozen=True)
class Look:
    """Surface (see trace.surfaces), colours to pick from, and the strength of the mottling on one piece."""

    surface: str
    colours: tuple[Colour, ...]
    mottle: float


RUST = Look(
    "matt", ((0.17, 0.060, 0.022), (0.25, 0.095, 0.03), (0.075, 0.033, 0.02), (0.34, 0.14, 0.045)), 0.35
)
GRIT = Look(
    "gloss",
    ((0.16, 0.14, 0.12), (0.30, 0.23, 0.15), (0.07, 0.068, 0.066), (0.38, 0.31, 0.22), (0.20, 0.13, 0.08)),
    0.25,
)
SAND = Look("gloss", ((0.62, 0.53, 0.40), (0.70, 0.66, 0.60), (0.55, 0.42, 0.28), (0.74, 0.70, 0.63)), 0.15)
PLANT = Look(
    "matt", ((0.14, 0.105, 0.038), (0.085, 0.095, 0.03), (0.20, 0.15, 0.06), (0.06, 0.042, 0.02)), 0.3
)
RUBBER = Look("gloss", ((0.014, 0.014, 0.014), (0.022, 0.021, 0.02), (0.03, 0.03, 0.031)), 0.2)
METAL = Look("metal", ((0.90, 0.90, 0.91), (0.82, 0.81, 0.80), (0.93, 0.90, 0.86)), 0.05)
CLEAR = Look("clear", ((1.0, 1.0, 1.0),), 0.0)
WHITE_CORROSION = Look("matt", ((0.72, 0.72, 0.70), (0.66, 0.67, 0.66)), 0.12)
GREEN_CORROSION = Look("matt", ((0.11, 0.34, 0.27), (0.16, 0.42, 0.36)), 0.25)
FILTER_PAPER = Look("matt", ((0.52, 0.42, 0.24), (0.58, 0.50, 0.33)), 0.12)
SOOT = Look("matt", ((0.012, 0.012, 0.012),), 0.2)
GUM = Look("amber", ((0.85, 0.55, 0.20), (0.75, 0.40, 0.12)), 0.1)
TONER = Look("matt", ((0.036, 0.036, 0.036),), 0.05)
FLECK_MM = 0.008  # toner stands about so high on the paper; from memory
DARK_FIBRE = Look(
    "matt", ((0.02, 0.03, 0.09), (0.03, 0.03, 0.03), (0.10, 0.045, 0.02), (0.12, 0.02, 0.02)), 0.1
)
PALE_FIBRE = Look("matt", ((0.72, 0.70, 0.65), (0.62, 0.66, 0.72), (0.66, 0.58, 0.44)), 0.06)


def _grit(rng: Rng) -> Mesh:
    axes = (1.0, float(rng.uniform(0.65, 0.95)), float(rng.uniform(0.45, 0.8)))
    crushed = rng.uniform() < 0.65
    return at_rest(angular_grain(rng, axes) if crushed else lumpy_grain(rng, axes, 0.09), rng)


def _rust(rng: Rng) -> Mesh:
    if rng.uniform() < 0.35:
        axes = (1.0, float(rng.uniform(0.6, 0.95)), float(rng.uniform(0.35, 0.6)))
        return at_rest(lumpy_grain(rng, axes, 0.2), rng)
    width = float(rng.uniform(0.45, 0.95))
    return at_rest(flake(rng, 1.0, width, rng.uniform(0.05, 0.12), rng.uniform(0.1, 1.1), 0.22), rng)


def _metal(rng: Rng) -> Mesh:
    return at_rest(flake(rng, 1.0, rng.uniform(0.25, 0.8), 0.05, rng.uniform(0.2, 1.3), 0.15), rng)


def _swarf(rng: Rng) -> Mesh:
    mesh = ribbon(rng, 1.0, rng.uniform(0.16, 0.26), 0.025, rng.uniform(0.6, 2.4))
    return dropped(spun(mesh, rng.uniform(0, 2 * np.pi)))


def _plant(rng: Rng) -> Mesh:
    return at_rest(flake(rng, 1.0, rng.uniform(0.15, 0.6), 0.07, rng.uniform(0.1, 0.9), 0.25), rng)


def _rubber(rng: Rng) -> Mesh:
    return at_rest(lumpy_grain(rng, (1.0, rng.uniform(0.6, 0.95), rng.uniform(0.45, 0.8)), 0.22), rng)


def _clear(rng: Rng) -> Mesh:
    return at_rest(
        flake(rng, 1.0, rng.uniform(0.45, 0.9), rng.uniform(0.08, 0.16), rng.uniform(0, 0.5), 0.15), rng
    )


def _crumb(rng: Rng) -> Mesh:
    return at_rest(lumpy_grain(rng, (1.0, rng.uniform(0.7, 1.0), rng.uniform(0.5, 0.8)), 0.25), rng)


def _gum(rng: Rng) -> Mesh:
    """A dried drop or a crumb broken off a film."""
    return at_rest(lumpy_grain(rng, (1.0, rng.uniform(0.6, 1.0), rng.uniform(0.15, 0.4)), 0.15), rng)


def _fleck(rng: Rng) -> Mesh:
    return dropped(spun(flake(rng, 1.0, rng.uniform(0.6, 1.0), 0.05, 0.0, 0.2), rng.uniform(0, 2 * np.pi)))


def _filter_paper(rng: Rng) -> Mesh:
    return at_rest(flake(rng, 1.0, rng.uniform(0.4, 0.8), 0.12, rng.uniform(0.1, 0.8), 0.3), rng)


GRAINS: dict[str, tuple[Callable[[Rng], Mesh], Look, str]] = {
    "grit": (_grit, GRIT, "grit"),
    "sand": (_grit, SAND, "grit"),
    "rust": (_rust, RUST, "rust"),
    "bright_metal": (_metal, METAL, "bright_metal"),
    "swarf": (_swarf, METAL, "swarf"),
    "plant": (_plant, PLANT, "plant"),
    "rubber": (_rubber, RUBBER, "rubber"),
    "clear_plastic": (_clear, CLEAR, "clear_plastic"),
    "white_corrosion": (_crumb, WHITE_CORROSION, "white_corrosion"),
    "green_corrosion": (_crumb, GREEN_CORROSION, "green_corrosion"),
    "filter_paper": (_filter_paper, FILTER_PAPER, "filter_paper"),
    "soot": (_crumb, SOOT, "soot"),
    "gum": (_gum, GUM, "gum"),
    "toner": (_fleck, TONER, "toner"),
}
"""Name used in a recipe: (shape of about unit size, look, kind written in the truth file)."""


@dataclass(frozen=True)
class Piece:
    """One piece: its surface mesh (mm), a colour for each vertex, and for fibres the bar it was made of."""

    kind: str
    mesh: Mesh
    colours: Floats
    surface: str
    length_um: float | None = None
    width_um: float | None = None


def grain(name: str, rng: Rng, look: Look | None = None) -> Piece:
    """One piece of the named make-up, about 1 mm across, at rest; `look` instead of its usual one."""
    shape, usual, kind = GRAINS[name]
    mesh = shape(rng)
    look = look or usual
    return Piece(kind, mesh, _colours(mesh, look, rng), look.surface)


def fibre(rng: Rng, look: Look, length_um: float, width_um: float) -> Piece:
    """A hair or textile fibre lying on the paper."""
    line = wandering_line(rng, length_um / 1000, rng.uniform(0.4, 2.2), lift=0.03)
    mesh = dropped(tube(line, width_um / 2000))
    return Piece("fibre", mesh, _colours(mesh, look, rng), look.surface, length_um, width_um)


def _colours(mesh: Mesh, look: Look, rng: Rng) -> Floats:
    base = np.array(look.colours[rng.integers(len(look.colours))]) * np.exp(rng.normal(0, 0.12))
    size = np.ptp(mesh.vertices[:, :2])
    mottle = np.exp(look.mottle * smooth_noise(mesh.vertices / size, rng, scale=0.12))
    return np.asarray(np.clip(base * mottle[:, None], 0.005, 0.95))
