"""The short readable result: a three-line note to paste anywhere, then table, advice and limits."""

from __future__ import annotations

import textwrap

from triage.analysis import Analysis
from triage.report import content, words
from triage.report.further import further_lines
from triage.report.small_print import measured_how
from triage.sizing import Passing, Share

WIDTH = 79
PLAIN = str.maketrans({"µ": "u", "–": "-", "×": "x", "±": "+-", "°": " deg", "²": "2", "’": "'"})
LINE = "{:<10} {:>5}  {:<7} {:>7} {:>7}  {}"
SHARES = "{:<18} {:<8} {}"
SHARE_HEADS = SHARES.format("by number (95 %)", "by area", "by volume")
HEADS = LINE.format("um", "thou", "sieve", "stopped", "through", SHARE_HEADS)


def summary_text(analysis: Analysis) -> str:
    """Return the result as plain text, ASCII but for names the user gave.

    It opens with a note of exactly three lines, however long: what and when; the finding in counts;
    what to do. The rest keeps to 79 columns.
    """
    blocks = [note(analysis)]
    if not content.refused(analysis):
        blocks += [
            _passing(analysis),
            _sizes(analysis),
            _further(analysis),
            _advice(analysis),
            _measured_how(analysis),
        ]
    blocks += [_problems(analysis), content.NOT_A_LAB]
    return _plain("\n\n".join(block for block in blocks if block) + "\n")


def note(analysis: Analysis) -> str:
    """Return the three lines to paste into a job system."""
    who = f"{content.machine(analysis)}: " if content.machine(analysis) else ""
    what = f"{who}debris {content.where_from(analysis)}, photo check of {content.day(analysis)}."
    lines = (f"{what[0].upper()}{what[1:]}", content.found(analysis), content.to_do(analysis))
    return _plain("\n".join(" ".join(line.split()) for line in lines))


def _passing(analysis: Analysis) -> str:
    rows = content.by_rating(analysis)
    if not rows:
        return ""
    lines = [f"{content.passing_caption(analysis)}:", HEADS]
    for row, cells in zip(rows, content.passing_rows(analysis), strict=True):
        said = f"not measurable here: under {words.microns(row.from_um)} um"
        if cells.measurable:
            said = SHARES.format(_with_interval(row.by_count), _short(row.by_area), _short(row.by_volume))
        numbers = (cells.rating, cells.inch, cells.sieve, cells.stopped, cells.through)
        lines.append(LINE.format(*numbers, said).rstrip())
    return "\n".join([*lines, *_few_pieces(rows)])


def _few_pieces(rows: list[Passing]) -> list[str]:
    few = "*" in "".join(_short(row.by_area) + _short(row.by_volume) for row in rows)
    return ["* few pieces decide: another sample may well differ."] if few else []


def _with_interval(share: Share) -> str:
    if share.share is None or share.low is None or share.high is None:
        return "no pieces"
    return f"{_short(share)} ({100 * share.low:.0f}-{100 * share.high:.0f})"


def _short(share: Share) -> str:
    if share.share is None:
        return ""
    said = words.percent(share.share).replace("under ", "<").replace("over ", ">")
    return said + ("*" if share.few_pieces_decide else "")


def _sizes(analysis: Analysis) -> str:
    return wrapped([" ".join(line) for line in content.size_lines(analysis)])


def _further(analysis: Analysis) -> str:
    return wrapped([" ".join(line) for line in further_lines(analysis)])


def _advice(analysis: Analysis) -> str:
    lines = [f"{number}. {' '.join(step).strip()}" for number, step in enumerate(content.steps(analysis), 1)]
    tests, cautions = content.bench_tests(analysis), content.cautions(analysis)
    lines += [f"At the bench: {tests}"] if tests else []
    return wrapped([*lines, f"Cautions: {cautions}"] if cautions else lines)


def _problems(analysis: Analysis) -> str:
    return wrapped([f"{photo}{message} {remedy}" for photo, message, remedy in content.problems(analysis)])


def _measured_how(analysis: Analysis) -> str:
    return wrapped(measured_how(analysis))


def wrapped(lines: list[str]) -> str:
    """Return each line folded at 79 columns, its further lines set in."""
    return "\n".join(
        textwrap.fill(line, WIDTH, subsequent_indent="   ", break_on_hyphens=False) for line in lines
    )


def _plain(text: str) -> str:
    return text.translate(PLAIN)
