"""Results read back: a result file of `triage analyse --json` becomes a sample that can be compared."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from triage.analysis import SCHEMA, Analysis
from triage.debris.particles import NO_DEBRIS_NAMES
from triage.errors import UserError
from triage.sizing.compare import DebrisSample

EXPOSURE_FIELDS = {"ml": "volume_ml", "hour": "hours", "litre": "litres", "month": "months"}
LEAST_AMOUNT, MOST_AMOUNT = 1e-6, 1e9  # of any unit: beyond is a slip of the hand
WHAT_TO_DO = "write it anew with triage analyse PHOTO --json FILE"


class Refused(UserError):  # noqa: N818 - the name is what happened
    """No photo of a sample could be measured; `lines` says why, a sentence each with its remedy."""

    def __init__(self, name: str, lines: list[str]) -> None:
        super().__init__(f"{name}: no photo of this sample could be measured; take it again.")
        self.lines = lines or [str(self)]


@dataclass(frozen=True)
class Read:
    """A sample to compare; what its photo shows, where that is at hand, and its visit's work order."""

    sample: DebrisSample
    analysis: Analysis | None = None
    work_order: str | None = None


def saved_sample(number: int, *, pictures: bool = False) -> Read:
    """Return a saved sample by its number, as the record compares it. UserError where there is none."""
    from triage.record.book import find_sample, find_visit, load_analysis, open_record, saved_debris

    with open_record() as record:
        sample, visit = saved_debris(record, number), find_sample(record, number).visit
        if not pictures:
            return Read(sample)
        order = find_visit(record, visit).work_order if visit is not None else None
        return Read(sample, load_analysis(record, number), order)


def read_sample(given: str, *, pictures: bool = False) -> Read:
    """Return the sample that a result file, a photo or a saved sample's number stands for.

    Without `pictures`, a saved sample comes without its photos.

    Raises
    ------
    Refused
        It could be read, but no photo in it could be measured.
    UserError
        It is none of the three, or damaged.
    """
    path = Path(given)
    if not path.exists() and given.isascii() and given.isdigit():
        return saved_sample(int(given), pictures=pictures)
    if not path.is_file():
        reason = "is a folder" if path.is_dir() else "is not there" if not path.exists() else "is no file"
        raise UserError(
            f"{given} {reason}; give a result of triage analyse --json, a photo, or a saved sample's number."
        )
    if _looks_like_a_result(path):
        return Read(sample_of(_parsed(path), path.name))
    return _from_photo(path)


def _looks_like_a_result(path: Path) -> bool:
    if path.suffix.lower() == ".json":
        return True
    try:
        with path.open("rb") as stream:
            return stream.read(64).lstrip().startswith((b"{", b"["))
    except OSError as error:
        raise UserError(f"{path} cannot be read: {(error.strerror or str(error)).lower()}.") from error


def _parsed(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UserError(f"{path} cannot be read: {(error.strerror or str(error)).lower()}.") from error
    except (ValueError, RecursionError) as error:
        raise UserError(f"{path} is not JSON, or only a part of it; {WHAT_TO_DO}.") from error


def _from_photo(path: Path) -> Read:
    from triage.analysis import analyse
    from triage.report.result import to_json

    analysis = analyse([path])
    return Read(sample_of(to_json(analysis), path.name), analysis)


def sample_of(result: Any, name: str) -> DebrisSample:
    """Return the sample that a result (as of `triage.report.to_json`) describes.

    Raises Refused where no photo was usable, UserError where it is no result of this schema.
    """
    if not isinstance(result, Mapping) or not isinstance(result.get("particles"), list):
        raise UserError(f"{name} is not a result of triage analyse --json; {WHAT_TO_DO}.")
    if result.get("schema") != SCHEMA:
        raise UserError(
            f"{name} has schema {result.get('schema')}, this version reads schema {SCHEMA}; {WHAT_TO_DO}."
        )
    try:
        return _sample(result, name)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise UserError(f"{name} is a damaged result (near {error}); {WHAT_TO_DO}.") from error


def _sample(result: Mapping[str, Any], name: str) -> DebrisSample:
    photos = result["photos"]
    if not any(photo["check"]["usable"] for photo in photos):
        raise Refused(name, _reasons(photos, name))
    from_um = _number(result["sizes"]["from_um"], "sizes.from_um")
    facts = result.get("sample") or {}
    sized = [
        row
        for row in result["particles"]
        if not row.get("below_sizing_limit")
        and not row.get("touches_edge")
        and not NO_DEBRIS_NAMES & set(row.get("flags") or ())
    ]
    size = np.array([_number(row["ecd_um"], "ecd_um") for row in sized])
    kind = np.array([str(row.get("kind") or "unsure") for row in sized], dtype=str)
    fraction = facts.get("fraction")
    amounts = {unit: facts.get(field) for unit, field in EXPOSURE_FIELDS.items()}
    return DebrisSample(
        name=name,
        from_um=from_um,
        size_um=size[size >= from_um],
        kind=kind[size >= from_um],
        exposures={unit: _amount(value, unit) for unit, value in amounts.items() if value},
        fraction=(1.0 if fraction is None else _part(fraction)) * _seen_share(photos),
        origin=_text(facts, "origin"),
        method=_text(facts, "method"),
        machine=_text(facts, "machine"),
        method_version=_text(result, "method_version"),
        photos=frozenset(str(photo["sha256"]) for photo in photos if photo.get("sha256")),
        blank_ok=bool((result.get("blank") or {}).get("ok", True)),
    )


def _text(facts: Mapping[str, Any], name: str) -> str | None:
    value = facts.get(name)
    if value is not None and not isinstance(value, str):
        raise ValueError(name)
    return value


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(where)
    if not 0 <= value < math.inf:
        raise ValueError(where)
    return float(value)


def _amount(value: Any, unit: str) -> float:
    amount = _number(value, unit)
    if not LEAST_AMOUNT <= amount <= MOST_AMOUNT:
        raise ValueError(f"{unit} {amount:g}")
    return amount


def _seen_share(photos: Sequence[Mapping[str, Any]]) -> float:
    """Share of the debris windows that could be seen; results of older programs do not say."""
    counted = [
        photo for photo in photos if photo["check"]["usable"] and photo.get("use") in (None, "measured")
    ]
    shares = [
        math.prod(1.0 - _unseen(problem) for problem in photo["check"]["problems"]) for photo in counted
    ]
    return sum(shares) / len(shares) if shares else 1.0


def _unseen(problem: Mapping[str, Any]) -> float:
    share = _number(problem.get("unseen", 0.0), "unseen")
    if not 0.0 <= share < 1.0:
        raise ValueError("unseen")
    return share


def _part(value: Any) -> float:
    fraction = _number(value, "fraction")
    if not LEAST_AMOUNT <= fraction <= 1:
        raise ValueError("fraction")
    return fraction


def _reasons(photos: list[Any], name: str) -> list[str]:
    return [
        f"{photo.get('file', name)}: {problem['message']} {problem['remedy']}"
        for photo in photos
        for problem in photo["check"]["problems"]
    ]
