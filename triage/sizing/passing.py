"""Passing shares: what part of the debris each filter rating would let through."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Share:
    """A share 0..1 with its 95 % interval; None where it cannot be stated."""

    share: float | None
    low: float | None
    high: float | None
    few_pieces_decide: bool = False


@dataclass(frozen=True)
class Band:
    """The share by number over what a maker's rating can mean."""

    low: float | None
    high: float | None
    meaning: str


@dataclass(frozen=True)
class Passing:
    """What one filter rating stops and lets through, of the particles of at least `from_um`."""

    rating_um: float
    element: str  # screen | paper
    measurable: bool
    from_um: float
    stopped_count: int
    through_count: int
    by_count: Share
    by_area: Share
    by_volume: Share
    band: Band
