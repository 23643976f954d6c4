"""What a worker process does: measure one sample's photos and keep them, or say why not."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from multiprocessing.queues import Queue
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from calibration.calibrate import HowScaled
from triage.errors import UserError

if TYPE_CHECKING:
    from triage.analysis import PhotoResult
    from triage.record.reports import SampleReport

MOST_PHOTOS = 8  # of one sample
NICER = 5
About = int | tuple[int, int] | str  # a sample, two of them, a machine's unit number
WRITING = "writing the report"
_told: list[Queue[tuple[str, str]]] = []  # set once, as the process begins


@dataclass(frozen=True)
class Asked:
    """One sample to measure: its key, the files, how the scale is found."""

    key: str
    photos: tuple[Path, ...]
    how: HowScaled
    sample: int | None = None  # the saved sample that the photos are added to


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a photo, and what to do about it."""

    photo: int
    code: str
    message: str
    remedy: str
    areas_px: tuple[tuple[float, ...], ...] = ()  # where in the photo
    size_px: tuple[int, int] = (1, 1)  # of the photo, width and height


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

    if asked.sample is not None:
        return _add(asked, asked.sample, tell)
    try:
        analysis = analyse(asked.photos, Setup(how=asked.how), tell)
    except UserError as error:
        return Outcome(None, (Fault(0, "unreadable", str(error), "Take the photo again."),))
    if not any(photo.usable for photo in analysis.photos):
        return Outcome(None, _faults(analysis.photos))
    tell(WRITING)
    with open_record() as record:
        return Outcome(save_sample(record, analysis, asked.photos, key=asked.key).number)


def _add(asked: Asked, number: int, tell: Callable[[str], None]) -> Outcome:
    """Measure a saved sample's photos together with further ones, and add both photos and result."""
    from triage.analysis import analyse
    from triage.record.book import open_record
    from triage.record.further_photos import add_photos, known_photos, renamed

    with open_record() as record:
        try:
            known = known_photos(record, number)
            if len(known.photos) + len(asked.photos) > MOST_PHOTOS:
                raise UserError(f"A sample has at most {MOST_PHOTOS} photos.")
            how = known.further if asked.how == HowScaled() else asked.how
            setup = replace(known.setup, hows=known.setup.hows + (how,) * len(asked.photos))
            analysis = analyse([*known.photos, *asked.photos], setup, tell)
            new = analysis.photos[len(known.photos) :]
            if not any(photo.usable for photo in new):
                return Outcome(None, _faults(new))
            tell(WRITING)
            saved = add_photos(record, number, renamed(analysis, known.names), asked.photos, asked.key)
        except UserError as error:
            return Outcome(None, (Fault(0, "unreadable", str(error), "Nothing was changed."),))
    return Outcome(saved.number)


def _faults(photos: Sequence[PhotoResult]) -> tuple[Fault, ...]:
    return tuple(
        Fault(
            index,
            each.code,
            each.message,
            each.remedy,
            each.areas_px,
            (photo.width_px, photo.height_px),
        )
        for index, photo in enumerate(photos)
        for each in sorted(photo.problems, key=lambda each: not each.fatal)  # what refused it comes first
    )


def report_pdf(about: About, paper: str) -> SampleReport:
    """Return a PDF file and the name for it: of a sample, of two compared, of a machine's history."""
    from triage.record.book import open_record
    from triage.record.reports import comparison_report, history_report, sample_report

    size: Literal["a4", "letter"] = "letter" if paper == "letter" else "a4"
    with open_record() as record:
        if isinstance(about, int):
            return sample_report(record, about, size)
        if isinstance(about, str):
            return history_report(record, about, size)
        return comparison_report(record, *about, size)
