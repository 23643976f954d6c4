"""What the page asks about a sample, what it remembers of the answers, and that the advice heeds them."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

import pytest

from tests.triage.saved import invented
from tests.triage.shop import token
from triage import options
from triage.analysis import Sample
from triage.errors import UserError
from triage.record.book import attach_sample, load_measured, open_record, restate, save_sample, save_visit
from triage.record.entries import Machine, ServiceVisit
from triage.web import asking
from triage.web.drafts import Said
from triage.web.sample_pages import put_right


@pytest.fixture
def head(pc):
    return {"accept": "text/html", "x-triage-token": token(pc.get("/"))}


def test_the_page_offers_what_the_commands_take():
    enums = {
        "origin": options.Origin,
        "feed": options.Feed,
        "fuel": options.Fuel,
        "method": options.Method,
        "element": options.Element,
        "season": options.Season,
        "storage": options.Storage,
    }
    assert {name: list(offered) for name, offered in asking.CHOICES.items()} == {
        name: [each.value for each in choices] for name, choices in enums.items()
    }
    assert set(asking.NOTICED) == set(options.NOTICED)


def test_season_and_storage_are_one_tap_each_kept_and_heeded(pc, saved, head):
    said = {
        "unit": "PW-07",
        "noticed": "water",
        "season": "cold_nights",
        "storage": "outdoors",
        "fuel": "e10",
    }
    plain = pc.get(f"/samples/{saved}").text
    pc.post(f"/samples/{saved}/said", data=said, headers=head)
    page = pc.get(f"/samples/{saved}").text
    with open_record() as record:
        kept = load_measured(record, saved).sample

    assert (kept.season, kept.storage) == ("cold_nights", "outdoors")
    for name, value in (("season", "cold_nights"), ("storage", "outdoors")):
        chips = re.findall(
            rf'<label class="chip"><input type="radio" name="{name}" value="(\w+)"( checked)?', page
        )
        assert len(chips) == len(asking.CHOICES[name])
        assert [each for each, checked in chips if checked] == [value]
    new = " ".join(sentences(page) - sentences(plain))
    assert "A cold night drops the rest to the bottom of the tank" in new
    assert "stood outdoors for a month or more: rain gets past a worn cap" in new


def sentences(page: str) -> set[str]:
    """Return the reasons that a page gives."""
    return set(re.findall(r'class="because"><strong>Because</strong> ([^<]*)<', page))


def test_the_season_is_remembered_for_two_weeks_and_where_it_stood_never():
    told = Said("PW-07", Sample(origin="tank", feed="pump", fuel="e10", season="warm", storage="indoors"))
    cookie = asking.to_remember(told)
    old = cookie.replace(date.today().isoformat(), str(date.today() - timedelta(15)))
    lately = cookie.replace(date.today().isoformat(), str(date.today() - timedelta(14)))

    expected = {"unit": "PW-07", "origin": "tank", "feed": "pump", "fuel": "e10"}
    assert asking.remembered(cookie) == {**expected, "season": "warm"}
    assert asking.remembered(lately) == {**expected, "season": "warm"}
    assert asking.remembered(old) == expected
    assert asking.to_remember(told, lately) == lately  # kept unseen, it is no younger
    assert asking.to_remember(told, old) == cookie
    other = Said("PW-07", replace(told.sample, season="cold_nights"))
    assert date.today().isoformat() in asking.to_remember(other, lately)


@pytest.mark.parametrize(
    "cookie",
    ["", "[]", "%7B%22season%22%3A%22warm%22%7D", '{"season":"warm","season_on":5}', "\xff", '"season"'],
)
def test_a_forged_cookie_is_as_none(cookie):
    assert asking.remembered(cookie) == {}


@pytest.mark.parametrize(
    "bad", [{"season": ["winter"]}, {"storage": ["shed"]}, {"installed_um": ["0"]}, {"flow_test_um": ["0,5"]}]
)
def test_answers_that_cannot_be_are_refused(bad):
    with pytest.raises(UserError):
        asking.read(bad)


def test_the_machine_lends_its_set_up_and_an_element_only_with_its_own_rating():
    machine = Machine("PW-07", type="outboard", head_mm=90, power_kw=4, installed_um=75, element="screen")
    lent = asking.read({"unit": ["pw-07"]}, machine).sample
    other = asking.read({"unit": ["pw-07"], "installed_um": ["10"]}, machine).sample

    assert (lent.machine, lent.machine_type, lent.head_mm, lent.power_kw) == ("PW-07", "outboard", 90, 4)
    assert (lent.installed_um, lent.element) == (75, "screen")
    assert (other.installed_um, other.element) == (10, None)


def test_fuel_age_and_flow_test_can_be_told_and_stay(pc, saved, head):
    said = {"unit": "PW-07", "fuel_age_months": "7", "flow_test_ml_min": "200", "flow_test_um": "75"}
    pc.post(f"/samples/{saved}/said", data=said, headers=head)
    page = pc.get(f"/samples/{saved}").text
    with open_record() as record:
        kept = load_measured(record, saved).sample

    assert (kept.fuel_age_months, kept.flow_test_ml_min, kept.flow_test_um) == (7, 200, 75)
    for name, value in said.items():
        assert f'name="{name}" {"list" if name == "unit" else "value"}="' in page
        assert value in page


def test_under_another_machine_the_first_ones_tank_and_power_do_not_stay(pc, saved):
    del pc
    with open_record() as record:
        restate(record, saved, replace(load_measured(record, saved).sample, head_mm=120.0, power_kw=3.0))
        put_right(record, saved, asking.read({"unit": ["PW-07"]}))
        same = load_measured(record, saved).sample
        put_right(record, saved, asking.read({"unit": ["TP-99"]}))
        other = load_measured(record, saved).sample

    assert (same.head_mm, same.power_kw) == (120, 3)
    assert (other.head_mm, other.power_kw) == (None, None)


def test_the_page_speaks_of_the_earlier_sample_and_follows_it(pc, saved, head, tmp_path):
    with open_record() as record:
        restate(record, saved, replace(load_measured(record, saved).sample, origin="tank"))
        made = invented(tmp_path / "photos", count=50, seed=7, origin="tank")
        then = save_sample(record, made.analysis, [made.photo], unit="PW-07").number
        seen = [told(pc, saved)]
        for day in (date(2025, 5, 3), date(2024, 5, 3)):
            visit = save_visit(record, "PW-07", ServiceVisit(day)).number
            attach_sample(record, then, visit=visit)
            seen.append(told(pc, saved))
        piece = {"action": "reject", "who": "AB"}
        seen.append(told(pc, saved))
        sized = [each for each in pc.get(f"/samples/{then}/pieces").json()["pieces"] if not each["small"]]
        pc.post(f"/samples/{then}/pieces", data={**piece, "piece": str(sized[0]["id"])}, headers=head)
        seen.append(told(pc, saved))
        attach_sample(record, then, unit="TP-1")
        seen.append(told(pc, saved))

    assert "Another of the same day does not count" in seen[0]
    assert f"Compared with sample {then} of 3 May 2025" in seen[1]
    assert f"Compared with sample {then} of 3 May 2024" in seen[2]
    assert seen[3] == seen[2]
    assert earlier(seen[4]) == earlier(seen[3]) - 1
    assert seen[5].endswith("holds no earlier sample of PW-07 to compare with.")


def told(pc, number: int) -> str:
    """Return what a sample's page says of last time."""
    return re.findall(r"<strong>Last time:</strong> ([^<]*)</p>", pc.get(f"/samples/{number}").text)[0]


def earlier(said: str) -> int:
    return int(re.findall(r"(\d+) then", said)[0])
