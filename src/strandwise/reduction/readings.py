"""The readings that a firing's result rests on, each with its standard uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from strandwise.motor import (
    AreaTable,
    EndBurner,
    flow_separates,
    optimum_thrust_coefficient,
    propellant_volume,
    thrust_coefficient,
    web,
)
from strandwise.reduction.assumptions import (
    AMBIENT_RECORDED_SD,
    AMBIENT_UNRECORDED_SD,
    ASSUMED_EFFICIENCY,
    ASSUMED_EFFICIENCY_SD,
    ASSUMED_GAMMA,
    DENSITY_SD,
    DIAMETER_SD,
    FREE_VOLUME_SD,
    GAMMA_SD,
    IGNITER_SD,
    LENGTH_SD,
    MASS_SD,
    OFF_CENTRE_SD,
    SEPARATED_SD,
    STATED_EFFICIENCY_SD,
    STATED_FREE_VOLUME_SD,
    STATED_GAMMA_SD,
    STATED_IGNITER_SD,
    SUBSONIC_SD,
    THROAT_SD,
    THROAT_WEAR_BY_PRESSURE,
    UNKNOWN_ANGLE_SD,
)

if TYPE_CHECKING:
    from strandwise.motor import Grain, Nozzle
    from strandwise.reduction.case import Case

__all__ = [
    "Basis",
    "Reading",
    "chamber_readings",
    "free_volume_of",
    "free_volume_reading",
    "grain_readings",
]

Basis = Literal["stated", "assumed", "from the trace", "from the calibration"]

# Attribute of the grain: name, what its uncertainty is called in the record, and what is assumed.
_SIZES = {
    "outer_diameter": ("outer diameter", "outer_diameter_sd", DIAMETER_SD),
    "core_diameter": ("core diameter", "core_diameter_sd", DIAMETER_SD),
    "diameter": ("grain diameter", "outer_diameter_sd", DIAMETER_SD),
    "length": ("grain length", "length_sd", LENGTH_SD),
}
_CORE_SHARE = 0.5  # of the propellant's volume: free volume where the grain's record shows none
_HEADSPACE = 0.5  # outer diameters, the length of the dead space at both ends together


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """One input of a firing's reduction.

    Parameters
    ----------
    key
        Short stable word, such as ``throat-before``.
    name
        For a person.
    value, sd
        SI; value and standard uncertainty.
    unit
        SI unit of both; ``1`` for a share.
    basis
        Where the standard uncertainty comes from.
    """

    key: str
    name: str
    value: float
    sd: float
    unit: str
    basis: Basis


def free_volume_of(grain: Grain) -> float:
    """Return the chamber's free volume before the burn, m³: the core, and dead space assumed.

    The dead space is taken as half an outer diameter long; without a core and diameters, half of
    the propellant's volume is taken. Only chamber filling depends on it.
    """
    volume = float(propellant_volume(grain))
    if isinstance(grain, AreaTable):
        return _CORE_SHARE * volume
    outer = grain.diameter if isinstance(grain, EndBurner) else grain.outer_diameter
    section = math.pi / 4.0 * outer**2
    dead = section * _HEADSPACE * outer
    if isinstance(grain, EndBurner):
        return dead
    lengths = grain.lengths or (grain.length or 0.0,) * grain.segments
    return dead + max(section * sum(lengths) - volume, 0.0)


def grain_readings(case: Case) -> list[Reading]:
    """Return sizes of the grain, its mass or density, and what they leave open."""
    grain = case.firing.grain
    stated = case.firing.grain_uncertainty
    rows = []
    for attribute, (name, of_record, sd) in _SIZES.items():
        value = getattr(grain, attribute, None)
        if isinstance(value, float):
            key = attribute.replace("_", "-")
            rows.append(_reading(key, name, value, getattr(stated, of_record), sd, "m"))
    if lengths := getattr(grain, "lengths", ()):
        name, mean = "mean length of the segments", sum(lengths) / len(lengths)
        rows.append(_reading("lengths", name, mean, stated.length_sd, LENGTH_SD, "m"))
    if isinstance(grain, AreaTable):
        rows.append(_web_reading(case, grain))
    elif not isinstance(grain, EndBurner):
        name = "core off centre (added to the web)"
        rows.append(_assumed("off-centre", name, 0.0, OFF_CENTRE_SD, "m"))
    if grain.mass is not None:
        least, share = MASS_SD
        sd = max(least, share * grain.mass)
        name = "mass of the propellant"
        rows.append(_reading("mass", name, grain.mass, stated.mass_sd, sd, "kg"))
    elif case.density is not None:
        sd = DENSITY_SD * case.density
        name = "density of the propellant"
        rows.append(_reading("density", name, case.density, stated.density_sd, sd, "kg/m³"))
    if case.mass is not None:
        rows.append(_igniter_reading(case.mass, case.firing.igniter_mass))
        rows.append(free_volume_reading(case))
    return rows


def _igniter_reading(mass: float, recorded: float | None) -> Reading:
    name = "igniter's gas, as a share of the propellant's mass"
    if recorded is None:
        least, share = IGNITER_SD
        return _assumed("igniter", name, 0.0, max(least / mass, share), "1")
    share = recorded / mass
    return _assumed("igniter", name, share, STATED_IGNITER_SD * share, "1")


def _web_reading(case: Case, grain: AreaTable) -> Reading:
    """The web of a table; of an offset core's, by the diameters that it was made from."""
    stated = case.firing.grain_uncertainty
    sd = None
    if stated.outer_diameter_sd is not None or stated.core_diameter_sd is not None:
        outer, core = (
            DIAMETER_SD if own is None else own
            for own in (stated.outer_diameter_sd, stated.core_diameter_sd)
        )
        sd = math.hypot(outer / 2.0, core / 2.0, OFF_CENTRE_SD)
    name = "web of the area table"
    if case.firing.offset_core is not None:
        name = "web at the offset core's thinnest wall"
    return _reading("web", name, web(grain), sd, DIAMETER_SD, "m")


def free_volume_reading(case: Case) -> Reading:
    """Return the free volume of the chamber before the burn, m³, as recorded or assumed."""
    name, stated = "free volume of the chamber", case.firing.free_volume
    if stated is not None:
        return _assumed("free-volume", name, stated, STATED_FREE_VOLUME_SD * stated, "m³")
    cored = case.firing.offset_core
    volume = free_volume_of(case.firing.grain if cored is None else cored.cylinder)
    return _assumed("free-volume", name, volume, FREE_VOLUME_SD * volume, "m³")


def _reading(
    key: str, name: str, value: float, stated: float | None, assumed: float, unit: str
) -> Reading:
    """A reading with the standard uncertainty that its record states, else the assumed one."""
    if stated is None:
        return _assumed(key, name, value, assumed, unit)
    return Reading(key=key, name=name, value=value, sd=stated, unit=unit, basis="stated")


def chamber_readings(case: Case, *, by_thrust: bool, level: float) -> list[Reading]:
    """Return throat, ambient pressure, gas, and, for thrust, the nozzle's coefficient.

    Parameters
    ----------
    case
        The firing.
    by_thrust
        Whether pressure comes from thrust.
    level
        Mean chamber pressure, Pa, at which the flow is judged.
    """
    rows = []
    nozzle = case.firing.nozzle
    if nozzle is not None:
        rows += _throat_readings(nozzle)
    recorded = case.surroundings.recorded
    sd = AMBIENT_RECORDED_SD if recorded else AMBIENT_UNRECORDED_SD
    rows.append(_assumed("ambient", "ambient pressure", case.surroundings.ambient, sd, "Pa"))
    gamma = ASSUMED_GAMMA if case.gamma is None else case.gamma
    sd = GAMMA_SD if case.gamma is None else STATED_GAMMA_SD
    rows.append(_assumed("gamma", "ratio of specific heats", gamma, sd, "1"))
    if not by_thrust or nozzle is None:
        return rows
    known = nozzle.efficiency is not None
    efficiency = ASSUMED_EFFICIENCY if nozzle.efficiency is None else nozzle.efficiency
    sd = STATED_EFFICIENCY_SD if known else ASSUMED_EFFICIENCY_SD
    rows.append(_assumed("efficiency", "efficiency of the nozzle", efficiency, sd, "1"))
    ambient = case.surroundings.ambient
    return rows + _flow_readings(nozzle, gamma, level, ambient)


def _throat_readings(nozzle: Nozzle) -> list[Reading]:
    stated = nozzle.throat_diameter_sd
    sd = THROAT_SD if stated is None else stated
    basis: Basis = "assumed" if stated is None else "stated"
    after = nozzle.throat_diameter_after
    ends = [
        ("throat-before", "throat diameter before", nozzle.throat_diameter, sd, basis),
        ("throat-after", "throat diameter after", after, sd, basis),
    ]
    if after is None:
        # Without a reading afterwards the throat keeps the first one's error, and may wear.
        name = "wear of the throat (not measured afterwards)"
        ends[1] = ("throat-wear", name, 0.0, THROAT_SD, "assumed")
    rows = [
        Reading(key=key, name=name, value=float(value or 0.0), sd=sd, unit="m", basis=basis)
        for key, name, value, sd, basis in ends
    ]
    if after is not None:
        name = "course of the throat's wear (with time, or with pressure)"
        rows.append(_assumed("throat-course", name, *THROAT_WEAR_BY_PRESSURE, "1"))
    return rows


def _flow_readings(nozzle: Nozzle, gamma: float, level: float, ambient: float) -> list[Reading]:
    """Return what the shape of the nozzle leaves open of the thrust coefficient, as a factor."""
    rows = []
    if nozzle.exit_diameter is None:
        convergent = float(thrust_coefficient(gamma, None, level, ambient))
        best = float(optimum_thrust_coefficient(gamma, level, ambient))
        sd = (best / max(convergent, 1e-9) - 1.0) / math.sqrt(3.0)
        name = "thrust coefficient: no exit diameter recorded"
        rows.append(_assumed("exit", name, 1.0, sd, "1"))
    elif nozzle.divergence_half_angle is None:
        name = "thrust coefficient: no divergence half-angle recorded"
        rows.append(_assumed("half-angle", name, 1.0, UNKNOWN_ANGLE_SD, "1"))
    ratio = nozzle.area_ratio
    choked = ambient / level <= (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    if not choked:
        name = "thrust coefficient: throat not choked"
        rows.append(_assumed("flow", name, 1.0, SUBSONIC_SD, "1"))
    elif ratio is not None and bool(np.all(flow_separates(gamma, ratio, level, ambient))):
        name = "thrust coefficient: flow leaves the wall"
        rows.append(_assumed("flow", name, 1.0, SEPARATED_SD, "1"))
    return rows


def _assumed(key: str, name: str, value: float, sd: float, unit: str) -> Reading:
    return Reading(key=key, name=name, value=value, sd=sd, unit=unit, basis="assumed")
