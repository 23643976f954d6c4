"""What the debris could do behind the filter: pieces against jets, needle seat, pump valves, injector."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from triage.debris.particles import ParticleTable
from triage.filters.orifices import Orifice
from triage.sizing.passing import Population, Share, count_share, select
from triage.sizing.sieves import inches

BRIDGING = 3.0  # pieces from a third of a hole up bridge it (the one-third rule of bridging, from memory)


@dataclass(frozen=True)
class Above:
    """Pieces of passing size at least `size_um`, and their share of all of at least `from_um`.

    Where `size_um` lies below what the photo can size, `measurable` is False and nothing is counted.
    """

    size_um: float
    measurable: bool
    count: int | None
    share: Share


@dataclass(frozen=True)
class OrificeRisk:
    """One orifice: the pieces above a third of it, above the whole of it, and what that means in words.

    `long_fibres` counts fibres narrow enough to enter but longer than the orifice is wide: they can tangle.
    """

    name: str
    orifice_um: float
    from_um: float
    third: Above
    whole: Above
    long_fibres: int
    reach: str
    risk: str
    source: str


@dataclass(frozen=True)
class Reach:
    """Which of the pieces can get to the orifices: none wider than `below_um`; `words` begin a sentence."""

    words: str
    short: str
    below_um: float = np.inf


def reach_of(origin: str | None, installed_um: float | None, widest_um: float | None) -> Reach:
    """Return which pieces can reach an orifice, by where the debris was found.

    `widest_um` is the widest passage of the installed filter, if there is one.
    """
    if origin == "bowl":
        return Reach("Already behind the filter", "already behind the filter")
    if origin == "clean_side":
        return Reach("On their way, past the filter", "past the filter")
    if origin == "filter":
        return Reach("Stopped by the filter; were it left out, split or bypassed", "stopped by the filter")
    if installed_um is not None and widest_um is not None:
        return Reach(f"Small enough for a sound {installed_um:g} um filter", "can pass the filter", widest_um)
    return Reach("With no filter in between", "with no filter in between")


def orifice_risks(
    table: ParticleTable,
    orifices: Sequence[Orifice],
    from_um: float,
    um_per_px_rel_u: float,
    reach: Reach,
) -> tuple[OrificeRisk, ...]:
    """Hold the pieces of passing size in [from_um, reach.below_um) against each orifice.

    Shares are of those pieces, with the 95 % intervals of `triage.sizing.passing`.
    """
    arriving = table[~(table["passing_size_um"] >= reach.below_um)]
    population = select(arriving, from_um, um_per_px_rel_u)
    counted = arriving[(arriving["weight"] > 0) & ~arriving["below_sizing_limit"]]
    fibres = counted[counted["kind"] == "fibre"]
    return tuple(_risk(population, fibres, entry, reach) for entry in orifices)


def _risk(population: Population, fibres: ParticleTable, orifice: Orifice, reach: Reach) -> OrificeRisk:
    third = _above(population, orifice.size_um / BRIDGING)
    whole = _above(population, orifice.size_um)
    narrow = ~(fibres["passing_size_um"] >= orifice.size_um)
    longer = int(np.count_nonzero(narrow & (fibres["length_um"] >= orifice.size_um)))
    return OrificeRisk(
        name=orifice.name,
        orifice_um=orifice.size_um,
        from_um=population.from_um,
        third=third,
        whole=whole,
        long_fibres=longer,
        reach=reach.short,
        risk=_words(orifice, third, whole, longer, reach),
        source=orifice.source,
    )


def _above(population: Population, size_um: float) -> Above:
    if size_um < population.from_um:
        return Above(size_um, False, None, Share(None, None, None))
    below = count_share(population, size_um)
    if below.share is None or below.low is None or below.high is None:
        return Above(size_um, True, 0, Share(None, None, None))
    count = int(np.count_nonzero(population.size_um >= size_um))
    return Above(size_um, True, count, Share(1 - below.share, 1 - below.high, 1 - below.low))


def _words(orifice: Orifice, third: Above, whole: Above, longer: int, reach: Reach) -> str:
    """Say what the pieces could do to one orifice: numbers first, then what would happen."""
    size = f"{orifice.size_um:.0f} um ({inches(orifice.size_um)} in)"
    parts = []
    if whole.count:
        parts.append(f"{_pieces(whole.count)} too big for it")
    if third.count:
        bridging = third.count - (whole.count or 0)
        if bridging:
            parts.append(f"{_pieces(bridging)} of a third of it and more, which can bridge it")
    if longer:
        parts.append(f"{longer} fibre{'s' if longer > 1 else ''} longer than it is wide, which can tangle")
    if parts:
        return (
            f"{reach.words}: {'; '.join(parts)}. If the {orifice.name}, {size}, blocks: {orifice.if_blocked}."
        )
    if not whole.measurable:
        return f"The {orifice.name}, {size}, is narrower than what this photo can size."
    if not third.measurable:
        return (
            f"No piece as big as the {orifice.name}, {size}; a third of it is below what this photo can size."
        )
    return f"No piece of a third of the {orifice.name}, {size}, or more."


def _pieces(count: int) -> str:
    return f"{count} piece{'s' if count > 1 else ''}"
