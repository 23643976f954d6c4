"""Import of a zip that `triage.record.exchange` made: all of it in one transaction, or nothing.

The zip may be anybody's: no name in it becomes a path, sizes are limited before reading, every value is
checked on its way in.
"""

from __future__ import annotations

import json
import math
import re
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from triage.debris.particles import KINDS
from triage.errors import UserError
from triage.photo import MAX_BYTES
from triage.record.details import concluded, unpack
from triage.record.entries import (
    UNIT_LETTERS,
    Machine,
    ServiceVisit,
    clean_text,
    clean_unit,
    cleaned,
    unit_key,
)
from triage.record.exchange import FORMAT, VERSION
from triage.record.opening import Record
from triage.record.sample_book import photo_row
from triage.record.tables import (
    AnalysisRow,
    AreaRow,
    ComparisonRow,
    CorrectionRow,
    MachineRow,
    PhotoRow,
    SamplePhotoRow,
    SampleRow,
    VisitRow,
)

PLACE = ("x_px", "y_px", "width_px", "height_px")
MOST_JSON = 300_000_000  # bytes, unpacked
UUID = re.compile(r"[0-9A-Za-z-]{1,36}")
SHA256 = re.compile(r"[0-9a-f]{64}")
WRONG = (
    KeyError,
    TypeError,
    ValueError,
    AttributeError,
    IndexError,
    OverflowError,
    RecursionError,
    zlib.error,
)

Row = TypeVar("Row", MachineRow, VisitRow, SampleRow, AnalysisRow, CorrectionRow, AreaRow, ComparisonRow)


@dataclass(frozen=True)
class BroughtIn:
    """What an import added; `renamed` are unit numbers that were another machine's here, and the new ones."""

    machines: int
    visits: int
    samples: int
    renamed: tuple[tuple[str, str], ...]


def bring_in(record: Record, path: Path) -> BroughtIn:
    """Import a zip. UserError where it is none of ours, newer, damaged, or the record cannot be written."""
    try:
        with zipfile.ZipFile(path) as archive:
            document = {"areas": [], **json.loads(_member(archive, "record.json", MOST_JSON))}
            _check_format(document, path)
            stored = _keep_photos(record, archive, document)
            with record.writing() as session:
                return _Import(session, archive, document, stored).run()
    except OSError as error:
        raise UserError(f"Cannot read {path}: {(error.strerror or str(error)).lower()}.") from error
    except (*WRONG, zipfile.BadZipFile, NotImplementedError, RuntimeError, SQLAlchemyError) as error:
        raise UserError(
            f"{path} is not a whole export of a service record (near {_near(error)}); nothing was imported. "
            "Export it anew with triage record export."
        ) from error


def _near(error: Exception) -> str:
    """Return the gist of what went wrong, on one line."""
    return (str(error).splitlines() or [type(error).__name__])[0][:120]


def _check_format(document: Any, path: Path) -> None:
    if document["format"] != FORMAT:
        raise ValueError("format")
    if document["version"] > VERSION:
        raise UserError(
            f"{path} was exported by a newer version of this program; update the program. "
            "Nothing was imported."
        )


def _member(archive: zipfile.ZipFile, name: str, most: int) -> bytes:
    info = archive.getinfo(name)
    if info.file_size > most:
        raise ValueError(f"{name}: {info.file_size} bytes")
    with archive.open(info) as stream:
        return stream.read(most + 1)


def _keep_photos(record: Record, archive: zipfile.ZipFile, document: Any) -> dict[str, tuple[str, int]]:
    """Bring photos that are new into the store; returns the stored SHA-256 and size by the original's."""
    names = {Path(name).stem: name for name in archive.namelist() if name.startswith("photos/")}
    stored = {}
    for each in document["photos"]:
        sha256 = _matching(SHA256, each["sha256"])
        with record.reading() as session:
            known = session.scalar(select(PhotoRow.id).where(PhotoRow.sha256 == sha256))
        if known is None and sha256 in names:
            data = _member(archive, names[sha256], MAX_BYTES)
            stored[sha256] = (record.photos.keep(data), len(data))
    return stored


class _Import:
    """One import: the rows that the zip's uuids stand for, old and new."""

    def __init__(
        self,
        session: Session,
        archive: zipfile.ZipFile,
        document: dict[str, Any],
        stored: dict[str, tuple[str, int]],
    ) -> None:
        self.session, self.archive, self.document, self.stored = session, archive, document, stored
        self.machines: dict[str, MachineRow] = {}
        self.renamed: list[tuple[str, str]] = []
        self.new = {"machines": 0}

    def run(self) -> BroughtIn:
        """Add what is new, in the order that keys need."""
        for each in self.document["machines"]:
            self.machines[_matching(UUID, each["uuid"])] = self._machine(each)
        visits = self._each("visits", VisitRow, self._visit)
        samples = self._each("samples", SampleRow, lambda told: self._sample(told, visits))
        analyses = self._each("analyses", AnalysisRow, lambda told: self._analysis(told, samples))
        self._each("corrections", CorrectionRow, lambda told: _correction(told, analyses))
        self._each("areas", AreaRow, lambda told: _area(told, analyses))
        self._each("comparisons", ComparisonRow, lambda told: _comparison(told, analyses))
        if any(not row.analyses for row in samples.values()):
            raise ValueError("a sample without an analysis")
        new = self.new
        return BroughtIn(
            machines=new["machines"],
            visits=new.get("visits", 0),
            samples=new.get("samples", 0),
            renamed=tuple(self.renamed),
        )

    def _each(self, name: str, table: type[Row], make: Callable[[dict[str, Any]], Row]) -> dict[str, Row]:
        """Return the row of each uuid under `name`, made where it is new."""
        rows: dict[str, Row] = {}
        for told in self.document[name]:
            key = _matching(UUID, told["uuid"])
            row = self.session.scalar(select(table).where(table.uuid == key))
            if row is None:
                row = make(told)
                row.uuid = key
                self.session.add(row)
                self.session.flush()
                self.new[name] = self.new.get(name, 0) + 1
            rows[key] = row
        return rows

    def _machine(self, told: dict[str, Any]) -> MachineRow:
        """Return the machine here: of the same uuid, or of the same unit number unless serials differ."""
        machine = cleaned(_entry(Machine, told))
        machine = replace(machine, unit=clean_unit(machine.unit))
        known = self.session.scalar(select(MachineRow).where(MachineRow.uuid == told["uuid"]))
        namesake = self._unit(machine.unit)
        if known is not None:
            return known
        if namesake is not None and (
            None in (namesake.serial, machine.serial) or namesake.serial == machine.serial
        ):
            return namesake
        unit = self._free_unit(machine.unit)
        if unit != machine.unit:
            self.renamed.append((machine.unit, unit))
        names = {field.name for field in fields(Machine)} - {"number", "unit"}
        row = MachineRow(**{name: getattr(machine, name) for name in names})
        row.unit, row.unit_key, row.uuid = unit, unit_key(unit), told["uuid"]
        row.added_at = _moment(told["added_at"])
        self.session.add(row)
        self.session.flush()
        self.new["machines"] += 1
        return row

    def _free_unit(self, unit: str) -> str:
        number, free = 1, unit
        while self._unit(free) is not None:
            number += 1
            free = f"{unit[: UNIT_LETTERS - 7]} ({number})"
        return free

    def _unit(self, unit: str) -> MachineRow | None:
        return self.session.scalar(select(MachineRow).where(MachineRow.unit_key == unit_key(unit)))

    def _visit(self, told: dict[str, Any]) -> VisitRow:
        day = date.fromisoformat(told["visited_on"])
        visit = cleaned(_entry(ServiceVisit, {**told, "visited_on": day}))
        names = {field.name for field in fields(ServiceVisit)} - {"number", "unit"}
        values = {name: getattr(visit, name) for name in names}
        machine = self.machines[told["machine"]]
        return VisitRow(**values, machine_id=machine.id, added_at=_moment(told["added_at"]))

    def _sample(self, told: dict[str, Any], visits: dict[str, VisitRow]) -> SampleRow:
        visit = visits[told["visit"]] if told["visit"] else None
        machine = self.machines[told["machine"]].id if told["machine"] else None
        row = SampleRow(saved_at=_moment(told["saved_at"]))
        row.visit_id = visit.id if visit else None
        row.machine_id = visit.machine_id if visit else machine
        for position, each in enumerate(told["photos"]):
            sha256 = _matching(SHA256, each["sha256"])
            stored_sha256, size = self.stored.get(sha256, (sha256, 0))
            photo = photo_row(self.session, sha256, stored_sha256, size)
            role = "blank" if each["role"] == "blank" else "debris"
            file = clean_text(str(each["file"]), "file") or "photo"
            row.photos.append(
                SamplePhotoRow(position=position, photo_id=photo.id, role=role, file=file[-200:])
            )
        return row

    def _analysis(self, told: dict[str, Any], samples: dict[str, SampleRow]) -> AnalysisRow:
        key = _matching(UUID, told["uuid"])
        result = _member(self.archive, f"results/{key}.json", MOST_JSON).decode()
        details = zlib.compress(_member(self.archive, f"details/{key}.json", MOST_JSON))
        read = json.loads(result)
        analysis = concluded(unpack(details))  # also shows whether reports can be made of it
        if len(analysis.particles) != len(read["particles"]):
            raise ValueError(f"results/{key}.json")
        median = read["sizes"]["by_count"]["d50_um"]
        return AnalysisRow(
            sample=samples[told["sample"]],
            program_version=_text(told["program_version"]),
            method_version=_text(told["method_version"]),
            analysed_on=date.fromisoformat(told["analysed_on"]),
            saved_at=_moment(told["saved_at"]),
            headline=_text(read["advice"]["headline"]),
            count=int(read["sizes"]["count"]),
            from_um=float(read["sizes"]["from_um"]),
            median_um=None if median is None else float(median),
            result=result,
            details=details,
        )


def _correction(told: dict[str, Any], analyses: dict[str, AnalysisRow]) -> CorrectionRow:
    if told["kind"] is not None and told["kind"] not in KINDS:
        raise ValueError(f"kind {told['kind']}")
    return CorrectionRow(
        analysis_id=analyses[told["analysis"]].id,
        particle=int(told["particle"]),
        action=_text(told["action"]),
        kind=told["kind"],
        who=_text(told["who"]),
        made_at=_moment(told["made_at"]),
    )


def _area(told: dict[str, Any], analyses: dict[str, AnalysisRow]) -> AreaRow:
    row = AreaRow(area=int(told["area"]), action=_text(told["action"]), who=_text(told["who"]))
    row.analysis_id, row.made_at = analyses[told["analysis"]].id, _moment(told["made_at"])
    if told["photo"] is not None:
        row.photo = int(told["photo"])
        row.x_px, row.y_px, row.width_px, row.height_px = (_finite(told[name]) for name in PLACE)
    return row


def _comparison(told: dict[str, Any], analyses: dict[str, AnalysisRow]) -> ComparisonRow:
    return ComparisonRow(
        before_id=analyses[told["before"]].id,
        after_id=analyses[told["after"]].id,
        program_version=_text(told["program_version"]),
        verdict=_text(told["verdict"]),
        made_at=_moment(told["made_at"]),
        result=json.dumps(told["result"], ensure_ascii=False, allow_nan=False),
    )


def _entry(kind: Callable[..., Any], told: dict[str, Any]) -> Any:
    """Return an entry of the fields that are told; texts must be texts, amounts numbers."""
    known = {field.name: str(field.type) for field in fields(kind)}  # type: ignore[arg-type]
    values = {}
    for name, wanted in known.items():
        value = told.get(name)
        if value is None or (name in {"number", "unit"} and kind is not Machine):
            continue
        if wanted.startswith(("str", "tuple")) != isinstance(value, str) and not isinstance(value, date):
            raise ValueError(name)
        values[name] = value
    values.pop("number", None)
    return kind(**values)


def _matching(pattern: re.Pattern[str], value: Any) -> str:
    if not isinstance(value, str) or not pattern.fullmatch(value):
        raise ValueError(f"{str(value)[:50]!r}")
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{str(value)[:50]!r}")
    return clean_text(value, "text") or ""


def _finite(value: Any) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{value}")
    return float(value)


def _moment(value: str) -> datetime:
    moment = datetime.fromisoformat(value)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
