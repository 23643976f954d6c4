"""Whether enough fuel runs through a filter, in sentences for the advice."""

from __future__ import annotations

from triage.advice_findings import Findings
from triage.advice_texts import about_height, either_height, either_of
from triage.filters.flow import L_H_PER_ML_MIN, FlowVerdict

HIGHEST_TANK_MM = 600.0  # above the carburettor, on the machines of such a shop; no source


def measured_flow(found: Findings, verdict: FlowVerdict | None) -> str:
    """Return the flow test's reading beside what the engine burns."""
    said = f"The flow test gave {found.sample.flow_test_ml_min:g} ml a minute"
    burnt = verdict.demand_l_h if verdict else None
    if burnt is None:
        return f"{said}."
    low, high = (burnt.best / L_H_PER_ML_MIN, burnt.worst / L_H_PER_ML_MIN)
    return f"{said}; at full load this engine burns {low:.0f} to {high:.0f} ml."


def fed_or_not(found: Findings, verdict: FlowVerdict | None) -> str:
    """Say of a filter whether enough fuel runs, with the numbers behind it."""
    if verdict is not None and verdict.limit == "bench":
        return measured_flow(found, verdict)
    if verdict is not None and verdict.limit == "pump":
        return "It may ask more of the pump than the pump is stated to give: measure the flow."
    if verdict is None or verdict.have_mm is None or verdict.full_mm is None:
        return f"Whether enough fuel still runs is not known{_likely(found, verdict)}; a flow test tells."
    return f"By calculation {_needs(verdict)}; {_has(found, verdict.have_mm)}."


def _likely(found: Findings, verdict: FlowVerdict | None) -> str:
    if verdict is None or verdict.air_mm is None or not found.feed("gravity"):
        return ""
    here = f", and has {either_height(found.sample.head_mm)}" if found.sample.head_mm is not None else ""
    return f": it likely needs {_larger(verdict, 'likely')} of fuel above the carburettor{here}"


def _larger(verdict: FlowVerdict, end: str) -> str:
    """Return the larger of the two limits, pump and tank together having to meet it."""
    limits = (value for value in (verdict.full_mm, verdict.air_mm) if value is not None)
    return about_height(max(getattr(value, end) for value in limits))


def _needs(verdict: FlowVerdict) -> str:
    if verdict.verdict == "starves" and verdict.full_mm:
        return f"it needs {about_height(verdict.full_mm.best)} of fuel above the carburettor at the least"
    if verdict.verdict == "flows":
        return f"it needs {_larger(verdict, 'worst')} of fuel above the carburettor at the most"
    return f"it likely needs {_larger(verdict, 'likely')} of fuel above the carburettor"


def _has(found: Findings, have_mm: float) -> str:
    if found.feed("gravity"):
        here = f"here it is {either_height(have_mm)}"
        return here if have_mm >= 0 else f"here its surface lies {either_height(-have_mm)} below"
    return f"tank and pump together give as much as {about_height(have_mm)}"


def sure_of(verdict: FlowVerdict | None) -> str:
    """Return how surely a filter starves the engine."""
    measured = verdict is not None and verdict.limit == "bench"
    return "Sure: the flow was measured." if measured else "Likely: worked out, even on the kindest numbers."


def raised_tank(found: Findings, verdict: FlowVerdict | None) -> list[str]:
    """On gravity feed, how high the tank would have to stand; nothing where no machine has it so high."""
    if not found.feed("gravity"):
        return []
    least, head = (verdict.least_head_mm if verdict else None), found.sample.head_mm
    if least is None or (head is not None and least.worst <= head):
        return ["raise the tank"]
    if least.worst > HIGHEST_TANK_MM:
        return []
    return [f"raise the tank to {about_height(least.worst)} of fuel above the carburettor"]


def shelf(verdict: FlowVerdict | None) -> str:
    """Return the shop's own number of a filter, in brackets behind its name."""
    number = verdict.filter.shelf_number if verdict else ""
    return f" ({number})" if number else ""


def fitting(found: Findings, verdict: FlowVerdict | None) -> str:
    """Return what the list says of fitting a filter, as sentences of their own."""
    if verdict is None:
        return ""
    listed, said = verdict.filter, []
    if listed.direction == "arrow":
        said.append("Mind its arrow: from tank to carburettor.")
    if listed.feeds and (found.sample.feed or "gravity") not in listed.feeds:
        said.append(f"The list names it for {either_of(listed.feeds)} feed, so the flow test decides.")
    if listed.size_class == "large":
        said.append("It is a large element: see that there is room for it.")
    return "".join(f" {each}" for each in said)
