"""The photo store: every photo kept byte for byte in a file named by its SHA-256, whole or not at all."""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from triage.errors import UserError

PART = ".part"


@dataclass(frozen=True)
class PhotoStore:
    """The folder that the photos lie in; it is made when the first one comes."""

    folder: Path

    def path(self, sha256: str) -> Path:
        """Return where the photo of that SHA-256 lies or would lie."""
        if len(sha256) != 64 or not set(sha256) <= set("0123456789abcdef"):
            raise ValueError(f"{sha256!r} is no SHA-256")
        return self.folder / sha256[:2] / sha256

    def keep(self, data: bytes) -> str:
        """Keep a photo and return its SHA-256; on return it is on the disk, whole.

        A damaged file of that name is replaced. UserError where the folder cannot be written.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        target = self.path(sha256)
        try:
            if target.is_file() and target.read_bytes() == data:
                os.utime(target)  # young again, so that nobody tidies it away before its row is there
            else:
                target.parent.mkdir(parents=True, exist_ok=True)
                _write(target, data)
        except OSError as error:
            raise UserError(
                f"The photo cannot be kept in {self.folder}: {(error.strerror or str(error)).lower()}; "
                "nothing was saved. Free some space or check the folder's permissions, and save again."
            ) from error
        return sha256

    def read(self, sha256: str) -> bytes:
        """Return a photo. UserError where its file is missing or no longer what was kept."""
        path = self.path(sha256)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise UserError(
                f"The photo {path} cannot be read: {(error.strerror or str(error)).lower()}; "
                "put it back from a backup."
            ) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise UserError(f"The photo {path} is damaged; put it back from a backup.")
        return data

    def files(self) -> Iterator[Path]:
        """Return every file in the store, also what a save that was cut off left behind."""
        return (path for path in sorted(self.folder.rglob("*")) if path.is_file())


def _write(target: Path, data: bytes) -> None:
    part = target.with_name(f"{uuid.uuid4().hex}{PART}")
    try:
        with part.open("xb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    for folder in (target.parent, target.parent.parent):
        sync_folder(folder)


def sync_folder(folder: Path) -> None:
    """Bring a folder's names onto the disk, where the system allows that."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
