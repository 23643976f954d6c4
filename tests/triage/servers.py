"""A private PostgreSQL server on loopback, in a folder of its own, for as long as tests need it."""

from __future__ import annotations

import contextlib
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

MEMORY = "/dev/shm"  # Linux keeps this in memory


def server_programs() -> Path | None:
    """Folder of `initdb` and `postgres`; Debian keeps them off the search path."""
    found = shutil.which("initdb")
    places = [Path(found).resolve().parent] if found else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    whole = [each for each in places if (each / "initdb").exists() and (each / "postgres").exists()]
    return whole[0] if whole else None


@contextlib.contextmanager
def private_server(programs: Path) -> Iterator[str]:
    """Start a server and give the address that database names are put after; all of it is gone at the end."""
    folder = Path(tempfile.mkdtemp(prefix="triage-pg-", dir=MEMORY if os.access(MEMORY, os.W_OK) else None))
    who: dict[str, Any] = {"cwd": folder}
    if os.geteuid() == 0:  # the server refuses to run as root
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
        who |= {"user": user.pw_uid, "group": user.pw_gid}
    data = folder / "data"
    make = (programs / "initdb", "-D", data, "-A", "trust", "-U", "triage", "-E", "UTF8", "--no-locale", "-N")
    subprocess.run(make, check=True, capture_output=True, **who)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = ("listen_addresses=127.0.0.1", f"unix_socket_directories={folder}", "fsync=off")
    command = [programs / "postgres", "-D", data, "-p", str(port), *(x for s in settings for x in ("-c", s))]
    with (folder / "log").open("wb") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log, **who)
    try:
        _wait(programs, port, server)
        yield f"postgresql://triage@127.0.0.1:{port}"
    finally:
        server.send_signal(signal.SIGINT)  # without waiting for clients
        server.wait(20)
        shutil.rmtree(folder, ignore_errors=True)


def empty_database(address: str, name: str) -> None:
    """Make a database, or empty the one of that name: a tenth of the time that a new one takes."""
    import psycopg

    with psycopg.connect(f"{address}/postgres", autocommit=True) as connection:
        if connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", (name,)).fetchone() is None:
            connection.execute(f"CREATE DATABASE {name}")
    with psycopg.connect(f"{address}/{name}", autocommit=True) as connection:
        connection.execute("DROP SCHEMA public CASCADE")
        connection.execute("CREATE SCHEMA public")


def _wait(programs: Path, port: int, server: subprocess.Popen[bytes]) -> None:
    ready = (programs / "pg_isready", "-h", "127.0.0.1", "-p", str(port))
    for _ in range(200):
        if server.poll() is not None:
            raise RuntimeError("the private PostgreSQL server stopped at once")
        if subprocess.run(ready, capture_output=True, check=False).returncode == 0:
            return
        time.sleep(0.05)
    raise RuntimeError("the private PostgreSQL server did not answer within 10 s")
