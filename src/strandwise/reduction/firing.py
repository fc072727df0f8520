"""One motor firing to one rate point: by its trace, or by what was read by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.motor import web
from strandwise.reduction.by_hand import reduce_by_hand
from strandwise.reduction.case import WEB_SD, Case, case_of, point_of, specific_impulse_of
from strandwise.reduction.chamber_pressure import Surroundings, pressure_through_nozzle
from strandwise.reduction.events import events_from_arrays
from strandwise.reduction.plausibility import (
    c_star_cautions,
    coefficient_cautions,
    gap_cautions,
    shape_cautions,
    zero_cautions,
)
from strandwise.reduction.rates import rates_from_arrays
from strandwise.reduction.results import Events, FiringReduction, TraceSeries
from strandwise.reduction.signals import integral_between
from strandwise.reduction.trace import Trace, read_trace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.records import Firing, Gas

    Floats = NDArray[np.float64]

__all__ = ["reduce_firing"]

_SENSOR_SD = 0.01  # of the reading, where no calibration says it; common practice, no source


def reduce_firing(
    firing: Firing,
    formulation: str,
    *,
    gas: Gas,
    ambient: float | None,
    density: float | None,
    exponent: float,
) -> FiringReduction:
    """Reduce one firing: events, pressures, impulse, c*, and its rate point.

    Pressure comes from the gauge where there is one, else from thrust through the nozzle, else
    from the summary. A trace that cannot be reduced is no exception here: the result then rests
    on the summary, or has no point and says why.

    Parameters
    ----------
    firing
        The record.
    formulation
        Of its batch.
    gas
        The campaign's; the firing's own values come first.
    ambient
        The campaign's ambient pressure, Pa; None: the standard atmosphere, with a caution.
    density
        The batch's, kg/m³; used where the grain gives neither mass nor density.
    exponent
        n of the rate law for the rate-mean pressure, 1; the result hardly depends on it.

    Returns
    -------
    FiringReduction
    """
    case = case_of(firing, formulation, gas, ambient, density, exponent)
    refused: str | None = None
    if firing.trace is not None:
        try:
            return _from_trace(case, read_trace(firing.trace))
        except DataError as error:
            refused = str(error)
    if firing.summary is not None:
        result = reduce_by_hand(case, firing.summary)
        if refused is not None:
            text = f"the trace cannot be used ({refused}); the summary is used instead"
            result = replace(result, cautions=(Caution("trace-refused", text), *result.cautions))
        return result
    why = refused or "the firing has neither a trace nor a summary"
    cautions = case.cautions
    if refused is not None:
        cautions = (Caution("trace-refused", refused), *cautions)
    return FiringReduction(
        test=firing.test,
        batch=firing.batch,
        formulation=formulation,
        web=web(firing.grain),
        why_no_point=why,
        cautions=cautions,
    )


def _from_trace(case: Case, trace: Trace) -> FiringReduction:
    firing = case.firing
    by_gauge = trace.pressure is not None
    pressure_events = thrust_events = None
    cautions = list(case.cautions + trace.cautions)
    if trace.pressure is not None:
        pressure_events = _events(firing, trace.time, trace.pressure, "Pa", case.surroundings)
        cautions += zero_cautions(pressure_events, case.surroundings)
    if trace.thrust is not None:
        try:
            thrust_events = _events(firing, trace.time, trace.thrust, "N", case.surroundings)
        except DataError as error:
            if not by_gauge:
                raise
            cautions.append(Caution("thrust-unusable", f"the thrust channel is not used: {error}"))
    events = pressure_events or thrust_events
    if events is None:
        msg = "the trace holds neither pressure nor thrust"
        raise DataError(msg)
    result = _with_events(case, trace, events, thrust_events)
    cautions += [*events.cautions, *gap_cautions(trace.time, events)]
    result = replace(result, cautions=(*result.cautions, *cautions))
    if pressure_events is not None:
        relative = _gauge_sd(trace, pressure_events)
        pressure = pressure_events.values + case.surroundings.ambient
        return _with_pressure(case, result, events, pressure, relative, "gauge")
    if firing.nozzle is None:
        why = "thrust alone gives no pressure without a nozzle: add [nozzle] throat_diameter"
        return replace(result, why_no_point=why)
    throat = _throat_area(case, trace.time, events)
    through = pressure_through_nozzle(
        events.values,
        firing.nozzle,
        gamma=case.gamma,
        surroundings=case.surroundings,
        throat_area=throat,
        level=max(result.mean_thrust or 0.0, 1e-6),
    )
    load = trace.thrust_scale_sd if trace.thrust_scale_sd is not None else _SENSOR_SD
    zero = events.zero_sd / max(result.mean_thrust or 0.0, 1e-6)
    relative = math.hypot(through.relative_sd, load, zero)
    result = replace(
        result,
        account=result.account + through.account,
        cautions=result.cautions + through.cautions,
    )
    return _with_pressure(case, result, events, through.pressure, relative, "thrust")


def _events(
    firing: Firing, time: Floats, values: Floats, unit: str, surroundings: Surroundings
) -> Events:
    return events_from_arrays(
        time,
        values,
        unit=unit,
        recorded_zero=surroundings.ambient if unit == "Pa" else 0.0,
        ignition=firing.events.ignition,
        web_burnout=firing.events.web_burnout,
        end=firing.events.end,
    )


def _with_events(
    case: Case, trace: Trace, events: Events, thrust_events: Events | None
) -> FiringReduction:
    """Return what needs no pressure: instants, thrust, impulse."""
    mean_thrust = impulse = peak_thrust = None
    if thrust_events is not None:
        t, force = trace.time, thrust_events.values
        burn = integral_between(t, force, events.ignition, events.web_burnout)
        mean_thrust = burn / events.burn_time
        impulse = integral_between(t, force, events.ignition, events.end)
        peak_thrust = thrust_events.peak
    firing = case.firing
    account = trace.account + events.account
    if thrust_events is not None and thrust_events is not events:
        account += tuple(f"thrust: {line}" for line in thrust_events.account)
    return FiringReduction(
        test=firing.test,
        batch=firing.batch,
        formulation=case.formulation,
        ignition=events.ignition,
        web_burnout=events.web_burnout,
        end=events.end,
        burn_time=events.burn_time,
        burn_time_sd=events.burn_time_sd,
        action_time=events.action_time,
        peak_thrust=peak_thrust,
        mean_thrust=mean_thrust,
        total_impulse=impulse,
        specific_impulse=specific_impulse_of(impulse, case.mass),
        rate_thickness_over_time=web(firing.grain) / events.burn_time,
        web=web(firing.grain),
        quality=events.quality,
        rules=events.rules,
        account=account,
        trace_series=TraceSeries(
            time=trace.time,
            pressure=None,
            thrust=None if thrust_events is None else thrust_events.values,
        ),
    )


def _with_pressure(
    case: Case,
    result: FiringReduction,
    events: Events,
    pressure: Floats,
    relative_sd: float,
    source: str,
) -> FiringReduction:
    """Add what pressure gives: means, c*, mass balance, and the point."""
    series = result.trace_series
    assert series is not None
    assert result.burn_time_sd is not None
    firing, time = case.firing, series.time
    throat = _throat_area(case, time, events)
    rates = rates_from_arrays(
        time,
        pressure,
        1.0 if throat is None else throat,
        ignition=events.ignition,
        web_burnout=events.web_burnout,
        end=events.end,
        web_thickness=result.web,
        exponent=case.exponent,
    )
    c_star = None
    if throat is not None and case.mass is not None:
        c_star = rates.pressure_throat_integral / case.mass
    inside = (time >= events.ignition) & (time <= events.end)
    # Between "all of the web had burnt at web burnout" and "the tail-off burnt its share of it"
    # nothing in the trace decides; the rate stands at one end of that stretch.
    tail_sd = (rates.thickness_over_time - rates.mass_balance) / math.sqrt(3.0)
    rate_sd = math.hypot(
        rates.thickness_over_time * WEB_SD / result.web,
        rates.thickness_over_time * result.burn_time_sd / events.burn_time,
        tail_sd,
    )
    pressure_sd = relative_sd * rates.rate_mean_pressure
    cautions = [
        *result.cautions,
        *c_star_cautions(case, c_star),
        *shape_cautions(case, time, pressure, events),
        *coefficient_cautions(case, result, rates, source),
    ]
    spread = (
        f"web to {WEB_SD * 1e3:g} mm (assumed), burn time by how far its rules disagree, and how "
        "much may have burnt in the tail-off (mass balance)"
    )
    result = replace(
        result,
        mean_pressure=rates.mean_pressure,
        rate_mean_pressure=rates.rate_mean_pressure,
        pressure_sd=pressure_sd,
        peak_pressure=float(np.max(pressure[inside])),
        characteristic_velocity=c_star,
        rate_sd=rate_sd,
        rate_mass_balance=rates.mass_balance,
        pressure_from="gauge" if source == "gauge" else "thrust",
        account=(*result.account, f"standard uncertainty of the rate: {spread}"),
        trace_series=replace(series, pressure=pressure),
        cautions=tuple(cautions),
    )
    how = "gauge" if source == "gauge" else "thrust coefficient, throat and load cell"
    return replace(result, point=point_of(firing, result, f"web, burn time; {how}"))


def _throat_area(case: Case, time: Floats, events: Events) -> Floats | None:
    """Return the throat's area over time, in a straight line from first to last measured."""
    nozzle = case.firing.nozzle
    if nozzle is None:
        return None
    ends = [nozzle.throat_area, nozzle.throat_area_after]
    return np.asarray(np.interp(time, [events.ignition, events.end], ends))


def _gauge_sd(trace: Trace, events: Events) -> float:
    scale = trace.pressure_scale_sd if trace.pressure_scale_sd is not None else _SENSOR_SD
    return math.hypot(scale, events.zero_sd / events.peak)
