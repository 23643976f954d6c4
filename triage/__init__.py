"""Contaminant-photo triage: from a photo of fuel-filter debris to sizes, shares and advice."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from triage.analysis import Analysis, Setup

__all__ = ["analyse"]


def analyse(photos: Sequence[str | Path], setup: Setup | None = None) -> Analysis:
    """Analyse one debris sample from one or more photos; see `triage.analysis.analyse`."""
    from triage.analysis import analyse as work  # imports the picture libraries: only when there is work

    return work(photos, setup)
