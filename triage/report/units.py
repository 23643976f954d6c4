"""Which unit stands first, as the shop has set it: texts say "67 µm (0.0026 in)", or "2.6 thou (67 µm)"."""

from __future__ import annotations

import re

from triage.kept_shop import load_settings

SIZE = re.compile(r"(\d{1,3}(?: \d{3})+|\d+(?:\.\d+)?) [µμ]m \((\d*\.?\d+) (in|thou)\)")


def thou_is_first() -> bool:
    """Tell whether the shop reads thousandths of an inch first."""
    return load_settings().units == "thou"


def in_shop_units(text: str) -> str:
    """Return the text with that unit first which the shop has set."""
    return thou_first(text) if thou_is_first() else text


def thou_first(text: str) -> str:
    """Return the text with each size in thousandths of an inch first, microns beside it."""
    return SIZE.sub(_turned, text)


def _turned(found: re.Match[str]) -> str:
    thou = float(found[2]) * (1000 if found[3] == "in" else 1)
    return f"{thou:.4g} thou ({found[1]} µm)"
