"""Photo to Analysis: the one path through the house, and the result it returns."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.photo_check import Problem
from triage.advice import Advice
from triage.debris.particles import ParticleTable
from triage.sizing import Passing, Sizes

SCHEMA = 1


@dataclass(frozen=True)
class Sample:
    """Where the debris came from and what the bench said; None means nobody said."""

    origin: str | None = None
    method: str | None = None
    fraction: float | None = None
    installed_um: float | None = None
    element: str | None = None
    feed: str | None = None
    fuel: str | None = None
    fuel_age_months: float | None = None
    noticed: tuple[str, ...] | None = None
    volume_ml: float | None = None
    hours: float | None = None
    months: float | None = None
    litres: float | None = None
    machine: str | None = None


@dataclass(frozen=True)
class Scale:
    """How pixels became micrometres."""

    source: str
    um_per_px: float
    um_per_px_rel_u: float
    tilt_deg: float | None
    card_number: int | None
    frame: str | None


@dataclass(frozen=True)
class Limits:
    """The smallest particle this photo can show, and the smallest it can size."""

    blur_fwhm_um: float
    smallest_seen_um: float
    smallest_sized_um: float
    smallest_seen_faint_um: float
    smallest_sized_faint_um: float


@dataclass(frozen=True)
class PhotoResult:
    """One photo: what it is, how far it can be trusted, and whether it was used."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None
    scale: Scale | None
    limits: Limits | None
    usable: bool
    problems: tuple[Problem, ...]
    window_px: NDArray[np.float64] | None = None  # (N, 2) outline of the debris window


@dataclass(frozen=True)
class Blank:
    """Particles on the empty card, sheet or paper: shown beside the result, never subtracted."""

    count: int
    exposure_cm2: float
    ok: bool


@dataclass(frozen=True)
class Analysis:
    """Everything one debris sample gave; `triage.report` turns it into files."""

    photos: tuple[PhotoResult, ...]
    particles: ParticleTable
    outlines: tuple[NDArray[np.float32], ...]  # per particle, (N, 2) px in its photo
    sizes: Sizes
    passing: tuple[Passing, ...]
    blank: Blank | None
    advice: Advice
    sample: Sample
    program_version: str
    method_version: str
    analysed_on: date = field(default_factory=date.today)
    pictures: tuple[Any, ...] = ()  # triage.photo.Photo of each entry of `photos`


@dataclass(frozen=True)
class Paths:
    """Placeholder to be replaced by Setup."""

    photos: tuple[Path, ...]
