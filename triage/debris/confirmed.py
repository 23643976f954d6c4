"""Confirmed: pieces that the shop has tried at the bench and named, kept, and what is learnt from them.

One small JSON file in the user's data folder, beside what else is kept; each piece with its features. Who
changes it holds the lock file beside it, so that two phones at once lose nothing.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.kept import data_folder
from triage.debris.features import FEATURES
from triage.debris.particles import KINDS, ParticleTable
from triage.errors import UserError

Array = NDArray[np.float64]

FILE_NAME = "confirmed_pieces.json"
LOCK_NAME = "confirmed_pieces.lock"
ENOUGH = 20  # confirmed pieces in all before any are learnt from
RENDERED_WEIGHT = (
    3.0  # what was learnt on rendered scenes weighs as much as so many confirmed pieces just alike
)
ALIKE = 0.6  # difference of the evidence (natural logarithm, root mean square over kinds) that counts for 0.6
DIGITS = 4
LEAST = 1e-3  # evidence below is as good as none


@dataclass(frozen=True)
class Confirmed:
    """Confirmed pieces: features (M, F) as the particle table holds them, and the kind of each."""

    features: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, len(FEATURES)), np.float32))
    kinds: tuple[str, ...] = ()

    @property
    def enough(self) -> bool:
        """Whether there are enough to learn from."""
        return len(self.kinds) >= ENOUGH

    def counts(self) -> dict[str, int]:
        """How many pieces of each kind are confirmed, most first."""
        return dict(Counter(self.kinds).most_common())


def shifted(evidence: Array, own: Array, shop: Confirmed, kinds: tuple[str, ...]) -> Array:
    """Probabilities (N, K) of new pieces, with what the shop's pieces say.

    `evidence` (N, K) and `own` (M, K) are what was learnt on rendered scenes makes of the new and of the
    confirmed pieces. A confirmed piece votes for its kind, the more the more alike both look to that; what
    was learnt on rendered scenes has `RENDERED_WEIGHT` votes. Below `ENOUGH` pieces nothing changes.
    """
    if not shop.enough:
        return evidence
    here, there = (np.log(np.maximum(part, LEAST)) for part in (evidence, own))
    apart = (here**2).mean(axis=1)[:, None] + (there**2).mean(axis=1) - 2 * here @ there.T / here.shape[1]
    alike = np.exp(-0.5 * np.maximum(apart, 0) / ALIKE**2)
    voted = alike @ (np.array(shop.kinds)[:, None] == np.array(kinds))
    total = RENDERED_WEIGHT * evidence + voted
    return np.asarray(total / total.sum(axis=1, keepdims=True))


def confirm(pieces: ParticleTable, kind: str, folder: Path | None = None) -> Path:
    """Keep these rows of a particle table as pieces of `kind`; returns the file.

    A piece that was confirmed before changes its kind.

    Raises
    ------
    UserError
        where the kind is none, a row was not measured from its light, or the file cannot be read or written.
    """
    if kind not in KINDS or kind == "unsure":
        named = ", ".join(each for each in KINDS if each != "unsure")
        raise UserError(f"“{kind}” is not a kind of debris to learn; give one of {named}.")
    features = _rounded(pieces)
    if not (np.isfinite(features).all() and features.any(axis=1).all()):
        raise UserError(
            "A picture without shades shows no kinds: this piece has no colour to learn from; take another."
        )
    folder = folder or data_folder()
    with _alone(folder):
        other = _without(load(folder), features)
        together = np.concatenate([other.features, features])
        return _save(Confirmed(together, other.kinds + (kind,) * len(features)), folder)


def forget(pieces: ParticleTable, folder: Path | None = None) -> int:
    """Learn no more from these rows of a particle table; returns how many of them were confirmed.

    UserError where the file cannot be read or written.
    """
    folder = folder or data_folder()
    with _alone(folder):
        known = load(folder)
        other = _without(known, _rounded(pieces))
        gone = len(known.kinds) - len(other.kinds)
        if gone:
            _save(other, folder)
        return gone


def _rounded(pieces: ParticleTable) -> NDArray[np.float32]:
    return np.asarray(np.round(np.atleast_1d(pieces)["features"], DIGITS), np.float32)


def _without(known: Confirmed, features: NDArray[np.float32]) -> Confirmed:
    """Return what is confirmed without the pieces that have these very features."""
    apart = np.abs(known.features[:, None] - features).max(axis=2)
    other = np.flatnonzero(~(apart.min(axis=1, initial=np.inf) <= 10.0**-DIGITS))
    return Confirmed(known.features[other], tuple(known.kinds[k] for k in other))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Hold the lock file; the system lets go of it where the program dies. UserError if it cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = (folder / LOCK_NAME).open("a+b")
    except OSError as error:
        raise UserError(f"{folder} cannot be written; check its permissions and free space.") from error
    with lock:
        if sys.platform == "win32":
            import msvcrt

            lock.seek(0)
            msvcrt.locking(lock.fileno(), msvcrt.LK_LOCK, 1)  # waits, and closing lets go
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def load(folder: Path | None = None) -> Confirmed:
    """What the shop has confirmed; nothing where there is no file yet. UserError where it is damaged.

    Pieces that an older program measured by other features say nothing now; their file is set aside.
    """
    path = (folder or data_folder()) / FILE_NAME
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        if tuple(stored["features"]) != FEATURES:  # an older program measured other things
            os.replace(path, path.with_suffix(".older.json"))
            return Confirmed()
        kinds = tuple(str(piece["kind"]) for piece in stored["pieces"])
        features = np.array([piece["features"] for piece in stored["pieces"]], np.float32)
        if not set(kinds) <= set(KINDS) or not np.isfinite(features).all():
            raise ValueError("a kind or a number that cannot be")
        return Confirmed(features.reshape(len(kinds), len(FEATURES)), kinds)
    except FileNotFoundError:
        return Confirmed()
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UserError(
            f"the confirmed pieces in {path} cannot be read; put back a copy of the file, or delete it and "
            "confirm pieces again"
        ) from error


def _save(confirmed: Confirmed, folder: Path) -> Path:
    """Write all of it, whole or not at all."""
    path = folder / FILE_NAME
    pieces = [
        {"kind": kind, "features": [round(float(value), DIGITS) for value in row]}
        for kind, row in zip(confirmed.kinds, confirmed.features, strict=True)
    ]
    try:
        with tempfile.NamedTemporaryFile("w", encoding="utf-8", dir=folder, delete=False) as new:
            json.dump({"features": FEATURES, "pieces": pieces}, new)
        os.replace(new.name, path)
    except OSError as error:
        raise UserError(f"{path} cannot be written; check the folder's permissions and free space") from error
    return path
