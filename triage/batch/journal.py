"""The journal: every finished row, one line each as it comes, so that a killed run loses none.

A line counts only for the same file name with the same bytes, measured by the same version in the same way.
A line torn by a kill or a full disk is passed over.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from triage.batch.rows import FAULT, Row, sha256_of
from triage.errors import UserError


class Journal:
    """Rows of earlier runs, by file name; opened once a run."""

    def __init__(self, path: Path, key: str) -> None:
        self.path = path
        self._key = key
        self._rows = {name: row for name, row in self._lines() if row.get("status") != FAULT}

    def find(self, photo: Path) -> Row | None:
        """The row that this very file was given before."""
        row = self._rows.get(photo.name)
        return row if row and row.get("sha256") and row["sha256"] == sha256_of(photo) else None

    @contextmanager
    def appending(self) -> Iterator[Callable[[Path, Row], None]]:
        """Give the function that adds a photo's row, on disk before it returns.

        Raises
        ------
        UserError
            The journal cannot be written.
        """
        try:
            with self.path.open("ab") as file:
                if self.path.stat().st_size:
                    file.write(b"\n")  # ends a torn line

                def add(photo: Path, row: Row) -> None:
                    line = {"name": photo.name, "key": self._key, "row": row}
                    file.write(json.dumps(line).encode() + b"\n")
                    file.flush()
                    os.fsync(file.fileno())

                yield add
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise UserError(
                f"Cannot write {self.path}: {reason}; make room, or choose a folder that exists and can be "
                "written to, and run the command again: what is measured is not measured again."
            ) from error

    def _lines(self) -> Iterator[tuple[str, Row]]:
        try:
            lines = self.path.read_bytes().splitlines()
        except FileNotFoundError:
            return
        except OSError as error:
            raise UserError(f"Cannot read {self.path}: {error.strerror}; move it away.") from error
        for line in lines:
            try:
                stored = json.loads(line)
                if stored["key"] == self._key:
                    yield stored["name"], dict(stored["row"])
            except (ValueError, TypeError, KeyError):
                continue
