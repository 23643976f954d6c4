"""Simulated workshops: does the stated interval hold what really went past the filter?

    python -m tests.benchmarks.workshops [runs]

Each run makes a workshop: debris of known sizes comes down the hose, a filter whose true curve is drawn
from all that its rating can mean stops part of it, a part of that is photographed, and the photo's errors
spoil the sizes (a scale error common to all, an error of each piece that grows towards the limit). Counted:
how often the 95 % interval holds the number of pieces that truly went past, of those that truly are at
least as big as the size stated. Refused runs are counted apart. The last rows leave the assumptions: a
curve of another form, one beyond the range allowed for, and an element that grew finer as it clogged.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.triage.tables import round_grains
from triage.filters import Filter
from triage.sizing.went_past import Curve, WentPast, curves, went_past

Array = NDArray[np.float64]

FILTERS = (
    Filter(30.0, "paper", "unknown"),
    Filter(30.0, "paper", "nominal"),
    Filter(25.0, "paper", "absolute"),
    Filter(15.0, "paper", "unknown"),
    Filter(50.0, "paper", "nominal"),
    Filter(75.0, "screen", "opening"),
    Filter(150.0, "screen", "opening"),
)


@dataclass(frozen=True)
class Workshop:
    """One simulated teardown."""

    installed: Filter
    curve: Curve
    median_um: float
    gsd: float
    upstream: int
    from_um: float
    fraction: float
    scale_rel_u: float
    size_rel_u_at_limit: float
    form: str = "log-normal"  # | logistic | clogging | at the end

    def stopped(self, size_um: Array, when: Array) -> Array:
        """True chance of being stopped; `when` (N,) is how far into the filter's life a piece came, 0..1."""
        if self.form == "logistic":
            steepness = 1.702 / self.curve.spread  # the logistic curve nearest the normal one
            return 1 / (1 + (size_um / self.curve.half_um) ** -steepness)
        if self.form == "clogging":
            return self.curve.stopped(size_um * (1 + 0.5 * when))
        return self.curve.stopped(size_um)


@dataclass
class Tally:
    """What came out of many runs."""

    runs: int = 0
    held: list[bool] = field(default_factory=list)
    above: int = 0
    bands: list[bool] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    ratio: list[float] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)


def draw_workshop(rng: np.random.Generator, form: str = "log-normal", outside: float = 1.0) -> Workshop:
    """Draw one workshop; `outside` widens the spread of the true curve beyond what is allowed for."""
    installed = FILTERS[int(rng.integers(len(FILTERS)))]
    possible = curves(installed)
    low, high = possible[0], possible[-1]  # ends of the range
    if form == "at the end":
        low = high = (low, high)[int(rng.integers(2))]
    spreads = sorted(curve.spread for curve in possible)
    spread = float(np.exp(rng.uniform(np.log(spreads[0]), np.log(spreads[-1])))) * outside
    if installed.element == "screen":
        half = float(rng.uniform(low.half_um, high.half_um))
    else:
        sigmas = [np.log(installed.rating_um / curve.half_um) / curve.spread for curve in (low, high)]
        half = float(installed.rating_um * np.exp(-spread * rng.uniform(*sigmas)))
    return Workshop(
        installed=installed,
        curve=Curve(half, spread),
        median_um=float(installed.rating_um * np.exp(rng.uniform(np.log(0.4), np.log(1.5)))),
        gsd=float(rng.uniform(1.4, 2.4)),
        upstream=int(np.exp(rng.uniform(np.log(200), np.log(8000)))),
        from_um=float(np.exp(rng.uniform(np.log(10), np.log(100)))),
        fraction=float(rng.choice([1.0, 0.5, 0.25])),
        scale_rel_u=float(rng.uniform(0.002, 0.01)),
        size_rel_u_at_limit=float(rng.uniform(0.05, 0.15)),
        form=form,
    )


def run(shop: Workshop, rng: np.random.Generator) -> tuple[WentPast, Array]:
    """Return what the tool says of one workshop and the true sizes, um, of all that went past."""
    size = shop.median_um * np.exp(np.log(shop.gsd) * rng.standard_normal(rng.poisson(shop.upstream)))
    stopped = rng.random(size.size) < shop.stopped(size, rng.random(size.size))
    held = size[stopped & (rng.random(size.size) < shop.fraction)]
    own = shop.size_rel_u_at_limit * np.minimum(shop.from_um / held, 2.0)
    scale = shop.scale_rel_u * rng.standard_normal()
    measured = held * np.exp(scale + own * rng.standard_normal(held.size))
    table = round_grains(measured, measured * np.hypot(own, shop.scale_rel_u), shop.from_um)
    said = went_past(table, shop.installed, shop.from_um, shop.scale_rel_u, shop.fraction)
    return said, size[~stopped]


def tally(runs: int, form: str = "log-normal", outside: float = 1.0, seed: int = 1) -> Tally:
    """Run until `runs` workshops have been given an estimate."""
    rng = np.random.default_rng(seed)
    result = Tally()
    while len(result.held) < runs:
        shop = draw_workshop(rng, form, outside)
        said, passed = run(shop, rng)
        result.runs += 1
        if said.refused or said.low is None or said.high is None or said.past is None:
            result.refused[_in_short(said.refused or "")] += 1
            continue
        truth = np.count_nonzero(passed >= said.from_um)
        result.held.append(bool(said.low <= truth <= said.high))
        result.above += bool(truth > said.high)
        result.width.append((said.high + 1) / (said.low + 1))
        result.ratio.append((said.past + 1) / (truth + 1))
        for band in said.bands:
            inside = np.count_nonzero((passed >= band.from_um) & (passed < (band.to_um or np.inf)))
            result.bands.append(bool(band.low <= inside <= band.high))
    return result


def _in_short(reason: str) -> str:
    return next((name for name in ("few pieces near", "only", "sound") if name in reason), reason)


def report(name: str, found: Tally) -> None:
    """Print one line."""
    spread = np.quantile(found.ratio, [0.1, 0.5, 0.9])
    print(
        f"{name:34}{found.runs:6d}{len(found.held):7d}{np.mean(found.held):9.3f}"
        f"{found.above / len(found.held):9.3f}{np.mean(found.bands):9.3f}{np.median(found.width):8.1f}"
        f"   {spread[0]:.2f} / {spread[1]:.2f} / {spread[2]:.2f}   {dict(found.refused)}",
        flush=True,
    )


def main(runs: int) -> None:
    """Print the campaign."""
    print(
        f"{'truth':34}{'runs':>6}{'stated':>7}{'covered':>9}{'too low':>9}{'bands':>9}{'width':>8}"
        "   estimate/truth 10 / 50 / 90 %   refused"
    )
    report("as the model allows", tally(runs))
    report("meaning at an end of its range", tally(runs, "at the end"))
    report("a logistic curve", tally(runs, "logistic"))
    report("curve 1.3 times flatter than allowed", tally(runs, outside=1.3))
    report("grew finer by half as it clogged", tally(runs, "clogging"))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
