"""How far a batch is, on standard error: a bar with the time left on a terminal, elsewhere a line a photo."""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import typer

if TYPE_CHECKING:
    from triage.batch import Progress, Row

BAR_WIDTH = 30
LEAST_TIMED = 3  # photos before their time says anything about the rest's
STATUS_WORDS = {
    "measured": "measured",
    "retake": "to take again",
    "wrong_input": "that cannot be used",
    "fault": "at which the program failed",
}


class Told:
    """Tells a batch's progress; call it with each."""

    def __init__(self) -> None:
        self._began = time.monotonic()
        self._bar = sys.stderr.isatty()
        self.last: Progress | None = None

    def __call__(self, progress: Progress) -> None:
        """Show one step."""
        self.last = progress
        left = time_left(progress, time.monotonic() - self._began)
        if self._bar:
            filled = BAR_WIDTH * progress.done // progress.total
            bar = "#" * filled + "-" * (BAR_WIDTH - filled)
            end = "\n" if progress.done == progress.total else ""
            typer.echo(
                f"\r[{bar}] {progress.done} of {progress.total} photos{left:24}{end}", err=True, nl=False
            )
        elif progress.row is not None:
            said = f"{progress.row['file']}: {progress.row['status']}"
            typer.echo(f"{progress.done} of {progress.total}, {said}{left}", err=True)

    def stopped(self) -> None:
        """Say that an interrupted batch can go on."""
        done = f" after {self.last.done} of {self.last.total} photos" if self.last else ""
        typer.echo(
            f"{chr(10) if self._bar else ''}Stopped{done}. Run the same command again to go on; "
            "what is measured is not measured again.",
            err=True,
        )


def time_left(progress: Progress, elapsed_s: float) -> str:
    """ ", about 12 min left", from this run's own pace; empty while that is not known or nothing is left."""
    timed, left = progress.done - progress.from_before, progress.total - progress.done
    if timed < LEAST_TIMED or not left:
        return ""
    minutes = elapsed_s / timed * left / 60
    if minutes < 1:
        return ", under 1 min left"
    hours = f"{minutes / 60:.1f} h" if minutes >= 90 else f"{minutes:.0f} min"
    return f", about {hours} left"


def summary(rows: Sequence[Row]) -> str:
    """ "1000 photos: 950 measured, 50 to take again"."""
    counts = Counter(str(row["status"]) for row in rows)
    parts = [f"{counts[status]} {words}" for status, words in STATUS_WORDS.items() if counts[status]]
    return f"{len(rows)} {'photo' if len(rows) == 1 else 'photos'}: {', '.join(parts)}"
