"""Kinds: what a piece looks like, by probabilities learnt on rendered scenes and, in time, by the shop's own.

A multinomial logistic regression on the features, their squares and their products; its coefficients lie in
kinds.json, written by tests/benchmarks/kinds_training.py. They are probabilities on rendered scenes: "looks
like" is all they say until a shop has confirmed pieces of its own. Below `SURE` a piece is `unsure`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from triage.debris.confirmed import Confirmed, shifted
from triage.debris.features import FEATURES
from triage.debris.particles import ParticleTable

Array = NDArray[np.float64]

SURE = 0.55  # leaves a quarter unsure: the curve that tests/benchmarks/kinds_training.py prints
FIBRE_RATIO = 10.0  # length over width from which a piece is a fibre
FIBRE_WIDEST_UM = 200.0  # a strip wider than any hair or thread is a splinter or a chip
FARTHEST = 4.0  # spreads: features beyond are taken as that far, so that nothing strange is very sure
STRANGE = 6.0  # spreads: a hue farther out is like nothing learnt
HUE = [FEATURES.index(name) for name in ("lab_a", "lab_b", "warmth", "greenness")]
PRINT = "toner"  # told apart, but no kind of debris
UNSURE = "unsure"
SLIVERS = ("swarf", "bright_metal", "clear_plastic")  # may be as long and even as a fibre; all else is one


@dataclass(frozen=True)
class Learnt:
    """What was learnt: `weights` (1 + F + F (F + 1) / 2, K) on standardised features, as `terms` has them.

    `temperature` is what the evidence is divided by to be calibrated, `strip_is_fibre` the part of long even
    strips that were fibres.
    """

    kinds: tuple[str, ...]
    centre: Array
    spread: Array
    weights: Array
    temperature: float
    strip_is_fibre: float


@dataclass(frozen=True)
class Named:
    """What each piece looks like, (N,): its kind, the probability of that, whether it is like the print."""

    kind: NDArray[np.str_]
    confidence: Array
    like_print: NDArray[np.bool_]


@cache
def learnt() -> Learnt:
    """The coefficients that come with the program."""
    stored = json.loads(Path(__file__).with_suffix(".json").read_text(encoding="utf-8"))
    if tuple(stored["features"]) != FEATURES:
        raise ValueError("kinds.json was learnt on other features: run tests/benchmarks/kinds_training.py")
    return Learnt(
        tuple(stored["weights"]),
        np.array(stored["centre"]),
        np.array(stored["spread"]),
        np.array(list(stored["weights"].values())).T,
        stored["temperature"],
        stored["strip_is_fibre"],
    )


def looks_like(
    features: NDArray[np.float32], strip: NDArray[np.bool_], shop: Confirmed | None = None
) -> Named:
    """Name the pieces of one photo: features (N, F), `strip` (N,) for long even ones as narrow as a fibre."""
    model = learnt()
    share = probabilities(features, model)
    if shop is not None and shop.enough:
        share = shifted(share, probabilities(shop.features, model), shop, model.kinds)
    best = share.argmax(axis=1)
    kind = np.array(model.kinds, dtype="U16")[best]
    confidence = share[np.arange(len(best)), best]
    sure = (confidence >= SURE) & (_strangeness(features, model) < STRANGE)
    thread = strip & ~(sure & np.isin(kind, SLIVERS))
    kind[thread] = "fibre"
    confidence[thread] = np.maximum(share[thread, model.kinds.index("fibre")], model.strip_is_fibre)
    like_print = sure & (kind == PRINT)
    kind[~(sure | thread) | like_print] = UNSURE
    return Named(kind, confidence, like_print)


def is_strip(table: ParticleTable) -> NDArray[np.bool_]:
    """Pieces that are a fibre by their shape: long, even, and no wider than hairs and threads are."""
    ratio = table["length_um"] / np.maximum(table["width_um"], 1e-9)
    return np.asarray((ratio >= FIBRE_RATIO) & (table["width_um"] < FIBRE_WIDEST_UM))


def probabilities(features: NDArray[np.float32], model: Learnt) -> Array:
    """Probability of each kind, (N, K)."""
    logits = _terms_of(features, model) @ model.weights / model.temperature
    evidence = np.exp(logits - logits.max(axis=1, keepdims=True, initial=-np.inf))
    return np.asarray(evidence / evidence.sum(axis=1, keepdims=True))


def terms(standard: Array) -> Array:
    """One, the standardised features (N, F), and half of all their products: (N, 1 + F + F (F + 1) / 2)."""
    first, second = np.triu_indices(standard.shape[1])
    return np.concatenate(
        [np.ones((len(standard), 1)), standard, standard[:, first] * standard[:, second] / 2], axis=1
    )


def _terms_of(features: NDArray[np.float32], model: Learnt) -> Array:
    standard = (features.astype(float) - model.centre) / model.spread
    return terms(np.clip(standard, -FARTHEST, FARTHEST))


def _strangeness(features: NDArray[np.float32], model: Learnt) -> Array:
    away = np.abs(features - model.centre) / model.spread
    return np.asarray(away[:, HUE].max(axis=1, initial=0.0))
