"""The narrow places behind the filter: jets, needle seat, pump valves, injector holes (`orifices.toml`)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from triage.filters.blocks import Layout, list_in_use, load_blocks, number, some_of, text
from triage.filters.shelf import FEEDS

LAYOUT = Layout(
    "orifice",
    {
        "name": text(),
        "size_um": number(10, 20_000, "microns"),
        "feeds": some_of(FEEDS),
        "if_blocked": text(),
        "source": text(),
    },
)


@dataclass(frozen=True)
class Orifice:
    """One narrow place: the width of its hole or gap, and where that figure comes from."""

    name: str
    size_um: float
    feeds: tuple[str, ...]
    if_blocked: str
    source: str


def load_orifices(path: Path | None = None) -> tuple[Orifice, ...]:
    """Return the orifices of a list, widest first; without a path, of the list in use.

    Raises
    ------
    UserError
        The file cannot be read or an entry is wrong: names the file, the line and the remedy.
    """
    blocks = load_blocks(path or list_in_use("orifices.toml"), LAYOUT)
    entries = [
        Orifice(**{**block, "size_um": float(block["size_um"]), "feeds": tuple(block["feeds"])})
        for block in blocks
    ]
    return tuple(sorted(entries, key=lambda entry: -entry.size_um))
