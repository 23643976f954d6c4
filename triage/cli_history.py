"""What the service record knows of a machine: its set-up, an earlier sample, the trend over all of them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from triage.errors import UserError

if TYPE_CHECKING:
    from triage.analysis import Sample
    from triage.earlier import Earlier
    from triage.record.entries import Machine, SavedSample
    from triage.record.opening import Record
    from triage.sizing.compare import DebrisSample

SET_UP = {
    "feed": "feed",
    "fuel": "fuel",
    "installed_um": "rating of the filter",
    "element": "its element",
    "head_mm": "height of the tank",
    "power_kw": "power",
}
SINCE_CHANGE = ("hours", "months", "litres")  # told of a sample, else of its visit
LOOKED_BACK = 20  # samples
SHORTEST_DAYS = 60  # from the first sample to the last: less says nothing of a year
TREND_WORDS = {
    "rising": "rising",
    "falling": "falling",
    "no_trend_shown": "no trend shown",
    "too_little_to_tell": "too few pieces to tell a trend",
}


def recalled(sample: Sample, photos: Sequence[Path]) -> tuple[Sample, Earlier | None]:
    """Return the sample with what the record knows of its machine filled in, and an earlier one of it.

    Nothing is made: without a record, nothing is known. One that cannot be read is told on standard error.
    """
    if sample.machine is None:
        return sample, None
    from triage.earlier import Earlier
    from triage.record.book import known_machine
    from triage.record.opening import open_record, record_is_there

    try:
        if record_is_there():
            with open_record() as record:
                machine = known_machine(record, sample.machine)
                if machine is not None:
                    return _of_machine(record, machine, sample, photos)
    except UserError as error:
        typer.echo(f"No earlier sample was looked for: {error}", err=True)
        return sample, Earlier(None, "The service record could not be read, so nothing was compared.")
    return sample, Earlier(None, _none(sample.machine))


def _of_machine(
    record: Record, machine: Machine, sample: Sample, photos: Sequence[Path]
) -> tuple[Sample, Earlier]:
    from triage.earlier import Earlier
    from triage.kept_spread import kept_spread

    known = _set_up(sample, machine)
    names = ", ".join(SET_UP[name] for name in known)
    sample = replace(sample, machine=machine.unit, machine_type=machine.type, **known)
    found, others = _latest_alike(record, sample, _hashes(photos))
    why_none = "" if found else _unlike(machine.unit, others) if others else _none(machine.unit)
    taken = f"Taken from the service record: {names}." if names else ""
    return sample, Earlier(found, why_none, taken, kept_spread()[0])


def _set_up(sample: Sample, machine: Machine) -> dict[str, Any]:
    """What the record says and nobody said now; an element belongs to the rating beside it."""
    names = [name for name in SET_UP if getattr(sample, name) is None]
    if sample.installed_um is not None and sample.installed_um != machine.installed_um:
        names = [name for name in names if name != "element"]
    return {name: getattr(machine, name) for name in names if getattr(machine, name) is not None}


def _none(unit: str) -> str:
    return f"The service record holds no earlier sample of {unit} to compare with."


def _unlike(unit: str, others: int) -> str:
    held = "the earlier sample" if others == 1 else f"{others} earlier samples"
    return f"The service record holds {held} of {unit}, but from another place or taken another way."


def _hashes(photos: Sequence[Path]) -> frozenset[str]:
    """SHA-256 of each photo; what cannot be read is told where the photos are opened."""
    found = set()
    for path in photos:
        with suppress(OSError):
            found.add(hashlib.sha256(path.read_bytes()).hexdigest())
    return frozenset(found)


def _latest_alike(record: Record, sample: Sample, photos: frozenset[str]) -> tuple[DebrisSample | None, int]:
    """Return the last saved sample from the same place, taken the same way; and how many came after it."""
    from triage.record.book import samples

    others = 0
    for saved in samples(record, sample.machine, LOOKED_BACK):
        if photos & {photo.sha256 for photo in saved.photos if photo.role == "debris"}:
            continue  # this very sample, saved before
        _, found = _as_sample(record, saved)
        if (found.origin, found.method) == (sample.origin, sample.method):
            return found, others
        others += 1
    return None, others


def trend_words(record: Record, unit: str) -> str:
    """Say whether a machine's debris gets more or less, over its samples taken like the last; or nothing."""
    from triage.kept_spread import kept_spread
    from triage.rate_words import PER_WORDS, times
    from triage.record.book import samples
    from triage.report.words import ORIGIN_WORDS, size
    from triage.sizing.trend import sample_trend

    every = [_as_sample(record, saved) for saved in samples(record, unit, LOOKED_BACK)]
    alike = [
        (day, sample)
        for day, sample in every
        if (sample.origin, sample.method) == (every[0][1].origin, every[0][1].method)
    ]
    days = [day for day, _ in alike]
    if not days or (max(days) - min(days)).days < SHORTEST_DAYS:
        return ""
    found = sample_trend(sorted(alike, key=lambda each: each[0]), kept_spread()[0])
    where = ORIGIN_WORDS.get(alike[0][1].origin or "", "taken alike")
    said = f"Over {found.visits} samples {where}: {TREND_WORDS[found.verdict]}"
    if found.per_year is None or found.per is None or found.sizes_from_um is None:
        return f"{said}."
    over = f"pieces over {size(found.sizes_from_um)} per {PER_WORDS[found.per]}"
    return f"{said}; {over}, each year {times(found.per_year)}.".replace("µ", "u")


def _as_sample(record: Record, saved: SavedSample) -> tuple[date, DebrisSample]:
    from triage.record.book import find_visit, result_of
    from triage.report.reading import sample_of

    result, day = result_of(record, saved.number), saved.analysed_on
    if saved.visit is not None:
        visit = find_visit(record, saved.visit)
        told = {name: getattr(visit, name) for name in SINCE_CHANGE if result["sample"].get(name) is None}
        result, day = {**result, "sample": {**result["sample"], **told}}, visit.visited_on
    return day, sample_of(result, f"sample {saved.number} of {day.day} {day:%B %Y}")
