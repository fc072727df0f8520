"""The burn of one motor for many draws at once, stepped in burnt depth.

Gas made, gas stored and gas let out (the balance of Sutton & Biblarz, Rocket Propulsion Elements,
from memory; R·T = (Γc*)², choked throat), with the burnt depth x in place of time and y = ln P:

    dy/dx = [(ρ·RT/P − 1)·A_b(x) − Γ²c*·A_t(x)/r(P)] / V(x),    dt = dx / r(P)

A chamber fills within a hundredth of the web: the equation is stiff, and is stepped by an L-stable
Rosenbrock method of second order (Verwer et al., SIAM J. Sci. Comput. 20 (1999) 1456, from
memory). All faces are taken to burn from the start, at ambient pressure. After burnout the gas
left runs out through the throat: P = P_b·exp(−t/τ), τ = V/(Γ²c*A_t). Erosive burning, where it is
stated, adds to the rate by the flux of all gas through the port of the last segment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from strandwise.motor import HIGHEST_PRESSURE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.forecast.grain_curve import GrainCurve
    from strandwise.motor import ErosiveBurning

    Floats = NDArray[np.float64]

__all__ = ["Burn", "BurnInputs", "Law", "burn_from_arrays"]

_HIGHEST = math.log(HIGHEST_PRESSURE)
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)
_LEAST_ROOM = 0.05  # of the free volume before the burn


class Law(Protocol):
    """Burn-rate laws of all draws."""

    def log_rate(self, log_pressure: Floats) -> Floats:
        """Ln r (m/s) at ln P (Pa), both of shape (draws,)."""

    def slope(self, log_pressure: Floats) -> Floats:
        """Local exponent d ln r/d ln P at ln P (Pa), shape (draws,)."""


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class BurnInputs:
    """What differs from draw to draw, each of shape (draws,) or a number; SI.

    Parameters
    ----------
    density, characteristic_velocity
        kg/m³, m/s.
    gas_energy
        R·T, J/kg.
    throat_from, throat_to
        Throat area at ignition and at the web's burnout, m²; its diameter grows evenly with depth.
    free_volume
        Of the chamber before the burn, m³.
    sizes
        By size of the grain: how much larger than drawn, m.
    start_pressure, lowest_pressure
        At ignition, and what the pressure cannot fall below (that of the air), Pa.
    erosion
        None where the gas stream does not hasten the burn, or nothing is known of it.
    """

    density: Floats
    characteristic_velocity: Floats
    gas_energy: Floats
    throat_from: Floats
    throat_to: Floats
    free_volume: float
    sizes: dict[str, Floats]
    start_pressure: float
    lowest_pressure: float
    erosion: ErosiveBurning | None = None


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Burn:
    """Pressures and times of all draws at the places of the grain's table.

    Parameters
    ----------
    log_pressure
        ln(P/Pa), shape (K, draws).
    time
        s from ignition, shape (K, draws).
    throat
        Throat area, m², shape (K, draws).
    flux
        Gas flux through the port for each Pa of pressure, A_t/(c*·A_port), s/m, shape (K, draws);
        None without erosive burning.
    area_ratio
        Burning over throat area just after each place, shape (K − 1, draws).
    tail_time
        τ, s, shape (draws,).
    """

    log_pressure: Floats
    time: Floats
    throat: Floats
    area_ratio: Floats
    tail_time: Floats
    flux: Floats | None = None


@dataclass(frozen=True, eq=False, slots=True)
class _Balance:
    """dy/dx = (made/P − 1)·fed − vent/r, ln P not below `lowest`; vent = let_out·A_t/V."""

    made: Floats
    let_out: Floats
    lowest: float


@dataclass(frozen=True, eq=False, slots=True)
class _Place:
    """A place as each draw has it: fed = A_b/V, vent as in `_Balance`, flux for each Pa."""

    fed: Floats
    vent: Floats
    flux: Floats | None


@dataclass(frozen=True, eq=False, slots=True)
class _Rates:
    """Burn rates of every draw, hastened by the gas stream where erosive burning is stated."""

    law: Law
    erosion: ErosiveBurning | None

    def slowness(self, y: Floats, stream: Floats | None) -> Floats:
        """1/r, s/m, at ln P and a flux for each Pa."""
        slow = np.exp(-self.law.log_rate(y))
        if self.erosion is None or stream is None:
            return np.asarray(slow)
        extra = self.erosion.extra_rate(np.exp(y) * stream)
        return np.asarray(slow / (1.0 + extra * slow))

    def slope(self, y: Floats, stream: Floats | None, slowness: Floats) -> Floats:
        """Local exponent d ln r/d ln P."""
        own = self.law.slope(y)
        if self.erosion is None or stream is None:
            return own
        flux = np.exp(y) * stream
        extra = self.erosion.extra_rate(flux)
        raised = self.erosion.gain * flux * (extra > 0.0)
        return np.asarray(own * (1.0 - extra * slowness) + raised * slowness)


def burn_from_arrays(
    curve: GrainCurve, law: Law, inputs: BurnInputs, draws: int, until: int | None = None
) -> Burn:
    """Step every draw from ignition to burnout.

    Parameters
    ----------
    curve
        The grain.
    law
        Burn-rate laws of the draws.
    inputs
        The rest of what differs between draws.
    draws
        How many.
    until
        Last place to go to; None: burnout.

    Returns
    -------
    Burn
        Pressures are kept between the lowest and `HIGHEST_PRESSURE`.
    """
    places = curve.depth.size if until is None else until + 1
    table = _Table(curve, inputs)
    rates = _Rates(law, inputs.erosion)
    balance = _Balance(
        np.asarray(inputs.density * inputs.gas_energy),
        np.asarray(inputs.gas_energy / inputs.characteristic_velocity),
        math.log(inputs.lowest_pressure),
    )
    log_pressure = np.empty((places, draws))
    time = np.zeros((places, draws))
    throat = np.empty((places, draws))
    ratio = np.empty((places - 1, draws))
    flux = None if inputs.erosion is None else np.empty((places, draws))
    y = np.full(draws, math.log(inputs.start_pressure))
    throat[0], volume = table.throat(0), table.volume(0)
    vent, stream = balance.let_out * throat[0] / volume, table.flux(0, throat[0])
    slowness = rates.slowness(y, stream)
    log_pressure[0] = y
    if flux is not None:
        flux[0] = stream
    for k in range(places - 1):
        h, first, last = table.step(k)
        ratio[k] = first / throat[k]
        before = _Place(first / volume, vent, stream)
        throat[k + 1], volume = table.throat(k + 1), table.volume(k + 1)
        vent, stream = balance.let_out * throat[k + 1] / volume, table.flux(k + 1, throat[k + 1])
        if flux is not None:
            flux[k + 1] = stream
        y = _step(y, slowness, h, before, _Place(last / volume, vent, stream), rates, balance)
        slower = rates.slowness(y, stream)
        np.add(time[k], 0.5 * h * (slowness + slower), out=time[k + 1])
        log_pressure[k + 1], slowness = y, slower
    return Burn(
        log_pressure=log_pressure,
        time=time,
        throat=throat,
        area_ratio=ratio,
        tail_time=np.broadcast_to(1.0 / vent, (draws,)),
        flux=flux,
    )


def _step(
    y: Floats,
    slowness: Floats,
    h: Floats,
    before: _Place,
    after: _Place,
    rates: _Rates,
    balance: _Balance,
) -> Floats:
    made = balance.made * np.exp(-y)
    grown, out = made * before.fed, before.vent * slowness
    here = grown - before.fed - out
    slow = slowness if after.flux is None else rates.slowness(y, after.flux)
    moved = (made - 1.0) * after.fed - after.vent * slow
    jacobian = out * rates.slope(y, before.flux, slowness) - grown
    # Where the pressure runs away from a steady one nothing is stiff: the step is then Heun's.
    damping = 1.0 / (1.0 - _GAMMA * np.minimum(h * jacobian, 0.0))
    drift = _GAMMA * (moved - here)
    one = damping * (here + drift)
    stage = _bounded(y + h * one, balance.lowest)
    made = balance.made * np.exp(-stage)
    there = (made - 1.0) * after.fed - after.vent * rates.slowness(stage, after.flux)
    two = damping * (there - drift - 2.0 * one)
    return _bounded(y + h * (1.5 * one + 0.5 * two), balance.lowest)


def _bounded(y: Floats, lowest: float) -> Floats:
    return np.asarray(np.minimum(np.maximum(y, lowest), _HIGHEST))


class _Table:
    """The grain's table as each draw has it."""

    def __init__(self, curve: GrainCurve, inputs: BurnInputs) -> None:
        self._curve = curve
        self._off = np.array(np.broadcast_arrays(*inputs.sizes.values()))
        self._slopes = [
            np.array([np.zeros(curve.depth.size) if one is None else one for one in columns]).T
            for columns in zip(*(curve.slopes[name] for name in inputs.sizes), strict=True)
        ]
        self._throat = np.asarray(inputs.throat_from)
        self._ends = (np.sqrt(inputs.throat_from), np.sqrt(inputs.throat_to))
        self._wears = not np.array_equal(*self._ends)
        self._chamber = inputs.free_volume + curve.volume[0]
        # A grain that is larger than drawn leaves less room, but some.
        self._least = _LEAST_ROOM * inputs.free_volume
        self._speed = None if inputs.erosion is None else inputs.characteristic_velocity

    def _moved(self, which: int, k: int, nominal: float) -> Floats:
        if not self._slopes:
            return np.asarray(nominal)
        return np.asarray(nominal + self._slopes[which][k] @ self._off)

    def volume(self, k: int) -> Floats:
        """Gas volume at a place, m³."""
        free = self._chamber - self._moved(3, k, float(self._curve.volume[k]))
        return np.asarray(np.maximum(free, self._least))

    def throat(self, k: int) -> Floats:
        """Throat area at a place, m²."""
        if not self._wears:
            return self._throat
        curve = self._curve
        share = min(float(curve.depth[k] / curve.depth[curve.web_index]), 1.0)
        return np.asarray((self._ends[0] + (self._ends[1] - self._ends[0]) * share) ** 2)

    def flux(self, k: int, throat: Floats) -> Floats | None:
        """Gas flux through the port for each Pa at a place, s/m; None where it is not asked for."""
        port = self._curve.port
        if self._speed is None or port is None:
            return None
        return np.asarray(
            throat / (self._speed * np.maximum(self._moved(4, k, float(port[k])), 1e-12))
        )

    def step(self, k: int) -> tuple[Floats, Floats, Floats]:
        """Length of a step and burning areas at its ends."""
        depth = self._curve.depth
        h = np.asarray(depth[k + 1] - depth[k])
        if self._slopes:
            h = h + (self._slopes[0][k + 1] - self._slopes[0][k]) @ self._off
        return np.maximum(h, 1e-12), self._area(1, k), self._area(2, k)

    def _area(self, which: int, k: int) -> Floats:
        areas = self._curve.area_from if which == 1 else self._curve.area_to
        return np.asarray(np.maximum(self._moved(which, k, float(areas[k])), 1e-12))
