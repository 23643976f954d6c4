"""One photo to one row of the table; whatever is wrong with the photo stands in its row."""

from __future__ import annotations

import hashlib
from pathlib import Path

from triage.analysis import METHOD_VERSION, Analysis, Setup, analyse, filters_of, program_version
from triage.errors import UserError
from triage.photo import printable
from triage.sizing import Passing

Cell = str | float | int | None
Row = dict[str, Cell]

# What became of a photo; the contract's exit statuses 0, 3, 2 and 1 of a single run.
MEASURED, RETAKE, WRONG_INPUT, FAULT = "measured", "retake", "wrong_input", "fault"

HEAD = ("file", "status", "problem_codes", "message")
SCALE = ("source", "um_per_px", "um_per_px_rel_u", "tilt_deg", "card_number", "frame", "print_measured")
LIMITS = (
    "blur_fwhm_um",
    "smallest_seen_um",
    "smallest_sized_um",
    "smallest_seen_faint_um",
    "smallest_sized_faint_um",
)
COUNTS = ("from_um", "count", "count_low", "count_high", "seen_unsized")
PERCENTILES = tuple(
    f"{d}_{by}_um" for by in ("by_count", "by_area", "by_volume") for d in ("d10", "d50", "d90")
)
ADVICE = ("headline", "action_codes", "filter_um")
TAIL = ("taken_at", "width_px", "height_px", "sha256", "program_version", "method_version")


def columns(setup: Setup) -> tuple[str, ...]:
    """Names of all columns; shares for every rating of the filter list."""
    scale = ("scale_source", *SCALE[1:])
    ratings = dict.fromkeys(entry.rating_um for entry in filters_of(setup))
    shares = [name for rating in ratings for name in _share_names(rating)]
    return (*HEAD, *scale, *LIMITS, *COUNTS, *PERCENTILES, *shares, *ADVICE, *TAIL)


def row_of(path: Path, setup: Setup) -> Row:
    """Analyse one photo as a sample of its own. Never raises: a fault is a row too."""
    try:
        return _filled(path, analyse([path], setup))
    except UserError as error:
        return unmeasured(path, WRONG_INPUT, str(error))
    except MemoryError:
        return fault(path, "there is not enough memory for it; use fewer --workers")
    except Exception as error:  # one photo must never stop the others
        return fault(path, f"something went wrong inside ({type(error).__name__}: {error}); please report it")


def fault(path: Path, what: str) -> Row:
    """The row of a photo at which the program itself failed."""
    return unmeasured(path, FAULT, f"{printable(path.name)}: {what}.")


def unmeasured(path: Path, status: str, message: str) -> Row:
    """A row that says only why there is nothing in it."""
    return {
        "file": printable(path.name),
        "status": status,
        "message": " ".join(message.split()),
        "sha256": sha256_of(path),
        "program_version": program_version(),
        "method_version": METHOD_VERSION,
    }


def sha256_of(path: Path) -> str | None:
    """Hexadecimal digest of the file's bytes; None where it cannot be read."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


def _filled(path: Path, analysis: Analysis) -> Row:
    photo = analysis.photos[0]
    row: Row = {
        "file": printable(path.name),
        "status": MEASURED if photo.usable else RETAKE,
        "problem_codes": " ".join(problem.code for problem in photo.problems),
        "message": " ".join(f"{problem.message} {problem.remedy}" for problem in photo.problems),
        "headline": analysis.advice.headline,
        "action_codes": " ".join(action.code for action in analysis.advice.actions),
        "filter_um": " ".join(f"{a.filter_um:g}" for a in analysis.advice.actions if a.filter_um is not None),
        "taken_at": photo.taken_at,
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "sha256": photo.sha256,
        "program_version": analysis.program_version,
        "method_version": analysis.method_version,
    }
    if photo.scale:
        row |= {"scale_source": photo.scale.source}
        row |= {name: getattr(photo.scale, name) for name in SCALE[1:]}
    if photo.limits:
        row |= {name: getattr(photo.limits, name) for name in LIMITS}
        row |= _sizes(analysis)
        for passing in analysis.passing:
            row |= _shares(passing)
    return row


def _sizes(analysis: Analysis) -> Row:
    sizes = analysis.sizes
    row: Row = {name: getattr(sizes, name) for name in COUNTS}
    for by in ("by_count", "by_area", "by_volume"):
        found = getattr(sizes, by)
        row |= {f"{d}_{by}_um": getattr(found, f"{d}_um") for d in ("d10", "d50", "d90")}
    return row


def _share_names(rating_um: float) -> tuple[str, ...]:
    stem = f"through_{rating_um:g}_um"
    parts = ("share", "low", "high")
    shares = [f"{stem}_{by}_{part}" for by in ("by_count", "by_area", "by_volume") for part in parts]
    return (f"stopped_{rating_um:g}_um_count", f"{stem}_count", *shares)


def _shares(passing: Passing) -> Row:
    values: list[Cell] = [passing.stopped_count, passing.through_count]
    for share in (passing.by_count, passing.by_area, passing.by_volume):
        values += [share.share, share.low, share.high]
    if not passing.measurable:  # counted below the limit they would mean nothing
        values[:2] = None, None
    return dict(zip(_share_names(passing.rating_um), values, strict=True))
