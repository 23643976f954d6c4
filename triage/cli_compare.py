"""Commands that compare samples and plan how much to sample."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from triage import options
from triage.errors import UserError

if TYPE_CHECKING:
    from triage.report.letterhead import Paper
    from triage.report.reading import Read
    from triage.sizing.compare import Comparison, DebrisSample, Target
    from triage.sizing.spread import Spread

REFUSED = 3
USUAL_CLEANING = 0.9  # planned for where nothing is said
SAMPLE_HELP = "result file, photo, or saved sample's number"


class Per(StrEnum):
    """Exposure to compare by."""

    ml = "ml"
    hour = "hour"
    litre = "litre"
    month = "month"
    sample = "sample"


AboveOption = Annotated[
    float | None, typer.Option(metavar="UM", min=0, help="count pieces from this size on")
]
SampleCvOption = Annotated[
    float | None,
    typer.Option(
        metavar="PERCENT",
        help="how far samples of one tank differ beyond chance; else the shop's own, else 30",
    ),
]


def compare(
    before: Annotated[str, typer.Argument(help=SAMPLE_HELP)],
    after: Annotated[str, typer.Argument(help=SAMPLE_HELP)],
    json: Annotated[Path | None, typer.Option(help="write the comparison as JSON")] = None,
    pdf: Annotated[Path | None, typer.Option(help="write the comparison, both photos at one scale")] = None,
    paper: options.PaperOption = options.Sheet.a4,
    target: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="cleaning target: so many per cent fewer pieces")
    ] = None,
    above: AboveOption = None,
    per: Annotated[Per | None, typer.Option(help="compare by this; else by the best that both know")] = None,
    sample_cv: SampleCvOption = None,
    also_before: Annotated[list[str] | None, typer.Option(help="one more sample from before")] = None,
    also_after: Annotated[list[str] | None, typer.Option(help="one more sample from after")] = None,
    same_tank: Annotated[
        bool, typer.Option("--same-tank", help="both are of one tank, unchanged: keep how far they differ")
    ] = False,
) -> None:
    """Compare the debris of two samples: did cleaning work, is it better or worse than last time?"""
    from triage.report.comparison import comparison_text, write_comparison
    from triage.sizing.compare import How
    from triage.sizing.compare import compare as work

    goal = _target(target, above)
    spread = _spread(sample_cv)
    given = [before, *(also_before or []), after, *(also_after or [])]
    _check_outputs((json, pdf), given)
    if same_tank and len(given) != 2:
        raise UserError("--same-tank takes one pair of samples; leave out --also-before and --also-after.")
    read = _read(given, pictures=pdf is not None)
    samples = [each.sample for each in read]
    _check_different(samples)
    first_after = len(given) - len(also_after or []) - 1
    found = work(samples[:first_after], samples[first_after:], How(spread, _known(per, samples), goal))
    if json is not None:
        write_comparison(found, json)
    if pdf is not None:
        _write_pdf(found, read[0], read[first_after], pdf, paper.value)
    typer.echo(comparison_text(found), nl=False)
    if same_tank:
        typer.echo(f"\n{_keep(samples[0], samples[1])}")


def plan(
    fewer: Annotated[
        float | None,
        typer.Option(
            metavar="PERCENT", help="how many fewer pieces the cleaning leaves; else 90, or past --target"
        ),
    ] = None,
    target: Annotated[
        float | None,
        typer.Option(metavar="PERCENT", help="show at least so many fewer, not only fewer at all"),
    ] = None,
    power: Annotated[float, typer.Option(metavar="PERCENT", help="chance of showing it")] = 80,
    like: Annotated[
        str | None, typer.Option(metavar="SAMPLE", help=f"expect pieces as in this {SAMPLE_HELP}")
    ] = None,
    above: AboveOption = None,
    sample_cv: SampleCvOption = None,
) -> None:
    """Say how much to sample before and after a cleaning for the answer to be sure."""
    from triage.report.comparison import plan_text
    from triage.sizing.planner import Question
    from triage.sizing.planner import plan as work

    left, claimed = _left(fewer, target), 1.0
    if target is not None:
        claimed = 1 - _percent(target, "--target")
        if left >= claimed:
            raise UserError(
                f"--fewer {fewer:g} must be above --target {target:g}: only what is passed shows."
            )
    chance = _percent(power, "--power")
    if not 0.05 <= chance <= 0.99:
        raise UserError(
            f"--power {power:g} must be from 5 to 99: the chance of showing the change, per cent."
        )
    spread = _spread(sample_cv)
    rate = _rate(like, above)
    question = Question(left, claimed, power=chance)
    typer.echo(plan_text(question, work(question, spread), spread, rate), nl=False)


def _left(fewer: float | None, target: float | None) -> float:
    """Part of the pieces that the cleaning leaves: by default a third of what the target allows."""
    if fewer is not None:
        return 1 - _percent(fewer, "--fewer")
    return 1 - USUAL_CLEANING if target is None else (1 - _percent(target, "--target")) / 3


def _read(given: Sequence[str], *, pictures: bool = False) -> list[Read]:
    from triage.report.reading import Refused, read_sample

    samples, refused = [], []
    for each in given:
        try:
            samples.append(read_sample(each, pictures=pictures))
        except Refused as error:
            refused += error.lines
    if refused:
        for line in refused:
            typer.echo(line, err=True)
        raise typer.Exit(REFUSED)
    return samples


def _write_pdf(found: Comparison, before: Read, after: Read, path: Path, paper: Paper) -> None:
    from triage.report.comparison_pdf import comparison_pdf
    from triage.report.files import write_whole

    sides = (before.analysis, after.analysis)
    write_whole(path, comparison_pdf(found, sides, after.work_order, paper))


def _check_outputs(outputs: Sequence[Path | None], given: Sequence[str]) -> None:
    taken = {Path(each).resolve(): "one of the samples" for each in given}
    for path in outputs:
        if path is None:
            continue
        if path.resolve() in taken:
            raise UserError(f"{path} is {taken[path.resolve()]}; give the comparison a name of its own.")
        taken[path.resolve()] = "another output"


def _check_different(samples: Sequence[DebrisSample]) -> None:
    """Refuse the same pieces twice: they would always agree."""
    for index, one in enumerate(samples):
        for other in samples[index + 1 :]:
            if one.photos & other.photos and one.size_um.size and list(one.size_um) == list(other.size_um):
                raise UserError(
                    f"{one.name} and {other.name} are the same sample; give two that were taken separately."
                )


def _known(per: Per | None, samples: Sequence[DebrisSample]) -> str | None:
    if per is None or per is Per.sample:
        return None if per is None else per.value
    lacking = [each.name for each in samples if per.value not in each.exposures]
    if lacking:
        raise UserError(
            f"--per {per.value}: {', '.join(lacking)} does not say how many; analyse it with that given."
        )
    return per.value


def _target(target: float | None, above: float | None) -> Target | None:
    from triage.sizing.compare import Target

    if target is None:
        if above is not None:
            raise UserError("--above belongs to --target PERCENT; give both or neither.")
        return None
    _check_above(above)
    return Target(_percent(target, "--target"), above)


def _check_above(above: float | None) -> None:
    if above is not None and not math.isfinite(above):
        raise UserError(f"--above {above:g} must be a size in um.")


def _percent(value: float, option: str) -> float:
    if not 0 < value < 100:
        raise UserError(f"{option} {value:g} must lie between 0 and 100, in per cent.")
    return value / 100


def _spread(sample_cv: float | None) -> Spread:
    from triage.kept_spread import kept_spread
    from triage.sizing.spread import Spread

    if sample_cv is None:
        return kept_spread()[0]
    if not 0 <= sample_cv <= 200:
        raise UserError(f"--sample-cv {sample_cv:g} must lie between 0 and 200, in per cent.")
    return Spread(sample_cv / 100)


def _rate(like: str | None, above: float | None) -> tuple[float, str] | None:
    """Pieces in one unit of what `like` was sampled by, and the unit's name; None without `like`."""
    from triage.report.comparison import PLAN_UNITS
    from triage.sizing.compare import common_exposure

    if like is None:
        if above is not None:
            raise UserError("--above needs --like SAMPLE, whose pieces it counts.")
        return None
    _check_above(above)
    sample = _read([like])[0].sample
    from_um = sample.from_um if above is None else above
    if from_um < sample.from_um:
        raise UserError(
            f"--above {from_um:g} lies below what {sample.name} can size: from {sample.from_um:.0f} um on."
        )
    per = common_exposure([sample])
    counted = sample.counted(from_um, per)
    if not counted.count:
        raise UserError(f"{sample.name} has no piece over {from_um:.0f} um, so no amount follows from it.")
    return counted.rate, PLAN_UNITS[per]


def _keep(one: DebrisSample, other: DebrisSample) -> str:
    """Keep the pair, and say what the spread is now."""
    from triage.kept_spread import KeptPair, keep_pair, kept_spread
    from triage.sizing.compare import common_exposure, common_size

    from_um, per = common_size([one, other]), common_exposure([one, other])
    counted = [each.counted(from_um, per) for each in (one, other)]
    if not any(each.count for each in counted):
        raise UserError(
            "Two samples without a piece say nothing about how far samples differ; nothing is kept."
        )
    names = [",".join(sorted(each.photos)) or each.name for each in (one, other)]
    path = keep_pair(
        KeptPair(
            (names[0], names[1]),
            (counted[0].count, counted[1].count),
            (counted[0].exposure, counted[1].exposure),
        )
    )
    spread, pairs = kept_spread()
    own = f"{pairs} pair{'s' if pairs > 1 else ''} of your own"
    return (
        f"Kept in {path}: {own}. Samples of one tank are now taken to differ\n"
        f"by {100 * spread.cv:.0f} % beyond chance (the starting value of 30 % counts as five pairs).\n"
        "Not of one tank after all? Take the last pair out of that file."
    )
