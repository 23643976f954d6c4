"""Read the shop's filter list (TOML) and say plainly, by line, what is wrong in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from triage.filters.blocks import (
    Check,
    Fault,
    Layout,
    list_in_use,
    load_blocks,
    number,
    one_of,
    some_of,
    text,
)

MEANINGS = {"screen": ("opening",), "paper": ("nominal", "absolute", "beta", "unknown")}
ELEMENTS = tuple(MEANINGS)
ALL_MEANINGS = tuple(word for words in MEANINGS.values() for word in words)
SIZE_CLASSES = ("compact", "standard", "large")
DIRECTIONS = ("either", "arrow")
HOUSINGS = ("clear", "opaque")
FEEDS = ("gravity", "pulse", "pump", "injection")
LEAST_UM, MOST_UM = 1.0, 2000.0
FILE_NAME = "filters.toml"


@dataclass(frozen=True)
class Filter:
    """One filter of the shop's list; None or empty where the list does not say.

    Where the maker gives a range, `rating_um` is its coarse end, by which the filter is judged for what it
    lets through, and `finest_um` its fine end, by which it is judged for what it does to the flow.
    """

    rating_um: float
    element: str  # screen | paper
    meaning: str  # opening | nominal | absolute | beta | unknown
    note: str = ""
    shelf_number: str = ""
    finest_um: float | None = None
    beta: float | None = None  # beta ratio (ISO 16889) at the rating
    size_class: str | None = None  # compact | standard | large
    area_mm2: float | None = None  # unfolded area of the element
    hose_bores_mm: tuple[float, ...] = ()
    direction: str | None = None  # either way round | arrow, tank to carburettor
    housing: str | None = None  # clear | opaque
    feeds: tuple[str, ...] = ()  # what it suits
    clean_flow_l_h: float | None = None  # flow at which the clean filter ...
    clean_loss_pa: float | None = None  # ... loses this much pressure

    @property
    def rating(self) -> str:
        """The rating as it is printed on the filter: "75", or "7-11"."""
        coarse = f"{self.rating_um:g}"
        return coarse if self.finest_um is None else f"{self.finest_um:g}-{coarse}"


def filter_list() -> Path:
    """Return the list in use: the shop's own in the user's data folder, else the packaged one."""
    return list_in_use(FILE_NAME)


def packaged_list() -> Path:
    """Return the list that comes with the program; a copy of it in the data folder is the shop's own."""
    return Path(__file__).with_name(FILE_NAME)


def load_filters(path: Path | None = None) -> tuple[Filter, ...]:
    """Return the filters of a list, coarsest first; without a path, of the list in use.

    Raises
    ------
    UserError
        The file cannot be read or an entry is wrong: names the file, the line and the remedy.
    """
    entries = [_entry(block) for block in load_blocks(path or filter_list(), _layout())]
    return tuple(sorted(entries, key=lambda entry: -entry.rating_um))


def _entry(block: dict[str, Any]) -> Filter:
    values: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in block.items()
    }
    if isinstance(values["rating_um"], tuple):
        values["finest_um"], values["rating_um"] = map(float, values["rating_um"])
    values["rating_um"] = float(values["rating_um"])
    return Filter(**values)


def _layout() -> Layout:
    required = {"rating_um": _rating(), "element": one_of(ELEMENTS), "meaning": one_of(ALL_MEANINGS)}
    optional = {
        "note": text(),
        "shelf_number": text(),
        "beta": (number(1.01, 1e6, "")[0], "must be a beta ratio above 1, such as 75"),
        "size_class": one_of(SIZE_CLASSES),
        "area_mm2": number(1, 1e6, "mm2"),
        "hose_bores_mm": _bores(),
        "direction": one_of(DIRECTIONS),
        "housing": one_of(HOUSINGS),
        "feeds": some_of(FEEDS),
        "clean_flow_l_h": number(0.01, 1e4, "litres an hour"),
        "clean_loss_pa": number(0.01, 1e6, "pascals"),
    }
    return Layout("filter", {**required, **optional}, frozenset(optional), _together)


def _rating() -> Check:
    fits, rule = number(LEAST_UM, MOST_UM, "microns")

    def one_or_two(value: Any) -> bool:
        if not isinstance(value, list):
            return fits(value)
        return len(value) == 2 and all(map(fits, value)) and value[0] < value[1]

    return (one_or_two, f"{rule}, or two, the finer first: [7, 11]")


def _bores() -> Check:
    fits, rule = number(1, 100, "mm")
    return (
        lambda value: isinstance(value, list) and all(map(fits, value)),
        f"must be a list such as [6.35, 7.94]; each {rule}",
    )


def _together(block: dict[str, Any]) -> Fault | None:
    """What is wrong between keys: a meaning that the element cannot have, one of two that need each other."""
    meanings = MEANINGS[block["element"]]
    if block["meaning"] not in meanings:
        either = " or ".join(f'"{word}"' for word in meanings)
        return "meaning", f"must be {either} for this element, got {block['meaning']!r}"
    if (block["meaning"] == "beta") != ("beta" in block):
        return "beta", 'and meaning = "beta" belong together; give both or neither'
    for key, partner in (("clean_flow_l_h", "clean_loss_pa"), ("clean_loss_pa", "clean_flow_l_h")):
        if key in block and partner not in block:
            return key, f"says nothing without {partner}; give both or neither"
    return None
