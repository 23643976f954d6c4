"""What the shop has set for all its phones and reports: name, logo, units, paper, its filter list.

Small files in the user's data folder; each is written whole or not at all.
"""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from calibration.kept import data_folder
from triage.errors import UserError
from triage.filters.shelf import FILE_NAME as FILTERS
from triage.filters.shelf import filter_list, load_filters

FILE_NAME, LOGO_NAME = "shop.json", "shop_logo.png"
NAME_LETTERS = 80
UNITS = {"um": "microns first", "thou": "thousandths of an inch first"}
PAPERS = {"a4": "A4", "letter": "US Letter"}
LIST_LETTERS = 40_000  # as a form carries


@dataclass(frozen=True)
class ShopSettings:
    """The shop's name, which unit stands first on its page, the paper it prints on."""

    name: str = ""
    units: str = "um"
    paper: Literal["a4", "letter"] = "a4"


def load_settings(folder: Path | None = None) -> ShopSettings:
    """Return what is set; the usual where nothing is, or where the file is damaged."""
    try:
        stored = json.loads(((folder or data_folder()) / FILE_NAME).read_text(encoding="utf-8"))
        told: dict[str, Any] = {name: str(stored[name]) for name in ("name", "units", "paper")}
        settings = ShopSettings(**told)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return ShopSettings()
    return settings if _possible(settings) else ShopSettings()


def save_settings(settings: ShopSettings, folder: Path | None = None) -> None:
    """Keep the settings. UserError where one cannot be, or the file cannot be written."""
    if not _possible(settings):
        raise UserError(f"A shop's name has at most {NAME_LETTERS} letters; shorten it.")
    text = json.dumps(asdict(settings), indent=1, ensure_ascii=False)
    _write((folder or data_folder()) / FILE_NAME, text.encode())


def _possible(settings: ShopSettings) -> bool:
    known = settings.units in UNITS and settings.paper in PAPERS
    return known and len(settings.name) <= NAME_LETTERS and settings.name.isprintable()


def load_logo(folder: Path | None = None) -> bytes | None:
    """Return the logo, a small PNG file; None where there is none."""
    try:
        return ((folder or data_folder()) / LOGO_NAME).read_bytes()
    except OSError:
        return None


def save_logo(png: bytes | None, folder: Path | None = None) -> None:
    """Keep the logo, a PNG that this program encoded itself; None takes it away."""
    path = (folder or data_folder()) / LOGO_NAME
    if png is None:
        path.unlink(missing_ok=True)
    else:
        _write(path, png)


def filters_text() -> str:
    """Return the filter list in use, as text to edit."""
    return filter_list().read_text(encoding="utf-8", errors="replace")


def save_filters(text: str, folder: Path | None = None) -> int:
    """Keep the text as the shop's own filter list; returns how many filters it names.

    UserError, with the line, where something in it is wrong; the list in use then stays.
    """
    if len(text) > LIST_LETTERS:
        raise UserError(f"The list has over {LIST_LETTERS} letters; shorten it.")
    with tempfile.TemporaryDirectory(prefix="triage-") as name:
        draft = Path(name) / FILTERS
        draft.write_text(text, encoding="utf-8")
        try:
            count = len(load_filters(draft))
        except UserError as error:
            raise UserError(str(error).replace(f" {draft}", "")) from None
    _write((folder or data_folder()) / FILTERS, text.encode())
    return count


def forget_filters(folder: Path | None = None) -> None:
    """Go back to the list that comes with the program; the shop's own is kept beside it."""
    own = (folder or data_folder()) / FILTERS
    if own.exists():
        os.replace(own, own.with_suffix(".toml.before"))


def _write(path: Path, data: bytes) -> None:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, delete=False) as new:
            new.write(data)
        os.replace(new.name, path)
    except OSError as error:
        raise UserError(
            f"{path} cannot be written; check the folder's permissions and free space."
        ) from error
