"""Operations on what a technician puts right: kinds, pieces and areas left out."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

from sqlalchemy import func, select

from triage.debris import confirmed
from triage.debris.confirmed import Confirmed, confirm, load
from triage.debris.particles import KINDS, ParticleTable
from triage.errors import UserError
from triage.record.areas import area_row, areas_of, checked, next_area
from triage.record.corrected import corrections_of, found_again, last_words
from triage.record.details import unpack
from triage.record.entries import Correction, LeftOut, clean_text
from triage.record.look_back import state_beside
from triage.record.machine_book import analysis_row, sample_row
from triage.record.opening import Record
from triage.record.tables import AnalysisRow, AreaRow, CorrectionRow


@dataclass(frozen=True)
class SampleState:
    """What a sample's findings follow from in the record: while it is the same, so are they."""

    analysis: int
    last_correction: int
    last_area: int
    beside: tuple[object, ...]  # machine, visit, the machine's earlier samples


def state_of(record: Record, number: int) -> SampleState:
    """Return a sample's state, without reading what was measured; UserError where there is no such sample."""
    with record.reading() as session:
        sample = sample_row(session, number)
        newest = session.scalar(select(func.max(AnalysisRow.id)).where(AnalysisRow.sample_id == number)) or 0
        last, area = (
            session.scalar(select(func.max(table.id)).where(table.analysis_id == newest)) or 0
            for table in (CorrectionRow, AreaRow)
        )
        return SampleState(newest, last, area, state_beside(session, sample))


def correct(record: Record, number: int, correction: Correction) -> tuple[Correction, ...]:
    """Add a correction to a sample's newest analysis; returns all of that analysis, in order.

    UserError where there is no such particle or kind, or nobody is named.
    """
    who = clean_text(correction.who, "who")
    if who is None:
        raise UserError("Give the initials of who corrects this.")
    if correction.action not in {"kind", "reject", "restore"}:
        raise UserError(f"A correction is kind, reject or restore, not {correction.action}.")
    if (correction.action == "kind") != (correction.kind is not None):
        raise UserError("Name the kind where the kind is corrected, and only there.")
    if correction.kind is not None and correction.kind not in KINDS:
        raise UserError(f"{correction.kind} is no kind of debris; choose from {', '.join(KINDS)}.")
    with record.writing() as session:
        row = analysis_row(session, number)
        _check_known(row, correction.particle)
        row.corrections.append(
            CorrectionRow(
                particle=correction.particle, action=correction.action, kind=correction.kind, who=who
            )
        )
        session.flush()
        return corrections_of(row)


def learn(record: Record, number: int, correction: Correction) -> Confirmed:
    """Keep a particle as a confirmed piece of its kind, to be learnt from; returns all that are confirmed.

    The kind is corrected too. UserError as `correct`, and where the particle has no colour to learn from.
    """
    if clean_text(correction.who, "who") is None:
        raise UserError("Give the initials of who says so.")
    with record.reading() as session:
        table = unpack(analysis_row(session, number).details).particles
    rows = table[table["id"] == correction.particle]
    if not len(rows):
        raise UserError(f"Sample {number} has no particle {correction.particle}.")
    confirm(rows, correction.kind or "")
    correct(record, number, correction)
    return load()


def forget(record: Record, number: int, particle: int, who: str) -> Confirmed:
    """Take back the kind given to a particle: the photo's own stands again, nothing is learnt from the piece.

    Returns all that are still confirmed. UserError where no kind was given to it, or nobody is named.
    """
    named = clean_text(who, "who")
    if named is None:
        raise UserError("Give the initials of who takes this back.")
    with record.writing() as session:
        row = analysis_row(session, number)
        _check_known(row, particle)
        gone = sum(map(confirmed.forget, _always(row, particle)))
        if not gone and particle not in last_words(corrections_of(row))[0]:
            raise UserError(f"Piece {particle} was given no kind by hand, so there is nothing to forget.")
        row.corrections.append(CorrectionRow(particle=particle, action="forget", who=named))
        session.flush()
    return load()


def _always(row: AnalysisRow, particle: int) -> list[ParticleTable]:
    """Return the particle's row in every analysis of its sample: any of them may have been confirmed."""
    now = unpack(row.details)
    this = replace(now, particles=now.particles[now.particles["id"] == particle])
    every = [unpack(each.details) for each in row.sample.analyses]
    ids = [found_again(this, each).get(particle) for each in every]
    return [each.particles[each.particles["id"] == its] for each, its in zip(every, ids, strict=True)]


def _check_known(row: AnalysisRow, particle: int) -> None:
    known = {each["id"] for each in json.loads(row.result)["particles"]}
    if particle not in known:
        raise UserError(f"Sample {row.sample_id} has no particle {particle}.")


def corrections(record: Record, number: int) -> tuple[Correction, ...]:
    """Return the corrections of a sample's newest analysis, in the order they were made."""
    with record.reading() as session:
        return corrections_of(analysis_row(session, number))


def leave_out(record: Record, number: int, area: LeftOut) -> tuple[LeftOut, ...]:
    """Leave an area out of a sample's newest analysis; returns all that are left out of it.

    UserError where it lies outside the photo, leaves nothing, or nobody is named.
    """
    with record.writing() as session:
        row = analysis_row(session, number)
        area = checked(area, unpack(row.details), areas_of(row))
        row.areas.append(area_row(area, next_area(row)))
        session.flush()
        return areas_of(row)


def restore_area(record: Record, number: int, area: int, who: str) -> tuple[LeftOut, ...]:
    """Count an area again; returns those that are still left out. UserError where it is not left out."""
    named = clean_text(who, "who")
    if named is None:
        raise UserError("Give the initials of who counts this area again.")
    with record.writing() as session:
        row = analysis_row(session, number)
        if area not in {each.area for each in areas_of(row)}:
            raise UserError(f"Sample {number} has no area {area} that is left out.")
        row.areas.append(AreaRow(area=area, action="restore", who=named))
        session.flush()
        return areas_of(row)


def areas(record: Record, number: int) -> tuple[LeftOut, ...]:
    """Return the areas that are left out of a sample's newest analysis, in the order they were drawn."""
    with record.reading() as session:
        return areas_of(analysis_row(session, number))
