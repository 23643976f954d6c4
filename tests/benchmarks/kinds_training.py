"""Learn what the kinds look like, from rendered scenes; writes triage/debris/kinds.json.

    python -m tests.benchmarks.kinds_training FOLDER

Scenes are rendered into FOLDER where they are not there yet (216 of them, some seconds each), then measured
by the tool itself. The coefficients come from the campaign `learn`; the temperature, and the curve
that the floor `SURE` is chosen by, from `calibrate`. The trial on materials and lights that neither has seen
is tests/benchmarks/kinds_check.py. The same scenes give the same coefficients.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, minimize_scalar

from tests.benchmarks.kinds_measured import VARIANTS, Paired, measured
from tests.benchmarks.kinds_scenes import CAMPAIGNS
from triage.debris import kinds
from triage.debris.features import FEATURES
from triage.debris.kinds import FARTHEST, PRINT, Learnt, is_strip, probabilities, terms
from triage.debris.particles import KINDS

Array = NDArray[np.float64]
NAMES = (*(kind for kind in KINDS if kind != "unsure"), PRINT)
# How common kinds are where nothing is known yet, others once; toner is of the print. From memory.
USUAL = {"grit": 4.0, "rust": 4.0, "fibre": 2.0, "plant": 1.5, "rubber": 1.5, "gum": 0.7, PRINT: 0.4}
PENALTY = 2.0  # on the squares of the coefficients
MOST_ROUNDS = 300
FLOORS = np.arange(0.3, 0.95, 0.05)
COEFFICIENTS = Path(kinds.__file__).with_suffix(".json")


@dataclass(frozen=True)
class Sample:
    """Pieces of many photos: features (N, F), index of the kind and of the photo; which are strips, sized."""

    features: NDArray[np.float32]
    kind: NDArray[np.intp]
    photo: NDArray[np.intp]
    strip: NDArray[np.bool_]
    sized: NDArray[np.bool_]


def gather(photos: list[Paired]) -> Sample:
    """Put the pieces of all photos below each other."""
    table = np.concatenate([photo.table for photo in photos])
    return Sample(
        table["features"],
        np.array([NAMES.index(kind) for photo in photos for kind in photo.kinds]),
        np.repeat(np.arange(len(photos)), [len(photo.kinds) for photo in photos]),
        is_strip(table),
        ~table["below_sizing_limit"],
    )


def learn(sample: Sample) -> Learnt:
    """Fit the coefficients; each kind has the weight of its usual share, however many there are."""
    count = np.bincount(sample.kind, minlength=len(NAMES))
    weight = (np.array([USUAL.get(name, 1.0) for name in NAMES]) / count)[sample.kind]
    weight /= weight.mean()
    centre, spread = np.median(sample.features, axis=0).astype(float), sample.features.std(axis=0) + 1e-6
    centre[-1], spread[-1] = 0.0, 1.0
    rows = terms(np.clip((sample.features - centre) / spread, -FARTHEST, FARTHEST)).astype(np.float32)
    fibres = float((sample.kind[sample.strip] == NAMES.index("fibre")).mean())
    return Learnt(NAMES, centre, spread.astype(float), _fitted(rows, sample.kind, weight), 1.0, fibres)


def _fitted(rows: NDArray[np.float32], kind: NDArray[np.intp], weight: Array) -> Array:
    shape = (rows.shape[1], len(NAMES))
    true = np.eye(len(NAMES), dtype=np.float32)[kind]
    each = weight.astype(np.float32)[:, None]
    penalty = np.full((rows.shape[1], 1), PENALTY)
    penalty[0] = 0

    def cost(flat: Array) -> tuple[float, Array]:
        weights = flat.reshape(shape)
        logits = rows @ weights.astype(np.float32)
        logits -= logits.max(axis=1, keepdims=True)
        total = np.exp(logits).sum(axis=1, keepdims=True)
        loss = float((each * (np.log(total) - (logits * true).sum(axis=1, keepdims=True))).sum(dtype=float))
        slope = rows.T @ ((np.exp(logits) / total - true) * each)
        return loss + float((penalty * weights**2).sum()) / 2, (slope + penalty * weights).ravel()

    best = minimize(
        cost, np.zeros(shape).ravel(), jac=True, method="L-BFGS-B", options={"maxiter": MOST_ROUNDS}
    )
    return np.asarray(best.x.reshape(shape))


def calibrated(model: Learnt, sample: Sample) -> Learnt:
    """The temperature under which the truth of other scenes is likeliest."""

    def surprise(temperature: float) -> float:
        share = probabilities(sample.features, replaced(model, temperature))
        return float(-np.log(share[np.arange(len(share)), sample.kind] + 1e-9).mean())

    best = minimize_scalar(surprise, bounds=(0.5, 3), method="bounded", options={"xatol": 0.01})
    return replaced(model, float(best.x))


def replaced(model: Learnt, temperature: float) -> Learnt:
    """The same coefficients at another temperature."""
    return Learnt(**{**model.__dict__, "temperature": temperature})


def print_curve(share: Array, sample: Sample) -> None:
    """What each floor leaves unsure and how much of the rest is right, of pieces large enough to size."""
    best, sure = share.argmax(axis=1)[sample.sized], share.max(axis=1)[sample.sized]
    right = best == sample.kind[sample.sized]
    print("floor   unsure %   right of the rest %   said on average %")
    for floor in FLOORS:
        named = sure >= floor
        print(
            f"{floor:5.2f} {100 * (1 - named.mean()):10.1f} {100 * right[named].mean():21.1f}"
            f" {100 * sure[named].mean():19.1f}"
        )


def write(model: Learnt) -> None:
    """Write the coefficients, four digits each."""
    rounded = {
        "features": FEATURES,
        "centre": np.round(model.centre, 5).tolist(),
        "spread": np.round(model.spread, 5).tolist(),
        "temperature": round(model.temperature, 3),
        "strip_is_fibre": round(model.strip_is_fibre, 3),
        "weights": {
            kind: np.round(column, 4).tolist() for kind, column in zip(NAMES, model.weights.T, strict=True)
        },
    }
    COEFFICIENTS.write_text(json.dumps(rounded) + "\n", encoding="utf-8")


def main() -> None:
    """Render, measure, learn, calibrate, write."""
    folder = Path(sys.argv[1])
    scenes = range(CAMPAIGNS["learn"].count)
    learnt_from = gather(
        [measured(folder, "learn", k, variant) for k in scenes for variant in range(VARIANTS + 1)]
    )
    other = gather([measured(folder, "calibrate", k) for k in range(CAMPAIGNS["calibrate"].count)])
    model = calibrated(learn(learnt_from), other)
    print(f"{len(learnt_from.kind)} pieces; temperature {model.temperature:.2f}")
    print_curve(probabilities(other.features, model), other)
    write(model)


if __name__ == "__main__":
    main()
