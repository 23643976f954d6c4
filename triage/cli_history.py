"""What the service record knows of a machine, before its photos are measured: set-up and earlier sample."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from triage.errors import UserError

if TYPE_CHECKING:
    from triage.analysis import Sample
    from triage.earlier import Earlier
    from triage.record.entries import Machine
    from triage.record.opening import Record

SET_UP_WORDS = {
    "feed": "feed",
    "fuel": "fuel",
    "installed_um": "rating of the filter",
    "element": "its element",
    "head_mm": "height of the tank",
    "power_kw": "power",
}


def recalled(sample: Sample, photos: Sequence[Path]) -> tuple[Sample, Earlier | None]:
    """Return the sample with what the record knows of its machine filled in, and an earlier one of it.

    Nothing is made: without a record, nothing is known. One that cannot be read is told on standard error.
    """
    if sample.machine is None:
        return sample, None
    from triage.earlier import Earlier
    from triage.record.book import known_machine, open_record
    from triage.record.look_back import why_none
    from triage.record.opening import record_is_there

    try:
        if record_is_there():
            with open_record() as record:
                machine = known_machine(record, sample.machine)
                if machine is not None:
                    return _of_machine(record, machine, sample, photos)
    except UserError as error:
        typer.echo(f"No earlier sample was looked for: {error}", err=True)
        return sample, Earlier(None, "The service record could not be read, so nothing was compared.")
    return sample, Earlier(None, why_none(sample.machine))


def _of_machine(
    record: Record, machine: Machine, said: Sample, photos: Sequence[Path]
) -> tuple[Sample, Earlier]:
    from triage.record.book import Now, look_back, with_set_up

    sample = with_set_up(said, machine)
    found = look_back(record, machine.unit, Now(date.today(), sample, _hashes(photos)))
    names = [words for name, words in SET_UP_WORDS.items() if getattr(sample, name) != getattr(said, name)]
    taken = f"Taken from the service record: {', '.join(names)}." if names else ""
    return sample, replace(found, taken=taken)


def _hashes(photos: Sequence[Path]) -> frozenset[str]:
    """SHA-256 of each photo; what cannot be read is told where the photos are opened."""
    found = set()
    for path in photos:
        with suppress(OSError):
            found.add(hashlib.sha256(path.read_bytes()).hexdigest())
    return frozenset(found)
