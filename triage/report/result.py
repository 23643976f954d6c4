"""The result as data: one JSON document, and the particles as CSV."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from triage.analysis import SCHEMA, Analysis, PhotoResult
from triage.debris.particles import COLUMNS, as_records
from triage.report.files import write_whole

FIGURES = 6


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
    }
    plain: dict[str, Any] = _finite(result)
    return plain


def write_json(analysis: Analysis, path: Path) -> None:
    """Write the result as UTF-8 JSON."""
    text = json.dumps(to_json(analysis), ensure_ascii=False, allow_nan=False)
    write_whole(path, (text + "\n").encode())


def write_csv(analysis: Analysis, path: Path) -> None:
    """Write one row a particle; the header's names carry their units, lists are joined by spaces."""
    names = [column.name for column in COLUMNS if column.public]
    stream = io.StringIO(newline="")
    writer = csv.DictWriter(stream, names)
    writer.writeheader()
    for record in as_records(analysis.particles):
        writer.writerow({**_finite(record), "flags": " ".join(record["flags"])})
    write_whole(path, stream.getvalue().encode())


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
    }


def _finite(value: Any) -> Any:
    """Make numpy scalars plain, round numbers to six figures, turn what is not finite into None."""
    if isinstance(value, dict):
        return {key: _finite(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(part) for part in value]
    if isinstance(value, float):
        return float(f"{value:.{FIGURES}g}") if math.isfinite(value) else None
    if hasattr(value, "item"):
        return _finite(value.item())
    return value
