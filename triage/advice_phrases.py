"""The numbers of a sample put into phrases, which the rules' sentences name in braces."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from triage.advice_feed import fed_or_not, fitting, measured_flow, raised_tank, shelf, sure_of
from triage.advice_findings import Findings
from triage.advice_texts import all_of, either_of, either_size, element_words, pieces
from triage.rate_words import PER_WORDS, times
from triage.sizing.compare import SAMPLE
from triage.sizing.exact import poisson_limits

if TYPE_CHECKING:
    from triage.sizing import Passing

FUELS = {"petrol": "petrol", "e10": "an ethanol blend", "oil_mix": "two-stroke mix", "diesel": "diesel"}
BEHIND = {"bowl": "in the bowl", "clean_side": "on the clean side of the filter"}


def filled_in(sentence: str, found: Findings) -> str:
    """Return a rule's sentence with its phrases put in."""
    return sentence.format_map(_Lookup(found))


class _Lookup(dict[str, str]):
    """Phrases by name, each made when it is asked for."""

    def __init__(self, found: Findings) -> None:
        super().__init__()
        self.found = found

    def __missing__(self, name: str) -> str:
        return PHRASES[name](self.found)


def fuel_age(found: Findings) -> str:
    """How old the fuel is."""
    return f"{found.sample.fuel_age_months:g} months"


def fuel(found: Findings) -> str:
    """What fuel it is; petrol where nobody said."""
    return FUELS[found.sample.fuel or "petrol"]


def stale_limit(found: Findings) -> str:
    """The age from which the shop drains it."""
    return f"{found.data.shop.stale_months(found.sample.fuel):g}"


def rubber_looks(found: Findings) -> str:
    """How many pieces look like rubber, where they stand out."""
    many = [count for look, count in found.looks if look.kind == "rubber"] if found.sizes_stand else []
    return f", and {many[0]} of {_of_pieces(found)} look like rubber" if many else ""


def sources(found: Findings) -> str:
    """How many pieces have the two commonest looks, as a sentence of its own."""
    said = [f"{count} look like {look.looks}" for look, count in found.looks[:2]]
    return f" Of all {_of_pieces(found)}, {' and '.join(said)}." if said else ""


def limit(found: Findings) -> str:
    """The smallest size that was measured."""
    return either_size(found.from_um)


def all_pieces(found: Findings) -> str:
    """The pieces that were counted."""
    return pieces(found.pieces)


def _of_pieces(found: Findings) -> str:
    return f"{pieces(found.pieces)} over {limit(found)}"


def big_short(found: Findings) -> str:
    """The big pieces."""
    return f"{pieces(found.big)} bigger than {either_size(found.dirty_um)}"


def big(found: Findings) -> str:
    """The big pieces, and in what part of the debris or of the fuel."""
    return f"{big_short(found)}{_part(found)}"


def _part(found: Findings) -> str:
    share, volume = found.sample.fraction, found.sample.volume_ml
    said = []
    if share and share < 1:
        part = f"{100 * share:.3g} %" if share >= 0.01 else f"{share:.3g} part"
        said.append(f"the {part} that was photographed")
    if found.origin("fuel") and volume:
        said.append(f"{volume:g} ml of fuel")
    return f" in {' of '.join(said)}" if said else ""


def dirty_limit(found: Findings) -> str:
    """The shop's limit for big pieces."""
    shop = found.data.shop
    if found.origin("fuel") and found.sample.volume_ml:
        return f"{shop.dirty_pieces:g} in {shop.dirty_ml:g} ml"
    if found.use > 1:
        return f"{shop.dirty_pieces:g} in {shop.usual_months:g} months or {shop.usual_hours:g} hours"
    return f"{shop.dirty_pieces:g} in a whole sample"


def dirty_confidence(found: Findings) -> str:
    """How surely it is over the shop's limit."""
    if found.surely_dirty:
        return "Sure: more than chance explains."
    low, high = poisson_limits(found.big)
    return f"Likely: by chance it could have been {low:.0f} to {high:.0f} pieces."


def in_service(found: Findings) -> str:
    """How long it took to gather, as far as anybody said."""
    sample = found.sample
    spans = (
        (sample.hours, "running hours"),
        (sample.months, "months"),
        (sample.litres, "litres of fuel"),
    )
    said = [f"{amount:g} {unit}" for amount, unit in spans if amount]
    return f"in {all_of(said)}" if said else "at this change"


def mass(found: Findings) -> str:
    """The mass that the element held."""
    if found.given.further is None:
        return "unknown"
    milligrams = float(f"{found.given.further.amount.mass_mg.value:.2g}")
    return f"{milligrams / 1000:g} g" if milligrams >= 1000 else f"{milligrams:g} mg"


def holds(found: Findings) -> str:
    """What a small element of that kind likely holds."""
    held = found.given.further.amount.filled if found.given.further else None
    return f"{held.low_mg:g} to {held.high_mg:g} mg" if held else "unknown"


def element(found: Findings) -> str:
    """What the installed element is."""
    return element_words(found.installed.element) if found.installed else "filter"


def behind(found: Findings) -> str:
    """Where past the filter it was found."""
    return BEHIND[found.sample.origin or "bowl"]


def blocking(found: Findings) -> str:
    """The pieces that can block the narrow place at risk."""
    risk = found.blocking
    if risk is None:
        return ""
    named = f"the {risk.name}, {either_size(risk.orifice_um)}"
    whole, third = risk.whole.count or 0, risk.third.count or 0
    if whole:
        return f"{pieces(whole)} found {behind(found)} {'is' if whole == 1 else 'are'} too big for {named}."
    spans = "spans" if third == 1 else "span"
    return f"{pieces(third)} found {behind(found)} {spans} a third of {named}, and can bridge it."


def too_big(found: Findings) -> str:
    """The pieces that a sound filter would have stopped."""
    widest = found.widest_um or 0.0
    return f"{pieces(found.count(widest))} bigger than {either_size(widest)}"


def installed(found: Findings) -> str:
    """The installed filter's rating."""
    return f"{found.installed.rating_um:g} um" if found.installed else ""


def harmful_short(found: Findings) -> str:
    """The pieces worth stopping that fit through the installed filter."""
    over = either_size(max(found.harm_um, found.from_um))
    return f"{pieces(found.harmful)} over {over} {'fits' if found.harmful == 1 else 'fit'} through it"


def harmful(found: Findings) -> str:
    """The same, the installed filter named."""
    return harmful_short(found).removesuffix("it") + f"the installed {installed(found)} filter"


def coarse(found: Findings) -> str:
    """The pieces that the installed filter stops."""
    rating = found.installed.rating_um if found.installed else 0.0
    stopped = found.count(rating)
    verb = "is" if stopped == 1 else "are"
    return f"{pieces(stopped)} {verb} too coarse for the installed {rating:g} um filter"


def finer(found: Findings) -> str:
    """The finer filter."""
    return _named(found.finer) + shelf(found.finer_flow)


def starving(found: Findings) -> str:
    """The coarsest filter that would stop those pieces."""
    return _named(next(iter(found.fit), None))


def finer_fits(found: Findings) -> str:
    """What the list says of fitting the finer filter, as sentences of their own."""
    return fitting(found, found.finer_flow)


def _named(entry: Passing | None) -> str:
    return f"{entry.rating_um:g} um {element_words(entry.element)}" if entry else ""


def finer_flow(found: Findings) -> str:
    """What the finer filter does to the feed."""
    return fed_or_not(found, found.finer_flow)


def installed_flow(found: Findings) -> str:
    """What the installed filter does to the feed."""
    return fed_or_not(found, found.installed_flow)


def flow_measured(found: Findings) -> str:
    """The flow test's reading beside what is burnt."""
    return measured_flow(found, found.installed_flow)


def starving_confidence(found: Findings) -> str:
    """How surely the finer filter starves the engine."""
    return sure_of(found.finer_flow)


def installed_confidence(found: Findings) -> str:
    """How surely the installed filter does."""
    return sure_of(found.installed_flow)


def way_out(found: Findings) -> str:
    """What would let the engine have the finer filter."""
    raised = raised_tank(found, found.finer_flow)
    return either_of([*raised, "fit a larger element", "fit a fuel pump"])


def coarser_text(found: Findings) -> str:
    """What to do where the installed filter starves the engine."""
    other = found.coarser
    named = f"{other.filter.rating} um {element_words(other.filter.element)}{shelf(other)}" if other else ""
    listed = [f"fit the {named} named here"] if named else []
    raised = raised_tank(found, found.installed_flow)
    return f"{either_of([*listed, *raised, 'fit a larger element'])}."


def amiss(found: Findings) -> str:
    """What is wrong, where only the maker's element will do."""
    if found.bypassed:
        return f"{too_big(found)} got past the {installed(found)} filter"
    return harmful(found) if found.wants_finer and not found.dirty else big(found)


def makers_machine(found: Findings) -> str:
    """What kind of machine it is."""
    return "an engine with fuel injection" if found.injected else "a boat's engine"


def change(found: Findings) -> str:
    """How much more or less debris there is than in the earlier sample."""
    compared = found.given.comparison
    if compared is None:
        return ""
    return f"{change_counts(found)}: per {PER_WORDS[compared.per]} {times(compared.rate_ratio)}"


def change_confidence(found: Findings) -> str:
    """How surely it is more than before."""
    compared = found.given.comparison
    if compared is not None and compared.per == SAMPLE:
        return "Not sure: compared sample with sample; nobody said how long or how much fuel each stands for."
    return "Likely: more than chance and the usual spread between samples explain."


def change_counts(found: Findings) -> str:
    """The two counts that were compared."""
    compared = found.given.comparison
    if compared is None:
        return ""
    over = either_size(compared.sizes_from_um)
    then = compared.before.count or "none"
    return f"{pieces(compared.after.count)} over {over} now, {then} in the earlier sample"


def target(found: Findings) -> str:
    """The cleaning target and what was reached."""
    aim = found.given.comparison.target if found.given.comparison else None
    if aim is None:
        return ""
    counts = f"{pieces(aim.after_count or 0)} over {either_size(aim.above_um)} now, {aim.before_count} before"
    return f"{counts}: the target was {100 * aim.fewer:.0f} % fewer"


def few(found: Findings) -> str:
    """Why this is too little."""
    part = _part(found)
    if found.pieces < found.data.shop.few_pieces:
        only = "Only " if found.pieces else ""
        return (
            f"{only}{_of_pieces(found)} could be sized{part}; "
            f"it takes {found.data.shop.few_pieces:g} to say more."
        )
    high = poisson_limits(found.big)[1] * found.stands_for
    return (
        f"{big(found)}. In the whole sample that could be up to {high:.0f}; "
        f"the shop's limit is {dirty_limit(found)}."
    )


def past(found: Findings) -> str:
    """Harmful pieces that went past, modelled, with their limits."""
    likely, low, high = found.past
    return f"{likely:.0f} pieces ({low:.0f} to {high:.0f})"


def harm(found: Findings) -> str:
    """The size from which pieces are worth stopping, or could be counted."""
    return either_size(max(found.harm_um, found.from_um))


def judge(found: Findings) -> str:
    """The limit that a photo must reach to show that all is well."""
    return either_size(found.data.shop.judge_um)


def before(found: Findings) -> str:
    """How the earlier sample was, as a sentence of its own, where it was not dirtier nor the same."""
    if found.compared("cleaner"):
        return f" Cleaner than before: {change(found)}."
    if found.compared("no_difference_shown") and not found.dirty:
        return f" No change is shown: {change(found)}."
    return ""


def keep_would_change(found: Findings) -> str:
    """What would change the advice to keep the filter: the test of the commonest look, or a symptom."""
    tested = next(iter(found.looks), None)
    cold = found.season("cold_nights") and found.fuel("e10")
    later = "Trouble under load, or water or old fuel found later."
    said = f"A bench test that finds {tested[0].looks}, or trouble under load." if tested else later
    return f"{said} Or drops in a jar of this fuel taken after a cold night." if cold else said


PHRASES: dict[str, Callable[[Findings], str]] = {
    "fuel_age": fuel_age,
    "fuel": fuel,
    "stale_limit": stale_limit,
    "rubber_looks": rubber_looks,
    "sources": sources,
    "limit": limit,
    "pieces": all_pieces,
    "big": big,
    "big_short": big_short,
    "dirty_limit": dirty_limit,
    "dirty_confidence": dirty_confidence,
    "in_service": in_service,
    "mass": mass,
    "holds": holds,
    "element": element,
    "behind": behind,
    "blocking": blocking,
    "too_big": too_big,
    "installed": installed,
    "harmful": harmful,
    "harmful_short": harmful_short,
    "coarse": coarse,
    "finer": finer,
    "starving": starving,
    "finer_flow": finer_flow,
    "finer_fits": finer_fits,
    "installed_flow": installed_flow,
    "flow_measured": flow_measured,
    "starving_confidence": starving_confidence,
    "installed_confidence": installed_confidence,
    "way_out": way_out,
    "coarser_text": coarser_text,
    "amiss": amiss,
    "makers_machine": makers_machine,
    "change": change,
    "change_counts": change_counts,
    "change_confidence": change_confidence,
    "target": target,
    "few": few,
    "past": past,
    "harm": harm,
    "judge": judge,
    "before": before,
    "keep_would_change": keep_would_change,
}
