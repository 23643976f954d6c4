"""A process killed in the midst of a save, an import or the making of a record leaves nothing half done.

Few kills here; hundreds in `python -m tests.benchmarks.kill_during_save`.
"""

from __future__ import annotations

import sys
import time

import pytest

from tests.triage.kills import Work, faults_after, killed, moments
from tests.triage.saved import invented
from triage.record.book import open_record, save_sample
from triage.record.exchange import export

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="forks and kills as Linux does")

KILLS = {"sqlite": 3, "postgresql": 2}


@pytest.fixture(params=["sqlite", "postgresql"])
def work(request, new_database, tmp_path) -> Work:
    kind = request.param
    every = tuple(invented(tmp_path, 5, seed=seed) for seed in range(6))
    zipped = tmp_path / "all.zip"
    with open_record(new_database("sqlite")) as record:
        for each in every[:3]:
            save_sample(record, each.analysis, [each.photo], unit="PW-07")
        export(record, zipped)
    return Work(new_database(kind), every, zipped)


@pytest.mark.parametrize("kind", ["save", "bring_in", "make", "upgrade"])
def test_a_kill_leaves_nothing_half_done(request, work, kind):
    anew = work.at_first_version if kind == "upgrade" else work.clear
    anew()
    start = time.monotonic()
    done = []
    getattr(work, kind)(done.append)
    took_s = time.monotonic() - start
    anew()

    counts = {"save": None, "bring_in": {0, 3}, "make": {0}, "upgrade": {1}}[kind]
    for after_s in moments(KILLS[request.node.callspec.params["work"]], took_s, seed=1):
        if kind != "save":
            anew()
        said = killed(getattr(work, kind), after_s)
        assert faults_after(work, said, counts, upgraded=kind == "upgrade") == []
    assert done
