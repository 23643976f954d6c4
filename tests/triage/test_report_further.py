"""What follows from the sizes: in the result's JSON, on the terminal, in PDF and page."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest

from tests.triage.invented import invented_analysis, refused_analysis
from tests.triage.tables import round_grains
from triage.analysis import Analysis
from triage.consequences import consequences
from triage.filters import load_filters, packaged_list
from triage.report import summary_text
from triage.report.further import further_lines, standards_lines
from triage.report.html import html_page
from triage.report.pdf import pdf_bytes
from triage.report.result import to_json
from triage.report.visit import Visit

FILTERS = load_filters(packaged_list())
NAMES = ("went_past", "orifices", "amount", "standards")


def with_further(analysis: Analysis, **sample: object) -> Analysis:
    sample_now = replace(analysis.sample, **sample)
    found = consequences(analysis.particles, analysis.sizes, sample_now, FILTERS, 0.003)
    return replace(analysis, sample=sample_now, further=found)


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    drawn = invented_analysis(300, shape=(600, 800))
    return with_further(drawn, installed_um=75.0, element="paper")


def test_the_result_has_all_four_parts_and_plain_numbers(analysis):
    document = json.loads(json.dumps(to_json(analysis), allow_nan=False))
    assert set(NAMES) <= set(document)
    assert document["went_past"]["held"] > 0
    assert document["standards"]["iso_16232"][-1] == {
        **document["standards"]["iso_16232"][-1],
        "letter": "N",
        "to_um": None,
    }
    assert document["amount"]["mass_mg"]["value"] > 0


def test_a_refused_photo_has_the_parts_empty():
    document = to_json(refused_analysis())
    assert [document[name] for name in NAMES] == [None] * 4
    assert further_lines(refused_analysis()) == []


def test_the_lines_name_their_numbers(analysis):
    lines = dict(further_lines(analysis))
    past = analysis.further.went_past
    assert list(lines) == ["Went past the filter:", "Jets and valves:", "How much:", "Fibres:"]
    assert f"beside {past.held} counted on it. Modelled, not measured." in lines["Went past the filter:"]
    assert " in)" in lines["Jets and valves:"]
    assert "A rough model." in lines["How much:"]
    assert lines["Fibres:"].endswith("weighted by length.")


def test_a_refusal_gives_its_reason(analysis):
    screen = with_further(analysis, installed_um=10.0)
    assert dict(further_lines(screen))["Went past the filter:"].startswith("cannot be told: a sound 10 µm")


def test_debris_that_no_filter_held_is_not_turned_round(analysis):
    for origin in ("tank", "bowl", "clean_side", None):
        found = with_further(analysis, origin=origin)
        assert found.further.went_past is None
        assert found.further.amount.filled is None
        assert "Went past the filter:" not in dict(further_lines(found))


def test_the_feed_decides_which_orifices_there_are(analysis):
    names = {
        feed: {risk.name for risk in with_further(analysis, feed=feed).further.orifices}
        for feed in ("gravity", "pulse", "injection", None)
    }
    assert names["injection"] == {"injector hole"}
    assert names["pulse"] - names["gravity"] == {"pulse pump valve"}
    assert names[None] == names["gravity"]


def test_no_pieces_say_nothing():
    empty = with_further(invented_analysis(0, shape=(600, 800)))
    assert further_lines(empty) == []
    assert standards_lines(empty) == []


def test_the_terminal_stays_plain_and_narrow(analysis):
    text = summary_text(analysis)
    assert text.isascii()
    assert max(len(line) for line in text.splitlines()[3:]) <= 80
    for head, _ in further_lines(analysis):
        assert f"\n{head} " in text


def test_the_pages_show_the_lines(analysis):
    page = html_page(analysis, Visit())
    document = pypdfium2.PdfDocument(io.BytesIO(pdf_bytes(analysis, "a4", Visit())))
    technician = " ".join(document[1].get_textpage().get_text_range().split())
    for head, _ in further_lines(analysis):
        assert head in page
        assert head in technician
    assert "ISO 16232 size classes" in page
    assert len(document) == 2


@pytest.mark.parametrize(
    ("grains", "words"),
    [
        ([300.0] * 40, "40 pieces over a third of the float needle seat, 500 µm (0.020 in), none bigger"),
        ([900.0] * 2 + [100.0] * 40, "2 pieces bigger than the main jet, 750 µm (0.030 in), 2 over a third"),
    ],
)
def test_the_place_most_at_risk_is_named(analysis, grains, words):
    table = round_grains(grains)
    table["kind"] = "grit"
    idle = [risk for risk in analysis.further.orifices if risk.name != "idle jet"]
    found = consequences(table, analysis.sizes, replace(analysis.sample, feed="gravity"), FILTERS, 0.003)
    kept = tuple(risk for risk in found.orifices if risk.name in {entry.name for entry in idle})
    shown = replace(analysis, further=replace(found, orifices=kept))
    assert words in dict(further_lines(shown))["Jets and valves:"]


def test_fibres_alone_are_told_by_their_length(analysis):
    table = round_grains([70.0] * 3)
    table["kind"], table["length_um"] = "fibre", 900.0
    found = consequences(table, analysis.sizes, replace(analysis.sample, feed="gravity"), FILTERS, 0.003)
    said = dict(further_lines(replace(analysis, further=found)))["Jets and valves:"]
    assert said == "3 longer fibres than the idle jet, 350 µm (0.014 in), is wide (stopped by the filter)."


def test_rates_are_per_hour_for_what_a_filter_gathered_and_per_ml_for_a_sample(analysis):
    spent = {"hours": 50.0, "litres": 20.0, "volume_ml": 250.0}
    held = with_further(analysis, **spent).further.amount
    sampled = with_further(analysis, origin="fuel", **spent).further.amount
    assert held.mg_per_hour is not None
    assert held.mg_per_litre_burnt is not None
    assert held.mg_per_ml is None
    assert (sampled.mg_per_hour, sampled.mg_per_litre_burnt) == (None, None)
    assert sampled.mg_per_ml is not None


def test_masses_are_told_in_fitting_units(analysis):
    for size, unit in ((60.0, "µg"), (600.0, "mg"), (3000.0, "g (")):
        table = round_grains(np.full(30, size))
        found = consequences(table, replace(analysis.sizes, from_um=50.0), analysis.sample, FILTERS, 0.003)
        said = dict(further_lines(replace(analysis, further=found)))["How much:"]
        assert unit in said
