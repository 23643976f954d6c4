"""JSON and CSV against the contract's field names and against the particle table they come from."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.triage.invented import invented_analysis, refused_analysis
from triage.analysis import Analysis
from triage.debris.particles import COLUMNS, flag_names
from triage.report import to_json, write_csv, write_json, write_table

CONTRACT = Path(__file__).resolve().parents[2] / ".." / "shared" / "contract.md"


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return invented_analysis(60, shape=(600, 800))


def _keys(value: Any) -> set[str]:
    if isinstance(value, dict):
        return set(value).union(*(_keys(part) for part in value.values()))
    return set().union(*(_keys(part) for part in value)) if isinstance(value, list) else set()


def _numbers(value: Any) -> list[float]:
    if isinstance(value, dict):
        return [number for part in value.values() for number in _numbers(part)]
    if isinstance(value, list):
        return [number for part in value for number in _numbers(part)]
    return [value] if isinstance(value, float) else []


def test_every_field_the_contract_names_is_there(analysis: Analysis) -> None:
    """Source of the names: contract.md, section Result."""
    if not CONTRACT.exists():
        pytest.skip("contract.md is not beside the checkout, so its field names cannot be read")
    section = CONTRACT.read_text("utf-8").split("## Result")[1].split("**What a share counts.**")[0]
    lines = [line.split("#")[0] for line in section.splitlines() if line.startswith("    ")]
    named = set(re.findall(r'"([a-z0-9_]+)"', "\n".join(lines))) - {"split", "clump"}
    assert len(named) > 70
    assert named <= _keys(to_json(analysis))


def test_top_level_and_nesting(analysis: Analysis) -> None:
    result = to_json(analysis)
    assert result["schema"] == 1
    photo = result["photos"][0]
    assert set(photo) >= {"file", "sha256", "width_px", "height_px", "taken_at", "scale", "limits", "check"}
    assert photo["check"]["usable"] is True
    assert set(photo["check"]["problems"][0]) >= {"code", "message", "remedy"}
    assert set(result["passing"][0]["by_count"]) >= {"share", "low", "high"}
    assert set(result["passing"][0]["band"]) == {"low", "high", "meaning"}
    assert result["sample"]["noticed"] == ["none"]
    action = result["advice"]["actions"][-1]
    assert action["confidence"].startswith("Not sure")
    assert action["would_change"] == "A flow test that falls short."
    assert action["cautions"] == ["Flow test: outdoors, engine cold."]
    assert result["advice"]["bench_tests"]


def test_numbers_are_finite_and_the_unknown_is_null(analysis: Analysis) -> None:
    table = analysis.particles.copy()
    table["passing_size_um"][0], table["ecd_um"][1], table["x_mm"][2] = np.nan, np.inf, -np.inf
    result = to_json(replace(analysis, particles=table))
    text = json.dumps(result, allow_nan=False)
    assert np.isfinite(_numbers(json.loads(text))).all()
    assert result["particles"][0]["passing_size_um"] is None
    assert result["particles"][1]["ecd_um"] is None


def test_lengths_keep_six_figures(analysis: Analysis) -> None:
    result = to_json(analysis)
    read = np.array([row["ecd_um"] for row in result["particles"]])
    np.testing.assert_allclose(read, analysis.particles["ecd_um"], rtol=5e-6)
    assert len(repr(result["particles"][0]["area_um2"]).replace(".", "")) <= 8


def test_an_infinite_upper_bound_becomes_null(analysis: Analysis) -> None:
    sizes = replace(analysis.sizes, count_high=float("inf"))
    assert to_json(replace(analysis, sizes=sizes))["sizes"]["count_high"] is None


def test_refused_photo_still_says_why() -> None:
    result = to_json(refused_analysis())
    check = result["photos"][0]["check"]
    assert check["usable"] is False
    assert [problem["code"] for problem in check["problems"]] == ["blurred", "no_card"]
    assert result["photos"][0]["scale"] is None
    assert result["particles"] == []


def test_written_json_is_the_result(analysis: Analysis, tmp_path: Path) -> None:
    analysis = replace(analysis, sample=replace(analysis.sample, machine="Pumpe Łódź"))
    write_json(analysis, tmp_path / "r.json")
    data = (tmp_path / "r.json").read_bytes()
    assert "Łódź".encode() in data
    assert json.loads(data) == to_json(analysis)


def test_csv_round_trip(analysis: Analysis, tmp_path: Path) -> None:
    write_csv(analysis, tmp_path / "p.csv")
    with (tmp_path / "p.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    table = analysis.particles
    assert list(rows[0]) == [column.name for column in COLUMNS if column.public]
    assert [int(row["id"]) for row in rows] == table["id"].tolist()
    for name in ("x_mm", "ecd_um", "feret_min_um", "area_um2"):
        np.testing.assert_allclose([float(row[name]) for row in rows], table[name], rtol=5e-6)
    missing = np.array([row["passing_size_um"] == "" for row in rows])
    np.testing.assert_array_equal(missing, np.isnan(table["passing_size_um"]))
    assert missing.any()
    assert [row["flags"].split() for row in rows] == [flag_names(bits) for bits in table["flags"].tolist()]
    assert [row["touches_edge"] == "True" for row in rows] == table["touches_edge"].tolist()


def test_csv_without_particles_has_its_header(tmp_path: Path) -> None:
    write_csv(invented_analysis(0, shape=(300, 400)), tmp_path / "p.csv")
    assert (tmp_path / "p.csv").read_text("utf-8").splitlines() == [
        ",".join(column.name for column in COLUMNS if column.public)
    ]


def test_no_csv_text_runs_as_a_formula(tmp_path: Path) -> None:
    """A photo may carry any name; numbers below zero stay numbers."""
    rows = [{"file": name, "x": -1.5} for name in ("=HYPERLINK(A1).jpg", "@SUM.jpg", "+1.jpg", "a=b.jpg")]
    write_table(rows, ["file", "x"], tmp_path / "t.csv")
    lines = (tmp_path / "t.csv").read_text("utf-8").splitlines()[1:]
    assert lines == ["'=HYPERLINK(A1).jpg,-1.5", "'@SUM.jpg,-1.5", "'+1.jpg,-1.5", "a=b.jpg,-1.5"]
