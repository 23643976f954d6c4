"""Upkeep of the service record: a copy made while it is in use, and a check of all that it holds."""

from __future__ import annotations

import json
import os
import sqlite3
import time
import uuid
import zlib
from collections.abc import Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select, text
from sqlalchemy.orm import Session, undefer

from triage.errors import UserError
from triage.record.details import unpack
from triage.record.opening import FILE_NAME, PHOTOS, Record
from triage.record.store import PART, PhotoStore, sync_folder
from triage.record.tables import AnalysisRow, PhotoRow, SampleRow

JUST_SAVED_S = 3600.0  # a younger file without a row may belong to a save that is under way


@dataclass(frozen=True)
class Fault:
    """One thing wrong in a record, and what to do."""

    code: str
    message: str
    remedy: str


@dataclass(frozen=True)
class BackedUp:
    """What a backup did: the copy, photos copied now, photos in it."""

    file: Path
    copied: int
    photos: int


def back_up(record: Record, folder: Path) -> BackedUp:
    """Copy the record into a folder while others go on using it; photos that are there already stay.

    The copy of the last time is replaced only by a copy that is whole. UserError where the record lies on
    a server, the folder is the record's own or cannot be written, or the record is damaged.
    """
    if record.engine.dialect.name != "sqlite":
        raise UserError(
            f"The record lies on a database server: back it up with the server's own tool (PostgreSQL: "
            f"pg_dump) and copy the folder {record.photos.folder}; or use triage record export."
        )
    source = Path(str(record.engine.url.database))
    target = folder / FILE_NAME
    if target.resolve() == source.resolve() or folder.resolve() == source.parent.resolve():
        raise UserError(f"{folder} is where the record itself lies; name a folder on another disk.")
    part = folder / f".{uuid.uuid4().hex[:12]}{PART}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        wanted = _copy_database(source, part)
        photos = PhotoStore(folder / PHOTOS)
        new = [sha256 for sha256 in wanted if not photos.path(sha256).is_file()]
        for sha256 in new:
            photos.keep(record.photos.read(sha256))
        os.replace(part, target)
        sync_folder(folder)
    except sqlite3.Error as error:
        told = " ".join(str(error).split())
        raise UserError(
            f"The record {source} could not be copied ({told}); the last copy in {folder} is as it was. "
            "Check the record with triage record check."
        ) from error
    except OSError as error:
        raise UserError(
            f"Cannot write the copy in {folder}: {(error.strerror or str(error)).lower()}; choose a folder "
            "that can be written to and has room."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink()
    return BackedUp(target, len(new), len(wanted))


def _copy_database(source: Path, part: Path) -> list[str]:
    """Copy by SQLite's own means, check the copy, and return the photos that it names."""
    with closing(sqlite3.connect(source)) as one, closing(sqlite3.connect(part)) as other:
        one.backup(other)
        other.execute("PRAGMA journal_mode=DELETE")
        (verdict,) = other.execute("PRAGMA integrity_check(1)").fetchone()
        if verdict != "ok":
            raise sqlite3.DatabaseError(verdict)
        return [sha256 for (sha256,) in other.execute("SELECT DISTINCT stored_sha256 FROM photos")]


def check(record: Record) -> tuple[Fault, ...]:
    """Return everything that is wrong in the record; nothing where all is well. Every photo is read."""
    with record.reading() as session:
        faults = [*_database(session), *_samples(session), *_analyses(session)]
        named = set(session.scalars(select(PhotoRow.stored_sha256)))
    return (*faults, *_photos(record, named), *_strays(record, named))


def tidy(record: Record) -> int:
    """Remove files that a save that was cut off left in the photo store; returns how many."""
    with record.reading() as session:
        named = set(session.scalars(select(PhotoRow.stored_sha256)))
    strays = _stray_files(record, named)
    for path in strays:
        path.unlink(missing_ok=True)
    return len(strays)


def _database(session: Session) -> Iterator[Fault]:
    if session.get_bind().dialect.name != "sqlite":
        return
    for (verdict,) in session.execute(text("PRAGMA integrity_check(20)")):
        if verdict != "ok":
            yield Fault("database", f"The database is damaged: {verdict}.", "Put back the last backup.")
    for table, *_ in session.execute(text("PRAGMA foreign_key_check")):
        yield Fault("database", f"A row of {table} names what is not there.", "Put back the last backup.")


def _samples(session: Session) -> Iterator[Fault]:
    bare = select(SampleRow.id).where(~SampleRow.analyses.any() | ~SampleRow.photos.any())
    for number in session.scalars(bare):
        yield Fault(
            "half_saved", f"Sample {number} has no analysis or no photo.", "Put back the last backup."
        )


def _analyses(session: Session) -> Iterator[Fault]:
    for number in session.scalars(select(AnalysisRow.id).order_by(AnalysisRow.id)).all():
        row = session.get_one(
            AnalysisRow, number, options=[undefer(AnalysisRow.result), undefer(AnalysisRow.details)]
        )
        photos = {each.photo.sha256 for each in row.sample.photos}
        try:
            result = json.loads(row.result)
            ids = {each["id"] for each in result["particles"]}
            wrong = {each["sha256"] for each in result["photos"]} - photos
            wrong |= set(unpack(row.details).particles["id"].tolist()) ^ ids
            wrong |= {each.particle for each in row.corrections} - ids
        except (ValueError, KeyError, TypeError, zlib.error) as error:
            wrong = {str(error)}
        if wrong:
            yield Fault(
                "analysis",
                f"An analysis of sample {row.sample_id} does not fit its photos, particles or corrections.",
                "Put back the last backup, or analyse the photos again.",
            )
        session.expunge(row)


def _photos(record: Record, named: set[str]) -> Iterator[Fault]:
    for sha256 in sorted(named):
        try:
            record.photos.read(sha256)
        except UserError as error:
            yield Fault("photo", str(error), f"It belongs in {record.photos.path(sha256)}.")


def _strays(record: Record, named: set[str]) -> Iterator[Fault]:
    for path in _stray_files(record, named):
        yield Fault(
            "stray",
            f"{path} belongs to no sample: a save was cut off before it was done.",
            "Nothing of the record is missing; triage record check --tidy removes it.",
        )


def _stray_files(record: Record, named: set[str]) -> list[Path]:
    young = time.time() - JUST_SAVED_S
    return [path for path in record.photos.files() if path.name not in named and path.stat().st_mtime < young]
