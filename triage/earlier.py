"""An earlier sample of the same machine beside this one: what is compared, and the sentence that says so."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from triage.advice_texts import either_size, pieces
from triage.debris.particles import ParticleTable
from triage.rate_words import PER_WORDS, times
from triage.sizing.compare import UNITS, Comparison, DebrisSample, How, compare
from triage.sizing.spread import Spread

if TYPE_CHECKING:
    from triage.analysis import Sample

EXPOSURES = dict(zip(UNITS, ("volume_ml", "hours", "litres", "months"), strict=True))
VERDICTS = {
    "cleaner": "cleaner",
    "dirtier": "dirtier",
    "no_difference_shown": "no difference shown",
    "too_little_to_tell": "too few pieces to tell a change",
}


@dataclass(frozen=True)
class Earlier:
    """The machine's earlier sample that this one is compared with; None where there is none, and why."""

    sample: DebrisSample | None
    why_none: str = ""
    taken: str = ""  # what of the machine's set-up was taken from the record, as a sentence
    spread: Spread = field(default_factory=Spread)


@dataclass(frozen=True)
class History:
    """What the earlier sample says, as one sentence or two; None where nothing was compared."""

    said: str
    comparison: Comparison | None = None


def history_of(
    table: ParticleTable, from_um: float, sample: Sample, earlier: Earlier, method_version: str
) -> History:
    """Compare the earlier sample with this one, over the sizes that both could measure."""
    if earlier.sample is None:
        return History(" ".join(filter(None, (earlier.taken, earlier.why_none))))
    now = replace(debris_sample("this sample", table, from_um, sample), method_version=method_version)
    found = compare([earlier.sample], [now], How(earlier.spread))
    said = _said(found, earlier.sample.name)
    return History(" ".join(filter(None, (earlier.taken, said))), found)


def debris_sample(name: str, table: ParticleTable, from_um: float, sample: Sample) -> DebrisSample:
    """Return what a comparison needs: the sized pieces of at least `from_um` that stand in counts."""
    sized = ~table["below_sizing_limit"] & (table["weight"] > 0) & (table["ecd_um"] >= from_um)
    exposures = {unit: getattr(sample, name) for unit, name in EXPOSURES.items()}
    return DebrisSample(
        name=name,
        from_um=from_um,
        size_um=table["ecd_um"][sized].astype(float),
        kind=table["kind"][sized].astype(str),
        exposures={unit: value for unit, value in exposures.items() if value},
        fraction=sample.fraction or 1.0,
        origin=sample.origin,
        method=sample.method,
        machine=sample.machine,
    )


def _said(found: Comparison, name: str) -> str:
    over = either_size(found.sizes_from_um)
    counts = f"{pieces(found.after.count)} over {over} now, {found.before.count or 'none'} then"
    ratio = f"; per {PER_WORDS[found.per]} {times(found.rate_ratio)}"
    told = "" if found.verdict == "too_little_to_tell" else ratio
    finding = f"Compared with {name}: {counts}{told}: {VERDICTS[found.verdict]}."
    return " ".join(
        [finding, "Here a piece's size is the width of a circle of the same area.", *found.cautions]
    )
