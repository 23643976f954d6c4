"""Read a list of blocks from an editable TOML file, and say plainly, by line, what is wrong in it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.kept import data_folder
from triage.errors import UserError

Check = tuple[Callable[[Any], bool], str]  # whether a value fits, and the rule in words
Fault = tuple[str, str]  # the key, and what is wrong with it


@dataclass(frozen=True)
class Layout:
    """What a file holds: the blocks' name, the rule of each key, which keys may be left out.

    `together` finds what is wrong between keys that each fit.
    """

    block: str
    checks: Mapping[str, Check]
    optional: frozenset[str] = frozenset()
    together: Callable[[dict[str, Any]], Fault | None] = lambda _: None


def list_in_use(file_name: str, folder: Path = Path(__file__).parent) -> Path:
    """Return the shop's own copy in the user's data folder, else the one that comes with the program."""
    own = data_folder() / file_name
    return own if own.exists() else folder / file_name


def load_blocks(path: Path, layout: Layout) -> list[dict[str, Any]]:
    """Return the blocks of that name, each checked.

    Raises
    ------
    UserError
        The file cannot be read or an entry is wrong: names the file, the line and the remedy.
    """
    try:
        text = path.read_text(encoding="utf-8")
        blocks = tomllib.loads(text).get(layout.block)
    except (OSError, UnicodeDecodeError):
        raise UserError(f"The list {path} cannot be read; give the path of a TOML text file.") from None
    except tomllib.TOMLDecodeError as wrong:
        raise UserError(f"The list {path} is not valid TOML: {wrong}. Mend that line.") from None
    if not isinstance(blocks, list) or not all(isinstance(block, dict) for block in blocks) or not blocks:
        raise UserError(f"The list {path} has no [[{layout.block}]] block; write one for each entry.")
    for index, block in enumerate(blocks):
        fault = _fault(block, layout)
        if fault:
            line = _line_of(text, layout.block, index, fault[0])
            raise UserError(f"In the list {path}, line {line}: {fault[0]} {fault[1]}.")
    return blocks


def one_of(words: tuple[str, ...]) -> Check:
    """One of these words."""
    return (lambda value: value in words, "must be one of " + ", ".join(f'"{word}"' for word in words))


def some_of(words: tuple[str, ...]) -> Check:
    """A list of at least one of these words."""

    def fits(value: Any) -> bool:
        return isinstance(value, list) and bool(value) and all(entry in words for entry in value)

    return (fits, "must be a list of some of " + ", ".join(f'"{word}"' for word in words))


def number(least: float, most: float, unit: str) -> Check:
    """A number from `least` to `most`."""

    def fits(value: Any) -> bool:
        return isinstance(value, int | float) and not isinstance(value, bool) and least <= value <= most

    return (fits, f"must be a number of {unit} from {least:g} to {most:g}")


def text() -> Check:
    """Words in quotes, not empty."""
    return (lambda value: isinstance(value, str) and bool(value.strip()), "must be text in quotes")


def _fault(block: dict[str, Any], layout: Layout) -> Fault | None:
    for key in block:
        if key not in layout.checks:
            return key, f"is not known; use {', '.join(layout.checks)}"
    for key, (fits, rule) in layout.checks.items():
        if key not in block:
            if key not in layout.optional:
                return key, "is missing; add it to this block"
        elif not fits(block[key]):
            return key, f"{rule}, got {block[key]!r}"
    return layout.together(block)


def _line_of(text: str, block: str, index: int, key: str) -> int:
    """Return the line, from 1, of a key in the block of that index; of the block where it has no such key."""
    lines = text.splitlines()
    heads = [number for number, line in enumerate(lines, 1) if line.replace(" ", "").startswith("[[")]
    ours = [head for head in heads if lines[head - 1].replace(" ", "").startswith(f"[[{block}]]")]
    if index >= len(ours):  # written as an inline array: the first line that names the list
        return next((number for number, line in enumerate(lines, 1) if line.startswith(block)), 1)
    start = ours[index]
    end = next((head for head in heads if head > start), len(lines) + 1)
    for line in range(start, end):
        if lines[line - 1].split("=")[0].strip().strip("\"'") == key:
            return line
    return start
