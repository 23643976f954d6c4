"""A batch: which photos, what is already in the journal, who measures the rest, the rows in order of name."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from calibration import kept
from calibration.calibrate import ByLens, kept_lens
from calibration.errors import CalibrationError
from triage.analysis import METHOD_VERSION, Setup, filters_of, program_version
from triage.batch.journal import Journal
from triage.batch.rows import Row
from triage.errors import UserError

ENDINGS = {".jpg", ".jpeg", ".jpe", ".mpo", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif", ".hif"}

Measure = Callable[[Sequence[Path], Setup], Iterator[tuple[Path, Row]]]


@dataclass(frozen=True)
class Progress:
    """How far a batch is; `row` is the one just finished, None at the start."""

    total: int
    from_before: int
    done: int
    row: Row | None = None


def pictures_in(folder: Path) -> list[Path]:
    """Photos lying in a folder itself, by name; hidden files and those that are no pictures are left out.

    Raises
    ------
    UserError
        The folder cannot be read or holds no picture.
    """
    try:
        files = [path for path in folder.iterdir() if path.suffix.lower() in ENDINGS and path.is_file()]
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UserError(f"Cannot read the folder {folder}: {reason}; name the folder of photos.") from error
    found = sorted((path for path in files if not path.name.startswith(".")), key=lambda path: path.name)
    if not found:
        raise UserError(
            f"There is no JPEG, PNG, TIFF, WebP or HEIC picture in {folder} itself; "
            "name the folder of photos."
        )
    return found


def pinned(setup: Setup) -> Setup:
    """The setup with the shop's filter list and kept measurements as they are now.

    So every photo of the batch is measured alike, whichever process or computer has it, and in whatever
    order; what a photo shows of its phone's tone is not kept.

    Raises
    ------
    UserError
        The filter list or what is kept cannot be read, or no lens of that name is kept.
    """
    try:
        known = kept.load() if setup.how.kept is None else setup.how.kept
        if isinstance(setup.how.by, ByLens):
            kept_lens(setup.how.by, known)  # once, rather than in the row of every photo
    except CalibrationError as error:
        raise UserError(f"{str(error)[0].upper()}{str(error)[1:]}.") from error
    how = replace(setup.how, kept=known)
    return replace(setup, filters=filters_of(setup), how=how)


def run_batch(
    photos: Sequence[Path],
    setup: Setup,
    journal: Path,
    measure: Measure,
    tell: Callable[[Progress], None],
) -> list[Row]:
    """Measure every photo as a sample of its own; returns one row each, in the order of `photos`.

    What an earlier run with the same pinned setup left in `journal` is not measured again; what this one
    measures is added to it, row by row.

    Raises
    ------
    UserError
        The journal cannot be read or written.
    """
    book = Journal(journal, _key(setup))
    rows = {photo: row for photo in photos if (row := book.find(photo))}
    from_before = len(rows)
    with book.appending() as add:
        tell(Progress(len(photos), from_before, len(rows)))
        for photo, row in measure([photo for photo in photos if photo not in rows], setup):
            add(photo, row)
            rows[photo] = row
            tell(Progress(len(photos), from_before, len(rows), row))
    return [rows[photo] for photo in photos]


def _key(setup: Setup) -> str:
    """What must be the same for a row to hold again; the photo's name and bytes apart."""
    return hashlib.sha256(repr((program_version(), METHOD_VERSION, setup)).encode()).hexdigest()[:16]
