"""Two saved samples compared, ready to show."""

from __future__ import annotations

from dataclasses import dataclass

from triage.rate_words import PER_WORDS
from triage.record.book import Record, save_comparison
from triage.record.reports import compare_saved
from triage.report import words
from triage.report.comparison import note
from triage.report.result import comparison_json
from triage.sizing.compare import Comparison, Side


@dataclass(frozen=True)
class Column:
    """One side in words; `bar` is its amount in per cent of the bigger side's."""

    number: int
    count: str
    rate: str
    median: str
    kinds: str
    bar: float


@dataclass(frozen=True)
class SideBySide:
    """The whole comparison in words."""

    lines: tuple[str, ...]
    per: str
    columns: tuple[Column, Column]
    cautions: tuple[str, ...]


def side_by_side(record: Record, before: int, after: int) -> SideBySide:
    """Compare two saved samples, corrections applied. UserError where they are one and the same."""
    found = compare_saved(record, before, after)
    most = max(found.before.rate, found.after.rate)
    return SideBySide(
        tuple(words.typeset(line) for line in note(found)[1:]),
        PER_WORDS[found.per],
        (_column(before, found.before, found, most), _column(after, found.after, found, most)),
        tuple(words.typeset(caution) for caution in found.cautions),
    )


def keep(record: Record, before: int, after: int) -> None:
    """Keep the comparison of two saved samples as it is now; what is corrected later leaves it as it is."""
    save_comparison(record, before, after, comparison_json(compare_saved(record, before, after)))


def _amount(value: float) -> str:
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def _column(number: int, side: Side, found: Comparison, most: float) -> Column:
    kinds = ", ".join(f"{words.KIND_WORDS.get(kind, kind)} {count}" for kind, count in side.kinds[:3])
    return Column(
        number=number,
        count=f"{words.pieces(side.count)} over {words.size(found.sizes_from_um)}",
        rate=f"{_amount(side.rate)} (95 %: {_amount(side.rate_low)} to {_amount(side.rate_high)})",
        median="not known" if side.median_um is None else words.size(side.median_um),
        kinds=kinds or "nothing sized",
        bar=100 * side.rate / most if most else 0.0,
    )
