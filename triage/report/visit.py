"""What the workshop adds to a report by hand."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Visit:
    """What was done and when to come back; None leaves a line to fill in by pen."""

    done: str | None = None
    next_due: str | None = None
    work_order: str | None = None
