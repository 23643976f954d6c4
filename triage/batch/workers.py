"""Worker processes on this computer: one photo at a time each, so that a crash costs one photo only."""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path

import cv2

from triage.analysis import Setup
from triage.batch.rows import Row, fault, row_of

LONGEST_S = 900.0  # a scanner's 250 megapixels on a slow machine need a third of it
STARTS_WITHIN_S = 120.0  # a busy computer takes its time to load the libraries
LOOK_EVERY_S = 1.0  # for a photo that takes too long

RowOf = Callable[[Path, Setup], Row]


@dataclass(frozen=True)
class Workers:
    """So many processes, each with its share of the processors; `row_of` must be importable there."""

    count: int
    longest_s: float = LONGEST_S
    row_of: RowOf = row_of

    def __call__(self, photos: Sequence[Path], setup: Setup) -> Iterator[tuple[Path, Row]]:
        """Measure photos; rows come as they are finished.

        A photo at which a worker ended is tried once more after all others and alone: two big ones together
        may have been too much for the memory.
        """
        again = []
        for photo, ended in self._ended(photos, setup, self.count):
            if isinstance(ended, _Lost) and ended.worth_another_try:
                again.append(photo)
            else:
                yield photo, _as_row(photo, ended)
        for photo, ended in self._ended(again, setup, 1):
            yield photo, _as_row(photo, ended)

    def _ended(self, photos: Sequence[Path], setup: Setup, count: int) -> Iterator[tuple[Path, Row | _Lost]]:
        waiting, crew = deque(photos), list[_Worker]()
        try:
            while waiting or crew:
                while waiting and len(crew) < count:
                    crew.append(_Worker(self.row_of, setup, max((os.cpu_count() or 1) // count, 1)))
                    crew[-1].give(waiting.popleft())
                wait([worker.pipe for worker in crew], LOOK_EVERY_S)
                for worker in tuple(crew):
                    ended = worker.ended(self.longest_s)
                    if ended is None:
                        continue
                    yield worker.photo, ended
                    if waiting and not isinstance(ended, _Lost):
                        worker.give(waiting.popleft())
                    else:
                        worker.stop()
                        crew.remove(worker)
        finally:
            for worker in crew:
                worker.stop()


@dataclass(frozen=True)
class _Lost:
    """A photo at which its worker ended, or was ended."""

    why: str
    worth_another_try: bool


def _as_row(photo: Path, ended: Row | _Lost) -> Row:
    return fault(photo, ended.why) if isinstance(ended, _Lost) else ended


class _Worker:
    """One process, and the photo it is at."""

    def __init__(self, row_of: RowOf, setup: Setup, threads: int) -> None:
        # A fresh process on every system: a fork would copy the libraries' threads half.
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs, row_of, setup, threads), daemon=True)
        self._process.start()
        theirs.close()
        self._starts = True

    def give(self, photo: Path) -> None:
        """Start on the next photo."""
        self.photo = photo
        self._since = time.monotonic() + self._starts * STARTS_WITHIN_S
        try:
            self.pipe.send(photo)
        except OSError:
            return  # it has ended already: `ended` will say so

    def ended(self, longest_s: float) -> Row | _Lost | None:
        """What came of the photo; None while it is being measured."""
        if self.pipe.poll():
            try:
                row: Row | None = self.pipe.recv()
            except (EOFError, OSError):
                self._process.join()
                why = f"the program broke off while measuring it (exit status {self._process.exitcode})"
                return _Lost(f"{why}; use fewer --workers if memory is short, or retake it", True)
            if row is None:  # it has only started
                self._since, self._starts = time.monotonic(), False
            return row
        if time.monotonic() - self._since > longest_s:
            return _Lost(f"it was given up after {longest_s / 60:.0f} minutes; retake it", False)
        return None

    def stop(self) -> None:
        """End the process, whatever it is doing."""
        self._process.kill()
        self._process.join()
        self.pipe.close()


def _serve(pipe: Connection, row_of: RowOf, setup: Setup, threads: int) -> None:
    """Measure what is sent until the other end is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent hears Ctrl-C and decides
    cv2.setNumThreads(threads)
    try:
        pipe.send(None)
        while True:
            pipe.send(row_of(pipe.recv(), setup))
    except (EOFError, OSError):
        return
