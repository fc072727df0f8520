"""One motor firing to one rate point: by its trace, or by what was read by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.motor import web
from strandwise.reduction.assumptions import ASSUMED_GAMMA
from strandwise.reduction.by_hand import reduce_by_hand
from strandwise.reduction.case import Case, case_of, point_of, specific_impulse_of
from strandwise.reduction.chamber_pressure import (
    ThrustPressure,
    pressure_through_nozzle,
)
from strandwise.reduction.consistency import (
    c_star_cautions,
    coefficient_cautions,
    ideal_coefficient,
    impulse_cautions,
)
from strandwise.reduction.emptying import (
    by_tail_off,
    emptied_volume,
    volume_cautions,
)
from strandwise.reduction.events import events_from_arrays
from strandwise.reduction.firing_chain import trace_chain
from strandwise.reduction.loss import fall_of, with_loss
from strandwise.reduction.plausibility import (
    gap_cautions,
    shape_cautions,
    uneven_cautions,
    zero_cautions,
)
from strandwise.reduction.rates import rates_from_arrays
from strandwise.reduction.readings import free_volume_reading
from strandwise.reduction.results import Events, FiringReduction, TraceSeries
from strandwise.reduction.signals import integral_between
from strandwise.reduction.throat_wear import throat_area_over_time
from strandwise.reduction.trace import Trace, read_trace
from strandwise.reduction.uncertainty import with_uncertainty
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.records import Firing, Gas

    Floats = NDArray[np.float64]

__all__ = ["reduce_firing"]


def reduce_firing(
    firing: Firing,
    formulation: str,
    *,
    gas: Gas,
    ambient: float | None,
    density: float | None,
    exponent: float,
    c_star_calculated: bool = False,
    wording: Wording = METRIC,
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
    c_star_calculated
        Whether the c* in `gas` is that of the recipe's equilibrium and not stated.
    wording
        Units of the sentences.

    Returns
    -------
    FiringReduction
    """
    case = case_of(
        firing,
        formulation,
        gas,
        ambient,
        density,
        exponent,
        c_star_calculated=c_star_calculated,
        wording=wording,
    )
    refused: str | None = None
    if firing.trace is not None:
        try:
            return _from_trace(case, read_trace(firing.trace, wording))
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
        pressure_events = _events(case, trace.time, trace.pressure, "Pa")
        cautions += zero_cautions(pressure_events, case.surroundings, case.wording)
    if trace.thrust is not None:
        try:
            thrust_events = _events(case, trace.time, trace.thrust, "N")
        except DataError as error:
            if not by_gauge:
                raise
            cautions.append(Caution("thrust-unusable", f"the thrust channel is not used: {error}"))
    events = pressure_events or thrust_events
    if events is None:
        msg = "the trace holds neither pressure nor thrust"
        raise DataError(msg)
    result = _with_events(case, trace, events, thrust_events)
    cautions += [
        *events.cautions,
        *gap_cautions(trace.time, events),
        *uneven_cautions(case, events),
    ]
    result = replace(result, cautions=(*result.cautions, *cautions))
    if pressure_events is not None:
        pressure = pressure_events.values + case.surroundings.ambient
        return _with_pressure(case, result, events, pressure, trace)
    if firing.nozzle is None:
        why = "thrust alone gives no pressure without a nozzle: add [nozzle] throat_diameter"
        more = impulse_cautions(case, result.total_impulse or 0.0, events.burn_time, None)
        return replace(result, why_no_point=why, cautions=(*result.cautions, *more))
    through = pressure_through_nozzle(
        events.values,
        firing.nozzle,
        gamma=case.gamma,
        surroundings=case.surroundings,
        throat_area=_throat_area(case, trace.time, events),
        level=max(result.mean_thrust or 0.0, 1e-6),
        wording=case.wording,
    )
    result = replace(
        result,
        account=result.account + through.account,
        cautions=result.cautions + through.cautions,
    )
    return _with_pressure(case, result, events, through.pressure, trace, through=through)


def _events(case: Case, time: Floats, values: Floats, unit: str) -> Events:
    firing = case.firing
    return events_from_arrays(
        time,
        values,
        unit=unit,
        recorded_zero=case.surroundings.ambient if unit == "Pa" else 0.0,
        ignition=firing.events.ignition,
        web_burnout=firing.events.web_burnout,
        end=firing.events.end,
        wording=case.wording,
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
        specific_impulse=specific_impulse_of(impulse, case.burnt_mass),
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
    trace: Trace,
    *,
    through: ThrustPressure | None = None,
) -> FiringReduction:
    """Add what pressure gives: means, c*, mass balance, the swept rate, and the point."""
    series, by_thrust = result.trace_series, through is not None
    assert series is not None
    time = series.time
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
    if throat is not None and case.burnt_mass is not None:
        c_star = rates.pressure_throat_integral / case.burnt_mass
    inside = (time >= events.ignition) & (time <= events.end)
    result = replace(
        result,
        mean_pressure=rates.mean_pressure,
        rate_mean_pressure=rates.rate_mean_pressure,
        peak_pressure=_peak_pressure(pressure, inside, events, by_thrust=by_thrust),
        characteristic_velocity=c_star,
        rate_mass_balance=rates.mass_balance,
        pressure_from="thrust" if by_thrust else "gauge",
        trace_series=replace(series, pressure=pressure),
    )
    fall = fall_of(case, time, pressure, events, c_star=c_star, by_thrust=by_thrust)
    result = with_loss(case, result, fall)
    result = _with_consistency(
        case,
        result,
        shape_cautions(case, time, pressure, events),
        relative_sd=0.0 if through is None else through.relative_sd,
        sudden=fall is not None and fall.sudden,
    )
    emptied = None if by_thrust else _emptied(case, time, pressure, events, c_star)
    if emptied is not None:
        result = _with_free_volume(case, result, emptied)
    chain = trace_chain(
        case,
        time,
        events.values,
        events,
        by_thrust=by_thrust,
        scale_sd=trace.thrust_scale_sd if by_thrust else trace.pressure_scale_sd,
        level=rates.mean_pressure,
        emptied=emptied,
    )
    result = with_uncertainty(result, chain)
    how = "thrust coefficient, throat and load cell" if by_thrust else "gauge"
    return replace(result, point=point_of(case, result, f"web, burn time; {how}"))


def _peak_pressure(
    pressure: Floats,
    inside: NDArray[np.bool_],
    events: Events,
    *,
    by_thrust: bool,
) -> float:
    """Return the highest pressure, Pa, freed from the noise's reach as the signal's peak is.

    The highest single reading stands where the signal's peak lies outside the action, as it may
    with instants set by hand. From thrust the pressure there is lowered by the thrust's ratio:
    over so small a step the thrust coefficient is constant.
    """
    highest = float(np.max(pressure[inside]))
    if not events.ignition <= events.peak_time <= events.end:
        return highest
    over = float(np.max(events.values[inside]))
    return highest * events.peak / over if by_thrust else highest - (over - events.peak)


def _with_consistency(
    case: Case,
    result: FiringReduction,
    of_shape: list[Caution],
    *,
    relative_sd: float,
    sudden: bool,
) -> FiringReduction:
    """Add c* and thrust coefficient against what they should be."""
    c_star, pressure = result.characteristic_velocity, result.mean_pressure
    assert pressure is not None
    given, nozzle, coefficient = case.characteristic_velocity, case.firing.nozzle, None
    by_gauge = result.pressure_from == "gauge"
    if by_gauge and nozzle is not None and result.mean_thrust is not None:
        area = (nozzle.throat_area + nozzle.throat_area_after) / 2.0
        coefficient = result.mean_thrust / (pressure * area)
    ideal = None if coefficient is None else ideal_coefficient(case, pressure)
    of_c_star = c_star_cautions(
        case,
        c_star,
        pressure,
        by_thrust=not by_gauge,
        relative_sd=relative_sd,
        sudden=sudden,
    )
    of_impulse = []
    if not by_gauge and result.total_impulse is not None and result.burn_time is not None:
        of_impulse = impulse_cautions(case, result.total_impulse, result.burn_time, pressure)
    return replace(
        result,
        characteristic_velocity_ratio=None if c_star is None or not given else c_star / given,
        thrust_coefficient=coefficient,
        thrust_coefficient_ratio=None if not coefficient or not ideal else coefficient / ideal,
        cautions=(
            *result.cautions,
            *(of_impulse or of_c_star),
            *of_shape,
            *coefficient_cautions(case, coefficient, pressure, c_star),
        ),
    )


def _emptied(
    case: Case, time: Floats, pressure: Floats, events: Events, c_star: float | None
) -> float | None:
    """Return the chamber's volume by how it empties, m³; None where that cannot be told."""
    nozzle = case.firing.nozzle
    if nozzle is None or c_star is None:
        return None
    return emptied_volume(
        time,
        pressure,
        burn_time=events.burn_time,
        web_burnout=events.web_burnout,
        ambient=case.surroundings.ambient,
        throat_area=nozzle.throat_area_after,
        characteristic_velocity=c_star,
        gamma=ASSUMED_GAMMA if case.gamma is None else case.gamma,
    )


def _with_free_volume(case: Case, result: FiringReduction, emptied: float) -> FiringReduction:
    """Say which free volume the tail-off shows."""
    assumed = free_volume_reading(case)
    shown = by_tail_off(assumed, case, emptied)
    if shown is assumed:
        return result
    volume = case.wording.size(shown.value, "m³")
    text = (
        f"free volume of the chamber before the burn {volume}, standard uncertainty "
        f"{case.wording.size(shown.sd, 'm³')}: by how fast it empties after burnout"
    )
    return replace(
        result,
        account=(*result.account, text),
        cautions=(*result.cautions, *volume_cautions(assumed, case, emptied)),
    )


def _throat_area(case: Case, time: Floats, events: Events) -> Floats | None:
    nozzle = case.firing.nozzle
    if nozzle is None:
        return None
    return throat_area_over_time(
        time,
        events.values,
        (nozzle.throat_area, nozzle.throat_area_after),
        start=events.ignition,
        end=events.end,
    )
