"""The result as data: one JSON document, and the particles as CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from triage.analysis import SCHEMA, Analysis, PhotoResult
from triage.consequences import Consequences
from triage.debris.particles import COLUMNS, as_records
from triage.earlier import History
from triage.report.files import write_whole
from triage.report.grounds import as_data
from triage.sizing.compare import Comparison

FIGURES = 6
FORMULA = ("=", "+", "-", "@", "\t", "\r")  # what a spreadsheet takes a text beginning so for


def to_json(analysis: Analysis) -> dict[str, Any]:
    """Return the whole result as plain dictionaries; lengths to six figures, None where unknown."""
    result = {
        "schema": SCHEMA,
        "program_version": analysis.program_version,
        "method_version": analysis.method_version,
        "analysed_on": analysis.analysed_on.isoformat(),
        "photos": [_photo(photo) for photo in analysis.photos],
        "particles": as_records(analysis.particles),
        "sizes": asdict(analysis.sizes),
        "passing": [asdict(row) for row in analysis.passing],
        "blank": asdict(analysis.blank) if analysis.blank else None,
        "advice": asdict(analysis.advice),
        "sample": asdict(analysis.sample),
        **_further(analysis),
        "history": _history(analysis.history) if analysis.history else None,
    }
    plain: dict[str, Any] = finite(result)
    return plain


def _further(analysis: Analysis) -> dict[str, Any]:
    """What follows from the sizes, each part under its own name; null where no photo could be measured."""
    names = [field.name for field in fields(Consequences)]
    return asdict(analysis.further) if analysis.further else dict.fromkeys(names)


def _history(found: History) -> dict[str, Any]:
    return {"said": found.said, "comparison": found.comparison and comparison_json(found.comparison)}


def comparison_json(found: Comparison) -> dict[str, Any]:
    """Return a comparison as plain dictionaries; open limits and what cannot be tested are None."""
    result = {"schema": SCHEMA, **asdict(found)}
    for side in ("before", "after"):
        result[side] = {key: value for key, value in result[side].items() if key != "size_um"}
        result[side]["kinds"] = dict(result[side]["kinds"])
    result["rate_ratio"] = {key: value for key, value in result["rate_ratio"].items() if key != "p"}
    plain: dict[str, Any] = finite(result)
    return plain


def write_json(analysis: Analysis, path: Path) -> None:
    """Write the result as UTF-8 JSON."""
    text = json.dumps(to_json(analysis), ensure_ascii=False, allow_nan=False)
    write_whole(path, (text + "\n").encode())


def write_csv(analysis: Analysis, path: Path) -> None:
    """Write one row a particle; the header's names carry their units, lists are joined by spaces."""
    names = [column.name for column in COLUMNS if column.public]
    records = as_records(analysis.particles)
    write_table(({**record, "flags": " ".join(record["flags"])} for record in records), names, path)


def write_table(rows: Iterable[Mapping[str, Any]], names: Sequence[str], path: Path) -> None:
    """Write rows as UTF-8 CSV with these columns; numbers to six figures, unknown ones and None empty."""
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, names)
    writer.writeheader()
    for row in rows:
        writer.writerow({name: as_cell(value) for name, value in finite(dict(row)).items()})
    write_whole(path, stream.getvalue().encode())


def as_cell(value: Any) -> Any:
    """Return what a CSV cell holds: a text that a spreadsheet would run as a formula gets an apostrophe."""
    return f"'{value}" if isinstance(value, str) and value.startswith(FORMULA) else value


def _photo(photo: PhotoResult) -> dict[str, Any]:
    return {
        "file": photo.file,
        "sha256": photo.sha256,
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "taken_at": photo.taken_at,
        "scale": asdict(photo.scale) if photo.scale else None,
        "limits": asdict(photo.limits) if photo.limits else None,
        "check": {"usable": photo.usable, "problems": [asdict(problem) for problem in photo.problems]},
        "spread": photo.spread,
        "use": photo.use,
        "note": photo.note or None,
        "ground": as_data(photo.ground),
    }


def finite(value: Any) -> Any:
    """Make numpy scalars plain, round numbers to six figures, turn what is not finite into None."""
    if isinstance(value, dict):
        return {key: finite(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [finite(part) for part in value]
    if isinstance(value, float):
        return float(f"{value:.{FIGURES}g}") if math.isfinite(value) else None
    if hasattr(value, "item"):
        return finite(value.item())
    return value
