"""Where the service record is tested: on SQLite and on a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import count

import pytest

from tests.triage.servers import empty_database, private_server, server_programs


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """Address of a private PostgreSQL server; skips where Debian's `postgresql` is not installed."""
    pytest.importorskip("psycopg", reason="PostgreSQL's driver is not installed (extra `test`)")
    programs = server_programs()
    if programs is None:
        pytest.skip("initdb is not there: PostgreSQL is not installed")
    with private_server(programs) as address:
        yield address


@pytest.fixture
def new_database(request, tmp_path, monkeypatch) -> Callable[[str], str]:
    """Make an empty database of a kind, `sqlite` or `postgresql`; returns its URL."""
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("TRIAGE_DATABASE", raising=False)
    numbers = count(1)

    def make(kind: str) -> str:
        name = f"record{next(numbers)}"
        if kind == "sqlite":
            return f"sqlite:///{tmp_path / name / 'record.sqlite'}"
        address = request.getfixturevalue("server")
        empty_database(address, name)
        return f"{address}/{name}"

    return make


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request, new_database) -> str:
    """URL of an empty database, once on SQLite and once on PostgreSQL."""
    return new_database(request.param)
