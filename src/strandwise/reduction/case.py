"""What the records say about one firing, with the campaign's defaults, and what all ways share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.findings import Caution
from strandwise.motor import propellant_mass
from strandwise.reduction.chamber_pressure import STANDARD_AMBIENT, Surroundings
from strandwise.reduction.plausibility import throat_cautions
from strandwise.reduction.points import RatePoint, without_impossible
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from strandwise.records import Firing, Gas
    from strandwise.reduction.results import FiringReduction

__all__ = ["Case", "case_of", "point_of", "specific_impulse_of"]

_NO_BURN_TIME = {"burst": "the signal is lost at once", "chuffing": "the motor chuffed"}
_STANDARD_GRAVITY = 9.80665  # m/s², NIST SP 811


@dataclass(frozen=True, slots=True)
class Case:
    """What the records say about one firing, the campaign's defaults filled in.

    Parameters
    ----------
    firing, formulation
        The record and the formulation of its batch.
    gamma, characteristic_velocity
        γ, 1, and c*, m/s; None where unknown.
    surroundings
        Ambient pressure.
    mass
        Of the propellant, kg; None where unknown.
    density
        Of the propellant, the grain's or else the batch's, kg/m³; None where neither is known.
    exponent
        n of the rate law for rate-mean pressures, 1.
    cautions
        What had to be assumed.
    c_star_calculated
        Whether c* is that of the recipe's equilibrium and not stated by anyone.
    wording
        Units of the sentences.
    """

    firing: Firing
    formulation: str
    gamma: float | None
    characteristic_velocity: float | None
    surroundings: Surroundings
    mass: float | None
    density: float | None
    exponent: float
    cautions: tuple[Caution, ...]
    c_star_calculated: bool = False
    wording: Wording = METRIC

    @property
    def burnt_mass(self) -> float | None:
        """Of propellant and igniter, kg; None where the propellant's is unknown."""
        return None if self.mass is None else self.mass + (self.firing.igniter_mass or 0.0)


def case_of(
    firing: Firing,
    formulation: str,
    gas: Gas,
    ambient: float | None,
    density: float | None,
    exponent: float,
    *,
    c_star_calculated: bool = False,
    wording: Wording = METRIC,
) -> Case:
    """Fill in what a firing's record leaves to the campaign (arguments as `reduce_firing`)."""
    own = firing.gas
    recorded = firing.ambient_pressure if firing.ambient_pressure is not None else ambient
    cautions: tuple[Caution, ...] = ()
    if recorded is None:
        assumed = wording.air(STANDARD_AMBIENT)
        text = f"no ambient pressure or altitude is recorded: {assumed} is assumed"
        cautions = (Caution("ambient-assumed", text),)
    return Case(
        firing=firing,
        formulation=formulation,
        gamma=_first(own.specific_heat_ratio, gas.specific_heat_ratio),
        characteristic_velocity=_first(own.characteristic_velocity, gas.characteristic_velocity),
        surroundings=Surroundings(
            STANDARD_AMBIENT if recorded is None else recorded, recorded is not None
        ),
        mass=propellant_mass(firing.grain, density),
        density=_first(firing.grain.density, density),
        exponent=exponent,
        cautions=(*cautions, *throat_cautions(firing.nozzle)),
        c_star_calculated=c_star_calculated,
        wording=wording,
    )


def _first(own: float | None, general: float | None) -> float | None:
    return general if own is None else own


def point_of(case: Case, result: FiringReduction, uncertainty: str) -> RatePoint | None:
    """Return the rate point of a reduced firing; None where rate or pressure is missing."""
    if result.rate_thickness_over_time is None or result.rate_mean_pressure is None:
        return None
    firing = case.firing
    why_not = firing.exclude or _no_burn_time(firing, result)
    point = RatePoint(
        test=firing.test,
        batch=firing.batch,
        formulation=result.formulation,
        kind="firing",
        pressure=result.rate_mean_pressure,
        pressure_sd=result.pressure_sd,
        rate=result.rate_thickness_over_time,
        rate_sd=result.rate_sd,
        uncertainty=uncertainty,
        shared_sd=None if result.budget is None else result.budget.shared_law_sd,
        correlation=0.0 if result.budget is None else result.budget.correlation,
        temperature=firing.temperature,
        used=why_not is None,
        why_not=why_not,
        cautions=result.cautions,
    )
    return without_impossible(point, case.wording)


def _no_burn_time(firing: Firing, result: FiringReduction) -> str | None:
    """Why no web burnt through between the events found; None where it did, or a person says so."""
    if firing.trace is None or firing.events.web_burnout is not None:
        return None
    codes = {caution.code for caution in result.cautions}
    for code, what in _NO_BURN_TIME.items():
        if code in codes:
            return (
                f"{what}, so that the time found is no burn time: set [events] web_burnout if the "
                "web did burn through"
            )
    return None


def specific_impulse_of(impulse: float | None, mass: float | None) -> float | None:
    """Return impulse (N·s) over the weight of the propellant (kg), s; None if either is."""
    if impulse is None or mass is None:
        return None
    return impulse / (mass * _STANDARD_GRAVITY)
