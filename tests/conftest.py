"""How the suite runs: the whole of it on several processes, each on one thread; a few files in this one."""

from __future__ import annotations

import os

import pytest

MOST_WORKERS = 4  # each may take half a gigabyte

if "PYTEST_XDIST_WORKER" in os.environ:  # before numpy is imported, which reads them then; children inherit
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Tests named on the command line gain nothing from the second that starting workers takes."""
    whole = config.args == config.getini("testpaths")
    return min(os.cpu_count() or 1, MOST_WORKERS) if whole else 0


def pytest_configure() -> None:
    if "PYTEST_XDIST_WORKER" in os.environ:
        import cv2

        cv2.setNumThreads(1)
