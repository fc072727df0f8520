"""The swept rate: burn rate at every instant of one firing, and the rate law within it.

Mass balance with chamber filling (Fry, CPIA CPTR-75, 2002, from memory; the gas law with
R·T = (Γc*)² as in Sutton & Biblarz, Rocket Propulsion Elements, from memory):

    (ρ − ρ_gas) A_b(x) r = p A_t / c* + V/(Γc*)² dp/dt,    dx/dt = r,    ρ_gas = p/(Γc*)²

**What one firing is worth.** Every swept point of a firing shares its web, throat, calibration,
mass and batch, and follows its neighbours in time. For the level of the rate a firing is therefore
one point, however many samples it has: what differs from firing to firing cannot be seen from
inside one. Hence `fit` takes a firing as ONE rate point, thickness over time, which needs neither
c* nor the course of the burning area. The course within a firing does tell the exponent.

**Its interval** has three parts: the noise of the samples; what is slower than noise (by a
jackknife that leaves out an eighth of the burn at a time, so that neighbours may depend on each
other: Künsch, Ann. Stat. 17, 1989, 1217, from memory); and the errors of grain, throat, zero and
gas, the same for all samples, which `with_shared` adds. A wrong diameter bends the course, so that
its error shows in the slow part already: of the two the larger counts, not their sum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.errors import DataError
from strandwise.motor import burning_area, burnout_depth, propellant_volume, web
from strandwise.reduction.signals import window

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.motor import Grain

    Floats = NDArray[np.float64]

__all__ = ["GasState", "SweptRate", "even_grid", "swept_rate_from_arrays", "vandenkerckhove"]

_STRETCHES = 8  # of the burn, each left out once
_FINE_STRETCHES = 48  # whose sums are taken as independent, with what is slow taken out
_TREND = 4  # degree of the polynomial in time that is taken out
_ALONG_RATE, _ALONG_EXPONENT = np.eye(2)
_START_UP = (0.05, 5.0)  # of the burn time, and filling times; the larger is left out
_TAIL_OFF = (0.03, 0.5)  # of the burn time, and of the tail-off; the larger is left out
_DEEPEST = 0.95  # of the web; beyond it an uneven web begins to burn through
_FILTER_HALF = 0.01  # of the burn time: half the width of the straight line that gives dp/dt
_LEAST_SAMPLES = 48
_SPAN_PARTS = 24  # whose means give the span, so that noise does not
_LEAST_SPAN = 1.05  # highest over lowest pressure; below it noise and zero decide the exponent
_LEAST_FOLLOWING = 0.25  # squared correlation of ln p with ln A_b
_MOST_EXPONENT_SD = 0.25
_DEPTHS = 400


def vandenkerckhove(gamma: float) -> float:
    """Return Γ = √γ (2/(γ+1))^((γ+1)/(2(γ−1))), 1 (Sutton & Biblarz, from memory)."""
    power = (gamma + 1.0) / (2.0 * (gamma - 1.0))
    return math.sqrt(gamma) * math.pow(2.0 / (gamma + 1.0), power)


@dataclass(frozen=True, kw_only=True, slots=True)
class GasState:
    """What the mass balance needs beside the trace.

    Parameters
    ----------
    gamma
        Ratio of specific heats, 1; matters through chamber filling alone.
    characteristic_velocity
        c* of the firing itself, ∫ p A_t dt / m, m/s.
    density
        Of the propellant, kg/m³.
    free_volume
        Of the chamber before the burn, port and dead volume together, m³.
    ambient_pressure
        Before the flame, Pa; half of what stands above it at ignition is taken as burnt before.
    igniter_share
        Gas of the igniter over the propellant's mass, 1; in the chamber from the start.
    """

    gamma: float
    characteristic_velocity: float
    density: float
    free_volume: float
    ambient_pressure: float
    igniter_share: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SweptRate:
    """Burn rate over a firing, and the power law r = r₀ (p/p₀)ⁿ within it.

    Parameters
    ----------
    time, pressure, rate, depth
        On an even grid over the action time: s, Pa (absolute), m/s, m; shape (M,). The rate is
        closed on the grain; it means nothing outside `used`.
    used
        Where start-up and tail-off are not; shape (M,).
    closure
        Volume swept by the end of action over that of the grain, before the rate was closed on
        it, 1; where the burning area stays the same, swept depth over web.
    reference_pressure, rate_at_reference
        p₀, the geometric mean of the pressures used, Pa, and r₀ there, m/s.
    exponent
        n; None where the firing cannot tell it, and `why_no_exponent` says why.
    scatter, noise, shared
        Covariances of (ln r₀, n), shape (2, 2): of the samples' scatter with all that is slow in
        it, of their noise alone, and of the errors that all samples share; the last None until
        `with_shared` added it.
    independent_samples
        How many independent samples would scatter as little in the mean as those used do.
    """

    time: Floats
    pressure: Floats
    rate: Floats
    depth: Floats
    used: NDArray[np.bool_]
    closure: float
    reference_pressure: float
    rate_at_reference: float
    exponent: float | None
    why_no_exponent: str | None
    scatter: Floats
    noise: Floats
    independent_samples: float
    shared: Floats | None = None

    @property
    def exponent_sd(self) -> float | None:
        """Standard uncertainty of n; None without n."""
        return None if self.exponent is None else math.sqrt(self._variance(_ALONG_EXPONENT)[0])

    @property
    def log_rate_sd(self) -> float:
        """Standard uncertainty of ln r₀."""
        return math.sqrt(self._variance(_ALONG_RATE)[0])

    def with_shared(self, shared: Floats) -> SweptRate:
        """Return this with what the errors of the readings do to all samples alike.

        Where they leave the exponent open by more than 0.25 (one standard uncertainty), the
        exponent is withdrawn.

        Parameters
        ----------
        shared
            Covariance of (ln r₀, n) by the readings, shape (2, 2).
        """
        result = replace(self, shared=shared)
        sd = result.exponent_sd
        if sd is None or sd <= _MOST_EXPONENT_SD:
            return result
        why = (
            f"pressure moves too little over the burn for how well grain and throat are measured: "
            f"the exponent would be known to ±{sd:.2g} only"
        )
        return replace(result, exponent=None, why_no_exponent=why)

    def exponent_interval(self, level: float = 0.95) -> tuple[float, float] | None:
        """Return the interval of n; None without n (dof by Welch–Satterthwaite, GUM G.4.1)."""
        if self.exponent is None:
            return None
        half = self._half_width(_ALONG_EXPONENT, level)
        return self.exponent - half, self.exponent + half

    def rate_at(self, pressure: float) -> float | None:
        """Return r₀ (p/p₀)ⁿ, m/s; None without n. In SI, a is this at 1 Pa."""
        if self.exponent is None:
            return None
        return self.rate_at_reference * math.pow(pressure / self.reference_pressure, self.exponent)

    def rate_interval(self, pressure: float, level: float = 0.95) -> tuple[float, float] | None:
        """Return the interval of the law at an absolute pressure (Pa), m/s; None without n."""
        middle = self.rate_at(pressure)
        if middle is None:
            return None
        along = np.array([1.0, math.log(pressure / self.reference_pressure)])
        half = self._half_width(along, level)
        return middle * math.exp(-half), middle * math.exp(half)

    def _variance(self, along: Floats) -> tuple[float, float]:
        """Return the variance along a direction of (ln r₀, n), and its degrees of freedom."""
        scatter = float(along @ self.scatter @ along)
        noise = float(along @ self.noise @ along)
        known = noise if self.shared is None else noise + float(along @ self.shared @ along)
        if scatter >= known:
            return scatter, _STRETCHES - 2.0
        return known, min((_FINE_STRETCHES - 2.0) * (known / max(noise, 1e-300)) ** 2, 1e9)

    def _half_width(self, along: Floats, level: float) -> float:
        variance, dof = self._variance(along)
        return math.sqrt(variance) * float(stdtrit(dof, (1.0 + level) / 2.0))


def even_grid(
    time: Floats, values: Floats, start: float, end: float, most: int = 1500
) -> tuple[Floats, Floats]:
    """Return a signal's means over even steps between two instants; moves no event.

    Parameters
    ----------
    time, values
        Rising s, and any unit; shape (N,).
    start, end
        s.
    most
        Steps; fewer where the samples are fewer.

    Returns
    -------
    tuple of ndarray
        Middles of the steps and the means there; the integral by trapezoids is kept.
    """
    t, y = window(time, values, start, end)
    steps = int(np.clip(len(t) - 1, 1, most))
    edges = np.linspace(start, end, steps + 1)
    grown = np.concatenate([[0.0], np.cumsum(np.diff(t) * (y[1:] + y[:-1]) / 2.0)])
    # Within a sample's interval the integral of a straight line is quadratic, not linear.
    k = np.clip(np.searchsorted(t, edges, side="right") - 1, 0, len(t) - 2)
    into = edges - t[k]
    slope = (y[k + 1] - y[k]) / np.maximum(t[k + 1] - t[k], 1e-300)
    at_edges = grown[k] + into * (y[k] + slope * into / 2.0)
    return (edges[1:] + edges[:-1]) / 2.0, np.diff(at_edges) / np.diff(edges)


def swept_rate_from_arrays(
    time: Floats,
    pressure: Floats,
    throat_area: Floats,
    grain: Grain,
    gas: GasState,
    *,
    web_burnout: float,
) -> SweptRate:
    """Return the swept rate of a firing and the power law within it.

    The burnt volume follows from ∫ p A_t dt and the gas in the chamber, without a derivative;
    the depth from the burnt volume by the grain's own geometry; dp/dt, needed in the rate alone,
    from straight lines over ±1 % of the burn time, centred, so that they move no event.

    ln r = ln r₀ + n ln(p/p₀) is fitted with ln A_b as the instrument: the noise of a pressure, and
    a throat that wears or clogs unseen, stand in r and in p alike and would draw n towards 1 in an
    ordinary regression, while the burning area at the swept depth hardly knows of them. Left out
    are the start (5 % of the burn time or five filling times V/(Γ² c* A_t), whichever is longer)
    and the end (3 % of the burn time or half of the tail-off before web burnout, whichever is
    longer, and the last 5 % of the web).

    Parameters
    ----------
    time, pressure, throat_area
        On an even grid over the action time, as `even_grid` gives it: s, Pa (absolute), m²;
        shape (M,).
    grain
        Sizes in m.
    gas
        The gas, the propellant's density and the free volume.
    web_burnout
        s.

    Returns
    -------
    SweptRate
        With `shared` None: only scatter and noise are in the intervals.

    Raises
    ------
    DataError
        Fewer than 48 steps remain between start-up and tail-off, or a pressure there is not
        above 0.
    """
    step = float(time[1] - time[0])
    ignition, end = float(time[0]) - step / 2.0, float(time[-1]) + step / 2.0
    burn = web_burnout - ignition
    store = (vandenkerckhove(gas.gamma) * gas.characteristic_velocity) ** 2
    c_star, free = gas.characteristic_velocity, gas.free_volume
    outflow = pressure * throat_area / c_star
    left = np.cumsum(outflow) * step - outflow * step / 2.0
    # Of the gas at ignition anything from none to all is the igniter's: half is taken.
    before = (gas.ambient_pressure + float(pressure[0])) / 2.0
    stored = (pressure - before) * free / store
    volume = (left + stored) / (gas.density - pressure / store)
    final = float(np.sum(outflow)) * step + stored[-1]
    final = final / (gas.density - pressure[-1] / store)
    depths = np.linspace(0.0, burnout_depth(grain), _DEPTHS)
    burnt = propellant_volume(grain, 0.0) - propellant_volume(grain, depths)
    lit = gas.igniter_share * float(burnt[-1])
    volume, final = np.maximum(volume - lit, 0.0), final - lit
    scale = float(burnt[-1]) / final
    depth = np.interp(scale * volume, burnt, depths)
    area = np.maximum(burning_area(grain, depth), 1e-12)
    slope = _slope(pressure, step, max(2, round(_FILTER_HALF * burn / step)))
    filling = (free + scale * volume) / store * slope
    rate = scale * (outflow + filling) / ((gas.density - pressure / store) * area)
    filling_time = free * c_star / (store * float(throat_area[0]))
    first = ignition + max(_START_UP[0] * burn, _START_UP[1] * filling_time)
    last = web_burnout - max(_TAIL_OFF[0] * burn, _TAIL_OFF[1] * (end - web_burnout))
    used = (time >= first) & (time <= last) & (depth <= _DEEPEST * web(grain))
    used &= rate > 0.0
    if np.count_nonzero(used) < _LEAST_SAMPLES:
        msg = f"{np.count_nonzero(used)} samples lie between start-up and tail-off"
        raise DataError(msg, expected=f"at least {_LEAST_SAMPLES}", hint="log faster")
    if not np.all(pressure[used] > 0.0):
        inside = pressure[used]
        share = 100.0 * float(np.min(inside)) / float(np.max(np.abs(inside)) or 1.0)
        msg = f"an absolute pressure of {share:.3g} % of the highest during the burn"
        raise DataError(msg, expected="above 0")
    law = _law(pressure[used], rate[used], area[used])
    return replace(
        law, time=time, pressure=pressure, rate=rate, depth=depth, used=used, closure=1.0 / scale
    )


def _slope(values: Floats, step: float, half: int) -> Floats:
    """Return the slope of a straight line through ±`half` samples, centred on each."""
    half = max(1, min(half, (len(values) - 1) // 2))
    offsets = np.arange(-half, half + 1, dtype=np.float64)
    padded = np.concatenate(
        [
            2.0 * values[0] - values[half:0:-1],
            values,
            2.0 * values[-1] - values[-2 : -half - 2 : -1],
        ]
    )
    return np.convolve(padded, -offsets, mode="valid") / (step * float(np.sum(offsets**2)))


def _law(pressure: Floats, rate: Floats, area: Floats) -> SweptRate:
    """Fit ln r on ln p by ln A_b."""
    y, x, z = np.log(rate), np.log(pressure), np.log(area)
    middle, level = float(x.mean()), float(y.mean())
    x, y, z = x - middle, y - level, z - z.mean()
    szx, szz, sxx = float(z @ x), float(z @ z), float(x @ x)
    following = szx**2 / (szz * sxx) if szz > 0.0 and sxx > 0.0 else 0.0
    smooth = np.array([part.mean() for part in np.array_split(x, _SPAN_PARTS)])
    span = math.exp(float(np.ptp(smooth)))
    why: str | None = None
    if span < _LEAST_SPAN:
        why = (
            f"the pressure moves by {100.0 * (span - 1.0):.1f} % over the burn: less than the "
            f"{100.0 * (_LEAST_SPAN - 1.0):.0f} % from which an exponent could be told"
        )
    elif following < _LEAST_FOLLOWING or szx <= 0.0:
        why = "the pressure does not follow the grain's burning area"
    n = float(z @ y) / szx if why is None else 0.0
    residual = y - n * x
    weights = np.stack([np.full(len(y), 1.0 / len(y)), z / szx if why is None else 0.0 * z])
    scatter = _jackknife(x, y, z, with_exponent=why is None)
    noise = _of_sums(weights * _detrended(residual), _FINE_STRETCHES)
    variance = float(residual @ residual) / len(y)
    independent = variance / scatter[0, 0] if scatter[0, 0] > 0.0 else float(len(y))
    if why is None and math.sqrt(scatter[1, 1]) > _MOST_EXPONENT_SD:
        why = f"the trace scatters too much: the exponent would be ±{math.sqrt(scatter[1, 1]):.2g}"
    return SweptRate(
        time=x,
        pressure=pressure,
        rate=rate,
        depth=z,
        used=np.ones(len(x), dtype=np.bool_),
        closure=1.0,
        reference_pressure=math.exp(middle),
        rate_at_reference=math.exp(level),
        exponent=n if why is None else None,
        why_no_exponent=why,
        scatter=scatter,
        noise=noise,
        independent_samples=float(min(independent, len(y))),
    )


def _jackknife(x: Floats, y: Floats, z: Floats, *, with_exponent: bool) -> Floats:
    """Return the covariance of (ln r₀, n) from leaving out one stretch at a time."""
    columns = np.stack([np.ones_like(x), x, y, z, z * x, z * y], axis=1)
    sums = np.stack([part.sum(axis=0) for part in np.array_split(columns, _STRETCHES)])
    count, sx, sy, sz, szx, szy = (sums.sum(axis=0) - sums).T
    exponents = (szy - sz * sy / count) / (szx - sz * sx / count) if with_exponent else 0.0 * sx
    levels = (sy - exponents * sx) / count
    off = np.stack([levels - levels.mean(), exponents - exponents.mean()])
    return np.asarray((_STRETCHES - 1) / _STRETCHES * off @ off.T)


def _of_sums(influence: Floats, stretches: int) -> Floats:
    """Return the covariance of the sum of `influence`, shape (2, N), from sums over stretches."""
    parts = np.array_split(influence, stretches, axis=1)
    sums = np.stack([part.sum(axis=1) for part in parts])
    return np.asarray(stretches / (stretches - 2) * sums.T @ sums)


def _detrended(values: Floats) -> Floats:
    basis = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, len(values)), _TREND)
    # Legendre polynomials on an even grid are nearly orthogonal; QR makes them so.
    directions = np.linalg.qr(basis)[0]
    return np.asarray(values - directions @ (directions.T @ values))
