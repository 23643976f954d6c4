"""The same work on a Dask cluster; every worker must see the photos under the same path.

A worker that dies costs time: its photos go to the others. Only a photo at which several workers in a row
die is given up.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from triage.analysis import METHOD_VERSION, Setup, program_version
from triage.batch.rows import Row, fault, row_of
from triage.batch.workers import LONGEST_S, RowOf
from triage.errors import UserError

ANSWER_S = 30


@dataclass(frozen=True)
class Cluster:
    """A Dask scheduler's address, such as tcp://10.0.0.5:8786."""

    address: str
    longest_s: float = LONGEST_S
    row_of: RowOf = row_of

    def __call__(self, photos: Sequence[Path], setup: Setup) -> Iterator[tuple[Path, Row]]:
        """Measure photos; rows come as they are finished.

        Raises
        ------
        UserError
            Dask is not installed, nobody answers, or nothing comes back any more.
        """
        with _client(self.address) as client:
            futures = client.map(self.row_of, [photo.resolve() for photo in photos], setup=setup, pure=False)
            which = dict(zip(futures, photos, strict=True))
            try:
                for future in self._finished(futures):
                    yield which[future], _row(which[future], future)
            finally:
                client.cancel(futures)

    def _finished(self, futures: Sequence[Any]) -> Iterator[Any]:
        from distributed import wait

        left = set(futures)
        while left:
            try:
                done, left = wait(left, timeout=self.longest_s, return_when="FIRST_COMPLETED")
            except TimeoutError:
                raise UserError(
                    f"Nothing came back from {self.address} for {self.longest_s / 60:.0f} minutes; restart "
                    "its workers and run the same command again: what is measured is not measured again."
                ) from None
            yield from done


def _client(address: str) -> Any:
    """A client of a scheduler that has workers."""
    try:
        from distributed import Client
    except ImportError:
        raise UserError(
            "--cluster needs Dask, which is not installed; install the tool with its cluster extra."
        ) from None
    try:
        client = Client(address, timeout=ANSWER_S)
    except (OSError, ValueError) as error:
        raise UserError(
            f"No Dask scheduler answers at {address}; start one with `dask scheduler` and give the address "
            "that it prints."
        ) from error
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
    except TimeoutError:
        client.close()
        raise UserError(
            f"The Dask scheduler at {address} has no workers; start some with `dask worker {address}`."
        ) from None
    return client


def _row(photo: Path, future: Any) -> Row:
    """What came of one photo, if by this version of the program."""
    error = future.exception()
    if error is not None:
        return fault(photo, f"the cluster gave up on it ({type(error).__name__}: {error})")
    row: Row = future.result()
    if (row["program_version"], row["method_version"]) != (program_version(), METHOD_VERSION):
        other = row["program_version"]
        return fault(photo, f"the cluster runs version {other} of this program; install {program_version()}")
    return row
