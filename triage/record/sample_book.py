"""Operations on samples, their photos and analyses, and on comparisons."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload, undefer

from triage.analysis import Analysis, Sample
from triage.errors import UserError
from triage.photo import Photo, open_photo
from triage.record import areas, corrected, look_back
from triage.record.correction_book import areas as left_out_areas
from triage.record.correction_book import corrections
from triage.record.details import Measured, concluded, pack, unpack
from triage.record.entries import (
    Correction,
    LeftOut,
    SavedComparison,
    SavedPhoto,
    SavedSample,
    clean_text,
)
from triage.record.machine_book import analysis_row, machine_row, place, sample_row
from triage.record.opening import Record, open_record
from triage.record.tables import (
    AnalysisRow,
    ComparisonRow,
    PhotoRow,
    SamplePhotoRow,
    SampleRow,
    new_uuid,
)
from triage.report.result import to_json


def save_sample(
    record: Record,
    analysis: Analysis,
    photos: Sequence[Path],
    *,
    blank: Path | None = None,
    unit: str | None = None,
    visit: int | None = None,
    key: str | None = None,
) -> SavedSample:
    """Keep a sample with its photos and analysis: all of it or nothing.

    Parameters
    ----------
    photos, blank
        The files that were analysed; each is kept byte for byte.
    unit, visit
        The machine, made where it is unknown; or one of its visits.
    key
        At most 36 letters that name this very save: saved again under the same key, nothing is added and
        the sample of the first time is returned.

    Raises
    ------
    UserError
        No photo was measured, a file changed after it was analysed, or the record cannot be written.
    """
    if not any(photo.usable for photo in analysis.photos):
        raise UserError("No photo of this sample could be measured, so there is nothing to save.")
    files = [(path, "debris") for path in photos] + ([(blank, "blank")] if blank else [])
    held = [(path, role, read_file(path)) for path, role in files]
    check_same(analysis, {hashlib.sha256(data).hexdigest() for _, _, data in held})
    kept = [(path.name, role, record.photos.keep(data), len(data)) for path, role, data in held]
    with record.writing() as session:
        sample = session.scalar(select(SampleRow).where(SampleRow.uuid == key)) if key else None
        if sample is None:
            sample = SampleRow(uuid=key or new_uuid())
            place(session, sample, unit, visit)
            for position, (file, role, sha256, size) in enumerate(kept):
                photo = photo_row(session, sha256, sha256, size)
                sample.photos.append(
                    SamplePhotoRow(position=position, photo=photo, role=role, file=short_name(file))
                )
            sample.analyses.append(new_analysis(analysis))
            session.add(sample)
            session.flush()
        return saved_sample(sample)


def add_analysis(record: Record, number: int, analysis: Analysis) -> SavedSample:
    """Add a new analysis to a sample; earlier ones and their corrections stay as they are."""
    with record.writing() as session:
        sample = sample_row(session, number)
        sample.analyses.append(new_analysis(analysis))
        session.flush()
        return saved_sample(sample)


def restate(record: Record, number: int, said: Sample) -> SavedSample:
    """Add an analysis of the same particles with what was said about the sample put right.

    Nothing is measured anew; the advice follows the new words, and corrections go along.
    """
    with record.writing() as session:
        sample = sample_row(session, number)
        newest = analysis_row(session, number)
        earlier = look_back.earlier_of(session, sample, said)
        row = new_analysis(concluded(replace(unpack(newest.details), sample=said), earlier=earlier))
        row.corrections = [corrected.again(each) for each in newest.corrections]
        row.areas = [areas.again(each) for each in newest.areas]
        sample.analyses.append(row)
        session.flush()
        return saved_sample(sample)


def find_sample(record: Record, number: int) -> SavedSample:
    """Return a sample in short; UserError where there is none of that number."""
    with record.reading() as session:
        return saved_sample(sample_row(session, number))


def samples(record: Record, unit: str | None = None, most: int | None = None) -> tuple[SavedSample, ...]:
    """Return samples in short, the last saved first: of one machine or of all, at most so many."""
    with record.reading() as session:
        wanted = select(SampleRow).order_by(SampleRow.saved_at.desc(), SampleRow.id.desc()).limit(most)
        if unit is not None:
            wanted = wanted.where(SampleRow.machine_id == machine_row(session, unit).id)
        wanted = wanted.options(
            selectinload(SampleRow.machine),
            selectinload(SampleRow.visit),
            selectinload(SampleRow.photos).selectinload(SamplePhotoRow.photo),
            selectinload(SampleRow.analyses).options(
                selectinload(AnalysisRow.corrections), selectinload(AnalysisRow.areas)
            ),
        )
        return tuple(saved_sample(row) for row in session.scalars(wanted))


def photo_bytes(record: Record, sha256: str) -> bytes:
    """Return a saved photo by the SHA-256 of the file that came from the phone."""
    return record.photos.read(_stored_as(record, sha256))


def open_saved(record: Record, sha256: str) -> Photo:
    """Return a saved photo, decoded, by the SHA-256 of the file that came from the phone."""
    stored = _stored_as(record, sha256)
    record.photos.read(stored)  # says so where it is damaged
    return open_photo(record.photos.path(stored))


def _stored_as(record: Record, sha256: str) -> str:
    with record.reading() as session:
        stored = session.scalar(select(PhotoRow.stored_sha256).where(PhotoRow.sha256 == sha256))
    if stored is None:
        raise UserError("There is no such photo in the record.")
    return stored


def load_analysis(record: Record, number: int, *, pictures: bool = True) -> Analysis:
    """Return a sample's newest analysis, drawn anew, with its photos for reports.

    Its corrections are applied, with what machine and visit say of it, beside the machine's earlier sample.
    """
    with record.reading() as session:
        row = analysis_row(session, number)
        files = {each.photo.sha256: (each.file, each.photo.stored_sha256) for each in row.sample.photos}
        measured, earlier = look_back.drawn_from(session, row)
    opened = [_picture(record, *files[photo.sha256]) for photo in measured.photos] if pictures else []
    return concluded(measured, opened, earlier)


def load_measured(record: Record, number: int) -> Measured:
    """Return what was measured in a sample's newest analysis, before any correction."""
    with record.reading() as session:
        return unpack(analysis_row(session, number).details)


def saved_result(record: Record, number: int) -> dict[str, Any]:
    """Return the newest result of a sample as it was made, before any correction."""
    with record.reading() as session:
        result: dict[str, Any] = json.loads(analysis_row(session, number).result)
        return result


def load_result(number: int, database: str | None = None) -> dict[str, Any]:
    """Return a saved sample's result with its corrections applied, as `triage analyse --json` writes it.

    `corrections`, `areas` (those left out) and `rejected` (the particles left out by either) stand beside it.
    Where nothing was corrected, it is the result as it was made.
    """
    with open_record(database) as record:
        return result_of(record, number)


def result_of(record: Record, number: int) -> dict[str, Any]:
    """Return what `load_result` does, of an open record."""
    result = saved_result(record, number)
    said, out = corrections(record, number), left_out_areas(record, number)
    if said or out:
        anew = to_json(load_analysis(record, number, pictures=False))
        kept = {each["id"] for each in anew["particles"]}
        rejected = [each for each in result["particles"] if each["id"] not in kept]
        result = {**anew, "rejected": rejected}
    sample = {**result["sample"], "machine": find_sample(record, number).unit}
    told = {"corrections": [_told(each) for each in said], "areas": [_told(each) for each in out]}
    return {"rejected": [], **result, "sample": sample, **told}


def _told(entry: Correction | LeftOut) -> dict[str, Any]:
    return {**vars(entry), "made_at": entry.made_at and entry.made_at.isoformat()}


def save_comparison(record: Record, before: int, after: int, result: dict[str, Any]) -> SavedComparison:
    """Keep a comparison of two saved samples, as `triage compare --json` gives it."""
    with record.writing() as session:
        row = ComparisonRow(
            before=analysis_row(session, before),
            after=analysis_row(session, after),
            program_version=version("triage"),
            verdict=str(result["verdict"]),
            result=_dumped(result),
        )
        session.add(row)
        session.flush()
        return _comparison(row)


def comparisons(record: Record, number: int) -> tuple[SavedComparison, ...]:
    """Return the comparisons that a sample stands in, the first one first."""
    with record.reading() as session:
        own = select(AnalysisRow.id).where(AnalysisRow.sample_id == sample_row(session, number).id)
        rows = session.scalars(
            select(ComparisonRow)
            .where(ComparisonRow.before_id.in_(own) | ComparisonRow.after_id.in_(own))
            .order_by(ComparisonRow.id)
            .options(undefer(ComparisonRow.result))
        )
        return tuple(_comparison(row) for row in rows)


def photo_row(session: Session, sha256: str, stored_sha256: str, size: int) -> PhotoRow:
    """Return the row of a photo, adding it where it is new."""
    row = session.scalar(select(PhotoRow).where(PhotoRow.sha256 == sha256))
    if row is None:
        row = PhotoRow(sha256=sha256, stored_sha256=stored_sha256, bytes=size)
        session.add(row)
        session.flush()
    return row


def read_file(path: Path) -> bytes:
    """Return a photo's bytes. UserError where its file cannot be read."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise UserError(
            f"{path} cannot be read any more: {(error.strerror or str(error)).lower()}; nothing was saved."
        ) from error


def check_same(analysis: Analysis, given: set[str]) -> None:
    """Refuse an analysis of photos other than those of these SHA-256."""
    for photo in analysis.photos:
        if photo.sha256 not in given:
            raise UserError(
                f"{photo.file} changed while it was analysed; nothing was saved. Analyse it again."
            )


def short_name(file: str) -> str:
    """Return the name that a photo's file is kept under."""
    return (clean_text(file, "file") or "photo")[-200:]


def new_analysis(analysis: Analysis) -> AnalysisRow:
    """Return the row that keeps an analysis."""
    return AnalysisRow(
        program_version=analysis.program_version,
        method_version=analysis.method_version,
        analysed_on=analysis.analysed_on,
        headline=clean_text(analysis.advice.headline, "headline") or "",
        count=analysis.sizes.count,
        from_um=float(analysis.sizes.from_um),
        median_um=analysis.sizes.by_count.d50_um,
        result=_dumped(to_json(analysis)),
        details=pack(analysis),
    )


def _dumped(result: dict[str, Any]) -> str:
    return json.dumps(
        result, allow_nan=False
    )  # ASCII: a name may hold half a character, which no database takes


def _picture(record: Record, file: str, stored_sha256: str) -> Photo:
    record.photos.read(stored_sha256)
    return replace(open_photo(record.photos.path(stored_sha256)), file=file)


def saved_sample(row: SampleRow) -> SavedSample:
    """Return a sample in short."""
    newest = row.analyses[-1]
    return SavedSample(
        number=row.id,
        unit=row.machine.unit if row.machine else None,
        visit=row.visit_id,
        saved_at=row.saved_at,
        analysed_on=newest.analysed_on,
        day=look_back.day_of(row),
        headline=newest.headline,
        count=newest.count,
        from_um=newest.from_um,
        median_um=newest.median_um,
        photos=tuple(SavedPhoto(each.file, each.photo.sha256, each.role) for each in row.photos),
        analyses=len(row.analyses),
        corrections=len(newest.corrections) + len(newest.areas),
    )


def _comparison(row: ComparisonRow) -> SavedComparison:
    return SavedComparison(
        number=row.id,
        before=row.before.sample_id,
        after=row.after.sample_id,
        verdict=row.verdict,
        made_at=row.made_at,
        result=json.loads(row.result),
    )
