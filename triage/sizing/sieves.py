"""Woven sieve cloth by US number, and microns in thousandths of an inch."""

from __future__ import annotations

import math
from dataclasses import dataclass

UM_PER_THOU = 25.4  # exact: 1 in = 25 400 um


@dataclass(frozen=True)
class Sieve:
    """One US standard sieve cloth; the number is a name, not a count of wires."""

    number: int
    opening_um: float
    average_tolerance_um: float  # the cloth's mean opening may differ by this, either way
    max_single_um: float  # the widest single opening allowed


# ASTM E11-17, Table 1. ISO 3310-1:2016 has the same openings and slightly tighter tolerances.
SIEVES = (
    Sieve(35, 500.0, 18.0, 589.0),
    Sieve(40, 425.0, 15.5, 506.0),
    Sieve(45, 355.0, 13.3, 427.0),
    Sieve(50, 300.0, 11.5, 365.0),
    Sieve(60, 250.0, 9.9, 308.0),
    Sieve(70, 212.0, 8.7, 264.0),
    Sieve(80, 180.0, 7.6, 227.0),
    Sieve(100, 150.0, 6.6, 193.0),
    Sieve(120, 125.0, 5.8, 163.0),
    Sieve(140, 106.0, 5.2, 141.0),
    Sieve(170, 90.0, 4.6, 122.0),
    Sieve(200, 75.0, 4.1, 104.0),
    Sieve(230, 63.0, 3.7, 89.0),
    Sieve(270, 53.0, 3.4, 77.0),
    Sieve(325, 45.0, 3.1, 67.0),
    Sieve(400, 38.0, 2.9, 58.0),
    Sieve(450, 32.0, 2.7, 50.0),
    Sieve(500, 25.0, 2.5, 41.0),
    Sieve(635, 20.0, 2.3, 35.0),
)

STEP = 2**0.25  # neighbouring openings differ by about this ratio


def nearest_sieve(um: float) -> Sieve | None:
    """Return the sieve whose opening is nearest in ratio, or None beyond the ends of the table."""
    nearest = min(SIEVES, key=lambda sieve: abs(math.log(sieve.opening_um / um)))
    return nearest if 1 / STEP < nearest.opening_um / um < STEP else None


def um_to_thou(um: float) -> float:
    """Convert micrometres to thousandths of an inch."""
    return um / UM_PER_THOU


def inches(um: float) -> str:
    """Return a length in inches: three decimals as the trade does, four for small sizes: 0.006, 0.0012."""
    value = um_to_thou(um) / 1000
    if um >= 100:
        return f"{value:.3f}"
    return "under 0.0001" if value < 0.00005 else f"{value:.4f}".removesuffix("0")
