"""Where the service record is tested, on SQLite and on a real PostgreSQL; the shop page with one sample."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import count
from pathlib import Path

import pytest

from tests.triage.saved import invented
from tests.triage.servers import empty_database, private_server, server_programs
from tests.triage.shop import HERE, NAME, SHARED, browser


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


@pytest.fixture
def door():
    from triage.web.guard import Door
    from triage.web.sessions import Sessions

    return Door(frozenset({NAME, SHARED}), "triage_test", Sessions())


@dataclass(frozen=True)
class Shops:
    """Data folders to copy for a test: making the tables and saving a sample take most of its time."""

    empty: Path
    with_sample: Path
    number: int  # of that sample


@pytest.fixture(scope="session")
def shops(tmp_path_factory) -> Shops:
    from triage.record.book import open_record, save_sample

    folder = tmp_path_factory.mktemp("shops")
    empty, full = folder / "empty", folder / "with_sample"
    made = invented(folder / "photos", noticed=None)
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("TRIAGE_DATABASE", raising=False)
        patch.setenv("TRIAGE_DATA", str(empty))
        open_record().close()
        shutil.copytree(empty, full)
        patch.setenv("TRIAGE_DATA", str(full))
        with open_record() as record:
            number = save_sample(record, made.analysis, [made.photo], unit="PW-07").number
    return Shops(empty, full, number)


@pytest.fixture
def app(door, tmp_path, monkeypatch, request, shops):
    from starlette.testclient import TestClient

    from triage.web.app import make_app, open_shop

    kept = shops.with_sample if "saved" in request.fixturenames else shops.empty
    shutil.copytree(kept, tmp_path / "data")
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("TRIAGE_DATABASE", raising=False)
    opened = open_shop(door, f"http://{SHARED}")
    made = make_app(opened)
    with TestClient(made, base_url=f"http://{NAME}", client=HERE):
        yield made


@pytest.fixture
def pc(app):
    return browser(app, NAME, HERE)


@pytest.fixture
def saved(app, shops) -> int:  # noqa: ARG001 - the app was opened with this sample in its record
    return shops.number
