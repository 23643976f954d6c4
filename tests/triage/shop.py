"""A real shop page in a process of its own, and a photo small enough to be measured quickly."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import cv2
import httpx2

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
HERE, PHONE = ("127.0.0.1", 50000), ("192.168.1.20", 50000)  # who asks
NAME, SHARED = "127.0.0.1:8321", "192.168.1.5:8321"  # what the page is called
RUN = "from triage.cli import run; run()"
MEASURED_S = 180.0


@dataclass(frozen=True)
class Served:
    """Where the page is, the folder it keeps things in; where it is shared, the link that pairs a phone."""

    address: str
    data: Path
    link: str = ""


@contextmanager
def served(data: Path, *options: str) -> Iterator[Served]:
    """Run `triage serve` on a free port, its record in `data`."""
    environment = {**os.environ, "TRIAGE_DATA": str(data), "OMP_NUM_THREADS": "1", "TMPDIR": str(data)}
    environment.pop("TRIAGE_DATABASE", None)
    data.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-c", RUN, "serve", "--port", "0", *options]
    with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            told = process.stdout.readline()
            found = re.search(r"http://127\.0\.0\.1:\d+", told)
            assert found, told
            link = ""
            while "--share" in options and not link:
                line = process.stdout.readline()
                assert line, "it ended before it told of a link"
                link = line.strip() if "/pair/" in line else ""
            yield Served(found[0], data, link)
        finally:
            process.terminate()
            process.wait(30)


def half_size(name: str) -> bytes:
    """Return a sample photo at half its size, as a JPEG."""
    picture = cv2.imread(str(SAMPLES / name))
    small = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return bytes(cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 88])[1].tobytes())


@contextmanager
def client(address: str) -> Iterator[httpx2.Client]:
    """Give a browser's stand-in with a session, which brings the page's token along."""
    with httpx2.Client(base_url=address, timeout=60) as browser:
        page = browser.get("/").text
        browser.headers["x-triage-token"] = re.findall(r'name="triage-token" content="([^"]+)"', page)[0]
        browser.headers["accept"] = "application/json"
        yield browser


def settled(browser: httpx2.Client, key: str, within_s: float = MEASURED_S) -> httpx2.Response:
    """Wait until a draft is measured or refused and return the page it leads to, not followed."""
    end = time.monotonic() + within_s
    while browser.get(f"/photos/{key}/state").json()["going"]:
        assert time.monotonic() < end
        time.sleep(0.1)
    return browser.get(f"/photos/{key}")


def browser(app, name, address):
    """Return a browser's stand-in that asks the application itself, without a server."""
    from starlette.testclient import TestClient

    return TestClient(app, base_url=f"http://{name}", client=address, follow_redirects=False)


def token(page) -> str:
    """Return the token that a page's forms bring along."""
    return re.findall(r'name="triage-token" content="([^"]*)"', page.text)[0]
