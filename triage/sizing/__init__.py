"""Statistics over measured particles: size distribution, passing shares, comparison."""

from triage.sizing.distribution import Percentiles, Sizes, moment_mean, size_distribution
from triage.sizing.passing import Passing, Share, passing_shares
from triage.sizing.ratings import Band
from triage.sizing.sieves import Sieve, inches, nearest_sieve, um_to_thou

__all__ = [
    "Band",
    "Passing",
    "Percentiles",
    "Share",
    "Sieve",
    "Sizes",
    "inches",
    "moment_mean",
    "nearest_sieve",
    "passing_shares",
    "size_distribution",
    "um_to_thou",
]
