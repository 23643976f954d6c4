"""Operations on machines and service visits."""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from triage.errors import UserError
from triage.record.entries import (
    Machine,
    MachineSummary,
    ServiceVisit,
    clean_unit,
    cleaned,
    joined,
    parted,
    unit_key,
)
from triage.record.opening import Record
from triage.record.tables import AnalysisRow, MachineRow, SampleRow, VisitRow


def save_machine(record: Record, machine: Machine) -> Machine:
    """Add a machine (`number` None), or change the one of that number; returns it with its number.

    UserError where the unit number is another machine's already.
    """
    machine = replace(cleaned(machine), unit=clean_unit(machine.unit))
    with record.writing() as session:
        holder = session.scalar(select(MachineRow).where(MachineRow.unit_key == unit_key(machine.unit)))
        if holder is not None and holder.id != machine.number:
            raise UserError(f"There is a machine {holder.unit} already; give another unit number.")
        row = MachineRow() if machine.number is None else session.get(MachineRow, machine.number)
        if row is None:
            raise UserError(f"There is no machine of number {machine.number}.")
        for name, value in asdict(machine).items():
            if name != "number":
                setattr(row, name, value)
        row.unit_key = unit_key(machine.unit)
        session.add(row)
        session.flush()
        return machine_entry(row)


def find_machine(record: Record, unit: str) -> Machine:
    """Return the machine of a unit number; UserError where there is none."""
    with record.reading() as session:
        return machine_entry(machine_row(session, unit))


def known_machine(record: Record, unit: str) -> Machine | None:
    """Return the machine of a unit number, None where the record has none."""
    with record.reading() as session:
        row = session.scalar(select(MachineRow).where(MachineRow.unit_key == unit_key(unit)))
        return machine_entry(row) if row is not None else None


def machines(record: Record) -> tuple[MachineSummary, ...]:
    """Return all machines by unit number, and how much the record holds of each."""
    with record.reading() as session:
        found = session.execute(
            select(MachineRow, func.count(SampleRow.id), func.max(SampleRow.saved_at))
            .outerjoin(SampleRow, SampleRow.machine_id == MachineRow.id)
            .group_by(MachineRow.id)
            .order_by(MachineRow.unit_key)
        )
        return tuple(MachineSummary(machine_entry(row), count, last) for row, count, last in found)


def save_visit(record: Record, unit: str, visit: ServiceVisit) -> ServiceVisit:
    """Add a visit (`number` None) of a machine, or change the one of that number; returns it."""
    visit = cleaned(visit)
    with record.writing() as session:
        machine = machine_row(session, unit)
        row = VisitRow(machine_id=machine.id) if visit.number is None else visit_row(session, visit.number)
        if row.machine_id != machine.id:
            raise UserError(f"Visit {visit.number} is not one of machine {machine.unit}.")
        for name, value in asdict(visit).items():
            if name not in {"number", "unit"}:
                setattr(row, name, joined(value) if name == "noticed" else value)
        session.add(row)
        session.flush()
        return _visit(row, machine.unit)


def find_visit(record: Record, number: int) -> ServiceVisit:
    """Return the visit of that number; UserError where there is none."""
    with record.reading() as session:
        row = visit_row(session, number)
        return _visit(row, row.machine.unit)


def visits(record: Record, unit: str) -> tuple[ServiceVisit, ...]:
    """Return a machine's visits, the first one first."""
    with record.reading() as session:
        machine = machine_row(session, unit)
        rows = session.scalars(
            select(VisitRow)
            .where(VisitRow.machine_id == machine.id)
            .order_by(VisitRow.visited_on, VisitRow.id)
        )
        return tuple(_visit(row, machine.unit) for row in rows)


def attach_sample(record: Record, number: int, *, unit: str | None = None, visit: int | None = None) -> None:
    """Put a sample under a visit and its machine, or under a machine alone (made where it is unknown)."""
    with record.writing() as session:
        sample = sample_row(session, number)
        place(session, sample, unit, visit)


def place(session: Session, sample: SampleRow, unit: str | None, visit: int | None) -> None:
    """Set a sample's machine and visit; UserError where the visit is another machine's."""
    machine = None
    if visit is not None:
        row = visit_row(session, visit)
        machine = row.machine
        if unit is not None and unit_key(unit) != machine.unit_key:
            raise UserError(f"Visit {visit} is one of machine {machine.unit}, not of {unit}.")
    elif unit is not None:
        machine = machine_or_new(session, unit)
    sample.machine, sample.visit_id = machine, visit


def machine_or_new(session: Session, unit: str) -> MachineRow:
    """Return the machine of a unit number, adding it where it is unknown."""
    row = session.scalar(select(MachineRow).where(MachineRow.unit_key == unit_key(unit)))
    if row is None:
        row = MachineRow(unit=clean_unit(unit), unit_key=unit_key(unit))
        session.add(row)
        session.flush()
    return row


def machine_row(session: Session, unit: str) -> MachineRow:
    """Return the machine of a unit number; UserError where there is none."""
    row = session.scalar(select(MachineRow).where(MachineRow.unit_key == unit_key(unit)))
    if row is None:
        raise UserError(f"There is no machine {clean_unit(unit)} in the record; list them, or add it.")
    return row


def visit_row(session: Session, number: int) -> VisitRow:
    """Return the visit of that number; UserError where there is none."""
    row = session.get(VisitRow, number) if 0 < number < 2**31 else None
    if row is None:
        raise UserError(f"There is no visit {number} in the record; a machine's history shows its visits.")
    return row


def sample_row(session: Session, number: int) -> SampleRow:
    """Return the sample of that number; UserError where there is none."""
    row = session.get(SampleRow, number) if 0 < number < 2**31 else None
    if row is None:
        raise UserError(f"There is no saved sample {number}; a machine's history shows their numbers.")
    return row


def analysis_row(session: Session, number: int) -> AnalysisRow:
    """Return the newest analysis of a sample; UserError where there is none."""
    sample_row(session, number)
    newest = select(AnalysisRow).where(AnalysisRow.sample_id == number).order_by(AnalysisRow.id.desc())
    row = session.scalar(newest.limit(1))
    if row is None:
        raise UserError(f"Sample {number} has no analysis; check the record.")
    return row


def machine_entry(row: MachineRow) -> Machine:
    """Return a machine as handed out."""
    names = {field.name for field in fields(Machine)} - {"number"}
    return Machine(**_values(row, names), number=row.id)


def _visit(row: VisitRow, unit: str) -> ServiceVisit:
    names = {field.name for field in fields(ServiceVisit)} - {"number", "unit", "noticed"}
    return ServiceVisit(**_values(row, names), noticed=parted(row.noticed), unit=unit, number=row.id)


def _values(row: Any, names: set[str]) -> dict[str, Any]:
    return {name: getattr(row, name) for name in names}
