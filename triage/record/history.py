"""A machine's history in numbers: how much, how big and of what kinds, sample after sample.

All samples are counted over the sizes that every one of their photos can size, so that a better camera does
not look like more debris.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import undefer

from triage.analysis import as_photographed, sized_from_um
from triage.record.corrected import corrected
from triage.record.details import Measured
from triage.record.entries import Machine
from triage.record.look_back import day_of
from triage.record.machine_book import machine_entry, machine_row
from triage.record.opening import Record
from triage.record.tables import AnalysisRow, SampleRow
from triage.sizing import size_distribution


@dataclass(frozen=True)
class HistoryRow:
    """One sample of a machine, corrections applied; counts and sizes are of pieces of at least `from_um`.

    `count_low` and `count_high` are 95 % limits from counting alone (Poisson); two samples of one tank
    differ by more. `in_all` is the count over the part of the debris that was photographed. Hours, months
    and litres are since the last filter change: of the sample, or of its visit.
    """

    sample: int
    visit: int | None
    day: date
    work_order: str | None
    origin: str | None
    hours: float | None
    months: float | None
    litres: float | None
    volume_ml: float | None
    count: int
    count_low: float
    count_high: float
    in_all: float
    median_um: float | None
    kinds: dict[str, int]
    headline: str


@dataclass(frozen=True)
class History:
    """A machine's samples, the first one first, all counted from the same size on."""

    machine: Machine
    from_um: float
    rows: tuple[HistoryRow, ...]


def history(record: Record, unit: str) -> History:
    """Return the history of a machine; UserError where there is no such machine."""
    with record.reading() as session:
        machine = machine_row(session, unit)
        wanted = select(SampleRow).where(SampleRow.machine_id == machine.id).order_by(SampleRow.id)
        taken = []
        for sample in session.scalars(wanted):
            newest = session.scalars(
                select(AnalysisRow)
                .where(AnalysisRow.sample_id == sample.id)
                .order_by(AnalysisRow.id.desc())
                .limit(1)
                .options(undefer(AnalysisRow.details))
            ).one()
            taken.append((sample, newest.headline, corrected(newest)))
        from_um = max((sized_from_um(measured.photos) for _, _, measured in taken), default=0.0)
        rows = [_row(*each, from_um) for each in taken]
        return History(machine_entry(machine), from_um, tuple(sorted(rows, key=lambda row: row.day)))


def _row(sample: SampleRow, headline: str, measured: Measured, from_um: float) -> HistoryRow:
    sizes = size_distribution(measured.particles, from_um)
    table, visit = measured.particles, sample.visit
    said = as_photographed(measured.sample, measured.photos)
    counted = table[(table["weight"] > 0) & ~table["below_sizing_limit"] & (table["ecd_um"] >= from_um)]
    hours, months, litres = (
        getattr(said, name) if getattr(said, name) is not None or visit is None else getattr(visit, name)
        for name in ("hours", "months", "litres")
    )
    return HistoryRow(
        sample=sample.id,
        visit=sample.visit_id,
        day=day_of(sample),
        work_order=visit.work_order if visit else None,
        origin=said.origin,
        hours=hours,
        months=months,
        litres=litres,
        volume_ml=said.volume_ml,
        count=sizes.count,
        count_low=sizes.count_low,
        count_high=sizes.count_high,
        in_all=sizes.count / (said.fraction or 1.0),
        median_um=sizes.by_count.d50_um,
        kinds=dict(Counter(np.asarray(counted["kind"]).tolist()).most_common()),
        headline=headline,
    )
