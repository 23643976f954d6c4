"""Commands and the result's fields are those that others rely on, by name, at every level."""

from __future__ import annotations

import csv
import json
import math
import sys
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest
from PIL import Image

from tests.triage.drawn import blurred_cover, disc, photo, placed, rectangle, rows_of
from triage import cli

# The agreed result, names with what they may hold: "s" text, "n" number, "b" yes or no, "?" also null, a
# dict or a
# list of what its entries are. Adding names is allowed, leaving one out or calling it otherwise is not.
PERCENTILES = {"d10_um": "n?", "d50_um": "n?", "d90_um": "n?"}
SHARE = {"share": "n?", "low": "n?", "high": "n?"}
SCALE = {
    "source": "s",
    "um_per_px": "n",
    "um_per_px_rel_u": "n",
    "tilt_deg": "n?",
    "card_number": "n?",
    "frame": "s?",
}
LIMITS = {
    "blur_fwhm_um": "n",
    "smallest_seen_um": "n",
    "smallest_sized_um": "n",
    "smallest_seen_faint_um": "n",
    "smallest_sized_faint_um": "n",
}
PHOTO = {
    "file": "s",
    "sha256": "s",
    "width_px": "n",
    "height_px": "n",
    "taken_at": "s?",
    "scale": SCALE,
    "limits": LIMITS,
    "check": {"usable": "b", "problems": [{"code": "s", "message": "s", "remedy": "s"}]},
}
PARTICLE = {
    "id": "n",
    "photo": "n",
    "x_mm": "n",
    "y_mm": "n",
    "x_px": "n",
    "y_px": "n",
    "ecd_um": "n",
    "ecd_u_um": "n",
    "feret_max_um": "n",
    "feret_min_um": "n",
    "area_um2": "n",
    "kind": "s",
    "kind_confidence": "n",
    "length_um": "n",
    "width_um": "n",
    "passing_size_um": "n?",
    "passing_below_um": "n?",
    "below_sizing_limit": "b",
    "touches_edge": "b",
    "flags": ["s"],
}
SIZES = {
    "count": "n",
    "seen_unsized": "n",
    "from_um": "n",
    "by_count": PERCENTILES,
    "by_area": PERCENTILES,
    "by_volume": PERCENTILES,
}
PASSING = {
    "rating_um": "n",
    "measurable": "b",
    "from_um": "n",
    "stopped_count": "n?",
    "through_count": "n?",
    "by_count": SHARE,
    "by_area": SHARE,
    "by_volume": SHARE,
    "band": {"low": "n?", "high": "n?", "meaning": "s"},
}
ADVICE = {
    "headline": "s",
    "actions": [{"code": "s", "text": "s", "because": ["s"], "filter_um": "n?"}],
    "cautions": ["s"],
}
SAMPLE = {
    "origin": "s?",
    "method": "s?",
    "fraction": "n?",
    "installed_um": "n?",
    "element": "s?",
    "feed": "s?",
    "fuel": "s?",
    "fuel_age_months": "n?",
    "noticed": ["s"],
    "volume_ml": "n?",
    "hours": "n?",
    "months": "n?",
    "litres": "n?",
    "machine": "s?",
}
RESULT = {
    "schema": "n",
    "program_version": "s",
    "method_version": "s",
    "photos": [PHOTO],
    "particles": [PARTICLE],
    "sizes": SIZES,
    "passing": [PASSING],
    "blank": {"count": "n", "exposure_cm2": "n", "ok": "b"},
    "advice": ADVICE,
    "sample": SAMPLE,
}
KINDS = [
    "fibre",
    "rust",
    "bright_metal",
    "white_corrosion",
    "green_corrosion",
    "grit",
    "plant",
    "rubber",
    "clear_plastic",
    "filter_paper",
    "swarf",
    "soot",
    "gum",
    "unsure",
]
PROBLEMS = [
    "no_card",
    "blurred",
    "glare",
    "clipped",
    "tilted",
    "too_far",
    "window_cut_off",
    "uneven_light",
    "too_crowded",
    "blank_too_dirty",
]
ACTIONS = [
    "keep",
    "usual_interval",
    "shorten_interval",
    "finer",
    "coarser_or_larger",
    "stage",
    "clean_tank",
    "drain_water",
    "fresh_fuel",
    "clean_carburettor",
    "service_injection",
    "replace_hose",
    "check_cap_and_can",
    "laboratory",
    "ask_licensed",
    "retake",
    "collect_more",
]
SOURCES = ["card", "rule", "points", "stated", "scanner", "lens"]
EVERY_OPTION = {
    "--origin": "tank",
    "--method": "filtered",
    "--fraction": "0.5",
    "--volume-ml": "250",
    "--hours": "40",
    "--months": "6",
    "--litres": "30",
    "--installed": "75",
    "--element": "screen",
    "--feed": "gravity",
    "--fuel": "e10",
    "--fuel-age-months": "2",
    "--machine": "PW-07",
    "--noticed": "water,gum",
    "--um-per-px": "10",
    "--window": "0,0,360,300",
    "--blank": "blank.png",
    "--json": "out.json",
    "--pdf": "out.pdf",
    "--html": "out.html",
    "--csv": "out.csv",
    "--overlay": "out.jpg",
}
CHOICES = {
    "--origin": "filter clean_side tank can bowl fuel",
    "--method": "tipped filtered element",
    "--element": "screen paper",
    "--feed": "gravity pulse pump injection",
    "--fuel": "petrol e10 oil_mix diesel",
    "--noticed": "water layers gum sour_smell white_corrosion green_corrosion slime swarf hose_crumbs none",
}


def misfits(value, shape, path="result") -> list[str]:
    """Where a value is not of the shape agreed."""
    if isinstance(shape, dict):
        if not isinstance(value, dict):
            return [f"{path} is {value!r}"]
        return [
            line
            for name, part in shape.items()
            for line in (
                misfits(value[name], part, f"{path}.{name}")
                if name in value
                else [f"{path}.{name} is missing"]
            )
        ]
    if isinstance(shape, list):
        if not isinstance(value, list):
            return [f"{path} is {value!r}"]
        return [line for k, each in enumerate(value) for line in misfits(each, shape[0], f"{path}[{k}]")]
    if value is None:
        return [] if "?" in shape else [f"{path} is null"]
    kinds = {"s": str, "n": (int, float), "b": bool}[shape[0]]
    right = isinstance(value, kinds) and (shape[0] == "b" or not isinstance(value, bool))
    return [] if right else [f"{path} is {value!r}"]


def read_strictly(path: Path):
    """Parse JSON; NaN and Infinity, which JSON does not have, are refused."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in {path.name}")

    return json.loads(path.read_bytes().decode("utf-8"), parse_constant=refuse)


def run(*words: str) -> int:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["triage", *words])
        return cli._status()


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> Path:
    """A folder in which `analyse` ran with every option of the contract at once."""
    folder = tmp_path_factory.mktemp("done")
    laid, size = rows_of(
        [*[disc(width) for width in np.geomspace(3, 28, 28)], *[placed(rectangle(50, 5), 0, 0, 17)] * 2], 60
    )
    grey = photo(0.85 * blurred_cover(laid, size, 1.0))
    cv2.imwrite(str(folder / "photo.png"), grey)
    cv2.imwrite(str(folder / "blank.png"), photo(np.zeros(size, np.float32), seed=2))
    cv2.imwrite(str(folder / "small.png"), grey[:120, :120])
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setenv("TRIAGE_DATA", str(folder / "kept"))
        assert run("analyse", "photo.png", *[word for pair in EVERY_OPTION.items() for word in pair]) == 0
    return folder


@pytest.fixture(scope="module")
def result(done):
    return read_strictly(done / "out.json")


def test_every_field_is_there_and_of_its_kind(result):
    assert misfits(result, RESULT) == []
    assert result["schema"] == 1


def test_shape_check_itself_sees_what_is_wrong():
    assert misfits({"a": 1}, {"a": "s", "b": "n"}) == ["result.a is 1", "result.b is missing"]
    assert misfits([{"a": None}], [{"a": "n"}]) == ["result[0].a is null"]
    assert misfits({"a": True}, {"a": "n"}) == ["result.a is True"]


def test_words_are_those_agreed(result):
    assert {each["kind"] for each in result["particles"]} <= set(KINDS)
    assert {problem["code"] for each in result["photos"] for problem in each["check"]["problems"]} <= set(
        PROBLEMS
    )
    assert {action["code"] for action in result["advice"]["actions"]} <= set(ACTIONS)
    assert {each["scale"]["source"] for each in result["photos"]} <= set(SOURCES)


def test_the_sample_is_what_was_said(result):
    said = {
        "origin": "tank",
        "method": "filtered",
        "fraction": 0.5,
        "installed_um": 75,
        "element": "screen",
        "feed": "gravity",
        "fuel": "e10",
        "fuel_age_months": 2,
        "noticed": ["water", "gum"],
        "volume_ml": 250,
        "hours": 40,
        "months": 6,
        "litres": 30,
        "machine": "PW-07",
    }
    assert {name: result["sample"][name] for name in said} == said


def test_numbers_hang_together(result):
    """Source: the definitions. Area is that of the circle of the ECD; counts add up; shares lie in their
    intervals.
    """
    for each in result["particles"]:
        assert each["area_um2"] == pytest.approx(math.pi / 4 * each["ecd_um"] ** 2, rel=1e-3)
        assert 0 < each["feret_min_um"] <= each["feret_max_um"]
        assert 0 < each["ecd_u_um"] < each["ecd_um"]
        assert 0 <= each["kind_confidence"] <= 1
        assert (each["passing_size_um"] is None) == (each["passing_below_um"] is not None)
        assert each["x_mm"] == pytest.approx(each["x_px"] * 0.01, abs=0.01)
        assert each["photo"] == 0
    for row in result["passing"]:
        for share in (row["by_count"], row["by_area"], row["by_volume"]):
            known = [value for value in (share["low"], share["share"], share["high"]) if value is not None]
            assert known == sorted(known)
            assert all(0 <= value <= 1 for value in known)
        if row["measurable"]:
            assert row["stopped_count"] + row["through_count"] == result["sizes"]["count"]
            assert row["by_count"]["share"] == pytest.approx(
                row["through_count"] / result["sizes"]["count"], abs=0.02
            )
        else:
            assert row["rating_um"] < result["photos"][0]["limits"]["smallest_sized_um"]
            assert row["by_count"]["share"] is None
    limits = result["photos"][0]["limits"]
    assert limits["smallest_seen_um"] <= limits["smallest_sized_um"] <= limits["smallest_sized_faint_um"]
    assert limits["smallest_seen_um"] <= limits["smallest_seen_faint_um"]


def test_the_shops_first_ratings_are_answered(result):
    assert {150, 75, 30, 25, 15, 10} <= {row["rating_um"] for row in result["passing"]}


def test_clean_blank_is_shown_and_ok(result):
    """Source: the window given: 360 x 300 px of 10 um are 0.108 cm2."""
    assert result["blank"]["ok"] is True
    assert result["blank"]["count"] == 0
    assert result["blank"]["exposure_cm2"] == pytest.approx(0.108, rel=0.01)


def test_no_filter_is_kept_while_nobody_looked(done, monkeypatch):
    """Contract: keep and usual_interval never appear while --noticed is absent."""
    monkeypatch.chdir(done)
    monkeypatch.setenv("TRIAGE_DATA", str(done / "kept"))
    assert run("analyse", "blank.png", "--um-per-px", "10", "--json", "unseen.json") == 0
    assert run("analyse", "blank.png", "--um-per-px", "10", "--noticed", "none", "--json", "seen.json") == 0

    unseen, seen = (read_strictly(done / f"{name}.json") for name in ("unseen", "seen"))
    assert not {"keep", "usual_interval"} & {action["code"] for action in unseen["advice"]["actions"]}
    assert unseen["sample"]["noticed"] is None
    assert seen["sample"]["noticed"] == ["none"]
    assert unseen["particles"] == []
    assert unseen["sizes"]["count"] == 0
    for row in unseen["passing"]:
        assert row["by_count"]["share"] is None


def test_other_files_are_whole(done, result):
    rows = list(csv.DictReader((done / "out.csv").open(encoding="utf-8", newline="")))
    document = pypdfium2.PdfDocument(done / "out.pdf")
    page = (done / "out.html").read_text(encoding="utf-8")

    assert len(rows) == len(result["particles"])
    assert set(PARTICLE) <= set(rows[0])
    assert [float(row["ecd_um"]) for row in rows] == pytest.approx(
        [each["ecd_um"] for each in result["particles"]]
    )
    assert len(document) in (2, 3)  # the technician's part may run over to a page of its own
    assert "PW-07" in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page
    with Image.open(done / "out.jpg") as overlay:
        overlay.load()
        assert min(overlay.size) >= 300
    assert not [each for each in done.iterdir() if each.name.endswith((".part", ".tmp"))]


@pytest.mark.parametrize("turn", range(max(len(words.split()) for words in CHOICES.values())))
def test_every_choice_is_taken(done, monkeypatch, turn):
    """The next choice of every option at once, the shorter lists begun again."""
    monkeypatch.chdir(done)
    monkeypatch.setenv("TRIAGE_DATA", str(done / "kept"))
    chosen = {option: words.split()[turn % len(words.split())] for option, words in CHOICES.items()}
    given = [word for pair in chosen.items() for word in pair]
    assert run("analyse", "small.png", "--um-per-px", "10", *given, "--json", "choice.json") == 0
    said = read_strictly(done / "choice.json")["sample"]
    for option, word in chosen.items():
        name = option.strip("-").replace("-", "_")
        assert said[name] == ([word] if name == "noticed" else word)


@pytest.mark.parametrize("frame", ["wide", "closeup", "micro", "cutout"])
@pytest.mark.parametrize("tone", ["--pale", "--dark"])
def test_frame_as_png_with_its_geometry(tmp_path, frame, tone):
    """Source: the definition of dpi: a millimetre is dpi / 25.4 pixels."""
    out = tmp_path / "frame.png"
    assert run("card", "--out", str(out), "--dpi", "200", "--frame", frame, tone, "--number", "9") == 0

    geometry = read_strictly(tmp_path / "frame.json")
    shape = {"width_mm": "n", "height_mm": "n", "debris_rect_mm": ["n"], "number": "n", "frame": "s"}
    assert misfits(geometry, shape) == []
    assert (geometry["number"], geometry["frame"]) == (9, frame)
    with Image.open(out) as picture:
        size = [geometry[name] * 200 / 25.4 for name in ("width_mm", "height_mm")]
        assert list(picture.size) == pytest.approx(size, abs=1)
    x, y, width, height = geometry["debris_rect_mm"]
    assert min(x, y) > 0
    assert x + width < geometry["width_mm"]
    assert y + height < geometry["height_mm"]


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210, 297)), ("letter", (215.9, 279.4))])
def test_card_pdf_is_of_its_paper(tmp_path, paper, size_mm):
    """Source: ISO 216 A4 and US Letter (8.5 x 11 in); a point is 1/72 in."""
    out = tmp_path / "card.pdf"
    assert run("card", "--out", str(out), "--paper", paper, "--number", "3") == 0

    page = pypdfium2.PdfDocument(out)[0]
    assert sorted(side * 25.4 / 72 for side in page.get_size()) == pytest.approx(sorted(size_mm), abs=0.1)
