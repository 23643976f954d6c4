"""Advice: from numbers to what to do, source first, each line with its reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Action:
    """One thing to do."""

    code: str
    text: str
    because: tuple[str, ...]
    filter_um: float | None = None


@dataclass(frozen=True)
class Advice:
    """What to do, in the order to do it: source, then cleaning, then filter."""

    headline: str
    actions: tuple[Action, ...]
    cautions: tuple[str, ...]
