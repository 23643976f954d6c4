"""The limits a photo states against what is truly found and sized in it.

    python -m tests.benchmarks.limits_validation [--full]

Pictures of separate discs of one contrast, drawn by how much of each pixel they cover, blurred in linear
light, coded by a tone curve, made noisy, sent through JPEG. A dozen resolved discs of the same ink lie among
them. The first picture of a line holds discs of many sizes: the smallest of which 90 % are found is the true
limit of seeing. The second holds many of exactly the sizes stated: how many are found, how they are sized.
The tool is told only that a pixel is 1 um; it takes every curve for sRGB.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import ByStated, HowScaled, calibrate
from tests.scenes.phone import srgb
from triage.debris.limits import FAINT, FWHM, OPAQUE, Limits
from triage.debris.measure import measure_debris
from triage.debris.tabulate import Debris

Array = NDArray[np.float64]
Curve = Callable[[Array], Array]

PAPER = 0.8  # linear light
FINER = 8  # parts of a pixel that a disc is drawn by
LADDER = np.geomspace(0.5, 5.0, 14)  # diameters in blur sigmas
OF_EACH = 30
AT_LIMIT = 100
RESOLVED, RESOLVED_SIGMAS = 12, 10.0
GAP_SIGMAS = 8
JITTER_PX = 6.0  # either way: a lattice would be taken for a woven screen
BARE_SIGMAS = 180  # width of a strip of bare paper beside the discs, and 250 px more
FOUND = 0.9


def plain(light: Array) -> Array:
    """The sRGB curve."""
    return np.asarray(srgb(light.astype(np.float32)), np.float64)


def gamma(light: Array) -> Array:
    """A plain power of 2.2."""
    return np.asarray(light ** (1 / 2.2), np.float64)


def mild_s(light: Array) -> Array:
    """A phone's contrast curve: sRGB, darks and lights drawn apart by a twentieth of full scale."""
    code = plain(light)
    return np.asarray(code - 0.05 * np.sin(2 * np.pi * code), np.float64)


CURVES: dict[str, Curve] = {"sRGB": plain, "gamma 2.2": gamma, "mild S": mild_s}


@dataclass(frozen=True)
class Case:
    """One line: blur in pixels, noise in codes, contrast 0..1, tone curve by name, JPEG quality."""

    blur_px: float
    noise: float
    contrast: float
    curve: str = "sRGB"
    quality: int = 95


@dataclass(frozen=True)
class Line:
    """What came out; lengths in pixels. `seen` and `sized` as stated, `true_seen` of which 90 % are found."""

    case: Case
    seen: float
    true_seen: float
    found_share: float
    sized: float | None
    bias: float
    scatter: float
    false_finds: int
    proof: str  # by how much proof raised seen and sized, or why there was none


@dataclass(frozen=True)
class Picture:
    """Codes (H, W, 3), true places (N, 2) and diameters (N,) of the discs."""

    rgb: NDArray[np.uint8]
    xy: Array
    diameter: Array


def picture(diameters: Array, case: Case, seed: int) -> Picture:
    """Lay discs on a loose grid, each at a chance place, and take the photo."""
    rng = np.random.default_rng(seed)
    diameters = rng.permutation(diameters)
    pitch = int(np.ceil(diameters.max() + GAP_SIGMAS * case.blur_px + 8 + 2 * JITTER_PX))
    columns = int(np.ceil(np.sqrt(diameters.size * 1.3)))
    rows = -(-diameters.size // columns)
    bare = int(BARE_SIGMAS * case.blur_px) + 250
    cover = np.zeros((rows * pitch + 40, columns * pitch + 40 + bare))
    row, column = np.divmod(np.arange(diameters.size), columns)
    xy = (
        np.stack([column, row], axis=1) * pitch
        + 20
        + pitch / 2
        + rng.uniform(-JITTER_PX, JITTER_PX, (diameters.size, 2))
    )
    for place, diameter in zip(xy, diameters, strict=True):
        _cover(cover, place, diameter)
    light = PAPER * (1 - case.contrast * cv2.GaussianBlur(cover, (0, 0), case.blur_px))
    coded = np.clip(
        CURVES[case.curve](np.clip(light, 0, 1)) * 255 + rng.normal(0, case.noise, light.shape), 0, 255
    )
    options = [cv2.IMWRITE_JPEG_QUALITY, case.quality]
    _, data = cv2.imencode(".jpg", np.round(coded).astype(np.uint8), options)
    grey = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
    return Picture(np.repeat(np.asarray(grey, np.uint8)[:, :, None], 3, axis=2), xy, diameters)


def _cover(cover: Array, place: Array, diameter: float) -> None:
    """Add the part of each pixel that a disc covers, (H, W)."""
    half = int(np.ceil(diameter / 2)) + 1
    low = np.floor(place).astype(int) - half
    offset = (np.arange((2 * half + 2) * FINER) + 0.5) / FINER - 0.5
    away = np.hypot(low[0] + offset - place[0], (low[1] + offset - place[1])[:, None])
    part = np.clip((diameter / 2 - away) * FINER + 0.5, 0, 1)
    part = part.reshape(2 * half + 2, FINER, 2 * half + 2, FINER).mean(axis=(1, 3))
    cover[low[1] : low[1] + len(part), low[0] : low[0] + len(part)] += part


def measured(photo: Picture) -> Debris:
    """The tool on a picture."""
    return measure_debris(photo.rgb, calibrate(photo.rgb, HowScaled(by=ByStated(1.0))))


def found_of(photo: Picture, debris: Debris, blur_px: float) -> tuple[NDArray[np.bool_], Array, int]:
    """Which discs were found, their diameters as measured (NaN where not), and pieces that are no disc."""
    from scipy.spatial import cKDTree

    at = np.stack([debris.table["x_px"], debris.table["y_px"]], axis=1)
    if not len(at):
        return np.zeros(photo.diameter.size, bool), np.full(photo.diameter.size, np.nan), 0
    apart, nearest = cKDTree(at).query(photo.xy)
    hit = apart < photo.diameter / 2 + 2 * blur_px
    size = np.where(hit, debris.table["ecd_um"][nearest], np.nan)
    return hit, size, len(at) - np.unique(nearest[hit]).size


def true_limit(diameter: Array, hit: NDArray[np.bool_]) -> float:
    """Smallest diameter of which FOUND are found, between the steps of LADDER; NaN where none or all are."""
    sizes = np.unique(diameter)
    share = np.array([hit[diameter == size].mean() for size in sizes])
    share = np.minimum.accumulate(share[::-1])[::-1]  # found in all larger sizes too
    over = int(np.argmax(share >= FOUND))
    if share[over] < FOUND or over == 0:
        return float("nan")
    return float(np.exp(np.interp(FOUND, share[over - 1 : over + 1], np.log(sizes[over - 1 : over + 1]))))


def stated(limits: Limits, contrast: float) -> tuple[float, float | None]:
    """Stated limits of seeing and sizing for a contrast; of size for the two that photos state only."""
    if contrast in (OPAQUE, FAINT):
        faint = contrast == FAINT
        return (
            (limits.smallest_seen_faint_um, limits.smallest_sized_faint_um)
            if faint
            else (limits.smallest_seen_um, limits.smallest_sized_um)
        )
    # A disc blurred by sigma and smoothed by it again peaks at 1 - exp(-d^2 / 16 sigma^2) of its contrast.
    reach = 4 * limits.blur_fwhm_um / FWHM
    level = OPAQUE * -np.expm1(-((limits.smallest_seen_um / reach) ** 2)) / contrast
    return (float(reach * np.sqrt(-np.log1p(-level))) if level < 1 else np.inf), None


def _proof(limits: Limits, contrast: float) -> str:
    proved = limits.proved
    trial = proved and {OPAQUE: proved.dark, FAINT: proved.faint}.get(contrast)
    if not trial:
        return (proved and proved.why_not) or ""
    by = [
        "none held" if raised is None else f"{raised:.2g}"
        for raised in (trial.seen_raised, trial.sized_raised)
    ]
    return "held" if by == ["1", "1"] else ", ".join(by)


def line(case: Case, seed: int = 1) -> Line:
    """Measure one case."""
    sizes = LADDER * case.blur_px
    resolved = np.full(RESOLVED, RESOLVED_SIGMAS * case.blur_px)
    many = picture(np.concatenate([np.repeat(sizes, OF_EACH), resolved]), case, seed)
    debris = measured(many)
    hit, _, false_finds = found_of(many, debris, case.blur_px)
    small = many.diameter < resolved[0]
    true_seen = true_limit(many.diameter[small], hit[small])
    seen, sized = stated(debris.limits, case.contrast)
    proof = _proof(debris.limits, case.contrast)
    told = [size for size in (seen, sized) if size is not None and np.isfinite(size)]
    if not told:
        return Line(case, seen, true_seen, np.nan, sized, np.nan, np.nan, false_finds, proof)
    others = np.repeat(sizes, OF_EACH // 2)  # all of one size would be taken for a printed target
    exact = picture(
        np.concatenate([*(np.full(AT_LIMIT, size) for size in sorted(set(told))), others, resolved]),
        case,
        seed + 1,
    )
    hit, measured_px, more = found_of(exact, measured(exact), case.blur_px)
    share = float(hit[exact.diameter == told[0]].mean())
    ratio = measured_px[exact.diameter == told[-1]] / told[-1] if sized is not None else np.array([np.nan])
    return Line(
        case,
        seen,
        true_seen,
        share,
        sized,
        float(np.nanmean(ratio)) - 1,
        float(np.nanstd(ratio)),
        false_finds + more,
        proof,
    )


def cases(full: bool = False) -> Iterator[Case]:
    """Blur and noise for the two contrasts that photos state; then other contrasts, curves, qualities."""
    two = (OPAQUE, FAINT)
    blurs, noises = (
        ((0.6, 0.8, 1.0, 1.3, 2.0, 3.0), (0.5, 1.0, 2.0, 4.0, 6.0))
        if full
        else ((0.6, 1.3, 3.0), (0.5, 2.0, 6.0))
    )
    for blur in blurs:
        for noise in noises:
            yield from (Case(blur, noise, contrast) for contrast in two)
    # 5.1 codes are 2 % of full scale.
    yield from (
        Case(1.3, 5.1, contrast)
        for contrast in ((1.0, OPAQUE, 0.6, FAINT, 0.15, 0.1) if full else (OPAQUE, FAINT, 0.1))
    )
    taken = [
        (curve, quality) for curve in CURVES for quality in (95, 85, 75) if (curve, quality) != ("sRGB", 95)
    ]
    for curve, quality in taken if full else (("gamma 2.2", 95), ("mild S", 85), ("sRGB", 75)):
        yield from (Case(1.3, 2.0, contrast, curve, quality) for contrast in two)


HEADS = (
    "blur px",
    "noise",
    "contrast",
    "curve",
    "JPEG",
    "seen, stated",
    "90 % found from",
    "found there",
    "sized, stated",
    "bias ± scatter",
    "false",
    "proof",
)


def row(found: Line) -> str:
    """One line of the table."""
    case, px = found.case, partial("{:.2f}".format)
    sized = "not reachable" if found.sized is None or not np.isfinite(found.sized) else px(found.sized)
    cells = (
        f"{case.blur_px:g}",
        f"{case.noise:g}/255",
        f"{case.contrast:.0%}",
        case.curve,
        str(case.quality),
        px(found.seen) if np.isfinite(found.seen) else "not reachable",
        px(found.true_seen),
        f"{found.found_share:.0%}",
        "" if case.contrast not in (OPAQUE, FAINT) else sized,
        f"{found.bias:+.1%} ± {found.scatter:.1%}" if np.isfinite(found.bias) else "",
        str(found.false_finds),
        found.proof,
    )
    return f"| {' | '.join(cells)} |"


def main() -> None:
    """Print one row a case."""
    cv2.setNumThreads(1)
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    arguments.add_argument(
        "--full", action="store_true", help="every blur, noise, contrast, curve and quality"
    )
    print(f"| {' | '.join(HEADS)} |")
    print("|" + " --- |" * len(HEADS))
    for case in cases(arguments.parse_args().full):
        print(row(line(case)), flush=True)


if __name__ == "__main__":
    main()
