"""How much debris: volume and mass by kind, each with what its unseen thickness leaves open.

Model: a grain is a ball of its equivalent circular diameter times the thickness factor of its kind, a
fibre a round thread likewise (`triage/filters/materials.toml`); mass is that times the kind's density.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from triage.debris.particles import ParticleTable
from triage.filters.materials import Holding, Material, Materials
from triage.sizing.distribution import effective_number, volumes_um3
from triage.sizing.exact import weighted_limits
from triage.sizing.passing import COVER, FEW_PIECES

Array = NDArray[np.float64]

UM3_PER_MM3 = 1e9
UM_PER_MM = 1000.0
MODEL = (
    "Modelled: a photo does not show thickness. A piece is taken as a ball of its outline's diameter, "
    "a fibre as a round thread, times a thickness factor of what it looks like."
)


@dataclass(frozen=True)
class Estimate:
    """A value with its 95 % limits; None where few pieces decide."""

    value: float
    low: float | None
    high: float | None

    def per(self, exposure: float) -> Estimate:
        """Divide by an exposure: hours, litres, millilitres."""
        low, high = (None if limit is None else limit / exposure for limit in (self.low, self.high))
        return Estimate(self.value / exposure, low, high)


@dataclass(frozen=True)
class FibreLength:
    """Fibres by length, the part not photographed included; the mean is weighted by length.

    sum(l^2) / sum(l), as ISO 16065 states fibres (from memory), so that it does not hang on the many short
    ones a photo may miss. Measured along the centre line, unlike volume and mass: no thickness enters.
    """

    total_mm: Estimate
    mean_mm: float


@dataclass(frozen=True)
class KindAmount:
    """The pieces that look like one kind; the limits hold for the model, if they are what they look like."""

    kind: str
    count: int
    volume_mm3: Estimate
    mass_mg: Estimate
    thickness: float
    density_g_cm3: float
    length: FibreLength | None = None  # fibres only


@dataclass(frozen=True)
class Filled:
    """Mass found against what an element of this kind likely holds; shares are 1 where it is full."""

    element: str
    low_mg: float
    high_mg: float
    share_low: float | None
    share_high: float | None
    source: str


@dataclass(frozen=True)
class Amount:
    """All debris of at least `from_um`, the part not photographed included; masses in mg."""

    from_um: float
    count: int
    few_pieces_decide: bool
    volume_mm3: Estimate
    mass_mg: Estimate
    kinds: tuple[KindAmount, ...]
    model: str = MODEL
    mg_per_hour: Estimate | None = None
    mg_per_litre_burnt: Estimate | None = None
    mg_per_ml: Estimate | None = None
    filled: Filled | None = None


@dataclass(frozen=True)
class Exposure:
    """What the debris is spread over, as far as anybody said; `fraction` is the part photographed."""

    fraction: float = 1.0
    hours: float | None = None
    litres: float | None = None
    volume_ml: float | None = None
    element: str | None = None  # the element that held it, if one did


def amount(
    table: ParticleTable, materials: Materials, from_um: float, um_per_px_rel_u: float, exposure: Exposure
) -> Amount:
    """Estimate volume and mass of the sized pieces of at least `from_um` (ECD).

    The limits join, as ratios by squares: random sampling of the pieces (Fay and Feuer), the sizes'
    uncertainty (three times, as volume goes with the cube), and the limits of thickness and density, which
    a whole kind has in common; kinds err apart. Below an effective number of 20 pieces, few decide and
    there is no interval. Kinds are looks only: a wrong one moves the mass by their densities' ratio.
    """
    rows = table[(table["weight"] > 0) & ~table["below_sizing_limit"] & (table["ecd_um"] >= from_um)]
    ball = rows["weight"] * volumes_um3(rows) / UM3_PER_MM3 / exposure.fraction
    named = [kind for kind in materials.of_kind if (rows["kind"] == kind).any()]
    parts = [_kind(rows, ball, materials.of_kind[kind], um_per_px_rel_u) for kind in named]
    lengths = _fibre_length(rows, exposure.fraction, um_per_px_rel_u)
    volume = _sum(rows, [part[0] for part in parts], um_per_px_rel_u)
    mass = _sum(rows, [part[1] for part in parts], um_per_px_rel_u)
    whole = Amount(
        from_um=from_um,
        count=len(rows),
        few_pieces_decide=mass.low is None,
        volume_mm3=volume,
        mass_mg=mass,
        kinds=tuple(
            replace(part[2], length=lengths if part[2].kind == "fibre" else None)
            for part in sorted(parts, key=lambda part: -part[2].mass_mg.value)
        ),
    )
    return replace(
        whole,
        mg_per_hour=mass.per(exposure.hours) if exposure.hours else None,
        mg_per_litre_burnt=mass.per(exposure.litres) if exposure.litres else None,
        mg_per_ml=mass.per(exposure.volume_ml) if exposure.volume_ml else None,
        filled=_filled(mass, materials.holding[exposure.element])
        if exposure.element in materials.holding
        else None,
    )


def _filled(mass_mg: Estimate, holding: Holding) -> Filled:
    """Hold the mass that an element held against what it likely can hold."""
    return Filled(
        element=holding.element,
        low_mg=holding.low_mg,
        high_mg=holding.high_mg,
        share_low=None if mass_mg.low is None else mass_mg.low / holding.high_mg,
        share_high=None if mass_mg.high is None else mass_mg.high / holding.low_mg,
        source=holding.source,
    )


def _fibre_length(rows: ParticleTable, fraction: float, scale_rel_u: float) -> FibreLength | None:
    """Add the fibres' lengths up; limits of random sampling (Fay and Feuer) and of the scale, by squares."""
    fibres = rows[rows["kind"] == "fibre"]
    fibres = fibres[fibres["length_um"] > 0]  # NaN is not
    if not len(fibres):
        return None
    length = fibres["length_um"] / UM_PER_MM
    each = fibres["weight"] * length / fraction
    total, mean = float(each.sum()), float((each * length).sum() / each.sum())
    if effective_number(each) < FEW_PIECES:
        return FibreLength(Estimate(total, None, None), mean)
    low, high = weighted_limits(each)
    scale = COVER * scale_rel_u * total
    reach = float(np.hypot(total - low, scale)), float(np.hypot(high - total, scale))
    return FibreLength(Estimate(total, total - reach[0], total + reach[1]), mean)


@dataclass(frozen=True)
class _Part:
    """One kind's amount of each piece (0 for other kinds), and how far off the whole of it may be, in ln."""

    each: Array
    down: float
    up: float


def _kind(
    rows: ParticleTable, ball: Array, material: Material, scale_rel_u: float
) -> tuple[_Part, _Part, KindAmount]:
    chosen = rows["kind"] == material.kind
    volume = np.where(chosen, ball * material.thickness, 0.0)
    thick = _ratios(material.thickness_low, material.thickness, material.thickness_high)
    dense = _ratios(material.density_low, material.density, material.density_high)
    volumes = _Part(volume, *thick)
    both = (float(np.hypot(thick[0], dense[0])), float(np.hypot(thick[1], dense[1])))
    masses = _Part(volume * material.density, *both)
    said = KindAmount(
        kind=material.kind,
        count=int(np.count_nonzero(chosen)),
        volume_mm3=_sum(rows, [volumes], scale_rel_u),
        mass_mg=_sum(rows, [masses], scale_rel_u),
        thickness=material.thickness,
        density_g_cm3=material.density,
    )
    return volumes, masses, said


def _ratios(low: float, value: float, high: float) -> tuple[float, float]:
    return float(np.log(value / low)), float(np.log(high / value))


def _sum(rows: ParticleTable, parts: list[_Part], scale_rel_u: float) -> Estimate:
    """Add the parts up; limits by squares of the reaches that each source has, as ratios of the total."""
    each = np.sum([part.each for part in parts], axis=0) if parts else np.zeros(len(rows))
    total = float(each.sum())
    if total == 0:
        return Estimate(0.0, None, None)
    if effective_number(each) < FEW_PIECES:
        return Estimate(total, None, None)
    own = np.maximum((rows["ecd_u_um"] / rows["ecd_um"]) ** 2 - scale_rel_u**2, 0)
    alone = 3 * float(np.sqrt((np.square(each) * own).sum())) / total
    sizes = COVER * float(np.hypot(alone, 3 * scale_rel_u))
    sampling = weighted_limits(each)
    share = [float(part.each.sum()) / total for part in parts]
    down = [-np.expm1(-part.down) * weight for part, weight in zip(parts, share, strict=True)]
    up = [np.expm1(part.up) * weight for part, weight in zip(parts, share, strict=True)]
    low = np.sqrt(sum(np.square(down)) + (1 - sampling[0] / total) ** 2 + sizes**2)
    high = np.sqrt(sum(np.square(up)) + (sampling[1] / total - 1) ** 2 + sizes**2)
    return Estimate(total, total * max(1 - float(low), 0.0), total * (1 + float(high)))
