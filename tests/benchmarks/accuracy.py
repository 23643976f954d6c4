"""How well rendered photos with known truth are measured.

    python -m tests.benchmarks.accuracy [development|hidden|both] [--keep FOLDER]

Scale errors are relative to the print (the print's own error is not the tool's). `places`: from the card
positions of all particles; `centre`: the stated um per pixel at the middle of the debris window. Recall and
precision are of particles of 6 px and more that differ from the paper by 30 % of its light at least. ECD bias
is the median by class of true size in pixels. Share errors are in percentage points, by number, at each
measurable rating, against the true particles of at least the tool's own `from_um`.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from calibration.card import make_frame
from tests.scenes.campaign import Scene, campaign, rendered
from tests.scenes.match import (
    ClassBias,
    Table,
    ecd_bias,
    kind_bias,
    pair,
    precision,
    recall,
    scale_error,
    true_share,
)
from tests.scenes.photograph import Photograph
from triage.sizing import Passing

SIZED_PX = 6.0
FEW = 10  # classes of fewer particles do not enter the summary


@dataclass(frozen=True)
class Measured:
    """What the tool made of one photo; `um_per_px` is None where it was refused."""

    particles: Table
    um_per_px: float | None
    passing: Sequence[Passing]
    codes: tuple[str, ...]


@dataclass(frozen=True)
class Score:
    """What one scene came to; `share_errors` are (rating in um, measured less true share)."""

    scene: str
    expect: str
    refused: bool
    codes: tuple[str, ...]
    found: int
    sized: int
    scale_places: float = np.nan
    scale_centre: float = np.nan
    recall: float = np.nan
    precision: float = np.nan
    from_px: float = np.nan
    bias: tuple[ClassBias, ...] = ()
    kinds: dict[str, tuple[float, int]] = field(default_factory=dict)
    share_errors: tuple[tuple[float, float], ...] = ()


def measure(path: Path) -> Measured:
    """Run the tool on one photo."""
    from triage.analysis import Setup, analyse

    analysis = analyse([path], Setup())
    result = analysis.photos[0]
    scale = result.scale.um_per_px if result.usable and result.scale else None
    codes = tuple(problem.code for problem in result.problems)
    return Measured(analysis.particles, scale, analysis.passing, codes)


def score(scene: Scene, photo: Photograph, measured: Measured) -> Score:
    """Compare what was measured with the truth."""
    found, scale = measured.particles, measured.um_per_px
    sized = int((~found["below_sizing_limit"]).sum())
    if scene.expect != "measured" or scale is None:
        return Score(scene.name, scene.expect, scale is None, measured.codes, len(found), sized)
    true = photo.truth.in_card_units()
    pairs = pair(true, found)
    known = [row for row in measured.passing if row.measurable and row.by_count.share is not None]
    return Score(
        scene.name,
        scene.expect,
        False,
        measured.codes,
        len(found),
        sized,
        scale_places=scale_error(true, found, pairs),
        scale_centre=scale / _true_scale(scene, photo) - 1,
        recall=recall(true, pairs, SIZED_PX),
        precision=precision(found, scale, pairs, SIZED_PX),
        from_px=measured.passing[0].from_um / scale if measured.passing else np.nan,
        bias=ecd_bias(true, found, pairs),
        kinds=kind_bias(true, found, pairs, SIZED_PX),
        share_errors=tuple((row.rating_um, _share_error(row, true)) for row in known),
    )


def run(set_name: str, folder: Path, measured_by: Callable[[Path], Measured] = measure) -> list[Score]:
    """Render (or read back) a set in `folder` and score every scene."""
    folder.mkdir(parents=True, exist_ok=True)
    scores = []
    for scene in campaign(set_name):
        photo = rendered(scene, folder)
        scores.append(score(scene, photo, measured_by(folder / f"{scene.name}.jpg")))
        print_score(scores[-1])
    return scores


def print_head() -> None:
    """Print the heads of the columns that `print_score` fills."""
    heads = " ".join(
        f"{head:>8}" for head in ("found", "sized", "places", "centre", "recall", "prec.", "from px")
    )
    print(f"{'scene':24} {heads}  share errors")


def print_score(row: Score) -> None:
    """Print one scene: a line, then the ECD bias by kind and by size class."""
    parts = (row.scale_places, row.scale_centre, row.recall, row.precision)
    percent = " ".join(f"{100 * part:{'+' if k < 2 else ''}8.2f}" for k, part in enumerate(parts))
    shares = " ".join(f"{rating:.0f}:{100 * error:+.1f}" for rating, error in row.share_errors)
    notes = " ".join(("refused" if row.refused else "", *row.codes))
    print(
        f"{row.scene:24} {row.found:8d} {row.sized:8d} {percent} {row.from_px:8.1f}  {shares} {notes}",
        flush=True,
    )
    if row.kinds:
        kinds = (f"{kind} {100 * bias:+.1f} % ({count})" for kind, (bias, count) in row.kinds.items())
        print(f"{'':26}from {SIZED_PX:.0f} px: {', '.join(kinds)}")
    for part in row.bias:
        size = f"{part.from_px:.0f} to {part.to_px:.0f} px"
        print(f"{'':26}{size:>12}: {100 * part.bias:+6.1f} % ± {100 * part.scatter:4.1f} % ({part.count})")


def print_summary(scores: list[Score]) -> None:
    """Print the worst of the set."""
    measured = [row for row in scores if row.expect == "measured" and not row.refused]
    wrongly = [row.scene for row in scores if row.expect != "refused" and row.refused]
    classes = [
        part for row in measured for part in row.bias if part.from_px >= SIZED_PX and part.count >= FEW
    ]
    worst = {
        "scale by places": [row.scale_places for row in measured],
        "scale at the centre": [row.scale_centre for row in measured],
        f"ECD bias from {SIZED_PX:.0f} px, classes of {FEW} and more": [part.bias for part in classes],
        "share": [error for row in measured for _, error in row.share_errors],
        "recall": [1 - row.recall for row in measured],
        "precision": [1 - row.precision for row in measured],
    }
    print(f"measured {len(measured)}, wrongly refused: {', '.join(wrongly) or 'none'}; worst errors:")
    for name, errors in worst.items():
        print(f"  {name}: {100 * max(map(abs, errors), default=np.nan):.2f} %")
    empty = [f"{row.sized} sized, {row.found} seen" for row in scores if row.expect == "empty"]
    blurred = [row for row in scores if row.expect == "refused"]
    print(f"  false particles on empty cards, stray toner counted: {'; '.join(empty)}")
    print(f"  refused as they must be: {sum(row.refused for row in blurred)} of {len(blurred)}\n")


def _true_scale(scene: Scene, photo: Photograph) -> float:
    card, place = scene.spec.card, photo.truth.card
    assert card is not None
    assert place is not None
    x, y, width, height = make_frame(card.frame).debris_rect_mm
    middle = place.to_true(np.array([[x + width / 2, y + height / 2]]))
    return float(photo.truth.print_um_per_px(photo.truth.view.to_px(middle))[0])


def _share_error(row: Passing, true: Table) -> float:
    assert row.by_count.share is not None
    return row.by_count.share - true_share(true, row.rating_um, row.from_um)


def main() -> None:
    """Run the campaign and print the tables."""
    arguments = argparse.ArgumentParser(description="Measure accuracy on rendered photos with known truth.")
    arguments.add_argument("set", nargs="?", default="development", choices=("development", "hidden", "both"))
    arguments.add_argument("--keep", type=Path, help="folder that keeps the rendered photos for the next run")
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        for name in ("development", "hidden") if chosen.set == "both" else (chosen.set,):
            print(name)
            print_head()
            print_summary(run(name, (chosen.keep or Path(temporary)) / name))


if __name__ == "__main__":
    main()
