"""Bench cases: debris, machine and what was noticed, with the advice a careful technician would give.

What the trade does is common practice, no source; the thresholds are shop rules.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from calibration.photo_check import Problem
from tests.triage.bench import advise_on
from tests.triage.tables import round_grains
from triage.advice import Advice
from triage.advice_data import load_advice_data
from triage.advice_texts import ACTIONS
from triage.analysis import Sample
from triage.debris.particles import KINDS
from triage.filters import Filter

CONTRACT_CODES = {
    *("keep", "usual_interval", "shorten_interval", "finer", "coarser_or_larger", "stage", "clean_tank"),
    *("drain_water", "fresh_fuel", "clean_carburettor", "service_injection", "replace_hose"),
    *("check_cap_and_can", "laboratory", "ask_licensed", "retake", "collect_more"),
}
NOTICED = (
    *("water", "layers", "gum", "sour_smell", "white_corrosion", "green_corrosion"),
    *("slime", "swarf", "hose_crumbs", "none"),
)

CLEAN = np.linspace(31, 60, 120)
DIRTY = np.concatenate([np.linspace(31, 74, 339), np.linspace(76, 260, 41)])
MIDDLING = np.concatenate([np.linspace(31, 74, 300), np.linspace(80, 140, 60)])  # fits 150, not 75
BLURRED = Problem("blurred", "The photo is blurred.", "Rest the phone on a glass.", fatal=True)


def advice_on(
    sizes: Any,
    *,
    from_um: float = 30.0,
    kind: str = "unsure",
    problems: tuple[Problem, ...] = (),
    **sample: Any,
) -> Advice:
    table = round_grains(sizes, limit_um=from_um)
    table["kind"] = kind
    return advise_on(table, Sample(**sample), limit_um=from_um, problems=problems)


def codes(advice: Advice) -> list[str]:
    return [action.code for action in advice.actions]


@dataclass(frozen=True)
class Case:
    """One bench case: what is on the card and known, and the actions in order."""

    why: str
    sizes: Any
    expected: list[str]
    known: dict[str, Any] = field(default_factory=dict)


LOOKED = {"noticed": ("none",)}
CASES = [
    Case("a clean filter and nobody looked: no action, no keep", CLEAN, [], {"origin": "filter"}),
    Case("a clean filter, looked", CLEAN, ["keep", "usual_interval"], {"origin": "filter", **LOOKED}),
    Case("an empty card, looked", [], ["keep", "usual_interval"], LOOKED),
    Case("an empty card, nobody looked", [], []),
    Case("too few pieces to say", CLEAN[:12], ["collect_more"], LOOKED),
    Case(
        "a loaded filter: its source, the tank, and sooner next time",
        DIRTY,
        ["check_cap_and_can", "clean_tank", "shorten_interval"],
        {"origin": "filter", "installed_um": 75.0, "element": "screen", **LOOKED},
    ),
    Case("a dirty can is emptied, not the tank", DIRTY, ["check_cap_and_can"], {"origin": "can", **LOOKED}),
    Case(
        "a quarter of the debris photographed stands for four times as much",
        np.concatenate([CLEAN, np.full(7, 90.0)]),
        ["check_cap_and_can", "clean_tank"],
        {"origin": "tank", "fraction": 0.25, **LOOKED},
    ),
    Case("water outranks clean debris", CLEAN, ["drain_water"], {"noticed": ("water",)}),
    Case("layers", CLEAN, ["drain_water", "fresh_fuel"], {"noticed": ("layers",)}),
    Case("stale by age", CLEAN, ["fresh_fuel"], {"fuel": "e10", "fuel_age_months": 5.0, **LOOKED}),
    Case(
        "not yet stale",
        CLEAN,
        ["keep", "usual_interval"],
        {"fuel": "diesel", "fuel_age_months": 5.0, **LOOKED},
    ),
    Case("gum on a carburettor", CLEAN, ["fresh_fuel", "clean_carburettor"], {"noticed": ("gum",)}),
    Case(
        "gum on injection",
        CLEAN,
        ["fresh_fuel", "service_injection"],
        {"noticed": ("gum",), "feed": "injection"},
    ),
    Case("perished hose", CLEAN, ["replace_hose"], {"noticed": ("hose_crumbs",)}),
    Case(
        "slime in diesel",
        CLEAN,
        ["drain_water", "fresh_fuel", "clean_tank", "laboratory"],
        {"noticed": ("slime",), "fuel": "diesel"},
    ),
    Case("chips from opening the filter", CLEAN, ["retake"], {"noticed": ("swarf",)}),
    Case(
        "tank debris that a 150 screen lets through, gravity: finer as a proposal, after its source",
        MIDDLING,
        ["check_cap_and_can", "clean_tank", "finer"],
        {"origin": "tank", "installed_um": 150.0, "feed": "gravity", **LOOKED},
    ),
    Case(
        "the same stopped by the filter: what it let through is missing, so nothing finer",
        MIDDLING,
        ["check_cap_and_can", "clean_tank", "shorten_interval"],
        {"origin": "filter", "installed_um": 150.0, "feed": "gravity", **LOOKED},
    ),
    Case(
        "the same on injection: only the maker's element",
        MIDDLING,
        ["check_cap_and_can", "clean_tank", "ask_licensed"],
        {"origin": "tank", "installed_um": 150.0, "feed": "injection", **LOOKED},
    ),
    Case(
        "bowl debris too big for the filter",
        np.concatenate([CLEAN, [300.0, 320.0, 340.0]]),
        ["clean_carburettor"],
        {"origin": "bowl", "installed_um": 75.0, "element": "screen", "feed": "gravity", **LOOKED},
    ),
    Case(
        "debris on the clean side of an injection filter",
        np.concatenate([CLEAN, [300.0, 320.0, 340.0]]),
        ["service_injection", "ask_licensed"],
        {"origin": "clean_side", "installed_um": 75.0, "feed": "injection", **LOOKED},
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.why)
def test_the_bench_case_gets_its_actions(case):
    assert codes(advice_on(case.sizes, **case.known)) == case.expected


@pytest.fixture(scope="module")
def everything() -> list[tuple[tuple[str, ...] | None, Advice]]:
    """What was noticed, and the advice, over many combinations."""
    return [
        (
            noticed,
            advice_on(
                sizes,
                noticed=noticed,
                origin=origin,
                feed=feed,
                installed_um=installed,
                kind=kind,
                from_um=limit,
            ),
        )
        for sizes in (CLEAN, DIRTY, MIDDLING, CLEAN[:5], [])
        for noticed in (None, ("none",), ("water", "gum"), ("swarf", "hose_crumbs"))
        for origin, installed in (
            ("filter", 75.0),
            ("bowl", 150.0),
            ("tank", 150.0),
            ("fuel", 30.0),
            (None, None),
        )
        for feed, kind, limit in (
            ("gravity", "rust", 30.0),
            ("pump", "grit", 45.0),
            ("injection", "gum", 200.0),
        )
    ]


def test_only_the_contracts_codes_are_used_and_every_action_says_why(everything):
    assert set(ACTIONS) <= CONTRACT_CODES
    for _, advice in everything:
        assert set(codes(advice)) <= CONTRACT_CODES
        assert all(action.because and all(action.because) for action in advice.actions)


def test_keep_is_never_said_while_nobody_has_looked(everything):
    for noticed, advice in everything:
        if noticed is None:
            assert not {"keep", "usual_interval"} & set(codes(advice))
            assert advice.actions or "look for water and stale fuel before closing up" in advice.headline


def test_finer_carries_its_source_and_is_never_below_the_limit(everything):
    found = [advice for _, advice in everything if "finer" in codes(advice)]
    assert found
    for advice in found:
        assert "check_cap_and_can" in codes(advice)
        (finer,) = [action for action in advice.actions if action.code == "finer"]
        assert finer.filter_um == 75.0


def test_finer_is_a_proposal_on_gravity_and_pulse_and_none_on_injection():
    for feed, proposed in (("gravity", True), ("pulse", True), (None, True), ("pump", False)):
        advice = advice_on(MIDDLING, origin="tank", installed_um=150.0, feed=feed)
        (finer,) = [action for action in advice.actions if action.code == "finer"]
        assert ("proposal until a flow test" in finer.text) == proposed
        assert any("tank cap shut first" in caution for caution in advice.cautions)
    assert "finer" not in codes(advice_on(MIDDLING, origin="tank", installed_um=150.0, feed="injection"))


def test_a_finer_filter_that_the_photo_cannot_judge_asks_for_a_closer_photo():
    advice = advice_on(DIRTY, origin="fuel", installed_um=75.0, feed="pump", from_um=45)
    assert "finer" not in codes(advice)
    (retake,) = [action for action in advice.actions if action.code == "retake"]
    assert "closer" in retake.text
    assert "sizes nothing below 45 um" in retake.because[0]


def test_every_observation_of_the_bench_is_a_reason_and_leads_the_headline():
    for word in set(NOTICED) - {"none"}:
        advice = advice_on(CLEAN, noticed=(word,), origin="tank", installed_um=150.0, feed="gravity")
        assert "noticed at the bench: that comes before grain sizes" in advice.headline
        assert advice.actions
        assert any(
            "was found" in said or "were found" in said or "was seen" in said or "The fuel" in said
            for action in advice.actions
            for said in action.because
        )
        assert not {"keep", "usual_interval", "finer"} & set(codes(advice))


def test_no_action_rests_on_what_pieces_look_like():
    """Whatever the kind, the actions are the same; a kind that stands out names its bench test."""
    plain = codes(advice_on(DIRTY, origin="tank", noticed=("none",)))
    for kind in KINDS:
        advice = advice_on(DIRTY, origin="tank", noticed=("none",), kind=kind)
        assert codes(advice) == plain
        tests = " ".join(advice.bench_tests)
        assert ("look like" in tests) == (kind != "unsure")
        assert ("likely from" in tests) == (kind != "unsure")
        assert ("Test:" in tests) == (kind != "unsure")


def test_every_kind_has_its_source_and_its_test_and_none_uses_a_flame():
    looks = load_advice_data().looks
    assert {look.kind for look in looks} == set(KINDS) - {"unsure"}
    said = " ".join(look.test for look in looks)
    assert not re.search("flame|burn|match |lighter|heat|cleaner", said)
    assert all(word in said for word in ("magnet", "squeeze", "wipe without solvent"))


def test_the_headline_gives_counts_and_what_they_are_of():
    advice = advice_on(DIRTY, origin="filter", installed_um=75.0, element="screen")
    assert advice.headline.startswith(
        "41 pieces bigger than 75 um (0.003 in); of 380 over 30 um (0.0012 in), "
        "339 would go through a 75 um screen."
    )


def test_an_empty_card_gives_garwoods_upper_limit_and_no_share():
    headline = advice_on([]).headline
    assert "No debris over 30 um (0.0012 in) was found" in headline
    assert "3.7 pieces" in headline


def test_nothing_is_said_from_a_photo_that_could_not_be_measured():
    advice = advice_on(DIRTY, problems=(BLURRED,), noticed=("water",), origin="tank", installed_um=150.0)
    assert codes(advice) == ["drain_water", "retake"]
    assert "pieces" not in advice.headline
    assert advice.actions[1].because == ("The photo is blurred.",)
    assert "Rest the phone on a glass." in advice.actions[1].text


def test_no_sentence_speaks_of_a_rating_below_the_limit():
    advice = advice_on(DIRTY, from_um=60, origin="bowl", installed_um=30.0, element="paper", feed="gravity")
    said = " ".join([advice.headline, *(line for action in advice.actions for line in action.because)])
    assert "75 um screen" in said
    assert "through a 30 um" not in said
    assert any("30 um filter is finer than this photo can judge" in caution for caution in advice.cautions)


def test_debris_of_a_filter_is_said_to_be_what_it_stopped():
    stopped = "Finer debris mostly went through"
    assert any(stopped in caution for caution in advice_on(DIRTY, origin="filter").cautions)
    assert not any(stopped in caution for caution in advice_on(DIRTY, origin="tank").cautions)


def test_lesser_problems_of_the_photo_are_passed_on():
    uneven = Problem("uneven_light", "One side is darker.", "Turn the card.")
    assert "One side is darker. Turn the card." in advice_on(CLEAN, problems=(uneven,)).cautions


def test_cautions_on_vapour_sharp_edges_and_waste_are_always_there(everything):
    for _, advice in everything:
        said = " ".join(advice.cautions)
        assert all(word in said for word in ("vapour", "sharp edges", "local rules"))


def test_every_sentence_is_whole(everything):
    for _, advice in everything:
        lines = [advice.headline, *advice.cautions]
        lines += [line for action in advice.actions for line in (action.text, *action.because)]
        for line in lines:
            assert line[0].isupper() or line[0].isdigit(), line
            assert line.endswith("."), line
            assert not re.search(r"nan|None|inf\b|\{|\}|  ", line), line


def test_odd_answers_are_taken_as_they_are_and_contradictions_are_told():
    both = advice_on(MIDDLING, origin="bowl", feed="injection", noticed=("none",))
    assert any("do not go together" in caution for caution in both.cautions)
    low = advice_on(
        CLEAN,
        origin="filter",
        installed_um=30.0,
        element="paper",
        feed="gravity",
        head_mm=-50.0,
        power_kw=4.0,
    )
    (more,) = [action for action in low.actions if action.code == "coarser_or_larger"]
    assert "here its surface lies 50 mm (2.0 in) below" in more.because[0]
    new = advice_on(DIRTY, origin="filter", hours=0.0, months=0.0)
    assert any(because.endswith("at this change.") for action in new.actions for because in action.because)
    flake = advice_on([5000.0], origin="bowl", installed_um=75.0, element="screen", noticed=("none",))
    assert codes(flake) == ["clean_carburettor"]
    assert "1 piece found in the bowl is too big for the main jet" in flake.actions[0].because[0]


def test_the_named_filter_comes_with_what_the_list_says_of_it():
    listed = (
        Filter(150.0, "screen", "opening"),
        Filter(
            *(30.0, "paper", "nominal"),
            shelf_number="B4",
            direction="arrow",
            size_class="large",
            feeds=("gravity",),
        ),
    )
    table = round_grains(np.linspace(45, 140, 120), limit_um=30.0)
    known = Sample(origin="tank", installed_um=150.0, feed="pump", power_kw=15.0)
    advice = advise_on(table, known, filters=listed)
    (finer,) = [action for action in advice.actions if action.code == "finer"]
    assert "a 30 um paper element (B4)" in finer.because[0]
    assert "Mind its arrow" in finer.because[0]
    assert "names it for gravity feed" in finer.because[0]
    assert "large element" in finer.because[0]
