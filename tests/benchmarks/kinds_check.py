"""How often the kinds are right on materials and lights that nothing was learnt or chosen on.

    python -m tests.benchmarks.kinds_check FOLDER [PHOTO ...]

The twenty scenes of the campaign `try` (rendered into FOLDER where they are not there yet), or photos
rendered without a card, with their truth beside them. Counts pieces large enough to size, as the reports do.
"""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import numpy as np

from tests.benchmarks.kinds_measured import Paired, measured, measured_photo
from tests.benchmarks.kinds_scenes import CAMPAIGNS
from triage.debris.particles import KINDS, ParticleTable

ACROSS = (0.0, 2.5, 4.0, 6.0, 10.0, np.inf)  # blur sigmas
COLUMN = 20  # of the features: logarithm of the diameter in blur sigmas


def print_shares(name: str, named: ParticleTable, kinds: np.ndarray) -> None:
    """Print how many are unsure, how many of the others right, and what was said of them on average."""
    sure = named["kind"] != "unsure"
    right = named["kind"][sure] == kinds[sure]
    print(
        f"{name:28} {len(kinds):6d} pieces, unsure {100 * (1 - sure.mean()):5.1f} %, of the others right "
        f"{100 * right.mean():5.1f} %, said {100 * named['kind_confidence'][sure].mean():5.1f} %"
    )


def print_confusion(named: ParticleTable, kinds: np.ndarray) -> None:
    """Print how often each true kind (rows) was called what."""
    rows = [*(kind for kind in KINDS if kind != "unsure"), "toner"]
    print(" " * 16 + " ".join(f"{kind[:7]:>7}" for kind in KINDS))
    for true in rows:
        counts = [int(((kinds == true) & (named["kind"] == kind)).sum()) for kind in KINDS]
        if sum(counts):
            print(f"{true:16}" + " ".join(f"{count or '.':>7}" for count in counts))


def check(photos: list[Paired]) -> None:
    """Print everything about these photos."""
    table = np.concatenate([photo.table for photo in photos])
    kinds = np.concatenate([photo.kinds for photo in photos])
    sized = ~table["below_sizing_limit"]
    print_shares("all found", table, kinds)
    print_shares("large enough to size", table[sized], kinds[sized])
    dark = np.repeat([photo.dark for photo in photos], [len(photo.kinds) for photo in photos])
    for name, ground in (("on pale paper", ~dark), ("on a dark ground", dark)):
        if (ground & sized).any():
            print_shares(name, table[ground & sized], kinds[ground & sized])
    across = np.exp(table["features"][:, COLUMN])
    for low, high in itertools.pairwise(ACROSS):
        chosen = sized & (across >= low) & (across < high)
        if chosen.any():
            print_shares(f"{low:g} to {high:g} blur sigmas", table[chosen], kinds[chosen])
    print_confusion(table[sized], kinds[sized])


def main() -> None:
    """Read the command line and check."""
    if len(sys.argv) > 2:
        check([measured_photo(Path(name)) for name in sys.argv[2:]])
        return
    count = CAMPAIGNS["try"].count
    for name, first in (("kinds as filters hold them", 1), ("all kinds at once", 0)):
        print(f"\n{name}")
        check([measured(Path(sys.argv[1]), "try", number) for number in range(first, count, 2)])


if __name__ == "__main__":
    main()
