"""Kills a process in the midst of its work on a service record, and looks at what is left.

The child is a fork that has everything loaded, so that a kill falls into the work and not into an import.
It says on a pipe what it has finished; nothing that it said may be lost, nothing may be there in half.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import create_engine, inspect, make_url

from tests.triage.saved import Invented
from tests.triage.servers import empty_database
from triage.record.book import load_analysis, machines, open_record, samples, save_sample
from triage.record.bring_in import bring_in
from triage.record.opening import Record
from triage.record.upkeep import check

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Work:
    """Something to be killed in: the record's address, samples to save, a zip to import."""

    url: str  # sqlite:///... or postgresql://...
    samples: tuple[Invented, ...]
    zipped: Path

    def save(self, tell: Tell) -> None:
        """Save the samples one after the other, telling each number."""
        with self._open() as record:
            for each in self.samples:
                tell(str(save_sample(record, each.analysis, [each.photo], unit="PW-07").number))

    def bring_in(self, tell: Tell) -> None:
        """Import the zip."""
        with self._open() as record:
            bring_in(record, self.zipped)
        tell("imported")

    def make(self, tell: Tell) -> None:
        """Make the database, all its migrations."""
        self._open().close()
        tell("made")

    def clear(self) -> None:
        """Leave no record there: no file, or an empty database."""
        address, name = self.url.rsplit("/", 1)
        if self._file is None:
            empty_database(address, name)
        else:
            shutil.rmtree(self._file.parent, ignore_errors=True)

    def begun(self) -> bool:
        """Whether a record was begun: its file is there, or a table of it."""
        if self._file is not None:
            return self._file.exists()
        engine = create_engine(make_url(self.url).set(drivername="postgresql+psycopg"))
        try:
            return bool(inspect(engine).get_table_names())
        finally:
            engine.dispose()

    @property
    def _file(self) -> Path | None:
        url = make_url(self.url)
        return Path(str(url.database)) if url.get_backend_name() == "sqlite" else None

    def _open(self) -> Record:
        return open_record(self.url)


def killed(work: Callable[[Tell], None], after_s: float) -> list[str]:
    """Run `work` in a fork, kill it that much later, and return what it said until then."""
    listening, telling = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(listening)
        try:
            work(lambda said: os.write(telling, f"{said}\n".encode()) and None)
        finally:
            os._exit(0)
    os.close(telling)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(listening, encoding="ascii") as pipe:
        return pipe.read().split()


def faults_after(work: Work, said: list[str], counts: set[int] | None = None) -> list[str]:
    """Return what is wrong after a kill; `counts` are the numbers of samples that may be there."""
    with open_record(work.url) as record:
        faults = [fault.message for fault in check(record)]
        there = {each.number: each for each in samples(record)}
        lost = [number for number in said if number.isdigit() and int(number) not in there]
        faults += [f"sample {number} was lost" for number in lost]
        if "imported" in said and not there:
            faults.append("the import was lost")
        if counts is not None and len(there) not in counts:
            faults.append(f"{len(there)} samples of an import are there")
        if len(machines(record)) > 1:
            faults.append("the machine is there twice")
        faults += [f"sample {n} has no piece" for n in there if not len(load_analysis(record, n).particles)]
    return faults


def moments(count: int, longest_s: float, seed: int) -> list[float]:
    """Return random moments to kill at."""
    rng = random.Random(seed)
    return [rng.uniform(0, longest_s) for _ in range(count)]
