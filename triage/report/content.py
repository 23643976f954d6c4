"""What a report says, as sentences and table cells; the PDF, the page and the text only lay it out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from triage.advice import Action
from triage.analysis import Analysis
from triage.debris.particles import ParticleTable
from triage.report import words
from triage.report.closeup import biggest_words, shown_particle
from triage.sizing import Passing, Percentiles, inches
from triage.sizing.sieves import nearest_sieve

TITLE = "Fuel filter debris check"
NOT_A_LAB = "This is a photo check, not a laboratory test."
RETAKE = "This photo could not be measured. Please take it again."
OUTLINES = (
    "Solid outline: sized. Dashed: cut by the window's edge. Ring: seen, too small or too faint to size."
)
HEADLINE_UM = 75.0
TOO_FEW = "too few pieces"
AT_HOME = {
    "fresh_fuel": "Use fuel that is no more than a few weeks old, and drain the machine before it is stored.",
    "drain_water": "Keep machine and can under cover, with their caps tight, so that no water gets in.",
    "check_cap_and_can": "Fill from a clean can, wipe round the cap first, and replace what does not seal.",
    "clean_tank": "Once the tank is clean, fill only from a clean, closed can and wipe round the cap first.",
}
AT_HOME_ELSE = "Fill from a clean, closed can and wipe round the filler cap before you open it."


@dataclass(frozen=True)
class PassingRow:
    """One line of the passing table, ready to print."""

    rating: str  # with the element: "75 screen"
    inch: str
    sieve: str
    stopped: str
    through: str
    by_count: str
    by_area: str
    by_volume: str
    band: str
    measurable: bool

    def thou_first(self) -> PassingRow:
        """Return the line with the rating in thousandths of an inch, microns in the next column."""
        microns, element = self.rating.rsplit(" ", 1)
        return replace(self, rating=f"{self.inch} {element}", inch=microns)


def refused(analysis: Analysis) -> bool:
    """Tell whether no photo could be measured."""
    return not any(photo.usable for photo in analysis.photos)


def machine(analysis: Analysis) -> str:
    """Return the machine's name, or an empty text."""
    return analysis.sample.machine or ""


def day(analysis: Analysis) -> str:
    """Return the day of the check, the month in words: 12 May 2026."""
    on = analysis.analysed_on
    return f"{on.day} {on:%B %Y}"


def where_from(analysis: Analysis) -> str:
    """Return where the debris came from, in words."""
    return words.ORIGIN_WORDS.get(analysis.sample.origin or "", "that was photographed")


def headline_row(analysis: Analysis) -> Passing | None:
    """Return the measurable rating to speak of: the installed one, else the one nearest 75 µm."""
    wanted = analysis.sample.installed_um or HEADLINE_UM
    rows = [row for row in analysis.passing if row.measurable]
    return min(rows, key=lambda row: abs(np.log(row.rating_um / wanted))) if rows else None


def counted(analysis: Analysis) -> int:
    """Return how many pieces the shares are over."""
    totals = [row.stopped_count + (row.through_count or 0) for row in analysis.passing]
    return totals[0] if totals else analysis.sizes.count


def found(analysis: Analysis) -> str:
    """Return the finding in counts, for the technician: one sentence."""
    sizes, row = analysis.sizes, headline_row(analysis)
    if refused(analysis):
        return "No photo could be measured; take it again."
    if counted(analysis) == 0:
        return nothing_found(analysis)
    if row is None:
        pieces = f"{words.pieces(counted(analysis))} over {words.size(sizes.from_um)}"
        return f"{pieces}; every rating asked for lies below this photo's limit."
    stopped, total = row.stopped_count, counted(analysis)
    return (
        f"{words.pieces(stopped).capitalize()} bigger than {words.size(row.rating_um)}; of {total} over "
        f"{words.size(row.from_um)}, {row.through_count} would go through."
    )


def nothing_found(analysis: Analysis) -> str:
    """Return what "no debris" means in this photo, with its upper bound."""
    sizes = analysis.sizes
    seen = int(np.count_nonzero(analysis.particles["weight"] > 0))
    besides = f" Smaller or thinner than that, but seen: {words.pieces(seen)}." if seen else ""
    bound = f" (95 % upper bound: {sizes.count_high:.1f} pieces)" if np.isfinite(sizes.count_high) else ""
    return f"No debris over {words.size(sizes.from_um)} was found{bound}.{besides}"


def found_plainly(analysis: Analysis) -> str:
    """Return the finding for the customer: how many, what they look like, the biggest; no shares."""
    sizes, biggest = analysis.sizes, shown_particle(analysis)
    if counted(analysis) == 0 or biggest is None:
        return f"In the debris {where_from(analysis)} we found no pieces over {words.size(sizes.from_um)}."
    return (
        f"In the debris {where_from(analysis)} we counted {words.pieces(counted(analysis))} over "
        f"{words.size(sizes.from_um)}{_looks(analysis)}. {biggest_words(analysis)}"
    )


def at_home(analysis: Analysis) -> str:
    """Return the one thing the customer can do."""
    codes = {action.code for action in analysis.advice.actions}
    return next((text for code, text in AT_HOME.items() if code in codes), AT_HOME_ELSE)


def headline(analysis: Analysis) -> str:
    """Return the advice in one sentence."""
    return words.typeset(analysis.advice.headline)


def steps(analysis: Analysis) -> list[tuple[str, str]]:
    """Return (what to do, why, how surely, what would change it) of each action, in order, as two texts."""
    return [(words.typeset(action.text), words.typeset(_why(action))) for action in analysis.advice.actions]


def _why(action: Action) -> str:
    parts = (
        ("Because: ", _sentences(action.because)),
        ("", action.confidence),
        ("Changed by: ", action.would_change),
    )
    return " ".join(f"{head}{said}" for head, said in parts if said)


def bench_tests(analysis: Analysis) -> str:
    """Return the next tests at the bench as one paragraph; empty where no look stands out."""
    return words.typeset(_sentences(analysis.advice.bench_tests))


def to_do(analysis: Analysis) -> str:
    """Return what to do in one line: the actions in a few words each, or the advice where there is none."""
    named = [_in_short(action) for action in analysis.advice.actions]
    if not named:
        return headline(analysis)
    if analysis.sample.noticed is None and not refused(analysis):
        named.append("look for water and stale fuel before closing up")
    return f"To do: {'; '.join(named)}."


def cautions(analysis: Analysis) -> str:
    """Return the cautions as one paragraph, but for what stands elsewhere on the page."""
    elsewhere = {NOT_A_LAB, *(f"{message} {remedy}" for _, message, remedy in problems(analysis))}
    said = [words.typeset(text) for text in analysis.advice.cautions]
    return _sentences([text for text in said if text not in elsewhere])


def _in_short(action: Action) -> str:
    short = action.short or action.text
    return f"{short}, {words.size(action.filter_um)}" if action.filter_um else short


def _sentences(parts: Sequence[str]) -> str:
    """Join sentences, each with one full stop."""
    return " ".join(part if part.endswith((".", "?", "!")) else f"{part}." for part in parts)


def by_rating(analysis: Analysis) -> list[Passing]:
    """Return the passing shares, coarsest rating first."""
    return sorted(analysis.passing, key=lambda row: -row.rating_um)


def passing_rows(analysis: Analysis) -> list[PassingRow]:
    """Return the passing table, coarsest rating first."""
    return [_passing_row(row) for row in by_rating(analysis)]


def passing_caption(analysis: Analysis) -> str:
    """Return what the shares of the passing table are shares of."""
    from_um = analysis.sizes.from_um
    return f"Share that would go through, {words.over(from_um)} ({inches(from_um)} in)"


def size_rows(analysis: Analysis) -> list[tuple[str, ...]]:
    """Return d10, d50 and d90 by number, area and volume, in words; first the column heads."""
    sizes = analysis.sizes
    heads = ("", "10 % are smaller than", "half are smaller than", "90 % are smaller than")
    rows = (("by number", sizes.by_count), ("by area", sizes.by_area), ("by volume", sizes.by_volume))
    return [heads, *((name, *_percentiles(values)) for name, values in rows)]


def size_lines(analysis: Analysis) -> list[tuple[str, str]]:
    """Return the sizes as (heading, sentence), leaving out what too few pieces give; empty without pieces."""
    heads, *rows = size_rows(analysis)
    lines = []
    for name, *values in rows:
        said = [f"{head} {value}" for head, value in zip(heads[1:], values, strict=True) if value != TOO_FEW]
        if said:
            lines.append((f"Sizes {name}:", f"{'; '.join(said)}."))
    return [*lines, ("Looks like:", f"{kinds(analysis)}.")] if lines else []


def kinds(analysis: Analysis) -> str:
    """Return how many of the sized pieces look like what, most frequent first."""
    table, from_um = sized(analysis), analysis.sizes.from_um
    looks = Counter(table["kind"].tolist()).most_common()
    told = ", ".join(f"{words.KIND_WORDS.get(kind, kind)} {count}" for kind, count in looks)
    thin = np.count_nonzero(~(table["passing_size_um"] >= from_um))
    if thin:  # or the sum would seem not to agree with the shares
        told += (
            f"; {thin} of these {'is' if thin == 1 else 'are'} too narrow to measure across, and in no share"
        )
    return told or "nothing sized"
    return told or "nothing sized"


def problems(analysis: Analysis) -> list[tuple[str, str, str]]:
    """Return (photo, message, remedy) of every problem; the photo is not named where there is only one."""
    several = len(analysis.photos) > 1
    return [
        (f"{photo.file}: " if several else "", words.typeset(problem.message), words.typeset(problem.remedy))
        for photo in analysis.photos
        for problem in photo.problems
    ]


def _passing_row(row: Passing) -> PassingRow:
    sieve = nearest_sieve(row.rating_um)
    pieces = row.stopped_count + (row.through_count or 0)
    shares = ("no pieces", "", "", "")
    if not row.measurable:
        shares = (_unmeasurable(row), "", "", "")
    elif pieces:
        band = words.interval(row.band.low, row.band.high)
        shares = (words.share(row.by_count), words.share(row.by_area), words.share(row.by_volume), band)
    return PassingRow(
        f"{words.rating(row)} {row.element}",
        words.thou(row.rating_um),
        f"No. {sieve.number}" if sieve else "none",
        str(row.stopped_count) if row.measurable else "–",
        str(row.through_count) if row.measurable else "–",
        *shares,
        measurable=row.measurable,
    )


def _unmeasurable(row: Passing) -> str:
    below = f"not measurable: under this photo's {words.microns(row.from_um)} µm"
    bounds = words.interval(row.by_count.low, row.by_count.high)
    return below if bounds in {"", "0 to 100 %"} else f"{below}; lets through {bounds} of all seen"


def _percentiles(values: Percentiles) -> tuple[str, ...]:
    sizes = (values.d10_um, values.d50_um, values.d90_um)
    return tuple(TOO_FEW if um is None else words.size(um) for um in sizes)


def sized(analysis: Analysis) -> ParticleTable:
    """Return the rows of the pieces that were sized, by the coarsest photo's limit, and stand whole."""
    table = analysis.particles
    sized = ~table["below_sizing_limit"] & (table["ecd_um"] >= analysis.sizes.from_um)
    return table[sized & (table["weight"] > 0)]


def _looks(analysis: Analysis) -> str:
    """Return what most pieces look like, where one kind has more than half or two have a fifth each."""
    looks = Counter(sized(analysis)["kind"].tolist())
    if looks.total() == 1:
        (kind,) = looks
        return "" if kind == "unsure" else f", and it looks like {words.KIND_WORDS[kind]}"
    told = [
        (words.KIND_WORDS[kind], n / looks.total()) for kind, n in looks.most_common() if kind != "unsure"
    ]
    if told and told[0][1] > 0.5:
        return f", and most look like {told[0][0]}"
    common = [name for name, part in told if part >= 0.2]
    return f", and many look like {words.listed(common)}" if common else ""
