"""The printed result: the three-line note, the narrow table, plain letters."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.triage.invented import invented_analysis, refused_analysis
from triage.analysis import Analysis
from triage.filters import load_filters
from triage.report import summary_text
from triage.sizing import passing_shares

SHAPE = (600, 800)


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return invented_analysis(150, shape=SHAPE)


def test_opens_with_three_lines_and_a_blank(analysis: Analysis) -> None:
    lines = summary_text(analysis).splitlines()
    row = next(row for row in analysis.passing if row.rating_um == 150)  # the installed one
    total = row.stopped_count + row.through_count
    assert lines[0] == "Trash pump 14, yard unit: debris from the fuel filter, photo check of 12 May 2026."
    assert lines[1] == (
        f"{row.stopped_count} pieces bigger than 150 um (0.006 in); of {total} over 60 um (0.0024 in), "
        f"{row.through_count} would go through."
    )
    assert lines[2] == (
        "To do: find where the debris comes from; clean the tank; fit a finer filter, 75 um (0.003 in)."
    )
    assert lines[3] == ""


def test_the_note_stays_three_lines_whatever_the_headline(analysis: Analysis) -> None:
    advice = replace(analysis.advice, headline="Look\nfor water;\n close up.", actions=())
    lines = summary_text(replace(analysis, advice=advice)).splitlines()
    assert lines[2:4] == ["Look for water; close up.", ""]


@pytest.mark.parametrize("count", [0, 1, 150])
def test_plain_letters_in_eighty_columns(count: int) -> None:
    text = summary_text(invented_analysis(count, shape=SHAPE))
    assert text.isascii()
    assert max(len(line) for line in text.splitlines()[3:]) <= 80


def test_table_rows_match_the_shares(analysis: Analysis) -> None:
    rows = {
        line.split()[0]: line
        for line in summary_text(analysis).splitlines()
        if "No. " in line or " none " in line
    }
    assert list(rows) == ["150", "75", "30", "25", "15", "7-11", "10"]
    for passing in analysis.passing:
        line = rows["7-11" if passing.finest_um else f"{passing.rating_um:g}"]
        if passing.measurable:
            assert f" {passing.stopped_count} " in line
            share = passing.by_count
            assert share.share is not None
            assert share.low is not None
            assert share.high is not None
            assert f"{100 * share.share:.0f} % ({100 * share.low:.0f}-{100 * share.high:.0f})" in line
        else:
            assert "not measurable here: under 60 um" in line


def test_shares_are_headed_by_what_they_are_of(analysis: Analysis) -> None:
    assert "\nShare that would go through, of pieces over 60 um (0.0024 in):\n" in summary_text(analysis)


def test_small_samples_are_marked() -> None:
    assert "* few pieces decide" in summary_text(invented_analysis(12, shape=SHAPE))
    assert "* few pieces decide" not in summary_text(invented_analysis(0, shape=SHAPE))


def test_refused_photo_lists_problem_and_remedy() -> None:
    text = summary_text(refused_analysis())
    assert text.splitlines()[1] == "No photo could be measured; take it again."
    assert "No calibration card was found. Lay the debris on the printed card." in text
    assert "%" not in text


def test_says_scale_limits_and_what_was_left_out(analysis: Analysis) -> None:
    text = " ".join(summary_text(analysis).split())
    assert (
        "taken 2026-05-12 09:41: scale from the printed card no. 3, wide frame, 30 um a pixel, +-0.6 % (95 %)"
        in text
    )
    assert "A dark piece is seen from 48 um (0.0019 in) and sized from 60 um (0.0024 in)" in text
    assert "3 pieces cut by the window's edge" in text
    assert "a photo check, not a laboratory test" in text


def test_thin_fibres_alone_are_not_called_nothing(analysis: Analysis) -> None:
    table = analysis.particles.copy()
    table["passing_size_um"], table["passing_below_um"] = np.nan, 60.0
    thin = replace(analysis, particles=table, passing=passing_shares(table, load_filters(), 60.0, 0.003))
    line = summary_text(thin).splitlines()[1]
    assert line.startswith("No debris over 60 um (0.0024 in) was found")
    assert line.endswith(
        f"Smaller or thinner than that, but seen: {int((table['weight'] > 0).sum())} pieces."
    )
