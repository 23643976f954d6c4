"""Runs `triage` inside the test's own process."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass

import pytest

from triage import cli


@dataclass(frozen=True)
class Ran:
    """What one command left: its exit status, standard output and standard error."""

    status: int
    out: str
    err: str


def runner(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[..., Ran]:
    """Run `triage` with the words given; every run is held to one promise: no traceback, no inside fault."""

    def go(*words: str) -> Ran:
        monkeypatch.setattr(sys, "argv", ["triage", *words])
        capsys.readouterr()
        status = cli._status()
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert status != 1, err
        return Ran(status, out, err)

    return go
