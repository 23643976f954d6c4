"""Size distribution: percentiles by number, projected area and estimated volume."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Percentiles:
    """Sizes below which 10, 50 and 90 % of the amount lies; None with too few pieces."""

    d10_um: float | None
    d50_um: float | None
    d90_um: float | None


@dataclass(frozen=True)
class Sizes:
    """How many particles of which sizes, over those of at least `from_um`."""

    count: int
    seen_unsized: int
    from_um: float
    by_count: Percentiles
    by_area: Percentiles
    by_volume: Percentiles
