"""What the shop has measured of its own samples: pairs of samples of one tank, in one small JSON file.

It lies in the user's data folder beside the kept calibration.
"""

from __future__ import annotations

import json
import os
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from calibration.kept import data_folder
from triage.errors import UserError
from triage.sizing.spread import Counted, Spread, spread_from_pairs

FILE_NAME = "sample_spread.json"


@dataclass(frozen=True)
class KeptPair:
    """Two samples of one tank: names or photo hashes to know them by, counts and exposures."""

    samples: tuple[str, str]
    counts: tuple[int, int]
    exposures: tuple[float, float]

    def counted(self) -> tuple[Counted, Counted]:
        """As the spread's estimate takes them."""
        one, other = map(Counted, self.counts, self.exposures)
        return one, other


def load_pairs(folder: Path | None = None) -> tuple[KeptPair, ...]:
    """What is kept; nothing where there is no file yet. UserError if the file is damaged."""
    path = (folder or data_folder()) / FILE_NAME
    try:
        return tuple(_read(each) for each in json.loads(path.read_text(encoding="utf-8"))["pairs"])
    except FileNotFoundError:
        return ()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UserError(
            f"The kept pairs of samples in {path} cannot be read; put back a copy of the file, or delete it."
        ) from error


def kept_spread(folder: Path | None = None) -> tuple[Spread, int]:
    """Return the spread in use, and the number of the shop's own pairs behind it."""
    pairs = load_pairs(folder)
    return spread_from_pairs([pair.counted() for pair in pairs]), len(pairs)


def keep_pair(pair: KeptPair, folder: Path | None = None) -> Path:
    """Keep a pair, in place of an earlier one of the same two samples; returns the file, or UserError."""
    folder = folder or data_folder()
    others = [each for each in load_pairs(folder) if set(each.samples) != set(pair.samples)]
    text = json.dumps({"pairs": [asdict(each) for each in (*others, pair)]}, indent=1)
    path = folder / FILE_NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=folder, delete=False) as new:
            new.write(text + "\n")
        os.replace(new.name, path)
    except OSError as error:
        raise UserError(
            f"{path} cannot be written; check the folder's permissions and free space."
        ) from error
    return path


def _read(stored: dict[str, Any]) -> KeptPair:
    counts, exposures = stored["counts"], stored["exposures"]
    good = all(isinstance(count, int) and count >= 0 for count in counts) and all(
        isinstance(exposure, int | float) and 0 < exposure < float("inf") for exposure in exposures
    )
    names = stored["samples"]
    if not good or not len(counts) == len(exposures) == len(names) == 2:
        raise ValueError("a kept pair is not two counts in two exposures")
    return KeptPair((str(names[0]), str(names[1])), (counts[0], counts[1]), (exposures[0], exposures[1]))
