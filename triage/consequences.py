"""What follows from the sizes: what went past, what it could do, how much it is, how standards put it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from triage.debris.particles import ParticleTable
from triage.filters import Filter
from triage.filters.materials import load_materials
from triage.filters.orifices import load_orifices
from triage.sizing import Sizes
from triage.sizing.amount import Amount, Exposure, amount
from triage.sizing.orifices import OrificeRisk, orifice_risks, reach_of
from triage.sizing.ratings import widest_passing
from triage.sizing.standards import Standards, in_standards
from triage.sizing.went_past import WentPast, installed_filter, went_past

if TYPE_CHECKING:
    from triage.analysis import Sample

GATHERED = ("filter", "clean_side", "bowl")  # debris that came there while the engine ran


@dataclass(frozen=True)
class Consequences:
    """Each part by itself; `went_past` and the amount's `filled` only for debris that a filter held."""

    went_past: WentPast | None
    orifices: tuple[OrificeRisk, ...]
    amount: Amount
    standards: Standards


def consequences(
    table: ParticleTable, sizes: Sizes, sample: Sample, filters: Sequence[Filter], scale_rel_u: float
) -> Consequences:
    """Work out what follows from one sample's particles, all above `sizes.from_um`.

    Raises
    ------
    UserError
        The shop's own list of orifices or materials is wrong.
    """
    fraction, from_um = sample.fraction or 1.0, sizes.from_um
    installed = widest = held_by = None
    if sample.installed_um is not None:
        installed = installed_filter(sample.installed_um, sample.element, filters)
        widest = widest_passing(installed.rating_um, installed.element)
        held_by = installed if sample.origin == "filter" else None
    element = held_by.element if held_by else None
    since_change = sample.origin in GATHERED
    exposure = Exposure(
        fraction,
        hours=sample.hours if since_change else None,
        litres=sample.litres if since_change else None,
        volume_ml=None if since_change else sample.volume_ml,
        element=element,
    )
    feed = "injection" if sample.fuel == "diesel" else sample.feed or "gravity"
    orifices = [entry for entry in load_orifices() if feed in entry.feeds]
    reach = reach_of(sample.origin, sample.installed_um, widest)
    return Consequences(
        went_past=went_past(table, held_by, from_um, scale_rel_u, fraction) if held_by else None,
        orifices=orifice_risks(table, orifices, from_um, scale_rel_u, reach),
        amount=amount(table, load_materials(), from_um, scale_rel_u, exposure),
        standards=in_standards(table, sizes, sample.volume_ml, fraction),
    )
