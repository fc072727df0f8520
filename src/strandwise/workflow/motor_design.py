"""A motor's file and a campaign's records as the motor that is to be forecast."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import RequestError, did_you_mean
from strandwise.findings import Caution
from strandwise.forecast import IN_SI, MotorDesign, Tolerances
from strandwise.motor import EndBurner, HollowCylinder, MultiCore, propellant_volume
from strandwise.records import grain_density, read_motor
from strandwise.reduction import (
    ASSUMED_EFFICIENCY,
    ASSUMED_GAMMA,
    DENSITY_SD,
    DIAMETER_SD,
    LENGTH_SD,
    THROAT_SD,
)
from strandwise.units import METRIC, digits_text
from strandwise.workflow.firing_gas import gas_of_firings
from strandwise.workflow.opening import pressure_scale
from strandwise.workflow.thermochemistry import default_gas

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from strandwise.forecast import VelocityFrom, Wording
    from strandwise.motor import Grain, Nozzle
    from strandwise.records import Campaign, CampaignFolder, Gas, GrainUncertainty, MotorRecord
    from strandwise.units import Wording as UnitWording
    from strandwise.workflow.firing_gas import FiredGas
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["STANDARD_AMBIENT", "design_of", "find_motor", "tolerances_of"]

STANDARD_AMBIENT = 101_325.0
"""Pa; where neither ambient pressure nor altitude is recorded."""

_EXAMPLE = 1780.0  # kg/m³
_FIRINGS_AGREE = 0.03
_C_STAR_SD = 0.02
"""Share of a stated c* that it may be off, where nobody says it; a guess."""


def find_motor(folder: CampaignFolder, campaign: Campaign, named: Path) -> MotorRecord:
    """Read a motor's file: the path as it stands, else a name in the campaign's `motors/`.

    Raises
    ------
    RequestError
        There is no such file.
    RecordsError
        It has faults; the error carries them all.
    """
    path = folder.motor(named)
    if path is None:
        motors = [one.stem for one in folder.motor_files()]
        msg = f"there is no motor's file `{named}`"
        there = f" (there {'is' if len(motors) == 1 else 'are'} {', '.join(motors)})"
        raise RequestError(
            msg,
            expected="a .toml file with [grain] and [nozzle], or the name of one in "
            f"{folder.shown(folder.path / 'motors')}{there if motors else ''}",
            hint=did_you_mean(named.stem, motors),
        )
    return read_motor(path, folder.shown(path), pressure_scale(campaign))


def design_of(
    reduced: ReducedCampaign,
    motor: MotorRecord,
    formulation: str,
    *,
    wording: Wording | None = None,
) -> tuple[MotorDesign, tuple[Caution, ...]]:
    """The motor filled with a formulation: what its file leaves open comes from the campaign.

    Density: the file's, else the mean of the formulation's batches with their spread. c*: the
    file's, else the campaign's, else the mean of what those of the campaign's firings gave that
    may be used (`gas_of_firings`), else that of the recipe's equilibrium, which is the most that a
    motor can show.

    Parameters
    ----------
    reduced, motor, formulation
        The campaign's points, the motor as drawn, and what it is filled with.
    wording
        How cautions write quantities; None: in SI.

    Raises
    ------
    RequestError
        Density or c* is known from nowhere.
    """
    cautions = [
        Caution("unread-key", f"{remark.source}: {remark.message}") for remark in motor.remarks
    ]
    settings = reduced.campaign.settings
    density, density_sd = _density(reduced, motor, formulation)
    c_star, c_star_sd, default, velocity_from = _characteristic_velocity(
        reduced, motor, formulation, cautions, wording or IN_SI
    )
    gamma = motor.gas.specific_heat_ratio or settings.gas.specific_heat_ratio
    if gamma is None and default is not None:
        gamma = default.specific_heat_ratio
    if gamma is None:
        gamma = ASSUMED_GAMMA
        cautions.append(
            Caution("gamma-assumed", f"no ratio of specific heats is stated: {gamma} is assumed")
        )
    efficiency = motor.nozzle.efficiency
    if efficiency is None:
        efficiency = ASSUMED_EFFICIENCY
        text = f"no efficiency of the nozzle is stated: {efficiency} is assumed for the thrust"
        cautions.append(Caution("efficiency-assumed", text))
    ambient = motor.ambient_pressure or settings.ambient_pressure
    if ambient is None:
        ambient = STANDARD_AMBIENT
        text = "no ambient pressure or altitude is recorded: "
        text += f"{(wording or IN_SI).pressure(ambient)} is assumed"
        cautions.append(Caution("ambient-assumed", text))
    if motor.pressure_limit is None:
        text = "the motor's file states no pressure_limit in [case]: nothing is held against it"
        cautions.append(Caution("no-case-limit", text))
    after = motor.nozzle.throat_diameter_after
    if after is not None and after < motor.nozzle.throat_diameter:
        text = "the throat is stated to be smaller after the burn than before: the pressure rises "
        text += "as it closes; a throat that wears grows"
        cautions.append(Caution("throat-closes", text))
    tolerances, assumed = tolerances_of(
        motor.grain,
        motor.nozzle,
        motor.grain_uncertainty,
        (density, density_sd),
        (c_star, c_star_sd),
        reduced.wording,
    )
    if assumed:
        text = f"no standard uncertainty is stated of {', '.join(assumed)}: those are assumed"
        cautions.append(Caution("tolerances-assumed", text))
    design = MotorDesign(
        name=motor.name,
        grain=motor.grain,
        nozzle=motor.nozzle,
        density=density,
        characteristic_velocity=c_star,
        specific_heat_ratio=gamma,
        thrust_efficiency=efficiency,
        ambient_pressure=ambient,
        free_volume=motor.free_volume,
        tolerances=tolerances,
        case_limit=motor.pressure_limit,
        temperature=motor.temperature,
        temperature_low=motor.temperature_low,
        temperature_high=motor.temperature_high,
        erosion=motor.erosion,
        velocity_from=velocity_from,
    )
    return design, tuple(cautions)


def tolerances_of(
    grain: Grain,
    nozzle: Nozzle,
    stated: GrainUncertainty,
    density: tuple[float, float | None],
    c_star: tuple[float, float | None],
    wording: UnitWording = METRIC,
) -> tuple[Tolerances, tuple[str, ...]]:
    """Standard uncertainties as stated, else as the reduction of firings takes them.

    Returns them, and what was assumed in words, in the units of `wording`.
    """
    throat, diameter, length = (
        wording.size(one, "m") for one in (THROAT_SD, DIAMETER_SD, LENGTH_SD)
    )
    wanted = {"throat_diameter": (nozzle.throat_diameter_sd, THROAT_SD, "throat", throat)}
    if isinstance(grain, HollowCylinder | MultiCore):
        wanted["core_diameter"] = (stated.core_diameter_sd, DIAMETER_SD, "core", diameter)
    if isinstance(grain, HollowCylinder | MultiCore | EndBurner):
        wanted["outer_diameter"] = (
            stated.outer_diameter_sd,
            DIAMETER_SD,
            "outer diameter",
            diameter,
        )
        wanted["length"] = (stated.length_sd, LENGTH_SD, "length", length)
    wanted["density"] = (density[1], DENSITY_SD * density[0], "density", "1 %")
    wanted["characteristic_velocity"] = (
        c_star[1],
        _C_STAR_SD * c_star[0],
        "characteristic velocity",
        "2 %",
    )
    values = {name: own or assumed for name, (own, assumed, _, _) in wanted.items()}
    told = tuple(f"{what} ({size})" for own, _, what, size in wanted.values() if not own)
    return Tolerances(**values), told


def _density(
    reduced: ReducedCampaign, motor: MotorRecord, formulation: str
) -> tuple[float, float | None]:
    stated = motor.grain_uncertainty.density_sd
    if motor.grain.density is not None:
        return motor.grain.density, stated
    found = [
        batch.measured_density
        for batch in reduced.campaign.batches.values()
        if batch.formulation == formulation and batch.measured_density is not None
    ]
    if found:
        spread = float(np.std(found, ddof=1)) if len(found) > 1 else None
        return float(np.mean(found)), stated or spread
    if motor.grain.mass is not None:
        return motor.grain.mass / float(propellant_volume(motor.grain)), stated
    raise _no_density(reduced, formulation)


def _no_density(reduced: ReducedCampaign, formulation: str) -> RequestError:
    """Ask for the density, in the reader's unit; with what the weighed firings show, if any."""
    campaign = reduced.campaign
    mixed = {name for name, one in campaign.batches.items() if one.formulation == formulation}
    weighed = [grain_density(firing) for firing in campaign.firings if firing.batch in mixed]
    shown = [density for density in weighed if density is not None]
    example = reduced.wording.size(float(np.median(shown)) if shown else _EXAMPLE, "kg/m³", 4)
    hint = ""
    if shown:
        count = f"the {len(shown)} weighed firings" if len(shown) > 1 else "the one weighed firing"
        hint = f"mass over volume of {count} of {formulation} gives {example}"
        if len(shown) > 1:
            low, high = (reduced.wording.size(one, "kg/m³", 4) for one in (min(shown), max(shown)))
            hint += f" (median, of {low} to {high})"
    msg = f"the density of {formulation} is not known"
    where = "in [grain] of the motor's file, or that of a batch"
    return RequestError(msg, expected=f'density = "{example}" {where}', hint=hint)


def _characteristic_velocity(
    reduced: ReducedCampaign,
    motor: MotorRecord,
    formulation: str,
    cautions: list[Caution],
    wording: Wording,
) -> tuple[float, float | None, Gas | None, VelocityFrom]:
    """c*, its standard uncertainty, the gas by equilibrium where that is the source, the source."""
    write, sd = wording.velocity, motor.characteristic_velocity_sd
    own = motor.gas.characteristic_velocity or reduced.campaign.settings.gas.characteristic_velocity
    if own is not None:
        # What is stated may be the fault: it does not judge the firings.
        fired = gas_of_firings(reduced, by_ratio=False)
        if fired.velocity is not None and abs(fired.velocity / own - 1.0) > _FIRINGS_AGREE:
            cautions.append(
                Caution(
                    "characteristic-velocity",
                    f"{_firings(fired)} gave a characteristic velocity of {write(fired.velocity)}, "
                    f"the forecast uses {write(own)} as stated: pressure goes with it",
                )
            )
        return own, sd, None, "stated"
    fired = gas_of_firings(reduced)
    if fired.velocity is not None:
        # A stated uncertainty without its value does not make the firings agree better.
        off = max(sd or 0.0, fired.sd or 0.0)
        cautions.append(Caution("gas-by-firings", _by_firings(fired, off, write)))
        return fired.velocity, off, None, "firings"
    default = default_gas(reduced.campaign, formulation)
    if default.characteristic_velocity is None:
        msg = f"the characteristic velocity c* is not known{_left_out(fired)}"
        raise RequestError(
            msg,
            expected='characteristic_velocity = "890 m/s" in [gas] of the motor\'s file or of '
            "campaign.toml, or a firing with a pressure gauge and a weighed grain",
        )
    text = (
        f"no characteristic velocity is stated or measured: {formulation} is taken to have "
        f"{write(default.characteristic_velocity)}, that of its recipe's chemical "
        f"equilibrium without losses, the most that a motor can show{_left_out(fired)}"
    )
    cautions.append(Caution("gas-by-equilibrium", text))
    return default.characteristic_velocity, sd, default, "equilibrium"


def _by_firings(fired: FiredGas, sd: float, write: Callable[[float], str]) -> str:
    assert fired.velocity is not None
    shown = ", ".join(f"{test} {write(value)}" for test, value in fired.firings)
    count = len(fired.firings)
    text = f"no characteristic velocity is stated: {write(fired.velocity)} is taken, "
    if count == 1:
        text += f"that of one firing ({fired.firings[0][0]}), which shows no spread"
    else:
        spread = 100.0 * (fired.spread or 0.0) / fired.velocity
        text += f"the mean of {count} firings ({shown}), which spread by {digits_text(spread)} %"
    text += f"; the next motor's may be off by {digits_text(100.0 * sd / fired.velocity)} % "
    return f"{text}(standard uncertainty){_left_out(fired)}"


def _firings(fired: FiredGas) -> str:
    names = [test for test, _ in fired.firings]
    return f"the firing{'s' if len(names) > 1 else ''} {', '.join(names)}"


def _left_out(fired: FiredGas) -> str:
    if not fired.left_out:
        return ""
    return f"; left out: {', '.join(f'{test} ({why})' for test, why in fired.left_out)}"
