"""How well debris is found and sized on screens, pleats, a filter paper's patch, and among drops and films.

    python -m tests.benchmarks.hard_grounds [screen|pleats|patch|wet ...]

Every scene is rendered with truth; the parameters are drawn from the seed, none was developed on. Recall and
precision are of pieces of 6 px and more over the photo's own limit, in the part that was searched; ECD bias
is the median; share errors are in points, by number, at one and a half and two and a half times the limit.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np

from calibration.calibrate import ByStated, HowScaled, calibrate
from tests.scenes.camera import Camera
from tests.scenes.debris import Debris
from tests.scenes.grounds import Drop, FilmEdge, Laid, Patch, Pleats, Weave
from tests.scenes.light import Light
from tests.scenes.match import Table, pair
from tests.scenes.photograph import SceneSpec, photograph
from triage.debris.measure import measure_debris

WIDTH, HEIGHT = 900, 700
SEEDS = (701, 702, 703)


def scene(kind: str, seed: int) -> SceneSpec:
    """One scene of a kind; everything that may vary does."""
    rng = np.random.default_rng([seed, 17])
    um = float(rng.uniform(24, 34)) if kind != "screen" else float(rng.choice([11.0, 24.0, 32.0]))
    width, height = WIDTH * um / 1000, HEIGHT * um / 1000
    rect = (-0.7 * width, -0.7 * height, 1.4 * width, 1.4 * height)
    pitch = float(rng.choice([125.0, 250.0]))
    laid: tuple[Laid, ...] = ()
    if kind == "screen":
        shade = float(rng.uniform(0.15, 0.4))
        laid = (
            Weave(
                rect,
                pitch / 1000,
                turn_deg=float(rng.uniform(0, 90)),
                rgb=(shade, shade, 0.95 * shade),
                behind=float(rng.uniform(0.03, 0.6)),
                shine=float(rng.uniform(0.1, 0.5)),
                seed=seed,
            ),
        )
    elif kind == "pleats":
        laid = (
            Pleats(
                rect,
                float(rng.uniform(1.8, 2.6)),
                float(rng.uniform(0, 180)),
                float(rng.uniform(1, 2)),
                seed=seed,
            ),
        )
    elif kind == "patch":
        laid = (Patch((0.0, 0.0), 0.46 * height, stain=float(rng.uniform(0.05, 0.2)), seed=seed),)
    elif kind == "wet":
        spots = [(-0.35, -0.3), (0.0, -0.35), (0.33, -0.28)]
        drops = [Drop((x * width, y * height), float(rng.uniform(0.4, 1.3))) for x, y in spots]
        laid = (
            *drops,
            FilmEdge((0.0, 0.15 * height), 0.22 * height, depth=float(rng.uniform(0.35, 0.6)), seed=seed),
        )
    low = 1.2 * pitch if kind == "screen" else 5 * um
    reach = 0.3 * height if kind == "patch" else None
    return SceneSpec(
        seed=seed,
        debris=Debris(
            count=45,
            median_um=max(1.4 * low, 7 * um),
            spread=1.6,
            range_um=(low, 40 * um),
            gap_um=6 * um,
            fibre_width_um=(2 * um, 4 * um),
        ),
        rect_mm=(-reach, -reach, 2 * reach, 2 * reach) if reach else None,
        light=Light(from_deg=float(rng.uniform(0, 360)), elevation_deg=float(rng.uniform(40, 70))),
        camera=Camera(WIDTH, HEIGHT, um_per_px=um, aim_mm=(0.0, 0.0), blur_px=float(rng.uniform(0.9, 1.4))),
        laid=laid,
    )


def judge(kind: str, seed: int) -> str:
    """Render, measure and score one scene, as a line of text."""
    spec = scene(kind, seed)
    um = spec.camera.um_per_px
    photo = photograph(spec)
    found = measure_debris(photo.rgb, calibrate(photo.rgb, HowScaled(by=ByStated(um))))
    table = found.table[found.table["weight"] > 0]
    margin = 40.0 if found.ground else 0.0  # of the rim that the ground's pattern is not known in
    true = _inside(photo.truth.in_card_units(), margin)
    low = max(found.limits.smallest_sized_um, 6 * um)
    pairs = pair(true, table)
    hit = np.zeros(len(true), bool)
    hit[pairs.true] = True
    real = np.zeros(len(table), bool)
    real[pair(photo.truth.in_card_units(), table).found] = True
    asked = (true["ecd_um"] >= low) & (np.abs(true["contrast"]) > 0.22)
    grain = ~true["fibre"][pairs.true] & (true["ecd_um"][pairs.true] >= low)
    ratio = (table["ecd_um"][pairs.found] / true["ecd_um"][pairs.true])[grain]
    shares = [_share(table, low, k * low) - _share(true, low, k * low) for k in (1.5, 2.5)]
    precision = real[table["ecd_um"] >= low].mean()
    pitch = ""
    if isinstance(spec.laid[0], Weave) and found.ground and found.ground.pitch_um:
        pitch = f"; pitch {100 * (found.ground.pitch_um / 1000 / spec.laid[0].pitch_mm - 1):+.2f} %"
    return (
        f"{kind} {seed}: {um:.0f} um/px, from {low:.0f} um; recall {hit[asked].mean():.3f} of "
        f"{asked.sum()}, precision {precision:.3f}, ECD {100 * (np.median(ratio) - 1):+.1f} %, "
        f"shares {100 * shares[0]:+.1f} {100 * shares[1]:+.1f}{pitch}"
    )


def _inside(table: Table, margin: float) -> Table:
    keep = (table["x_px"] > margin) & (table["x_px"] < WIDTH - margin)
    return table[keep & (table["y_px"] > margin) & (table["y_px"] < HEIGHT - margin)]


def _share(table: Table, low: float, cut: float) -> float:
    sizes = table["passing_size_um"][table["passing_size_um"] >= low]
    return float((sizes < cut).mean()) if len(sizes) else float("nan")


def main() -> None:
    """Print one line a scene."""
    cv2.setNumThreads(1)
    for kind in sys.argv[1:] or ("screen", "pleats", "patch", "wet"):
        for seed in SEEDS:
            print(judge(kind, seed), flush=True)


if __name__ == "__main__":
    main()
