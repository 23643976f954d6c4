"""What the page asks about a sample, and how the answers are read; names as in `triage.analysis.Sample`."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from typing import Any
from urllib.parse import quote, unquote

from triage.analysis import Sample
from triage.errors import UserError
from triage.record.book import with_set_up
from triage.record.entries import Machine, clean_unit
from triage.web.drafts import Said

Form = Mapping[str, Sequence[str]]

ORIGINS = {
    "filter": "the filter",
    "clean_side": "clean side of the filter",
    "tank": "the tank",
    "can": "the fuel can",
    "bowl": "the carburettor bowl",
    "fuel": "a fuel sample",
}
FEEDS = {"gravity": "gravity", "pulse": "pulse pump", "pump": "fuel pump", "injection": "injection"}
FUELS = {"petrol": "petrol", "e10": "petrol with ethanol", "oil_mix": "oil mix", "diesel": "diesel"}
NOTICED = {
    "none": "looked: nothing",
    "water": "water",
    "layers": "fuel in layers",
    "gum": "gum or varnish",
    "sour_smell": "sour smell",
    "white_corrosion": "white corrosion",
    "green_corrosion": "green corrosion",
    "slime": "slime",
    "swarf": "cut metal",
    "hose_crumbs": "hose crumbs",
}
SEASONS = {"warm": "warm nights", "cold_nights": "near freezing or colder"}
STORAGES = {
    "in_use": "in use",
    "indoors": "standing, under a roof",
    "outdoors": "standing in the open",
}
ELEMENTS = {"screen": "screen", "paper": "paper"}
METHODS = {
    "tipped": "tipped out and dried",
    "filtered": "fuel poured through filter paper",
    "element": "on the element itself",
}
AMOUNTS = {
    "hours": "hours run since the last change",
    "months": "months since the last change",
    "litres": "litres burnt since the last change",
    "volume_ml": "fuel sampled, ml",
    "fuel_age_months": "age of the fuel, months",
    "flow_test_ml_min": "flow test: ml in one minute",
    "flow_test_um": "rating of the filter in that test, µm",
}
CHOICES = {
    "origin": ORIGINS,
    "feed": FEEDS,
    "fuel": FUELS,
    "method": METHODS,
    "element": ELEMENTS,
    "season": SEASONS,
    "storage": STORAGES,
}
# Never what was noticed, nor where that machine stood: both are asked of each sample.
REMEMBERED = ("unit", "origin", "feed", "fuel", "season")
SEASON_DAYS = 14  # the nights change
COOKIE = "triage_last"


def read(form: Form, machine: Machine | None = None) -> Said:
    """Return what a form says; the machine's own entries stand where the form is silent.

    UserError where an answer is none of those offered, or no sensible amount.
    """
    unit = text(form, "unit")
    noticed = tuple(dict.fromkeys(word for word in form.get("noticed", ()) if word))
    if any(word not in NOTICED for word in noticed):
        raise UserError("Choose from what the page offers under what you noticed.")
    if "none" in noticed and len(noticed) > 1:
        noticed = tuple(word for word in noticed if word != "none")
    amounts: dict[str, Any] = {name: amount(form, name) for name in AMOUNTS if name != "flow_test_um"}
    sample = Sample(
        origin=choice(form, "origin"),
        feed=choice(form, "feed"),
        fuel=choice(form, "fuel"),
        method=choice(form, "method"),
        element=choice(form, "element"),
        installed_um=rating(form, "installed_um"),
        noticed=noticed or None,
        season=choice(form, "season"),
        storage=choice(form, "storage"),
        flow_test_um=rating(form, "flow_test_um"),
        **amounts,
    )
    percent = amount(form, "part")
    if percent is not None:
        if not 0 < percent <= 100:
            raise UserError("The part that was photographed is above 0 and at most 100 per cent.")
        sample = replace(sample, fraction=percent / 100)
    return Said(clean_unit(unit) if unit else None, with_set_up(sample, machine) if machine else sample)


def text(form: Form, name: str) -> str | None:
    """Return one text of a form, trimmed; None where it is empty."""
    return (form.get(name) or [""])[0].strip() or None


def choice(form: Form, name: str) -> str | None:
    """Return one choice of a form. UserError where it is not among those offered."""
    given = text(form, name)
    if given is not None and given not in CHOICES[name]:
        raise UserError(f"{given[:40]} is not among the choices; choose from what the page offers.")
    return given


def amount(form: Form, name: str) -> float | None:
    """Return one number of a form, a decimal comma being fine too."""
    given = text(form, name)
    if given is None:
        return None
    try:
        value = float(given.replace(",", "."))
    except ValueError:
        value = math.nan
    if not 0 <= value < 1e9:
        raise UserError(f"{given[:40]} is no sensible amount; give an ordinary number or leave it out.")
    return value


def rating(form: Form, name: str) -> float | None:
    """Return a filter's rating, um. UserError where there is no such filter."""
    value = amount(form, name)
    if value is not None and not value >= 1:
        raise UserError(f"A filter of {value:g} µm is none; give its rating in microns or leave it out.")
    return value


def answers(said: Said) -> dict[str, str]:
    """Return what was said as the fields of the form."""
    sample = said.sample
    part = None if sample.fraction is None else 100 * sample.fraction
    values = {name: getattr(sample, name) for name in (*CHOICES, *AMOUNTS, "installed_um")}
    return {name: _field(value) for name, value in {**values, "part": part, "unit": said.unit}.items()}


def more_told(answers: Mapping[str, str]) -> bool:
    """Whether anything was said of what the page asks only of those who know more."""
    return any(answers[name] for name in ("installed_um", "part", *AMOUNTS))


def _field(value: object) -> str:
    return "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)


def remembered(cookie: str | None) -> dict[str, str]:
    """Return what was answered last time, as far as it is still a proper answer."""
    kept = _kept(cookie)
    if not _lately(kept.get("season_on")):
        kept.pop("season", None)
    return {
        name: value
        for name, value in kept.items()
        if name in REMEMBERED
        and isinstance(value, str)
        and len(value) <= 80
        and (name not in CHOICES or value in CHOICES[name])
    }


def _kept(cookie: str | None) -> dict[str, Any]:
    try:
        kept = json.loads(unquote(cookie or ""))
    except ValueError:
        return {}
    return kept if isinstance(kept, dict) else {}


def _season_on(season: str, last: str | None) -> str:
    """Return the day that the season was told: it is asked anew from time to time."""
    before = _kept(last)
    same = before.get("season") == season and _lately(before.get("season_on"))
    return str(before["season_on"]) if same else date.today().isoformat()


def _lately(day: object) -> bool:
    try:
        return 0 <= (date.today() - date.fromisoformat(str(day))).days <= SEASON_DAYS
    except ValueError:
        return False


def to_remember(said: Said, last: str | None = None) -> str:
    """Return the cookie value for next time; `last` is the one so far, whose season is not made younger."""
    names = (name for name in REMEMBERED if name != "unit")
    answers = {"unit": said.unit, **{name: getattr(said.sample, name) for name in names}}
    if said.sample.season:
        answers["season_on"] = _season_on(said.sample.season, last)
    return quote(json.dumps({name: value for name, value in answers.items() if value}))
