"""Events of a firing: ignition, web burnout, end of action, and how sure they are.

Sources: see `ignition` and `burnout`; the 10 % instants, Sutton & Biblarz, Rocket Propulsion
Elements (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.baseline import Located, locate
from strandwise.reduction.burnout import find_burnout
from strandwise.reduction.ignition import find_ignition
from strandwise.reduction.mishaps import burst_cautions, pulse_cautions
from strandwise.reduction.plausibility import size_cautions
from strandwise.reduction.results import Events, Quality
from strandwise.reduction.signals import integral_between, smoothed_peak, window
from strandwise.reduction.stretches import THRESHOLD
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["events_from_arrays"]

_LEAST_ROWS = 8
_MARGIN = 0.5  # action times before and after the action that its events are looked for in


def events_from_arrays(
    time: Floats,
    values: Floats,
    *,
    unit: str,
    recorded_zero: float = 0.0,
    ignition: float | None = None,
    web_burnout: float | None = None,
    end: float | None = None,
    wording: Wording = METRIC,
) -> Events:
    """Find the events of the one firing in a trace, after removing spikes and zero.

    Parameters
    ----------
    time
        Rising, s; shape (N,).
    values
        Thrust in N (either polarity) or absolute pressure in Pa; shape (N,).
    unit
        ``N`` or ``Pa``.
    recorded_zero
        What the channel should read at rest: 0 N or ambient pressure in Pa.
    ignition, web_burnout, end
        Instants set by a person, s on the same clock; None: found by rule.
    wording
        Units of the sentences.

    Returns
    -------
    Events
        With the zeroed signal, the rules used, the quality and a standard uncertainty of the
        burn time.

    Raises
    ------
    DataError
        The trace holds no firing, starts after ignition, stops before the end of action, or
        the instants set by hand are not in order within the trace.
    """
    t = np.asarray(time, dtype=np.float64)
    raw = np.asarray(values, dtype=np.float64)
    if len(t) < _LEAST_ROWS:
        step = 1e3 * float(np.median(np.diff(t))) if len(t) > 1 else 0.0
        msg = f"the trace has {len(t)} samples, {step:.4g} ms apart"
        raise DataError(
            msg,
            expected=f"at least {_LEAST_ROWS} within the firing",
            hint="log faster; what was read by hand can go into [summary]",
        )
    _check_overrides(t, ignition, web_burnout, end)
    found = locate(
        t,
        raw,
        recorded_zero=recorded_zero,
        signed=unit == "N",
        told=lambda value: wording.signal(value, unit, 4),
        instants=[instant for instant in (ignition, web_burnout, end) if instant is not None],
        end_known=end is not None,
    )
    account = list(found.account)
    if len(found.spikes):
        where = ", ".join(f"{t[i]:.3f}" for i in found.spikes[:5])
        more = " …" if len(found.spikes) > 5 else ""
        account.insert(0, f"{len(found.spikes)} single-sample spikes removed, at {where}{more} s")
    times, z = t[found.near], found.values[found.near]
    lit = find_ignition(times, z, found, ignition)
    start, finish = lit.time, _end(times, z, found, end)
    ambient = recorded_zero if unit == "Pa" else 0.0
    # A long log is mostly rest, which says nothing of the burn.
    margin = _MARGIN * (finish - start)
    a, b = np.searchsorted(times, [start - margin, finish + margin])
    own = slice(max(int(a) - 1, 0), int(b) + 1)
    burn = times[own], z[own]
    burnout = find_burnout(*burn, start, finish, by_hand=web_burnout, ambient=ambient)
    if not start < burnout.time <= finish:
        msg = (
            f"ignition {start:.4g} s, web burnout {burnout.time:.4g} s and end {finish:.4g} s "
            "are not in that order"
        )
        raise DataError(msg, hint="correct the instants in [events]")
    rules = (
        *lit.rules,
        *burnout.rules,
        f"end of action {finish:.4f} s: "
        + ("set by hand" if end is not None else "10 % of the peak"),
    )
    quality = _quality(*burn, start, burnout.time, finish)
    top, peak = smoothed_peak(z[found.first : found.last + 1], found.noise)
    top += found.first
    highest = float(np.max(z[found.first : found.last + 1]))
    if highest != peak:
        above = " above ambient" if unit == "Pa" else ""
        account.append(
            f"peak {wording.signal(peak, unit, 4)}{above}, by local parabolas: single readings "
            f"reach {wording.signal(highest, unit, 4)}, as noise of "
            f"{wording.signal(found.noise, unit, 2)} does"
        )
    cautions = (
        *found.cautions,
        *lit.cautions,
        *pulse_cautions(found.pulses, start, finish, peak),
        *burst_cautions(*burn, start, finish),
        *size_cautions(peak, finish - start, unit, wording),
        *_quality_cautions(quality),
    )
    return Events(
        ignition=start,
        web_burnout=burnout.time,
        latest_burnout=burnout.latest,
        end=finish,
        burn_time_sd=float(np.hypot(lit.sd, burnout.sd)),
        peak=peak,
        peak_time=float(times[top]),
        values=found.values,
        zero_level=found.zero_level,
        zero_sd=found.zero_sd,
        quality=quality,
        rules=rules,
        account=tuple(account),
        cautions=cautions,
    )


def _check_overrides(
    t: Floats, ignition: float | None, web_burnout: float | None, end: float | None
) -> None:
    given = [("ignition", ignition), ("web_burnout", web_burnout), ("end", end)]
    for name, instant in given:
        if instant is not None and not t[0] <= instant <= t[-1]:
            msg = f"[events] {name} = {instant:g} s is outside the trace"
            raise DataError(
                msg,
                expected=f"{t[0]:g} to {t[-1]:g} s, the trace's own clock",
            )


def _end(t: Floats, z: Floats, found: Located, by_hand: float | None) -> float:
    if by_hand is not None:
        return by_hand
    first, last = found.first, found.last
    level = THRESHOLD * float(np.max(z[first : last + 1]))
    if last == len(t) - 1:
        msg = (
            f"the trace stops at {t[-1]:g} s with the signal still at "
            f"{100.0 * z[-1] / level * THRESHOLD:.0f} % of its peak"
        )
        raise DataError(msg, hint="if the end of action is known, set [events] end")
    share = (z[last] - level) / (z[last] - z[last + 1])
    return float(t[last] + share * (t[last + 1] - t[last]))


def _quality(t: Floats, z: Floats, start: float, burnout: float, finish: float) -> Quality:
    settled = start + 0.1 * (burnout - start)
    _, steady = window(t, z, settled, burnout)
    # Percentiles, so that a single noisy sample does not make a trace uneven.
    low, high = (float(v) for v in np.percentile(steady, [1.0, 99.0]))
    whole = integral_between(t, z, start, finish)
    tail = integral_between(t, z, burnout, finish) if finish > burnout else 0.0
    return Quality(
        spread=(high - low) / (high + low) if high + low > 0.0 else 1.0,
        burn_over_action=(burnout - start) / (finish - start),
        tail_fraction=tail / whole,
    )


def _quality_cautions(quality: Quality) -> tuple[Caution, ...]:
    cautions = []
    if not quality.neutral:
        text = (
            f"the signal varies by ±{100.0 * quality.spread:.0f} % during the burn (±10 % is "
            "neutral): the rate is one for a range of pressures, taken at their rate-mean"
        )
        cautions.append(Caution("trace-not-neutral", text))
    if quality.burn_over_action < 0.87 or quality.tail_fraction > 0.05:
        text = (
            f"burn time is {100.0 * quality.burn_over_action:.0f} % of action time (87 % wanted) "
            f"and the tail-off holds {100.0 * quality.tail_fraction:.1f} % of the integral (5 % "
            "wanted): the end of burning, and with it the rate, is uncertain"
        )
        cautions.append(Caution("slow-tail-off", text))
    return tuple(cautions)
