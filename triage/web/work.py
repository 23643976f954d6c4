"""What a worker process does: measure one sample's photos and keep them, or say why not."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from multiprocessing.queues import Queue
from pathlib import Path
from typing import TYPE_CHECKING

from calibration.calibrate import HowScaled
from triage.errors import UserError

if TYPE_CHECKING:
    from triage.record.reports import SampleReport

NICER = 5
WRITING = "writing the report"
_told: list[Queue[tuple[str, str]]] = []  # set once, as the process begins


@dataclass(frozen=True)
class Asked:
    """One sample to measure: its key, the files, how the scale is found."""

    key: str
    photos: tuple[Path, ...]
    how: HowScaled


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a photo, and what to do about it."""

    photo: int
    code: str
    message: str
    remedy: str


@dataclass(frozen=True)
class Outcome:
    """What became of it: the saved sample's number, or what is wrong with the photos."""

    number: int | None
    faults: tuple[Fault, ...] = ()


def begin(told: Queue[tuple[str, str]]) -> None:
    """Prepare a worker process: it tells its stages through `told`, and two of them share the processor."""
    import signal

    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the server ends its workers itself
    with contextlib.suppress(AttributeError, OSError):  # no such thing on Windows
        os.nice(NICER)  # pages are answered before photos are measured
    cv2.setNumThreads(1)
    _told.append(told)
    with contextlib.suppress(ImportError):
        import triage.analysis
        import triage.record.book  # noqa: F401 - loaded now, so that the first photo need not wait


def measure(asked: Asked) -> Outcome:
    """Measure and save; what is wrong with a photo is an outcome, not an error."""
    from triage.analysis import Setup, analyse
    from triage.record.book import open_record, save_sample

    def tell(stage: str) -> None:
        for told in _told:
            told.put((asked.key, stage))

    try:
        analysis = analyse(asked.photos, Setup(how=asked.how), tell)
    except UserError as error:
        return Outcome(None, (Fault(0, "unreadable", str(error), "Take the photo again."),))
    if not any(photo.usable for photo in analysis.photos):
        faults = [
            Fault(index, each.code, each.message, each.remedy)
            for index, photo in enumerate(analysis.photos)
            for each in photo.problems
        ]
        return Outcome(None, tuple(faults))
    tell(WRITING)
    with open_record() as record:
        return Outcome(save_sample(record, analysis, asked.photos, key=asked.key).number)


def report_pdf(number: int, paper: str) -> SampleReport:
    """Return a saved sample's report as a PDF file, and the name for it."""
    from triage.record.book import open_record
    from triage.record.reports import sample_report

    with open_record() as record:
        return sample_report(record, number, "letter" if paper == "letter" else "a4")
