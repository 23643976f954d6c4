"""How well rendered photos with known truth are measured.

    python -m tests.benchmarks.accuracy [development|hidden|both] [--keep FOLDER] [--small]

Scale errors are relative to the print (the print's own error is not the tool's). `places`: from the card
positions of all particles; `centre`: the stated um per pixel at the middle of the debris window. Recall and
precision are of particles of 6 px and more that differ from the paper by 30 % of its light at least. ECD bias
is the median by class of true size in pixels. Share errors are in percentage points, by number, at each
measurable rating, against the true particles of at least the tool's own `from_um`.
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calibration.card import make_frame
from tests.scenes.campaign import PHOTO_PX, Scene, campaign, rendered
from tests.scenes.match import ClassBias, ecd_bias, pair, precision, recall, scale_error, true_share
from tests.scenes.photograph import Photograph
from triage.analysis import Analysis, Setup, analyse

SIZED_PX = 6.0


@dataclass(frozen=True)
class Score:
    """What one scene came to."""

    scene: str
    expect: str
    usable: bool
    codes: tuple[str, ...]
    found: int
    scale_places: float = np.nan
    scale_centre: float = np.nan
    recall: float = np.nan
    precision: float = np.nan
    bias: tuple[ClassBias, ...] = ()
    share_errors: tuple[tuple[float, float], ...] = ()  # rating in um, measured less true share
    from_px: float = np.nan


def score(scene: Scene, photo: Photograph, analysis: Analysis) -> Score:
    """Compare an analysis of the scene's photo with the truth."""
    result = analysis.photos[0]
    codes = tuple(problem.code for problem in result.problems)
    found = analysis.particles
    if scene.expect != "measured" or not result.usable or result.scale is None:
        return Score(scene.name, scene.expect, result.usable, codes, len(found))
    true = photo.truth.in_card_units()
    pairs = pair(true, found)
    um_per_px = result.scale.um_per_px
    return Score(
        scene.name,
        scene.expect,
        result.usable,
        codes,
        len(found),
        scale_places=scale_error(true, found, pairs),
        scale_centre=um_per_px / _true_scale(scene, photo) - 1,
        recall=recall(true, pairs, SIZED_PX),
        precision=precision(found, um_per_px, pairs, SIZED_PX),
        bias=ecd_bias(true, found, pairs),
        share_errors=tuple(
            (row.rating_um, row.by_count.share - true_share(true, row.rating_um, row.from_um))
            for row in analysis.passing
            if row.measurable and row.by_count.share is not None
        ),
        from_px=analysis.sizes.from_um / um_per_px,
    )


def _true_scale(scene: Scene, photo: Photograph) -> float:
    card = scene.spec.card
    assert card is not None
    assert photo.truth.card is not None
    x, y, width, height = make_frame(card.frame).debris_rect_mm
    middle = photo.truth.card.to_true(np.array([[x + width / 2, y + height / 2]]))
    return float(photo.truth.print_um_per_px(photo.truth.view.to_px(middle))[0])


def print_scores(scores: list[Score]) -> None:
    """Print one line a scene and the summary."""
    print(
        f"{'scene':26} {'found':>5} {'places':>8} {'centre':>8} {'recall':>7} {'prec.':>7} {'from px':>7}  shares"
    )
    for row in scores:
        shares = " ".join(f"{rating:.0f}:{100 * error:+.1f}" for rating, error in row.share_errors)
        print(
            f"{row.scene:26} {row.found:5d} {100 * row.scale_places:+7.2f}% {100 * row.scale_centre:+7.2f}%"
            f" {100 * row.recall:7.1f}% {100 * row.precision:7.1f}% {row.from_px:8.1f}  {shares}"
            f" {'' if row.usable else 'refused'} {' '.join(row.codes)}"
        )
        if row.bias:
            print("   ECD bias  " + "  ".join(_class_text(part) for part in row.bias))
    _print_summary(scores)


def _class_text(part: ClassBias) -> str:
    return f"{part.from_px:.0f}px:{100 * part.bias:+.1f}±{100 * part.scatter:.1f}%({part.count})"


def _print_summary(scores: list[Score]) -> None:
    measured = [row for row in scores if row.expect == "measured" and row.usable]
    refused = [row.scene for row in scores if row.expect == "measured" and not row.usable]
    shares = [abs(error) for row in measured for _, error in row.share_errors]
    classes = [
        abs(part.bias)
        for row in measured
        for part in row.bias
        if part.from_px >= SIZED_PX and part.count >= 10
    ]
    worst = {
        "scale by places": max((abs(row.scale_places) for row in measured), default=np.nan),
        "scale at the centre": max((abs(row.scale_centre) for row in measured), default=np.nan),
        "ECD bias from 6 px, classes of 10 and more": max(classes, default=np.nan),
        "share": max(shares, default=np.nan),
    }
    print(f"\nmeasured {len(measured)}; wrongly refused: {refused or 'none'}")
    print("worst errors: " + "; ".join(f"{name} {100 * value:.2f} %" for name, value in worst.items()))
    print(
        f"least recall {100 * min((row.recall for row in measured), default=np.nan):.1f} %, "
        f"least precision {100 * min((row.precision for row in measured), default=np.nan):.1f} %"
    )
    print("false particles on empty cards: " + ", ".join(str(r.found) for r in scores if r.expect == "empty"))
    print(
        "refused as it must be: "
        + ", ".join(f"{r.scene} {not r.usable}" for r in scores if r.expect == "refused")
    )


def main() -> None:
    """Run the campaign and print the tables."""
    arguments = argparse.ArgumentParser(description="Measure accuracy on rendered photos with known truth.")
    arguments.add_argument("set", nargs="?", default="development", choices=("development", "hidden", "both"))
    arguments.add_argument("--keep", type=Path, help="folder that keeps the rendered photos for the next run")
    arguments.add_argument("--small", action="store_true", help="photos of a quarter of the pixels")
    chosen = arguments.parse_args()
    sets = ("development", "hidden") if chosen.set == "both" else (chosen.set,)
    size = (PHOTO_PX[0] // 2, PHOTO_PX[1] // 2) if chosen.small else PHOTO_PX
    with tempfile.TemporaryDirectory() as temporary:
        for name in sets:
            folder = (chosen.keep or Path(temporary)) / (name + ("-small" if chosen.small else ""))
            folder.mkdir(parents=True, exist_ok=True)
            print(f"\n{name}")
            scores = []
            for scene in campaign(name, size):
                photo = rendered(scene, folder)
                scores.append(score(scene, photo, analyse([folder / f"{scene.name}.jpg"], Setup())))
            print_scores(scores)


if __name__ == "__main__":
    main()
