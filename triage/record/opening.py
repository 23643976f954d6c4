"""Opening the service record: which database, brought to the program's version, with its photo store.

By default a SQLite file (WAL) in the user's data folder. Another database is named by URL, by the
environment variable TRIAGE_DATABASE or by the caller. Photos lie beside a SQLite file, else in the user's
data folder. Readers never wait for a writer; writers wait for each other, one at a time.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session

from calibration.kept import data_folder
from triage.errors import UserError
from triage.record.faults import in_plain_words
from triage.record.store import PhotoStore
from triage.record.tables import HEAD

FILE_NAME = "record.sqlite"
PHOTOS = "photos"
VARIABLE = "TRIAGE_DATABASE"
WAIT_S = 30.0  # for another program's write to end; a save takes well under a second
ONE_WRITER = 0x7472696167  # the lock that writers of one PostgreSQL database hold in turn


@dataclass(frozen=True)
class Record:
    """An open service record; use it as a context, or close it."""

    engine: Engine
    photos: PhotoStore
    place: str

    def __enter__(self) -> Record:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one state of the record throughout."""
        with in_plain_words(self.place), Session(self.engine) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session whose changes are all kept at its end, or none of them."""
        engine = self.engine.execution_options(writing=True)
        with in_plain_words(self.place), Session(engine, expire_on_commit=False) as session, session.begin():
            yield session


def open_record(database: str | None = None) -> Record:
    """Open the service record, making it or bringing it to this version where needed.

    Raises
    ------
    UserError
        One sentence: the address is wrong, or the database cannot be reached, is of another program,
        damaged, read-only, busy, or newer than this program.
    """
    url = _url(database)
    place = _place(url)
    if url.get_backend_name() == "sqlite":
        _make_file(Path(str(url.database)), place)
        photos = Path(str(url.database)).parent / PHOTOS
    else:
        photos = data_folder() / PHOTOS
    with in_plain_words(place):
        engine = _engine(url)
        try:
            _bring_up(engine, place)
        except BaseException:
            engine.dispose()
            raise
    return Record(engine, PhotoStore(photos), place)


def record_is_there(database: str | None = None) -> bool:
    """Tell whether there is a record to open; one on a server is taken to be. UserError as `open_record`."""
    url = _url(database)
    return url.get_backend_name() != "sqlite" or Path(str(url.database)).is_file()


def _url(database: str | None) -> URL:
    given = database or os.environ.get(VARIABLE)
    if not given:
        return URL.create("sqlite", database=str(data_folder() / FILE_NAME))
    try:
        url = make_url(given)
    except ArgumentError:
        raise UserError(
            f"{given} is no address of a database; write sqlite:///{given} for a file, or such as "
            "postgresql://user@host/name."
        ) from None
    if url.get_backend_name() == "sqlite" and url.database in {None, "", ":memory:"}:
        raise UserError(f"{given} names no file; write sqlite:///record.sqlite.")
    if url.drivername == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    return url


def _place(url: URL) -> str:
    return str(url.database) if url.get_backend_name() == "sqlite" else url.render_as_string()


def _make_file(path: Path, place: str) -> None:
    """Make the folder and an empty database in WAL mode, which stays with the file."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(
            f"The folder {path.parent} of the service record cannot be made: "
            f"{(error.strerror or str(error)).lower()}; name another place with {VARIABLE}."
        ) from error
    if path.exists() and path.stat().st_size:
        return
    with in_plain_words(place):
        engine = create_engine(URL.create("sqlite", database=str(path)))
        end = time.monotonic() + WAIT_S
        while True:  # SQLite does not wait by itself when two programs switch to WAL at once
            try:
                with engine.connect() as connection:
                    connection.exec_driver_sql("PRAGMA journal_mode=WAL")
                return
            except Exception as error:
                if "locked" not in str(error) or time.monotonic() > end:
                    raise
                time.sleep(0.05)
            finally:
                engine.dispose()


def _engine(url: URL) -> Engine:
    if url.get_backend_name() != "sqlite":
        engine = create_engine(url, pool_pre_ping=True, hide_parameters=True)
        event.listen(engine, "begin", _begin_on_server)
        return engine
    # What was entered stays out of error messages, and so out of logs.
    connect = {"timeout": WAIT_S, "check_same_thread": False}
    engine = create_engine(url, connect_args=connect, hide_parameters=True)
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _: Any) -> None:
    connection.isolation_level = None  # Python's module would begin late and commit early by itself
    for setting in ("foreign_keys=ON", "synchronous=FULL", "journal_mode=WAL"):
        connection.execute(f"PRAGMA {setting}").close()


def _begin_sqlite(connection: Connection) -> None:
    # A writer that began as a reader could not wait its turn: SQLite refuses it at once.
    writing = connection.get_execution_options().get("writing")
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")


def _begin_on_server(connection: Connection) -> None:
    if connection.dialect.name == "postgresql":
        if connection.get_execution_options().get("writing"):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({ONE_WRITER})")
        else:
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")


def _bring_up(engine: Engine, place: str) -> None:
    """Run the migrations that are missing, all in one transaction."""
    with engine.connect() as connection:
        if _version(connection, place) == HEAD:
            return
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")).replace("%", "%%"))
    with engine.execution_options(writing=True).begin() as connection:
        _version(connection, place)
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _version(connection: Connection, place: str) -> str | None:
    """Return the database's version, None where it is empty; UserError where it is not ours or newer."""
    tables = set(inspect(connection).get_table_names())
    if not tables:
        return None
    if "alembic_version" not in tables or "machines" not in tables:
        raise UserError(
            f"The database {place} holds something else than a service record; name another one, or an empty "
            "one."
        )
    version = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    if version is None or version > HEAD:
        raise UserError(
            f"The service record {place} was made by a newer version of this program (it is at {version}, "
            f"this program knows {HEAD}); update the program. Nothing was changed."
        )
    return str(version)
