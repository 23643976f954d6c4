"""Numbers in words against the inch's definition and the trade's roundings."""

from __future__ import annotations

import pytest

from triage.report import words
from triage.sizing import Share, inches


@pytest.mark.parametrize(
    ("um", "inch"), [(152.4, "0.006"), (76.2, "0.003"), (25.4, "0.001"), (150.0, "0.006"), (75.0, "0.003")]
)
def test_inches_as_the_trade_writes_them(um: float, inch: str) -> None:
    """1 in = 25 400 um; the trade calls 0.006, 0.003 and 0.001 in 150, 75 and 25 um (common practice)."""
    assert inches(um) == inch


@pytest.mark.parametrize("um", [10.0, 15.0, 30.0, 62.0, 99.0, 340.0, 1234.0])
def test_inches_are_right_to_half_a_last_place(um: float) -> None:
    text = inches(um)
    half = 0.5 * 10 ** -len(text.split(".")[1])
    assert float(text) == pytest.approx(um / 25_400, abs=max(half, 5e-5))


def test_tiny_sizes_are_not_called_nothing() -> None:
    assert inches(1.0) == "under 0.0001"
    assert words.microns(7.53) == "7.5"


@pytest.mark.parametrize(
    ("um", "said"),
    [(12.5, "12.5"), (75.0, "75"), (62.37, "62"), (1238.0, "1240"), (16_790.0, "16 800"), (999.7, "1000")],
)
def test_microns_keep_what_was_stated_and_round_what_was_measured(um: float, said: str) -> None:
    assert words.microns(um) == said


def test_shares_are_never_rounded_to_all_or_nothing() -> None:
    assert words.percent(0.9996) == "over 99.9 %"
    assert words.percent(0.0004) == "under 0.1 %"
    assert words.percent(1.0) == "100 %"
    assert words.percent(0.0) == "0 %"


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (0.8, 0.9, "80 to 90 %"),
        (0.0, 0.12, "at most 12 %"),
        (0.88, 1.0, "at least 88 %"),
        (0.0, 1.0, "0 to 100 %"),
        (None, None, ""),
        (0.991, 0.998, "99.1 to 99.8 %"),
        (0.0, 0.0, "0 %"),
        (0.0002, 0.003, "at most 0.3 %"),
        (0.9, 0.9998, "at least 90 %"),
    ],
)
def test_intervals(low: float | None, high: float | None, said: str) -> None:
    assert words.interval(low, high) == said


def test_few_pieces_take_the_place_of_an_interval() -> None:
    assert words.share(Share(0.4, None, None, few_pieces_decide=True)) == "40 %; few pieces decide"
    assert words.share(Share(0.4, 0.3, 0.5)) == "40 % (30 to 50 %)"
    assert words.share(Share(0.001, 0.0, 0.003)) == "0.1 % (at most 0.3 %)"


def test_lists_and_counts() -> None:
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert words.listed(["a"]) == "a"
    assert [words.pieces(n) for n in (0, 1, 1240)] == ["no pieces", "1 piece", "1 240 pieces"]


def test_micron_sign_for_text_from_elsewhere() -> None:
    assert words.typeset("over 75 um, not a drum or an umlaut") == "over 75 µm, not a drum or an umlaut"
