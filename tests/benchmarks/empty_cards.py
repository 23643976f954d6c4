"""Empty cards: how many particles are seen, and counted, where there are none.

    python -m tests.benchmarks.empty_cards [COUNT] [--first N]

Each card has its own printer, paper, lamp, camera and phone; three in four are wide frames, one in ten is a
dark. The print model's stray toner is left out, so that whatever is found is false; `--specks` leaves it in.
"""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from dataclasses import replace
from pathlib import Path

from tests.scenes.campaign import empty_scene
from tests.scenes.photograph import photograph


def main() -> None:
    """Print one line a card that shows anything, and the sums."""
    arguments = argparse.ArgumentParser(description="Count false particles on empty cards.")
    arguments.add_argument("count", nargs="?", type=int, default=200)
    arguments.add_argument("--first", type=int, default=0, help="number of the first card")
    arguments.add_argument("--specks", action="store_true", help="with the print's stray toner")
    chosen = arguments.parse_args()
    total: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for index in range(chosen.first, chosen.first + chosen.count):
            counted = _card(index, Path(folder) / "empty.jpg", specks=chosen.specks)
            total += counted
            if counted["seen"] or counted["refused"]:
                print(index, dict(counted), flush=True)
    print(f"{chosen.count} cards: {dict(total)}")


def _card(index: int, file: Path, *, specks: bool) -> Counter[str]:
    from triage.analysis import Setup, analyse

    frame = "closeup" if index % 4 == 3 else "wide"
    spec = empty_scene(index, frame)
    assert spec.card is not None
    card = replace(spec.card, dark=index % 10 == 7)
    if not specks:
        card = replace(card, specks_per_cm2=0.0)
    spec = replace(spec, card=card)
    photo = photograph(spec)
    photo.save(file)
    analysis = analyse([file], Setup())
    table = analysis.particles
    return Counter(
        {
            "refused": int(not analysis.photos[0].usable),
            "seen": len(table),
            "sized": int((~table["below_sizing_limit"]).sum()),
        }
    )


if __name__ == "__main__":
    main()
