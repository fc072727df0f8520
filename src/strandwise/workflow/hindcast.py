"""A campaign's own firings, each predicted from its strands and its other firings."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.forecast import FiredMotor, MotorDesign, Reading, hindcast_firings
from strandwise.motor import propellant_mass, propellant_volume
from strandwise.reduction import ASSUMED_EFFICIENCY, ASSUMED_GAMMA
from strandwise.workflow.firing_gas import gas_of_firings
from strandwise.workflow.forecast import anchor_of
from strandwise.workflow.motor_design import STANDARD_AMBIENT, tolerances_of
from strandwise.workflow.tracking import analyse_campaign

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import Hindcast
    from strandwise.records import Firing
    from strandwise.reduction import FiringReduction
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["hindcast_campaign"]

_HINDCAST_DRAWS = 4000


def hindcast_campaign(
    reduced: ReducedCampaign, *, draws: int = _HINDCAST_DRAWS, seed: int = 1
) -> Hindcast:
    """Predict every firing of a campaign from its strands and its other firings.

    Parameters
    ----------
    reduced
        The campaign's points.
    draws, seed
        As `strandwise.forecast.hindcast_firings`.

    Raises
    ------
    RequestError
        There is no firing that can be held against a forecast.
    """
    fired: list[FiredMotor] = []
    skipped: list[tuple[str, str]] = []
    records = {firing.test: firing for firing in reduced.campaign.firings}
    for result in reduced.firings:
        made = _fired(reduced, records[result.test], result)
        if isinstance(made, str):
            skipped.append((result.test, made))
        else:
            fired.append(made)
    if not fired:
        why = "; ".join(f"{test}: {reason}" for test, reason in skipped)
        msg = f"campaign `{reduced.campaign.name}` has no firing to hold a forecast against"
        raise RequestError(msg, hint=why or "`strandwise log firing` adds one")
    anchor = anchor_of(reduced)
    pressure = analyse_campaign(reduced, baseline=anchor).pressure
    found = hindcast_firings(
        reduced.points, fired, baseline=anchor, pressure=pressure, draws=draws, seed=seed
    )
    return dataclasses.replace(
        found,
        skipped=(*skipped, *found.skipped),
        cautions=(*found.cautions, *_gas_cautions(reduced, fired)),
    )


def _stated(reduced: ReducedCampaign, firing: Firing) -> float | None:
    common = reduced.campaign.settings.gas
    return firing.gas.characteristic_velocity or common.characteristic_velocity


def _gas_cautions(reduced: ReducedCampaign, fired: Sequence[FiredMotor]) -> list[Caution]:
    """Say where c* comes from for the firings that nobody states one for."""
    predicted = {one.test for one in fired}
    firings = [firing for firing in reduced.campaign.firings if firing.test in predicted]
    if all(_stated(reduced, firing) is not None for firing in firings):
        return []
    told = gas_of_firings(reduced)
    names = [test for test, _ in told.firings]
    if len(names) == 1:
        used = f"every other firing is predicted with that of {names[0]}"
    else:
        used = (
            f"each firing is predicted with the mean of those of {', '.join(names)}, never its own"
        )
    text = f"no characteristic velocity is stated: {used}"
    if told.left_out:
        text += f"; left out: {', '.join(f'{test} ({why})' for test, why in told.left_out)}"
    return [Caution("gas-by-firings", text)]


def _fired(reduced: ReducedCampaign, firing: Firing, result: FiringReduction) -> FiredMotor | str:
    """A firing as a motor to be forecast, or why it cannot be."""
    if firing.exclude:
        return f"excluded: {firing.exclude}"
    if result.point is None or firing.nozzle is None:
        return result.why_no_point or "its record has no nozzle"
    if not result.point.used:
        return result.point.why_not or "its point is not used"
    campaign = reduced.campaign
    batch = campaign.batches[firing.batch]
    mass = propellant_mass(firing.grain, batch.measured_density)
    if mass is None:
        return "neither its mass nor the density of its batch is known"
    density = mass / float(propellant_volume(firing.grain))
    gas, common = firing.gas, campaign.settings.gas
    c_star = _stated(reduced, firing)
    c_star_sd = None
    if c_star is None:
        others = gas_of_firings(reduced, without=firing.test)
        if others.velocity is None:
            return (
                "no characteristic velocity c* is stated, and none of another firing may be used"
                + "".join(f"; {test}: {why}" for test, why in others.left_out)
            )
        c_star, c_star_sd = others.velocity, others.sd
    tolerances, _ = tolerances_of(
        firing.grain,
        firing.nozzle,
        firing.grain_uncertainty,
        (density, firing.grain_uncertainty.density_sd),
        (c_star, c_star_sd),
    )
    design = MotorDesign(
        name=firing.test,
        grain=firing.grain,
        nozzle=firing.nozzle,
        density=density,
        characteristic_velocity=c_star,
        specific_heat_ratio=gas.specific_heat_ratio or common.specific_heat_ratio or ASSUMED_GAMMA,
        thrust_efficiency=firing.nozzle.efficiency or ASSUMED_EFFICIENCY,
        ambient_pressure=firing.ambient_pressure
        or campaign.settings.ambient_pressure
        or STANDARD_AMBIENT,
        free_volume=firing.free_volume,
        tolerances=tolerances,
    )
    return FiredMotor(
        test=firing.test,
        batch=firing.batch,
        formulation=batch.formulation,
        design=design,
        readings=_readings(result),
    )


def _readings(result: FiringReduction) -> tuple[Reading, ...]:
    found = []
    mean, sd = result.mean_pressure, result.pressure_sd or 0.0
    if mean is not None:
        found.append(Reading(quantity="mean-pressure", value=mean, sd=sd))
        # A peak from thrust or read off a dial shares the mean's calibration, and adds its own.
        if result.peak_pressure is not None and result.pressure_from == "gauge":
            peak = result.peak_pressure
            found.append(Reading(quantity="peak-pressure", value=peak, sd=sd * peak / mean))
    if result.burn_time is not None:
        time_sd = result.burn_time_sd or 0.0
        found.append(Reading(quantity="burn-time", value=result.burn_time, sd=time_sd))
    return tuple(found)
