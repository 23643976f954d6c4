"""How often the modelled shares below the limit hold the truth, and how often a wrong law is refused.

    python -m tests.benchmarks.modelled_shares [runs]

Debris is drawn from laws that the model knows, and from others it does not: a gamma law and a cut-off one
that are near, power laws, and mixtures of two. Each run draws the pieces and spoils their sizes as a photo
does (the scale's error common to all, an error of each piece of 10 % at the limit); pieces below the limit of
30 um are seen with a chance that falls to 90 % at 20 um and to half at 17 um. Counted: how often the model
speaks, and of these how often its bands hold the true share at 25, 15 and 10 um and the true number below
the limit.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.triage.tables import round_grains
from triage.filters import Filter
from triage.sizing import passing_shares, size_distribution
from triage.sizing.below_limit import with_modelled
from triage.sizing.passing import select

Array = NDArray[np.float64]
Drawing = Callable[[np.random.Generator, int], Array]

LIMIT_UM, SEEN_UM = 30.0, 20.0
SEEN_SPREAD = np.log(20 / 17) / 1.2816  # ln(size) over which the chance of being seen falls
SCALE_REL_U, SIZE_REL_U_AT_LIMIT = 0.003, 0.1
FINE = tuple(Filter(um, "paper", "absolute") for um in (25.0, 15.0, 10.0))
TRUTH_PIECES = 2_000_000


@dataclass(frozen=True)
class Debris:
    """A law of size in um, and how many pieces of at least LIMIT_UM are drawn on average."""

    name: str
    draw: Drawing
    pieces: int
    known: bool  # whether it is one of the model's own


@dataclass(frozen=True)
class Outcome:
    """What `runs` draws came to: parts of all runs that spoke, and of those that held the truth."""

    spoke: float
    held: dict[str, float]  # by "25 um", ..., "count"
    width: float  # of the band at 15 um, median
    truth: float  # share at 15 um
    reasons: Counter[str]


def log_normal(median_um: float, gsd: float) -> Drawing:
    """Draw from a log-normal law."""
    return lambda rng, n: median_um * np.exp(np.log(gsd) * rng.standard_normal(n))


def rosin_rammler(scale_um: float, k: float) -> Drawing:
    """Draw from a Rosin-Rammler (Weibull) law."""
    return lambda rng, n: scale_um * rng.weibull(k, n)


def power_law(from_um: float, slope: float) -> Drawing:
    """Draw from a power law that begins at `from_um`."""
    return lambda rng, n: from_um * rng.random(n) ** (-1 / slope)


def gamma(scale_um: float, shape: float) -> Drawing:
    """Draw from a gamma law."""
    return lambda rng, n: scale_um * rng.gamma(shape, size=n)


def cut_off(drawing: Drawing, below_um: float) -> Drawing:
    """Draw from a law whose pieces smaller than `below_um` are missing."""

    def draw(rng: np.random.Generator, n: int) -> Array:
        size = drawing(rng, 3 * n)
        return size[size >= below_um][:n]

    return draw


def mixed(first: Drawing, second: Drawing, part: float) -> Drawing:
    """Draw a `part` (0..1) from the second law, the rest from the first."""
    return lambda rng, n: np.where(rng.random(n) < part, second(rng, n), first(rng, n))


CAMPAIGN = (
    *(
        Debris(f"log-normal {median:g} um, gsd {gsd:g}", log_normal(median, gsd), pieces, True)
        for median, gsd in ((50.0, 1.4), (60.0, 1.7), (90.0, 2.0), (30.0, 1.7))
        for pieces in (150, 400, 1500)
    ),
    *(
        Debris(f"Rosin-Rammler {scale:g} um, k {k:g}", rosin_rammler(scale, k), pieces, True)
        for scale, k in ((70.0, 2.5), (90.0, 1.5), (120.0, 1.0))
        for pieces in (150, 400, 1500)
    ),
    *(
        Debris(name, draw, pieces, False)
        for name, draw in (
            ("gamma 25 um, shape 3", gamma(25.0, 3.0)),
            ("power law, slope 2, from 5 um", power_law(5.0, 2.0)),
            ("power law, slope 3, from 5 um", power_law(5.0, 3.0)),
            ("cut off below 25 um", cut_off(log_normal(60.0, 1.7), 25.0)),
            ("two laws, 45 and 150 um", mixed(log_normal(45.0, 1.3), log_normal(150.0, 1.3), 0.3)),
            ("two laws, 15 and 80 um", mixed(log_normal(15.0, 1.4), log_normal(80.0, 1.5), 0.4)),
            ("two laws, 8 and 80 um", mixed(log_normal(8.0, 1.3), log_normal(80.0, 1.5), 0.4)),
        )
        for pieces in (150, 400, 1500)
    ),
)


def outcome(debris: Debris, runs: int) -> Outcome:
    """Draw `runs` samples, model each, and hold the bands against the truth."""
    rng = np.random.default_rng(1)
    large = debris.draw(rng, TRUTH_PIECES)
    truth = {f"{entry.rating_um:g} um": float((large < entry.rating_um).mean()) for entry in FINE}
    total = debris.pieces / float((large >= LIMIT_UM).mean())
    held: list[dict[str, bool]] = []
    widths, reasons = [], Counter[str]()
    for _ in range(runs):
        true = debris.draw(rng, rng.poisson(total))
        shares, count, reason = _modelled(true, rng)
        if reason:
            reasons["".join(letter for letter in reason if not letter.isdigit())] += 1
            continue
        inside = {name: low <= truth[name] <= high for name, (low, high) in shares.items()}
        held.append({**inside, "count": count[0] <= (true < LIMIT_UM).sum() <= count[1]})
        widths.append(shares["15 um"][1] - shares["15 um"][0])
    parts = {name: float(np.mean([each[name] for each in held])) for name in (held[0] if held else {})}
    return Outcome(
        len(held) / runs, parts, float(np.median(widths)) if widths else np.nan, truth["15 um"], reasons
    )


def _modelled(
    true: Array, rng: np.random.Generator
) -> tuple[dict[str, tuple[float, float]], tuple[float, float], str]:
    """Photograph true sizes (N,), model them: bands of the shares, band of the number below, refusal."""
    from scipy.special import ndtr

    seen = rng.random(true.size) < ndtr(np.log(true / 17) / SEEN_SPREAD)
    size = true[seen]
    own = SIZE_REL_U_AT_LIMIT * LIMIT_UM / np.maximum(size, LIMIT_UM / 2)
    size = size * np.exp(SCALE_REL_U * rng.standard_normal() + own * rng.standard_normal(size.size))
    table = round_grains(size, size * np.hypot(own, SCALE_REL_U), LIMIT_UM)
    sizes, rows = with_modelled(
        size_distribution(table, LIMIT_UM),
        passing_shares(table, FINE, LIMIT_UM, SCALE_REL_U),
        select(table, LIMIT_UM, SCALE_REL_U),
        SEEN_UM,
    )
    below = sizes.modelled
    assert below is not None
    if below.low is None or below.high is None:
        return {}, (0.0, 0.0), below.refused or ""
    shares = {f"{row.rating_um:g} um": (row.modelled.low, row.modelled.high) for row in rows if row.modelled}
    return shares, (below.low, below.high), ""


def main(runs: int) -> None:
    """Print the campaign, a row a law and number of pieces."""
    print(f"{'law':32}{'pieces':>7}{'spoke':>7}{'25 um':>7}{'15 um':>7}{'10 um':>7}{'count':>7}", end="")
    print(f"{'width':>7}{'truth':>7}  (width and truth at 15 um)")
    for debris in CAMPAIGN:
        found = outcome(debris, runs)
        held = "".join(
            f"{found.held.get(name, np.nan):7.2f}" for name in ("25 um", "15 um", "10 um", "count")
        )
        said = (
            f"{debris.name:32}{debris.pieces:7d}{found.spoke:7.2f}{held}{found.width:7.3f}{found.truth:7.3f}"
        )
        print(
            said, "; ".join(f"{count} {reason}" for reason, count in found.reasons.most_common(3)), flush=True
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
