"""The particle table: one structured array, one row a particle, units in the column names.

`COLUMNS` declares every column once; the JSON, the CSV and the documentation are made from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

ParticleTable = NDArray[np.void]

KINDS = (
    "fibre",
    "rust",
    "bright_metal",
    "white_corrosion",
    "green_corrosion",
    "grit",
    "plant",
    "rubber",
    "clear_plastic",
    "filter_paper",
    "swarf",
    "soot",
    "gum",
    "unsure",
)


@dataclass(frozen=True)
class Column:
    """One column of the particle table."""

    name: str
    dtype: str
    meaning: str
    public: bool = True


COLUMNS = (
    Column("id", "i4", "number of the particle in this result, from 1, biggest first"),
    Column("photo", "i4", "index of its photo in `photos`"),
    Column(
        "x_mm",
        "f8",
        "centre, card millimetres from the frame's top-left corner (the photo's, without a card)",
    ),
    Column("y_mm", "f8", "as x_mm, downwards"),
    Column("x_px", "f8", "centre in the upright photo, whole numbers are pixel centres"),
    Column("y_px", "f8", "as x_px, downwards"),
    Column("ecd_um", "f8", "equivalent circular diameter: of the circle with the particle's projected area"),
    Column("ecd_u_um", "f8", "standard uncertainty of ecd_um, scale included"),
    Column("feret_max_um", "f8", "longest distance between parallel tangents"),
    Column("feret_min_um", "f8", "shortest distance between parallel tangents"),
    Column("area_um2", "f8", "projected area"),
    Column("perimeter_um", "f8", "length of the sub-pixel outline"),
    Column("hull_area_um2", "f8", "area of the convex hull of the outline"),
    Column("length_um", "f8", "fibres: along the centre line; others: feret_max_um"),
    Column("width_um", "f8", "fibres: area over length; others: feret_min_um"),
    Column("passing_size_um", "f8", "smallest clean-cut opening that lets it through; NaN below the limit"),
    Column(
        "passing_below_um", "f8", "set where the width lies below the limit: passing size is less than this"
    ),
    Column("kind", "U16", "what it looks like"),
    Column("kind_confidence", "f8", "0..1, learnt on rendered scenes"),
    Column("below_sizing_limit", "?", "seen, but too small or too faint to size in this photo"),
    Column("touches_edge", "?", "cut by the edge of the debris window"),
    Column("flags", "u4", "bit set, see FLAGS"),
    Column("pieces_least", "i4", "a clump: fewest pieces it may be; else 1"),
    Column("pieces_most", "i4", "a clump: most pieces it may be; else 1"),
    Column(
        "weight", "f8", "Miles-Lantuejoul edge weight: how many such particles this one stands for", False
    ),
    Column("contrast", "f8", "linear light missing (or added) inside, as a part of the paper's", False),
    Column("features", "23f4", "what kinds are told by, see FEATURES of triage/debris/features.py", False),
    Column("lightness", "f8", "CIELAB L*, balanced on the card", False),
    Column("lab_a", "f8", "CIELAB a*", False),
    Column("lab_b", "f8", "CIELAB b*", False),
)


@dataclass(frozen=True)
class Flag:
    """One bit of the `flags` column."""

    bit: int
    name: str
    meaning: str


FLAGS = (
    Flag(0, "split", "separated from a touching neighbour"),
    Flag(1, "clump", "several pieces that could not be told apart"),
    Flag(2, "by_light", "too small for its outline: sized by the light it takes away"),
    Flag(3, "near_window_edge", "outline cut by the window edge, sizes are lower bounds"),
    Flag(4, "clipped", "so bright that the photo lost its detail"),
    Flag(5, "shadow_removed", "a cast shadow was told from it and left out"),
    Flag(6, "shape_at_limit", "large enough to size, too small for its shape: Feret diameters are modelled"),
    Flag(
        7, "like_print", "black and flat like the card's own toner: a speck of the print rather than debris"
    ),
    Flag(8, "water_drop", "a drop of water or the lamp's reflection in one: in no count and no share"),
    Flag(9, "film_edge", "the edge of a dried film of gum or varnish: in no count and no share"),
)
FLAG_BIT = {flag.name: 1 << flag.bit for flag in FLAGS}

NO_DEBRIS_NAMES = frozenset({"water_drop", "film_edge"})  # shown, but in no count and no share
NO_DEBRIS = sum(FLAG_BIT[name] for name in NO_DEBRIS_NAMES)


def empty_table(rows: int = 0) -> ParticleTable:
    """Return a table of `rows` zeroed particles with every column in place."""
    return np.zeros(rows, dtype=[(column.name, column.dtype) for column in COLUMNS])


def flag_names(bits: int) -> list[str]:
    """Spell out a `flags` value."""
    return [flag.name for flag in FLAGS if bits >> flag.bit & 1]


def as_records(table: ParticleTable) -> list[dict[str, Any]]:
    """Turn the table into plain dictionaries for JSON and CSV, NaN as None, public columns only."""
    records = []
    names = [column.name for column in COLUMNS if column.public]
    for row in table[names].tolist():
        record: dict[str, Any] = dict(zip(names, row, strict=True))
        record["flags"] = flag_names(record["flags"])
        records.append({key: _plain(value) for key, value in record.items()})
    return records


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 6) if np.isfinite(value) else None
    return value
