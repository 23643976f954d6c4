"""A further photo of a saved sample: measured together with those that are there, as a new analysis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from calibration.calibrate import By, ByPoints, ByRule, ByStated, HowScaled, given_window, same_scale
from triage.analysis import Analysis, PhotoResult, Setup
from triage.errors import UserError
from triage.record import corrected
from triage.record.areas import area_row, areas_of
from triage.record.details import unpack
from triage.record.entries import SavedSample
from triage.record.look_back import earlier_of
from triage.record.machine_book import analysis_row, sample_row
from triage.record.opening import Record
from triage.record.sample_book import (
    check_same,
    new_analysis,
    photo_row,
    read_file,
    saved_sample,
    short_name,
)
from triage.record.tables import AnalysisRow, SamplePhotoRow, SampleRow


@dataclass(frozen=True)
class Known:
    """A saved sample's files and how each was measured, to be measured again with more.

    `further` is how a further photo is measured, unless it comes with a scale of its own.
    """

    photos: tuple[Path, ...]
    setup: Setup
    further: HowScaled
    names: dict[str, tuple[str, str]]  # of each stored file's SHA-256: its name, its SHA-256 as it came


def known_photos(record: Record, number: int) -> Known:
    """Return what a sample was measured from."""
    with record.reading() as session:
        sample = sample_row(session, number)
        measured = unpack(analysis_row(session, number).details)
        earlier = earlier_of(session, sample, measured.sample)
        held = [(each.role, each.file, each.photo.sha256, each.photo.stored_sha256) for each in sample.photos]
    paths = {role: [record.photos.path(stored) for r, _, _, stored in held if r == role] for role, *_ in held}
    blank = next(iter(paths.get("blank", ())), None)
    scaled = next((photo for photo in measured.photos if photo.counted and photo.scale), measured.photos[0])
    one, each = _how(scaled), {photo.sha256: _how(photo) for photo in measured.photos}
    hows = tuple(each.get(sha256, HowScaled()) for role, _, sha256, _ in held if role == "debris")
    return Known(
        tuple(paths["debris"]),
        Setup(how=one, hows=hows, sample=measured.sample, blank=blank, earlier=earlier),
        HowScaled() if isinstance(one.by, ByPoints) else HowScaled(one.by),
        {stored: (file, sha256) for _, file, sha256, stored in held},
    )


def _how(photo: PhotoResult) -> HowScaled:
    """Return what gives a photo again the scale, and without a card the window, that it was measured with."""
    scale = photo.scale
    if scale is None or scale.source in {"card", "scanner"}:
        return HowScaled()
    by: By = ByStated(scale.um_per_px)
    if scale.source == "rule":
        by = ByRule()
    elif scale.source == "points":
        by = same_scale(scale.um_per_px, scale.um_per_px_rel_u)
    return HowScaled(by, given_window(photo.window_px))


def renamed(analysis: Analysis, names: dict[str, tuple[str, str]]) -> Analysis:
    """Return the analysis with its stored photos under the names and hashes that they came with."""
    photos = tuple(
        replace(photo, file=names[photo.sha256][0], sha256=names[photo.sha256][1])
        if photo.sha256 in names
        else photo
        for photo in analysis.photos
    )
    return replace(analysis, photos=photos)


def add_photos(
    record: Record, number: int, analysis: Analysis, photos: Sequence[Path], key: str
) -> SavedSample:
    """Add photos to a sample with the analysis of all of them: all of it or nothing.

    The earlier analyses stay. What was put right in the last one goes along where the same piece, or the same
    photo, is in the new one. Added again under the same `key`, nothing changes.
    """
    held = [(path.name, read_file(path)) for path in photos]
    kept = [(name, record.photos.keep(data), len(data)) for name, data in held]
    with record.writing() as session:
        sample = sample_row(session, number)
        if session.scalar(select(AnalysisRow.id).where(AnalysisRow.uuid == key)) is None:
            before = analysis_row(session, number)
            _attach(session, sample, kept)
            check_same(analysis, {each.photo.sha256 for each in sample.photos})
            if len(analysis.photos) < sum(each.role == "debris" for each in sample.photos):
                raise UserError("Another photo was added meanwhile; add yours again.")
            row = new_analysis(analysis)
            row.uuid = key
            _carry_over(before, row)
            sample.analyses.append(row)
            session.flush()
        return saved_sample(sample)


def _attach(session: Session, sample: SampleRow, photos: Sequence[tuple[str, str, int]]) -> None:
    there = {each.photo.sha256 for each in sample.photos}
    position = 1 + max(each.position for each in sample.photos)
    for place, (name, sha256, size) in enumerate(photos, start=position):
        if sha256 in there:
            raise UserError("That photo is in this sample already; take another one.")
        photo = photo_row(session, sha256, sha256, size)
        sample.photos.append(
            SamplePhotoRow(position=place, photo=photo, role="debris", file=short_name(name))
        )


def _carry_over(before: AnalysisRow, after: AnalysisRow) -> None:
    """Give the new analysis the corrections and areas of the last one that still have their place in it."""
    old, new = unpack(before.details), unpack(after.details)
    now_at = {photo.sha256: index for index, photo in enumerate(new.photos)}
    places = [now_at.get(photo.sha256) for photo in old.photos]
    again = corrected.found_again(old, new)
    for each in before.corrections:
        if each.particle in again:
            copy = corrected.again(each)
            copy.particle = again[each.particle]
            after.corrections.append(copy)
    for area in areas_of(before):
        place = places[area.photo]
        if place is not None and new.photos[place].counted:
            row = area_row(replace(area, photo=place), len(after.areas) + 1)
            row.made_at = area.made_at or row.made_at
            after.areas.append(row)
