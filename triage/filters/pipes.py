"""Pressure that fuel needs to get through hose, fittings, cloth, paper and orifice, SI units throughout."""

from __future__ import annotations

import math

GRAVITY = 9.80665
LAMINAR_TO = 2300.0  # Reynolds number
L_H = 1e-3 / 3600  # m3/s in a litre an hour
SIEVE_WIRE = 2 / 3  # wire over opening of standard cloth: 100/150, 50/75 (ASTM E11-17)


def head_pa(density: float, head_m: float) -> float:
    """Hydrostatic pressure, Pa, under a height of liquid, m."""
    return density * GRAVITY * head_m


def velocity(flow: float, bore: float) -> float:
    """Mean velocity, m/s, of a flow, m3/s, in a round bore, m."""
    return 4 * flow / (math.pi * bore**2)


def hose_pa(flow: float, bore: float, length: float, density: float, viscosity: float) -> float:
    """Darcy-Weisbach in a smooth round hose: Hagen-Poiseuille up to Re 2300, Blasius above."""
    if flow <= 0:
        return 0.0
    speed = velocity(flow, bore)
    reynolds = density * speed * bore / viscosity
    friction = 64 / reynolds if reynolds <= LAMINAR_TO else 0.3164 / reynolds**0.25
    return friction * length / bore * density * speed**2 / 2


def fittings_pa(flow: float, bore: float, loss_factor: float, density: float) -> float:
    """Loss of fittings whose factors add up to `loss_factor`, each of the velocity head in the hose."""
    return loss_factor * density * velocity(flow, bore) ** 2 / 2


def orifice_pa(flow: float, bore: float, discharge: float, density: float) -> float:
    """Pressure that drives a flow through an orifice (Bernoulli with a discharge coefficient)."""
    return density / 2 * (velocity(flow, bore) / discharge) ** 2


def cloth_pa(flow: float, opening: float, area: float, density: float, viscosity: float) -> float:
    """Clean square-woven cloth by Armour and Cannon (1968), f = 8.61 / Re + 0.52; thickness two wires.

    `opening` m, `area` of cloth m2. Wire two thirds of the opening, as in standard sieve cloth.
    """
    if flow <= 0:
        return 0.0
    wire = SIEVE_WIRE * opening
    pitch = opening + wire
    void = 1 - math.pi * wire * math.hypot(pitch, wire) / (4 * pitch**2)
    surface = 4 * (1 - void) / wire
    speed = flow / area
    reynolds = density * speed / (viscosity * surface**2 * opening)
    return (8.61 / reynolds + 0.52) * 2 * wire * density * speed**2 / (void**2 * opening)


def paper_pa(flow: float, permeability: float, thickness: float, area: float, viscosity: float) -> float:
    """Darcy's law through a sheet: permeability m2, thickness m, area m2."""
    return viscosity * thickness * flow / (permeability * area)


def bubble_pa(tension: float, opening: float) -> float:
    """Pressure that pushes air or vapour through a fuel-wetted opening: 4 sigma / D, contact angle 0."""
    return 4 * tension / opening
