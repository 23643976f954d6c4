"""The result in the words of open standards, where the photo carries them, and why not where it does not."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from triage.debris.particles import FLAG_BIT, ParticleTable
from triage.sizing.distribution import Sizes, effective_number, quantile, volumes_um3
from triage.sizing.exact import poisson_limits
from triage.sizing.passing import FEW_PIECES
from triage.sizing.sieves import Sieve, nearest_sieve

Array = NDArray[np.float64]

# ISO 16232:2018 by maximum Feret diameter, [lower, upper) um; B to D from memory, E to N seen in a
# laboratory's report.
ISO_16232 = (
    ("B", 5.0, 15.0),
    ("C", 15.0, 25.0),
    ("D", 25.0, 50.0),
    ("E", 50.0, 100.0),
    ("F", 100.0, 150.0),
    ("G", 150.0, 200.0),
    ("H", 200.0, 400.0),
    ("I", 400.0, 600.0),
    ("J", 600.0, 1000.0),
    ("K", 1000.0, 1500.0),
    ("L", 1500.0, 2000.0),
    ("M", 2000.0, 3000.0),
    ("N", 3000.0, np.inf),
)

# ISO 4406: most particles per ml of each code from 0 (a handbook and two trade papers that print the table).
# Stored, not computed: the steps are not exact doublings.
ISO_4406_MOST = (
    *(0.01, 0.02, 0.04, 0.08, 0.16, 0.32, 0.64, 1.3, 2.5, 5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0),
    *(1300.0, 2500.0, 5e3, 1e4, 2e4, 4e4, 8e4, 1.6e5, 3.2e5, 6.4e5, 1.3e6, 2.5e6, 5e6, 1e7),
)
MICROSCOPE_UM = (5.0, 15.0)  # the two sizes of ISO 4406 for counts by microscope, by longest dimension
FEW_COUNTED = 20  # below this many counted, ISO 4406 puts "≥" before the code

# ISO 12103-1 test dusts, volume per cent not larger than: A1 (2016 edition) from a supplier's page; A2 to A4
# (1997 edition) from memory. Middle of the range that the standard allows.
TEST_DUSTS = {
    "A1 ultrafine": ((0.97, 4.0), (1.38, 8.5), (2.75, 25.0), (5.5, 67.0), (11.0, 96.5), (22.0, 100.0)),
    "A2 fine": (
        *((1, 3.0), (2, 11.5), (3, 20.25), (4, 27.5), (5, 33.5), (7, 43.5), (10, 52.0), (20, 72.0)),
        *((40, 89.5), (80, 99.75), (120, 100.0)),
    ),
    "A3 medium": (
        *((1, 1.5), (2, 4.75), (3, 8.5), (4, 11.75), (5, 17.0), (7, 30.5), (10, 42.5), (20, 67.0)),
        *((40, 86.0), (80, 99.5), (120, 100.0)),
    ),
    "A4 coarse": (
        *((1, 0.8), (2, 2.95), (3, 5.1), (4, 7.2), (5, 9.25), (7, 13.25), (10, 19.5), (20, 34.0)),
        *((40, 59.0), (80, 88.5), (120, 97.5), (180, 99.75), (200, 100.0)),
    ),
}
DUST_LEFT = 0.2  # a dust with less of its volume above the photo's limit is not compared
ALIKE = 1.3  # medians within this ratio are "about as coarse"; a choice

ISO_13322_ACCURACY = 0.05
Z_95 = 1.959964


@dataclass(frozen=True)
class SizeClass:
    """Pieces of one ISO 16232 class; `count` is None where the class lies below the photo's limit."""

    letter: str
    from_um: float
    to_um: float | None
    count: int | None
    low: float | None
    high: float | None
    fibres: int | None  # of these, by ISO 16232's own rule


@dataclass(frozen=True)
class CleanlinessCode:
    """ISO 4406 code by microscope, or why there is none."""

    code: str | None
    why_not: str | None


@dataclass(frozen=True)
class DustComparison:
    """This debris against one test dust, both only above `from_um`, by volume."""

    dust: str
    verdict: str  # finer | alike | coarser | cannot_be_told
    text: str


@dataclass(frozen=True)
class ShapeMedians:
    """Medians of ISO 9276-6 descriptors (formulas from memory) over pieces large enough to have a shape."""

    pieces: int
    aspect_ratio: float | None  # least over greatest Feret diameter, 1 for a disc
    solidity: float | None  # area over that of the convex hull
    circularity: float | None  # root of 4 pi area / perimeter^2


@dataclass(frozen=True)
class Fibres:
    """Fibres by each rule."""

    ours: int  # as wide everywhere, length at least 10 widths, narrower than 200 um
    iso_4407: int
    iso_16232: int


@dataclass(frozen=True)
class PiecesNeeded:
    """Pieces to count for a mean volume within 5 % at 95 %, for log-normal debris of this spread.

    `iso_13322_1` is that standard's formula, which keeps two terms of a series; `in_full` keeps all.
    """

    geometric_sd: float
    counted: int
    iso_13322_1: int
    in_full: int


@dataclass(frozen=True)
class Standards:
    """The result as open standards would put it."""

    iso_16232: tuple[SizeClass, ...]
    iso_4406: CleanlinessCode
    median_sieve: Sieve | None  # whose opening is nearest the median by number
    test_dusts: tuple[DustComparison, ...]
    shapes: ShapeMedians
    fibres: Fibres
    pieces_needed: PiecesNeeded | None


def in_standards(
    table: ParticleTable, sizes: Sizes, volume_ml: float | None, fraction: float = 1.0
) -> Standards:
    """Express the result in open standards; `volume_ml` of fuel sampled, `fraction` of it photographed."""
    seen = table[(table["weight"] > 0) & ~table["below_sizing_limit"]]
    sized = seen[seen["ecd_um"] >= sizes.from_um]
    median = sizes.by_count.d50_um
    return Standards(
        iso_16232=size_classes(sized, sizes.from_um),
        iso_4406=cleanliness_code(sized, sizes.from_um, volume_ml, fraction),
        median_sieve=None if median is None else nearest_sieve(median),
        test_dusts=compare_with_dusts(sized, sizes.from_um),
        shapes=shape_medians(sized),
        fibres=Fibres(
            int(np.count_nonzero(sized["kind"] == "fibre")),
            int(np.count_nonzero(fibre_by_iso_4407(sized))),
            int(np.count_nonzero(fibre_by_iso_16232(sized))),
        ),
        pieces_needed=pieces_needed(sized["ecd_um"]) if len(sized) >= FEW_PIECES else None,
    )


def size_classes(sized: ParticleTable, from_um: float) -> tuple[SizeClass, ...]:
    """Count sized pieces in the ISO 16232 classes that lie wholly above `from_um`, by maximum Feret.

    Slender pieces longer than a class's lower end whose ECD lies below the limit are not in it.
    """
    longest, fibre = sized["feret_max_um"], fibre_by_iso_16232(sized)
    classes = []
    for letter, lower, upper in ISO_16232:
        to_um = upper if np.isfinite(upper) else None
        if lower < from_um:
            classes.append(SizeClass(letter, lower, to_um, None, None, None, None))
            continue
        inside = (longest >= lower) & (longest < upper)
        count = int(np.count_nonzero(inside))
        low, high = poisson_limits(count)
        classes.append(
            SizeClass(letter, lower, to_um, count, low, high, int(np.count_nonzero(inside & fibre)))
        )
    return tuple(classes)


def iso_4406_number(per_ml: float) -> int | None:
    """Return the ISO 4406 number of a count per ml ("more than, up to and including"); None above 30."""
    at = bisect_left(ISO_4406_MOST, per_ml)
    return at if at < len(ISO_4406_MOST) else None


def cleanliness_code(
    sized: ParticleTable, from_um: float, volume_ml: float | None, fraction: float = 1.0
) -> CleanlinessCode:
    """Return the two-number ISO 4406 code for counts by microscope, "-/18/15", or why there is none.

    The counted pieces are those of longest dimension at least 5 and 15 um; the photo must size both.
    """
    if from_um > MICROSCOPE_UM[0]:
        return CleanlinessCode(
            None,
            f"ISO 4406 counts from {MICROSCOPE_UM[0]:g} and {MICROSCOPE_UM[1]:g} um up; "
            f"this photo sizes from {from_um:.0f} um",
        )
    if not volume_ml:
        return CleanlinessCode(None, "ISO 4406 is per ml of fuel; state the volume sampled")
    numbers = []
    for size in MICROSCOPE_UM:
        large = sized[sized["feret_max_um"] >= size]
        if not len(large):
            return CleanlinessCode(None, f"no piece of {size:g} um or more in {volume_ml:g} ml: no number")
        number = iso_4406_number(float(large["weight"].sum()) / (volume_ml * fraction))
        if number is None:
            return CleanlinessCode(None, "more pieces than the scale of ISO 4406 reaches")
        numbers.append(f"{'≥' if len(large) < FEW_COUNTED else ''}{number}")
    return CleanlinessCode(f"-/{'/'.join(numbers)}", None)


def compare_with_dusts(sized: ParticleTable, from_um: float) -> tuple[DustComparison, ...]:
    """Compare the median by volume with each test dust's, both taken above `from_um` only."""
    amount = sized["weight"] * volumes_um3(sized)
    median = quantile(sized["ecd_um"], amount, 0.5) if effective_number(amount) >= FEW_PIECES else None
    return tuple(_compare(name, median, from_um) for name in TEST_DUSTS)


def _compare(dust: str, median_um: float | None, from_um: float) -> DustComparison:
    left = 1 - dust_share(dust, from_um)
    if left < DUST_LEFT:
        below = f"{100 * (1 - left):.0f} % of dust {dust} lies below this photo's {from_um:.0f} um"
        why = f"cannot be told: {below}"
        return DustComparison(dust, "cannot_be_told", why)
    if median_um is None:
        why = f"cannot be told against dust {dust}: few pieces decide the volume"
        return DustComparison(dust, "cannot_be_told", why)
    ratio = median_um / dust_size(dust, 1 - left / 2)
    if 1 / ALIKE <= ratio <= ALIKE:
        return DustComparison(dust, "alike", f"above {from_um:.0f} um about as coarse as dust {dust}")
    verdict = "coarser" if ratio > 1 else "finer"
    return DustComparison(dust, verdict, f"above {from_um:.0f} um {verdict} than dust {dust}")


def dust_share(dust: str, size_um: float) -> float:
    """Part of a test dust's volume not larger than `size_um`, 0..1, log-linear between its stated sizes."""
    sizes, parts = np.array(TEST_DUSTS[dust]).T
    return float(np.interp(np.log(size_um), np.log(sizes), parts / 100, left=0.0))


def dust_size(dust: str, part: float) -> float:
    """Size, um, that this part (0..1) of a test dust's volume is not larger than."""
    sizes, parts = np.array(TEST_DUSTS[dust]).T
    return float(np.exp(np.interp(part, parts / 100, np.log(sizes))))


def aspect_ratio(table: ParticleTable) -> Array:
    """ISO 9276-6 aspect ratio (N,): least over greatest Feret diameter."""
    return np.asarray(table["feret_min_um"] / table["feret_max_um"])


def solidity(table: ParticleTable) -> Array:
    """ISO 9276-6 solidity (N,): area over that of the convex hull."""
    return np.asarray(table["area_um2"] / table["hull_area_um2"])


def circularity(table: ParticleTable) -> Array:
    """ISO 9276-6 circularity (N,): perimeter of the disc of equal area over the perimeter."""
    return np.asarray(np.sqrt(4 * np.pi * table["area_um2"]) / table["perimeter_um"])


def shape_medians(sized: ParticleTable) -> ShapeMedians:
    """Return the medians over pieces whose shape was measured: not modelled, not sized by light, outlined."""
    modelled = FLAG_BIT["shape_at_limit"] | FLAG_BIT["by_light"]
    shaped = sized[
        (sized["flags"] & modelled == 0) & (sized["perimeter_um"] > 0) & (sized["hull_area_um2"] > 0)
    ]
    if not len(shaped):
        return ShapeMedians(0, None, None, None)
    medians = (float(np.median(each(shaped))) for each in (aspect_ratio, solidity, circularity))
    return ShapeMedians(len(shaped), *medians)


def fibre_by_iso_4407(table: ParticleTable) -> NDArray[np.bool_]:
    """ISO 4407's rule (from memory), (N,): longer than 100 um and at least 10 times as long as wide."""
    return np.asarray((table["length_um"] > 100) & (table["length_um"] >= 10 * table["width_um"]))


def fibre_by_iso_16232(table: ParticleTable) -> NDArray[np.bool_]:
    """ISO 16232's rule (a glossary of technical cleanliness), (N,).

    Stretched length over 20 times the width of the largest inscribed circle, and that no more than 50 um;
    the mean width stands for the circle's.
    """
    width = table["width_um"]
    return np.asarray((table["length_um"] > 20 * width) & (width <= 50))


def pieces_needed(ecd_um: Array) -> PiecesNeeded:
    """Return the pieces to count for the mean volume, from the spread of the sizes (N,) that were counted."""
    spread = float(np.std(np.log(ecd_um), ddof=1))
    return PiecesNeeded(
        float(np.exp(spread)), ecd_um.size, needed_by_iso_13322(spread), needed_in_full(spread)
    )


def needed_by_iso_13322(ln_gsd: float, accuracy: float = ISO_13322_ACCURACY, power: int = 3) -> int:
    """ISO 13322-1's number (formula of Masuda and Iinoya 1971, from memory): two terms of the variance."""
    variance = (power * ln_gsd) ** 2
    return int(np.ceil((Z_95 / accuracy) ** 2 * variance * (1 + variance / 2)))


def needed_in_full(ln_gsd: float, accuracy: float = ISO_13322_ACCURACY, power: int = 3) -> int:
    """Number for the mean of d^power of log-normal sizes to `accuracy` at 95 %, the variance in full."""
    return int(np.ceil((Z_95 / accuracy) ** 2 * np.expm1(min((power * ln_gsd) ** 2, 30.0))))
