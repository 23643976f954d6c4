"""What pieces weigh and what an element holds (`materials.toml`)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from triage.debris.particles import KINDS
from triage.errors import UserError
from triage.filters.blocks import Layout, list_in_use, load_blocks, number, one_of, text

_DENSITY = number(0.01, 25, "g/cm3")
_THICKNESS = number(0.001, 10, "parts of a ball")
MATERIAL = Layout(
    "material",
    {
        "kind": one_of(KINDS),
        "density": _DENSITY,
        "density_low": _DENSITY,
        "density_high": _DENSITY,
        "thickness": _THICKNESS,
        "thickness_low": _THICKNESS,
        "thickness_high": _THICKNESS,
        "source": text(),
    },
)
_MASS = number(0.1, 1e6, "mg")
HOLDING = Layout(
    "holding",
    {"element": one_of(("screen", "paper")), "low_mg": _MASS, "high_mg": _MASS, "source": text()},
)


@dataclass(frozen=True)
class Material:
    """Density in g/cm3 and thickness in parts of a ball of the same outline, each with its limits."""

    kind: str
    density: float
    density_low: float
    density_high: float
    thickness: float
    thickness_low: float
    thickness_high: float
    source: str


@dataclass(frozen=True)
class Holding:
    """How much debris an element of this kind can hold, mg."""

    element: str
    low_mg: float
    high_mg: float
    source: str


@dataclass(frozen=True)
class Materials:
    """Every kind's material, by its name, and every element's holding capacity."""

    of_kind: dict[str, Material]
    holding: dict[str, Holding]


def load_materials(path: Path | None = None) -> Materials:
    """Return the materials of a list; without a path, of the list in use.

    Raises
    ------
    UserError
        The file cannot be read, or an entry is wrong or missing: names the file, the line and the remedy.
    """
    path = path or list_in_use("materials.toml")
    materials = [Material(**block) for block in load_blocks(path, MATERIAL)]
    holdings = [Holding(**block) for block in load_blocks(path, HOLDING)]
    for entry in materials:
        if not entry.density_low <= entry.density <= entry.density_high:
            raise UserError(f'In the list {path}, "{entry.kind}": density must lie between its limits.')
        if not entry.thickness_low <= entry.thickness <= entry.thickness_high:
            raise UserError(f'In the list {path}, "{entry.kind}": thickness must lie between its limits.')
    of_kind = {entry.kind: entry for entry in materials}
    lacking = [kind for kind in KINDS if kind not in of_kind]
    if lacking:
        raise UserError(f"The list {path} has no material for {', '.join(lacking)}; add a block for each.")
    return Materials(of_kind, {entry.element: entry for entry in holdings})
