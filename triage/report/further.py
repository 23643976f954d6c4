"""What follows from the sizes, in a few short lines: what went past, the narrow places, how much it is."""

from __future__ import annotations

from triage.analysis import Analysis
from triage.consequences import Consequences
from triage.report import words
from triage.report.content import by_rating
from triage.sizing import Share
from triage.sizing.amount import Amount, Estimate, FibreLength
from triage.sizing.orifices import OrificeRisk
from triage.sizing.standards import Standards
from triage.sizing.went_past import WentPast

LITTLE_FILLED = 0.01


def further_lines(analysis: Analysis) -> list[tuple[str, str]]:
    """Return the lines as (heading, sentence); without pieces only what an earlier sample says."""
    further = analysis.further
    before = [("Last time:", words.typeset(analysis.history.said))] if analysis.history else []
    if further is None or not further.amount.count:
        return before
    lines = [
        ("Went past the filter:", past_words(further.went_past) if further.went_past else ""),
        ("Jets and valves:", orifice_words(further)),
        ("How much:", amount_words(further.amount)),
        ("Fibres:", fibre_words(further.amount)),
        ("Too small to size:", below_limit_words(analysis)),
    ]
    return [*before, *((head, words.typeset(said)) for head, said in lines if said)]


def standards_lines(analysis: Analysis) -> list[str]:
    """Return the result in the words of open standards, as far as this photo carries them."""
    further = analysis.further
    if further is None or not further.amount.count:
        return []
    said = [_classes(further.standards), _code(further.standards), _dusts(further.standards)]
    return [words.typeset(line) for line in said if line]


def past_words(past: WentPast) -> str:
    """Say how many pieces went past, as a model, or why that cannot be told."""
    if past.refused or past.past is None or past.low is None or past.high is None:
        return f"cannot be told: {past.refused}."
    number = f"about {_number(past.past)}" if past.past >= 0.5 else "hardly any"
    return (
        f"{number} (95 %: {_number(past.low)} to {_number(past.high)}) of those over "
        f"{words.size(past.from_um)}, beside {past.held} counted on it. Modelled, not measured."
    )


def orifice_words(further: Consequences) -> str:
    """Say how pieces compare with one narrow place.

    The widest that a piece is too big for, else the narrowest that pieces can bridge or fibres tangle in.
    """
    blocked = [risk for risk in further.orifices if risk.whole.count]
    bridged = [risk for risk in further.orifices if risk.third.count or risk.long_fibres]
    told = blocked[:1] or bridged[-1:]
    return _against(told[0]) if told else ""


def _against(risk: OrificeRisk) -> str:
    named = f"the {risk.name}, {words.size(risk.orifice_um)}"
    third, longer = risk.third.count or 0, risk.long_fibres
    fibres = f"{longer} longer fibre{'s' if longer > 1 else ''}" if longer else ""
    if risk.whole.count:
        said = f"{words.pieces(risk.whole.count)} bigger than {named}, {third} over a third of it"
    elif third:
        said = f"{words.pieces(third)} over a third of {named}, none bigger than it"
    else:
        return f"{fibres} than {named}, is wide ({risk.reach})."
    return f"{said}{f'; {fibres}' if fibres else ''} ({risk.reach})."


def amount_words(amount: Amount) -> str:
    """Say how much debris there is, with what the model leaves open."""
    parts = [f"about {_mass(amount.mass_mg)} over {words.size(amount.from_um)}"]
    for rate, unit in (
        (amount.mg_per_hour, "an hour"),
        (amount.mg_per_litre_burnt, "a litre burnt"),
        (amount.mg_per_ml, "a ml sampled"),
    ):
        if rate is not None:
            parts.append(f"{_weight(rate.value)} {unit}")
    filled = amount.filled
    if filled is not None and filled.share_low is not None and filled.share_high is not None:
        little = filled.share_high < LITTLE_FILLED
        share = "under 1 %" if little else _share(filled.share_low, filled.share_high)
        parts.append(f"{share} of what a small {filled.element} element holds")
    return f"{', '.join(parts)}. A rough model."


def fibre_words(amount: Amount) -> str:
    """Say how much fibre there is by length; nothing without fibres."""
    return next((_fibres(kind.count, kind.length) for kind in amount.kinds if kind.length), "")


def _fibres(count: int, length: FibreLength) -> str:
    total = length.total_mm
    limits = "few pieces decide"
    if total.low is not None and total.high is not None:
        limits = f"95 %: {_two_figures(total.low)} to {_two_figures(total.high)}"
    return (
        f"{count}, {_two_figures(total.value)} mm in all ({limits}); "
        f"mean length {words.size(1000 * length.mean_mm)}, weighted by length."
    )


def below_limit_words(analysis: Analysis) -> str:
    """Say what is modelled below the photo's limit: the number, and the shares of two ratings; or nothing."""
    below, from_um = analysis.sizes.modelled, analysis.sizes.from_um
    if below is None or below.count is None or below.low is None or below.high is None:
        return ""
    number = f"{_number(below.count)} (95 %: {_number(below.low)} to {_number(below.high)})"
    said = (
        f"modelled, not measured: if sizes follow the same curve ({below.law}) below {words.size(from_um)}, "
        f"about {number} smaller pieces"
    )
    told = [(words.rating(row), row.modelled) for row in by_rating(analysis) if row.modelled]
    shares = [
        f"{rating} um passes {words.share(Share(model.share, model.low, model.high))}"
        for rating, model in dict([*told[:1], *told[-1:]]).items()
    ]
    return f"{said}; of all, seen or not, {words.listed(shares)}." if shares else f"{said}."


def _share(low: float, high: float) -> str:
    most = "all" if high >= 1 else words.percent(high)
    return f"{words.percent(min(low, 1))} to {most}"


def _mass(mass: Estimate) -> str:
    if mass.low is None or mass.high is None:
        return f"{_weight(mass.value)} (few pieces decide)"
    unit, size = _unit(mass.value)
    value, low, high = (_two_figures(milligrams / size) for milligrams in (mass.value, mass.low, mass.high))
    return f"{value} {unit} ({low} to {high})"


def _weight(milligrams: float) -> str:
    """Return a mass to two figures in micrograms, milligrams or grams."""
    unit, size = _unit(milligrams)
    return f"{_two_figures(milligrams / size)} {unit}"


def _unit(milligrams: float) -> tuple[str, float]:
    return next(
        ((unit, mg) for unit, mg in (("g", 1000.0), ("mg", 1.0)) if milligrams >= 0.1 * mg), ("µg", 1e-3)
    )


def _two_figures(value: float) -> str:
    return f"{float(f'{value:.2g}'):g}"


def _number(value: float) -> str:
    """Return a count, to two figures from 100 up."""
    return f"{value:.0f}" if value < 100 else f"{float(f'{value:.2g}'):.0f}"


def _classes(standards: Standards) -> str:
    told = [entry for entry in standards.iso_16232 if entry.count]
    counts = ", ".join(f"{entry.letter} {entry.count}" for entry in told)
    return f"ISO 16232 size classes by longest dimension: {counts}." if counts else ""


def _code(standards: Standards) -> str:
    found = standards.iso_4406
    return f"ISO 4406 code: {found.code}." if found.code else f"No ISO 4406 code: {found.why_not}."


def _dusts(standards: Standards) -> str:
    told = [entry.text for entry in standards.test_dusts if entry.verdict != "cannot_be_told"]
    return f"Against ISO 12103-1 test dusts: {'; '.join(told)}." if told else ""
