"""Photo to Analysis: the one path through the house, and the result it returns."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from importlib import import_module
from itertools import pairwise
from pathlib import Path
from threading import Thread

import numpy as np
from numpy.typing import NDArray

from calibration import kept
from calibration.calibrate import (
    BadSetting,
    ByCard,
    ByScanner,
    Calibration,
    HowScaled,
    calibrate,
    remember_tone,
)
from calibration.errors import CalibrationError
from calibration.locate import CardNotFound
from calibration.photo_areas import Areas
from calibration.photo_check import Problem, blank_too_dirty, blurred_for, no_card, nothing_sized, too_crowded
from calibration.sharpness import FWHM_PER_SIGMA, Blur
from triage.advice import Advice, advise
from triage.advice_sample import Evidence
from triage.consequences import Consequences, consequences
from triage.debris.ground import GroundSeen
from triage.debris.limits import NOT_REACHABLE, Proof, RegionLimits
from triage.debris.measure import measure_debris
from triage.debris.particles import ParticleTable, empty_table
from triage.debris.tabulate import Debris
from triage.earlier import Earlier, History, history_of
from triage.errors import UserError
from triage.filters import Filter, load_filters
from triage.photo import Photo, open_photo
from triage.sizing import Passing, Sizes, passing_shares, size_distribution
from triage.sizing.below_limit import with_modelled
from triage.sizing.passing import select
from triage.spreads import Shot, gather

SCHEMA = 1
METHOD_VERSION = "1"  # raised with every change that can move a number
SCANNER_DPI = 600  # a lower resolution tag is more likely a picture editor's habit than a scanner's truth
STAGES = ("opening", "finding the card", "finding the scale", "measuring")
BLANK_BANDS_UM = (0.0, 50.0, 150.0, np.inf)


@dataclass(frozen=True)
class Sample:
    """Where the debris came from and what the bench said; None means nobody said."""

    origin: str | None = None
    method: str | None = None
    fraction: float | None = None
    installed_um: float | None = None
    element: str | None = None
    feed: str | None = None
    fuel: str | None = None
    fuel_age_months: float | None = None
    noticed: tuple[str, ...] | None = None
    season: str | None = None  # nights lately: warm | cold_nights
    storage: str | None = None  # the last month: in_use | indoors | outdoors
    volume_ml: float | None = None
    hours: float | None = None
    months: float | None = None
    litres: float | None = None
    machine: str | None = None
    machine_type: str | None = None  # as the service record has it: pressure washer, outboard, ...
    head_mm: float | None = None  # fuel surface above the carburettor's inlet
    power_kw: float | None = None
    flow_test_ml_min: float | None = None
    flow_test_um: float | None = None  # the filter fitted in that test; None: the installed one


@dataclass(frozen=True)
class Scale:
    """How pixels became micrometres."""

    source: str
    um_per_px: float
    um_per_px_rel_u: float
    tilt_deg: float | None
    card_number: int | None
    frame: str | None
    print_measured: bool | None = None  # whether a caliper has checked this card's print; None without a card
    print_ratio: float | None = None  # print's x over y where surely not as it should be


@dataclass(frozen=True)
class Limits:
    """The smallest particle this photo can show, and the smallest it can size.

    Of faint discs None where no size will do. A photo in which even dark ones cannot be sized is refused.
    """

    blur_fwhm_um: float
    smallest_seen_um: float
    smallest_sized_um: float
    smallest_seen_faint_um: float | None
    smallest_sized_faint_um: float | None
    regions: tuple[RegionLimits, ...] = ()  # those above are the worst of these
    proved: Proof | None = None  # None where outlines are exact: pictures of two levels


@dataclass(frozen=True)
class PhotoResult:
    """One photo: what it is, how far it can be trusted, and whether it was used."""

    file: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None
    scale: Scale | None
    limits: Limits | None
    usable: bool
    problems: tuple[Problem, ...]
    window_px: NDArray[np.float64] | None = None  # (N, 2) outline of the debris window
    spread: int | None = None  # photos of one spread of debris share a number, from 1
    use: str = "measured"  # or "fused" into another photo of its spread, "repeat": another counts, "refused"
    note: str = ""  # what became of it among several, in a sentence or two
    ground: GroundSeen | None = None  # what the debris lies on; None: plain paper or card

    @property
    def counted(self) -> bool:
        """Whether its own pieces are in the result."""
        return self.usable and self.use == "measured"

    @property
    def seen_share(self) -> float:
        """Share of the debris window, 0..1, in which pieces can be seen: not blown out, not cut off."""
        return math.prod(1.0 - problem.unseen for problem in self.problems)


@dataclass(frozen=True)
class Blank:
    """Particles on the empty card, sheet or paper: shown beside the result, never subtracted."""

    count: int
    exposure_cm2: float
    ok: bool


@dataclass(frozen=True)
class Analysis:
    """Everything one debris sample gave; `triage.report` turns it into files."""

    photos: tuple[PhotoResult, ...]
    particles: ParticleTable
    outlines: tuple[NDArray[np.float32], ...]  # per particle, (N, 2) px in its photo
    sizes: Sizes
    passing: tuple[Passing, ...]
    blank: Blank | None
    advice: Advice
    sample: Sample
    program_version: str
    method_version: str
    analysed_on: date = field(default_factory=date.today)
    pictures: tuple[Photo, ...] = ()  # of each entry of `photos`
    further: Consequences | None = None  # None where no photo could be measured
    history: History | None = None  # None where nobody asked for an earlier sample


@dataclass(frozen=True)
class Conclusions:
    """What follows from the particles, so anew whenever one of them is corrected."""

    sizes: Sizes
    passing: tuple[Passing, ...]
    advice: Advice
    further: Consequences | None = None
    history: History | None = None


@dataclass(frozen=True)
class Setup:
    """How to analyse: scale, sample, photo of the empty card, the shop's filters.

    `how` holds for every photo, unless `hows` gives each its own.
    """

    how: HowScaled = field(default_factory=HowScaled)
    hows: tuple[HowScaled, ...] = ()
    sample: Sample = field(default_factory=Sample)
    blank: Path | None = None
    filters: Path | tuple[Filter, ...] | None = None  # None: the list in use
    earlier: Earlier | None = None  # the machine's earlier sample, to compare with


@dataclass(frozen=True)
class _Measured:
    """One photo after its turn; `debris` and `calibration` are None where it was refused."""

    photo: Photo
    result: PhotoResult
    calibration: Calibration | None
    debris: Debris | None


def analyse(
    photos: Sequence[str | Path], setup: Setup | None = None, tell: Callable[[str], None] | None = None
) -> Analysis:
    """Analyse one debris sample from one or more photos; `tell` hears each of STAGES as it begins.

    Raises
    ------
    UserError
        A file cannot be opened, or a setting cannot be right.
    """
    setup, tell = setup or Setup(), tell or _silent
    # Its import takes longer than opening a photo and finding the markers, during which it can go on.
    Thread(target=import_module, args=("scipy.special",), daemon=True).start()
    filters = filters_of(setup)
    hows = setup.hows or (setup.how,) * len(photos)
    measured = _with_parts([_measure(path, how, tell) for path, how in zip(photos, hows, strict=True)])
    table, outlines = _pooled(measured)
    blank, dirty = _blank(setup, table) if any(each.debris for each in measured) else (None, ())
    results = tuple(_with_problems(each, dirty).result for each in measured)
    found = conclude(table, results, setup.sample, filters, setup.earlier)
    return Analysis(
        photos=results,
        particles=table,
        outlines=outlines,
        blank=blank,
        sample=setup.sample,
        program_version=program_version(),
        method_version=METHOD_VERSION,
        pictures=tuple(each.photo for each in measured),
        **vars(found),
    )


def conclude(
    table: ParticleTable,
    photos: tuple[PhotoResult, ...],
    sample: Sample,
    filters: Sequence[Filter],
    earlier: Earlier | None = None,
) -> Conclusions:
    """Work out sizes, shares and advice from the particles; the coarsest photo's limit holds for all."""
    usable = [photo for photo in photos if photo.counted]
    sample = as_photographed(sample, photos)
    from_um = sized_from_um(photos)
    scale_u = max((photo.scale.um_per_px_rel_u for photo in usable if photo.scale), default=0.0)
    sizes = size_distribution(table, from_um)
    passing = passing_shares(table, filters, from_um, scale_u) if usable else ()
    problems = tuple(problem for photo in usable or photos for problem in photo.problems)
    further = consequences(table, sizes, sample, filters, scale_u) if usable else None
    history = history_of(table, from_um, sample, earlier, METHOD_VERSION) if usable and earlier else None
    compared = history.comparison if history else None
    advice = advise(Evidence(table, sizes, passing, sample, problems, filters, further, compared))
    if from_um > 0:  # after the advice, which must not rest on a model
        seen_um = max((photo.limits.smallest_seen_um for photo in usable if photo.limits), default=0.0)
        sizes, passing = with_modelled(sizes, passing, select(table, from_um, scale_u), seen_um)
    return Conclusions(sizes, passing, advice, further, history)


def sized_from_um(photos: Sequence[PhotoResult]) -> float:
    """Return the size from which on every photo that counts sizes pieces, um."""
    return max(
        (photo.limits.smallest_sized_um for photo in photos if photo.counted and photo.limits), default=0.0
    )


def as_photographed(sample: Sample, photos: Sequence[PhotoResult]) -> Sample:
    """The sample with `fraction` made less by what its photos could not see, as if the debris lay evenly."""
    shares = [photo.seen_share for photo in photos if photo.counted]
    seen = sum(shares) / len(shares) if shares else 1.0
    return replace(sample, fraction=(sample.fraction or 1.0) * seen) if seen < 1.0 else sample


def filters_of(setup: Setup) -> tuple[Filter, ...]:
    """The filters that shares are given for, coarsest first."""
    return setup.filters if isinstance(setup.filters, tuple) else load_filters(setup.filters)


def _silent(stage: str) -> None:
    del stage


def _measure(path: str | Path, how: HowScaled, tell: Callable[[str], None] = _silent) -> _Measured:
    tell("opening")
    photo = open_photo(path)
    tell("finding the card" if isinstance(how.by, ByCard) else "finding the scale")
    try:
        calibration = _calibrate(photo, how)
    except (BadSetting, kept.KeptUnreadable) as error:
        raise UserError(f"{photo.file}: {error}.") from error
    except CalibrationError as error:
        problem = no_card(str(error))
        if isinstance(error, CardNotFound):
            remedy = f"{error.remedy[0].upper()}{error.remedy[1:]}."
            problem = replace(no_card(error.reason), remedy=remedy, areas_px=error.areas_px)
        return _Measured(photo, _result(photo, None, None, (problem,)), None, None)
    if any(problem.fatal for problem in calibration.problems):
        return _Measured(photo, _result(photo, calibration, None, calibration.problems), None, None)
    if photo.camera and calibration.source == "card" and how.kept is None:
        with suppress(kept.KeptUnreadable):  # a folder that cannot be written costs no result
            remember_tone(calibration, photo.camera)
    tell("measuring")
    debris = measure_debris(photo.rgb, calibration)
    problems = (*calibration.problems, *_seen_in_debris(calibration, debris))
    if any(problem.fatal for problem in problems):
        return _Measured(photo, _result(photo, calibration, None, problems), None, None)
    return _Measured(photo, _result(photo, calibration, debris, problems), calibration, debris)


def _seen_in_debris(calibration: Calibration, debris: Debris) -> tuple[Problem, ...]:
    """Problems that only the measured debris shows: too much of it, or blur that no edge before told of."""
    found = [too_crowded(debris.coverage)]
    if debris.limits.smallest_sized_um == NOT_REACHABLE:
        found.append(nothing_sized(_hidden_parts(debris)))
    if calibration.blur is None and len(debris.table):
        sigma_px = debris.limits.blur_fwhm_um / calibration.um_per_px / FWHM_PER_SIGMA
        blur = Blur(sigma_px, sigma_px / 4, "the outlines of the debris")
        found.append(blurred_for(blur, calibration.um_per_px, calibration.frame))
    return tuple(problem for problem in found if problem is not None)


def _hidden_parts(debris: Debris) -> Areas:
    """Where nothing could be sized, as rectangles of the photo; none where that is all of the window."""
    regions = debris.limits.regions
    hidden = [each.box_px for each in regions if each.smallest_sized_um is None]
    if len(hidden) == len(regions):
        return ()
    return tuple((left, top, right - left, bottom - top) for left, top, right, bottom in hidden)


def _calibrate(photo: Photo, how: HowScaled) -> Calibration:
    focal = how.focal_35mm or photo.focal_35mm
    how = replace(how, camera=how.camera or photo.camera, focal_35mm=focal)
    try:
        return calibrate(photo.rgb, how)
    except CardNotFound:
        if photo.dpi is None or min(photo.dpi) < SCANNER_DPI or not isinstance(how.by, ByCard):
            raise
        return calibrate(photo.rgb, replace(how, by=ByScanner(photo.dpi)))


def _result(
    photo: Photo, calibration: Calibration | None, debris: Debris | None, problems: tuple[Problem, ...]
) -> PhotoResult:
    scale = None
    if calibration is not None:
        scale = Scale(
            calibration.source,
            calibration.um_per_px,
            calibration.um_per_px_rel_u,
            calibration.tilt_deg,
            calibration.card_number,
            calibration.frame.name if calibration.frame else None,
            calibration.print_measured,
            calibration.print_ratio,
        )
    height, width = photo.rgb.shape[:2]
    return PhotoResult(
        file=photo.file,
        sha256=photo.sha256,
        width_px=width,
        height_px=height,
        taken_at=photo.taken_at,
        scale=scale,
        limits=_limits(debris) if debris else None,
        usable=debris is not None,
        problems=problems,
        window_px=calibration.window_px if calibration else None,
        use="measured" if debris else "refused",
        ground=debris.ground if debris else None,
    )


def _limits(debris: Debris) -> Limits:
    found = debris.limits
    seen_faint, sized_faint = (
        None if um == NOT_REACHABLE else um
        for um in (found.smallest_seen_faint_um, found.smallest_sized_faint_um)
    )
    return Limits(
        found.blur_fwhm_um,
        found.smallest_seen_um,
        found.smallest_sized_um,
        seen_faint,
        sized_faint,
        found.regions,
        found.proved,
    )


def _with_parts(measured: list[_Measured]) -> list[_Measured]:
    """Of each photo what it adds to the others: photos of one spread count once."""
    usable = [index for index, each in enumerate(measured) if each.debris is not None]
    shots = [
        Shot(each.photo.file, each.photo.sha256, each.photo.rgb, each.calibration, each.debris)
        for each in measured
        if each.calibration is not None and each.debris is not None
    ]
    result = list(measured)
    for index, part in zip(usable, gather(shots), strict=True):
        each = measured[index]
        kept = _limits(part.debris) if part.debris else each.result.limits
        told = replace(each.result, spread=part.spread, use=part.use, note=part.note, limits=kept)
        result[index] = replace(each, result=told, debris=part.debris)
    return result


def _pooled(measured: list[_Measured]) -> tuple[ParticleTable, tuple[NDArray[np.float32], ...]]:
    """Join the photos' particles, biggest first, numbered anew."""
    tables = [empty_table()]
    outlines: list[NDArray[np.float32]] = []
    for index, each in enumerate(measured):
        if each.debris is not None:
            table = each.debris.table.copy()
            table["photo"] = index
            tables.append(table)
            outlines += each.debris.outlines
    table = np.concatenate(tables)
    order = np.argsort(-table["ecd_um"], kind="stable")
    table = table[order]
    table["id"] = np.arange(1, len(table) + 1)
    return table, tuple(outlines[index] for index in order)


def _blank(setup: Setup, table: ParticleTable) -> tuple[Blank | None, tuple[Problem, ...]]:
    """Analyse the empty card's photo and hold it against the sample, size band by size band."""
    if setup.blank is None:
        return None, ()
    each = _measure(setup.blank, setup.how)
    if each.debris is None:
        reasons = " ".join(problem.message for problem in each.result.problems)
        raise UserError(f"The blank {each.result.file} could not be measured: {reasons} Take it again.")
    bands = zip(*(_banded(rows) for rows in (each.debris.table, table)), strict=True)
    found = (blank_too_dirty(name, count, other) for (name, count), (_, other) in bands)
    problems = tuple(problem for problem in found if problem)
    return Blank(len(each.debris.table), each.debris.window_cm2, not problems), problems


def _banded(table: ParticleTable) -> list[tuple[str, int]]:
    """How many pieces lie in each size band, with its name; those too small to size in one of their own."""
    ecd_um = table["ecd_um"][~table["below_sizing_limit"]]
    counts = np.histogram(ecd_um, BLANK_BANDS_UM)[0].tolist()
    names = [
        f"over {low:g} um" if np.isinf(high) else f"{low:g} to {high:g} um"
        for low, high in pairwise(BLANK_BANDS_UM)
    ]
    unsized = ("sizes below the limit", len(table) - ecd_um.size)
    return [unsized, *zip(names, counts, strict=True)]


def _with_problems(each: _Measured, problems: tuple[Problem, ...]) -> _Measured:
    if each.debris is None or not problems:
        return each
    return replace(each, result=replace(each.result, problems=each.result.problems + problems))


def program_version() -> str:
    """Version of the installed program."""
    from importlib.metadata import version

    return version("triage")
