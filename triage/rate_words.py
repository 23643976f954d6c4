"""A ratio of two rates of debris in words, the same in the advice and in a comparison."""

from __future__ import annotations

from triage.sizing.compare import SAMPLE
from triage.sizing.rate_ratio import RateRatio

MANY_TIMES = 100.0
ABOUT = 0.95  # from here on as many as before, in words
PER_WORDS = {
    "ml": "ml of fuel",
    "hour": "hour run",
    "litre": "litre burnt",
    "month": "month",
    SAMPLE: "sample",
}


def times(ratio: RateRatio) -> str:
    """Say a rate ratio with its interval: "2.4 times as many (95 %: 1.3 to 4.5 times)", or what is gone."""
    if ratio.value is None:
        return f"none before ({_limits(ratio)})"
    if ratio.high is not None and ratio.high < 1:
        return _fewer(ratio.value, ratio.low, ratio.high)
    if 0 < ratio.value < ABOUT and ratio.high is not None:
        least = f"from {_gone(ratio.low)} % fewer to {number(ratio.high)} times as many"
        return f"{_gone(ratio.value)} % fewer (95 %: {least})"
    many = "about" if ABOUT <= ratio.value < 1 / ABOUT else f"{number(ratio.value)} times"
    return f"{many} as many ({_limits(ratio)})"


def number(value: float) -> str:
    """Return a rate or a ratio to two figures, whole from 100 up."""
    return f"{value:.0f}" if value >= MANY_TIMES else f"{value:.2g}"


def _fewer(value: float, low: float, high: float) -> str:
    likely, most, least = (_gone(each) for each in (value, low, high))
    if value == 0:
        return f"at least {least} % fewer (95 %)"
    return f"{likely} % fewer (95 %: {least} to {most} %)"


def _gone(left: float) -> str:
    gone = 100 * (1 - left)
    return "over 99.9" if gone > 99.9 else f"{gone:.1f}" if gone > 99 else f"{gone:.0f}"


def _limits(ratio: RateRatio) -> str:
    if ratio.high is None:
        return f"95 %: at least {number(ratio.low)} times" if ratio.low > 0 else "95 %: anything"
    if ratio.low <= 0:
        return f"95 %: at most {number(ratio.high)} times"
    return f"95 %: {number(ratio.low)} to {number(ratio.high)} times"
