"""Backups made in use, and a check that finds whatever is wrong."""

from __future__ import annotations

import os
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from tests.triage.saved import Invented, invented
from triage.errors import UserError
from triage.record.book import load_analysis, open_record, samples, save_sample
from triage.record.store import PART
from triage.record.upkeep import JUST_SAVED_S, back_up, check, tidy


@pytest.fixture
def record(new_database):
    with open_record(new_database("sqlite")) as opened:
        yield opened


@pytest.fixture
def sample(tmp_path) -> Invented:
    return invented(tmp_path / "phone", 5)


def keep(record, sample: Invented) -> int:
    return save_sample(record, sample.analysis, [sample.photo], unit="PW-07").number


def codes(record) -> list[str]:
    return [fault.code for fault in check(record)]


def make_old(path: Path) -> Path:
    past = path.stat().st_mtime - JUST_SAVED_S - 1
    os.utime(path, (past, past))
    return path


def test_a_backup_is_a_record_of_its_own(record, sample, tmp_path):
    number = keep(record, sample)
    first = back_up(record, tmp_path / "copy")
    keep(record, invented(tmp_path / "phone", 6))
    second = back_up(record, tmp_path / "copy")

    assert (first.copied, first.photos, second.copied, second.photos) == (1, 1, 1, 2)
    with open_record(f"sqlite:///{second.file}") as copy:
        assert samples(copy) == samples(record)
        assert load_analysis(copy, number).pictures[0].sha256 == sample.analysis.photos[0].sha256
        assert check(copy) == ()


def test_a_backup_while_others_save_is_whole(record, sample, tmp_path):
    keep(record, sample)
    done = threading.Event()

    def save_on() -> None:
        while not done.is_set():
            keep(record, sample)

    busy = threading.Thread(target=save_on)
    busy.start()
    try:
        copies = [back_up(record, tmp_path / f"copy{index}").file for index in range(3)]
    finally:
        done.set()
        busy.join()

    for path in copies:
        with open_record(f"sqlite:///{path}") as copy:
            assert check(copy) == ()
            assert len(samples(copy)) >= 1


def test_a_damaged_record_does_not_replace_a_good_backup(record, sample, tmp_path):
    keep(record, sample)
    back_up(record, tmp_path / "copy")
    good = (tmp_path / "copy" / "record.sqlite").read_bytes()
    path = Path(record.place)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with path.open("r+b") as stream:
        stream.seek(4096)
        stream.write(b"\xff" * 8192)

    with pytest.raises(UserError, match=r"could not be copied .* last copy in .* is as it was"):
        back_up(record, tmp_path / "copy")
    assert (tmp_path / "copy" / "record.sqlite").read_bytes() == good
    assert not list((tmp_path / "copy").glob(f"*{PART}"))


def test_a_backup_onto_the_record_itself_is_refused(record, tmp_path):
    with pytest.raises(UserError, match="is where the record itself lies"):
        back_up(record, Path(record.place).parent)
    (tmp_path / "file").touch()
    with pytest.raises(UserError, match="Cannot write the copy"):
        back_up(record, tmp_path / "file" / "copy")


def test_a_server_backs_itself_up(new_database, tmp_path):
    with open_record(new_database("postgresql")) as record, pytest.raises(UserError, match="pg_dump"):
        back_up(record, tmp_path / "copy")


def test_a_whole_record_has_no_fault(database, sample):
    with open_record(database) as record:
        keep(record, sample)

        assert check(record) == ()


def test_missing_and_damaged_photos_are_found(database, sample, tmp_path):
    with open_record(database) as record:
        keep(record, sample)
        keep(record, invented(tmp_path / "phone", 6))
        one, other = record.photos.files()
        one.unlink()
        other.write_bytes(b"damaged")

        assert codes(record) == ["photo", "photo"]
        keep(record, sample)
        keep(record, invented(tmp_path / "phone", 6))
        assert codes(record) == []  # saved again, they are put right


def test_what_a_cut_off_save_left_is_found_and_removed_after_an_hour(record, sample):
    keep(record, sample)
    (photo,) = record.photos.files()
    stray = photo.with_name("f" * 64)
    part = photo.with_name(f"x{PART}")
    stray.write_bytes(b"a photo without a row")
    part.write_bytes(b"half")

    assert codes(record) == []
    assert tidy(record) == 0
    make_old(stray)
    make_old(part)
    assert codes(record) == ["stray", "stray"]
    assert tidy(record) == 2
    assert list(record.photos.files()) == [photo]


def test_a_stray_photo_that_is_being_saved_again_is_not_removed(record, sample):
    stray = make_old(record.photos.path(record.photos.keep(sample.photo.read_bytes())))
    record.photos.keep(sample.photo.read_bytes())  # what a save does before its rows are there

    assert tidy(record) == 0
    assert stray.is_file()


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ("UPDATE analyses SET result = replace(result, '\"particles\"', '\"pieces\"')", "analysis"),
        ("UPDATE analyses SET result = substr(result, 1, 100)", "analysis"),
        ("UPDATE analyses SET details = x'00'", "analysis"),
        ("DELETE FROM analyses", "half_saved"),
        ("DELETE FROM sample_photos", "half_saved"),
        ("UPDATE samples SET machine_id = 99", "database"),
    ],
)
def test_rows_that_do_not_fit_are_found(record, sample, change, code):
    """Changed past the program: triggers dropped, keys not heeded."""
    keep(record, sample)
    with closing(sqlite3.connect(record.place)) as connection:
        for trigger in ("analyses_no_update", "analyses_no_delete"):
            connection.execute(f"DROP TRIGGER {trigger}")
        connection.execute(change)
        connection.commit()

    assert code in codes(record)


def test_a_check_reads_one_state(record, sample):
    keep(record, sample)
    with record.reading() as session:
        session.execute(text("SELECT count(*) FROM samples"))
        keep(record, sample)
        assert session.scalar(text("SELECT count(*) FROM samples")) == 1
