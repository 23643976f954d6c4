"""What the service record hands out and takes in: frozen dataclasses, units in the names.

A `number` is given by the record; None stands in an entry that is not yet in it.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from datetime import date, datetime
from typing import Any, TypeVar

from triage.errors import UserError

UNIT_LETTERS = 80
TEXT_LETTERS = 10_000

Entry = TypeVar("Entry", "Machine", "ServiceVisit")


@dataclass(frozen=True)
class Machine:
    """One machine; only the unit number must be known."""

    unit: str
    serial: str | None = None
    type: str | None = None
    engine: str | None = None
    cylinders: int | None = None
    power_kw: float | None = None
    head_mm: float | None = None  # fuel surface above the carburettor inlet
    feed: str | None = None  # gravity | pulse | pump | injection
    fuel: str | None = None  # petrol | e10 | oil_mix | diesel
    tank: str | None = None
    hose: str | None = None
    filter: str | None = None  # the installed one, in the shop's words
    installed_um: float | None = None
    element: str | None = None  # screen | paper
    notes: str | None = None
    number: int | None = None


@dataclass(frozen=True)
class MachineSummary:
    """A machine with how much the record holds of it."""

    machine: Machine
    samples: int
    last_saved_at: datetime | None


@dataclass(frozen=True)
class ServiceVisit:
    """One time in the workshop; hours, months and litres are since the last filter change."""

    visited_on: date
    work_order: str | None = None
    complaint: str | None = None
    hours: float | None = None
    months: float | None = None
    litres: float | None = None
    fuel_age_months: float | None = None
    noticed: tuple[str, ...] | None = None
    parts: str | None = None
    technician: str | None = None  # initials
    next_due: str | None = None
    notes: str | None = None
    unit: str | None = None
    number: int | None = None


@dataclass(frozen=True)
class SavedPhoto:
    """A photo of a sample: the name of its file, its SHA-256, and whether it shows debris or the blank."""

    file: str
    sha256: str
    role: str  # debris | blank


@dataclass(frozen=True)
class SavedSample:
    """A saved sample with its newest analysis in short; `count` is of pieces of at least `from_um`.

    The short form is as analysed, before corrections; `corrections` tells how many there are. `day` is the
    one it stands for: its visit's, else that of the first analysis.
    """

    number: int
    unit: str | None
    visit: int | None
    saved_at: datetime
    analysed_on: date
    day: date
    headline: str
    count: int
    from_um: float
    median_um: float | None
    photos: tuple[SavedPhoto, ...]
    analyses: int
    corrections: int


@dataclass(frozen=True)
class Correction:
    """What a technician said of one particle: its `kind` or to forget it, to leave it out or put it back."""

    particle: int
    action: str  # kind | forget | reject | restore
    kind: str | None
    who: str
    made_at: datetime | None = None


@dataclass(frozen=True)
class LeftOut:
    """A rectangle of a photo that is left out, in pixels of the upright photo; pieces centred in it go.

    `photo` is the photo's place in the analysis, from 0; `area` numbers the rectangles of an analysis.
    """

    photo: int
    x_px: float
    y_px: float
    width_px: float
    height_px: float
    who: str
    area: int | None = None
    made_at: datetime | None = None


@dataclass(frozen=True)
class SavedComparison:
    """A comparison that was kept: numbers of the two samples, its verdict and the whole result."""

    number: int
    before: int
    after: int
    verdict: str
    made_at: datetime
    result: dict[str, Any]


def cleaned(entry: Entry) -> Entry:
    """Return the entry with its texts trimmed and control characters taken out; empty texts are None.

    UserError where a text is too long or a number cannot be right.
    """
    changes: dict[str, Any] = {}
    for field in fields(entry):
        value = getattr(entry, field.name)
        if isinstance(value, str):
            changes[field.name] = clean_text(value, field.name)
        elif isinstance(value, int | float) and not 0 <= value < 1e9:
            raise UserError(f"{field.name} {value:g} is no sensible amount; give a positive number.")
    return replace(entry, **changes)


def clean_text(text: str, name: str) -> str | None:
    """Return `text` trimmed, without control characters (line ends stay), None where nothing is left."""
    kept = "".join(letter for letter in text if letter in "\n\t" or unicodedata.category(letter)[0] != "C")
    if len(kept) > TEXT_LETTERS:
        raise UserError(f"The text for {name} has {len(kept)} letters; shorten it to {TEXT_LETTERS}.")
    return kept.strip() or None


def clean_unit(unit: str) -> str:
    """Return a unit number with single spaces; UserError where it is empty or too long."""
    kept = " ".join((clean_text(unit, "unit") or "").split())
    if not 0 < len(kept) <= UNIT_LETTERS:
        raise UserError(f"A machine needs a unit number of 1 to {UNIT_LETTERS} letters; got {kept[:90]!r}.")
    return kept


def unit_key(unit: str) -> str:
    """Return what two ways of writing one unit number have in common: PW-07, pw-07 and full-width forms."""
    return unicodedata.normalize("NFKC", clean_unit(unit)).casefold()


def joined(words: Iterable[str] | None) -> str | None:
    """Return words with commas between, as tables keep them."""
    return None if words is None else ",".join(words)


def parted(text: str | None) -> tuple[str, ...] | None:
    """Return the words of a text that `joined` made."""
    return None if text is None else tuple(word for word in text.split(",") if word)
