"""Bench cases written from the trade's view (`bench_cases.toml`), held against the whole of the advice."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.triage.bench import LIMIT_UM, compared, everything_said, evidence, lots
from tests.triage.test_advice import CONTRACT_CODES
from triage.advice import advise
from triage.advice_sample import Evidence
from triage.analysis import Sample

CASES = tomllib.loads(Path(__file__).with_name("bench_cases.toml").read_text(encoding="utf-8"))["case"]


def evidence_of(case: dict[str, Any]) -> Evidence:
    """Return what is known in a case, worked out from its debris as it is from a photo."""
    known = dict(case["sample"])
    if "noticed" in known:
        known["noticed"] = tuple(known["noticed"])
    sample, limit = Sample(**known), case.get("limit_um", LIMIT_UM)
    table, before = lots(case["debris"], limit), case.get("before")
    earlier = lots(before["debris"], limit) if before else None
    comparison = compared(earlier, table, before["hours"], sample, limit) if before else None
    return evidence(table, sample, limit_um=limit, comparison=comparison)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_advice_is_what_an_experienced_technician_would_give(case):
    advice = advise(evidence_of(case))
    codes = [action.code for action in advice.actions]
    wanted = [code for code in codes if code in case["expected"]]
    assert wanted == case["expected"], codes
    assert not set(case["forbidden"]) & set(codes), codes
    if not case["expected"]:
        assert codes == []
    if "filter_um" in case:
        assert advice.actions[codes.index(case["expected"][-1])].filter_um == case["filter_um"]
    said = " ".join(everything_said(advice))
    assert [words for words in case.get("says", []) if words not in said] == []


def test_there_are_thirty_cases_or_more_and_each_says_why():
    assert len(CASES) >= 30
    assert all(case["why"].endswith(".") and case["forbidden"] for case in CASES)
    assert len({case["name"] for case in CASES}) == len(CASES)


def test_every_action_of_the_contract_is_wanted_somewhere():
    assert {code for case in CASES for code in case["expected"]} == CONTRACT_CODES
