"""Photo check: what is wrong with a photo, each problem with its code, a plain message and a remedy."""

from __future__ import annotations

from dataclasses import dataclass

CODES = (
    "no_card",
    "blurred",
    "glare",
    "clipped",
    "tilted",
    "too_far",
    "window_cut_off",
    "uneven_light",
    "too_crowded",
    "blank_too_dirty",
)


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a photo."""

    code: str
    message: str
    remedy: str
    fatal: bool = False  # True: the photo is refused, nothing is measured from it
