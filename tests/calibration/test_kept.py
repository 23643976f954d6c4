"""The shop's own measurements: kept whole, read back, refused where they cannot be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibration.kept import (
    FILE_NAME,
    CardCorrection,
    ImplausibleMeasure,
    Kept,
    KeptUnreadable,
    LensScale,
    PhoneTone,
    data_folder,
    keep_card,
    keep_lens,
    keep_tone,
    load,
)


def test_nothing_is_kept_at_first(tmp_path: Path):
    assert load(tmp_path / "new") == Kept()


def test_what_is_kept_is_read_back_and_added_to(tmp_path: Path):
    keep_card(7, CardCorrection(1.004, 0.997), tmp_path)
    keep_lens("bench scope", LensScale(1.93, 0.003, 1600), tmp_path)
    keep_tone("shop phone", PhoneTone(0.1, 0.02), tmp_path)

    assert load(tmp_path) == Kept(
        {7: CardCorrection(1.004, 0.997)},
        {"bench scope": LensScale(1.93, 0.003, 1600)},
        {"shop phone": PhoneTone(0.1, 0.02)},
    )
    assert [path.name for path in tmp_path.iterdir()] == [FILE_NAME]


def test_correction_is_caliper_length_over_the_bars_five_inches():
    """5.000 in is 127.00 mm by the definition of the inch."""
    correction = CardCorrection.from_bars(127.635, 126.365)

    assert (correction.x, correction.y) == pytest.approx((1.005, 0.995))
    assert correction.rel_u < 0.0005


@pytest.mark.parametrize("bars", [(127.0, 12.7), (5.0, 5.0), (0.0, 127.0), (float("nan"), 127.0)])
def test_slip_of_the_caliper_is_refused(bars: tuple[float, float]):
    with pytest.raises(ImplausibleMeasure, match="100 %"):
        CardCorrection.from_bars(*bars)


@pytest.mark.parametrize(
    "damage",
    [
        "",
        "[]",
        "{}",
        '{"cards": {"x": {}}, "lenses": {}, "tones": {}}',
        "\0",
        '{"cards": {"1": {"x": "a", "y": 1}}, "lenses": {}, "tones": {}}',
    ],
)
def test_damaged_file_is_named_and_not_overwritten(tmp_path: Path, damage: str):
    (tmp_path / FILE_NAME).write_text(damage)

    with pytest.raises(KeptUnreadable, match=FILE_NAME):
        keep_card(1, CardCorrection(1.0, 1.0), tmp_path)
    assert (tmp_path / FILE_NAME).read_text() == damage


def test_folder_that_cannot_be_written_is_said(tmp_path: Path):
    (tmp_path / "file").write_text("")

    with pytest.raises(KeptUnreadable):
        keep_card(1, CardCorrection(1.0, 1.0), tmp_path / "file")


def test_folder_follows_the_platform(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.delenv("TRIAGE_DATA", raising=False)
    monkeypatch.setenv("XDG_DATA_HOME", "/shop/data")
    monkeypatch.setenv("APPDATA", "/shop/roaming")
    folders = {}
    for platform in ("linux", "win32", "darwin"):
        monkeypatch.setattr("sys.platform", platform)
        folders[platform] = data_folder()

    assert folders == {
        "linux": Path("/shop/data/triage"),
        "win32": Path("/shop/roaming/triage"),
        "darwin": Path.home() / "Library" / "Application Support" / "triage",
    }


def test_environment_chooses_the_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    keep_card(3, CardCorrection(1.001, 1.002))

    assert load().cards == {3: CardCorrection(1.001, 1.002)}
