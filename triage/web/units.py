"""Which unit stands first: texts say "67 µm (0.0026 in)", and may be turned to "2.6 thou (67 µm)"."""

from __future__ import annotations

import re

SIZE = re.compile(r"(\d{1,3}(?: \d{3})+|\d+(?:\.\d+)?) [µμ]m \((\d*\.?\d+) (in|thou)\)")


def thou_first(text: str) -> str:
    """Return the text with each size in thousandths of an inch first, microns beside it."""
    return SIZE.sub(_turned, text)


def _turned(found: re.Match[str]) -> str:
    thou = float(found[2]) * (1000 if found[3] == "in" else 1)
    return f"{thou:.4g} thou ({found[1]} µm)"
