"""Debris made by hand put through the whole of the advice, for tests: no photo behind it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from calibration.photo_check import Problem
from tests.triage.tables import round_grains
from triage.advice import Advice, advise
from triage.advice_sample import Evidence
from triage.analysis import Sample
from triage.consequences import consequences
from triage.debris.particles import ParticleTable, empty_table
from triage.filters import Filter, load_filters, packaged_list
from triage.sizing import passing_shares, size_distribution
from triage.sizing.compare import Comparison, DebrisSample, compare

SCALE_U = 0.003
LIMIT_UM = 30.0


def lots(recipe: Sequence[Mapping[str, Any]], limit_um: float = LIMIT_UM) -> ParticleTable:
    """Return a table of lots of pieces, each `count` of one `kind`, `from_um` to `to_um` evenly in ratio."""
    tables = [empty_table()]
    for lot in recipe:
        table = round_grains(np.geomspace(lot["from_um"], lot["to_um"], lot["count"]), limit_um=limit_um)
        table["kind"] = lot["kind"]
        if "length_um" in lot:
            table["length_um"] = table["feret_max_um"] = lot["length_um"]
        tables.append(table)
    return np.concatenate(tables)


def evidence(
    table: ParticleTable,
    sample: Sample,
    *,
    limit_um: float = LIMIT_UM,
    problems: tuple[Problem, ...] = (),
    filters: tuple[Filter, ...] | None = None,
    comparison: Comparison | None = None,
) -> Evidence:
    """Return what the advice is given, worked out from the table as it is from a photo."""
    filters = filters or load_filters(packaged_list())
    sizes = size_distribution(table, limit_um)
    refused = any(problem.fatal for problem in problems)
    return Evidence(
        table=table,
        sizes=sizes,
        passing=() if refused else passing_shares(table, filters, limit_um, SCALE_U),
        sample=sample,
        problems=problems,
        filters=filters,
        further=None if refused else consequences(table, sizes, sample, filters, SCALE_U),
        comparison=comparison,
    )


def compared(
    before: ParticleTable, after: ParticleTable, hours: float, sample: Sample, limit_um: float = LIMIT_UM
) -> Comparison:
    """Return the comparison of an earlier lot with this one."""
    exposures = ({"hours": hours}, {"hours": sample.hours} if sample.hours else {})
    sides = []
    for name, table, known in zip(("before", "after"), (before, after), exposures, strict=True):
        size, kind = table["ecd_um"], table["kind"]
        sides.append(DebrisSample(name, limit_um, size, kind, {"hour": known["hours"]} if known else {}))
    return compare([sides[0]], [sides[1]])


def everything_said(advice: Advice) -> list[str]:
    """Return every sentence that a user may read, one string each field."""
    lines = [advice.headline, *advice.cautions, *advice.bench_tests]
    for action in advice.actions:
        lines += [action.text, *action.because, action.confidence, action.would_change, *action.cautions]
    return lines


def advise_on(table: ParticleTable, sample: Sample, **more: Any) -> Advice:
    """Return the advice on a table of pieces."""
    return advise(evidence(table, sample, **more))
