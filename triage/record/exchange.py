"""Export of one machine or everything as a zip, and import of such a zip into another record.

The zip (its own README.txt says the same):

    record.json              machines, visits, samples, photos, analyses, corrections, areas, comparisons
    results/UUID.json        each analysis as it was made; details/UUID.json its outlines and inner columns
    photos/SHA256.jpg|png    photos without their location, under the SHA-256 of the original
    machines.csv, visits.csv, samples.csv, particles.csv   for a spreadsheet
    reports/UNIT_DATE_ORDER_sample-N.pdf     where asked for

Things are known by their uuid (photos by the original's SHA-256): what is there already is not doubled and
not changed.
"""

from __future__ import annotations

import csv
import io
import json
import os
import uuid
import zipfile
import zlib
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import inspect, select
from sqlalchemy.orm import Session, undefer

from triage.errors import UserError
from triage.record.location import without_place
from triage.record.machine_book import machine_row
from triage.record.opening import Record
from triage.record.tables import (
    AnalysisRow,
    ComparisonRow,
    CorrectionRow,
    MachineRow,
    PhotoRow,
    SampleRow,
    Table,
    VisitRow,
)
from triage.report.result import as_cell

FORMAT, VERSION = "triage service record", 3  # 2: areas that are left out; 3: kinds that are forgotten
LEAVE_OUT = {"id", "result", "details", "unit_key", "stored_sha256", "bytes"}
README = __doc__ or ""


@dataclass(frozen=True)
class Exported:
    """What an export holds; `missing` names photos whose file is gone or damaged."""

    machines: int
    samples: int
    photos: int
    missing: tuple[str, ...]


@dataclass(frozen=True)
class _Chosen:
    """The rows to be exported."""

    machines: Sequence[MachineRow]
    visits: Sequence[VisitRow]
    samples: Sequence[SampleRow]
    analyses: Sequence[AnalysisRow]
    comparisons: Sequence[ComparisonRow]

    def photos(self) -> list[PhotoRow]:
        """Return every photo once."""
        return list({each.photo.id: each.photo for row in self.samples for each in row.photos}.values())


def export(record: Record, path: Path, unit: str | None = None, *, pdf: bool = False) -> Exported:
    """Write one machine, or everything, to a zip; whole or not at all.

    UserError where there is no such machine or the file cannot be written.
    """
    part = path.with_name(f".{uuid.uuid4().hex[:12]}.part")
    try:
        with zipfile.ZipFile(part, "x", zipfile.ZIP_DEFLATED) as archive, record.reading() as session:
            chosen = _choose(session, unit)
            missing = _write_photos(archive, record, chosen)
            _write_rows(archive, chosen)
        if pdf:
            with zipfile.ZipFile(part, "a") as archive:
                _write_reports(archive, record, [row.id for row in chosen.samples])
        os.replace(part, path)
    except OSError as error:
        raise UserError(
            f"Cannot write {path}: {(error.strerror or str(error)).lower()}; choose a folder that exists, "
            "can be written to and has room."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink()
    kept = len(chosen.photos()) - len(missing)
    return Exported(len(chosen.machines), len(chosen.samples), kept, tuple(missing))


def _choose(session: Session, unit: str | None) -> _Chosen:
    machines = select(MachineRow).order_by(MachineRow.id)
    visits, samples = select(VisitRow).order_by(VisitRow.id), select(SampleRow).order_by(SampleRow.id)
    if unit is not None:
        own = machine_row(session, unit).id
        machines = machines.where(MachineRow.id == own)
        visits, samples = visits.where(VisitRow.machine_id == own), samples.where(SampleRow.machine_id == own)
    chosen = list(session.scalars(samples))
    ids = [each.id for row in chosen for each in row.analyses]
    analyses = [session.get_one(AnalysisRow, number) for number in ids]
    comparisons = session.scalars(
        select(ComparisonRow).order_by(ComparisonRow.id).options(undefer(ComparisonRow.result))
    )
    return _Chosen(
        list(session.scalars(machines)),
        list(session.scalars(visits)),
        chosen,
        analyses,
        [row for row in comparisons if {row.before_id, row.after_id} <= set(ids)],
    )


def _write_photos(archive: zipfile.ZipFile, record: Record, chosen: _Chosen) -> list[str]:
    missing = []
    for row in chosen.photos():
        try:
            record.photos.read(row.stored_sha256)
            clean = without_place(record.photos.path(row.stored_sha256))
        except UserError:
            missing.append(row.sha256)
            continue
        name = f"photos/{row.sha256}.{clean.ending}"
        archive.writestr(name, clean.data, zipfile.ZIP_STORED)
    return missing


def _write_rows(archive: zipfile.ZipFile, chosen: _Chosen) -> None:
    corrections = [each for row in chosen.analyses for each in row.corrections]
    document = {
        "format": FORMAT,
        "version": _least_version(chosen, corrections),
        "machines": [_plain(row) for row in chosen.machines],
        "visits": [{**_plain(row), "machine": row.machine.uuid} for row in chosen.visits],
        "photos": [_plain(row) for row in chosen.photos()],
        "samples": [_sample(row) for row in chosen.samples],
        "analyses": [{**_plain(row), "sample": row.sample.uuid} for row in chosen.analyses],
        "corrections": [{**_plain(each), "analysis": _of(chosen, each)} for each in corrections],
        "areas": [{**_plain(each), "analysis": row.uuid} for row in chosen.analyses for each in row.areas],
        "comparisons": [_comparison(row) for row in chosen.comparisons],
    }
    archive.writestr("README.txt", README)
    archive.writestr("record.json", json.dumps(document, ensure_ascii=False, indent=1))
    for row in chosen.analyses:
        archive.writestr(f"results/{row.uuid}.json", row.result)
        archive.writestr(f"details/{row.uuid}.json", zlib.decompress(row.details))
    _write_tables(archive, chosen, document)


def _write_tables(archive: zipfile.ZipFile, chosen: _Chosen, document: dict[str, Any]) -> None:
    for name in ("machines", "visits"):
        archive.writestr(f"{name}.csv", csv_text(document[name]))
    units = {row.id: row.unit for row in chosen.machines}
    samples, particles = [], []
    for row in chosen.samples:
        newest = row.analyses[-1]
        samples.append(
            {
                "sample": row.id,
                "unit": units.get(row.machine_id or 0),
                "visit": row.visit_id,
                "saved_at": row.saved_at.isoformat(),
                **{
                    name: getattr(newest, name)
                    for name in ("analysed_on", "headline", "count", "from_um", "median_um")
                },
            }
        )
        for each in json.loads(newest.result)["particles"]:
            particles.append({"sample": row.id, **each, "flags": " ".join(each["flags"])})
    archive.writestr("samples.csv", csv_text(samples))
    archive.writestr("particles.csv", csv_text(particles))


def _write_reports(archive: zipfile.ZipFile, record: Record, numbers: list[int]) -> None:
    from triage.record.reports import sample_report

    for number in numbers:
        report = sample_report(record, number)
        archive.writestr(f"reports/{report.name}", report.data)


def csv_text(rows: Iterable[dict[str, Any]]) -> str:
    """Return rows as CSV, its texts safe to open in a spreadsheet."""
    rows = list(rows)
    stream = io.StringIO(newline="")
    names = list(dict.fromkeys(name for row in rows for name in row))
    writer = csv.DictWriter(stream, names)
    writer.writeheader()
    writer.writerows({name: as_cell(value) for name, value in row.items()} for row in rows)
    return stream.getvalue()


def _plain(row: Table) -> dict[str, Any]:
    """Return a row's own columns; numbers and keys that hold in one database only are left out."""
    columns = inspect(type(row)).column_attrs
    names = [each.key for each in columns if each.key not in LEAVE_OUT and not each.key.endswith("_id")]
    values = {name: getattr(row, name) for name in names}
    return {name: _iso(value) for name, value in values.items()}


def _iso(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date | datetime) else value


def _sample(row: SampleRow) -> dict[str, Any]:
    photos = [{"sha256": each.photo.sha256, "role": each.role, "file": each.file} for each in row.photos]
    return {
        **_plain(row),
        "machine": row.machine.uuid if row.machine else None,
        "visit": row.visit.uuid if row.visit else None,
        "photos": photos,
    }


def _comparison(row: ComparisonRow) -> dict[str, Any]:
    kept = {"before": row.before.uuid, "after": row.after.uuid, "result": json.loads(row.result)}
    return {**_plain(row), **kept}


def _least_version(chosen: _Chosen, corrections: Sequence[CorrectionRow]) -> int:
    """Return the oldest version that has all of this, so that older programs take what they understand."""
    if any(each.action == "forget" for each in corrections):
        return VERSION
    return 2 if any(row.areas for row in chosen.analyses) else 1


def _of(chosen: _Chosen, correction: CorrectionRow) -> str:
    return next(row.uuid for row in chosen.analyses if row.id == correction.analysis_id)
