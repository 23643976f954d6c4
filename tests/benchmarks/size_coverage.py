"""How often a size's stated uncertainty holds the truth, on rendered photos of mixed materials.

    python -m tests.benchmarks.size_coverage [--keep FOLDER] [FOLDER ...]

The scenes of `accuracy` (both sets), and folders of photos with their truth beside as `alternatives` takes
them. Counted are pieces sized by the tool that differ from the ground by 30 % of its light, fibres and pieces
cut by the window left out: how many lie within 1.96 stated standard uncertainties, beside the bias, the
scatter and the uncertainty stated (all relative, by true size in pixels).
"""

from __future__ import annotations

import argparse
import tempfile
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import ByStated, HowScaled
from tests.benchmarks.alternatives import LEAST_CONTRAST, load
from tests.scenes.campaign import campaign, rendered
from tests.scenes.match import Table, pair
from triage.analysis import Analysis, Setup, analyse

Array = NDArray[np.float64]
CLASSES_PX = (1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 50.0)


def judged(analysis: Analysis, true: Table) -> Array:
    """Return true size in px, relative error and relative uncertainty of each sized piece, (N, 3)."""
    pairs = pair(true, analysis.particles)
    real, found = true[pairs.true], analysis.particles[pairs.found]
    kept = ~real["fibre"] & (np.abs(real["contrast"]) >= LEAST_CONTRAST)
    kept &= ~found["below_sizing_limit"] & ~found["touches_edge"]
    error = found["ecd_um"] / real["ecd_um"] - 1
    return np.column_stack([real["ecd_px"], error, found["ecd_u_um"] / real["ecd_um"]])[kept]


def of_campaign(name: str, keep: Path) -> Array:
    """Measure the scenes of a set that are there to be measured."""
    keep.mkdir(parents=True, exist_ok=True)
    rows = []
    for scene in campaign(name):
        if scene.expect == "measured":
            photo = rendered(scene, keep)
            rows.append(judged(analyse([keep / f"{scene.name}.jpg"], Setup()), photo.truth.in_card_units()))
    return np.concatenate(rows)


def of_folder(folder: Path) -> Array:
    """Measure the photos of a folder."""
    rows = []
    for path in sorted(folder.glob("*.jpg")):
        scene = load(path)
        if scene is not None:
            how = HowScaled() if scene.carded else HowScaled(by=ByStated(scene.um_per_px))
            rows.append(judged(analyse([path], Setup(how=how)), scene.true))
    return np.concatenate(rows)


def print_rows(name: str, rows: Array) -> None:
    """Print one set: all, then by size."""
    size, error, u = rows.T
    held = np.abs(error) < 1.96 * u
    print(f"{name}: {len(rows)} pieces, {held.mean():.1%} held")
    for low, high in pairwise(CLASSES_PX):
        part = (size >= low) & (size < high)
        if part.sum() > 3:
            print(
                f"  {low:2.0f} to {high:2.0f} px {part.sum():5d}: held {held[part].mean():4.0%}, "
                f"bias {error[part].mean():+.1%}, scatter {error[part].std():.1%}, "
                f"stated {np.median(u[part]):.1%}"
            )


def main() -> None:
    """Print every set."""
    arguments = argparse.ArgumentParser(description="How often stated uncertainties hold the truth.")
    arguments.add_argument("folders", nargs="*", type=Path, metavar="FOLDER", help="photos, truth beside")
    arguments.add_argument("--keep", type=Path, help="folder that keeps the rendered photos for the next run")
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        for name in ("development", "hidden"):
            print_rows(name, of_campaign(name, (chosen.keep or Path(temporary)) / name))
    for folder in chosen.folders:
        print_rows(folder.name, of_folder(folder))


if __name__ == "__main__":
    main()
