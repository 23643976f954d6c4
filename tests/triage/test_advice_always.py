"""What holds of the advice whatever the sample (a few hundred drawn at random), and the table of rules."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.photo_check import Problem
from tests.triage.bench import compared, everything_said, evidence, lots
from tests.triage.test_bench_cases import CASES, evidence_of
from triage.advice import Action, Advice, advise, applies, applying
from triage.advice_data import GROUNDS, AdviceData, load_advice_data, placeholders
from triage.advice_findings import Findings
from triage.advice_phrases import PHRASES, filled_in
from triage.advice_sample import Evidence
from triage.advice_texts import ACTIONS, SEEN_FIRST
from triage.analysis import Sample
from triage.debris.particles import KINDS
from triage.errors import UserError
from triage.sizing import Share
from triage.sizing.compare import Comparison, TargetResult

SAMPLES = 300
LIMITS = (20.0, 30.0, 45.0, 67.0, 90.0, 140.0, 200.0)
NOTICED = tuple(SEEN_FIRST)
FILTER_CHANGES = {"finer", "stage", "coarser_or_larger"}
BLURRED = Problem("blurred", "The photo is blurred.", "Rest the phone on a glass.", fatal=True)
JARGON = re.compile(
    r"beta|poisson|garwood|ecd|feret|percentile|d50|iso \d|equivalent|standard deviation|log-?normal|"
    r"confidence|p.value|null|nan\b|\binf\b|[{}]|  |_|\de[+-]\d|\b(no|only no) pieces.*\bcould\b.*only|"
    r"\b1 pieces\b|\b1 piece [^.,;:]*\b(are|were|fit|span|look)\b|projected|distribution|sigma|parameter",
    re.IGNORECASE,
)
LONGEST = 30  # words in a sentence


@pytest.fixture(scope="module")
def data() -> AdviceData:
    return load_advice_data()


def comparisons() -> list[Comparison]:
    """Comparisons of each verdict, one with a missed target; not of the samples that they are drawn with."""
    found = []
    for before, after in ((20, 300), (300, 20), (200, 210), (2, 3)):
        lot = [
            lots([{"count": count, "from_um": 210, "to_um": 900, "kind": "rust"}])
            for count in (before, after)
        ]
        found.append(compared(lot[0], lot[1], 20.0, Sample(hours=20.0), 205.0))
    ratio = found[2].rate_ratio
    return [*found, replace(found[2], target=TargetResult("not_met", 0.9, 210.0, 200, 210, ratio))]


def drawn(rng: np.random.Generator, earlier: list[Comparison]) -> Evidence:
    """Draw a sample: debris, machine, what the bench saw, what went before."""

    def one_of(*choices: Any) -> Any:
        return choices[rng.integers(len(choices))]

    limit = float(one_of(*LIMITS))
    noticed = one_of(
        None, ("none",), ("none",), tuple(rng.choice(NOTICED, rng.integers(1, 3), replace=False))
    )
    recipe = [
        {
            "count": int(one_of(0, 3, 15, 40, 150, 400)),
            "from_um": limit * float(one_of(1.0, 1.3, 2.0)),
            "to_um": limit * float(one_of(2.5, 5.0, 15.0)),
            "kind": str(one_of(*KINDS)),
        }
        for _ in range(2)
    ]
    installed = one_of(None, 150.0, 150.0, 75.0, 30.0, 10.0)
    tested = one_of(None, None, 5.0, 60.0, 500.0)
    sample = Sample(
        origin=one_of(None, "filter", "filter", "clean_side", "tank", "tank", "can", "bowl", "bowl", "fuel"),
        fraction=one_of(None, None, 0.1, 0.5),
        volume_ml=one_of(None, 10.0, 500.0),
        installed_um=installed,
        element=None if installed is None else one_of(None, "paper" if installed < 60 else "screen"),
        feed=one_of(None, "gravity", "gravity", "pulse", "pump", "pump", "injection"),
        fuel=one_of(None, "petrol", "petrol", "e10", "e10", "oil_mix", "diesel"),
        fuel_age_months=one_of(None, None, 1.0, 9.0),
        noticed=noticed,
        hours=one_of(None, 20.0, 300.0),
        months=one_of(None, 3.0, 30.0),
        machine=one_of(None, "PW-07", "PW-07", "TP-1", "TP-1", "Outboard 3"),
        machine_type=one_of(None, None, None, None, "trash pump", "outboard engine"),
        head_mm=one_of(None, 60.0, 300.0, 900.0),
        power_kw=one_of(None, 2.0, 8.0, 20.0),
        flow_test_ml_min=tested,
        flow_test_um=None if tested is None else one_of(None, 75.0, 150.0),
        season=one_of(None, "warm", "cold_nights"),
        storage=one_of(None, None, None, None, "in_use", "indoors", "outdoors"),
    )
    table = lots(recipe, limit)
    comparison = earlier[rng.integers(len(earlier))] if rng.random() < 0.25 else None
    problems = (BLURRED,) if rng.random() < 0.1 else ()
    return evidence(table, sample, limit_um=limit, problems=problems, comparison=comparison)


@pytest.fixture(scope="module")
def everything(data) -> list[tuple[Findings, Advice]]:
    rng, earlier = np.random.default_rng(20), comparisons()
    samples = [drawn(rng, earlier) for _ in range(SAMPLES)] + [evidence_of(case) for case in CASES]
    return [(Findings(given, data), advise(given, data)) for given in samples]


def codes(advice: Advice) -> list[str]:
    return [action.code for action in advice.actions]


def changes(advice: Advice) -> list[Action]:
    return [action for action in advice.actions if action.code in FILTER_CHANGES]


def makers_only(sample: Sample) -> bool:
    return (
        sample.feed == "injection"
        or sample.fuel == "diesel"
        or "outboard" in f"{sample.machine} {sample.machine_type}".lower()
    )


def test_actions_stand_in_the_order_source_cleaning_filter(everything):
    order = list(ACTIONS)
    for _, advice in everything:
        places = [order.index(code) for code in codes(advice)]
        assert places == sorted(set(places))


def test_keep_is_said_only_when_somebody_looked_and_nothing_is_wrong(everything):
    said = 0
    for found, advice in everything:
        keeps = {"keep", "usual_interval"} & set(codes(advice))
        if keeps:
            said += 1
            assert set(codes(advice)) == {"keep", "usual_interval"}
            assert found.given.sample.noticed == ("none",)
    assert said > 5


def test_no_finer_filter_without_its_source_or_below_the_limit_or_the_list(everything):
    seen = 0
    for found, advice in everything:
        listed = {entry.rating_um for entry in found.given.passing if entry.measurable}
        for action in changes(advice):
            if action.code == "coarser_or_larger":
                continue
            seen += 1
            assert codes(advice).index("check_cap_and_can") < codes(advice).index(action.code)
            assert action.filter_um in listed
            assert found.given.sizes.from_um <= action.filter_um < found.given.sample.installed_um
    assert seen > 10


def test_on_gravity_and_pulse_feed_a_finer_filter_is_a_proposal_until_its_flow_was_measured(everything):
    seen = set()
    for found, advice in everything:
        sample = found.given.sample
        for action in changes(advice):
            if action.code == "coarser_or_larger" or sample.feed == "pump":
                continue
            tested = sample.flow_test_um or sample.installed_um
            measured = sample.flow_test_ml_min is not None and tested <= action.filter_um * 1.05
            proposal = "A proposal until a flow test" in action.text
            seen.add((action.code, proposal))
            assert proposal or (measured and action.code == "finer")
    assert ("finer", True) in seen
    assert ("finer", False) in seen


def test_no_two_changes_of_the_filter_contradict_each_other(everything):
    for _, advice in everything:
        assert len(changes(advice)) <= 1


def test_only_the_makers_element_on_injection_diesel_and_outboard(everything):
    for found, advice in everything:
        if makers_only(found.given.sample):
            assert not changes(advice)
            kept = [action.text for action in advice.actions if action.code == "keep"]
            assert all("maker names" in text for text in kept)
        if found.given.sample.feed == "injection":
            assert "clean_carburettor" not in codes(advice)


def test_nothing_is_said_from_sizes_where_no_photo_could_be_measured(everything):
    for found, advice in everything:
        if found.given.problems:
            assert "retake" in codes(advice)
            from_sizes = {"clean_tank", "keep", "finer", "stage", "ask_licensed"} & set(codes(advice))
            allowed = {"clean_tank"} if "slime" in (found.given.sample.noticed or ()) else set()
            allowed |= {"clean_tank"} if found.given.comparison else set()
            allowed |= {"ask_licensed"} if "swarf" in (found.given.sample.noticed or ()) else set()
            allowed |= {"ask_licensed"} if found.starves_now else set()
            assert from_sizes <= allowed
            assert advice.bench_tests == ()


def test_no_reason_speaks_of_a_size_below_the_limit(everything):
    """Sizes below what the photo sized may only be ratings of the installed filter, or the limit to reach.

    Or a filter that is named for the fuel that it lets through, which rests on no size of a piece.
    """
    for found, advice in everything:
        if found.given.problems:
            continue
        known = {found.given.sample.installed_um, found.data.shop.judge_um}
        known |= {action.filter_um for action in advice.actions if action.code == "coarser_or_larger"}
        for line in everything_said(advice):
            for number in re.findall(r"(\d+(?:\.\d+)?) um", line):
                assert round(float(number)) >= round(found.given.sizes.from_um) or float(number) in known, (
                    line
                )


def test_no_advice_rests_on_what_could_not_be_measured(data):
    """Pieces too small to size, and shares of ratings below the limit, may be anything at all."""
    rng, earlier = np.random.default_rng(4), comparisons()
    for given in [drawn(rng, earlier) for _ in range(12)] + [evidence_of(case) for case in CASES[::4]]:
        unsized = lots([{"count": 500, "from_um": 200, "to_um": 900, "kind": "rust"}])
        unsized["below_sizing_limit"] = True
        unsized["passing_size_um"] = np.nan
        passing = tuple(
            entry
            if entry.measurable
            else replace(entry, stopped_count=9, through_count=7, by_count=Share(0.7, 0.6, 0.8))
            for entry in given.passing
        )
        other = replace(given, table=np.concatenate([given.table, unsized]), passing=passing)
        assert advise(other, data) == advise(given, data)


def test_every_action_says_why_how_surely_what_would_change_it_and_what_to_mind(everything):
    for _, advice in everything:
        for action in advice.actions:
            assert action.because
            assert action.confidence.startswith(("Sure", "Likely", "Not sure")), action.confidence
            assert action.would_change.endswith(".")
            assert action.cautions
            assert set(action.cautions) <= set(advice.cautions)


def test_reasons_from_sizes_flow_and_history_name_their_numbers(everything):
    for found, _ in everything:
        for rule in applying(found):
            if rule.ground != "bench":
                assert re.search(r"\d", filled_in(rule.because, found)), rule.name


def test_every_sentence_can_be_read_by_a_customer(everything):
    for _, advice in everything:
        for line in everything_said(advice):
            assert not JARGON.search(line), line
            assert line[0].isupper() or line[0].isdigit(), line
            assert line.endswith("."), line
            for sentence in re.split(r"(?<=[.!?]) (?=[A-Z0-9])", line):
                assert len(sentence.split()) <= LONGEST, sentence


def test_every_rule_speaks_somewhere(everything, data):
    spoken = {rule.name for found, _ in everything for rule in applying(found)}
    assert {rule.name for rule in data.rules} - spoken == set()


def test_the_table_names_only_what_there_is():
    rules = load_advice_data().rules
    assert len({rule.name for rule in rules}) == len(rules)
    for rule in rules:
        assert rule.action in ACTIONS
        assert rule.ground in GROUNDS
        names = [condition.removeprefix("not ").split()[0] for condition in rule.when]
        names += [rule.filter] if rule.filter else []
        assert [name for name in names if not hasattr(Findings, name)] == [], rule.name
        sentences = (rule.because, rule.confidence, rule.would_change, rule.text or "")
        assert {name for said in sentences for name in placeholders(said)} <= set(PHRASES), rule.name


def test_every_phrase_is_used():
    rules = load_advice_data().rules
    sentences = [
        said for rule in rules for said in (rule.because, rule.confidence, rule.would_change, rule.text or "")
    ]
    assert {name for said in sentences for name in placeholders(said)} == set(PHRASES)


def test_a_condition_can_be_turned_round(everything):
    found, _ = everything[-1]
    rule = next(rule for rule in found.data.rules if rule.when == ("noticed water",))
    assert not applies(rule, found)


def test_the_shops_own_thresholds_take_the_place_of_the_packaged_ones(tmp_path, monkeypatch):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    packaged = load_advice_data().shop
    own = tmp_path / "shop_rules.toml"
    own.write_text('[[threshold]]\nname = "dirty_pieces"\nvalue = 5\n', encoding="utf-8")
    assert load_advice_data().shop == replace(packaged, dirty_pieces=5.0)
    given = evidence(
        lots([{"count": 6, "from_um": 80, "to_um": 140, "kind": "grit"}]), Sample(origin="filter")
    )
    assert codes(advise(given)) == ["check_cap_and_can", "clean_tank", "shorten_interval"]


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ('name = "dirty_pices"\nvalue = 5', "line 2: name must be one of"),
        ('name = "dirty_um"\nvalue = 0', "line 3: value must be a number"),
        ('name = "dirty_um"\nvalue = 80\n[[threshold]]\nname = "dirty_um"\nvalue = 90', "more than once"),
    ],
)
def test_a_wrong_threshold_is_told_by_file_and_line(tmp_path, monkeypatch, wrong, told):
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path))
    (tmp_path / "shop_rules.toml").write_text(f"[[threshold]]\n{wrong}\n", encoding="utf-8")
    with pytest.raises(UserError, match=told):
        load_advice_data()
