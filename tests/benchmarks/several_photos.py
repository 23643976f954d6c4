"""What several photos of one sample gain, on rendered photographs with known truth.

    python -m tests.benchmarks.several_photos [lamp|hand|strangers|all] [--seeds N]

lamp: one low strong lamp, then moved to another side; ECD bias and scatter of pieces of 4 px and more, and
the worst share error by number, of the first photo alone and of both. hand: 4 and 8 hand-held photos against
one; stated limits in um, recall by true size in pixels, and how far registering is off at the pieces; with
`coarse` a lens sharper than its pixels. strangers: how often unlike spreads are taken for one, and the same
spread is recognised, a tenth of it missed and without a card turned and shifted, on invented layouts.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import calibrate
from calibration.card import make_frame
from calibration.sharpness import FWHM_PER_SIGMA
from tests.scenes.camera import Camera
from tests.scenes.debris import Debris
from tests.scenes.light import Light
from tests.scenes.match import pair, true_share
from tests.scenes.materials import OPAQUE_DARK_MIX
from tests.scenes.paper import Paper
from tests.scenes.phone import Phone
from tests.scenes.photograph import Photograph, SceneSpec
from tests.scenes.print_model import Print, print_map
from tests.scenes.series import Look, hand_held, photographs
from triage.analysis import Analysis, analyse
from triage.debris.fuse import Landmarks, View, fuse
from triage.debris.register import UNMOVED, Layout, match

LEAST_PX = 4.0
SMALL_PX = ((0.8, 1.1), (1.1, 1.4), (1.4, 2.0), (2.0, 3.0), (3.0, 4.0))
WINDOW_MM = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 20.0], [0.0, 20.0]])


@dataclass(frozen=True)
class Case:
    """Photos of one spread in files, with their truth."""

    name: str
    photos: tuple[Photograph, ...]
    paths: tuple[Path, ...]


def close_up(seed: int, size: tuple[int, int] = (2016, 1512)) -> SceneSpec:
    """A close-up of separate dark pieces; small pictures of it are taken from farther away."""
    card = Print("closeup", number=seed % 41, seed=seed)
    frame = make_frame(card.frame)
    middle = print_map(card).to_true(np.array([[frame.width_mm / 2, frame.height_mm / 2]]))[0]
    pixel_um = 23.5 * 2016 / size[0]
    camera = Camera(
        *size,
        um_per_px=pixel_um,
        tilt_deg=1.0,
        focal_px=1.1 * size[0],
        blur_px=1.0 + 0.1 * (seed % 4),
        aim_mm=(float(middle[0]), float(middle[1])),
    )
    debris = Debris(
        count=130,
        median_um=8 * pixel_um,
        spread=1.7,
        range_um=(2 * pixel_um, 50 * pixel_um),
        gap_um=11 * pixel_um,
        mix=OPAQUE_DARK_MIX,
    )
    return SceneSpec(seed=seed, card=card, camera=camera, debris=debris)


def fine_debris(seed: int, *, coarse: bool) -> SceneSpec:
    """Many pieces about the limit on smooth paper, in poor light; `coarse`: a sharp lens in good light."""
    spec = close_up(seed)
    pieces = replace(spec.debris, count=350, median_um=60.0, spread=1.8, range_um=(18.0, 600.0), gap_um=160.0)
    phone = Phone(noise=0.015, denoise=0.2) if coarse else Phone(noise=0.05)
    camera = replace(spec.camera, blur_px=0.4 if coarse else 0.9)
    return replace(spec, debris=pieces, phone=phone, camera=camera, paper=Paper(fine=0.004))


def lamp_moved(spec: SceneSpec, apart_deg: float = 180.0, direct: float = 0.7) -> list[Look]:
    """Two hand-held photos, a low strong lamp on one side and then on another."""
    turn = 40.0 + 37.0 * spec.seed
    return [
        Look(camera, Light(from_deg=turn + apart_deg * k, elevation_deg=25, direct=direct))
        for k, camera in enumerate(hand_held(spec.camera, 2, spec.seed))
    ]


def rendered(name: str, spec: SceneSpec, looks: Sequence[Look], folder: Path) -> Case:
    """Render a series into files."""
    photos = tuple(photographs(spec, looks))
    paths = tuple(photo.save(folder / f"{name}_{k}.jpg") for k, photo in enumerate(photos))
    return Case(name, photos, paths)


@dataclass(frozen=True)
class Sizes:
    """ECD bias and robust scatter of large enough pieces, parts; worst share error, parts."""

    bias: float
    scatter: float
    share_error: float


def sizes(analysis: Analysis, case: Case) -> Sizes:
    """Hold the sizes against the truth of the photo that the pieces stand in."""
    index = next(k for k, photo in enumerate(analysis.photos) if photo.counted)
    true = next(
        p for p, path in zip(case.photos, case.paths, strict=True) if path.name == analysis.photos[index].file
    )
    table = true.truth.in_card_units()
    pairs = pair(table, analysis.particles)
    kept = (table["ecd_px"][pairs.true] >= LEAST_PX) & ~table["fibre"][pairs.true]
    ratio = (analysis.particles["ecd_um"][pairs.found] / table["ecd_um"][pairs.true])[kept]
    middle = float(np.median(ratio))
    errors = [
        abs(row.by_count.share - true_share(table, row.rating_um, row.from_um))
        for row in analysis.passing
        if row.measurable and row.by_count.share is not None
    ]
    return Sizes(middle - 1, 1.4826 * float(np.median(np.abs(ratio - middle))), max(errors, default=np.nan))


def recalls(analysis: Analysis, case: Case) -> list[str]:
    """Share found, ECD bias and scatter by true size class."""
    index = next(k for k, photo in enumerate(analysis.photos) if photo.counted)
    names = [path.name for path in case.paths]
    table = case.photos[names.index(analysis.photos[index].file)].truth.in_card_units()
    pairs = pair(table, analysis.particles)
    ratio = analysis.particles["ecd_um"][pairs.found] / table["ecd_um"][pairs.true]
    told = []
    for low, high in SMALL_PX:
        asked = (table["ecd_px"] >= low) & (table["ecd_px"] < high)
        hit = asked[pairs.true]
        middle = float(np.median(ratio[hit])) if hit.any() else np.nan
        scatter = 1.4826 * float(np.median(np.abs(ratio[hit] - middle))) if hit.any() else np.nan
        found = hit.sum() / max(asked.sum(), 1)
        told.append(f"{low}-{high}: {100 * found:.0f} % {100 * (middle - 1):+.0f} ± {100 * scatter:.0f}")
    return told


def registration_px(case: Case) -> NDArray[np.float64]:
    """Root mean square error (K,) of each later photo's place at the pieces, against the exact cameras."""
    calibrations = [calibrate(photo.rgb) for photo in case.photos]
    views = [View(p.rgb, c, UNMOVED) for p, c in zip(case.photos, calibrations, strict=True)]
    true = [np.column_stack([p.truth.particles["x_px"], p.truth.particles["y_px"]]) for p in case.photos]
    blur = calibrations[0].blur
    sigma_px = blur.sigma_px if blur else 1.0
    marks = Landmarks(true[0], case.photos[0].truth.particles["ecd_px"] / 2, sigma_px)
    found = fuse(views, marks).registered
    away = [place.at(true[0]) - other for place, other in zip(found, true[1:], strict=True)]
    return np.array([np.sqrt((step**2).sum(axis=1).mean()) for step in away])


def run_lamp(seeds: Iterable[int], folder: Path) -> None:
    """Print one line a pair of photos."""
    print(f"{'lamp':28} {'alone: bias, scatter, share':>30} {'fused: bias, scatter, share':>30}")
    for seed in seeds:
        for apart, direct in ((180.0, 0.7), (110.0, 0.5), (180.0, 0.35)):
            spec = close_up(seed)
            name = f"lamp{seed}-{apart:.0f}-{direct}"
            case = rendered(name, spec, lamp_moved(spec, apart, direct), folder)
            analyses = [analyse(case.paths[:1]), analyse(case.paths)]
            if not all(photo.usable for each in analyses for photo in each.photos):
                print(f"{name:28} refused: {analyses[1].photos[0].problems[0].message}")
                continue
            alone, both = (sizes(each, case) for each in analyses)
            cells = [
                f"{100 * each.bias:+.1f} {100 * each.scatter:.1f} {100 * each.share_error:.1f}"
                for each in (alone, both)
            ]
            off = ", ".join(f"{px:.2f}" for px in registration_px(case))
            print(
                f"{name:28} {cells[0]:>30} {cells[1]:>30}  off by {off} px, {analyses[1].photos[0].use}",
                flush=True,
            )


def run_hand(seeds: Iterable[int], folder: Path) -> None:
    """Print what one, four and eight photos show."""
    for seed in seeds:
        for coarse in (False, True):
            spec = fine_debris(seed, coarse=coarse)
            light = Light(from_deg=120, elevation_deg=55, direct=0.5)
            looks = [Look(camera, light) for camera in hand_held(spec.camera, 8, seed)]
            case = rendered(f"hand{seed}{'-coarse' if coarse else ''}", spec, looks, folder)
            print(f"{case.name}: off by {np.array2string(registration_px(case), precision=2)} px")
            for count in (1, 4, 8):
                analysis = analyse(case.paths[:count])
                limits = next(photo.limits for photo in analysis.photos if photo.counted)
                assert limits is not None
                seen = f"seen {limits.smallest_seen_um:.0f}, faint {limits.smallest_seen_faint_um:.0f}"
                sized = f"sized {limits.smallest_sized_um:.0f}, faint {limits.smallest_sized_faint_um:.0f} um"
                blur = limits.blur_fwhm_um / FWHM_PER_SIGMA / spec.camera.um_per_px
                print(f"  {count}: {seen}; {sized}; blur {blur:.2f} px; {'; '.join(recalls(analysis, case))}")


def layout(rng: np.random.Generator, count: int) -> Layout:
    """Pieces strewn at random over a close-up's window."""
    ecd = 90 * np.exp(0.5 * rng.standard_normal(count))
    return Layout(rng.uniform((0, 0), (30, 20), (count, 2)), ecd, WINDOW_MM, 40.0, 50.0)


def photographed_again(one: Layout, rng: np.random.Generator, *, on_card: bool) -> Layout:
    """The same pieces as another photo finds them: a tenth missed, centres and sizes a little off."""
    kept = rng.random(len(one.ecd_um)) < 0.9
    xy = one.xy_mm[kept] + rng.normal(0, 0.015, (kept.sum(), 2))
    ecd = one.ecd_um[kept] * np.exp(rng.normal(0, 0.08, kept.sum()))
    if on_card:
        return Layout(xy, ecd, one.window_mm, 40.0, 50.0)
    turn = rng.uniform(0, 2 * np.pi)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return Layout(xy @ spin.T + 7.0, ecd, one.window_mm @ spin.T + 7.0, 40.0, 50.0)


def run_strangers(trials: int) -> None:
    """Print how often two spreads are confused, and one is recognised."""
    for on_card in (True, False):
        for count in (4, 8, 20, 60, 200, 600):
            wrong = right = 0
            for trial in range(trials):
                rng = np.random.default_rng([trial, count, on_card])
                one, other = layout(rng, count), layout(rng, count)
                link = match(one, other, on_card=on_card)
                wrong += link is not None and link.same
                link = match(one, photographed_again(one, rng, on_card=on_card), on_card=on_card)
                right += link is not None and link.same
            place = "on the card" if on_card else "without a card"
            print(f"{count:4d} pieces {place}: {wrong} of {trials} confused, {right} recognised", flush=True)


def main() -> None:
    """Run the parts asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("part", nargs="?", choices=("lamp", "hand", "strangers", "all"), default="all")
    parser.add_argument("--seeds", type=int, default=2)
    asked = parser.parse_args()
    seeds = range(101, 101 + asked.seeds)
    with tempfile.TemporaryDirectory() as folder:
        if asked.part in ("lamp", "all"):
            run_lamp(seeds, Path(folder))
        if asked.part in ("hand", "all"):
            run_hand(seeds, Path(folder))
    if asked.part in ("strangers", "all"):
        run_strangers(100 * asked.seeds)


if __name__ == "__main__":
    main()
