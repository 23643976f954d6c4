"""Files written whole or not at all."""

from __future__ import annotations

import os
import uuid
from pathlib import Path

from triage.errors import UserError


def write_whole(path: Path, content: bytes) -> None:
    """Write `content` to `path` by way of a temporary file beside it, so that no half-written file is left.

    Raises
    ------
    UserError
        The folder is missing, or the file may not be written, or `path` is a folder.
    """
    if path.is_dir():
        raise UserError(f"Cannot write {path}: it is a folder; give a file name.")
    target = path.resolve() if path.is_file() else path
    try:
        if path.exists() and not path.is_file():  # a device or pipe must not be replaced by a file
            path.write_bytes(content)
            return
        if path.exists() and not os.access(path, os.W_OK):
            raise PermissionError(13, "the file is write-protected")
        _replace(target, content)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UserError(
            f"Cannot write {path}: {reason}; choose a folder that exists and can be written to."
        ) from error


def _replace(target: Path, content: bytes) -> None:
    part = target.with_name(f".{uuid.uuid4().hex[:12]}.part")
    try:
        part.write_bytes(content)
        os.replace(part, target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
