"""The command line under a careless hand: exit statuses and sentences of the contract, and nothing half-
written.
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.triage.commands import Ran, runner
from tests.triage.drawn import blurred_cover, disc, photo, rows_of

STATED = ("--um-per-px", "10")


@pytest.fixture(scope="module")
def picture() -> bytes:
    """PNG of 36 dark discs of 4 to 24 px on pale paper, 240 px square."""
    laid, size = rows_of([disc(width) for width in np.geomspace(4, 24, 36)], 40)
    return png(photo(0.85 * blurred_cover(laid, size, 1.0)))


@pytest.fixture(scope="module")
def rule_picture() -> bytes:
    """PNG of a rule in whole millimetres, 20 px each: dark marks 4 px wide, every tenth longer."""
    grey = np.full((200, 900), 205, np.uint8)
    for k in range(42):
        grey[0 : 110 if k % 10 == 0 else 80 if k % 5 == 0 else 60, 30 + 20 * k : 34 + 20 * k] = 40
    return png(np.repeat(cv2.GaussianBlur(grey, (0, 0), 1.0)[..., None], 3, axis=2))


@pytest.fixture
def bench(tmp_path, monkeypatch, picture) -> Path:
    """An empty folder to work in, with one good picture; kept scales go to a folder of its own."""
    folder = tmp_path / "bench"
    folder.mkdir()
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "kept"))
    monkeypatch.chdir(folder)
    Path("ok.png").write_bytes(picture)
    return folder


@pytest.fixture
def run(bench, monkeypatch, capsys):
    """Run `triage` in this process; every run is held to one promise: no traceback, no inside fault."""
    del bench

    return runner(monkeypatch, capsys)


def png(rgb: np.ndarray) -> bytes:
    return bytes(cv2.imencode(".png", rgb[..., ::-1])[1])


def bomb() -> bytes:
    """A PNG of a few hundred bytes that says it is 30,000 x 30,000 pixels."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 30_000, 30_000, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(b"\0"))
        + chunk(b"IEND", b"")
    )


def half_a_jpeg() -> bytes:
    whole = cv2.imencode(".jpg", np.random.default_rng(1).integers(0, 255, (200, 200, 3), dtype=np.uint8))[1]
    return bytes(whole)[: len(whole) // 2]


BAD_FILES = {
    "empty.jpg": b"",
    "text.jpg": b"Dear workshop, here are the numbers you asked for.\n" * 20,
    "zeros.jpg": bytes(5000),
    "cut.jpg": half_a_jpeg(),
    "head.jpg": half_a_jpeg()[:150],
    "one.png": png(np.full((1, 1, 3), 200, np.uint8)),
    "bomb.png": bomb(),
    "page.pdf": b"%PDF-1.4\n%%EOF\n",
}


def one_plain_sentence(ran: Ran, *names: str) -> None:
    """Standard error holds one line that starts with the program's name, ends as a sentence and names
    these.
    """
    assert ran.status == 2
    assert ran.out == ""
    line = ran.err.rstrip("\n")
    assert line
    assert "\n" not in line
    assert line.startswith("triage: ")
    assert line.endswith((".", ")"))
    assert len(line) < 300
    assert [name for name in names if name not in line] == []


@pytest.mark.parametrize("name", BAD_FILES)
@pytest.mark.parametrize("how", ["first", "second", "blank"])
def test_bad_picture_is_refused_in_one_sentence_and_writes_nothing(run, bench, name, how):
    (bench / name).write_bytes(BAD_FILES[name])
    given = {"first": [name], "second": ["ok.png", name], "blank": ["ok.png", "--blank", name]}[how]

    ran = run("analyse", *given, *STATED, "--json", "out.json", "--csv", "out.csv")

    one_plain_sentence(ran, name)
    assert sorted(each.name for each in bench.iterdir()) == sorted(["ok.png", name])


@pytest.mark.parametrize("name", ["missing.jpg", "nowhere/missing.jpg", ".", "/dev/null"])
def test_what_is_no_file_is_refused(run, name):
    one_plain_sentence(run("analyse", name, *STATED), Path(name).name)
    one_plain_sentence(run("lens", "scope", "--rule", name), Path(name).name)


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["--um-per-px", "ten"], "--um-per-px"),
        (["--um-per-px", "0"], "--um-per-px"),
        (["--um-per-px", "-3"], "--um-per-px"),
        (["--um-per-px", "nan"], "--um-per-px"),
        (["--um-per-px", "inf"], "micrometres per pixel"),
        (["--points", "1,2,3,4"], "X1,Y1,X2,Y2,MM"),
        (["--points", "a,b,c,d,e"], "X1,Y1,X2,Y2,MM"),
        (["--points", "1,2,1,2,5"], "two points"),
        (["--points", "0,0,100,0,-5"], "two points"),
        (["--points", "0,0,100,0,nan"], "--points"),
        (["--points", "inf,0,100,0,5"], "--points"),
        (["--points", "0,0,100,0,5,"], "--points"),
        (["--lens", "nobody-kept-this"], "nobody-kept-this"),
        ([*STATED, "--window", "0,0,0,0"], "240 x 240"),
        ([*STATED, "--window", "10,10,100"], "X,Y,W,H"),
        ([*STATED, "--window", "1000,1000,50,50"], "240 x 240"),
        ([*STATED, "--window=-10,0,50,50"], "240 x 240"),
        ([*STATED, "--window", "0,0,241,100"], "240 x 240"),
        ([*STATED, "--window", "0,0,nan,10"], "--window"),
        ([*STATED, "--window", "nan,0,100,100"], "--window"),
        ([*STATED, "--window", "0,0,inf,100"], "--window"),
        ([*STATED, "--noticed", "water,fire"], "hose_crumbs"),
        ([*STATED, "--noticed", ""], "hose_crumbs"),
        ([*STATED, "--noticed", "none,water"], "none"),
        ([*STATED, "--fraction", "0"], "--fraction"),
        ([*STATED, "--fraction", "1.01"], "--fraction"),
        ([*STATED, "--fraction", "-0.5"], "--fraction"),
        ([*STATED, "--fraction", "nan"], "--fraction"),
        ([*STATED, "--volume-ml", "-1"], "--volume-ml"),
        ([*STATED, "--volume-ml", "nan"], "--volume-ml"),
        ([*STATED, "--volume-ml", "inf"], "--volume-ml"),
        ([*STATED, "--hours", "inf"], "--hours"),
        ([*STATED, "--months", "inf"], "--months"),
        ([*STATED, "--litres", "inf"], "--litres"),
        ([*STATED, "--installed", "inf"], "--installed"),
        ([*STATED, "--installed", "0"], "--installed"),
        ([*STATED, "--fuel-age-months", "inf"], "--fuel-age-months"),
        ([*STATED, "--origin", "moon"], "--origin"),
        ([*STATED, "--method", "thrown"], "--method"),
        ([*STATED, "--element", "tin"], "--element"),
        ([*STATED, "--feed", "bucket"], "--feed"),
        ([*STATED, "--fuel", "tea"], "--fuel"),
        ([*STATED, "--nosuch"], "--nosuch"),
        ([*STATED, "--rule"], "one scale"),
        ([*STATED, "--points", "0,0,100,0,5"], "one scale"),
        ([*STATED, "--lens", "scope"], "one scale"),
        (["--rule", "--points", "0,0,100,0,5"], "one scale"),
    ],
    ids=" ".join,
)
def test_bad_setting_is_refused_in_one_sentence(run, bench, words, named):
    ran = run("analyse", "ok.png", *words, "--json", "out.json")

    one_plain_sentence(ran, named)
    assert [each.name for each in bench.iterdir()] == ["ok.png"]


@pytest.mark.parametrize("option", ["--json", "--csv", "--html", "--pdf", "--overlay"])
@pytest.mark.parametrize("where", ["nofolder/out.png", ".", "ok.png/out.png"])
def test_unwritable_output_is_refused_in_one_sentence(run, bench, option, where):
    before = (bench / "ok.png").read_bytes()

    ran = run("analyse", "ok.png", *STATED, option, where)

    one_plain_sentence(ran, where)
    assert [each.name for each in bench.iterdir()] == ["ok.png"]
    assert (bench / "ok.png").read_bytes() == before


@pytest.mark.parametrize("option", ["--json", "--csv", "--html", "--pdf", "--overlay"])
def test_an_output_never_replaces_the_photo(run, bench, option):
    before = (bench / "ok.png").read_bytes()

    run("analyse", "ok.png", *STATED, option, "ok.png")

    assert (bench / "ok.png").read_bytes() == before


def test_two_outputs_of_one_name_are_refused(run):
    one_plain_sentence(run("analyse", "ok.png", *STATED, "--json", "out", "--csv", "out"), "out")


@pytest.mark.parametrize("option", ["--window", "--points", "--lens"])
def test_an_empty_value_is_refused(run, option):
    scale = STATED if option == "--window" else ()
    one_plain_sentence(run("analyse", "ok.png", *scale, option, ""), option)


@pytest.mark.parametrize(
    "words",
    [
        ["--um-per-px", "1e-300"],
        ["--um-per-px", "1e300"],
        ["--points", "0,0,200,0,1e-300"],
        ["--points", "0,0,200,0,1e300"],
    ],
    ids=" ".join,
)
def test_an_impossible_scale_is_refused(run, words):
    one_plain_sentence(run("analyse", "ok.png", *words))


@pytest.mark.parametrize("level", [0, 255])
def test_a_picture_of_nothing_is_no_clean_sample(run, level):
    Path("nothing.png").write_bytes(png(np.full((200, 200, 3), level, np.uint8)))

    assert run("analyse", "nothing.png", *STATED).status == 3


def test_refused_photo_says_why_on_standard_error_and_in_the_json(run, bench):
    ran = run("analyse", "ok.png", "--json", "out.json", "--pdf", "out.pdf")

    assert ran.status == 3
    assert ran.out == ""
    assert ran.err.startswith("ok.png: No scale:")
    assert len(ran.err.splitlines()) == 1
    result = json.loads((bench / "out.json").read_text(encoding="utf-8"))
    check = result["photos"][0]["check"]
    assert check["usable"] is False
    assert [problem["code"] for problem in check["problems"]] == ["no_card"]
    assert check["problems"][0]["remedy"] in ran.err
    assert result["particles"] == []
    assert not (bench / "out.pdf").exists()


def test_one_usable_photo_of_two_is_enough(run, bench):
    """Contract: 0 is returned where of several photos at least one was usable; the other still says why
    not.
    """
    laid, size = rows_of([disc(width) for width in np.geomspace(8, 40, 100)], 90)
    (bench / "soft.png").write_bytes(png(photo(0.85 * blurred_cover(laid, size, 4.0), noise=0.01)))

    ran = run("analyse", "ok.png", "soft.png", "--um-per-px", "40", "--json", "out.json")

    photos = json.loads(Path("out.json").read_text(encoding="utf-8"))["photos"]
    assert ran.status == 0
    assert [each["check"]["usable"] for each in photos] == [True, False]
    assert [problem["code"] for problem in photos[1]["check"]["problems"]] == ["blurred"]


@pytest.mark.parametrize("sigma", [9.0, 12.0])
def test_a_badly_blurred_photo_of_few_pieces_is_refused(run, bench, sigma):
    """Blur of 9 px of 30 um is 636 um wide at half height: more than twice what any photo without a card
    may have.
    """
    laid, size = rows_of([disc(width) for width in (30, 40, 50, 60)], 150)
    (bench / "soft.png").write_bytes(png(photo(0.85 * blurred_cover(laid, size, sigma))))

    assert run("analyse", "soft.png", "--um-per-px", "30").status == 3


def test_the_note_is_three_lines_with_the_machine_in_the_first(run):
    """Contract: standard output opens with a three-line note, parted from the rest by an empty line."""
    ran = run("analyse", "ok.png", *STATED, "--machine", "PW-07", "--noticed", "water")

    note, rest = ran.out.split("\n\n", 1)
    assert ran.status == 0
    assert ran.err == ""
    assert len(note.splitlines()) == 3
    assert note.startswith("PW-07")
    assert "bigger than" in note
    assert "water" in note.splitlines()[2]
    assert "um" in rest


def test_a_machine_name_cannot_break_the_note(run):
    ran = run("analyse", "ok.png", *STATED, "--machine", "A\nB\r\n\x1b[31mC\t")

    assert ran.status == 0
    assert len(ran.out.split("\n\n", 1)[0].splitlines()) == 3
    assert "\x1b" not in ran.out


def test_the_same_photo_twice_counts_once(run):
    once = run("analyse", "ok.png", *STATED, "--json", "once.json")
    Path("copy.png").write_bytes(Path("ok.png").read_bytes())
    twice = run("analyse", "ok.png", "ok.png", "copy.png", *STATED, "--json", "twice.json")

    one, two = (json.loads(Path(name).read_text(encoding="utf-8")) for name in ("once.json", "twice.json"))
    assert once.status == twice.status == 0
    assert one["sizes"] == two["sizes"]
    assert [photo["use"] for photo in two["photos"]] == ["measured", "repeat", "repeat"]


def test_points_and_a_stated_scale_give_the_same_sizes(run):
    """Source: arithmetic. 200 px are 2 mm: 10 um per pixel."""
    run("analyse", "ok.png", *STATED, "--json", "stated.json")
    ran = run("analyse", "ok.png", "--points", "20,30,180,150,2", "--json", "points.json")

    stated, points = (
        json.loads(Path(f"{name}.json").read_text(encoding="utf-8")) for name in ("stated", "points")
    )
    assert ran.status == 0
    assert points["photos"][0]["scale"]["source"] == "points"
    assert [each["ecd_um"] for each in points["particles"]] == pytest.approx(
        [each["ecd_um"] for each in stated["particles"]]
    )


def test_the_window_counts_only_what_lies_in_it(run):
    """Source: the picture: six columns and rows of discs 40 px apart; half of them lie left of the middle."""
    run("analyse", "ok.png", *STATED, "--window", "0,0,120,240", "--json", "out.json")

    found = json.loads(Path("out.json").read_text(encoding="utf-8"))["particles"]
    assert len(found) == 18
    assert max(each["x_px"] for each in found) < 120
    assert not any(each["touches_edge"] for each in found)


def test_discs_cut_by_the_window_touch_its_edge(run):
    """Source: the picture: a window whose left side runs through the first column of discs."""
    run("analyse", "ok.png", *STATED, "--window", "100,0,140,240", "--json", "out.json")

    found = json.loads(Path("out.json").read_text(encoding="utf-8"))["particles"]
    cut = [each for each in found if each["touches_edge"]]
    assert 3 <= len(cut) <= 6
    assert all(each["x_px"] < 115 for each in cut)
    assert all("near_window_edge" in each["flags"] for each in cut)


def test_a_rule_gives_the_scale_and_a_kept_lens_gives_it_again(run, rule_picture, bench):
    """Source: the picture: 20 px a millimetre, 50 um per pixel; half as many pixels, twice as many
    micrometres.
    """
    (bench / "rule.png").write_bytes(rule_picture)
    half = cv2.resize(cv2.imdecode(np.frombuffer(rule_picture, np.uint8), 1), None, fx=0.5, fy=0.5)
    (bench / "half.png").write_bytes(png(half))

    direct = run("analyse", "rule.png", "--rule", "--rule-unit", "mm", "--json", "rule.json")
    kept = run("lens", "scope 1", "--rule", "rule.png", "--rule-unit", "mm")
    used = run("analyse", "rule.png", "--lens", "scope 1", "--json", "lens.json")
    smaller = run("analyse", "half.png", "--lens", "scope 1", "--json", "half.json")

    assert [direct.status, kept.status, used.status, smaller.status] == [0, 0, 0, 0]
    assert "--lens scope 1" in kept.out or "--lens 'scope 1'" in kept.out
    scales = [
        json.loads(Path(f"{name}.json").read_text())["photos"][0]["scale"]
        for name in ("rule", "lens", "half")
    ]
    assert [scale["source"] for scale in scales] == ["rule", "lens", "lens"]
    assert [scale["um_per_px"] for scale in scales] == pytest.approx([50, 50, 100], rel=0.003)


def test_unreadable_kept_scales_are_one_sentence(run, tmp_path):
    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / "calibration.json").write_text("not json")

    one_plain_sentence(run("analyse", "ok.png", *STATED), "calibration.json")


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ([], "--out"),
        (["--out", "card.txt"], "card.txt"),
        (["--out", "nofolder/card.pdf"], "nofolder/card.pdf"),
        (["--out", "nofolder/card.png"], "nofolder/card.png"),
        (["--out", "card.pdf", "--number", "41"], "--number"),
        (["--out", "card.pdf", "--number", "-1"], "--number"),
        (["--out", "card.pdf", "--paper", "a3"], "--paper"),
        (["--out", "card.png", "--dpi", "0"], "--dpi"),
        (["--out", "card.png", "--dpi", "1e9"], "--dpi"),
        (["--out", "card.png", "--frame", "moon"], "--frame"),
        (["--measured", "100"], "X,Y"),
        (["--measured", "nan,127"], "--measured"),
        (["--measured", "1,2"], "--measured"),
    ],
    ids=lambda words: " ".join(words) if isinstance(words, list) else "",
)
def test_bad_card_order_is_refused_in_one_sentence(run, bench, words, named):
    one_plain_sentence(run("card", *words), named)
    assert [each.name for each in bench.iterdir()] == ["ok.png"]


def test_unknown_command_and_missing_photo(run):
    one_plain_sentence(run("weigh"), "weigh")
    one_plain_sentence(run("analyse"), "photos")
    one_plain_sentence(run("lens", "scope"), "--rule")


@pytest.mark.parametrize("command", ["analyse", "card", "lens"])
def test_help_is_on_standard_output(run, command):
    ran = run(command, "--help")

    assert ran.status == 0
    assert command in ran.out


@pytest.mark.parametrize(
    ("words", "status"), [(["ok.png", *STATED], 0), (["missing.png", *STATED], 2), (["ok.png"], 3)]
)
def test_the_process_itself_ends_with_the_contracts_status(bench, words, status):
    """The whole process, as a shop's own script would start it."""
    code = "from triage.cli import run; run()"
    done = subprocess.run(
        [sys.executable, "-c", code, "analyse", *words],
        cwd=bench,
        capture_output=True,
        text=True,
        check=False,
    )

    assert done.returncode == status
    assert "Traceback" not in done.stderr
    assert (done.stdout == "") == (status != 0)
    assert (done.stderr == "") == (status == 0)


def test_an_interrupt_ends_with_130(run, monkeypatch):
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("triage.analysis.analyse", interrupted)

    assert run("analyse", "ok.png", *STATED).status == 130
