"""Trace matching: the law and c* with which a simulated firing looks like the measured one.

The pressure is simulated by the mass balance with chamber filling (the equations of `swept`), in
steps of burnt web, and (r₀, n, c*) are moved until it lies closest to the measured pressure and
burns out at the measured instant. Unlike the swept rate it closes no balance on the measured
mass: level, course and duration of the burn together tell all three. It is an independent look at
the same trace, not a second firing; on request only, since it takes lmfit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import lmfit
import numpy as np

from strandwise.distributions import stdtrit
from strandwise.errors import DataError
from strandwise.motor import burning_area, propellant_volume, web
from strandwise.reduction.swept import vandenkerckhove

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.motor import Grain
    from strandwise.reduction.chain import Prepared, TraceChain
    from strandwise.reduction.swept import SweptRate

    Floats = NDArray[np.float64]

__all__ = ["Motor", "Simulated", "TraceMatch", "match_trace", "simulate_motors"]

_STEPS = 240
_GAMMA_ROS = 1.0 - 1.0 / math.sqrt(2.0)  # makes the Rosenbrock scheme L-stable
_BLOCKS = 240
_STRETCHES = 12
_LEAST_SD = 1e-3  # of ln p, for one block: no gauge and no model is better
_NUDGE = 1e-5
_MOST_RUNS = 60
_NAMES = ("log_rate", "exponent", "log_c_star")


@dataclass(frozen=True, kw_only=True, slots=True)
class Motor:
    """One motor to be simulated; SI units.

    Parameters
    ----------
    grain
        Sizes in m.
    density
        kg/m³.
    gamma
        Ratio of specific heats, 1.
    free_volume
        Before the burn, m³.
    throat_areas
        m², first and last.
    duration
        s, over which the throat goes from first to last.
    throat_bend
        b, 1, of the course between: share s + b s (1 − s) of the growth at the share s of the
        duration.
    start_pressure
        Absolute, Pa, when the burn starts.
    """

    grain: Grain
    density: float
    gamma: float
    free_volume: float
    throat_areas: tuple[float, float]
    duration: float
    start_pressure: float
    throat_bend: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Simulated:
    """Pressure over the burn of several motors, in steps of burnt web.

    Parameters
    ----------
    time, pressure
        s from the start of the burn, and absolute Pa; shape (S + 1, K) for K motors.
    """

    time: Floats
    pressure: Floats


@dataclass(frozen=True, kw_only=True, slots=True)
class TraceMatch:
    """The law r = r₀ (p/p₀)ⁿ and the c* that match one trace best.

    Parameters
    ----------
    reference_pressure, rate_at_reference, exponent, characteristic_velocity
        p₀ (Pa), r₀ (m/s), n, c* (m/s).
    efficiency
        c* over the one given for the propellant; None where none is given.
    covariance
        Of (ln r₀, n, ln c*), shape (3, 3): scatter, instants, and the readings' own errors.
    degrees_of_freedom
        For intervals, by Welch–Satterthwaite (GUM G.4.1) for each of the three; shape (3,).
    time, measured, simulated
        s and absolute Pa where they were compared; shape (M,).
    misfit
        Root mean square of ln measured − ln simulated, 1.
    """

    reference_pressure: float
    rate_at_reference: float
    exponent: float
    characteristic_velocity: float
    efficiency: float | None
    covariance: Floats
    degrees_of_freedom: Floats
    time: Floats
    measured: Floats
    simulated: Floats
    misfit: float

    def rate_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the interval of r₀, m/s."""
        half = math.exp(self._half_width(0, level))
        return self.rate_at_reference / half, self.rate_at_reference * half

    def exponent_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the interval of n."""
        half = self._half_width(1, level)
        return self.exponent - half, self.exponent + half

    def characteristic_velocity_interval(self, level: float = 0.95) -> tuple[float, float]:
        """Return the interval of c*, m/s."""
        half = math.exp(self._half_width(2, level))
        return self.characteristic_velocity / half, self.characteristic_velocity * half

    def efficiency_interval(self, level: float = 0.95) -> tuple[float, float] | None:
        """Return the interval of the efficiency, the c* given taken as exact; None without one."""
        if self.efficiency is None:
            return None
        given = self.characteristic_velocity / self.efficiency
        low, high = self.characteristic_velocity_interval(level)
        return low / given, high / given

    def coefficient(
        self, rate_unit: float = 1e-3, pressure_unit: float = 1e6, level: float = 0.95
    ) -> tuple[float, tuple[float, float]]:
        """Return a of r = a Pⁿ and its interval.

        Parameters
        ----------
        rate_unit, pressure_unit
            What r and P are counted in, m/s and Pa; a is the law's rate at one pressure unit.
        level
            Of the interval, which takes the fewer degrees of freedom of r₀ and n.
        """
        x = math.log(pressure_unit / self.reference_pressure)
        along = np.array([1.0, x, 0.0])
        sd = math.sqrt(float(along @ self.covariance @ along))
        half = math.exp(float(stdtrit(self.degrees_of_freedom[:2].min(), (1.0 + level) / 2.0)) * sd)
        a = self.rate_at_reference / rate_unit * math.exp(self.exponent * x)
        return a, (a / half, a * half)

    def _half_width(self, which: int, level: float) -> float:
        quantile = float(stdtrit(float(self.degrees_of_freedom[which]), (1.0 + level) / 2.0))
        return quantile * math.sqrt(float(self.covariance[which, which]))


def simulate_motors(
    motors: Sequence[Motor],
    *,
    log_rate: Floats,
    exponent: Floats,
    c_star: Floats,
    reference_pressure: float,
) -> Simulated:
    """Simulate the pressure of several motors at once, up to web burnout.

    Second-order Rosenbrock steps (ROS2: Verwer et al., SIAM J. Sci. Comput. 20, 1999, 1456, from
    memory) of ln p against burnt web, finer at the start.

    Parameters
    ----------
    motors
        K of them.
    log_rate, exponent, c_star
        ln of r₀ in m/s, n, c* in m/s; shape (K,).
    reference_pressure
        p₀, Pa.

    Returns
    -------
    Simulated
    """
    shares = np.linspace(0.0, 1.0, _STEPS + 1) ** 2
    depth = np.stack([web(motor.grain) * shares for motor in motors], axis=1)
    area = np.stack(
        [burning_area(m.grain, d) for m, d in zip(motors, depth.T, strict=True)], axis=1
    )
    left = np.stack(
        [propellant_volume(m.grain, d) for m, d in zip(motors, depth.T, strict=True)], axis=1
    )
    density = np.array([motor.density for motor in motors])
    store = np.array([vandenkerckhove(motor.gamma) for motor in motors]) ** 2 * c_star**2
    volume = np.array([motor.free_volume for motor in motors]) + left[0] - left
    first, last = np.array([motor.throat_areas for motor in motors]).T
    duration = np.array([motor.duration for motor in motors])
    bend = np.array([motor.throat_bend for motor in motors])
    log_reference = math.log(reference_pressure)

    def parts(j: int, y: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
        inverse_rate = np.exp(-log_rate - exponent * (y - log_reference))
        fill = store / volume[j]
        burnt = fill * density * area[j] * np.exp(-y)
        s = t / duration
        throat = first + (last - first) * s * (1.0 + bend * (1.0 - s))
        out = fill * throat / c_star * inverse_rate
        return burnt - area[j] / volume[j] - out, exponent * out - burnt, inverse_rate

    y = np.log([motor.start_pressure for motor in motors])
    t = np.zeros(len(motors))
    times, logs = [t], [y]
    for j in range(_STEPS):
        h = depth[j + 1] - depth[j]
        slope, jacobian, inverse_rate = parts(j, y, t)
        ahead, _, _ = parts(j + 1, y, t)
        drift = _GAMMA_ROS * (ahead - slope)
        matrix = 1.0 - _GAMMA_ROS * h * jacobian
        k1 = (slope + drift) / matrix
        there, _, _ = parts(j + 1, y + h * k1, t + h * inverse_rate)
        k2 = (there - 2.0 * k1 - drift) / matrix
        stepped = y + h * (1.5 * k1 + 0.5 * k2)
        following = np.exp(-log_rate - exponent * (stepped - log_reference))
        t = t + h * (inverse_rate + following) / 2.0
        y = stepped
        times.append(t)
        logs.append(y)
    return Simulated(time=np.array(times), pressure=np.exp(np.array(logs)))


def match_trace(chain: TraceChain) -> TraceMatch:
    """Match the trace of one firing by (r₀, n, c*).

    Compared are ln of block means of the pressure where the swept rate is used (start-up and
    tail-off left out), and the instant of web burnout with its standard uncertainty. Intervals
    hold the scatter (sums over twelve stretches, so that neighbours may depend on each other), the
    burnout, and every reading's standard uncertainty, by one Gauss–Newton step each.

    Parameters
    ----------
    chain
        Of the firing, as its reduction carries it.

    Returns
    -------
    TraceMatch

    Raises
    ------
    DataError
        The firing has no swept exponent to start from, for the reason given, or the search does
        not settle.
    """
    outcome = chain.run({})
    swept = outcome.swept
    if swept is None or swept.exponent is None:
        why = outcome.why_not_swept if swept is None else swept.why_no_exponent
        msg = f"the trace of `{chain.case.firing.test}` cannot be matched: {why}"
        raise DataError(msg)
    assert outcome.characteristic_velocity is not None
    problem = _Problem(chain, swept)
    start = np.array(
        [
            math.log(swept.rate_at_reference),
            swept.exponent,
            math.log(outcome.characteristic_velocity),
        ]
    )
    found = _search(problem, start)
    residual, jacobian = problem.residual_and_jacobian(found)
    covariance, dof = _covariance(problem, found, residual, jacobian)
    given = chain.case.characteristic_velocity
    c_star = math.exp(found[2])
    off = residual[:-1] * problem.sd
    return TraceMatch(
        reference_pressure=swept.reference_pressure,
        rate_at_reference=math.exp(found[0]),
        exponent=float(found[1]),
        characteristic_velocity=c_star,
        efficiency=None if given is None else c_star / given,
        covariance=covariance,
        degrees_of_freedom=dof,
        time=problem.time,
        measured=np.exp(problem.measured),
        simulated=np.exp(problem.measured + off),
        misfit=float(np.sqrt(np.mean(off**2))),
    )


class _Problem:
    """Residuals of the search: blocks of ln p in units of their scatter, then web burnout."""

    def __init__(self, chain: TraceChain, swept: SweptRate) -> None:
        self.chain = chain
        self.reference = swept.reference_pressure
        used = np.flatnonzero(swept.used)
        self._blocks = np.array_split(used, min(_BLOCKS, len(used)))
        self.time = self._means(chain.time)
        self.nominal = chain.prepare({})
        self.measured = np.log(self._means(self.nominal.pressure))
        steps = np.diff(self.measured, n=2)
        self.sd = max(float(np.sqrt(np.mean(steps**2) / 6.0)), _LEAST_SD)
        self._burn = chain.web_burnout - chain.ignition
        events = next(r.sd for r in chain.readings if r.key == "burn-time")
        self._burn_sd = max(events, 1e-4 * self._burn)

    def _means(self, values: Floats) -> Floats:
        return np.array([float(values[block].mean()) for block in self._blocks])

    def motor(self, ready: Prepared) -> Motor:
        """Return the motor that the readings describe."""
        throat = ready.throat_area
        assert throat is not None
        return Motor(
            grain=ready.grain,
            density=ready.density,
            gamma=ready.at["gamma"],
            free_volume=max(ready.at["free-volume"], 1e-9),
            throat_areas=(float(throat[0]), float(throat[-1])),
            throat_bend=_bend(throat),
            duration=self.chain.end - self.chain.ignition,
            start_pressure=float(max(ready.pressure[0], ready.at["ambient"])),
        )

    def residuals(self, motors: Sequence[Motor], points: Floats, measured: Floats) -> Floats:
        """Return the residuals of K motors at K points, shape (M + 1, K)."""
        made = simulate_motors(
            motors,
            log_rate=points[:, 0],
            exponent=points[:, 1],
            c_star=np.exp(points[:, 2]),
            reference_pressure=self.reference,
        )
        since = self.time - self.chain.ignition
        columns = []
        for k in range(len(motors)):
            simulated = np.interp(since, made.time[:, k], np.log(made.pressure[:, k]))
            late = (made.time[-1, k] - self._burn) / self._burn_sd
            columns.append(np.append((simulated - measured[:, k]) / self.sd, late))
        return np.array(columns).T

    def residual_and_jacobian(self, point: Floats) -> tuple[Floats, Floats]:
        """Return residuals, shape (M + 1,), and their derivatives, shape (M + 1, 3)."""
        points = point + _NUDGE * np.vstack([np.zeros(3), np.eye(3)])
        motors = [self.motor(self.nominal)] * 4
        measured = np.tile(self.measured[:, None], (1, 4))
        made = self.residuals(motors, points, measured)
        return made[:, 0], (made[:, 1:] - made[:, :1]) / _NUDGE

    def shared_changes(self, point: Floats) -> Floats:
        """Return how one standard uncertainty of each reading moves the residuals."""
        motors, measured = [self.motor(self.nominal)], [self.measured]
        for reading in self.chain.readings:
            if reading.key in ("burn-time", "tail-off") or reading.sd == 0.0:
                continue
            ready = self.chain.prepare({reading.key: reading.value + reading.sd})
            motors.append(self.motor(ready))
            measured.append(np.log(self._means(ready.pressure)))
        points = np.tile(point, (len(motors), 1))
        made = self.residuals(motors, points, np.array(measured).T)
        return made[:, 1:] - made[:, :1]


def _bend(throat: Floats) -> float:
    """Return b of the course first + growth · (s + b s (1 − s)) that lies closest to a throat's."""
    growth = float(throat[-1] - throat[0])
    if growth == 0.0:
        return 0.0
    s = np.linspace(0.0, 1.0, len(throat))
    bow = s * (1.0 - s)
    return float(bow @ ((throat - throat[0]) / growth - s) / (bow @ bow))


def _search(problem: _Problem, start: Floats) -> Floats:
    params = lmfit.Parameters()
    for name, value in zip(_NAMES, start, strict=True):
        params.add(name, value=float(value))
    last: dict[bytes, tuple[Floats, Floats]] = {}

    def at(current: lmfit.Parameters) -> tuple[Floats, Floats]:
        point = np.array([current[name].value for name in _NAMES])
        key = point.tobytes()
        if key not in last:
            last.clear()
            last[key] = problem.residual_and_jacobian(point)
        return last[key]

    result = lmfit.minimize(
        lambda current: at(current)[0],
        params,
        method="leastsq",
        Dfun=lambda current: at(current)[1],
        scale_covar=False,
        max_nfev=_MOST_RUNS,
    )
    found = np.array([result.params[name].value for name in _NAMES])
    if not result.success or not np.all(np.isfinite(found)):
        msg = f"the search for `{problem.chain.case.firing.test}` does not settle: {result.message}"
        raise DataError(msg, hint="check the grain and the events of the firing")
    return found


def _covariance(
    problem: _Problem, point: Floats, residual: Floats, jacobian: Floats
) -> tuple[Floats, Floats]:
    """Return the covariance and, for each value, its degrees of freedom."""
    bread = np.linalg.inv(jacobian.T @ jacobian)
    influence = jacobian[:-1] * residual[:-1, None]
    sums = np.array([part.sum(axis=0) for part in np.array_split(influence, _STRETCHES)])
    loose = _STRETCHES / (_STRETCHES - len(_NAMES))
    scatter = bread @ (loose * sums.T @ sums) @ bread
    burnout = bread @ np.outer(jacobian[-1], jacobian[-1]) @ bread
    moves = -bread @ jacobian.T @ problem.shared_changes(point)
    whole = scatter + burnout + moves @ moves.T
    dof = (_STRETCHES - len(_NAMES)) * (np.diag(whole) / np.diag(scatter)) ** 2
    return whole, dof
