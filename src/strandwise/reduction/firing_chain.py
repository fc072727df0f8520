"""A firing's readings, gathered into the chain that its uncertainty is worked out with."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.reduction.assumptions import HAND_READING_SD, HAND_TIME_SD, SENSOR_SD
from strandwise.reduction.chain import HandChain, TraceChain
from strandwise.reduction.emptying import by_tail_off
from strandwise.reduction.readings import Reading, chamber_readings, grain_readings
from strandwise.reduction.swept import even_grid

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from strandwise.reduction.case import Case
    from strandwise.reduction.results import Events

    Floats = NDArray[np.float64]

__all__ = ["hand_chain", "trace_chain"]


def trace_chain(
    case: Case,
    time: Floats,
    signal: Floats,
    events: Events,
    *,
    by_thrust: bool,
    scale_sd: float | None,
    level: float,
    emptied: float | None = None,
) -> TraceChain:
    """Return the chain of a firing with a trace.

    Parameters
    ----------
    case
        The record.
    time, signal
        s, and zeroed gauge pressure above ambient (Pa) or thrust (N); shape (N,).
    events
        Of that channel.
    by_thrust
        Which of the two it is.
    scale_sd
        Relative standard error of its calibration's slope; None where it is not known.
    level
        Mean chamber pressure, Pa.
    emptied
        Volume of the chamber by its tail-off, as of `emptied_volume`, m³.
    """
    own = _channel_readings(events, by_thrust=by_thrust, scale_sd=scale_sd)
    grid, values = even_grid(time, signal, events.ignition, events.end)
    others = [*grain_readings(case), *chamber_readings(case, by_thrust=by_thrust, level=level)]
    others = [by_tail_off(r, case, emptied) if r.key == "free-volume" else r for r in others]
    return TraceChain(
        case=case,
        time=grid,
        signal=values,
        by_thrust=by_thrust,
        ignition=events.ignition,
        web_burnout=events.web_burnout,
        end=events.end,
        readings=(*own, *others),
    )


def _channel_readings(events: Events, *, by_thrust: bool, scale_sd: float | None) -> list[Reading]:
    """Return what the channel and its events leave open."""
    channel = "load cell" if by_thrust else "pressure gauge"
    known = scale_sd is not None
    return [
        Reading(
            key="scale",
            name=f"calibration of the {channel}",
            value=1.0,
            sd=SENSOR_SD if scale_sd is None else scale_sd,
            unit="1",
            basis="from the calibration" if known else "assumed",
        ),
        Reading(
            key="zero",
            name=f"zero of the {channel}",
            value=0.0,
            sd=events.zero_sd,
            unit="N" if by_thrust else "Pa",
            basis="from the trace",
        ),
        Reading(
            key="zero-drift",
            name=f"course of the {channel}'s zero during the firing",
            value=0.0,
            sd=events.zero_sd,
            unit="N" if by_thrust else "Pa",
            basis="from the trace",
        ),
        Reading(
            key="burn-time",
            name="instants of ignition and web burnout",
            value=0.0,
            sd=events.burn_time_sd,
            unit="s",
            basis="from the trace",
        ),
    ]


def hand_chain(
    case: Case,
    *,
    burn_time: float,
    burn_time_sd: float | None,
    mean: float,
    mean_sd: float | None,
    mean_name: str,
    by_thrust: bool,
    level: float,
) -> HandChain:
    """Return the chain of a firing read by hand.

    Parameters
    ----------
    case
        The record.
    burn_time, burn_time_sd
        s; the latter None where it is not stated.
    mean, mean_sd
        Thrust in N or absolute pressure in Pa; the latter None where it is not stated.
    mean_name
        For a person, such as ``mean thrust``.
    by_thrust
        Whether the mean is one of thrust.
    level
        Mean chamber pressure, Pa.
    """
    least, share = HAND_TIME_SD
    own = [
        Reading(
            key="burn-time",
            name="burn time",
            value=burn_time,
            sd=max(least, share * burn_time) if burn_time_sd is None else burn_time_sd,
            unit="s",
            basis="assumed" if burn_time_sd is None else "stated",
        ),
        Reading(
            key="mean",
            name=mean_name,
            value=mean,
            sd=HAND_READING_SD * mean if mean_sd is None else mean_sd,
            unit="N" if by_thrust else "Pa",
            basis="assumed" if mean_sd is None else "stated",
        ),
    ]
    # Without a trace neither chamber filling nor the course of anything plays a part; under a
    # gauge ambient does not either.
    unused = {"free-volume", "throat-course"} | (set() if by_thrust else {"ambient", "gamma"})
    others = [*grain_readings(case), *chamber_readings(case, by_thrust=by_thrust, level=level)]
    readings = (*own, *(reading for reading in others if reading.key not in unused))
    return HandChain(case=case, by_thrust=by_thrust, readings=readings)
