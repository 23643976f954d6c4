"""Will the engine still get fuel: verdicts, least heads, the bench's word, the text and the command."""

import re
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from triage.analysis import Sample
from triage.errors import UserError
from triage.filters import Filter, load_filters, packaged_list
from triage.filters.feed import ASSUMED, KW_PER_HP, FeedSetup, completed, replaced
from triage.filters.flow import AREAS, flow_for, judge
from triage.report.feed import feed_text

FILTERS = load_filters(packaged_list())
SMALL = FeedSetup(feed="gravity", power_kw=4.4, head_mm=150)
SCREEN_75 = Filter(75.0, "screen", "opening")
RANK = {"starves": 0, "unknown": 1, "flows": 2}


def one(setup, entry=SCREEN_75):
    return judge(setup, (entry,))[0]


def by_rating(setup):
    return {found.filter.rating: found for found in judge(setup, FILTERS)}


@pytest.mark.parametrize(("rating", "mm"), [("150", 79), ("75", 158), ("30", 394), ("25", 473), ("10", 1183)])
def test_held_air_needs_the_bubble_point_as_head(rating, mm):
    """4 sigma / D over rho g of petrol: 79 mm of fuel at 150 um up to 1183 at 10."""
    assert by_rating(SMALL)[rating].air_mm.likely == pytest.approx(mm, rel=0.01)


def test_the_trades_habit_comes_out_at_a_usual_head():
    """Common practice: 150 um on gravity; 75 is tried there; paper can starve unless the tank stands high."""
    low, high = by_rating(SMALL), by_rating(replace(SMALL, head_mm=600))
    assert low["150"].verdict == "flows"
    assert {(low[um].verdict, low[um].limit) for um in ("75", "30", "10")} == {("unknown", "air")}
    assert low["75"].margin_mm == pytest.approx(150 - low["75"].least_head_mm.likely)
    assert [high[um].verdict for um in ("75", "30", "25", "10")] == ["flows", "flows", "flows", "unknown"]


def test_the_least_head_is_where_the_verdict_turns():
    need = one(SMALL).least_head_mm.worst
    assert one(replace(SMALL, head_mm=need + 0.1)).verdict == "flows"
    assert one(replace(SMALL, head_mm=need - 0.1)).verdict == "unknown"


@pytest.mark.parametrize("entry", FILTERS, ids=lambda entry: entry.rating)
def test_more_head_never_harms_and_more_power_never_helps(entry):
    heads = [RANK[one(replace(SMALL, head_mm=mm), entry).verdict] for mm in (1, 5, 20, 100, 400, 2000, 9000)]
    powers = [RANK[one(replace(SMALL, power_kw=kw), entry).verdict] for kw in (0.5, 2, 8, 30, 120, 500)]
    assert heads == sorted(heads)
    assert powers == sorted(powers, reverse=True)


def test_the_range_holds_what_the_assumptions_do_together():
    """All assumptions drawn at once, evenly in the logarithm: 19 of 20 needs keep to either end."""
    rng = np.random.default_rng(11)
    setup = replace(completed(SMALL), power_kw=8.0)
    chosen = [found for found in judge(setup, FILTERS) if found.filter.rating in {"150", "25", "7-11"}]
    drawn = []
    for _ in range(250):
        numbers = {each.name: draw(rng, each.value.best, each.value.worst) for each in setup.assumed[:-2]}
        areas = [AREAS[found.filter.element, found.filter.size_class][1:] for found in chosen]
        entries = [
            replace(found.filter, area_mm2=draw(rng, *ends))
            for found, ends in zip(chosen, areas, strict=True)
        ]
        drawn.append(judge(replaced(setup, numbers), entries))
    for found, needs in zip(chosen, zip(*drawn, strict=True), strict=True):
        for name in ("full_mm", "air_mm"):
            need = np.array([getattr(each, name).likely for each in needs])
            span = getattr(found, name)
            assert np.mean(need <= span.worst) >= 0.95, (found.filter.rating, name)
            assert np.mean(need >= span.best) >= 0.95, (found.filter.rating, name)


def draw(rng, one_end, other):
    return float(np.exp(rng.uniform(*sorted(np.log([one_end, other])))))


def test_a_loss_measured_on_the_clean_filter_replaces_the_model():
    """20 kPa at 2 l/h, half blocked: about 48 kPa at 2.4 l/h, 6.5 m of fuel. No small engine has that."""
    known = replace(SCREEN_75, clean_flow_l_h=2.0, clean_loss_pa=20_000.0)
    found = one(SMALL, known)
    assert (found.verdict, found.limit) == ("starves", "flow")
    assert found.full_mm.likely == pytest.approx(
        20_000 * 2 * 4.4 * 400 / 740.75 / 2 / (740.75 * 9.80665e-3), rel=0.01
    )
    assert found.blocked_until is None


def test_how_much_may_be_blocked_is_where_the_flow_limit_meets_the_head():
    known = replace(SCREEN_75, clean_flow_l_h=2.0, clean_loss_pa=200.0)
    part = one(SMALL, known).blocked_until
    blocked = one(replaced(SMALL, {"clogged": part}), known)
    assert 0.5 < part < 0.99
    assert blocked.full_mm.likely == pytest.approx(150, rel=1e-6)


def test_a_pump_lets_the_tank_lie_lower():
    """Service manuals of small twins: a pulse pump gives 2.07 kPa at 7.5 l/h: 285 mm of petrol at 20 C."""
    found = one(FeedSetup(feed="pulse", power_kw=4.4))
    assert found.have_mm == pytest.approx(285, abs=1)
    assert found.least_head_mm.likely == pytest.approx(found.air_mm.likely - found.have_mm)
    assert found.verdict == "flows"


def test_a_pump_asked_for_more_than_it_is_stated_to_give_is_not_vouched_for():
    found = one(FeedSetup(feed="pulse", power_kw=15))
    assert (found.verdict, found.limit) == ("unknown", "pump")


def test_no_tank_may_lie_lower_than_a_pump_lifts():
    """Service manuals of small twins: 18 in of lift."""
    found = one(FeedSetup(feed="pump", power_kw=9))
    assert found.least_head_mm.likely == pytest.approx(-457)
    deep = one(FeedSetup(feed="pump", power_kw=9, head_mm=-500))
    assert (deep.verdict, deep.limit) == ("unknown", "pump")


def test_a_diesel_injects():
    assert one(FeedSetup(feed="gravity", fuel="diesel", power_kw=9, head_mm=500)).limit == "maker"


def test_injection_is_the_makers_business():
    found = one(
        FeedSetup(feed="injection", power_kw=15, head_mm=5000, flow_test_ml_min=9999, flow_test_um=75)
    )
    assert (found.verdict, found.limit) == ("unknown", "maker")


@pytest.mark.parametrize("missing", ["power_kw", "head_mm"])
def test_what_was_not_stated_is_not_guessed(missing):
    found = one(replace(SMALL, **{missing: None}))
    assert (found.verdict, found.limit) == ("unknown", "unstated")
    assert found.least_head_mm.likely > 100


def test_the_bench_wins_over_the_model_both_ways():
    """4.4 kW burns 31 to 50 ml a minute; twice the most is enough, less than the least starves."""
    enough = by_rating(replace(SMALL, flow_test_ml_min=120, flow_test_um=30))
    short = by_rating(replace(SMALL, flow_test_ml_min=25, flow_test_um=150))
    scant = by_rating(replace(SMALL, flow_test_ml_min=60, flow_test_um=30))
    assert [enough[um].verdict for um in ("150", "75", "30", "25")] == ["flows", "flows", "flows", "unknown"]
    assert {found.verdict for found in short.values()} == {"starves"}
    assert {found.limit for found in short.values()} == {"bench"}
    assert (scant["30"].verdict, scant["30"].limit) == ("unknown", "bench")
    assert scant["150"].limit == "air"


def test_a_range_is_judged_for_flow_by_its_fine_end():
    assert by_rating(SMALL)["7-11"].air_mm.likely == pytest.approx(1183 * 10 / 7, rel=0.01)


def test_a_sample_is_judged_as_its_feed_is():
    sample = Sample(feed="gravity", power_kw=4.4, head_mm=150, installed_um=30, flow_test_ml_min=120)
    same = replace(SMALL, flow_test_ml_min=120, flow_test_um=30)
    assert flow_for(sample, FILTERS) == judge(same, FILTERS)
    assert flow_for(Sample(), FILTERS)[0].limit == "unstated"


def test_every_assumption_can_be_replaced_and_is_told():
    setup = completed(FeedSetup(feed="pulse", power_kw=4.4, head_mm=150))
    numbers = {each.name: min(max(each.value.likely * 1.5, each.least), each.most) for each in setup.assumed}
    told = "\n".join(one(replaced(setup, numbers)).assumptions)
    assert {each.name for each in ASSUMED} < set(numbers)
    assert all(f"[{name}]: " in told for name in numbers)
    assert told.count("; as stated") == len(numbers)


@pytest.mark.parametrize(
    ("name", "best", "worst"),
    [("seat_mm", 4.0, 0.8), ("consumption_g_kwh", 200, 900), ("hose_bore_mm", 10, 2.0), ("clogged", 0, 0.99)],
)
def test_assumptions_pull_the_way_they_should(name, best, worst):
    paper = Filter(25.0, "paper", "unknown")
    easy, hard = (one(replaced(SMALL, {name: number}), paper).full_mm.likely for number in (best, worst))
    assert easy < one(SMALL, paper).full_mm.likely < hard


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ({"tank": 3}, "under the name tank; choose from temperature_c"),
        ({"clogged": 1.0}, "from 0 to 0.99"),
        ({"seat_mm": float("nan")}, "seat_mm cannot be nan"),
        ({"hose_bore_mm": -1}, "hose_bore_mm cannot be -1"),
    ],
)
def test_a_wrong_number_is_refused_in_one_sentence(numbers, said):
    with pytest.raises(UserError, match=re.escape(said)):
        replaced(SMALL, numbers)


@pytest.mark.parametrize(
    "setup",
    [
        SMALL,
        FeedSetup(),
        FeedSetup(feed="pump", power_kw=9),
        FeedSetup(feed="pulse", power_kw=2),
        replace(SMALL, fuel="oil_mix", flow_test_ml_min=60, flow_test_um=75),
        replace(SMALL, flow_test_ml_min=60),
    ],
)
def test_the_text_is_plain_and_fits(setup):
    text = feed_text(setup, judge(setup, FILTERS))
    assert text.isascii()
    assert max(map(len, text.splitlines())) <= 79
    assert "None" not in text
    assert "{" not in text
    for caution in (
        "Outdoors",
        "engine cold",
        "vented container",
        "Tank cap shut",
        "crack the cap open",
        "vent in the cap",
    ):
        assert caution in " ".join(text.split())
    assert "is an inference" in " ".join(text.split())


def test_the_text_answers_first():
    text = feed_text(SMALL, judge(SMALL, FILTERS))
    assert "\nKeeps it fed: 150 screen.\nNot sure: 75 screen, 30 paper" in text
    assert "4.4 kW (5.9 hp)" in text
    assert "150 mm (5.9 in)" in text
    assert text.index("Keeps it fed") < 250


def test_two_strokes_are_warned_of_running_lean():
    mix = replace(SMALL, fuel="oil_mix")
    assert "seizes" in feed_text(mix, judge(mix, FILTERS))
    assert "seizes" not in feed_text(SMALL, judge(SMALL, FILTERS))


def test_injection_gets_one_sentence_and_no_figures():
    setup = FeedSetup(feed="injection")
    text = feed_text(setup, judge(setup, FILTERS))
    assert text.startswith("Fuel injection, as on every diesel: fit only the maker's element.")
    assert len(text.splitlines()) <= 3


def test_what_does_not_fit_the_machine_is_told():
    setup = replaced(replace(SMALL, cylinders=1), {"hose_bore_mm": 5.0})
    text = " ".join(feed_text(setup, judge(setup, FILTERS)).split())
    assert "15 paper, 10 paper: a much larger element, for twins of about 20 hp and more; too big" in text
    assert "not listed for a 5 mm hose" in text


def run(*words):
    command = [sys.executable, "-c", "from triage.cli import run; run()", "flow", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_the_command_prints_the_answer():
    done = run(
        "--feed", "gravity", "--power-hp", "5.9", "--head-mm", "150", "--assume", "seat_mm=1.5,clogged=0"
    )
    assert done.returncode == 0
    assert done.stderr == ""
    assert f"{5.9 * KW_PER_HP:.3g} kW (5.9 hp)" in done.stdout
    assert "[seat_mm]: 1.5 mm; as stated" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--power-kw", "4", "--power-hp", "5"], "Give the power once"),
        (["--power-kw", "0"], "The power must be above 0"),
        (["--feed", "gravity", "--head-mm", "-10"], "fuel does not run uphill"),
        (["--head-mm", "nan"], "--head-mm nan is no amount"),
        (["--assume", "seat_mm"], "write NAME=NUMBER"),
        (
            ["--assume", "seat_mm=1,hose_bore_mm=5", "--hose-bore-mm", "6"],
            "--hose-bore-mm stands in --assume too",
        ),
    ],
)
def test_a_wrong_command_line_is_one_sentence(words, said):
    done = run(*words)
    assert done.returncode == 2
    assert said in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
