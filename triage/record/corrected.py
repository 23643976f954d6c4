"""What was measured with a technician's corrections applied, and without the areas left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from triage.debris.particles import ParticleTable
from triage.debris.shape import strip_length_and_width
from triage.record.areas import areas_of, without_areas
from triage.record.details import Measured, unpack
from triage.record.entries import Correction
from triage.record.tables import AnalysisRow, CorrectionRow

SAME_PX = 2.0  # a piece found again lies no farther from its old place


def corrected(row: AnalysisRow) -> Measured:
    """Return what an analysis measured, with everything applied that a technician has said of it."""
    return without_areas(with_corrections(unpack(row.details), corrections_of(row)), areas_of(row))


def corrections_of(row: AnalysisRow) -> tuple[Correction, ...]:
    """Return the corrections of an analysis, in the order they were made."""
    return tuple(
        Correction(each.particle, each.action, each.kind, each.who, each.made_at) for each in row.corrections
    )


def again(row: CorrectionRow) -> CorrectionRow:
    """Return a copy of a correction for another analysis of the same particles."""
    return CorrectionRow(
        particle=row.particle, action=row.action, kind=row.kind, who=row.who, made_at=row.made_at
    )


def found_again(old: Measured, new: Measured) -> dict[int, int]:
    """Return the new id of each old particle that lies at the same place of the same photo."""
    now_at = {photo.sha256: index for index, photo in enumerate(new.photos)}
    places = [now_at.get(photo.sha256, -1) for photo in old.photos]
    found = {}
    for row in old.particles:
        there = np.flatnonzero(new.particles["photo"] == places[int(row["photo"])])
        if not len(there):
            continue
        apart = np.hypot(
            new.particles["x_px"][there] - row["x_px"], new.particles["y_px"][there] - row["y_px"]
        )
        nearest = int(np.argmin(apart))
        if apart[nearest] <= SAME_PX:
            found[int(row["id"])] = int(new.particles["id"][there[nearest]])
    return found


def last_words(corrections: Sequence[Correction]) -> tuple[dict[int, str], set[int]]:
    """Return the kind given to each particle, and the particles left out; of each the last word counts."""
    kinds: dict[int, str] = {}
    rejected: set[int] = set()
    for each in corrections:
        if each.action == "kind" and each.kind:
            kinds[each.particle] = each.kind
        elif each.action == "forget":
            kinds.pop(each.particle, None)
        elif each.action == "reject":
            rejected.add(each.particle)
        else:
            rejected.discard(each.particle)
    return kinds, rejected


def with_corrections(measured: Measured, corrections: Sequence[Correction]) -> Measured:
    """Return it without rejected particles and with the kinds given; particles keep their ids."""
    if not corrections:
        return measured
    kinds, rejected = last_words(corrections)
    table = measured.particles.copy()
    for index in np.flatnonzero(np.isin(table["id"], list(kinds))):
        _rename(table, int(index), kinds[int(table["id"][index])], measured)
    keep = ~np.isin(table["id"], list(rejected))
    outlines = tuple(outline for outline, kept in zip(measured.outlines, keep, strict=True) if kept)
    return replace(measured, particles=table[keep], outlines=outlines)


def _rename(table: ParticleTable, index: int, kind: str, measured: Measured) -> None:
    """Give a particle its kind, the technician being sure; a fibre is measured along, all else across."""
    row = table[index]
    was = str(row["kind"])
    table["kind"][index], table["kind_confidence"][index] = kind, 1.0
    if (was == "fibre") == (kind == "fibre"):
        return
    length, width = row["feret_max_um"], row["feret_min_um"]
    if kind == "fibre":
        length, width = strip_length_and_width(row["area_um2"], row["perimeter_um"])
    table["length_um"][index], table["width_um"][index] = length, width
    limits = measured.photos[int(row["photo"])].limits
    least = limits.smallest_sized_um if limits else 0.0
    if row["below_sizing_limit"]:  # its bound does not hang on its kind
        return
    narrow = width < least
    table["passing_size_um"][index] = np.nan if narrow else width
    table["passing_below_um"][index] = least if narrow else np.nan
