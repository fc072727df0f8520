"""The motor that is to be forecast, as drawn, and how far each size may be off."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from strandwise.errors import DataError
from strandwise.motor import port_area
from strandwise.reduction import free_volume_of, vandenkerckhove

if TYPE_CHECKING:
    from strandwise.motor import ErosiveBurning, Grain, Nozzle

__all__ = ["MotorDesign", "Tolerances", "VelocityFrom"]

VelocityFrom = Literal["stated", "firings", "equilibrium"]
"""Where a forecast's c* is from: a record, the campaign's firings, or the recipe's equilibrium."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Tolerances:
    """Standard uncertainties of a motor's sizes and materials, SI; 0 where nothing is allowed for.

    Parameters
    ----------
    throat_diameter, core_diameter, outer_diameter, length
        m; `length` of every segment alike.
    density, characteristic_velocity
        kg/m³, m/s.
    thrust_efficiency
        Of the delivered over the ideal thrust coefficient, 1.
    """

    throat_diameter: float = 0.0
    core_diameter: float = 0.0
    outer_diameter: float = 0.0
    length: float = 0.0
    density: float = 0.0
    characteristic_velocity: float = 0.0
    thrust_efficiency: float = 0.0

    def __post_init__(self) -> None:
        for name in (one.name for one in dataclasses.fields(self)):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                msg = f"a standard uncertainty of {value:g} for the {name.replace('_', ' ')}"
                raise DataError(msg, expected="0 or more")


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorDesign:
    """A motor to be forecast; SI units, absolute pressures.

    Parameters
    ----------
    name
        For people.
    grain, nozzle
        As drawn. A `throat_diameter_after` is what the throat grows to, evenly with the web.
    density, characteristic_velocity, specific_heat_ratio
        Of the propellant as cast, kg/m³; of its gas, m/s and 1.
    thrust_efficiency
        Delivered over ideal thrust coefficient, divergence apart, 1.
    ambient_pressure
        Pa.
    free_volume
        Of the chamber before the burn, cores included, m³; None: as the reduction of firings
        assumes it. Only the filling of the chamber and the tail-off depend on it.
    tolerances
        How far sizes and materials may be off.
    case_limit
        Absolute pressure that the case is made for, Pa; None where not stated.
    temperature
        Of the propellant before the burn, K; None: as the tests were.
    temperature_low, temperature_high
        The cold and the hot end of what the motor may be fired at, K; None where not stated.
    erosion
        How the gas stream hastens the burn; None where nothing is known of it.
    velocity_from
        Whether c* is as stated, measured in firings, or that of the recipe's equilibrium.

    Raises
    ------
    DataError
        A value is not positive, the ratio of specific heats is not above 1, or erosive burning is
        stated of a grain without a known core.
    """

    name: str
    grain: Grain
    nozzle: Nozzle
    density: float
    characteristic_velocity: float
    specific_heat_ratio: float
    thrust_efficiency: float
    ambient_pressure: float
    free_volume: float | None = None
    tolerances: Tolerances = field(default_factory=Tolerances)
    case_limit: float | None = None
    temperature: float | None = None
    temperature_low: float | None = None
    temperature_high: float | None = None
    erosion: ErosiveBurning | None = None
    velocity_from: VelocityFrom = "stated"

    def __post_init__(self) -> None:
        for name in (
            "density",
            "characteristic_velocity",
            "thrust_efficiency",
            "ambient_pressure",
            "free_volume",
            "case_limit",
            "temperature",
            "temperature_low",
            "temperature_high",
        ):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                msg = f"{name.replace('_', ' ')} of the motor is {value:g} in SI units"
                raise DataError(msg, expected="a number above 0")
        if not 1.0 < self.specific_heat_ratio < 2.0:
            msg = f"a ratio of specific heats of {self.specific_heat_ratio:g}"
            raise DataError(msg, expected="a number above 1, commonly 1.05 to 1.4")
        if self.erosion is not None and port_area(self.grain) is None:
            msg = "erosive burning in a grain without a core of known size"
            raise DataError(msg, expected="a grain whose gas flows along a core")

    @property
    def gas_energy(self) -> float:
        """R·T = (Γ c*)², J/kg."""
        return (vandenkerckhove(self.specific_heat_ratio) * self.characteristic_velocity) ** 2

    @property
    def chamber_free_volume(self) -> float:
        """Volume of the chamber's gas before the burn, m³: as stated, else assumed."""
        return free_volume_of(self.grain) if self.free_volume is None else self.free_volume
