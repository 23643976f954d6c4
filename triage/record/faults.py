"""What a database says when something is wrong, put into one plain sentence that says what to do."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, NoSuchModuleError

from triage.errors import UserError

SQLITE_WORDS = {  # primary result codes of SQLite, sqlite.org/rescode.html
    5: "is busy: another program is writing to it; wait a moment and do it again",
    6: "is busy: another program is writing to it; wait a moment and do it again",
    8: "cannot be written to; check the permissions of the file and its folder, or whether the disk is "
    "read-only",
    10: "cannot be read or written: the disk reports a fault; copy the folder to another disk and try there",
    11: "is damaged; move it away and put the last backup in its place",
    13: "does not fit: the disk is full; nothing was saved. Free some space and do it again",
    14: "cannot be opened or made; check that its folder exists and can be written to",
    26: "is not a service record; move that file away, or name another record",
}


@contextmanager
def in_plain_words(place: str) -> Iterator[None]:
    """Turn what a database at `place` reports into a UserError; faults of the program itself pass."""
    try:
        yield
    except ModuleNotFoundError as error:
        raise UserError(
            f"The database {place} needs the Python package {error.name}; install it and try again "
            "(for PostgreSQL: the extra named postgres)."
        ) from error
    except NoSuchModuleError as error:
        raise UserError(
            f"The database {place} is of an unknown kind; give an address such as sqlite:///record.sqlite "
            "or postgresql://user@host/name."
        ) from error
    except DBAPIError as error:
        words = _sqlite_words(error) or _server_words(error)
        if words is None:
            raise
        raise UserError(f"The service record {place} {words}.") from error


def _sqlite_words(error: DBAPIError) -> str | None:
    code = getattr(error.orig, "sqlite_errorcode", None)
    if code is None:
        told = str(error.orig).lower()
        code = 26 if "not a database" in told else None
    return None if code is None else SQLITE_WORDS.get(code & 0xFF)


def _server_words(error: DBAPIError) -> str | None:
    """Return words for what a server reports, by the class of its SQLSTATE."""
    state = getattr(error.orig, "sqlstate", None)
    if state is None and type(error.orig).__name__ == "OperationalError":
        return "cannot be reached; check that the database server runs and that the address is right"
    words = {
        "08": "cannot be reached; check that the database server runs and that the address is right",
        "28": "does not let this user in; check user and password in the address",
        "3D": "does not exist on its server; make the database first, or check the address",
        "42": "does not allow this; check what the user of the address may do",
        "53": "has no room or memory left on its server; nothing was saved. Ask who runs the server",
        "55": "is busy: another program is writing to it; wait a moment and do it again",
        "57": "was stopped on its server; wait a moment and do it again",
        "25": "cannot be written to: its server is read-only",
    }
    return words.get(state[:2]) if state else None
