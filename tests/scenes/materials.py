"""What debris looks like: colour, gloss, thickness and outline by kind.

Colours are linear-light reflectances set from memory of such debris (no source); they are meant to be
plausible and varied, not typical.
"""

from __future__ import annotations

from dataclasses import dataclass

Rgb = tuple[float, float, float]


@dataclass(frozen=True)
class Material:
    """One kind of debris.

    `spread` is the log-deviation of brightness from piece to piece, `tint` that of each colour; `height` the
    range of thickness over the smaller Feret diameter; `mottle` the deviation of fine brightness texture;
    `clear` the part of light that goes through; `shine` the strength of mirror reflection.
    """

    rgb: Rgb
    spread: float
    form: str  # facets | blob | flake | curl | fibre
    height: tuple[float, float]
    stretch: tuple[float, float] = (1.0, 1.6)
    roughness: float = 0.15
    mottle: float = 0.12
    clear: float = 0.0
    shine: float = 0.02
    tint: float = 0.06
    called: str | None = None  # its kind in the truth, where that is not the material's own name


MATERIALS = {
    "rust": Material(
        (0.16, 0.055, 0.020), 0.35, "flake", (0.2, 0.5), (1.0, 1.9), 0.20, mottle=0.25, tint=0.12
    ),
    "grit": Material((0.20, 0.165, 0.12), 0.45, "facets", (0.5, 0.9), (1.0, 1.5), 0.10),
    "sand": Material((0.40, 0.36, 0.28), 0.18, "facets", (0.5, 0.9), (1.0, 1.5), 0.10, called="grit"),
    "rubber": Material((0.022, 0.022, 0.023), 0.25, "blob", (0.5, 0.9), (1.0, 2.2), 0.20, shine=0.04),
    "soot": Material((0.012, 0.012, 0.012), 0.15, "blob", (0.3, 0.6), (1.0, 1.4), 0.22, shine=0.0),
    "bright_metal": Material(
        (0.50, 0.49, 0.47), 0.10, "facets", (0.1, 0.35), (1.2, 2.5), 0.16, shine=0.85, tint=0.02
    ),
    "swarf": Material((0.42, 0.41, 0.39), 0.12, "curl", (0.6, 1.0), shine=0.75, tint=0.02),
    "fibre": Material((0.10, 0.11, 0.15), 0.50, "fibre", (0.9, 1.0), tint=0.25),
    "plant": Material((0.13, 0.10, 0.035), 0.30, "blob", (0.1, 0.3), (1.3, 3.0), 0.15, mottle=0.2),
    "gum": Material((0.20, 0.09, 0.02), 0.25, "blob", (0.2, 0.4), (1.0, 1.5), 0.12, clear=0.25, shine=0.08),
    "white_corrosion": Material((0.62, 0.62, 0.60), 0.10, "blob", (0.4, 0.7), (1.0, 1.5), 0.20, tint=0.02),
    "green_corrosion": Material((0.12, 0.30, 0.22), 0.25, "blob", (0.3, 0.6), (1.0, 1.5), 0.20),
    "clear_plastic": Material(
        (0.55, 0.56, 0.56), 0.05, "flake", (0.1, 0.3), (1.0, 2.0), 0.12, clear=0.8, shine=0.08
    ),
    "filter_paper": Material((0.58, 0.54, 0.44), 0.08, "fibre", (0.5, 0.9), clear=0.2, tint=0.03),
}

USUAL_MIX = (
    ("rust", 0.34),
    ("grit", 0.28),
    ("rubber", 0.12),
    ("soot", 0.05),
    ("fibre", 0.06),
    ("bright_metal", 0.04),
    ("plant", 0.05),
    ("gum", 0.03),
    ("green_corrosion", 0.03),
)
OPAQUE_DARK_MIX = (("rust", 0.4), ("grit", 0.3), ("rubber", 0.2), ("soot", 0.1))
PALE_MIX = (("white_corrosion", 0.4), ("sand", 0.3), ("clear_plastic", 0.15), ("filter_paper", 0.15))
