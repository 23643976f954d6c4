"""Kills a process in the midst of its work on a service record, and looks at what is left.

The child is a fork that has everything loaded, so that a kill falls into the work and not into an import.
It says on a pipe what it has finished; nothing that it said may be lost, nothing may be there in half.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import URL, column, create_engine, insert, inspect, make_url, table, text

from tests.triage.saved import Invented
from tests.triage.servers import empty_database
from triage import record
from triage.record.book import load_measured, machines, open_record, samples, save_sample
from triage.record.bring_in import bring_in
from triage.record.opening import Record
from triage.record.upkeep import check

Tell = Callable[[str], None]
FIRST_VERSION = Path(__file__).with_name("record_first_version.sql")
HELD = {"machines": 1, "visits": 1, "samples": 1, "analyses": 1, "corrections": 1, "comparisons": 1}
OLD_TABLES = (
    "machines",
    "visits",
    "photos",
    "samples",
    "sample_photos",
    "analyses",
    "corrections",
    "comparisons",
)


@dataclass(frozen=True)
class Work:
    """Something to be killed in: the record's address, samples to save, a zip to import."""

    url: str  # sqlite:///... or postgresql://...
    samples: tuple[Invented, ...]
    zipped: Path

    def save(self, tell: Tell) -> None:
        """Save the samples one after the other, telling each number."""
        with self._open() as opened:
            for each in self.samples:
                tell(str(save_sample(opened, each.analysis, [each.photo], unit="PW-07").number))

    def bring_in(self, tell: Tell) -> None:
        """Import the zip."""
        with self._open() as opened:
            bring_in(opened, self.zipped)
        tell("imported")

    def make(self, tell: Tell) -> None:
        """Make the database, all its migrations."""
        self._open().close()
        tell("made")

    def upgrade(self, tell: Tell) -> None:
        """Bring a record of the first version up to date."""
        self._open().close()
        tell("upgraded")

    def at_first_version(self) -> None:
        """Leave a record of the first version there, with what that version of the program saved."""
        from alembic import command
        from alembic.config import Config

        self.clear()
        if self._file is not None:
            self._file.parent.mkdir(parents=True)
        config, engine = Config(), create_engine(self._url())
        config.set_main_option("script_location", str(Path(record.__file__).with_name("migrations")))
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "0001")
            for name, rows in old_rows().items():
                connection.execute(insert(table(name, *map(column, rows[0]))), rows)
        engine.dispose()

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
        engine = create_engine(self._url())
        try:
            return bool(inspect(engine).get_table_names())
        finally:
            engine.dispose()

    def _url(self) -> URL:
        url = make_url(self.url)
        return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url

    @property
    def _file(self) -> Path | None:
        url = make_url(self.url)
        return Path(str(url.database)) if url.get_backend_name() == "sqlite" else None

    def _open(self) -> Record:
        return open_record(self.url)


def old_rows() -> dict[str, list[dict[str, Any]]]:
    """Return the rows of a record that the first version of the program made, by table, in order of need."""
    with closing(sqlite3.connect(":memory:")) as old:
        old.executescript(FIRST_VERSION.read_text(encoding="utf-8"))
        old.row_factory = sqlite3.Row
        return {name: [dict(row) for row in old.execute(f"SELECT * FROM {name}")] for name in OLD_TABLES}


def killed(work: Callable[[Tell], None], after_s: float) -> list[str]:
    """Run `work` in a fork, kill it that much later, and return what it said until then."""
    listening, telling = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(listening)

        def tell(said: str) -> None:
            os.write(telling, f"{said}\n".encode())

        try:
            work(tell)
        finally:
            os._exit(0)
    os.close(telling)
    time.sleep(after_s)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    with os.fdopen(listening, encoding="ascii") as pipe:
        return pipe.read().split()


def faults_after(
    work: Work, said: list[str], counts: set[int] | None = None, *, upgraded: bool = False
) -> list[str]:
    """Return what is wrong after a kill; `counts` are the numbers of samples that may be there.

    Of a record that was `upgraded` every row must still be there; the photo file that its text lacks counts
    as no fault.
    """
    with open_record(work.url) as opened:
        faults = [fault.message for fault in check(opened) if not (upgraded and fault.code == "photo")]
        there = {each.number: each for each in samples(opened)}
        lost = [number for number in said if number.isdigit() and int(number) not in there]
        faults += [f"sample {number} was lost" for number in lost]
        if "imported" in said and not there:
            faults.append("the import was lost")
        if counts is not None and len(there) not in counts:
            faults.append(f"{len(there)} samples of an import are there")
        held = len(machines(opened))
        if held > 1:
            faults.append("the machine is there twice")
        if upgraded:
            faults += _rows_lost(opened)
        faults += [f"sample {n} has no piece" for n in there if not len(load_measured(opened, n).particles)]
    return faults


def _rows_lost(opened: Record) -> list[str]:
    with opened.reading() as session:
        there = {name: session.scalar(text(f"SELECT count(*) FROM {name}")) for name in HELD}
        (action,) = session.execute(text("SELECT action FROM corrections")).one()
    lost = [
        f"{there[name]} rows of {name} where {held} were"
        for name, held in HELD.items()
        if there[name] != held
    ]
    return lost + ([] if action == "reject" else [f"the correction became {action}"])


def moments(count: int, longest_s: float, seed: int) -> list[float]:
    """Return random moments to kill at."""
    rng = random.Random(seed)
    return [rng.uniform(0, longest_s) for _ in range(count)]
