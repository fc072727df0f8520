"""Whether thrust, pressure, mass and throat of one firing can be true together.

Three relations tie them: thrust = C_F · pressure · throat area, ∫ pressure · throat area dt = c* ·
mass, and so ∫ thrust dt = C_F · c* · mass (NASA SP-8039, 1971, pp. 14 and 95). A value that no
nozzle or propellant has means a reading in the wrong unit far more often than a discovery; its size
tells which.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.motor import (
    optimum_thrust_coefficient,
    propellant_volume,
    thrust_coefficient,
    web,
)
from strandwise.records import LARGE_IGNITER
from strandwise.reduction.assumptions import ASSUMED_EFFICIENCY, ASSUMED_GAMMA

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.case import Case

    Floats = NDArray[np.float64]

__all__ = [
    "c_star_cautions",
    "coefficient_cautions",
    "ideal_coefficient",
    "impulse_cautions",
]

_C_STAR_BOUNDS = (300.0, 1900.0)  # m/s; no solid propellant lies outside
_C_STAR_RATIO = (0.75, 1.02)
_USUAL_C_STAR = 900.0  # m/s, sugar propellants; to name a wrong unit by, nothing else
_COEFFICIENT_BOUNDS = (0.6, 1.9)  # delivered thrust coefficient of any nozzle in air
_USUAL_PRESSURE = 4e6  # Pa, of small motors; common practice, no source
_USUAL_DENSITY = 1700.0  # kg/m³; where neither mass nor density is recorded
_DENSITIES = (1000.0, 2200.0)  # kg/m³, and m/s below: usual; common practice, no source
_RATES = (1e-3, 50e-3)
_UNKNOWN_C_STAR, _UNKNOWN_DENSITY = 2.0, 1.3  # how far the bounds give where one is unknown
_SURE = 2.0  # standard uncertainties
_ALIKE = 0.25  # how far, in ln, a ratio may lie from a wrong unit's factor


@dataclass(frozen=True, slots=True)
class _Slip:
    """A reading that is `factor` times too large when made as `text` says."""

    factor: float
    text: str


# Factors between units: NIST SP 811. A slip the other way round has the inverse factor.
_LENGTH_SLIPS = (
    _Slip(0.5, "a throat radius recorded as its diameter"),
    _Slip(2.0, "twice the throat diameter recorded"),
    _Slip(25.4, "a throat in millimetres recorded as inches"),
    _Slip(1.0 / 25.4, "a throat in inches recorded as millimetres"),
    _Slip(0.1, "a throat in centimetres recorded as millimetres"),
    _Slip(10.0, "a throat in millimetres recorded as centimetres"),
)
_THRUST_SLIPS = (
    _Slip(1.0 / 9.80665, "thrust in kgf recorded as N"),
    _Slip(1.0 / 4.4482216, "thrust in lbf recorded as N"),
    _Slip(1e3 / 9.80665, "thrust in gf recorded as N"),
    _Slip(9.80665, "thrust in N recorded as kgf"),
    _Slip(4.4482216, "thrust in N recorded as lbf"),
    _Slip(2.2046226, "thrust in lbf recorded as kgf"),
    _Slip(1.0 / 2.2046226, "thrust in kgf recorded as lbf"),
    _Slip(1e-3 * 9.80665, "thrust in N recorded as gf"),
    _Slip(1e3, "thrust in gf recorded as kgf"),
    _Slip(1e-3, "thrust in kgf recorded as gf"),
)
_TIME_SLIPS = (
    _Slip(60.0, "a burn time in seconds recorded as minutes"),
    _Slip(1e-3, "a burn time in seconds recorded as milliseconds"),
    _Slip(1e3, "a burn time in milliseconds recorded as seconds"),
)
_PRESSURE_SLIPS = (
    _Slip(14.503774, "pressure in psi recorded as bar"),
    _Slip(1.0 / 14.503774, "pressure in bar recorded as psi"),
    _Slip(6.8947573, "pressure in kPa recorded as psi"),
    _Slip(1.0 / 6.8947573, "pressure in psi recorded as kPa"),
    _Slip(10.0, "pressure in bar recorded as MPa"),
    _Slip(0.1, "pressure in MPa recorded as bar"),
)
_MASS_SLIPS = (
    _Slip(28.349523, "a mass in grams recorded as ounces"),
    _Slip(1.0 / 28.349523, "a mass in ounces recorded as grams"),
    _Slip(2.2046226, "a mass in pounds recorded as kilograms"),
    _Slip(1e3, "a mass in grams recorded as kilograms"),
)


def ideal_coefficient(case: Case, pressure: float) -> float | None:
    """Return the ideal thrust coefficient of a firing's nozzle at a pressure (Pa).

    Without an exit diameter that of a nozzle that expands to ambient, the highest it can be;
    None without a nozzle.
    """
    nozzle = case.firing.nozzle
    if nozzle is None:
        return None
    gamma = ASSUMED_GAMMA if case.gamma is None else case.gamma
    ambient = case.surroundings.ambient
    if nozzle.exit_diameter is None:
        return float(optimum_thrust_coefficient(gamma, pressure, ambient))
    angle = nozzle.divergence_half_angle
    return float(thrust_coefficient(gamma, nozzle.area_ratio, pressure, ambient, angle))


def coefficient_cautions(
    case: Case, coefficient: float | None, pressure: float, c_star: float | None
) -> list[Caution]:
    """Warn where thrust, pressure and throat give a coefficient that no nozzle in air has.

    Parameters
    ----------
    case
        The firing.
    coefficient
        Mean thrust / (mean pressure · throat area); None without both channels.
    pressure
        Mean, absolute, Pa.
    c_star
        From pressure, throat and mass, m/s; it tells whether thrust or the others are wrong.
    """
    low, high = _COEFFICIENT_BOUNDS
    if coefficient is None or low <= coefficient <= high:
        return []
    expected = ASSUMED_EFFICIENCY * (ideal_coefficient(case, pressure) or 1.4)
    off = math.log(coefficient / expected)
    reference = case.characteristic_velocity or _USUAL_C_STAR
    sound = c_star is not None and abs(math.log(c_star / reference)) < math.log(1.5)
    slips = [(math.log(s.factor), s.text) for s in _THRUST_SLIPS]
    if not sound:  # a wrong throat or pressure would show in c* as well
        slips += [(-2.0 * math.log(s.factor), s.text) for s in _LENGTH_SLIPS]
        slips += [(-math.log(s.factor), s.text) for s in _PRESSURE_SLIPS]
        slips += _gauge_slips(case, pressure, -1.0)
    told = "c* fits, so thrust is" if sound else "one of thrust, pressure and throat is"
    text = (
        f"thrust over pressure and throat gives a thrust coefficient of {coefficient:.3g}, where "
        f"a nozzle in air has {low:g} to {high:g}: {told} wrong"
    )
    return [Caution("channels-disagree", text + _likely(off, slips))]


def impulse_cautions(
    case: Case, impulse: float, burn_time: float, pressure: float | None
) -> list[Caution]:
    """Warn where thrust alone was measured and asks for a coefficient that no nozzle in air has.

    C_F = ∫ F dt / (m c*) needs no throat. With one, the pressure that the propellant can make,
    p = m c* / (A_t t), stands beside the one that the thrust asks for (NASA SP-8039, 1971, pp. 14
    and 95).

    Parameters
    ----------
    case
        The firing. Without a c* 900 m/s is taken and the bounds are twice as wide; without a mass
        1.7 g/cm³, and a third wider.
    impulse, burn_time
        N·s, s.
    pressure
        Mean, absolute, Pa, from the thrust; None without a nozzle.
    """
    nozzle, volume = case.firing.nozzle, float(propellant_volume(case.firing.grain))
    say = case.wording
    c_star = case.characteristic_velocity or _USUAL_C_STAR
    mass = volume * _USUAL_DENSITY if case.mass is None else case.mass
    loose = 1.0 if case.characteristic_velocity else _UNKNOWN_C_STAR
    loose *= 1.0 if case.mass is not None else _UNKNOWN_DENSITY
    low, high = _COEFFICIENT_BOUNDS
    burnt = mass if case.burnt_mass is None else case.burnt_mass
    coefficient = impulse / (burnt * c_star)
    if low / loose <= coefficient <= high * loose:
        return []
    made = None if nozzle is None else burnt * c_star / (nozzle.throat_area * burn_time)
    # Where a reading is wrong the pressures are too: the coefficient is that of a usual one.
    expected = ideal_coefficient(case, _USUAL_PRESSURE) or 1.4
    text = (
        f"{say.impulse(impulse)} from {say.size(mass, 'kg')} of propellant with a c* of "
        f"{say.speed(c_star)} would take a thrust coefficient of {coefficient:.3g}, where a nozzle "
        f"in air has {low:g} to {high:g}"
    )
    if nozzle is not None and made is not None and pressure is not None:
        text += (
            f"; on the throat of {say.size(nozzle.throat_diameter, 'm')} this propellant makes "
            f"about {say.signal(made, 'Pa', 2)} in {burn_time:.3g} s, and the thrust would take "
            f"{say.signal(pressure, 'Pa', 2)}"
        )
    told, slips = _odd_reading(case, mass / volume, burn_time)
    if coefficient < low:
        told += ", unless part of the propellant was lost unburnt"
    off = math.log(coefficient / (ASSUMED_EFFICIENCY * expected))
    return [Caution("thrust-coefficient-impossible", f"{text}: {told}{_likely(off, slips)}")]


def _odd_reading(
    case: Case, density: float, burn_time: float
) -> tuple[str, list[tuple[float, str]]]:
    """Return which of mass, burn time and thrust is most likely wrong, and its slips.

    The grain's sizes stand above the three: they give a density and a burn rate.
    """
    say, rate = case.wording, web(case.firing.grain) / burn_time
    if not _DENSITIES[0] <= density <= _DENSITIES[1]:
        text = (
            f"the mass is most likely wrong, which makes a density of {say.size(density, 'kg/m³')} "
            "with the grain's sizes"
        )
        return text, [(-math.log(s.factor), s.text) for s in _MASS_SLIPS]
    if not _RATES[0] <= rate <= _RATES[1]:
        text = (
            f"the burn time is most likely wrong, which makes a burn rate of {say.burn_rate(rate)} "
            "with the grain's web"
        )
        return text, [(math.log(s.factor), s.text) for s in _TIME_SLIPS]
    text = (
        "the thrust is most likely wrong, since burn time and mass go well with the grain's sizes; "
        "check its unit and the load cell's calibration"
    )
    return text, [(math.log(s.factor), s.text) for s in _THRUST_SLIPS]


def c_star_cautions(
    case: Case,
    c_star: float | None,
    pressure: float | None = None,
    *,
    by_thrust: bool = False,
    relative_sd: float = 0.0,
    sudden: bool = False,
) -> list[Caution]:
    """Warn where c* lies where no propellant, or not the one given, has it.

    Parameters
    ----------
    case
        The firing, with the c* given for the propellant.
    c_star
        Found, m/s; None where it could not be.
    pressure
        Mean, absolute, Pa.
    by_thrust
        Whether the pressure is from thrust, so that neither a gauge nor the throat can be at fault.
    relative_sd
        Standard uncertainty of c* by the thrust coefficient over c*, 1; the bounds give by two.
    sudden
        Whether the pressure was lost so fast at the end that the motor may have burst.
    """
    if c_star is None:
        return []
    expected = case.characteristic_velocity
    low, high = _C_STAR_BOUNDS
    slips = [] if _mass_fits(case) else [(-math.log(s.factor), s.text) for s in _MASS_SLIPS]
    if by_thrust:
        slips += [(math.log(s.factor), s.text) for s in _THRUST_SLIPS]
    else:
        slips += [(2.0 * math.log(s.factor), s.text) for s in _LENGTH_SLIPS]
        slips += [(math.log(s.factor), s.text) for s in _PRESSURE_SLIPS]
    if pressure is not None and not by_thrust:
        slips += _gauge_slips(case, pressure, 1.0)
    readings = "a mass, a thrust" if by_thrust else "a mass, a throat"
    likely, propellants = _without_igniter(case, c_star)
    likely += _likely(math.log(propellants / (expected or _USUAL_C_STAR)), slips)
    if expected is not None:
        least, most = _C_STAR_RATIO
        give = 1.0 + _SURE * relative_sd
        if least / give <= c_star / expected <= most * give:
            return []
        origin = "of the recipe's equilibrium" if case.c_star_calculated else "stated in [gas]"
        text = (
            f"c* comes out at {case.wording.speed(c_star)}, {100.0 * c_star / expected:.0f} % of "
            f"the {case.wording.speed(expected)} {origin}: "
        )
        if sudden and c_star < expected:
            text += (
                "burst? The pressure ends at once, and where a case, a closure or a nozzle let go, "
                "part of the propellant did not burn in the chamber: then neither c* nor the rate "
                f"means anything. If the motor is whole, {readings} or a calibration in the record "
                "is wrong"
            )
        else:
            own = f", and beyond twice its own ±{100.0 * relative_sd:.0f} %," if relative_sd else ""
            text += (
                f"outside 75 to 102 %{own} {readings} or a calibration in the record is more "
                "likely wrong than the propellant new"
            )
        return [Caution("c-star-off", text + likely)]
    if low <= c_star <= high:
        return []
    text = (
        f"c* comes out at {case.wording.speed(c_star)}, which no propellant has: check "
        f"the mass, the {'thrust' if by_thrust else 'throat'} and the units of the readings"
    )
    return [Caution("c-star-off", text + likely)]


def _without_igniter(case: Case, c_star: float) -> tuple[str, float]:
    """Return what to say of an igniter that weighs too much, and c* without its gas, m/s."""
    igniter, mass = case.firing.igniter_mass, case.mass
    if igniter is None or mass is None or igniter <= LARGE_IGNITER * mass:
        return "", c_star
    propellants = c_star * (1.0 + igniter / mass)
    say = case.wording
    text = (
        f"; the igniter_mass of {say.size(igniter, 'kg')} beside {say.size(mass, 'kg')} of "
        f"propellant is counted as gas and is most likely wrong: without it c* would be "
        f"{say.speed(propellants)}"
    )
    return text, propellants


def _mass_fits(case: Case) -> bool:
    """Whether mass and sizes of the grain give a usual density, so that its unit is right."""
    if case.mass is None:
        return False
    low, high = _DENSITIES
    return low <= case.mass / float(propellant_volume(case.firing.grain)) <= high


def _gauge_slips(case: Case, pressure: float, sign: float) -> list[tuple[float, str]]:
    """Return the slips between gauge and absolute, where they are large enough to matter."""
    ambient = case.surroundings.ambient
    slips = [(-sign * math.log(1.0 + ambient / pressure), "gauge readings taken as absolute")]
    if pressure > 1.1 * ambient:
        size = -sign * math.log(1.0 - ambient / pressure)
        slips.append((size, "absolute readings taken as gauge"))
    return [(size, text) for size, text in slips if abs(size) > _ALIKE]


def _likely(off: float, slips: list[tuple[float, str]]) -> str:
    near = sorted((abs(off - size), text) for size, text in slips if abs(off - size) < _ALIKE)
    if not near or abs(off) < math.log(1.5):
        return ""
    return "; it would fit " + ", or ".join(text for _, text in near[:2])
