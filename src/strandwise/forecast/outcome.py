"""What each draw of a motor does: pressures, times, thrust and impulse, as arrays."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.forecast.burn import Burn, BurnInputs, burn_from_arrays
from strandwise.forecast.grain_curve import tabulate_grain
from strandwise.motor import HIGHEST_PRESSURE, burning_area, thrust_coefficient

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from strandwise.forecast.design import MotorDesign
    from strandwise.forecast.grain_curve import GrainCurve
    from strandwise.forecast.laws import DrawnLaw

    Floats = NDArray[np.float64]

__all__ = [
    "BurnBands",
    "MotorOutcome",
    "MotorVariation",
    "burn_motor",
    "draw_variation",
    "start_of_burn",
]

_CURVE = np.linspace(math.log(1e4), math.log(HIGHEST_PRESSURE), 1200)
_FILLED = 0.02  # of the web
_BURNING = 0.1  # of the peak: start of burning, end of action (Sutton & Biblarz, from memory)
_FILLING = 0.3
_MOST_SD = 4.0
_BAND_DRAWS = 800
_BAND_TIMES = 220
_UNLIT = 1.5  # times ambient: a draw whose peak stays below it never built pressure up


@dataclass(frozen=True, eq=False, slots=True)
class MotorVariation:
    """How far each draw's motor is off, each of shape (draws,) or a number; SI, efficiency 1."""

    throat_diameter: Floats
    sizes: dict[str, Floats]
    density: Floats
    characteristic_velocity: Floats
    thrust_efficiency: Floats


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class BurnBands:
    """Quantiles of pressure and thrust at instants from ignition.

    Parameters
    ----------
    time
        s, shape (T,).
    levels
        Of the quantiles, shape (Q,).
    pressure, thrust
        Pa (absolute) and N, shape (Q, T).
    """

    time: Floats
    levels: tuple[float, ...]
    pressure: Floats
    thrust: Floats


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class MotorOutcome:
    """All draws, each array of shape (draws,); SI, absolute pressures.

    Parameters
    ----------
    peak_pressure
        Infinite where nothing bounds it below 200 MPa: the pressure got there, or would once an
        igniter lifted it over a steady pressure that is not stable.
    start_pressure, burnout_pressure, lowest_pressure
        Once the chamber is full, at the web's burnout, and the lowest between the two.
    mean_pressure
        Over the burn time.
    burn_time, action_time
        From 10 % of the peak on the way up to the web's burnout, and to 10 % on the way down.
    peak_thrust, total_impulse
        N, N·s.
    runaway, unlit
        No steady pressure; never rose above 1.5 times ambient.
    initial_ratio, peak_ratio
        Burning over throat area at the start and at its highest.
    bands
        None unless asked for.
    """

    peak_pressure: Floats
    start_pressure: Floats
    burnout_pressure: Floats
    lowest_pressure: Floats
    mean_pressure: Floats
    burn_time: Floats
    action_time: Floats
    peak_thrust: Floats
    total_impulse: Floats
    runaway: NDArray[np.bool_]
    unlit: NDArray[np.bool_]
    initial_ratio: Floats
    peak_ratio: Floats
    bands: BurnBands | None = None


def draw_variation(design: MotorDesign, draws: int, rng: Generator) -> MotorVariation:
    """Draw sizes and materials within the design's tolerances, normal, cut at four sd."""
    off = design.tolerances

    def vary(sd: float) -> Floats:
        # Drawn whether or not it is used, so that a tolerance added leaves the others' draws.
        normals = np.clip(rng.standard_normal(draws), -_MOST_SD, _MOST_SD)
        return normals * sd if sd > 0.0 else np.zeros(())

    varied = {name: vary(getattr(off, name)) for name in ("throat_diameter", "density")}
    c_star, efficiency = vary(off.characteristic_velocity), vary(off.thrust_efficiency)
    sizes = {name: vary(getattr(off, name)) for name in _GRAIN_SIZES}
    return MotorVariation(
        throat_diameter=varied["throat_diameter"],
        sizes={name: value for name, value in sizes.items() if value.ndim},
        density=varied["density"],
        characteristic_velocity=c_star,
        thrust_efficiency=efficiency,
    )


_GRAIN_SIZES = ("core_diameter", "outer_diameter", "length")
NO_VARIATION = MotorVariation(np.zeros(()), {}, np.zeros(()), np.zeros(()), np.zeros(()))
"""The motor exactly as drawn."""


def burn_motor(
    design: MotorDesign,
    law: DrawnLaw,
    variation: MotorVariation = NO_VARIATION,
    *,
    bands: bool = False,
) -> MotorOutcome:
    """Burn a motor with every drawn law.

    Parameters
    ----------
    design
        The motor.
    law
        One law a draw.
    variation
        How far each draw's motor is off.
    bands
        Whether to make `MotorOutcome.bands` (of the first 800 draws).
    """
    draws = law.ln_r0.size
    curve = tabulate_grain(design.grain, tuple(variation.sizes), _first_step(design))
    inputs = _inputs(design, variation)
    burn = burn_from_arrays(curve, law, inputs, draws)
    efficiency = np.maximum(design.thrust_efficiency + variation.thrust_efficiency, 0.01)
    unbounded = _unbounded(law, burn, inputs)
    return _summarise(design, curve, burn, inputs, efficiency, unbounded, bands=bands)


def start_of_burn(design: MotorDesign, law: DrawnLaw) -> tuple[float, float, float]:
    """Start of the motor as drawn, with one law.

    Parameters
    ----------
    design
        The motor.
    law
        One draw.

    Returns
    -------
    tuple
        Burning over throat area at the start, the same at its highest, and the pressure once the
        chamber is full, Pa.
    """
    curve = tabulate_grain(design.grain, (), _first_step(design))
    inputs = _inputs(design, NO_VARIATION)
    filled = _filled(curve)
    burn = burn_from_arrays(curve, law, inputs, 1, until=filled)
    ends = np.sqrt([inputs.throat_from, inputs.throat_to])
    share = np.minimum(curve.depth[:-1] / curve.depth[curve.web_index], 1.0)
    ratios = curve.area_from / (ends[0] + (ends[1] - ends[0]) * share) ** 2
    return float(ratios[0]), float(ratios.max()), float(np.exp(burn.log_pressure[filled, 0]))


def _unbounded(law: DrawnLaw, burn: Burn, inputs: BurnInputs) -> NDArray[np.bool_]:
    """Draws that make more gas than they let out at the highest pressure followed.

    A burn that begins at ambient may stay below the pressure from which it runs away; a harder
    igniter, a hot spot or a crack puts it above.
    """
    highest = np.full(law.ln_r0.size, math.log(HIGHEST_PRESSURE))
    rate = np.exp(law.log_rate(highest))
    gas = inputs.density * inputs.characteristic_velocity
    if inputs.erosion is None or burn.flux is None:
        made = burn.area_ratio.max(axis=0) * rate
    else:
        hastened = rate + inputs.erosion.extra_rate(HIGHEST_PRESSURE * burn.flux[:-1])
        made = (burn.area_ratio * hastened).max(axis=0)
    return np.asarray(made * gas > HIGHEST_PRESSURE)


def _first_step(design: MotorDesign) -> float:
    """A third of the depth whose gas fills the chamber once at ambient pressure, m."""
    area = float(burning_area(design.grain, 0.0))
    gas = design.chamber_free_volume * design.ambient_pressure
    return _FILLING * gas / (design.density * design.gas_energy * area)


def _inputs(design: MotorDesign, variation: MotorVariation) -> BurnInputs:
    nozzle, gamma_factor = design.nozzle, design.gas_energy / design.characteristic_velocity**2
    c_star = np.maximum(
        design.characteristic_velocity + variation.characteristic_velocity,
        0.1 * design.characteristic_velocity,
    )
    throat = np.maximum(
        nozzle.throat_diameter + variation.throat_diameter, 0.3 * nozzle.throat_diameter
    )
    grown = (
        throat + (nozzle.throat_diameter_after or nozzle.throat_diameter) - (nozzle.throat_diameter)
    )
    return BurnInputs(
        density=np.maximum(design.density + variation.density, 0.1 * design.density),
        characteristic_velocity=c_star,
        gas_energy=gamma_factor * c_star**2,
        throat_from=math.pi / 4.0 * throat**2,
        throat_to=math.pi / 4.0 * grown**2,
        free_volume=design.chamber_free_volume,
        sizes=variation.sizes,
        start_pressure=design.ambient_pressure,
        lowest_pressure=design.ambient_pressure,
        erosion=design.erosion,
    )


def _summarise(
    design: MotorDesign,
    curve: GrainCurve,
    burn: Burn,
    inputs: BurnInputs,
    efficiency: Floats,
    unbounded: NDArray[np.bool_],
    *,
    bands: bool,
) -> MotorOutcome:
    y, last = burn.log_pressure, curve.web_index
    top = y.max(axis=0)
    filled = _filled(curve)
    runaway = unbounded | (top >= math.log(HIGHEST_PRESSURE) - 1e-9)
    rising = _rise_time(burn, top)
    held = _mean_pressure(y[: last + 1], burn.time, top + math.log(_BURNING))
    fresh, force = _thrust_tables(design)
    share = np.minimum(curve.depth / curve.depth[last], 1.0)
    thrust = np.empty_like(y) if bands else None
    peak, impulse = np.full_like(top, -np.inf), np.zeros_like(top)
    pushed = impulse
    # Place by place: arrays of all places and draws would go through memory time and again.
    for k, worn in enumerate(share):
        after = _on_curve(y[k], fresh + worn * (force - fresh)) * (burn.throat[k] * efficiency)
        peak = np.maximum(peak, after)
        if k:
            impulse = impulse + (pushed + after) * (burn.time[k] - burn.time[k - 1])
        if thrust is not None:
            thrust[k] = after
        pushed = after
    impulse *= 0.5
    tail = np.interp(y[-1], _CURVE, _over_logs(force))
    impulse += tail * burn.tail_time * burn.throat[-1] * efficiency
    falling = burn.time[-1] + burn.tail_time * np.maximum(y[-1] - top - math.log(_BURNING), 0.0)
    shown = None
    if thrust is not None:
        shown = _bands(burn, thrust, force, efficiency, inputs.start_pressure)
    return MotorOutcome(
        peak_pressure=np.where(runaway, np.inf, np.exp(top)),
        start_pressure=np.exp(y[filled]),
        burnout_pressure=np.exp(y[last]),
        lowest_pressure=np.exp(y[filled : last + 1].min(axis=0)),
        mean_pressure=held,
        burn_time=burn.time[last] - rising,
        action_time=falling - rising,
        peak_thrust=np.where(runaway, np.inf, peak),
        total_impulse=impulse,
        runaway=runaway,
        unlit=~runaway & (top < math.log(_UNLIT * inputs.start_pressure)),
        initial_ratio=burn.area_ratio[0],
        peak_ratio=burn.area_ratio.max(axis=0),
        bands=shown,
    )


def _filled(curve: GrainCurve) -> int:
    """Place by which the chamber is full, and the pressure a steady one."""
    return int(np.searchsorted(curve.depth, _FILLED * curve.depth[curve.web_index]))


def _mean_pressure(y: Floats, time: Floats, above: Floats) -> Floats:
    """Mean of exp(y) over the time for which y is above a threshold of each draw, Pa."""
    total, seconds = np.zeros_like(above), np.zeros_like(above)
    burnt = (y[0] >= above).astype(np.float64)
    held = np.exp(y[0]) * burnt
    for k in range(1, y.shape[0]):
        burning = (y[k] >= above).astype(np.float64)
        pressure = np.exp(y[k]) * burning
        step = time[k] - time[k - 1]
        total += (held + pressure) * step
        seconds += (burnt + burning) * step
        held, burnt = pressure, burning
    return np.asarray(total / seconds)


def _rise_time(burn: Burn, top: Floats) -> Floats:
    """Instant at which each draw first reaches 10 % of its peak, s."""
    y = burn.log_pressure
    wanted = top + math.log(_BURNING)
    k = np.argmax(y >= wanted, axis=0)
    before = np.maximum(k - 1, 0)
    column = np.arange(y.shape[1])
    low, high = y[before, column], y[k, column]
    share = np.where(high > low, (wanted - low) / np.where(high > low, high - low, 1.0), 0.0)
    first, second = burn.time[before, column], burn.time[k, column]
    return np.asarray(np.where(k > 0, first + share * (second - first), 0.0))


def _thrust_tables(design: MotorDesign) -> tuple[Floats, Floats]:
    """Thrust over throat area and efficiency, Pa, at `_CURVE`: throat as drawn, and as worn."""
    nozzle = design.nozzle
    pressure = np.exp(_CURVE)
    tables = []
    for throat in (nozzle.throat_diameter, nozzle.throat_diameter_after):
        ratio = None
        if nozzle.exit_diameter is not None:
            # The exit keeps its size while the throat grows.
            ratio = max((nozzle.exit_diameter / (throat or nozzle.throat_diameter)) ** 2, 1.0)
        coefficient = thrust_coefficient(
            design.specific_heat_ratio,
            ratio,
            pressure,
            design.ambient_pressure,
            nozzle.divergence_half_angle,
        )
        tables.append(pressure * coefficient)
    return tables[0], tables[1]


def _over_logs(force: Floats) -> Floats:
    """Integral of a thrust over ln P from the lowest of `_CURVE` up."""
    pieces = 0.5 * (force[1:] + force[:-1]) * np.diff(_CURVE)
    return np.concatenate([[0.0], np.cumsum(pieces)])


def _on_curve(y: Floats, values: Floats) -> Floats:
    """Values given at `_CURVE`, whose steps are even, at any ln P."""
    at = np.maximum((y - _CURVE[0]) * (1.0 / (_CURVE[1] - _CURVE[0])), 0.0)
    row = np.minimum(at.astype(np.int32), _CURVE.size - 2)
    at -= row
    at *= np.diff(values)[row]
    at += values[row]
    return np.asarray(at)


def _bands(
    burn: Burn, thrust: Floats, force: Floats, efficiency: Floats, ambient: float
) -> BurnBands:
    some = slice(0, _BAND_DRAWS)
    y, time = burn.log_pressure[:, some], burn.time[:, some]
    tail = np.linspace(0.0, 4.0, 24)[1:, None] * burn.tail_time[None, some]
    times = np.concatenate([time, time[-1] + tail])
    after = np.maximum(y[-1] - tail / burn.tail_time[None, some], math.log(ambient))
    logs = np.concatenate([y, after])
    whole = efficiency[some] if np.ndim(efficiency) else efficiency
    throat = burn.throat[-1, some]
    forces = np.concatenate([thrust[:, some], np.interp(after, _CURVE, force) * throat * whole])
    grid = np.linspace(0.0, float(np.quantile(times[-1], 0.98)), _BAND_TIMES)
    levels = (0.05, 0.25, 0.5, 0.75, 0.95)
    shown = [np.quantile(_at(grid, times, values), levels, axis=0) for values in (logs, forces)]
    return BurnBands(time=grid, levels=levels, pressure=np.exp(shown[0]), thrust=shown[1])


def _at(grid: Floats, times: Floats, values: Floats) -> Floats:
    """Values of every draw at the same instants, shape (draws, T): one pass over all draws."""
    draws = times.shape[1]
    apart = 2.0 * max(float(times.max()), float(grid[-1]))
    starts = np.arange(draws)[:, None] * apart
    at = np.minimum(grid[None, :], times[-1][:, None])
    flat = np.interp(
        (at + starts).ravel(), (times.T + starts).ravel(), np.ascontiguousarray(values.T).ravel()
    )
    return np.asarray(flat.reshape(draws, grid.size))
