"""Many photos: every one a row, whatever it does; a stop costs nothing; the table is that of single runs.

The expectation throughout is the same photo analysed by itself.
"""

from __future__ import annotations

import csv
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from calibration.calibrate import ByStated, HowScaled
from calibration.kept import CardCorrection, Kept, LensScale, keep_lens
from tests.triage.odd_pictures import odd_pictures
from triage import cli
from triage.analysis import Setup, analyse
from triage.batch import Progress, Row, columns, pictures_in, pinned, run_batch
from triage.batch.journal import Journal
from triage.batch.rows import row_of
from triage.batch.workers import Workers
from triage.errors import UserError
from triage.progress import Told, summary, time_left

STATED = HowScaled(by=ByStated(10.0))
KINDS = ("plain.jpg", "turned.jpg", "messenger.jpg", "plain.png", "cut_short.jpg")


@pytest.fixture(scope="module")
def pictures() -> dict[str, bytes]:
    return odd_pictures()


@pytest.fixture
def folder(tmp_path, monkeypatch, pictures) -> Path:
    """Five photos, one of them cut short, and things that are no photos."""
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "kept"))
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "photos"
    (path / "more").mkdir(parents=True)
    for name in KINDS:
        (path / name).write_bytes(pictures[name])
    (path / "notes.txt").write_text("not a photo")
    (path / ".hidden.jpg").write_bytes(b"left by a computer")
    return path


@pytest.fixture
def setup(folder) -> Setup:
    del folder
    return pinned(Setup(how=STATED))


class Here:
    """Measures in this process and remembers what it was given."""

    def __init__(self, stop_after: int | None = None, fail: str = "") -> None:
        self.given: list[str] = []
        self.stop_after = stop_after
        self.fail = fail

    def __call__(self, photos: Sequence[Path], setup: Setup) -> Iterator[tuple[Path, Row]]:
        for photo in reversed(photos):  # workers finish in any order
            if len(self.given) == self.stop_after:
                raise KeyboardInterrupt
            self.given.append(photo.name)
            yield photo, row_of(photo, setup)


def batch(folder: Path, setup: Setup, measure: Here, told: list[Progress] | None = None) -> list[Row]:
    seen = [] if told is None else told
    return run_batch(pictures_in(folder), setup, folder.parent / "o.csv.journal", measure, seen.append)


def crashes(photo: Path, setup: Setup) -> Row:
    """Dies at one photo, hangs at another, meets an inside fault at a third."""
    if photo.name == "plain.jpg":
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    if photo.name == "plain.png":
        time.sleep(60)
    return row_of(photo, setup)


# --- rows ---


def test_rows_hold_what_a_single_run_gives_in_order_of_name(folder, setup):
    rows = batch(folder, setup, Here())

    assert [row["file"] for row in rows] == sorted(KINDS)
    assert [row["status"] for row in rows] == ["wrong_input"] + 4 * ["measured"]
    assert rows[0]["message"].endswith("copy it from the phone again.")
    alone = analyse([folder / "plain.jpg"], setup)
    row = next(row for row in rows if row["file"] == "plain.jpg")
    assert row["count"] == alone.sizes.count > 10
    assert row["d50_by_area_um"] == alone.sizes.by_area.d50_um
    assert row["smallest_sized_um"] == alone.photos[0].limits.smallest_sized_um
    assert row["headline"] == alone.advice.headline
    for passing in alone.passing:
        share = row[f"through_{passing.rating_um:g}_um_by_count_share"]
        assert share == passing.by_count.share
    assert {name for each in rows for name in each} <= set(columns(setup))


def test_a_photo_to_take_again_says_why(folder):
    rows = batch(folder, pinned(Setup()), Here())

    assert {row["status"] for row in rows} == {"wrong_input", "retake"}
    retake = next(row for row in rows if row["status"] == "retake")
    assert retake["problem_codes"] == "no_card"
    assert "no card was found" in retake["message"].lower()


def test_a_fault_inside_is_a_row(folder, setup, monkeypatch):
    def broken(*_: object) -> None:
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("triage.batch.rows.analyse", broken)
    row = row_of(folder / "plain.jpg", setup)

    assert row["status"] == "fault"
    assert "ZeroDivisionError" in row["message"]
    assert "\n" not in row["message"]


def test_odd_names_stay_one_line(folder, setup):
    (folder / "plain.jpg").rename(folder / "line\nbreak = ä.jpg")
    assert batch(folder, setup, Here())[1]["file"] == "line?break = ä.jpg"


def test_only_pictures_of_the_folder_itself(folder, tmp_path):
    assert [path.name for path in pictures_in(folder)] == sorted(KINDS)
    with pytest.raises(UserError, match=r"no JPEG.*name the folder of photos"):
        pictures_in(folder / "more")
    with pytest.raises(UserError, match="Cannot read the folder"):
        pictures_in(tmp_path / "nowhere")


# --- stopped and taken up again ---


def test_a_stopped_run_goes_on_where_it_was(folder, setup):
    whole = batch(folder, setup, Here())
    (folder.parent / "o.csv.journal").unlink()
    first, second, told = Here(stop_after=2), Here(), list[Progress]()
    with pytest.raises(KeyboardInterrupt):
        batch(folder, setup, first)

    assert batch(folder, setup, second, told) == whole
    assert sorted(first.given + second.given) == sorted(KINDS)
    assert [each.done for each in told] == [2, 3, 4, 5]
    assert told[0].from_before == 2


def test_a_torn_last_line_costs_one_photo(folder, setup):
    whole = batch(folder, setup, Here())
    journal = folder.parent / "o.csv.journal"
    journal.write_bytes(journal.read_bytes()[:-40])
    again, after = Here(), Here()

    assert batch(folder, setup, again) == whole
    assert len(again.given) == 1
    assert batch(folder, setup, after) == whole
    assert after.given == []


@pytest.mark.parametrize("rubbish", [b"\x00\xff\n[1, 2]\n", b'{"key": 1}\n"text"\n17\n', b"{" * 100_000])
def test_rubbish_in_the_journal_is_passed_over(folder, setup, rubbish):
    (folder.parent / "o.csv.journal").write_bytes(rubbish)
    assert len(batch(folder, setup, Here())) == 5


def test_a_changed_photo_and_a_changed_setting_are_measured_anew(folder, setup, pictures):
    batch(folder, setup, Here())
    (folder / "plain.jpg").write_bytes(pictures["turned.jpg"])
    changed = Here()
    batch(folder, setup, changed)
    assert changed.given == ["plain.jpg"]

    for other in (
        Setup(how=HowScaled(by=ByStated(11.0))),
        Setup(how=HowScaled(by=ByStated(10.0), kept=Kept(cards={1: CardCorrection(1.01, 1.0)}))),
    ):
        everything = Here()
        batch(folder, pinned(other), everything)
        assert len(everything.given) == 5


def test_a_fault_is_tried_again(folder, setup):
    book = Journal(folder.parent / "o.csv.journal", "key")
    with book.appending() as add:
        add(folder / "plain.jpg", {**row_of(folder / "plain.jpg", setup), "status": "fault"})
    assert Journal(folder.parent / "o.csv.journal", "key").find(folder / "plain.jpg") is None


def test_journal_that_cannot_be_written(folder, setup):
    with pytest.raises(UserError, match=r"Cannot write .*choose a folder"):
        run_batch(pictures_in(folder), setup, folder / "none" / "o.journal", Here(), lambda _: None)


def test_what_is_kept_while_a_batch_runs_changes_nothing(folder, setup):
    before = batch(folder, setup, Here())
    keep_lens("new", LensScale(1.0, 0.01, 100))
    assert batch(folder, setup, Here()) == before
    assert setup.how.kept == Kept()


# --- worker processes ---


def test_crash_and_hang_cost_one_row_each(folder, setup):
    work = Workers(2, longest_s=8.0, row_of=crashes)
    rows = {path.name: row for path, row in work(pictures_in(folder), setup)}

    assert {name: row["status"] for name, row in rows.items()} == {
        "cut_short.jpg": "wrong_input",
        "messenger.jpg": "measured",
        "plain.jpg": "fault",
        "plain.png": "fault",
        "turned.jpg": "measured",
    }
    assert "broke off" in rows["plain.jpg"]["message"]
    assert "given up" in rows["plain.png"]["message"]
    assert rows["turned.jpg"] == row_of(folder / "turned.jpg", setup)


def triage(*words: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", "from triage.cli import run; run()", *words]
    environment = {**os.environ, "PYTHONPATH": str(Path(cli.__file__).parents[1])}
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    )


def many(folder: Path, count: int) -> list[str]:
    for index in range(count):
        (folder / f"many_{index:02d}.png").write_bytes((folder / "plain.png").read_bytes())
    return [path.name for path in pictures_in(folder)]


@pytest.mark.skipif(sys.platform == "win32", reason="signals of this kind are not sent there")
def test_command_killed_then_interrupted_then_finished(folder):
    names = many(folder, 25)
    words = ("batch", str(folder), "--out", "o.csv", "--um-per-px", "10", "--workers", "2")
    journal = Path("o.csv.journal")

    def rows_kept() -> int:
        return journal.read_bytes().count(b'"row"') if journal.exists() else 0

    for how in (signal.SIGKILL, signal.SIGINT):
        before = rows_kept()
        run = triage(*words)
        while run.poll() is None and rows_kept() == before:
            time.sleep(0.02)
        run.send_signal(how)
        _, said = run.communicate(timeout=60)
        assert not Path("o.csv").exists()
        assert before < rows_kept() < len(names)
    assert run.returncode == 130
    assert "Run the same command again to go on" in said
    run = triage(*words)
    out, said = run.communicate(timeout=120)

    assert run.returncode == 0
    assert "Traceback" not in said
    assert out.startswith("30 photos: 29 measured, 1 that cannot be used. Written to o.csv")
    with Path("o.csv").open(encoding="utf-8", newline="") as file:
        assert [row["file"] for row in csv.DictReader(file)] == names
    lines = [json.loads(line)["name"] for line in journal.read_text().splitlines() if line]
    assert sorted(lines) == names  # none twice, none lost


# --- the command ---


@pytest.fixture
def run(folder, monkeypatch, capsys):
    del folder

    def go(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["triage", "batch", *words])
        status = cli._status()
        return (status, *capsys.readouterr())

    return go


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nowhere", "--out", "o.csv"), "Cannot read the folder"),
        (("photos/more", "--out", "o.csv"), "no JPEG"),
        (("photos", "--out", "photos"), "is a folder"),
        (("photos", "--out", "none/o.csv"), "Cannot write"),
        (("photos", "--out", "photos/plain.jpg"), "already the name of the photo"),
        (("photos", "--out", "o.csv", "--fraction", "2"), "--fraction 2"),
        (("photos", "--out", "o.csv", "--workers", "0"), "--workers"),
        (("photos", "--out", "o.csv", "--workers", "2", "--cluster", "tcp://x:1"), "leave it out"),
        (("photos", "--out", "o.csv", "--rule", "--um-per-px", "3"), "Give one scale"),
        (("photos", "--out", "o.csv", "--lens", "unknown"), "No lens called"),
        (("photos",), "--out"),
    ],
)
def test_wrong_command_lines(run, words, said):
    status, out, err = run(*words)
    assert (status, out) == (2, "")
    assert said in err
    assert "Traceback" not in err
    assert not Path("o.csv").exists()


def test_table_of_the_command_is_whole_and_plain(run, setup):
    status, out, err = run("photos", "--out", "o.csv", "--um-per-px", "10", "--workers", "1")
    assert status == 0, err
    assert "5 photos: 4 measured, 1 that cannot be used" in out
    assert "5 of 5" in err
    text = Path("o.csv").read_bytes().decode("utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    assert tuple(rows[0]) == columns(setup)
    assert len(rows) == 5
    assert "nan" not in text.lower().replace("nan_", "")
    assert "inf" not in [cell for row in rows for cell in row.values()]


def test_progress_names_the_time_left():
    assert time_left(Progress(1000, 400, 402), 10.0) == ""
    assert time_left(Progress(1000, 400, 500), 600.0) == ", about 50 min left"  # 6 s a photo, 500 to go
    assert time_left(Progress(1000, 0, 10), 100.0) == ", about 2.8 h left"
    assert time_left(Progress(10, 0, 9), 9.0) == ", under 1 min left"
    assert time_left(Progress(10, 0, 10), 9.0) == ""
    assert summary([{"status": "measured"}, {"status": "retake"}]) == "2 photos: 1 measured, 1 to take again"


def test_progress_is_a_bar_on_a_terminal_only(monkeypatch, capsys):
    row: Row = {"file": "a.jpg", "status": "measured"}
    Told()(Progress(2, 0, 1, row))
    assert capsys.readouterr().err == "1 of 2, a.jpg: measured\n"
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    told = Told()
    told(Progress(2, 0, 1, row))
    assert capsys.readouterr().err.startswith("\r[" + 15 * "#" + 15 * "-" + "] 1 of 2 photos")
    told.stopped()
    assert "Stopped after 1 of 2 photos" in capsys.readouterr().err


# --- a cluster ---


def dies_once(photo: Path, setup: Setup) -> Row:
    """Ends the worker at the first try of one photo."""
    mark = photo.with_suffix(".tried")
    if photo.name == "plain.jpg" and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), getattr(signal, "SIGKILL", signal.SIGTERM))
    return row_of(photo, setup)


def test_cluster_gives_the_local_rows_and_survives_a_killed_worker(folder, setup):
    distributed = pytest.importorskip("distributed", reason="Dask is not installed (extra `cluster`)")
    from triage.batch.cluster import Cluster

    here = batch(folder, setup, Here())
    options = {"n_workers": 2, "threads_per_worker": 1, "processes": True, "dashboard_address": None}
    with distributed.LocalCluster(**options, silence_logs=50) as local:
        rows = dict(Cluster(local.scheduler_address, row_of=dies_once)(pictures_in(folder), setup))

    assert (folder / "plain.tried").exists()
    assert [rows[path] for path in pictures_in(folder)] == here


def test_cluster_that_is_not_there(run, monkeypatch):
    pytest.importorskip("distributed", reason="Dask is not installed (extra `cluster`)")
    monkeypatch.setattr("triage.batch.cluster.ANSWER_S", 1)
    status, _, err = run("photos", "--out", "o.csv", "--cluster", "tcp://127.0.0.1:9")
    assert status == 2
    assert "No Dask scheduler answers at tcp://127.0.0.1:9" in err


def test_cluster_without_dask_says_what_to_install(run, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    status, _, err = run("photos", "--out", "o.csv", "--cluster", "tcp://127.0.0.1:9")
    assert status == 2
    assert "cluster extra" in err
