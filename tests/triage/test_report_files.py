"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.triage.invented import invented_analysis
from triage.errors import UserError
from triage.report import Outputs, write_overlay, write_report
from triage.report.files import write_whole


def test_writes_and_replaces(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    write_whole(path, b"one")
    write_whole(path, b"two")
    assert path.read_bytes() == b"two"
    assert list(tmp_path.iterdir()) == [path]


def test_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"^Cannot write .*: no such file or directory; choose .*\.$"):
        write_whole(tmp_path / "none" / "a.txt", b"one")


def test_a_folder_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="it is a folder; give a file name"):
        write_whole(tmp_path, b"one")


def test_a_failing_disk_leaves_the_old_file_and_no_part(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.txt"
    write_whole(path, b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(UserError, match="no space left on device"):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(os.name != "posix", reason="device files are a POSIX notion")
def test_a_device_is_written_to_not_replaced() -> None:
    write_whole(Path("/dev/null"), b"one")
    assert not Path("/dev/null").is_file()


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    real, link = tmp_path / "real.txt", tmp_path / "link.txt"
    real.write_bytes(b"old")
    link.symlink_to(real)
    write_whole(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"


def test_overlay_name_must_say_its_kind(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"must be named \.jpg or \.png"):
        write_overlay(invented_analysis(0, shape=(60, 80)), tmp_path / "o.gif")


def test_all_outputs_at_once(tmp_path: Path) -> None:
    kinds = ("json", "pdf", "html", "csv")
    outputs = Outputs(**{kind: tmp_path / f"r.{kind}" for kind in kinds}, overlay=tmp_path / "r.png")
    write_report(invented_analysis(20, shape=(300, 400)), outputs)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r.csv", "r.html", "r.json", "r.pdf", "r.png"]
    starts = {path.suffix: path.read_bytes()[:4] for path in tmp_path.iterdir()}
    assert starts[".pdf"] == b"%PDF"
    assert starts[".png"] == b"\x89PNG"
