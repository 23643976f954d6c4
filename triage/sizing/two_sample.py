"""Do two samples have the same sizes, and the same kinds? Permutation tests, right for few pieces too."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

PERMUTATIONS = 19_999  # of the kinds; chance moves a p of 0.05 by 0.003 at most (two standard errors)


@dataclass(frozen=True)
class TwoSample:
    """A test's statistic and its p value."""

    statistic: float
    p: float


def sizes_test(first: Array, second: Array) -> TwoSample | None:
    """Two-sample Kolmogorov-Smirnov test of sizes (N,) and (M,), exact, ties allowed; None if one is empty.

    Smirnov (1939). The p value is the share of all ways to deal the pooled sizes into N and M whose
    cumulative shares lie at least as far apart somewhere: paths on a lattice from (0, 0) to (N, M) that
    leave the band, their chances summed diagonal by diagonal. Equal sizes are stepped over together.
    """
    n, m = len(first), len(second)
    if not n or not m:
        return None
    pooled = np.concatenate([first, second])
    order = np.argsort(pooled, kind="stable")
    firsts = np.cumsum(order < n)
    steps = np.arange(1, n + m + 1)
    ends = np.append(np.diff(pooled[order]) > 0, True)  # the last of each run of equal sizes
    apart = int(np.abs(firsts * m - (steps - firsts) * n)[ends].max())
    return TwoSample(apart / (n * m), _leaving(n, m, apart, ends))


def _leaving(n: int, m: int, apart: int, ends: NDArray[np.bool_]) -> float:
    """Chance that a random path comes as far as `apart` (in 1/(n m)) from the diagonal at one of `ends`."""
    chance = np.zeros(n + 1)  # by the number of steps taken in the first sample
    taken = np.arange(n + 1.0)
    for step, compared in enumerate(ends, start=1):
        low, high = max(0, step - m), min(n, step)
        here = slice(low, high + 1)
        moved = (step - taken[here]) * chance[here]
        moved[max(low, 1) - low :] += taken[max(low, 1) : high + 1] * chance[max(low, 1) - 1 : high]
        moved /= step
        if compared:  # |taken m - (step - taken) n| >= apart
            moved[: max((step * n - apart) // (n + m) - low + 1, 0)] = 1.0
            moved[max(-((-step * n - apart) // (n + m)) - low, 0) :] = 1.0
        chance[here] = moved
    return float(min(chance[n], 1.0))


def kinds_test(first: NDArray[np.str_], second: NDArray[np.str_]) -> TwoSample | None:
    """Chi-square test that kinds (N,) and (M,) come in the same shares; p by permutation, not by the table.

    The pooled pieces are dealt anew `PERMUTATIONS` times with a fixed seed, and the observed deal counts as
    one of them. None where either is empty or all pieces are of one kind.
    """
    kinds, place = np.unique(np.concatenate([first, second]), return_inverse=True)
    if not len(first) or not len(second) or len(kinds) < 2:
        return None
    total = np.bincount(place)
    observed = np.bincount(place[: len(first)], minlength=len(kinds))
    rng = np.random.default_rng(0)
    dealt = rng.multivariate_hypergeometric(total, len(first), PERMUTATIONS, method="marginals")
    expected = total * (len(first) / total.sum())
    # with both margins fixed, chi-square is this sum times total / size of the second sample
    scale = total.sum() / len(second)
    statistic = float((np.square(observed - expected) / expected).sum() * scale)
    others = (np.square(dealt - expected) / expected).sum(axis=1) * scale
    as_far = np.count_nonzero(others >= statistic * (1 - 1e-9))
    return TwoSample(statistic, float(as_far + 1) / (PERMUTATIONS + 1))
