"""Will the engine still get fuel: the answer as plain text for the bench."""

from __future__ import annotations

import textwrap

from triage.filters.feed import KW_PER_HP, FeedSetup, completed
from triage.filters.flow import L_H_PER_ML_MIN, FlowVerdict
from triage.filters.fuel import Value

WIDTH = 79
MM_PER_INCH = 25.4
TWIN_KW, ABOUT = 20 * KW_PER_HP, 0.9  # large fine elements belong on twins of about 20 hp: common practice
ROW = "{:<11} {:<20} {:<10} {:<9} {:<7} {}"
ANSWERS = {"flows": "keeps it fed", "starves": "would starve", "unknown": "not sure"}
WHY = {
    ("unknown", "air"): "not sure: air",
    ("unknown", "flow"): "not sure: flow",
    ("unknown", "pump"): "not sure: pump",
    ("flows", "bench"): "fed, measured",
    ("starves", "bench"): "short, measured",
    ("unknown", "bench"): "scant, measured",
}
MEANINGS = {
    "air": "air: fuel runs while the element is full of it, but the head is too low to be sure of pushing "
    "out air or vapour caught on it",
    "flow": "flow: at full load, half of the element blocked, the fuel may run short if needle seat, hose or "
    "element are at the worst of what is assumed below; put in what you know",
    "pump": "pump: more may be asked of it, in flow or in lift, than it is stated to give; measure it",
    "maker": "fuel injection, as on every diesel: fit only the maker's element. Nothing may throttle "
    "the flow ahead of a high-pressure pump",
    "unstated": "something is missing: give {missing}",
    "bench": "measured: the flow test wins over the calculation; it showed enough fuel, but little to spare "
    "for a clogging element",
}
INFERENCE = (
    "Two limits are worked out: the flow at full load, and air held on the fuel-wet element, which lets "
    "nothing by until a bubble is pushed through its widest opening. Clean screens and hose take next to no "
    "head, so the second is the likelier reason why coarse screens are usual on gravity feed. That link is "
    "an inference, not a source."
)
FLOW_TEST = (
    "Flow test: it wins over this calculation. Outdoors, engine cold, spark plug lead off and clipped to "
    "earth away from the fuel; no flame, cigarette, heater, charger or running motor near; gloves, eye "
    "protection, something to soak up spills.",
    "Tank nearly empty, the filter to be tested fitted. Take the hose off the carburettor and lead it, its "
    "end no lower than the carburettor's inlet, into a vented container made for fuel, marked in "
    "millilitres; join a metal one to the machine with a wire.",
    "Tank cap shut: open the tap, let it run for one full minute, shut the tap, read the millilitres. A pump "
    "must be driven for this: follow the maker's manual.",
    "Then crack the cap open and repeat. If it picks up, the vent in the cap is the fault: mend that first.",
    "Enter the first reading with --flow-test-ml-min and the filter's rating with --flow-test-um. Fuel that "
    "was run off is filtered back or goes where local rules say. The engine maker's figures come first.",
)
LEAN = (
    "Two-strokes: too little fuel runs the engine lean, and lean running seizes it. If not sure, test first."
)


def feed_text(setup: FeedSetup, verdicts: tuple[FlowVerdict, ...]) -> str:
    """Return the answer, the table, its meaning, the flow test and all assumptions: ASCII, 79 columns."""
    setup = completed(setup)
    if setup.makers_only:
        return _wrapped([_sentence(MEANINGS["maker"])]) + "\n"
    blocks = [
        _wrapped(_machine(setup, verdicts)),
        _wrapped(_answer(verdicts)),
        _table(verdicts),
        _wrapped([*_meanings(setup, verdicts), INFERENCE, *([LEAN] if setup.fuel == "oil_mix" else [])]),
        _wrapped(_practice(setup, verdicts)),
        _wrapped(_flow_test(setup, verdicts[0])),
        _wrapped(["Taken for this (replace any with --assume NAME=NUMBER):", *_taken(verdicts)]),
    ]
    return "\n\n".join(block for block in blocks if block) + "\n"


def _machine(setup: FeedSetup, verdicts: tuple[FlowVerdict, ...]) -> list[str]:
    demand = verdicts[0].demand_l_h
    if demand and setup.power_kw:
        power = f"{setup.power_kw:.3g} kW ({setup.power_kw / KW_PER_HP:.3g} hp)"
        low, high = _ml(demand.best), _ml(demand.worst)
        need = (
            f"{demand.likely:.1f} l an hour, {_ml(demand.likely):.0f} ml a minute ({low:.0f} to {high:.0f})"
        )
        lines = [f"At its rated {power} this engine burns {need}."]
    else:
        lines = ["The rated power was not given, so what the engine burns is not known."]
    if setup.head_mm is not None:
        lines.append(f"Head: {length(setup.head_mm)} of fuel above the carburettor's inlet.")
    elif setup.find("pump_pa"):
        lines.append("Head not given: the tank is taken to be level with the carburettor.")
    else:
        lines.append(
            "Head not given: measure from the carburettor's inlet up to the fuel, tank nearly empty."
        )
    if setup.feed is None:
        lines.append("Feed not given: taken as gravity.")
    if setup.flow_test_ml_min is not None:
        lines.append(_measured(setup, verdicts[0]))
    return [" ".join(lines)]


def _measured(setup: FeedSetup, first: FlowVerdict) -> str:
    fitted = f" with the {setup.flow_test_um:g} um filter" if setup.flow_test_um else ""
    said = f"Measured{fitted}: {setup.flow_test_ml_min:g} ml a minute"
    if not setup.flow_test_um:
        return f"{said}; say which filter was fitted with --flow-test-um, else it counts for none."
    if first.demand_l_h is None:
        return f"{said}; give the rated power to see whether that is enough."
    return f"{said}."


def _flow_test(setup: FeedSetup, first: FlowVerdict) -> list[str]:
    lines = [FLOW_TEST[0], *(f"{number}. {step}" for number, step in enumerate(FLOW_TEST[1:], 1))]
    if first.demand_l_h is not None:
        wanted = setup.value("reserve").likely * _ml(first.demand_l_h.worst)
        lines.append(
            f"Enough for this engine, with something to spare: {wanted:.0f} ml in the minute. "
            f"Under {_ml(first.demand_l_h.best):.0f} it starves at full load."
        )
    return lines


def _ml(litres_an_hour: float) -> float:
    return litres_an_hour / L_H_PER_ML_MIN


def length(mm: float) -> str:
    """Return a height in mm with inches beside it: "150 mm (5.9 in)"."""
    return f"{mm:.0f} mm ({mm / MM_PER_INCH:.1f} in)"


def _answer(verdicts: tuple[FlowVerdict, ...]) -> list[str]:
    said = []
    for verdict, words in (
        ("flows", "Keeps it fed"),
        ("starves", "Would starve it"),
        ("unknown", "Not sure"),
    ):
        names = [_name(found) for found in verdicts if found.verdict == verdict]
        if names:
            said.append(f"{words}: {', '.join(names)}.")
    return said


def _name(found: FlowVerdict) -> str:
    return f"{found.filter.rating} {found.filter.element}"


def _table(verdicts: tuple[FlowVerdict, ...]) -> str:
    lower = any(found.least_head_mm and found.least_head_mm.best < 0 for found in verdicts)
    lines = [
        *(["Below 0 the tank may lie lower than the carburettor."] if lower else []),
        "Fuel needed above the carburettor's inlet, mm, likely (from, to):",
        ROW.format("filter, um", "least head", "inches", "for flow", "for air", "on this engine"),
    ]
    for found in verdicts:
        least, full, air = found.least_head_mm, found.full_mm, found.air_mm
        cells = (
            "" if least is None else _with_range(least),
            "" if least is None else f"{least.likely / MM_PER_INCH:.1f}",
            "not known" if full is None else f"{full.likely:.0f}",
            "" if air is None else f"{air.likely:.0f}",
        )
        lines.append(ROW.format(_name(found), *cells, _why(found)).rstrip())
    return "\n".join(lines)


def _with_range(value: Value) -> str:
    one_only = value.best == value.worst
    return f"{value.likely:.0f}" + ("" if one_only else f" ({value.best:.0f}, {value.worst:.0f})")


def _why(found: FlowVerdict) -> str:
    return WHY.get((found.verdict, found.limit), ANSWERS[found.verdict])


def _meanings(setup: FeedSetup, verdicts: tuple[FlowVerdict, ...]) -> list[str]:
    limits = dict.fromkeys(found.limit for found in verdicts if found.verdict == "unknown")
    missing = [
        option
        for option, known in (("--power-kw", setup.power_kw), ("--head-mm", setup.head_mm))
        if known is None
    ]
    said = [MEANINGS[limit].format(missing=" and ".join(missing)) for limit in limits]
    spare = [found for found in verdicts if found.verdict == "flows" and found.blocked_until]
    if spare:
        least = min(spare, key=lambda found: found.blocked_until or 0.0)
        part = min(99.0, 100 * (least.blocked_until or 0.0))
        said.append(
            f"of those that keep it fed, the {_name(least)} does so, on the likely numbers, until "
            f"{part:.0f} % of it is blocked"
        )
    return [_sentence(text) for text in said]


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _practice(setup: FeedSetup, verdicts: tuple[FlowVerdict, ...]) -> list[str]:
    """Notes of the shop's list, and where size or hose do not fit; filters of one note on one line."""
    lines: dict[str, list[str]] = {}
    for found in verdicts:
        notes = _notes(setup, found)
        if notes:
            lines.setdefault("; ".join(notes), []).append(_name(found))
    said = [f"{', '.join(names)}: {note}." for note, names in lines.items()]
    return ["From the shop's list:", *said] if said else []


def _notes(setup: FeedSetup, found: FlowVerdict) -> list[str]:
    entry, bore = found.filter, setup.value("hose_bore_mm")
    notes = [entry.note] if entry.note else []
    small = setup.power_kw is not None and setup.power_kw < ABOUT * TWIN_KW
    if entry.size_class == "large" and (small or setup.cylinders == 1):
        notes.append("too big an element for this engine")
    if bore.stated and entry.hose_bores_mm and bore.likely not in entry.hose_bores_mm:
        notes.append(f"not listed for a {bore.likely:g} mm hose")
    return notes


def _taken(verdicts: tuple[FlowVerdict, ...]) -> list[str]:
    return list(dict.fromkeys(f"- {line}" for found in verdicts for line in found.assumptions))


def _wrapped(lines: list[str]) -> str:
    return "\n".join(
        textwrap.fill(line, WIDTH, subsequent_indent="   ", break_on_hyphens=False) for line in lines
    )
