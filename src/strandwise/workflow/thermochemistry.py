"""Equilibrium of a campaign's recipes, beside what was measured of them.

Needs the extra ``thermo`` for the equilibrium itself; `available` says whether it is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import DataError, RequestError
from strandwise.formulation import resolve_recipes, void_free_density
from strandwise.formulation.equilibrium import available, recipe_equilibrium
from strandwise.records import Gas
from strandwise.workflow.opening import unknown_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.formulation.equilibrium import Equilibrium
    from strandwise.records import Campaign
    from strandwise.tracking import Comparison

__all__ = [
    "DEFAULT_PRESSURE",
    "EnergyAndRate",
    "NoEquilibrium",
    "available",
    "default_gas",
    "energy_and_rate",
    "equilibria",
]

DEFAULT_PRESSURE = 7e6
"""Chamber pressure of an equilibrium where nothing is stated, absolute, Pa."""


@dataclass(frozen=True, kw_only=True, slots=True)
class NoEquilibrium:
    """Why there is no equilibrium of a formulation."""

    formulation: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class EnergyAndRate:
    """What a change of formulation did to the energy, and what it did to the rate.

    Changes are ratios to the baseline less 1. Where a motor keeps its Kn, P = (a ρ c* Kn)^(1/(1−n))
    (Sutton and Biblarz, from memory), so a change moves its pressure by way of c* and density and
    by way of the rate.

    Parameters
    ----------
    formulation
        Compared with the baseline.
    flame_temperature_change
        K.
    characteristic_velocity_change, density_change
        By equilibrium; of the void-free density, None where it is not known.
    rate_change, rate_change_ci95
        Measured, at the comparison's pressure; None where it was not tested.
    pressure_change_by_energy
        Of a motor at the same Kn by c* and density alone; None where n is not known or not below
        1.
    pressure_change_by_rate
        By the measured rate alone.
    """

    formulation: str
    flame_temperature_change: float
    characteristic_velocity_change: float
    density_change: float | None
    rate_change: float | None
    rate_change_ci95: tuple[float, float] | None
    pressure_change_by_energy: float | None
    pressure_change_by_rate: float | None


def equilibria(
    campaign: Campaign, only: str | None = None, *, pressure: float | None = None
) -> tuple[Equilibrium | NoEquilibrium, ...]:
    """Equilibrium of each formulation, or why there is none.

    Parameters
    ----------
    campaign
        Free of faults.
    only
        One formulation; None: all, in the file's order.
    pressure
        Absolute, Pa; None: the campaign's reference pressure, else 7 MPa.

    Raises
    ------
    RequestError
        The extra is not installed, or there is no such formulation; with `only`, also where the
        formulation has no equilibrium.
    """
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    if only is not None and only not in recipes:
        error = unknown_name("formulation", only, recipes)
        raise error
    at = pressure or campaign.settings.reference_pressure or DEFAULT_PRESSURE
    found: list[Equilibrium | NoEquilibrium] = []
    for name, recipe in recipes.items():
        if only not in (None, name):
            continue
        try:
            found.append(recipe_equilibrium(recipe, campaign.ingredients, at))
        except (RequestError, DataError) as error:
            if only is not None or not available():
                raise
            found.append(NoEquilibrium(formulation=name, reason=str(error)))
    return tuple(found)


def default_gas(campaign: Campaign, formulation: str, pressure: float | None = None) -> Gas:
    """Gas of a formulation by equilibrium, for a campaign that states none.

    The characteristic velocity is that of full equilibrium without losses: the upper end of what
    a motor can show.

    Parameters
    ----------
    campaign
        Free of faults.
    formulation
        Whose recipe.
    pressure
        Absolute, Pa; None: the campaign's reference pressure, else 7 MPa.

    Returns
    -------
    Gas
        Without values where the extra is not installed or the recipe has no equilibrium.
    """
    if not available():
        return Gas()
    try:
        (found,) = equilibria(campaign, formulation, pressure=pressure)
    except (RequestError, DataError):
        return Gas()
    if isinstance(found, NoEquilibrium):
        return Gas()
    return Gas(
        characteristic_velocity=found.characteristic_velocity,
        specific_heat_ratio=found.specific_heat_ratio,
    )


def energy_and_rate(
    campaign: Campaign,
    comparison: Comparison,
    found: Sequence[Equilibrium | NoEquilibrium] | None = None,
) -> tuple[EnergyAndRate, ...]:
    """Both heads of each change: its energy by equilibrium, its rate as measured.

    Parameters
    ----------
    campaign
        Free of faults.
    comparison
        Of its tests; its pressure is that of the equilibria.
    found
        Equilibria of all formulations at that pressure; None: they are computed.

    Returns
    -------
    tuple of EnergyAndRate
        Of the formulations that have an equilibrium, the baseline left out.

    Raises
    ------
    RequestError
        The extra is not installed, or the baseline has no equilibrium.
    """
    if found is None:
        found = equilibria(campaign, pressure=comparison.pressure)
    known = {item.formulation: item for item in found if not isinstance(item, NoEquilibrium)}
    if comparison.baseline not in known:
        msg = f"the baseline {comparison.baseline} has no equilibrium"
        raise RequestError(msg, hint="`strandwise mix show --equilibrium` says why")
    base = known.pop(comparison.baseline)
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    base_density = void_free_density(recipes[base.formulation], campaign.ingredients)
    rows = {row.formulation: row for row in comparison.formulations}
    heads = []
    for item in known.values():
        row = rows.get(item.formulation)
        density = void_free_density(recipes[item.formulation], campaign.ingredients)
        velocity = item.characteristic_velocity / base.characteristic_velocity - 1.0
        heavier = density / base_density - 1.0 if density and base_density else None
        shift = None if row is None else row.shift
        exponent = None if row is None or row.n is None or row.n >= 1 else row.n
        heads.append(
            EnergyAndRate(
                formulation=item.formulation,
                flame_temperature_change=item.flame_temperature - base.flame_temperature,
                characteristic_velocity_change=velocity,
                density_change=heavier,
                rate_change=shift,
                rate_change_ci95=None if row is None else row.shift_ci95,
                pressure_change_by_energy=(
                    None
                    if exponent is None or heavier is None
                    else ((1.0 + velocity) * (1.0 + heavier)) ** (1.0 / (1.0 - exponent)) - 1.0
                ),
                pressure_change_by_rate=(
                    None
                    if exponent is None or shift is None
                    else (1.0 + shift) ** (1.0 / (1.0 - exponent)) - 1.0
                ),
            )
        )
    return tuple(heads)
