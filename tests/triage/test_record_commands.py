"""`triage record ...` and `triage analyse --save` from the command line."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.triage.commands import runner
from tests.triage.drawn import blurred_cover, disc, photo, rows_of
from tests.triage.saved import png
from triage import cli
from triage.record.book import load_result, open_record, samples

ROOT = Path(__file__).resolve().parents[2]
SAID = ("--um-per-px", "10", "--machine", "PW-07", "--origin", "filter", "--noticed", "none", "--save")


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """A folder with a shop's data and photos: two samples of one machine saved, 40 discs and then 4."""
    folder = tmp_path_factory.mktemp("shop")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TRIAGE_DATA", str(folder / "data"))
        patch.delenv("TRIAGE_DATABASE", raising=False)
        for name, count in (("before", 40), ("after", 4)):
            laid, size = rows_of([disc(width) for width in np.geomspace(9, 24, count)], 40)
            path = folder / f"{name}.png"
            path.write_bytes(png(photo(0.85 * blurred_cover(laid, size, 1.0))))
            command = ["triage", "analyse", str(path), *SAID, "--hours", str(count)]
            patch.setattr(sys, "argv", command)
            assert cli._status() == 0
    return folder


@pytest.fixture
def run(shop, tmp_path, monkeypatch, capsys):
    """Run `triage` in this process on a copy of the shop's data folder."""
    shutil.copytree(shop, tmp_path, dirs_exist_ok=True)
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv("TRIAGE_DATABASE", raising=False)
    monkeypatch.chdir(tmp_path)

    return runner(monkeypatch, capsys)


def test_a_saved_sample_is_told_after_the_result(run):
    done = run("analyse", "after.png", *SAID)

    assert done.status == 0
    assert done.out.splitlines()[0].startswith("PW-07: debris from the fuel filter")
    assert done.out.splitlines()[-1] == "Saved as sample 3 of machine PW-07."


def test_photos_are_kept_byte_for_byte(run, tmp_path):
    del run
    with open_record() as record:
        saved = samples(record, "PW-07")
        kept = {each.photos[0].file: record.photos.read(each.photos[0].sha256) for each in saved}

    assert kept == {name: (tmp_path / name).read_bytes() for name in ("before.png", "after.png")}


def test_saved_samples_are_compared_by_their_numbers(run, tmp_path):
    numbers = run("compare", "1", "2", "--json", "numbers.json")
    for number in (1, 2):
        (tmp_path / f"{number}.json").write_text(json.dumps(load_result(number)), encoding="utf-8")
    files = run("compare", "1.json", "2.json", "--json", "files.json")
    told = [
        json.loads((tmp_path / f"{name}.json").read_text(encoding="utf-8")) for name in ("numbers", "files")
    ]

    assert (numbers.status, files.status) == (0, 0)
    assert told[0]["rate_ratio"] == told[1]["rate_ratio"]
    assert run("compare", "1", "77").status == 2
    assert "There is no saved sample 77" in run("compare", "1", "77").err


def test_machines_and_visits_are_entered_and_shown(run):
    told = ("--date", "2026-05-01", "--work-order", "WO 7", "--complaint", "hunts")
    added = run("record", "add", "TP-1", "--type", "trash pump", "--feed", "gravity", "--installed", "150")
    changed = run("record", "add", "tp-1", "--engine", "single")
    visit = run("record", "visit", "PW-07", *told)
    attached = run("record", "attach", "1", "--visit", "1")
    listed = run("record", "list").out
    shown = run("record", "history", "pw-07").out

    assert added.out == "Machine TP-1 added.\n"
    assert changed.out == "Machine TP-1 changed.\n"
    assert visit.out == "Visit 1 of machine PW-07 on 2026-05-01 saved.\n"
    assert attached.out == "Sample 1 now belongs to machine PW-07, visit 1.\n"
    assert [line.split()[:2] for line in listed.splitlines()[1:]] == [["PW-07", "2"], ["TP-1", "trash"]]
    assert "visit 1, 2026-05-01: work order WO 7; hunts" in shown
    first, second = (line for line in shown.splitlines() if line.startswith(("1 ", "2 ")))
    assert first.split()[:3] == ["1", "1", "2026-05-01"]
    assert (first.split()[4], second.split()[3]) == ("40", "4")


def test_what_is_wrong_is_told_and_what_to_do(run, tmp_path):
    cases = {
        ("record", "history", "XX"): "There is no machine XX",
        ("record", "visit", "PW-07", "--date", "May"): "write it like 2026-05-31",
        ("record", "visit", "PW-07", "--noticed", "ghosts"): "--noticed ghosts: choose from",
        ("record", "attach", "1"): "Say where the sample belongs",
        ("record", "attach", "9", "--machine", "PW-07"): "There is no saved sample 9",
        ("record", "import", "missing.zip"): "Cannot read missing.zip",
        ("record", "export", "no/such/folder.zip"): "Cannot write no/such/folder.zip",
        ("record", "backup", str(tmp_path / "data")): "is where the record itself lies",
        ("record", "--database", "x", "list"): "is no address of a database",
        ("record", "nonsense"): "nonsense",
        ("analyse", "after.png", "--save", "--machine", " "): "A machine needs a unit number",
    }
    for words, said in cases.items():
        done = run(*words)
        assert (done.status, done.out) == (2, ""), words
        assert said in done.err
        assert len(done.err.splitlines()) == 1


def test_export_import_backup_and_check(run, tmp_path):
    other = f"sqlite:///{tmp_path / 'other' / 'record.sqlite'}"

    assert "2 samples and 2 photos written to all.zip" in run("record", "export", "all.zip").out
    assert run("record", "--database", other, "import", "all.zip").out == (
        "New: 1 machines, 0 visits, 2 samples.\n"
    )
    assert "2 photos with it, 2 of them new" in run("record", "backup", "copy").out
    assert run("record", "--database", other, "check").out == "The record is whole.\n"
    next(path for path in (tmp_path / "data" / "photos").rglob("*") if path.is_file()).unlink()
    faulty = run("record", "check")
    assert faulty.status == 2
    assert "cannot be read: no such file or directory; put it back from a backup" in faulty.out


def test_a_photo_that_is_refused_is_not_saved(run):
    done = run("analyse", str(ROOT / "sample_images" / "guide" / "report.jpg"), "--save")

    assert done.status == 3
    with open_record() as record:
        assert len(samples(record)) == 2


def test_a_record_that_cannot_be_opened_is_told_before_the_work(run, monkeypatch, tmp_path):
    (tmp_path / "text").write_text("no database, though long enough to be taken for one at first sight " * 3)
    monkeypatch.setenv("TRIAGE_DATABASE", f"sqlite:///{tmp_path / 'text'}")
    monkeypatch.setattr("triage.analysis.analyse", lambda *_: pytest.fail("it was analysed"))

    done = run("analyse", "after.png", "--save")
    assert done.status == 2
    assert "is not a service record" in done.err


def test_without_save_no_database_library_is_loaded(tmp_path):
    words = ["analyse", str(tmp_path / "none.jpg")]
    code = f"import sys; sys.argv[1:] = {words!r}; from triage import cli; cli._status(); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in done.stdout.split()}

    assert "triage" in loaded
    assert loaded.isdisjoint({"sqlalchemy", "alembic", "psycopg"})


NOW = SAID[:-1]  # not saved


def test_the_machines_earlier_sample_is_compared_and_speaks_in_the_advice(run, tmp_path):
    """40 pieces in 40 hours, then 4 in 400: a hundredth an hour. This photo's own save is passed over."""
    run("record", "visit", "PW-07", "--date", "2024-05-01", "--sample", "1")
    done = run("analyse", "after.png", *NOW, "--hours", "400", "--json", "now.json")

    history = json.loads((tmp_path / "now.json").read_text("utf-8"))["history"]
    assert history["comparison"]["verdict"] == "cleaner"
    counted = [history["comparison"][side] for side in ("before", "after")]
    assert [(side["count"], side["exposure"]) for side in counted] == [(40, 40), (4, 400)]
    assert "Compared with sample 1 of 1 May 2024" in history["said"]
    assert "then; per hour run 99 % fewer" in " ".join(done.out.split())
    assert "Cleaner than before: 4 pieces over" in " ".join(done.out.split())


def test_what_the_record_knows_of_the_machine_is_filled_in_and_what_is_said_now_wins(run, tmp_path):
    run(
        "record",
        "add",
        "PW-07",
        "--feed",
        "pump",
        "--installed",
        "75",
        "--element",
        "screen",
        "--fuel",
        "e10",
    )
    run("record", "visit", "PW-07", "--date", "2024-05-01", "--sample", "1")
    done = run(
        *("analyse", "after.png", *NOW, "--origin", "tank", "--installed", "30", "--json", "now.json"),
    )

    sample = json.loads((tmp_path / "now.json").read_text("utf-8"))["sample"]
    assert [sample[name] for name in ("feed", "fuel", "installed_um", "element")] == ["pump", "e10", 30, None]
    said = " ".join(done.out.split())
    assert "Taken from the service record: feed, fuel. The service record holds" in said
    assert "of PW-07, but from another place or taken another way" in said


def test_without_an_earlier_sample_one_sentence_says_so_and_no_record_is_made(run, tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "empty"))
    done = run("analyse", "after.png", *NOW)
    assert done.out.count("holds no earlier sample of PW-07 to compare with") == 1
    assert not (tmp_path / "empty" / "record.sqlite").exists()


def test_a_record_that_cannot_be_read_costs_the_history_and_nothing_else(run, tmp_path):
    for path in (tmp_path / "data").glob("record.sqlite*"):
        path.write_bytes(b"no database at all, for sure" * 200)
    done = run("analyse", "after.png", *NOW)
    assert done.status == 0
    assert done.err.startswith("No earlier sample was looked for: ")
    assert "could not be read, so nothing was compared" in " ".join(done.out.split())


def test_the_history_tells_the_trend_over_samples_taken_alike(run):
    """40 pieces in 40 hours at one visit, 4 in 4 hours two years later: once an hour both times."""
    run("record", "visit", "PW-07", "--date", "2023-05-01", "--sample", "1")
    run("record", "visit", "PW-07", "--date", "2025-05-01", "--sample", "2")
    said = run("record", "history", "PW-07").out.splitlines()[-1]
    assert said.startswith("Over 2 samples from the fuel filter: too few pieces to tell a trend. ")
    assert "From one year to the next, pieces over" in said
    assert "per hour run: about as many (95 %: " in said
