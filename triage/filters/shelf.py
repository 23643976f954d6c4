"""Read the shop's filter list (TOML) and say plainly, by line, what is wrong in it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.kept import data_folder
from triage.errors import UserError

MEANINGS = {"screen": ("opening",), "paper": ("nominal", "absolute", "unknown")}
ELEMENTS = tuple(MEANINGS)
LEAST_UM, MOST_UM = 1.0, 2000.0
BLOCK = "[[filter]]"
FILE_NAME = "filters.toml"


@dataclass(frozen=True)
class Filter:
    """One filter of the shop's list."""

    rating_um: float
    element: str  # screen | paper
    meaning: str  # opening | nominal | absolute | unknown
    note: str = ""
    shelf_number: str = ""


def filter_list() -> Path:
    """Return the list in use: the shop's own in the user's data folder, else the packaged one."""
    own = data_folder() / FILE_NAME
    return own if own.exists() else packaged_list()


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
    path = path or filter_list()
    try:
        text = path.read_text(encoding="utf-8")
        blocks = tomllib.loads(text).get("filter")
    except (OSError, UnicodeDecodeError):
        raise UserError(
            f"The filter list {path} cannot be read; give the path of a TOML text file."
        ) from None
    except tomllib.TOMLDecodeError as wrong:
        raise UserError(f"The filter list {path} is not valid TOML: {wrong}. Mend that line.") from None
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks) or not blocks:
        raise UserError(
            f"The filter list {path} names no filter; write a {BLOCK} block for each filter stocked."
        )
    entries = [_entry(block, index, path, text) for index, block in enumerate(blocks)]
    return tuple(sorted(entries, key=lambda entry: -entry.rating_um))


def _entry(block: dict[str, Any], index: int, path: Path, text: str) -> Filter:
    for key, fault in _faults(block):
        line = _line_of(text, index, key)
        raise UserError(f"In the filter list {path}, line {line}: {key} {fault}.")
    return Filter(**{**block, "rating_um": float(block["rating_um"])})


def _faults(block: dict[str, Any]) -> list[tuple[str, str]]:
    """Return (key, what is wrong with it) of one block, in the order to tell."""
    known = list(Filter.__dataclass_fields__)
    faults = [(key, f"is not known; use {', '.join(known)}") for key in block if key not in known]
    faults += [(key, "is missing; add it to this block") for key in known[:3] if key not in block]
    meanings = MEANINGS.get(str(block.get("element")), ())
    checks: dict[str, tuple[Callable[[Any], bool], str]] = {
        "rating_um": (_is_rating, f"must be a number of microns from {LEAST_UM:g} to {MOST_UM:g}"),
        "element": (lambda value: value in ELEMENTS, f"must be one of {_either(ELEMENTS)}"),
        "meaning": (lambda value: value in meanings, f"must be {_either(meanings)} for this element"),
        "note": (lambda value: isinstance(value, str), "must be text in quotes"),
        "shelf_number": (lambda value: isinstance(value, str), "must be text in quotes"),
    }
    for key, (fits, rule) in checks.items():
        if key in block and not fits(block[key]):
            faults.append((key, f"{rule}, got {block[key]!r}"))
    return faults


def _is_rating(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and LEAST_UM <= value <= MOST_UM


def _either(words: tuple[str, ...]) -> str:
    return " or ".join(f'"{word}"' for word in words)


def _line_of(text: str, index: int, key: str) -> int:
    """Return the line, from 1, of a key in the block of that index; of the block where it has no such key."""
    lines = text.splitlines()
    starts = [number for number, line in enumerate(lines, 1) if line.replace(" ", "").startswith(BLOCK)]
    if index >= len(starts):  # written as an inline array: the first line that names the list
        return next((number for number, line in enumerate(lines, 1) if line.startswith("filter")), 1)
    end = starts[index + 1] if index + 1 < len(starts) else len(lines) + 1
    for number in range(starts[index], end):
        if lines[number - 1].split("=")[0].strip().strip("\"'") == key:
            return number
    return starts[index]
