"""The whole chain from readings to rate, pressure and c*, as a function of the readings alone.

The uncertainty of a firing is worked out by moving its readings and running this again: by one
standard uncertainty at a time (`budget`), or all at once at random (`montecarlo`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from strandwise.errors import DataError
from strandwise.motor import (
    AreaTable,
    pressure_from_thrust,
    propellant_mass,
    propellant_volume,
    web,
)
from strandwise.reduction.assumptions import THROAT_WEAR_BY_PRESSURE
from strandwise.reduction.rates import rates_from_arrays
from strandwise.reduction.swept import GasState, SweptRate, swept_rate_from_arrays
from strandwise.reduction.throat_wear import throat_area_over_time

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from strandwise.motor import Grain, Nozzle
    from strandwise.reduction.case import Case
    from strandwise.reduction.readings import Reading

    Floats = NDArray[np.float64]

__all__ = ["Chain", "HandChain", "Outcome", "Prepared", "TraceChain", "moved_grain"]

_FACTORS = ("exit", "half-angle", "flow")


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What one run of the chain gives; None where the record does not allow it.

    Parameters
    ----------
    rate
        Thickness over time, m/s.
    pressure
        Rate-mean, absolute, Pa.
    characteristic_velocity
        m/s.
    swept
        The swept rate.
    why_not_swept
        Why there is none.
    """

    rate: float
    pressure: float
    characteristic_velocity: float | None
    swept: SweptRate | None = None
    why_not_swept: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Prepared:
    """What a trace and its record come to, before any rate is taken from them.

    Parameters
    ----------
    at
        Values by the readings' keys.
    grain
        Sizes in m.
    pressure, throat_area
        Absolute Pa, m², on the chain's grid; the latter None without a nozzle.
    mass
        Of the propellant, kg; None where unknown.
    """

    at: Mapping[str, float]
    grain: Grain
    pressure: Floats
    throat_area: Floats | None
    mass: float | None

    @property
    def density(self) -> float:
        """Mass over the volume of the grain, kg/m³; of a known mass only."""
        assert self.mass is not None
        return self.mass / float(propellant_volume(self.grain))


@dataclass(frozen=True, kw_only=True, slots=True)
class TraceChain:
    """A firing with a trace, on an even grid over its action time.

    Parameters
    ----------
    case
        The record.
    time, signal
        s, and zeroed gauge pressure above ambient (Pa) or thrust (N); shape (M,).
    by_thrust
        Which of the two the signal is.
    ignition, web_burnout, end
        s.
    readings
        With the keys of `readings`, and ``scale``, ``zero``, ``zero-drift`` and
        ``burn-time``, which holds how much of an uneven web burnt after the burnout.
    """

    case: Case
    time: Floats
    signal: Floats
    by_thrust: bool
    ignition: float
    web_burnout: float
    end: float
    readings: tuple[Reading, ...]

    def prepare(self, moved: Mapping[str, float]) -> Prepared:
        """Return grain, pressure and throat with some readings moved.

        Parameters
        ----------
        moved
            New values by the readings' keys; the others stay as read.

        Raises
        ------
        DataError
            The moved readings are impossible together.
        """
        at = {reading.key: reading.value for reading in self.readings} | dict(moved)
        grain = moved_grain(self.case.firing.grain, at)
        throat = self._throat_area(at)
        return Prepared(
            at=at,
            grain=grain,
            pressure=self._pressure(at, throat),
            throat_area=throat,
            mass=propellant_mass(grain),
        )

    def run(self, moved: Mapping[str, float]) -> Outcome:
        """Return rate, pressure, c* and swept rate with some readings moved.

        Parameters
        ----------
        moved
            New values by the readings' keys; the others stay as read.

        Raises
        ------
        DataError
            The moved readings are impossible together.
        """
        ready = self.prepare(moved)
        at, throat, mass = ready.at, ready.throat_area, ready.mass
        burnout = min(self.web_burnout + at["burn-time"], self.end)
        rates = rates_from_arrays(
            self.time,
            ready.pressure,
            1.0 if throat is None else throat,
            ignition=self.ignition,
            web_burnout=burnout,
            end=self.end,
            web_thickness=web(ready.grain) + at.get("off-centre", 0.0),
            exponent=self.case.exponent,
        )
        c_star = None
        if throat is not None and mass is not None:
            burnt = mass * (1.0 + at.get("igniter", 0.0))
            c_star = rates.pressure_throat_integral / burnt
        outcome = Outcome(
            rate=rates.thickness_over_time,
            pressure=rates.rate_mean_pressure,
            characteristic_velocity=c_star,
        )
        return self._with_swept(outcome, ready)

    def _throat_area(self, at: Mapping[str, float]) -> Floats | None:
        if self.case.firing.nozzle is None:
            return None
        before = at["throat-before"]
        after = at.get("throat-after", before + at.get("throat-wear", 0.0))
        if not (before > 0.0 and after > 0.0):
            say = self.case.wording
            msg = f"a throat of {say.size(before, 'm')} before and {say.size(after, 'm')} after"
            raise DataError(msg, expected="diameters above 0")
        return throat_area_over_time(
            self.time,
            self.signal,
            (math.pi / 4.0 * before**2, math.pi / 4.0 * after**2),
            start=self.ignition,
            end=self.end,
            by_pressure=at.get("throat-course", THROAT_WEAR_BY_PRESSURE[0]),
        )

    def _pressure(self, at: Mapping[str, float], throat: Floats | None) -> Floats:
        along = 2.0 * (self.time - self.ignition) / (self.end - self.ignition) - 1.0
        signal = at["scale"] * self.signal + at["zero"] + at["zero-drift"] * along
        if not self.by_thrust:
            return np.asarray(signal + at["ambient"])
        nozzle = self.case.firing.nozzle
        assert nozzle is not None
        return _from_thrust(signal, nozzle, at, throat)

    def _with_swept(self, outcome: Outcome, ready: Prepared) -> Outcome:
        at, throat, mass = ready.at, ready.throat_area, ready.mass
        if outcome.characteristic_velocity is None or throat is None or mass is None:
            missing = "a nozzle" if throat is None else "the propellant's mass or density"
            return replace(outcome, why_not_swept=f"no swept rate: the record lacks {missing}")
        density = at.get("density", self.case.density)
        gas = GasState(
            gamma=at["gamma"],
            characteristic_velocity=outcome.characteristic_velocity,
            density=ready.density if density is None else density,
            free_volume=max(at["free-volume"], 0.0),
            ambient_pressure=at["ambient"],
            igniter_share=at.get("igniter", 0.0),
        )
        try:
            swept = swept_rate_from_arrays(
                self.time, ready.pressure, throat, ready.grain, gas, web_burnout=self.web_burnout
            )
        except DataError as error:
            return replace(outcome, why_not_swept=f"no swept rate: {error}")
        return replace(outcome, swept=swept)


@dataclass(frozen=True, kw_only=True, slots=True)
class HandChain:
    """A firing read by hand: one burn time and one mean.

    Parameters
    ----------
    case
        The record.
    by_thrust
        Whether the mean is one of thrust.
    readings
        With the keys of `readings`, and ``burn-time`` and ``mean`` (N, or absolute Pa).
    """

    case: Case
    by_thrust: bool
    readings: tuple[Reading, ...]

    def run(self, moved: Mapping[str, float]) -> Outcome:
        """Return rate, pressure and c* with some readings moved (as `TraceChain.run`)."""
        at = {reading.key: reading.value for reading in self.readings} | dict(moved)
        if not (at["burn-time"] > 0.0 and at["mean"] > 0.0):
            msg = f"a burn time of {at['burn-time']:g} s and a mean of {at['mean']:g}"
            raise DataError(msg, expected="both above 0")
        grain = moved_grain(self.case.firing.grain, at)
        nozzle = self.case.firing.nozzle
        area = None
        if nozzle is not None:
            before = at["throat-before"]
            after = at.get("throat-after", before + at.get("throat-wear", 0.0))
            area = math.pi / 8.0 * (before**2 + after**2)
        pressure = at["mean"]
        if self.by_thrust:
            assert nozzle is not None
            pressure = float(_from_thrust(np.asarray(at["mean"]), nozzle, at, np.asarray(area)))
        mass = propellant_mass(grain)
        c_star = None
        if area is not None and mass is not None:
            burnt = mass * (1.0 + at.get("igniter", 0.0))
            c_star = pressure * area * at["burn-time"] / burnt
        return Outcome(
            rate=(web(grain) + at.get("off-centre", 0.0)) / at["burn-time"],
            pressure=pressure,
            characteristic_velocity=c_star,
        )


Chain = TraceChain | HandChain
"""Either way to a rate point."""


def moved_grain(grain: Grain, at: Mapping[str, float]) -> Grain:
    """Return the grain with the sizes and the mass that `at` holds by the readings' keys."""
    if isinstance(grain, AreaTable):
        stretch = at.get("web", web(grain)) / web(grain)
        slivers = grain.slivers_from
        grain = replace(
            grain,
            web=tuple(stretch * depth for depth in grain.web),
            slivers_from=None if slivers is None else stretch * slivers,
        )
    changes: dict[str, Any] = {
        name: at[name.replace("_", "-")]
        for name in ("outer_diameter", "core_diameter", "diameter", "length", "mass", "density")
        if name.replace("_", "-") in at
    }
    lengths = getattr(grain, "lengths", ())
    if lengths and "lengths" in at:
        longer = at["lengths"] - sum(lengths) / len(lengths)
        changes["lengths"] = tuple(length + longer for length in lengths)
    return replace(grain, **changes)


def _from_thrust(
    thrust: Floats, nozzle: Nozzle, at: Mapping[str, float], throat: Floats | None
) -> Floats:
    factor = math.prod(at[key] for key in _FACTORS if key in at)
    return pressure_from_thrust(
        thrust,
        nozzle,
        gamma=at["gamma"],
        ambient=at["ambient"],
        efficiency=at["efficiency"] * factor,
        throat_area=throat,
    )
