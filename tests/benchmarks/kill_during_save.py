"""Kill -9 at random moments during saves, imports, the making and upgrading of a record; then a full disk.

    python -m tests.benchmarks.kill_during_save [KILLS of each kind] [postgresql | URL] [KIND ...]

Without a database, SQLite in a folder of its own; "postgresql" starts a private server where Debian's is
installed. What the database named by URL holds is deleted. Prints how many kills fell before, into and after
the work, and every fault found. The full disk is a small tmpfs, which takes root to mount.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.triage.kills import Work, faults_after, killed, moments
from tests.triage.saved import invented
from tests.triage.servers import private_server, server_programs
from triage.errors import UserError
from triage.record.book import open_record, samples, save_sample
from triage.record.exchange import export
from triage.record.upkeep import check

KINDS = {
    "save": None,
    "bring_in": {0, 3},
    "make": {0},
    "upgrade": {1},
}  # samples that may be there after a kill
DISK_MB = 2
SAVED_ON = 5  # kills that one record goes through


def main(kills: int, where: str, kinds: list[str]) -> int:
    with tempfile.TemporaryDirectory() as name, addressed(where, Path(name)) as url:
        os.environ["TRIAGE_DATA"] = str(Path(name) / "data")  # where photos of a server's record are kept
        work = prepared(Path(name), url)
        faults = [fault for kind in kinds or KINDS for fault in campaign(work, kind, kills)]
    faults += full_disk()
    print("\n".join(faults) or "no fault")
    return 1 if faults else 0


@contextlib.contextmanager
def addressed(where: str, folder: Path) -> Iterator[str]:
    """Give the address of the database to be killed in."""
    if where == "postgresql":
        programs = server_programs()
        if programs is None:
            raise SystemExit("initdb is not there: install Debian's postgresql, or give a database's URL")
        with private_server(programs) as address:
            yield f"{address}/killed"
    else:
        yield where or f"sqlite:///{folder / 'killed' / 'record.sqlite'}"


def prepared(folder: Path, url: str) -> Work:
    every = tuple(invented(folder, 20, seed=seed) for seed in range(6))
    with open_record(f"sqlite:///{folder / 'source' / 'record.sqlite'}") as record:
        for each in every[:3]:
            save_sample(record, each.analysis, [each.photo], unit="PW-07")
        export(record, folder / "all.zip")
    return Work(url, every, folder / "all.zip")


def campaign(work: Work, kind: str, kills: int) -> list[str]:
    """Kill one kind of work at random moments over its usual length and a little more."""
    anew = work.at_first_version if kind == "upgrade" else work.clear
    anew()
    start, finished = time.monotonic(), 0
    getattr(work, kind)(lambda _: None)
    longest_s = 1.3 * (time.monotonic() - start)
    anew()
    faults: list[str] = []
    begun = 0
    for number, after_s in enumerate(moments(kills, longest_s, seed=7)):
        if kind != "save" or number % SAVED_ON == 0:
            anew()
        said = killed(getattr(work, kind), after_s)
        finished += len(said) == (len(work.samples) if kind == "save" else 1)
        begun += work.begun()
        faults += [
            f"{kind} killed after {1000 * after_s:.0f} ms: {each}"
            for each in faults_after(work, said, KINDS[kind], upgraded=kind == "upgrade")
        ]
    print(
        f"{kind}: {kills} kills within {1000 * longest_s:.0f} ms; {kills - begun} before a record was there, "
        f"{finished} after the work was done, {len(faults)} faults",
        flush=True,
    )
    return faults


def full_disk() -> list[str]:
    """Save until a small disk is full: a clear message, the old samples whole."""
    with tempfile.TemporaryDirectory() as name:
        mount = ("mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", name)
        mounted = subprocess.run(mount, capture_output=True, check=False)
        if mounted.returncode:
            print("full disk: not tried, a tmpfs could not be mounted (root?)")
            return []
        try:
            return _fill(Path(name))
        finally:
            subprocess.run(("umount", name), check=False)


def _fill(disk: Path) -> list[str]:
    faults: list[str] = []
    saved, message = 0, ""
    with (
        tempfile.TemporaryDirectory() as photos,
        open_record(f"sqlite:///{disk / 'record.sqlite'}") as record,
    ):
        while not message and saved < 1000:
            each = invented(Path(photos), 100, seed=saved)
            try:
                save_sample(record, each.analysis, [each.photo])
                saved += 1
            except UserError as error:
                message = str(error)
        there = len(samples(record))
        faults += [f"full disk: {fault.message}" for fault in check(record)]
    print(f"full disk of {DISK_MB} MB after {saved} samples: {message}")
    if there != saved or "nothing was saved" not in message:
        faults.append(f"full disk: {saved} saved, {there} there; {message}")
    return faults


if __name__ == "__main__":
    sys.exit(main(int((sys.argv[1:] or ["200"])[0]), "".join(sys.argv[2:3]), sys.argv[3:]))
