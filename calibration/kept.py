"""What the shop has measured once: card corrections, lens scales, phone tones. One small JSON file.

It lies in the user's data folder, or in the folder that the environment variable TRIAGE_DATA names.
"""

from __future__ import annotations

import json
import math
import os
import sys
import tempfile
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from calibration.card import BAR_MM
from calibration.errors import CalibrationError

FILE_NAME = "calibration.json"
CALIPER_U_MM = 0.05  # reading a bar's ends with a workshop caliper
LARGEST_PRINT_ERROR = (
    0.05  # printers are off by up to a percent; five is a slip of the caliper or "fit to page"
)

Kind = TypeVar("Kind", "CardCorrection", "LensScale", "PhoneTone")


class KeptUnreadable(CalibrationError):  # noqa: N818 - these names are the sentence they stand for
    """The file of kept measurements is there but cannot be read or written."""


class ImplausibleMeasure(CalibrationError):  # noqa: N818
    """A measurement to be kept cannot be right."""


@dataclass(frozen=True)
class CardCorrection:
    """Printed over nominal length along x and y of the cards of one number."""

    x: float
    y: float

    @classmethod
    def from_bars(cls, x_mm: float, y_mm: float) -> CardCorrection:
        """From the caliper lengths (mm) of the long bars along x and y; ImplausibleMeasure if far off."""
        for name, length in (("x", x_mm), ("y", y_mm)):
            if not abs(length / BAR_MM - 1.0) <= LARGEST_PRINT_ERROR:
                raise ImplausibleMeasure(
                    f"the {name} bar is {BAR_MM:.2f} mm on a true print and cannot measure {length:g} mm; "
                    "print the card at 100 % without fitting it to the page, and measure the bar again"
                )
        return cls(x_mm / BAR_MM, y_mm / BAR_MM)

    @property
    def rel_u(self) -> float:
        """Relative standard uncertainty that the caliper leaves."""
        return CALIPER_U_MM / BAR_MM


@dataclass(frozen=True)
class LensScale:
    """Scale of a fixed-magnification setting: um per px in a picture whose longer side is `long_side_px`."""

    um_per_px: float
    rel_u: float
    long_side_px: int


@dataclass(frozen=True)
class PhoneTone:
    """A phone's departure from the standard tone curve, and its standard uncertainty."""

    bend: float
    bend_u: float


@dataclass(frozen=True)
class Kept:
    """All that is kept."""

    cards: dict[int, CardCorrection] = field(default_factory=dict)
    lenses: dict[str, LensScale] = field(default_factory=dict)
    tones: dict[str, PhoneTone] = field(default_factory=dict)


def data_folder() -> Path:
    """Where this user's data lie on this platform; it need not exist. KeptUnreadable: no home folder."""
    chosen = os.environ.get("TRIAGE_DATA")
    if chosen:
        return Path(chosen)
    try:
        home = Path.home()
    except RuntimeError as error:
        raise KeptUnreadable(
            "this user has no home folder to keep measurements in; name a folder with TRIAGE_DATA"
        ) from error
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA", home / "AppData" / "Roaming")) / "triage"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "triage"
    return Path(os.environ.get("XDG_DATA_HOME") or home / ".local" / "share") / "triage"


def load(folder: Path | None = None) -> Kept:
    """What is kept; nothing where there is no file yet. KeptUnreadable if the file is damaged."""
    path = (folder or data_folder()) / FILE_NAME
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        return Kept(
            cards={int(number): _read(CardCorrection, each) for number, each in stored["cards"].items()},
            lenses={name: _read(LensScale, each) for name, each in stored["lenses"].items()},
            tones={name: _read(PhoneTone, each) for name, each in stored["tones"].items()},
        )
    except FileNotFoundError:
        return Kept()
    except OSError as error:
        raise KeptUnreadable(
            f"{path} cannot be read ({(error.strerror or str(error)).lower()}); check the folder, or name "
            "another one with TRIAGE_DATA"
        ) from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise KeptUnreadable(
            f"the kept measurements in {path} cannot be read; put back a copy of the file, or delete it and "
            "measure cards and lenses again"
        ) from error


def save(kept: Kept, folder: Path | None = None) -> Path:
    """Write all of it, whole or not at all; returns the file. KeptUnreadable if that cannot be done."""
    folder = folder or data_folder()
    path = folder / FILE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=folder, delete=False) as new:
            json.dump(asdict(kept), new, indent=1, sort_keys=True)
        os.replace(new.name, path)
    except OSError as error:
        raise KeptUnreadable(
            f"{path} cannot be written; check the folder's permissions and free space, or name another "
            "one with TRIAGE_DATA"
        ) from error
    return path


def keep_card(number: int, correction: CardCorrection, folder: Path | None = None) -> Path:
    """Keep a card number's correction."""
    kept = load(folder)
    return save(replace(kept, cards=kept.cards | {number: correction}), folder)


def keep_lens(name: str, scale: LensScale, folder: Path | None = None) -> Path:
    """Keep a lens's scale under a name."""
    kept = load(folder)
    return save(replace(kept, lenses=kept.lenses | {name: scale}), folder)


def keep_tone(camera: str, tone: PhoneTone, folder: Path | None = None) -> Path:
    """Keep a phone's tone under its camera's name."""
    kept = load(folder)
    return save(replace(kept, tones=kept.tones | {camera: tone}), folder)


def _read(kind: type[Kind], stored: dict[str, Any]) -> Kind:
    read = kind(**stored)
    if not all(isinstance(value, (int, float)) and math.isfinite(value) for value in stored.values()):
        raise ValueError("a kept measurement is not a number")
    return read
