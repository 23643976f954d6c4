"""What the pages show of a sample: findings, shares as bars, the photo's pieces, all ready to print."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.kept import data_folder
from triage.analysis import Analysis, PhotoResult, Sample
from triage.debris.particles import KINDS
from triage.errors import UserError
from triage.kept_spread import FILE_NAME as SPREAD_FILE
from triage.record.areas import inside, kept_share
from triage.record.book import Record, areas, corrections, load_analysis, load_measured, open_saved
from triage.record.corrected import last_words
from triage.report import content, words
from triage.report.picture import encode
from triage.sizing import Passing, Share, inches

MARGIN = 0.02
WIDEST_PX = 2400
STRAIGHTEN_PX = 0.35  # outlines drawn with fewer corners, by less than can be seen
KIND_CHOICES = {kind: words.KIND_WORDS.get(kind, kind) for kind in KINDS}


@dataclass(frozen=True)
class Bar:
    """One filter's share as a picture: per cent of the width for the bar and its interval, and in words."""

    rating: str
    inches: str
    thou: str
    element: str
    through: float | None
    low: float
    high: float
    number: str
    volume: str
    counts: str


@dataclass(frozen=True)
class Step:
    """One thing to do."""

    text: str
    because: str
    how_sure: str
    would_change: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Findings:
    """What a sample's page says, corrections applied."""

    headline: str
    found: str
    note: str
    caption: str
    bars: tuple[Bar, ...]
    unmeasurable: tuple[str, ...]
    steps: tuple[Step, ...]
    bench_tests: str
    cautions: str
    sizes: tuple[tuple[str, str], ...]
    problems: tuple[tuple[str, str, str], ...]
    rejected: int
    renamed: int
    areas: int  # left out
    area_part: str  # how much of the window these are
    said: Sample  # as the bench said it, before areas left out
    looked: bool  # whether anybody looked at the fuel, here or at its visit
    last_time: str  # beside the machine's earlier sample; empty where nobody asked for one


def lists_in_use() -> tuple[tuple[str, int, int, int], ...]:
    """Return the shop's own lists (filters, orifices, thresholds, spread) with what tells a changed one."""
    found = []
    kept = data_folder()
    for path in sorted([*kept.glob("*.toml"), *kept.glob(SPREAD_FILE)]):
        told = path.stat()
        found.append((path.name, told.st_ino, told.st_mtime_ns, told.st_size))
    return tuple(found)


def findings(record: Record, number: int) -> Findings:
    """Return what the page of a sample says."""
    from triage.report.text import note

    analysis = load_analysis(record, number, pictures=False)
    kinds, rejected = last_words(corrections(record, number))
    measured, out = load_measured(record, number), areas(record, number)
    rows = content.by_rating(analysis)
    return Findings(
        headline=content.headline(analysis),
        found=content.found_plainly(analysis),
        note=note(analysis),
        caption=content.passing_caption(analysis),
        bars=tuple(_bar(row) for row in rows if row.measurable),
        unmeasurable=tuple(f"{words.rating(row)} µm" for row in rows if not row.measurable),
        steps=tuple(_steps(analysis)),
        bench_tests=content.bench_tests(analysis),
        cautions=content.cautions(analysis),
        sizes=tuple(content.size_lines(analysis)),
        problems=tuple(content.problems(analysis)),
        rejected=len(rejected),
        renamed=len(kinds),
        areas=len(out),
        area_part=words.percent(1 - kept_share(measured.photos, out)),
        said=measured.sample,
        looked=analysis.sample.noticed is not None,
        last_time=words.typeset(analysis.history.said) if analysis.history else "",
    )


def _steps(analysis: Analysis) -> list[Step]:
    return [
        Step(
            words.typeset(each.text),
            words.typeset(" ".join(each.because)),
            words.typeset(each.confidence),
            words.typeset(each.would_change),
            tuple(words.typeset(caution) for caution in each.cautions),
        )
        for each in analysis.advice.actions
    ]


def _bar(row: Passing) -> Bar:
    share = row.by_count
    total = row.stopped_count + (row.through_count or 0)
    return Bar(
        rating=words.rating(row),
        inches=inches(row.rating_um),
        thou=words.thou(row.rating_um),
        element=row.element,
        through=_width(share.share),
        low=_width(share.low) or 0.0,
        high=100.0 if share.high is None else 100 * share.high,
        number=_words(share),
        volume=_words(row.by_volume),
        counts=f"{row.through_count} of {total}" if total else "no pieces",
    )


def _width(share: float | None) -> float | None:
    return None if share is None else round(100 * share, 2)


def _words(share: Share) -> str:
    return words.share(share)


def pieces(record: Record, number: int) -> dict[str, Any]:
    """Return every piece of a sample with its outline, for drawing and tapping.

    Coordinates are pixels of the upright photo; `photos` tells which part of each is shown.
    """
    measured = load_measured(record, number)
    kinds, rejected = last_words(corrections(record, number))
    out = areas(record, number)
    covered = inside(measured, out)
    shown = [
        {**_piece(row, outline, kinds, rejected), "covered": bool(gone)}
        for row, outline, gone in zip(measured.particles, measured.outlines, covered, strict=True)
    ]
    return {
        "photos": [view_box(photo) for photo in measured.photos],
        "pieces": shown,
        "areas": [[each.photo, each.x_px, each.y_px, each.width_px, each.height_px] for each in out],
    }


def _piece(
    row: Any, outline: NDArray[np.float32], kinds: dict[int, str], rejected: set[int]
) -> dict[str, Any]:
    known = int(row["id"])
    kind = kinds.get(known, str(row["kind"]))
    small = bool(row["below_sizing_limit"])
    return {
        "id": known,
        "photo": int(row["photo"]),
        "x": round(float(row["x_px"]), 1),
        "y": round(float(row["y_px"]), 1),
        "outline": _straightened(outline),
        "size": "seen, but too small to size" if small else _size_words(row, kind),
        "kind": kind,
        "kind_words": KIND_CHOICES.get(kind, kind),
        "given": known in kinds,
        "rejected": known in rejected,
        "small": small,
        "edge": bool(row["touches_edge"]),
    }


def _size_words(row: Any, kind: str) -> str:
    length, width = float(row["feret_max_um"]), float(row["feret_min_um"])
    if kind == "fibre":
        length, width = float(row["length_um"]), float(row["width_um"])
    cut = " or more: cut by the window’s edge" if row["touches_edge"] else ""
    bound = float(row["passing_below_um"])
    across = f"under {words.size(bound)}" if np.isfinite(bound) else words.size(width)
    return f"{words.size(length)} long, {across} wide{cut}"


def _straightened(outline: NDArray[np.float32]) -> list[float]:
    if len(outline) < 3:
        return []
    line = cv2.approxPolyDP(np.asarray(outline, np.float32), STRAIGHTEN_PX, True)
    return [round(float(value), 1) for value in np.asarray(line).ravel()]


def view_box(photo: PhotoResult) -> list[int]:
    """Return the part of a photo that is shown, [x, y, width, height] px: the window and its rim."""
    whole = (0, 0, photo.width_px, photo.height_px)
    if photo.window_px is None or not len(photo.window_px):
        return list(whole)
    low, high = photo.window_px.min(axis=0), photo.window_px.max(axis=0)
    margin = MARGIN * float((high - low).max())
    x0, y0 = (max(0, int(value - margin)) for value in low)
    x1 = min(photo.width_px, int(high[0] + margin))
    y1 = min(photo.height_px, int(high[1] + margin))
    return [x0, y0, x1 - x0, y1 - y0] if x1 > x0 and y1 > y0 else list(whole)


def picture(record: Record, number: int, index: int) -> bytes:
    """Return the shown part of a sample's photo as a JPEG, without anything the camera wrote about it.

    UserError where the sample has no such photo.
    """
    photos = load_measured(record, number).photos
    if not 0 <= index < len(photos):
        raise UserError("There is no such picture.")
    x, y, width, height = view_box(photos[index])
    rgb = open_saved(record, photos[index].sha256).rgb
    return scaled_jpeg(rgb[y : y + height, x : x + width])


def scaled_jpeg(rgb: NDArray[np.uint8], widest: int = WIDEST_PX) -> bytes:
    """Return a picture as a JPEG of at most `widest` pixels."""
    factor = widest / max(rgb.shape[:2])
    if factor < 1:
        rgb = np.asarray(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.uint8)
    return encode(rgb, ".jpg", 85)
