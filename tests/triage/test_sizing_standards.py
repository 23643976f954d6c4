"""Open standards' tables and rules, each against a source outside the project."""

from __future__ import annotations

import numpy as np
import pytest

from tests.triage.tables import round_grains
from triage.filters import Filter
from triage.sizing import passing_shares, size_distribution
from triage.sizing.standards import (
    TEST_DUSTS,
    ShapeMedians,
    aspect_ratio,
    circularity,
    cleanliness_code,
    compare_with_dusts,
    dust_share,
    dust_size,
    fibre_by_iso_4407,
    fibre_by_iso_16232,
    in_standards,
    iso_4406_number,
    needed_by_iso_13322,
    needed_in_full,
    shape_medians,
    size_classes,
    solidity,
)


@pytest.mark.parametrize(
    ("most_per_ml", "code"),
    [  # ISO 4406 as printed in a hydraulics handbook (p. 130) and two trade papers: up to and including
        *(
            (0.01, 0),
            (0.02, 1),
            (0.04, 2),
            (0.08, 3),
            (0.16, 4),
            (0.32, 5),
            (0.64, 6),
            (1.3, 7),
            (2.5, 8),
            (5, 9),
            (10, 10),
            (20, 11),
            (40, 12),
            (80, 13),
        ),
        *((160, 14), (320, 15), (640, 16), (1300, 17), (2500, 18), (5000, 19), (10_000, 20), (20_000, 21)),
        *((40_000, 22), (80_000, 23), (160_000, 24), (320_000, 25), (640_000, 26), (1.3e6, 27), (2.5e6, 28)),
        *((5e6, 29), (1e7, 30)),
    ],
)
def test_iso_4406_table(most_per_ml, code):
    assert iso_4406_number(most_per_ml) == code
    assert iso_4406_number(most_per_ml * (1 + 1e-7)) == (code + 1 if code < 30 else None)


def test_an_iso_4406_code_by_microscope():
    """Per ml: 900 of at least 5 um (16 < log < 17: 640 to 1300) and 50 of at least 15 um (40 to 80)."""
    table = round_grains([6.0] * 850 + [20.0] * 50)
    assert cleanliness_code(table, 4.0, 1.0).code == "-/17/13"
    assert cleanliness_code(table, 4.0, 10.0).code == "-/14/9"  # 5 a ml: "up to and including"
    assert cleanliness_code(table, 4.0, 10.0, 0.1).code == "-/17/13"


def test_an_iso_4406_code_of_few_pieces_is_marked():
    """Under 20 counted, the standard puts "≥" before the number (the same handbook)."""
    assert cleanliness_code(round_grains([6.0] * 30 + [20.0] * 5), 4.0, 10.0).code == "-/9/≥6"


@pytest.mark.parametrize(
    ("sizes", "from_um", "volume", "why"),
    [
        ([60.0] * 50, 30.0, 100.0, "this photo sizes from 30 um"),
        ([6.0] * 50, 5.0, None, "state the volume sampled"),
        ([6.0] * 50, 5.0, 100.0, "no piece of 15 um or more in 100 ml"),
    ],
)
def test_no_iso_4406_code_says_why(sizes, from_um, volume, why):
    found = cleanliness_code(round_grains(sizes), from_um, volume)
    assert found.code is None
    assert why in found.why_not


@pytest.mark.parametrize(
    ("letter", "inside", "next_one"),
    [  # ISO 16232:2018; E to N as in a laboratory's report, B to D from memory; [lower, upper)
        *(("B", 5, 15), ("C", 15, 25), ("D", 25, 50), ("E", 50, 100), ("F", 100, 150), ("G", 150, 200)),
        *(("H", 200, 400), ("I", 400, 600), ("J", 600, 1000), ("K", 1000, 1500), ("L", 1500, 2000)),
        *(("M", 2000, 3000),),
    ],
)
def test_iso_16232_classes_are_half_open(letter, inside, next_one):
    found = {
        entry.letter: entry for entry in size_classes(round_grains([inside, next_one - 1e-6, next_one]), 4.0)
    }
    assert found[letter].count == 2
    assert sum(entry.count for entry in found.values()) == 3


def test_iso_16232_classes_below_the_limit_are_not_counted():
    found = size_classes(round_grains([60.0] * 10 + [120.0] * 3), 55.0)
    counts = {entry.letter: entry.count for entry in found}
    assert counts["E"] is None
    assert counts["F"] == 3
    assert (found[-1].letter, found[-1].to_um, found[-1].count) == ("N", None, 0)


@pytest.mark.parametrize(
    ("dust", "ranges"),
    [  # ISO 12103-1:1997, volume % not larger than so many um, from memory; A1 has been renewed since
        (
            "A2 fine",
            {1: (2.5, 3.5), 2: (10.5, 12.5), 3: (18.5, 22), 4: (25.5, 29.5), 5: (31, 36), 7: (41, 46)}
            | {10: (50, 54), 20: (70, 74), 40: (88, 91), 80: (99.5, 100), 120: (100, 100)},
        ),
        (
            "A3 medium",
            {1: (1, 2), 2: (4, 5.5), 3: (7.5, 9.5), 4: (10.5, 13), 5: (15, 19), 7: (28, 33), 10: (40, 45)}
            | {20: (65, 69), 40: (84, 88), 80: (99, 100), 120: (100, 100)},
        ),
        (
            "A4 coarse",
            {
                1: (0.6, 1),
                2: (2.2, 3.7),
                3: (4.2, 6),
                4: (6.2, 8.2),
                5: (8, 10.5),
                7: (12, 14.5),
                10: (17, 22),
            }
            | {
                20: (32, 36),
                40: (57, 61),
                80: (87.5, 89.5),
                120: (97, 98),
                180: (99.5, 100),
                200: (100, 100),
            },
        ),
    ],
)
def test_dusts_are_the_middle_of_the_standards_ranges(dust, ranges):
    for size_um, (least, most) in ranges.items():
        assert 100 * dust_share(dust, float(size_um)) == pytest.approx((least + most) / 2), size_um


def dust_grains(dust: str, steps: int = 4000):
    """Grains of equal volume each, at the middle of equal steps of the dust's volume distribution."""
    size = np.array([dust_size(dust, (step + 0.5) / steps) for step in range(steps)])
    table = round_grains(size)
    table["weight"] = (size.max() / size) ** 3
    return table


@pytest.mark.parametrize(
    ("dust", "size_um", "least", "most"),
    [  # ISO 12103-1, volume % not larger than: A1 from a supplier's page; A2 to A4 (1997) from memory
        *(("A1 ultrafine", 2.75, 23, 27), ("A1 ultrafine", 5.5, 65, 69), ("A1 ultrafine", 11, 95.5, 97.5)),
        *(("A2 fine", 5, 31, 36), ("A2 fine", 10, 50, 54), ("A2 fine", 20, 70, 74), ("A2 fine", 40, 88, 91)),
        *(("A3 medium", 10, 40, 45), ("A3 medium", 20, 65, 69), ("A3 medium", 40, 84, 88)),
        *(("A4 coarse", 20, 32, 36), ("A4 coarse", 40, 57, 61), ("A4 coarse", 80, 87.5, 89.5)),
    ],
)
def test_test_dusts_come_through_the_passing_code(dust, size_um, least, most):
    (passing,) = passing_shares(dust_grains(dust), [Filter(size_um, "screen", "opening")], 0.3, 0.0)
    assert least <= 100 * passing.by_volume.share <= most


def test_dust_shares_and_sizes_are_each_others_inverse():
    for dust in TEST_DUSTS:
        for part in (0.2, 0.5, 0.8):
            assert dust_share(dust, dust_size(dust, part)) == pytest.approx(part)


def told(table, from_um):
    return {entry.dust[:2]: entry.verdict for entry in compare_with_dusts(table, from_um)}


def test_a_dust_is_as_coarse_as_itself():
    for dust in ("A3 medium", "A4 coarse"):
        table = dust_grains(dust)
        table = table[table["ecd_um"] >= 20]
        assert told(table, 20.0)[dust[:2]] == "alike"
    assert told(table, 20.0)["A3"] == "coarser"
    assert told(round_grains([22.0] * 100), 20.0)["A4"] == "finer"


def test_dusts_below_the_limit_cannot_be_told():
    assert set(told(round_grains([100.0] * 100), 70.0).values()) == {"cannot_be_told"}
    assert told(round_grains([100.0] * 10), 20.0)["A4"] == "cannot_be_told"  # too few pieces


def test_pieces_needed_for_a_mean_volume():
    """ISO 13322-1:2004, abstract: more than 6000 for a repeatable volume mean at a GSD of 1.6."""
    assert 6000 < needed_by_iso_13322(np.log(1.6)) < 6200
    assert needed_in_full(np.log(1.6)) > needed_by_iso_13322(np.log(1.6))


def test_the_number_in_full_gives_the_accuracy():
    """Simulated at GSD 1.4: so many pieces give the mean volume within 5 % in 95 % of samples."""
    rng, spread = np.random.default_rng(5), np.log(1.4)
    number = needed_in_full(spread)
    means = np.exp(3 * spread * rng.standard_normal((1500, number))).mean(axis=1)
    within = np.abs(means / np.exp(4.5 * spread**2) - 1) < 0.05
    assert 0.93 <= within.mean() <= 0.97


@pytest.mark.parametrize(
    ("shape", "feret", "area", "perimeter", "hull", "expected"),
    [  # closed form: disc, square, rectangle 2 x 1, L of three unit squares
        ("disc", (1, 1), np.pi / 4, np.pi, np.pi / 4, (1, 1, 1)),
        ("square", (1, np.sqrt(2)), 1, 4, 1, (0.70711, 1, 0.886227)),
        ("rectangle", (1, np.sqrt(5)), 2, 6, 2, (0.44721, 1, np.sqrt(0.698132))),
        ("L", (2, np.sqrt(8)), 3, 8, 3.5, (0.70711, 0.857143, np.sqrt(0.589049))),
    ],
)
def test_shape_descriptors_of_closed_shapes(shape, feret, area, perimeter, hull, expected):
    table = round_grains([1.0])
    table["feret_min_um"], table["feret_max_um"] = feret
    table["area_um2"], table["perimeter_um"], table["hull_area_um2"] = area, perimeter, hull
    found = [float(each(table)[0]) for each in (aspect_ratio, solidity, circularity)]
    assert found == pytest.approx(expected, abs=2e-5), shape


@pytest.mark.parametrize(
    ("length", "width", "iso_4407", "iso_16232"),
    [
        (99.0, 5.0, False, False),  # too short for ISO 4407, 19.8 widths
        (105.0, 10.0, True, False),
        (90.0, 4.0, False, True),  # over 20 widths, no least length
        (1200.0, 40.0, True, True),
        (1200.0, 55.0, True, False),  # over 50 um wide: no fibre of ISO 16232
        (1200.0, 50.0, True, True),
        (1200.0, 50.5, True, False),
        (600.0, 61.0, False, False),
    ],
)
def test_fibre_rules(length, width, iso_4407, iso_16232):
    """ISO 4407 from memory; ISO 16232 as a glossary of technical cleanliness gives it."""
    table = round_grains([50.0])
    table["length_um"], table["width_um"] = length, width
    assert bool(fibre_by_iso_4407(table)[0]) is iso_4407
    assert bool(fibre_by_iso_16232(table)[0]) is iso_16232


def test_pieces_without_an_outline_are_in_no_shape_median():
    table = round_grains([50.0] * 4)
    table["perimeter_um"], table["hull_area_um2"] = np.pi * 50, table["area_um2"]
    table["hull_area_um2"][3], table["perimeter_um"][2] = 0.0, 0.0
    assert shape_medians(table) == ShapeMedians(2, 1.0, 1.0, pytest.approx(1.0))


def test_all_was_photographed_unless_said_otherwise():
    table = round_grains([6.0] * 850 + [20.0] * 50)
    sizes = size_distribution(table, 4.0)
    assert in_standards(table, sizes, 1.0) == in_standards(table, sizes, 1.0, 1.0)
    assert in_standards(table, sizes, 1.0) != in_standards(table, sizes, 1.0, 0.5)


def test_a_result_without_pieces_has_every_part():
    table = round_grains([])
    found = in_standards(table, size_distribution(table, 30.0), None)
    assert found.shapes.pieces == 0
    assert found.median_sieve is None
    assert found.pieces_needed is None
    assert {entry.verdict for entry in found.test_dusts} == {"cannot_be_told"}


def test_the_median_is_named_by_its_sieve():
    """ASTM E11-17: No. 200 is 75 um."""
    table = round_grains([76.0] * 30)
    assert in_standards(table, size_distribution(table, 30.0), None).median_sieve.number == 200
