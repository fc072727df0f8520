"""The burn of one motor for many draws at once, stepped in burnt depth.

Gas made, gas stored and gas let out (the balance of Sutton & Biblarz, Rocket Propulsion Elements,
from memory; R·T = (Γc*)², choked throat), with the burnt depth x in place of time and y = ln P:

    dy/dx = [(ρ·RT/P − 1)·A_b(x) − Γ²c*·A_t(x)/r(P)] / V(x),    dt = dx / r(P)

A chamber fills within a hundredth of the web: the equation is stiff, and is stepped by an L-stable
Rosenbrock method of second order (Verwer et al., SIAM J. Sci. Comput. 20 (1999) 1456, from
memory). All faces are taken to burn from the start, at ambient pressure. After burnout the gas
left runs out through the throat: P = P_b·exp(−t/τ), τ = V/(Γ²c*A_t).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.forecast.grain_curve import GrainCurve

    Floats = NDArray[np.float64]

__all__ = ["HIGHEST_PRESSURE", "Burn", "BurnInputs", "Law", "burn_from_arrays"]

HIGHEST_PRESSURE = 200e6
"""Pa; a draw that reaches it counts as without a steady pressure."""

_HIGHEST = math.log(HIGHEST_PRESSURE)
_GAMMA = 1.0 - 1.0 / math.sqrt(2.0)


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


@dataclass(frozen=True, eq=False, slots=True)
class _Balance:
    """dy/dx = (made/P − 1)·A/V − let_out·A_t/(r·V), ln P not below `lowest`."""

    made: Floats
    let_out: Floats
    lowest: float


def burn_from_arrays(curve: GrainCurve, law: Law, inputs: BurnInputs, draws: int) -> Burn:
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

    Returns
    -------
    Burn
        Pressures are kept between the lowest and `HIGHEST_PRESSURE`.
    """
    places = curve.depth.size
    table = _Table(curve, inputs)
    balance = _Balance(
        np.asarray(inputs.density * inputs.gas_energy),
        np.asarray(inputs.gas_energy / inputs.characteristic_velocity),
        math.log(inputs.lowest_pressure),
    )
    log_pressure = np.empty((places, draws))
    time = np.zeros((places, draws))
    throat = np.empty((places, draws))
    ratio = np.empty((places - 1, draws))
    y = np.full(draws, math.log(inputs.start_pressure))
    slowness = np.exp(-law.log_rate(y))
    log_pressure[0], throat[0] = y, table.throat(0)
    for k in range(places - 1):
        h, first, last, here, there = table.step(k)
        throat[k + 1] = table.throat(k + 1)
        ratio[k] = first / throat[k]
        before, after = (first, here, throat[k]), (last, there, throat[k + 1])
        y = _step(y, slowness, h, before, after, law, balance)
        slower = np.exp(-law.log_rate(y))
        time[k + 1] = time[k] + 0.5 * h * (slowness + slower)
        log_pressure[k + 1], slowness = y, slower
    tail = table.volume(places - 1) / (balance.let_out * throat[-1])
    return Burn(
        log_pressure=log_pressure,
        time=time,
        throat=throat,
        area_ratio=ratio,
        tail_time=np.broadcast_to(tail, (draws,)),
    )


_Place = tuple["Floats", "Floats", "Floats"]  # burning area, gas volume, throat area


def _step(
    y: Floats,
    slowness: Floats,
    h: Floats,
    before: _Place,
    after: _Place,
    law: Law,
    balance: _Balance,
) -> Floats:
    made = balance.made * np.exp(-y)
    out = balance.let_out * slowness
    here = ((made - 1.0) * before[0] - out * before[2]) / before[1]
    moved = ((made - 1.0) * after[0] - out * after[2]) / after[1]
    jacobian = (out * before[2] * law.slope(y) - made * before[0]) / before[1]
    # Where the pressure runs away from a steady one nothing is stiff: the step is then Heun's.
    damping = 1.0 / (1.0 - _GAMMA * np.minimum(h * jacobian, 0.0))
    drift = _GAMMA * (moved - here)
    one = damping * (here + drift)
    stage = np.clip(y + h * one, balance.lowest, _HIGHEST)
    made = balance.made * np.exp(-stage)
    out = balance.let_out * np.exp(-law.log_rate(stage))
    there = ((made - 1.0) * after[0] - out * after[2]) / after[1]
    two = damping * (there - drift - 2.0 * one)
    return np.asarray(np.clip(y + h * (1.5 * one + 0.5 * two), balance.lowest, _HIGHEST))


class _Table:
    """The grain's table as each draw has it."""

    def __init__(self, curve: GrainCurve, inputs: BurnInputs) -> None:
        self._curve = curve
        self._off = [(curve.slopes[name], off) for name, off in inputs.sizes.items()]
        self._ends = (np.sqrt(inputs.throat_from), np.sqrt(inputs.throat_to))
        self._chamber = inputs.free_volume + curve.volume[0]

    def _moved(self, which: int, k: int, nominal: float) -> Floats:
        value = np.asarray(nominal)
        for slopes, off in self._off:
            value = value + slopes[which][k] * off
        return value

    def volume(self, k: int) -> Floats:
        """Gas volume at a place, m³."""
        return np.asarray(
            np.maximum(self._chamber - self._moved(3, k, float(self._curve.volume[k])), 1e-9)
        )

    def throat(self, k: int) -> Floats:
        """Throat area at a place, m²."""
        curve = self._curve
        share = min(float(curve.depth[k] / curve.depth[curve.web_index]), 1.0)
        return np.asarray((self._ends[0] + (self._ends[1] - self._ends[0]) * share) ** 2)

    def step(self, k: int) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Length of a step, areas at its ends, gas volumes at its ends."""
        curve = self._curve
        h = self._moved(0, k + 1, float(curve.depth[k + 1])) - self._moved(
            0, k, float(curve.depth[k])
        )
        first = self._moved(1, k, float(curve.area_from[k]))
        last = self._moved(2, k, float(curve.area_to[k]))
        return (
            np.maximum(h, 1e-12),
            np.maximum(first, 1e-12),
            np.maximum(last, 1e-12),
            self.volume(k),
            self.volume(k + 1),
        )
