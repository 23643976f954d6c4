"""The tool against three plain scripts on path traced photographs with known truth.

    python -m tests.benchmarks.alternatives [FOLDER ...]

A folder holds photos (.jpg) with their truth beside (.truth.json), as sample_images writes them; that is the
folder taken where none is given. The plain scripts (`plain_scripts.py`) get the true scale at every place,
the true window and the side that debris lies on, dark or pale, for free. The tool finds its card; where there
is none it is told scale and window. Photos marked as not usable are left out.

Printed over all photos of a folder, for each method: recall (true pieces that differ from the ground by 30 %
of its light, by true size), precision (by measured size), bias and scatter of the equivalent circular
diameter (median and robust deviation, fibres left out), by size in pixels; the error of the share by number
in points at each rating the tool can measure, the mean of its amount over the photos; fibres; seconds a
photo, decoding included.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from time import perf_counter
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import ByStated, HowScaled
from tests.benchmarks.plain_scripts import FIBRE_ASPECT, PLAIN, Array, Grey, Measured
from tests.scenes.match import Pairs, Table, pair, true_share
from triage.analysis import Setup, analyse
from triage.filters import load_filters, packaged_list

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
CLASSES_PX = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 40.0)
LEAST_CONTRAST = 0.3
MEASURES = ("x_px", "y_px", "ecd_um", "length_um", "width_um", "passing_size_um")
TRUE = (*MEASURES, "um_per_px", "ecd_px", "contrast")
LEAST_SHARED = 20  # true pieces that a share is over, from which its error is counted


@dataclass(frozen=True)
class Scene:
    """One photo and its truth: a table of TRUE and `fibre`; `window` (4, 2) px; whether it shows a card."""

    path: Path
    true: Table
    window: Array
    um_per_px: float
    carded: bool
    pale: bool  # the debris, on a dark ground


@dataclass(frozen=True)
class Result:
    """What one method made of one photo: a table of MEASURES and `fibre`, paired with the truth."""

    scene: Scene
    found: Table
    pairs: Pairs
    seconds: float
    from_um: float  # the tool's own, for all methods


def load(path: Path) -> Scene | None:
    """Read one photo's truth; None where the photo is there to be refused."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    if not truth.get("usable", True):
        return None
    photo = truth["photo"]
    rows = [row for row in truth["particles"] if row["in_picture"]]
    window = np.array(photo["window_px"], float)
    columns = {name: [_number(row[name]) for row in rows] for name in TRUE}
    true = _table(columns, [row["kind"] == "fibre" for row in rows])
    true = true[_inside(window, true)]
    carded = "command" in truth and "--rule" not in truth["command"]
    pale = bool(np.nanmedian(true["contrast"]) < 0)
    return Scene(path, true, window, photo["um_per_px"], carded, pale)


def _number(value: float | None) -> float:
    return np.nan if value is None else float(value)


def _table(columns: dict[str, Any], fibre: Any) -> Table:
    table = np.zeros(len(fibre), [*((name, "f8") for name in columns), ("fibre", "?")])
    for name, values in columns.items():
        table[name] = values
    table["fibre"] = fibre
    return table


def _inside(window: Array, table: Table) -> NDArray[np.bool_]:
    outline = window.astype(np.float32)
    places = zip(table["x_px"], table["y_px"], strict=True)
    return np.array(
        [cv2.pointPolygonTest(outline, (float(x), float(y)), False) >= 0 for x, y in places], bool
    )


def _box(scene: Scene) -> tuple[float, float, float, float]:
    """Return the upright box around the window: left, top, width, height."""
    low, high = np.maximum(scene.window.min(axis=0), 0), scene.window.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def by_tool(scene: Scene) -> tuple[Table, float]:
    """Return what the tool found inside the window, and the size it states shares from."""
    how = HowScaled() if scene.carded else HowScaled(by=ByStated(scene.um_per_px), window=_box(scene))
    analysis = analyse([scene.path], Setup(how=how, filters=load_filters(packaged_list())))
    rows = analysis.particles
    columns = {name: rows[name] for name in MEASURES}
    columns["passing_size_um"] = np.where(rows["below_sizing_limit"], np.nan, rows["passing_size_um"])
    found = _table(columns, rows["kind"] == "fibre")
    return found[_inside(scene.window, found)], analysis.sizes.from_um


def by_script(scene: Scene, script: Callable[[Grey], Measured]) -> Table:
    """Return what a plain script found inside the window, at the true scale of each place."""
    grey = cv2.imread(str(scene.path), cv2.IMREAD_GRAYSCALE)
    assert grey is not None
    left, top, width, height = (round(part) for part in _box(scene))
    part = np.asarray(grey[top : top + height, left : left + width], np.uint8)
    inside = np.zeros(part.shape, np.uint8)
    cv2.fillPoly(inside, [np.round(scene.window - (left, top)).astype(np.int32)], 1)
    part = np.where(inside > 0, part, np.uint8(np.median(part[inside > 0])))
    got = script(np.ascontiguousarray(255 - part if scene.pale else part))
    um = _scale(scene, got.xy + np.array([left, top]))
    sizes = [size * um for size in (got.diameter, got.length, got.width, got.width)]
    columns = dict(zip(MEASURES, [got.xy[:, 0] + left, got.xy[:, 1] + top, *sizes], strict=True))
    found = _table(columns, got.length >= FIBRE_ASPECT * got.width)
    return found[_inside(scene.window, found)]


def _scale(scene: Scene, places: Array) -> Array:
    """Return the true um per pixel at `places` (N, 2): that of the nearest true piece."""
    from scipy.spatial import cKDTree

    _, nearest = cKDTree(np.column_stack([scene.true["x_px"], scene.true["y_px"]])).query(places)
    scale: Array = scene.true["um_per_px"][nearest]
    return scale


def results(folder: Path) -> dict[str, list[Result]]:
    """Measure every photo of a folder by every method."""
    scenes = [scene for path in sorted(folder.glob("*.jpg")) if (scene := load(path))]
    gathered: dict[str, list[Result]] = {name: [] for name in ("tool", *PLAIN)}
    for scene in scenes:
        start = perf_counter()
        found, from_um = by_tool(scene)
        gathered["tool"].append(_result(scene, found, start, from_um))
        for name, script in PLAIN.items():
            start = perf_counter()
            gathered[name].append(_result(scene, by_script(scene, script), start, from_um))
    return gathered


def _result(scene: Scene, found: Table, start: float, from_um: float) -> Result:
    seconds = perf_counter() - start
    return Result(scene, found, pair(scene.true, found), seconds, from_um)


@dataclass(frozen=True)
class Row:
    """One method in one class of size."""

    recall: float
    precision: float
    bias: float
    scatter: float
    true_count: int


def by_size(of: list[Result], low: float, high: float) -> Row:
    """Score one method's photos, joined, for pieces of `low` to `high` pixels."""
    asked, hit, real, ratios = [], [], [], []
    for result in of:
        true, found, pairs = result.scene.true, result.found, result.pairs
        known = np.abs(true["contrast"]) >= LEAST_CONTRAST
        part = known & (true["ecd_px"] >= low) & (true["ecd_px"] < high)
        asked.append(part)
        hit.append(_marked(len(true), pairs.true))
        size = found["ecd_um"] / result.scene.um_per_px
        real.append(_marked(len(found), pairs.found)[(size >= low) & (size < high)])
        kept = part[pairs.true] & ~true["fibre"][pairs.true]
        ratios.append((found["ecd_um"][pairs.found] / true["ecd_um"][pairs.true])[kept])
    all_asked, all_hit, ratio = np.concatenate(asked), np.concatenate(hit), np.concatenate(ratios)
    middle = float(np.median(ratio)) if len(ratio) else np.nan
    scatter = 1.4826 * float(np.median(np.abs(ratio - middle))) if len(ratio) else np.nan
    precision = float(np.concatenate(real).mean()) if sum(map(len, real)) else np.nan
    recall = float(all_hit[all_asked].mean()) if all_asked.any() else np.nan
    return Row(recall, precision, middle - 1, scatter, int(all_asked.sum()))


def _marked(length: int, rows: NDArray[np.intp]) -> NDArray[np.bool_]:
    marked = np.zeros(length, bool)
    marked[rows] = True
    return marked


def share_errors(of: list[Result]) -> dict[float, list[float]]:
    """Return, by rating, measured less true share by number of pieces of at least the tool's limit."""
    errors: dict[float, list[float]] = {}
    for result in of:
        shared = np.count_nonzero(result.scene.true["passing_size_um"] >= result.from_um)
        for entry in load_filters(packaged_list()):
            if entry.rating_um < result.from_um or shared < LEAST_SHARED:
                continue
            share, truth = (
                true_share(table, entry.rating_um, result.from_um)
                for table in (result.found, result.scene.true)
            )
            errors.setdefault(entry.rating_um, []).append(np.nan_to_num(share) - truth)
    return errors


def fibres(of: list[Result]) -> tuple[float, float, float, float]:
    """Return the parts of all true fibres found and called so, median errors of length and width of these."""
    found, called, length, width = 0, 0, [], []
    for result in of:
        true, pairs = result.scene.true[result.pairs.true], result.found[result.pairs.found]
        found += int(true["fibre"].sum())
        both = true["fibre"] & pairs["fibre"]
        called += int(both.sum())
        length.append((pairs["length_um"] / true["length_um"])[both])
        width.append((pairs["width_um"] / true["width_um"])[both])
    total = sum(int(result.scene.true["fibre"].sum()) for result in of)
    errors = [
        float(np.median(part)) - 1 if (part := np.concatenate(each)).size else np.nan
        for each in (length, width)
    ]
    return found / max(total, 1), called / max(total, 1), errors[0], errors[1]


def main() -> None:
    """Print the tables of every folder."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    arguments.add_argument("folders", nargs="*", type=Path, metavar="FOLDER", help="photos, truth beside")
    for folder in arguments.parse_args().folders or [SAMPLES]:
        print_tables(results(folder))


def print_tables(gathered: dict[str, list[Result]]) -> None:
    """Print one folder's tables: by size, shares, fibres and time."""
    print(f"{len(gathered['tool'])} photos")
    print(f"{'size, px':10}{'true':>6}  " + "".join(f"{name:^36}" for name in gathered))
    for low, high in pairwise(CLASSES_PX):
        rows = [by_size(of, low, high) for of in gathered.values()]
        cells = (
            f"{row.recall:8.1%} {row.precision:6.1%} {row.bias:+7.1%} ±{row.scatter:6.1%}    " for row in rows
        )
        print(f"{low:3.0f} to {high:<3.0f}{rows[0].true_count:6d}  " + "  ".join(cells))
    errors = {name: share_errors(of) for name, of in gathered.items()}
    for rating in sorted(errors["tool"], reverse=True):
        cells = (
            f"{name} {100 * np.mean(off := np.abs(each[rating])):.1f} (worst {100 * np.max(off):.1f})"
            for name, each in errors.items()
        )
        print(f"share at {rating:.0f} um, points, {len(errors['tool'][rating])} photos: " + "; ".join(cells))
    for name, of in gathered.items():
        found, called, length, width = fibres(of)
        seconds = np.mean([result.seconds for result in of])
        print(
            f"{name}: fibres found {found:.0%}, called so {called:.0%}, length {length:+.1%}, "
            f"width {width:+.1%}; {seconds:.2f} s a photo"
        )


if __name__ == "__main__":
    main()
