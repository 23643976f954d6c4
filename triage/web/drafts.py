"""Photos on their way to becoming a saved sample: uploaded, queued, measured by a bounded pool of processes.

A draft is named by the key its page made, so whatever is sent twice lands in the same place. What the page
may show is a frozen `Draft`; the store replaces it, it never changes under a reader.
"""

from __future__ import annotations

import multiprocessing
import shutil
import tempfile
import time
import uuid
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import RLock, Thread
from typing import Any

from calibration.calibrate import HowScaled
from triage.analysis import Sample
from triage.errors import UserError
from triage.record.reports import SampleReport
from triage.web.work import About, Asked, Fault, Outcome, begin, measure, report_pdf

WORKERS = 2
MOST_WAITING = 60
MOST_KEPT = 200  # drafts remembered; the oldest finished ones go first
GOING = ("receiving", "waiting", "working")


@dataclass(frozen=True)
class Said:
    """What the bench said of a sample: its machine, and the rest as the analysis takes it."""

    unit: str | None
    sample: Sample


@dataclass(frozen=True)
class Draft:
    """One sample on its way. `state`: receiving, waiting, working, done, refused or failed."""

    key: str
    folder: Path
    session: int
    photos: tuple[Path, ...] = ()
    state: str = "receiving"
    stage: str = "waiting"
    number: int | None = None
    faults: tuple[Fault, ...] = ()
    said: Said | None = None
    how: HowScaled = field(default_factory=HowScaled)
    sample: int | None = None  # the saved sample that its photos are added to
    begun: float = field(default_factory=time.monotonic)


class Drafts:
    """All drafts and the pool that measures them; safe between threads.

    `finished` is called, outside any request, with each draft that was measured or refused.
    """

    def __init__(self, finished: Callable[[Draft], None]) -> None:
        self._finished = finished
        self._lock = RLock()
        self._drafts: dict[str, Draft] = {}
        self._spool = Path(tempfile.mkdtemp(prefix="triage-"))
        self._context = multiprocessing.get_context("spawn")
        self._told = self._context.Queue()
        self._pool = self._new_pool()
        Thread(target=self._listen, daemon=True).start()

    def close(self) -> None:
        """End the workers and forget what was on its way."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._told.put(None)
        shutil.rmtree(self._spool, ignore_errors=True)

    def find(self, key: str) -> Draft | None:
        """Return the draft of that key."""
        with self._lock:
            return self._drafts.get(key)

    def open(self, key: str, session: int, sample: int | None = None) -> Draft:
        """Return the draft of that key, beginning it where it is new; its photos may go to a saved sample."""
        with self._lock:
            if key not in self._drafts:
                waiting = sum(each.state in GOING for each in self._drafts.values())
                if waiting >= MOST_WAITING:
                    raise UserError("Too many photos are waiting; this one goes up again by itself.")
                self._forget_old()
                folder = self._spool / uuid.uuid4().hex
                folder.mkdir()
                self._drafts[key] = Draft(key, folder, session, sample=sample)
            return self._drafts[key]

    def part(self, draft: Draft) -> Path:
        """Return a name to receive a photo under."""
        return draft.folder / f"{uuid.uuid4().hex}.part"

    def received(self, key: str, index: int, part: Path) -> Draft:
        """Take in a photo that has come whole; a second copy of it changes nothing."""
        with self._lock:
            draft = self._drafts[key]
            target = draft.folder / f"photo-{index + 1}"
            if target in draft.photos or draft.state != "receiving":
                part.unlink(missing_ok=True)
                return draft
            part.replace(target)
            return self._set(key, photos=tuple(sorted((*draft.photos, target))))

    def start(self, key: str, how: HowScaled | None = None) -> Draft | None:
        """Queue the draft's photos; does nothing where they are queued or done, or there are none."""
        with self._lock:
            draft = self._drafts.get(key)
            ready = ("receiving", "failed") if how is None else ("receiving", "failed", "refused")
            if draft is None or not draft.photos or draft.state not in ready:
                return draft
            draft = self._set(key, state="waiting", stage="waiting", faults=(), how=how or draft.how)
            future = self._submit(measure, Asked(key, draft.photos, draft.how, draft.sample))
            future.add_done_callback(lambda done: self._done(key, done))
            return self.find(key)

    def say(self, key: str, said: Said) -> Draft | None:
        """Keep what the bench said until the photos are measured; None where that is over already."""
        with self._lock:
            draft = self._drafts.get(key)
            if draft is None or draft.state not in GOING:
                return None
            return self._set(key, said=said)

    def report(self, about: About, paper: str) -> Future[SampleReport]:
        """Have a worker write a PDF: of a sample, of two, or of a machine."""
        return self._submit(report_pdf, about, paper)

    def ahead(self, key: str) -> int:
        """Return how many samples are before this one."""
        with self._lock:
            mine = self._drafts[key]
            return sum(
                each.state in {"waiting", "working"} and each.begun < mine.begun
                for each in self._drafts.values()
            )

    def _new_pool(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(
            WORKERS, mp_context=self._context, initializer=begin, initargs=(self._told,)
        )

    def _submit(self, work: Callable[..., Any], *args: Any) -> Future[Any]:
        with self._lock:
            try:
                return self._pool.submit(work, *args)
            except BrokenProcessPool:  # a worker was killed, mostly for want of memory
                self._pool.shutdown(wait=False)
                self._pool = self._new_pool()
                return self._pool.submit(work, *args)

    def _set(self, key: str, **changes: Any) -> Draft:
        with self._lock:
            draft = self._drafts[key] = replace(self._drafts[key], **changes)
            return draft

    def _listen(self) -> None:
        while (told := self._told.get()) is not None:
            key, stage = told
            with self._lock:
                if key in self._drafts and self._drafts[key].state in {"waiting", "working"}:
                    self._set(key, state="working", stage=stage)

    def _done(self, key: str, done: Future[Outcome]) -> None:
        if done.cancelled():
            return
        error = done.exception()
        if error is not None:
            sentence = str(error) if isinstance(error, UserError) else FAILED
            self._set(key, state="failed", faults=(Fault(0, "failed", sentence, TRY_AGAIN),))
            return
        outcome = done.result()
        applied: Draft | None = None
        while True:  # until nothing more was said while the last words were taken in
            with self._lock:
                draft = replace(self._drafts[key], number=outcome.number, faults=outcome.faults)
                if applied is not None and applied.said == draft.said:
                    state = "refused" if outcome.number is None else "done"
                    self._set(key, state=state, number=outcome.number, faults=outcome.faults)
                    break
            try:
                self._finished(draft)
            except UserError as trouble:
                told = Fault(
                    0, "failed", f"Saved as sample {outcome.number}, but not what you entered:", str(trouble)
                )
                self._set(key, state="failed", number=outcome.number, faults=(told,))
                return
            applied = draft
        if outcome.number is not None:
            shutil.rmtree(draft.folder, ignore_errors=True)

    def _forget_old(self) -> None:
        over = [key for key, each in self._drafts.items() if each.state not in GOING]
        stale = [
            key
            for key, each in self._drafts.items()
            if each.state == "receiving" and time.monotonic() - each.begun > STALE_S
        ]
        surplus = max(0, len(self._drafts) - MOST_KEPT)
        for key in [*stale, *over[:surplus]]:
            shutil.rmtree(self._drafts.pop(key).folder, ignore_errors=True)


FAILED = "The photo could not be worked on: this computer may be short of memory."
TRY_AGAIN = "Close other programs on the PC and try again."
STALE_S = 3600.0
