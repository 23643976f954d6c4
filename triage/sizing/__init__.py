"""Statistics over measured particles: size distribution, passing shares, comparison."""

from triage.sizing.distribution import Percentiles, Sizes
from triage.sizing.passing import Band, Passing, Share

__all__ = ["Band", "Passing", "Percentiles", "Share", "Sizes"]
