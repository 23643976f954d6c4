"""`triage compare` and `triage plan` as typed: results read back, refusals, what is written and kept."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest

from tests.triage.commands import Ran, runner
from tests.triage.invented import invented_analysis, refused_analysis
from triage.report.reading import sample_of
from triage.report.result import to_json

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Run `triage` here, in an empty folder; never a traceback, never an inside fault."""
    folder = tmp_path / "bench"
    folder.mkdir()
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "kept"))
    monkeypatch.chdir(folder)

    return runner(monkeypatch, capsys)


def result(count: int, from_um: float = 60.0, seed: int = 0, **sample: Any) -> dict[str, Any]:
    """A result with so many sized pieces, one cut by the window and one below the limit."""
    rng = np.random.default_rng(seed)
    size = [*(from_um + rng.lognormal(4, 0.5, count)).round(3).tolist(), from_um - 5, 900.0]
    particles = [
        {"ecd_um": ecd, "kind": "rust", "below_sizing_limit": ecd < from_um, "touches_edge": ecd == 900.0}
        for ecd in size
    ]
    return {
        "schema": 1,
        "method_version": "1",
        "photos": [
            {"file": f"{seed}.jpg", "sha256": f"{seed:064}", "check": {"usable": True, "problems": []}}
        ],
        "particles": particles,
        "sizes": {"count": count, "from_um": from_um},
        "blank": None,
        "sample": sample,
    }


def write(name: str, content: Any) -> str:
    Path(name).write_text(json.dumps(content), encoding="utf-8")
    return name


def pair(before: int = 400, after: int = 30, **sample: Any) -> tuple[str, str]:
    return write("b.json", result(before, **sample)), write("a.json", result(after, seed=1, **sample))


def one_plain_sentence(ran: Ran, *names: str) -> None:
    assert (ran.status, ran.out) == (2, "")
    line = ran.err.rstrip("\n")
    assert "\n" not in line
    assert line.startswith("triage: ")
    assert line.endswith((".", ")"))
    assert len(line) < 300
    assert [name for name in names if name not in line] == []


def test_comparison_is_written_as_agreed(run):
    ran = run("compare", *pair(volume_ml=50.0), "--json", "c.json")
    found = json.loads(Path("c.json").read_text(encoding="utf-8"))

    assert (ran.status, ran.err) == (0, "")
    assert (found["schema"], found["verdict"], found["per"], found["sizes_from_um"]) == (
        1,
        "cleaner",
        "ml",
        60,
    )
    assert found["before"]["count"] == 400
    assert found["before"]["exposure"] == 50
    assert found["after"]["count"] == 30
    assert (
        found["rate_ratio"]["low"] < found["rate_ratio"]["value"] == 0.075 < found["rate_ratio"]["high"] < 1
    )
    assert 0 < found["p_rate"] < 0.05
    assert 0 <= found["p_sizes"] <= 1
    assert found["needed"] == {"text": "Nothing more: the difference is shown.", "count": 0}


def test_text_opens_with_three_lines_and_says_both_units(run):
    lines = run("compare", *pair()).out.splitlines()

    assert "um (" in lines[0]
    assert "thou)" in lines[0]
    assert lines[1].startswith("Cleaner: 400 pieces before, 30 pieces after; 92 % fewer (95 %: ")
    assert lines[2].startswith("To do: ")
    assert lines[3] == ""
    assert all(len(line) <= 79 for line in lines[3:])
    assert "whole sample" in "\n".join(lines)


def test_no_pieces_after_is_a_bound(run):
    ran = run("compare", *pair(60, 0), "--json", "c.json")
    found = json.loads(Path("c.json").read_text(encoding="utf-8"))

    assert "no pieces after; at least" in ran.out
    assert "none seen: at most" in ran.out
    assert found["rate_ratio"]["low"] == 0
    assert 0 < found["rate_ratio"]["high"] < 0.15
    assert found["p_sizes"] is None


def test_nothing_before_leaves_the_ratio_open(run):
    run("compare", *pair(0, 40), "--json", "c.json")
    found = json.loads(Path("c.json").read_text(encoding="utf-8"))

    assert found["verdict"] == "dirtier"
    assert (found["rate_ratio"]["value"], found["rate_ratio"]["high"]) == (None, None)


def test_nothing_at_all_is_too_little_to_tell(run):
    ran = run("compare", *pair(0, 0), "--json", "c.json")
    found = json.loads(Path("c.json").read_text(encoding="utf-8"))

    assert ran.status == 0
    assert found["verdict"] == "too_little_to_tell"
    assert found["needed"]["count"] > 5


def test_target_and_exposure_can_be_chosen(run):
    given = pair(500, 4, volume_ml=10.0, hours=20.0)

    ran = run("compare", *given, "--target", "90", "--above", "75", "--per", "hour", "--json", "c.json")
    found = json.loads(Path("c.json").read_text(encoding="utf-8"))

    assert found["per"] == "hour"
    assert found["target"]["verdict"] == "met"
    assert "Target, 90 % fewer pieces over 75 um (3.0 thou): met" in " ".join(ran.out.split())
    closer = run("compare", *given, "--target", "90", "--above", "30")
    assert "not measurable" in closer.out


def test_further_samples_count_and_narrow(run):
    write("b2.json", result(400, seed=2))
    write("a2.json", result(160, seed=3))
    plain = run("compare", *pair(400, 160), "--json", "one.json")
    run(
        "compare",
        *pair(400, 160),
        "--also-before",
        "b2.json",
        "--also-after",
        "a2.json",
        "--json",
        "two.json",
    )
    one, two = (json.loads(Path(name).read_text(encoding="utf-8")) for name in ("one.json", "two.json"))

    assert "Too little" not in plain.out
    assert (two["before"]["count"], two["after"]["count"]) == (800, 320)
    assert (one["verdict"], two["verdict"]) == ("no_difference_shown", "cleaner")


def test_own_spread_is_measured_kept_and_used(run):
    for seed in range(8):
        one, other = (
            write("1.json", result(300, seed=2 * seed + 10)),
            write("2.json", result(310, seed=2 * seed + 11)),
        )
        ran = run("compare", one, other, "--same-tank")
    again = run("compare", one, other, "--same-tank")

    assert "8 pairs of your own" in ran.out
    assert "8 pairs of your own" in again.out
    assert "starting value: measure" not in run("compare", *pair()).out
    run("compare", *pair(), "--json", "c.json")
    cv = json.loads(Path("c.json").read_text(encoding="utf-8"))["spread"]["cv"]
    assert 0.1 < cv < 0.25


def test_damaged_kept_pairs_are_told(run, tmp_path):
    (tmp_path / "kept").mkdir()
    for bad in (
        "nonsense",
        "{}",
        '{"pairs": [{"samples": ["a", "b"], "counts": [1], "exposures": [1, 1]}]}',
        "[]",
    ):
        (tmp_path / "kept" / "sample_spread.json").write_text(bad)
        one_plain_sentence(run("compare", *pair()), "sample_spread.json")
    assert run("compare", *pair(), "--sample-cv", "20").status == 0


def damaged() -> dict[str, Any]:
    whole = result(20)
    return {
        "not_json.json": "Dear workshop,",
        "half.json": json.dumps(whole)[:300],
        "empty.json": "",
        "list.json": "[1, 2]",
        "number.json": "5",
        "deep.json": "[" * 100_000,
        "other.json": json.dumps({"schema": 1, "verdict": "cleaner"}),
        "schema.json": json.dumps({**whole, "schema": 7}),
        "no_schema.json": json.dumps({key: value for key, value in whole.items() if key != "schema"}),
        "photos.json": json.dumps({**whole, "photos": 3}),
        "sizes.json": json.dumps({**whole, "sizes": {"from_um": None}}),
        "nan.json": json.dumps({**whole, "sizes": {"from_um": math.nan}}),
        "piece.json": json.dumps({**whole, "particles": [{"ecd_um": "wide"}]}),
        "pieces.json": json.dumps({**whole, "particles": [3]}),
        "inf.json": json.dumps({**whole, "particles": [{"ecd_um": math.inf}]}),
        "fraction.json": json.dumps({**whole, "sample": {"fraction": 0}}),
        "volume.json": json.dumps({**whole, "sample": {"volume_ml": -4}}),
        "sample.json": json.dumps({**whole, "sample": "bowl"}),
        "slip.json": json.dumps({**whole, "sample": {"volume_ml": 1e-300}}),
        "much.json": json.dumps({**whole, "sample": {"hours": 1e300}}),
        "origin.json": json.dumps({**whole, "sample": {"origin": 5}}),
        "huge.json": json.dumps({**whole, "sizes": {"from_um": 10**400}}),
        "blank.json": json.dumps({**whole, "blank": "clean"}),
        "problems.json": json.dumps({**whole, "photos": [{"check": {"usable": False, "problems": [3]}}]}),
        "text.txt": "Dear workshop,",
    }


@pytest.mark.parametrize("name", damaged())
@pytest.mark.parametrize("place", [0, 1])
def test_what_is_no_result_is_refused_in_one_sentence(run, name, place):
    Path(name).write_text(damaged()[name], encoding="utf-8")
    given = [write("ok.json", result(30, seed=9))]
    given.insert(place, name)

    one_plain_sentence(run("compare", *given, "--json", "c.json"), name)
    assert not Path("c.json").exists()


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["b.json"], "after"),
        (["b.json", "missing.json"], "missing.json"),
        (["b.json", "."], "folder"),
        (["b.json", "17"], "17"),
        (["b.json", "b.json"], "same sample"),
        (["b.json", "a.json", "--also-after", "a.json"], "same sample"),
        (["b.json", "a.json", "--json", "a.json"], "a.json"),
        (["b.json", "a.json", "--json", "nowhere/c.json"], "nowhere"),
        (["b.json", "a.json", "--target", "0"], "--target"),
        (["b.json", "a.json", "--target", "100"], "--target"),
        (["b.json", "a.json", "--target", "nan"], "--target"),
        (["b.json", "a.json", "--above", "75"], "--target"),
        (["b.json", "a.json", "--target", "90", "--above", "inf"], "--above"),
        (["b.json", "a.json", "--per", "hour"], "hour"),
        (["b.json", "a.json", "--per", "fortnight"], "--per"),
        (["b.json", "a.json", "--sample-cv", "-1"], "--sample-cv"),
        (["b.json", "a.json", "--sample-cv", "nan"], "--sample-cv"),
        (["b.json", "a.json", "--same-tank", "--also-after", "x.json"], "--same-tank"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_command_lines_are_refused_in_one_sentence(run, words, named):
    pair()
    before = Path("a.json").read_bytes()

    one_plain_sentence(run("compare", *words), named)
    assert Path("a.json").read_bytes() == before


def test_same_pieces_under_another_name_are_refused(run):
    pair()
    shutil.copy("b.json", "copy.json")

    one_plain_sentence(run("compare", "b.json", "copy.json"), "same sample")


def test_a_refused_photo_ends_with_three_and_its_remedies(run):
    write("bad.json", to_json(refused_analysis()))

    ran = run("compare", pair()[0], "bad.json", "--json", "c.json")

    assert (ran.status, ran.out) == (3, "")
    assert len(ran.err.splitlines()) == 2
    assert "Rest the phone on a cup." in ran.err
    assert not Path("c.json").exists()


def test_different_exposures_fall_back_to_whole_samples_and_say_so(run):
    write("b.json", result(400, volume_ml=50.0))
    write("a.json", result(30, seed=1, hours=9.0))

    said = " ".join(run("compare", "b.json", "a.json").out.split())

    assert "per whole sample" in said
    assert "Not used, since not told of every sample: fuel sampled, hours run." in said


def test_a_coarse_photo_with_nothing_above_its_limit_is_too_little(run):
    write("b.json", result(400, from_um=20.0))
    write("a.json", result(0, from_um=5000.0, seed=1))

    ran = run("compare", "b.json", "a.json")

    assert ran.status == 0
    assert "Too little to tell: no pieces before, no pieces after" in ran.out


def test_result_read_back_holds_the_counts_of_its_analysis():
    analysis = invented_analysis(200)

    sample = sample_of(to_json(analysis), "invented")

    assert len(sample.size_um) == analysis.sizes.count
    assert (sample.from_um, sample.fraction) == (analysis.sizes.from_um, 0.5)
    assert sample.exposures == {"hour": 120.0, "month": 7.0}


def test_sample_photos_before_and_after_a_tank_clean(run):
    """The rendered pair itself, analysed on the spot, against the truth that it was rendered from."""
    names = [SAMPLES / f"pressure_washer_PW-07_{when}.jpg" for when in ("before", "after")]
    ran = run("compare", *map(str, names), "--json", "c.json")
    found = json.loads(Path("c.json").read_text(encoding="utf-8"))
    truths = [json.loads(name.with_suffix(".truth.json").read_text(encoding="utf-8")) for name in names]
    true = [
        sum(piece["ecd_um"] >= found["sizes_from_um"] for piece in truth["particles"]) for truth in truths
    ]

    assert ran.out.splitlines()[1].startswith("Cleaner: ")
    assert found["before"]["count"] == pytest.approx(true[0], rel=0.1)
    assert found["after"]["count"] == pytest.approx(true[1], rel=0.15)
    assert found["rate_ratio"]["value"] == pytest.approx(true[1] / true[0], rel=0.15)


def test_plan_tells_pieces_and_amounts(run):
    write("b.json", result(80, volume_ml=100.0))

    bare, like = run("plan"), run("plan", "--fewer", "95", "--like", "b.json", "--above", "75")

    assert bare.status == like.status == 0
    assert "10 % of the pieces" in " ".join(bare.out.split())
    assert "ml of fuel" in like.out
    assert "not enough" in run("plan", "--fewer", "50").out
    assert "at least 90 % are gone, where it truly leaves 3.33 %" in " ".join(
        run("plan", "--target", "90").out.split()
    )
    assert run("plan", "--fewer", "97", "--target", "90", "--power", "90").status == 0


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--fewer", "0"], "--fewer"),
        (["--fewer", "100"], "--fewer"),
        (["--fewer", "80", "--target", "90"], "--target"),
        (["--power", "100"], "--power"),
        (["--power", "nan"], "--power"),
        (["--above", "75"], "--like"),
        (["--like", "missing.jpg"], "missing.jpg"),
        (["--like", "b.json", "--above", "10"], "--above"),
        (["--like", "b.json", "--above", "1e9"], "no piece"),
        (["--sample-cv", "x"], "--sample-cv"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_bad_plans_are_refused_in_one_sentence(run, words, named):
    write("b.json", result(80))

    one_plain_sentence(run("plan", *words), named)


def test_a_comparison_is_written_as_a_pdf_with_its_target(run):
    ran = run("compare", *pair(volume_ml=50.0), "--target", "50", "--pdf", "c.pdf", "--paper", "letter")
    document = pypdfium2.PdfDocument(Path("c.pdf"))
    words = " ".join(" ".join(page.get_textpage().get_text_range().split()) for page in document)

    assert ran.status == 0
    assert document[0].get_size() == pytest.approx((612, 792), abs=0.2)  # ANSI letter
    for said in ("b.json and a.json", "Cleaner: 400 pieces before, 30", "Target, 50", "per ml of fuel"):
        assert said in words.replace("\u00a0", " ")
    one_plain_sentence(run("compare", "b.json", "a.json", "--pdf", "a.json"), "a.json")
    one_plain_sentence(run("compare", "b.json", "a.json", "--json", "c.pdf", "--pdf", "c.pdf"), "c.pdf")
    one_plain_sentence(run("compare", "b.json", "a.json", "--pdf", "no/c.pdf"), "no/c.pdf")
