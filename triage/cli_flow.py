"""The command that says whether an engine still gets fuel through each filter of the list."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from triage import options
from triage.errors import UserError

if TYPE_CHECKING:
    from triage.filters.feed import FeedSetup

NAMED = {
    "hose_bore_mm": "--hose-bore-mm",
    "hose_length_mm": "--hose-length-mm",
    "temperature_c": "--temperature-c",
}


def flow(
    feed: options.FeedOption = None,
    power_kw: options.PowerKwOption = None,
    power_hp: Annotated[float | None, typer.Option(min=0, help="rated power, hp")] = None,
    head_mm: options.HeadMmOption = None,
    fuel: options.FuelOption = None,
    cylinders: Annotated[int | None, typer.Option(min=1, max=16, help="cylinders of the engine")] = None,
    hose_bore_mm: Annotated[float | None, typer.Option(help="inside of the hose; 1/4 in is 6.35")] = None,
    hose_length_mm: Annotated[float | None, typer.Option(help="tank to carburettor")] = None,
    temperature_c: Annotated[float | None, typer.Option(help="temperature of the fuel")] = None,
    flow_test_ml_min: options.FlowTestOption = None,
    flow_test_um: options.FlowTestUmOption = None,
    assume: Annotated[
        str | None, typer.Option(metavar="NAME=NUMBER,...", help="put numbers in the place of assumptions")
    ] = None,
) -> None:
    """Say which filters of the list keep this engine fed, and how to test it at the bench."""
    from triage.filters import load_filters
    from triage.filters.feed import KW_PER_HP, FeedSetup
    from triage.filters.flow import judge
    from triage.report.feed import feed_text

    if power_kw is not None and power_hp is not None:
        raise UserError("Give the power once: --power-kw or --power-hp.")
    setup = FeedSetup(
        feed=feed.value if feed else None,
        fuel=fuel.value if fuel else "petrol",
        power_kw=power_hp * KW_PER_HP if power_hp is not None else power_kw,
        cylinders=cylinders,
        head_mm=head_mm,
        flow_test_ml_min=flow_test_ml_min,
        flow_test_um=flow_test_um,
    )
    given = {"hose_bore_mm": hose_bore_mm, "hose_length_mm": hose_length_mm, "temperature_c": temperature_c}
    _check(setup)
    setup = _with_numbers(setup, given, _assumed(assume))
    typer.echo(feed_text(setup, judge(setup, load_filters())), nl=False)


def _check(setup: FeedSetup) -> None:
    for option, number in (
        ("--power", setup.power_kw),
        ("--head-mm", setup.head_mm),
        ("--flow-test-ml-min", setup.flow_test_ml_min),
        ("--flow-test-um", setup.flow_test_um),
    ):
        if number is not None and not math.isfinite(number):
            raise UserError(f"{option} {number:g} is no amount; give an ordinary number or leave it out.")
    if setup.power_kw is not None and setup.power_kw <= 0:
        raise UserError("The power must be above 0; it stands on the engine's plate or in its manual.")
    if setup.feed in {"gravity", None} and setup.head_mm is not None and setup.head_mm <= 0:
        raise UserError(
            "--head-mm must be above 0 on gravity feed: fuel does not run uphill. With a pump give --feed."
        )


def _with_numbers(setup: FeedSetup, given: dict[str, float | None], assumed: dict[str, float]) -> FeedSetup:
    from triage.filters.feed import replaced

    numbers = {name: number for name, number in given.items() if number is not None}
    twice = [NAMED[name] for name in numbers if name in assumed]
    if twice:
        raise UserError(f"{twice[0]} stands in --assume too; give it once.")
    return replaced(setup, {**numbers, **assumed})


def _assumed(text: str | None) -> dict[str, float]:
    numbers = {}
    for part in (text or "").split(","):
        name, equals, number = part.partition("=")
        if not part.strip():
            continue
        try:
            numbers[name.strip()] = float(number)
        except ValueError:
            equals = ""
        if not equals:
            raise UserError(f"--assume {part.strip()}: write NAME=NUMBER, such as seat_mm=1.5.")
    return numbers
