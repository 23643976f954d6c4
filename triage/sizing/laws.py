"""Two laws of size, log-normal and Rosin-Rammler, fitted by maximum likelihood to sizes cut off from below.

Sizes are taken as logarithms z = ln(size / limit), all at least 0, with weights that add to 1. Parameters:

- log-normal: (alpha, ln sigma); z before the cut is normal with mean alpha sigma and deviation sigma.
- Rosin-Rammler (Weibull): (ln a, ln k); the share larger than size x is exp(-a (x / limit)^k).

Both become the power law, size^-b, where the fit runs to the edge of their parameters; then mean(z^2) is
2 mean(z)^2 or more and neither can be told from it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ALPHAS = np.sinh(np.linspace(-3.9, 4.4, 8001))  # -25 to 41: the limit deep in the upper, or the lower, tail
NEWTON_STEPS = 25  # at most
MOST_TESTED = 3000
MOST_STEEP = 60.0  # k of the Weibull law
DIRECTIONS = 36
HALVINGS = 16
DROP_95 = 1.9207  # half of the 95 % point of chi-squared with one degree of freedom
FARTHEST = 30.0  # standard deviations along a ray: where a likelihood still has not dropped it never will
LN_ROOT_2PI = 0.5 * np.log(2 * np.pi)


@dataclass(frozen=True)
class Law:
    """One law; parameters have shape (2, ...), sizes `z` (..., N), weights (N,)."""

    name: str
    fit: Callable[[Array, Array], Array]  # (z, weight) -> parameters
    likelihood: Callable[[Array, Array, Array], Array]  # (parameters, z, weight) -> mean log-likelihood
    below: Callable[[Array, float], Array]  # (parameters, z) -> share of all pieces smaller than that
    above: Callable[[Array, Array], Array]  # (parameters, z) -> share of those over the limit above that
    draw: Callable[[Array, Array], Array]  # (parameters, share above) -> z
    below_peak: float  # share of all pieces smaller than the most frequent size (on a logarithmic scale)


def laws() -> tuple[Law, Law]:
    """Return both laws."""
    return (
        Law("log-normal", _normal_fit, _normal_likelihood, _normal_below, _normal_above, _normal_draw, 0.5),
        Law(
            "Rosin-Rammler",
            _weibull_fit,
            _weibull_likelihood,
            _weibull_below,
            _weibull_above,
            _weibull_draw,
            1 - 1 / np.e,
        ),
    )


def is_power_law(z: Array, weight: Array) -> bool:
    """Whether sizes (N,) fall off from the limit as a power of size, or slower: no law can be told then."""
    return bool((weight * z**2).sum() >= 2 * (weight * z).sum() ** 2)


def _tail_mean(alpha: Array) -> Array:
    """Mean of a normal of mean `alpha` and deviation 1, of its part above 0."""
    from scipy.special import log_ndtr

    mean: Array = alpha + np.exp(-(alpha**2) / 2 - LN_ROOT_2PI - log_ndtr(alpha))
    return mean


def _normal_fit(z: Array, weight: Array) -> Array:
    """Match the two moments, which for this law is maximum likelihood."""
    first, second = (weight * z).sum(axis=-1), (weight * z**2).sum(axis=-1)
    mean = _tail_mean(ALPHAS)
    ratio = (1 + ALPHAS * mean) / mean**2  # falls from 2 to 1
    alpha = np.interp(-second / first**2, -ratio, ALPHAS)
    return np.stack([alpha, np.log(first / _tail_mean(alpha))])


def _normal_likelihood(parameters: Array, z: Array, weight: Array) -> Array:
    from scipy.special import log_ndtr

    alpha, log_sigma = parameters
    first, second = (weight * z).sum(), (weight * z**2).sum()
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.exp(-log_sigma)
        square = second * scaled**2 - 2 * alpha * first * scaled + alpha**2
        value: Array = -LN_ROOT_2PI - log_sigma - square / 2 - log_ndtr(alpha)
    return value


def _normal_below(parameters: Array, z: float) -> Array:
    from scipy.special import ndtr

    share: Array = ndtr(z * np.exp(-parameters[1]) - parameters[0])
    return share


def _normal_above(parameters: Array, z: Array) -> Array:
    from scipy.special import log_ndtr

    alpha, log_sigma = parameters[..., None]
    share: Array = np.exp(log_ndtr(alpha - z * np.exp(-log_sigma)) - log_ndtr(alpha))
    return share


def _normal_draw(parameters: Array, above: Array) -> Array:
    from scipy.special import ndtr, ndtri

    alpha, log_sigma = parameters
    z: Array = np.exp(log_sigma) * (alpha - ndtri(above * ndtr(alpha)))
    return z


def _weibull_fit(z: Array, weight: Array) -> Array:
    """Newton steps on the profile likelihood of k; a follows from k in closed form."""
    k = 1.28 * np.exp(-_normal_fit(z, weight)[1])  # equal spread of ln(size): pi / sqrt(6) = 1.28
    k = np.clip(k, 1e-3, MOST_STEEP)
    first = (weight * z).sum(axis=-1)
    for _ in range(NEWTON_STEPS):
        power = weight * np.exp(np.minimum(k[..., None] * z, 600.0))
        over, once = power.sum(axis=-1) - 1, (power * z).sum(axis=-1)
        twice = (power * z**2).sum(axis=-1)
        slope = 1 / k + first - once / over
        step = slope / (-1 / k**2 - twice / over + (once / over) ** 2)
        new = np.clip(k - step, np.maximum(k / 2, 1e-3), np.minimum(2 * k, MOST_STEEP))
        moved, k = float(np.max(np.abs(new / k - 1))), new
        if moved < 1e-7:
            break
    over = (weight * np.expm1(np.minimum(k[..., None] * z, 600.0))).sum(axis=-1)
    return np.stack([-np.log(over), np.log(k)])


def _weibull_likelihood(parameters: Array, z: Array, weight: Array) -> Array:
    log_a, log_k = parameters
    with np.errstate(over="ignore", invalid="ignore"):
        k = np.exp(log_k)
        over = (weight * np.expm1(k[..., None] * z)).sum(axis=-1)
        value: Array = log_k + log_a + k * (weight * z).sum() - np.exp(log_a) * over
    return value


def _weibull_below(parameters: Array, z: float) -> Array:
    log_a, log_k = parameters
    share: Array = -np.expm1(-np.exp(log_a + np.exp(log_k) * z))
    return share


def _weibull_above(parameters: Array, z: Array) -> Array:
    log_a, log_k = parameters[..., None]
    with np.errstate(over="ignore"):
        share: Array = np.exp(-np.exp(log_a) * np.expm1(np.exp(log_k) * z))
    return share


def _weibull_draw(parameters: Array, above: Array) -> Array:
    log_a, log_k = parameters
    z: Array = np.log1p(-np.log(above) * np.exp(-log_a)) * np.exp(-log_k)
    return z


def likelihood_edge(law: Law, parameters: Array, z: Array, weight: Array, pieces: float) -> Array:
    """Return parameters (2, M) on the edge of the 95 % likelihood region of one quantity.

    The greatest and least of any function of both parameters on this edge are its profile-likelihood limits.
    `pieces`: the number of equal pieces that the weighted ones are worth.
    """
    best = float(law.likelihood(parameters, z, weight))
    spread = _spread(law, parameters, z, weight, pieces)
    turn = np.linspace(0, 2 * np.pi, DIRECTIONS, endpoint=False)
    rays = spread @ np.stack([np.cos(turn), np.sin(turn)])
    inner, outer = np.zeros(DIRECTIONS), np.full(DIRECTIONS, FARTHEST)
    for _ in range(HALVINGS):
        middle = (inner + outer) / 2
        value = law.likelihood(parameters[:, None] + rays * middle, z, weight)
        inside = pieces * (best - value) < DROP_95  # NaN is outside
        inner, outer = np.where(inside, middle, inner), np.where(inside, outer, middle)
    edge: Array = parameters[:, None] + rays * inner
    return edge


def _spread(law: Law, parameters: Array, z: Array, weight: Array, pieces: float) -> Array:
    """Square root (2, 2) of the parameters' covariance, by differences of the likelihood."""
    step = 1e-3
    offsets = step * np.array([[i, j] for i in (-1, 0, 1) for j in (-1, 0, 1)], float).T
    value = law.likelihood(parameters[:, None] + offsets, z, weight).reshape(3, 3)
    mixed = (value[2, 2] - value[2, 0] - value[0, 2] + value[0, 0]) / 4
    curvature = np.array(
        [
            [value[2, 1] - 2 * value[1, 1] + value[0, 1], mixed],
            [mixed, value[1, 2] - 2 * value[1, 1] + value[1, 0]],
        ]
    )
    roots, axes = np.linalg.eigh(-pieces * curvature / step**2)
    scaled: Array = axes / np.sqrt(np.maximum(roots, 1e-6))
    return scaled


def fit_p(law: Law, z: Array, weight: Array, runs: int) -> float:
    """Return the p value of the Anderson-Darling test, both parameters estimated from the same sizes (N,).

    By parametric bootstrap (Stute, Gonzalez Manteiga and Presedo Quindimil 1993, Metrika 40:243, from
    memory): as many sizes drawn from the fitted law and fitted anew, `runs` times. The seed is fixed, so that
    equal sizes give an equal answer. Weights go by rank. Of more than MOST_TESTED sizes as many are taken.
    """
    rng = np.random.default_rng(1)
    order = rng.permutation(z.size)[:MOST_TESTED]
    order = order[np.argsort(z[order])]
    z, weight = z[order], weight[order] / weight[order].sum()
    parameters = law.fit(z, weight)
    shares = rng.random((runs, z.size))
    drawn = np.sort(law.draw(parameters, shares), axis=-1)
    measured = _distance(law.above(parameters, z), weight)
    by_chance = _distance(law.above(law.fit(drawn, weight), drawn), weight)
    return float((1 + np.count_nonzero(by_chance >= measured)) / (1 + runs))


def _distance(above: Array, weight: Array) -> Array:
    """Anderson-Darling distance of weighted sizes from a law, each given by the share above it (..., N).

    Integral of (step - u)^2 / (u (1 - u)) over u from 0 to 1, exactly, step by step.
    """
    u = np.clip(1 - above, 1e-12, 1 - 1e-12)
    step = np.cumsum(weight)[:-1]
    up, down = np.log(u), np.log1p(-u)
    between = step**2 * np.diff(up) - (1 - step) ** 2 * np.diff(down)
    ends = -down[..., 0] - up[..., -1]
    distance: Array = between.sum(axis=-1) + ends - 1
    return distance
