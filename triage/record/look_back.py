"""A sample beside its machine: what machine and visit say of it, the machine's earlier sample, the trend.

Earlier are the samples of a day before its own, the day being the visit's, else the first analysis's. Of two
samples of one day nobody knows which came first, and two phones may have taken the same debris.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from triage.analysis import Sample, as_photographed, sized_from_um
from triage.earlier import Earlier, debris_sample
from triage.errors import UserError
from triage.kept_spread import kept_spread
from triage.rate_words import PER_WORDS, times
from triage.record.corrected import corrected
from triage.record.details import Measured
from triage.record.entries import Machine, parted
from triage.record.machine_book import machine_row
from triage.record.opening import Record
from triage.record.tables import AnalysisRow, MachineRow, SampleRow, VisitRow
from triage.report.words import ORIGIN_WORDS, size
from triage.sizing.compare import DebrisSample
from triage.sizing.trend import sample_trend

SET_UP = ("feed", "fuel", "installed_um", "element", "head_mm", "power_kw")
OF_VISIT = ("hours", "months", "litres", "fuel_age_months")  # told of a sample, else of its visit
LOOKED_BACK = 20  # samples
SHORTEST_DAYS = 60  # from the first sample to the last: less says nothing of a year
TREND_WORDS = {
    "rising": "more debris as time goes on",
    "falling": "less debris as time goes on",
    "no_trend_shown": "no trend shown",
    "too_little_to_tell": "too few pieces to tell a trend",
}


@dataclass(frozen=True)
class Now:
    """A sample to look back from: its day, what was said of it, the SHA-256 of its photos."""

    day: date
    sample: Sample
    photos: frozenset[str]


def with_set_up(sample: Sample, machine: Machine) -> Sample:
    """Return the sample as of that machine, with what the record says of it where nobody said it now."""
    names = [name for name in SET_UP if getattr(sample, name) is None]
    if sample.installed_um is not None and sample.installed_um != machine.installed_um:
        names = [name for name in names if name != "element"]  # it belongs to the rating beside it
    known: dict[str, Any] = {name: getattr(machine, name) for name in names}
    return replace(sample, machine=machine.unit, machine_type=machine.type, **known)


def look_back(record: Record, unit: str, now: Now) -> Earlier:
    """Return the machine's earlier sample to compare with: the last one from the same place, taken alike."""
    with record.reading() as session:
        return _earlier(session, machine_row(session, unit), now)


def drawn_from(session: Session, row: AnalysisRow) -> tuple[Measured, Earlier | None]:
    """Return what conclusions are drawn from: all that was put right, machine, visit, earlier sample."""
    measured = corrected(row)
    sample = _said(row.sample, measured.sample)
    return replace(measured, sample=sample), earlier_of(session, row.sample, sample)


def earlier_of(session: Session, row: SampleRow, said: Sample) -> Earlier | None:
    """Return the earlier sample beside a saved one of which this is said; None where it has no machine."""
    if row.machine is None:
        return None
    photos = frozenset(each.photo.sha256 for each in row.photos)
    return _earlier(session, row.machine, Now(day_of(row), said, photos))


def state_beside(session: Session, row: SampleRow) -> tuple[object, ...]:
    """Return what else a sample's findings follow from: machine, visit, earlier samples as they are now."""
    if row.machine is None:
        return ()
    before, same_day = _before(session, row.machine, day_of(row))
    others = tuple((each.id, _visit_state(each.visit), *_newest_state(each)) for each in before)
    return row.machine.unit, row.machine.type, _visit_state(row.visit), others, len(same_day)


def saved_debris(record: Record, number: int) -> DebrisSample:
    """Return a saved sample as it is compared: corrections applied, with what its visit says of it."""
    from triage.record.machine_book import sample_row

    with record.reading() as session:
        return debris_of(sample_row(session, number))


def debris_of(row: SampleRow) -> DebrisSample:
    """Return a sample as it is compared."""
    measured, day = corrected(row.analyses[-1]), day_of(row)
    found = debris_sample(
        f"sample {row.id} of {day.day} {day:%B %Y}",
        measured.particles,
        sized_from_um(measured.photos),
        _said(row, as_photographed(measured.sample, measured.photos)),
    )
    return replace(
        found,
        method_version=measured.method_version,
        photos=frozenset(photo.sha256 for photo in measured.photos),
        blank_ok=measured.blank.ok if measured.blank else True,
    )


def day_of(row: SampleRow) -> date:
    """Return the day that a sample stands for: measured again later, it is no younger."""
    return row.visit.visited_on if row.visit else row.analyses[0].analysed_on


def trend_words(record: Record, unit: str) -> str:
    """Say whether a machine's debris gets more or less, over its samples taken like the last; or nothing."""
    with record.reading() as session:
        machine = machine_row(session, unit)
        rows = [row for row, _ in _dated(session, machine)][:LOOKED_BACK]
        every = [(day_of(row), debris_of(row)) for row in rows]
    alike = [(day, sample) for day, sample in every if _alike(sample, every[0][1])]
    days = [day for day, _ in alike]
    if not days or (max(days) - min(days)).days < SHORTEST_DAYS:
        return ""
    found = sample_trend(alike[::-1], kept_spread()[0])
    said = (
        f"Over {found.visits} samples {ORIGIN_WORDS[alike[0][1].origin or '']}: {TREND_WORDS[found.verdict]}"
    )
    if found.per_year is None or found.per is None or found.sizes_from_um is None:
        return f"{said}."
    over = f"pieces over {size(found.sizes_from_um)} per {PER_WORDS[found.per]}"
    return f"{said}. From one year to the next, {over}: {times(found.per_year)}."


def _earlier(session: Session, machine: MachineRow, now: Now) -> Earlier:
    """Return the last sample that is alike; one with a photo in common is this very debris, saved before."""
    before, same_day = _before(session, machine, now.day)
    others = [row for row in before if not now.photos & {each.photo.sha256 for each in row.photos}]
    if others and now.sample.origin is None:
        return Earlier(
            None, f"Say where the debris was found, and an earlier sample of {machine.unit} counts."
        )
    for row in others:
        found = debris_of(row)
        if _alike(found, now.sample):
            return _with_spread(found)
    beside = [row for row in same_day if not now.photos & {each.photo.sha256 for each in row.photos}]
    return Earlier(None, _why_none(machine.unit, len(others), bool(beside)))


def _with_spread(found: DebrisSample) -> Earlier:
    try:
        return Earlier(found, spread=kept_spread()[0])
    except UserError as error:  # costs the comparison, not the sample
        return Earlier(None, str(error))


def _alike(one: DebrisSample | Sample, other: DebrisSample | Sample) -> bool:
    """Whether both are known to come from one place, and got onto the card in one way."""
    return one.origin is not None and (one.origin, one.method) == (other.origin, other.method)


def why_none(unit: str) -> str:
    """Say that there is nothing to compare with."""
    return f"The service record holds no earlier sample of {unit} to compare with."


def _why_none(unit: str, others: int, beside: bool) -> str:
    if others:
        held = "the earlier sample" if others == 1 else f"{others} earlier samples"
        return f"The service record holds {held} of {unit}, but from another place or taken another way."
    return (
        f"{why_none(unit)} Another of the same day does not count as earlier." if beside else why_none(unit)
    )


def _before(session: Session, machine: MachineRow, day: date) -> tuple[list[SampleRow], list[SampleRow]]:
    """Return the machine's samples of earlier days, the last one first, and those of that very day."""
    rows = _dated(session, machine)
    before = [row for row, taken in rows if taken < day][:LOOKED_BACK]
    return before, [row for row, taken in rows if taken == day]


def _dated(session: Session, machine: MachineRow) -> list[tuple[SampleRow, date]]:
    """Return the machine's samples with their days, the last day first."""
    wanted = (
        select(SampleRow)
        .where(SampleRow.machine_id == machine.id)
        .options(
            selectinload(SampleRow.visit),
            selectinload(SampleRow.analyses).options(
                selectinload(AnalysisRow.corrections), selectinload(AnalysisRow.areas)
            ),
        )
    )
    rows = [(row, day_of(row)) for row in session.scalars(wanted)]
    return sorted(rows, key=lambda each: (each[1], each[0].id), reverse=True)


def _said(row: SampleRow, sample: Sample) -> Sample:
    """Return what is said of a sample, by itself, its machine, its visit."""
    known: dict[str, Any] = {"machine": None, "machine_type": None}
    if row.machine is not None:
        known = {"machine": row.machine.unit, "machine_type": row.machine.type}
    if row.visit is not None:
        told = {name: getattr(row.visit, name) for name in OF_VISIT}
        told["noticed"] = parted(row.visit.noticed)
        known |= {name: value for name, value in told.items() if getattr(sample, name) is None}
    return replace(sample, **known)


def _visit_state(visit: VisitRow | None) -> tuple[object, ...]:
    if visit is None:
        return ()
    return visit.id, visit.visited_on, visit.noticed, *(getattr(visit, name) for name in OF_VISIT)


def _newest_state(row: SampleRow) -> tuple[int, int, int]:
    newest = row.analyses[-1]
    return newest.id, _last(newest.corrections), _last(newest.areas)


def _last(rows: Iterable[Any]) -> int:
    return max((row.id for row in rows), default=0)
