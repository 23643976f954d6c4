"""What the advice is made from, read from text files: rules, looks with their bench tests, shop rules."""

from __future__ import annotations

import string
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from triage.debris.particles import KINDS
from triage.errors import UserError
from triage.filters.blocks import Layout, list_in_use, load_blocks, number, one_of, text

HERE = Path(__file__).parent
RULES, LOOKS = HERE / "advice_rules.toml", HERE / "advice_looks.toml"
SHOP_RULES = "shop_rules.toml"
GROUNDS = ("bench", "sizes", "flow", "history", "nothing")  # what a rule rests on


@dataclass(frozen=True)
class ShopRules:
    """The numbers from which the advice acts: the shop's own, no source (`shop_rules.toml`)."""

    few_pieces: float
    dirty_um: float
    dirty_pieces: float
    dirty_ml: float
    usual_months: float
    usual_hours: float
    bypass_pieces: float
    judge_um: float
    look_pieces: float
    look_share: float
    harm_gravity_um: float
    harm_pulse_um: float
    harm_pump_um: float
    stale_petrol_months: float
    stale_e10_months: float
    stale_oil_mix_months: float
    stale_diesel_months: float

    def harm_um(self, feed: str | None) -> float:
        """Size from which pieces are worth stopping; a feed that nobody named is taken as gravity."""
        return {"pulse": self.harm_pulse_um, "pump": self.harm_pump_um}.get(feed or "", self.harm_gravity_um)

    def stale_months(self, fuel: str | None) -> float:
        """Age from which a fuel is drained; one that nobody named is taken as petrol."""
        by_fuel = {
            "e10": self.stale_e10_months,
            "oil_mix": self.stale_oil_mix_months,
            "diesel": self.stale_diesel_months,
        }
        return by_fuel.get(fuel or "", self.stale_petrol_months)


@dataclass(frozen=True)
class Rule:
    """One line of the table: if all of `when` hold, `action` is called for, because of `because`.

    Each of `when` names a finding (`triage/advice_findings.py`), with "not" before it or a word behind it;
    in the sentences {names} stand for phrases (`triage/advice_phrases.py`).
    """

    name: str
    ground: str  # of GROUNDS
    when: tuple[str, ...]
    action: str
    because: str
    confidence: str
    would_change: str
    text: str | None = None  # where the usual wording of the action does not fit
    short: str | None = None  # the same in a few words, for the headline
    filter: str | None = None  # the finding that names the filter
    caution: str | None = None


@dataclass(frozen=True)
class Look:
    """What one kind of piece looks like, where it likely comes from, and the next test at the bench."""

    kind: str
    looks: str
    source: str
    test: str


@dataclass(frozen=True)
class AdviceData:
    """Everything the advice is made from."""

    rules: tuple[Rule, ...]
    looks: tuple[Look, ...]
    shop: ShopRules


def load_advice_data() -> AdviceData:
    """Return the rules and looks that come with the program, and the shop's rules in use.

    Raises
    ------
    UserError
        The shop's own file is wrong: names the file, the line and the remedy.
    """
    rules = tuple(
        Rule(**{**block, "when": tuple(block["when"])}) for block in load_blocks(RULES, _rule_layout())
    )
    looks = tuple(Look(**block) for block in load_blocks(LOOKS, _look_layout()))
    return AdviceData(rules, looks, load_shop_rules())


def load_shop_rules() -> ShopRules:
    """Return the packaged thresholds, those of the shop's own file in their place.

    Raises
    ------
    UserError
        where the shop's file has a name twice, or one that is not known.
    """
    packaged, own = HERE / SHOP_RULES, list_in_use(SHOP_RULES, HERE)
    values = {block["name"]: float(block["value"]) for block in load_blocks(packaged, _shop_layout())}
    if own != packaged:
        blocks = load_blocks(own, _shop_layout())
        names = [block["name"] for block in blocks]
        for name in names:
            if names.count(name) > 1:
                raise UserError(f"The list {own} has {name} more than once; keep one of them.")
        values |= {block["name"]: float(block["value"]) for block in blocks}
    return ShopRules(**values)


def placeholders(sentence: str) -> tuple[str, ...]:
    """Return the {names} in a sentence."""
    return tuple(name for _, name, _, _ in string.Formatter().parse(sentence) if name)


def _shop_layout() -> Layout:
    names = tuple(field.name for field in fields(ShopRules))
    value = number(0.01, 10_000, "that unit")
    return Layout("threshold", {"name": one_of(names), "value": value, "why": text()}, frozenset({"why"}))


def _rule_layout() -> Layout:
    words = ("name", "action", "because", "confidence", "would_change", "text", "short", "filter", "caution")
    when = (
        lambda value: isinstance(value, list) and all(map(text()[0], value)),
        "must be a list of findings",
    )
    checks: dict[str, Any] = {word: text() for word in words}
    return Layout(
        "rule",
        {**checks, "ground": one_of(GROUNDS), "when": when},
        frozenset({"text", "short", "filter", "caution"}),
    )


def _look_layout() -> Layout:
    return Layout("look", {"kind": one_of(KINDS), "looks": text(), "source": text(), "test": text()})
