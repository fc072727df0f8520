"""A motor whose truth is known, simulated without the package's own physics.

`sim` is the fixture. ``sim.Motor`` describes a motor, ``sim.burn(motor)`` burns it,
``sim.gauge(...)`` and ``sim.load_cell(...)`` read it as a logger would:

    burn = sim.burn(sim.Motor(exponent=0.4))
    time, pressure = sim.gauge(burn, rate=1000.0, noise=0.01, seed=3)

``sim.firing(motor, rng)`` is its record, read exactly or, with a generator, with errors
such as an amateur makes; ``sim.chain(...)`` the chain of a firing from record and channel.

Physics: dp/dt = (Γc*)²/V·[(ρ − ρ_gas) A_b r + igniter − p A_t/c*], dx/dt = r = r₀ (p/p₀)ⁿ, with
R·T = (Γc*)² (Sutton & Biblarz, Rocket Propulsion Elements, from memory); thrust of a
one-dimensional nozzle with (1 + cos α)/2 for its divergence (NASA SP-8039, 1971, p. 29).
Everything here is invented; no motor was fired.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from types import SimpleNamespace

import numpy as np
import pytest

from strandwise.findings import Source
from strandwise.motor import AreaTable, HollowCylinder, Nozzle
from strandwise.records import Firing, Gas
from strandwise.reduction.case import case_of
from strandwise.reduction.emptying import emptied_volume
from strandwise.reduction.events import events_from_arrays
from strandwise.reduction.firing_chain import trace_chain


@dataclass(frozen=True, kw_only=True)
class Motor:
    """Truth of one motor, SI; a grain by its sizes, or by ``table`` (depths, areas).

    ``uneven`` is the half-width of the spread of the web as a share of it: the burning area
    then declines in a straight line from (1 − uneven) to (1 + uneven) webs.
    """

    rate: float = 9.0e-3  # m/s at `at`
    at: float = 4.0e6
    exponent: float = 0.35
    density: float = 1750.0
    c_star: float = 900.0
    gamma: float = 1.13
    outer: float = 38.0e-3
    core: float = 13.0e-3
    length: float = 70.0e-3
    segments: int = 2
    burns: tuple[str, ...] = ("core", "ends")
    table: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    throat: float = 9.0e-3
    throat_after: float | None = None
    exit: float = 17.0e-3
    half_angle: float = math.radians(12.0)
    efficiency: float = 0.95
    dead_volume: float = 15.0e-6
    ambient: float = 101325.0
    uneven: float = 0.0
    igniter: float = 0.0001  # kg of gas, let in over 8 ms

    @property
    def web(self):
        if self.table is not None:
            return self.table[0][-1]
        radial = len({"core", "outer"} & set(self.burns))
        limits = [(self.outer - self.core) / 2.0 / radial] if radial else []
        if "ends" in self.burns:
            limits.append(self.length / 2.0)
        return min(limits)

    def area_without_spread(self, x):
        if self.table is not None:
            return float(np.interp(x, *self.table))
        outer = self.outer - 2.0 * x * ("outer" in self.burns)
        core = self.core + 2.0 * x * ("core" in self.burns)
        length = max(self.length - 2.0 * x * ("ends" in self.burns), 0.0)
        area = math.pi * length * (core * ("core" in self.burns) + outer * ("outer" in self.burns))
        if "ends" in self.burns:
            area += math.pi / 2.0 * (outer**2 - core**2)
        return max(self.segments * area, 0.0)

    def area(self, x):
        half = self.uneven * self.web
        if x >= self.web + half:
            return 0.0
        left = 1.0 if x <= self.web - half else (self.web + half - x) / (2.0 * half)
        return left * self.area_without_spread(min(x, self.web))

    @property
    def mass(self):
        return self.density * volume_of(self)

    @property
    def port_volume(self):
        if self.table is not None:
            return 0.0
        return self.segments * math.pi / 4.0 * self.core**2 * self.length

    def law(self, pressure):
        return self.rate * (pressure / self.at) ** self.exponent


@lru_cache(maxsize=64)
def volume_of(motor):
    x = np.linspace(0.0, motor.web * (1.0 + motor.uneven), 20001)
    return float(np.trapezoid([motor.area(v) for v in x], x))


@dataclass(frozen=True, kw_only=True)
class Burn:
    """What happened: s, Pa, m, N at every instant, the flame starting at 0.

    ``web_time`` is when the mean web had burnt through.
    """

    motor: Motor
    time: np.ndarray
    pressure: np.ndarray
    depth: np.ndarray
    thrust: np.ndarray
    throat_area: np.ndarray
    web_time: float


def vandenkerckhove(g):
    return math.sqrt(g) * (2.0 / (g + 1.0)) ** ((g + 1.0) / (2.0 * (g - 1.0)))


def thrust_of(motor, pressure, area):
    """Thrust of a full-flowing conical nozzle; that of its throat alone where it gives more."""
    g, gamma = motor.gamma, vandenkerckhove(motor.gamma)
    ratio = math.pi / 4.0 * motor.exit**2 / float(np.mean(area))

    def expansion(wall):  # mass flow per area at the throat over that at the wall pressure
        speed = math.sqrt(2.0 * g / (g - 1.0) * (1.0 - wall ** ((g - 1.0) / g)))
        return gamma / (wall ** (1.0 / g) * speed)

    low, high = 1e-6, (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    for _ in range(100):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if expansion(middle) > ratio else (low, middle)
    momentum = gamma * math.sqrt(2.0 * g / (g - 1.0) * (1.0 - low ** ((g - 1.0) / g)))
    divergence = (1.0 + math.cos(motor.half_angle)) / 2.0
    full = divergence * momentum + (low - motor.ambient / pressure) * ratio
    choke = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    throat = (g + 1.0) * choke - motor.ambient / pressure
    force = motor.efficiency * np.maximum(full, throat) * pressure * area
    return np.where(pressure * choke > motor.ambient, force, 0.0)


@lru_cache(maxsize=32)
def burn(motor, step=1.0e-4):
    """Burn a motor by fourth-order Runge–Kutta steps, until 1 % of the peak is left."""
    store = (vandenkerckhove(motor.gamma) * motor.c_star) ** 2
    after = motor.throat if motor.throat_after is None else motor.throat_after
    ends = (math.pi / 4.0 * motor.throat**2, math.pi / 4.0 * after**2)
    free, whole = motor.port_volume + motor.dead_volume, volume_of(motor)
    depths = np.linspace(0.0, motor.web * (1.0 + motor.uneven), 4001)
    areas = np.array([motor.area(v) for v in depths])
    burnt = np.concatenate([[0.0], np.cumsum(np.diff(depths) * (areas[1:] + areas[:-1]) / 2.0)])
    per = (len(depths) - 1) / depths[-1]
    areas_list, burnt_list = areas.tolist(), burnt.tolist()

    def throat_area(x):
        return ends[0] + (ends[1] - ends[0]) * min(x / motor.web, 1.0)

    def slopes(t, p, x):
        k = min(int(x * per), len(areas_list) - 2)
        share = min(x * per - k, 1.0)
        area = areas_list[k] + share * (areas_list[k + 1] - areas_list[k])
        if x >= depths[-1]:
            area = 0.0
        volume = free + min(burnt_list[k] + share * (burnt_list[k + 1] - burnt_list[k]), whole)
        r = motor.law(p)
        gas = (motor.density - p / store) * area * r
        gas += motor.igniter / 0.008 if t < 0.008 else 0.0
        out = p * throat_area(x) / motor.c_star if p > motor.ambient else 0.0
        return store / volume * (gas - out), r if x < depths[-1] else 0.0

    t, p, x, peak = 0.0, motor.ambient, 0.0, motor.ambient
    rows = [(t, p, x)]
    while p > 0.01 * peak and (x < depths[-1] or p > 1.02 * motor.ambient) and len(rows) < 2**18:
        k1 = slopes(t, p, x)
        k2 = slopes(t + step / 2, p + step / 2 * k1[0], x + step / 2 * k1[1])
        k3 = slopes(t + step / 2, p + step / 2 * k2[0], x + step / 2 * k2[1])
        k4 = slopes(t + step, p + step * k3[0], x + step * k3[1])
        p = max(p + step / 6 * (k1[0] + 2 * k2[0] + 2 * k3[0] + k4[0]), motor.ambient)
        x += step / 6 * (k1[1] + 2 * k2[1] + 2 * k3[1] + k4[1])
        t += step
        peak = max(peak, p)
        rows.append((t, p, x))
    time, pressure, depth = np.array(rows).T
    area = ends[0] + (ends[1] - ends[0]) * np.minimum(depth / motor.web, 1.0)
    return Burn(
        motor=motor,
        time=time,
        pressure=pressure,
        depth=depth,
        thrust=thrust_of(motor, pressure, area),
        throat_area=area,
        web_time=float(np.interp(motor.web, depth, time)),
    )


def sampled(result, signal, rest, *, rate, before, after, jitter, rng):
    """Return instants and true values of a channel, with quiet parts before and after."""
    time = np.arange(-before, result.time[-1] + after, 1.0 / rate)
    if jitter:
        time = np.sort(time + rng.uniform(-0.5, 0.5, len(time)) * jitter / rate)
    return time, np.interp(time, result.time, signal, left=rest, right=rest)


def read(values, level, *, gain, noise, offset, drift, time, quantum, rng):
    """Return what a channel reads; noise, offset and drift (per s) as shares of ``level``."""
    read_out = gain * values + level * (offset + drift * (time - time[0]))
    read_out = read_out + rng.normal(0.0, noise * level, len(values)) if noise else read_out
    return quantum * np.round(read_out / quantum) if quantum else read_out


def channel(result, signal, rest, keys):
    rng = np.random.default_rng(keys.pop("seed"))
    clock = {key: keys.pop(key) for key in ("rate", "before", "after", "jitter")}
    start = keys.pop("start")
    time, values = sampled(result, signal, rest, rng=rng, **clock)
    values = read(values, float(np.max(signal)), time=time, rng=rng, **keys)
    return time - time[0] + start, values


DEFAULTS = {
    "rate": 1000.0,
    "before": 0.5,
    "after": 0.5,
    "start": 0.0,
    "jitter": 0.0,
    "gain": 1.0,
    "noise": 0.0,
    "offset": 0.0,
    "drift": 0.0,
    "quantum": 0.0,
    "seed": 0,
}


def gauge(result, **keys):
    """Return time (s, from ``start``) and absolute pressure (Pa) as read; see ``DEFAULTS``."""
    return channel(result, result.pressure, result.motor.ambient, DEFAULTS | keys)


def load_cell(result, **keys):
    """Return time (s, from ``start``) and thrust (N) as read; see ``DEFAULTS``."""
    return channel(result, result.thrust, 0.0, DEFAULTS | keys)


def firing(motor, rng=None, **more):
    """Return the record of a motor; with a generator each reading has its error.

    The sizes of the errors are written out here, not taken from the package: 0.2 mm in a grain's
    diameter, 0.3 mm in its length, 0.05 mm in the throat, 0.5 g or 0.2 % in the mass.
    """

    def off(sd):
        return 0.0 if rng is None else float(rng.normal(0.0, sd))

    mass = motor.mass + off(max(0.5e-3, 0.002 * motor.mass))
    if motor.table is not None:
        grain = AreaTable(*motor.table, mass=mass)
    else:
        grain = HollowCylinder(
            motor.outer + off(0.2e-3),
            motor.core + off(0.2e-3),
            motor.length + off(0.3e-3),
            motor.segments,
            frozenset({"outer", "core", "ends"} - set(motor.burns)),
            mass=mass,
        )
    after = motor.throat if motor.throat_after is None else motor.throat_after
    nozzle = Nozzle(
        motor.throat + off(0.05e-3),
        after + off(0.05e-3),
        motor.exit,
        motor.half_angle,
        efficiency=motor.efficiency,
    )
    fields = {"test": "S-1", "batch": "B-1", "grain": grain, "nozzle": nozzle} | more
    return Firing(source=Source("firings/S-1.toml"), **fields)


def chain(motor, record, time, values, *, by_thrust=False):
    """Return the events of a channel and the chain of the firing."""
    gas = Gas(characteristic_velocity=motor.c_star, specific_heat_ratio=motor.gamma)
    case = case_of(record, "base", gas, motor.ambient, motor.density, motor.exponent)
    unit, rest = ("N", 0.0) if by_thrust else ("Pa", motor.ambient)
    events = events_from_arrays(time, values, unit=unit, recorded_zero=rest)
    keys = {"by_thrust": by_thrust, "scale_sd": None, "level": motor.at}
    made = trace_chain(case, time, events.values, events, **keys)
    c_star = made.run({}).characteristic_velocity
    if by_thrust or c_star is None:
        return events, made
    emptied = emptied_volume(
        time,
        events.values + motor.ambient,
        burn_time=events.burn_time,
        web_burnout=events.web_burnout,
        ambient=motor.ambient,
        throat_area=record.nozzle.throat_area_after,
        characteristic_velocity=c_star,
        gamma=motor.gamma,
    )
    return events, trace_chain(case, time, events.values, events, emptied=emptied, **keys)


@pytest.fixture(scope="session")
def sim():
    return SimpleNamespace(
        Motor=Motor,
        burn=burn,
        gauge=gauge,
        load_cell=load_cell,
        firing=firing,
        chain=chain,
        vandenkerckhove=vandenkerckhove,
    )
