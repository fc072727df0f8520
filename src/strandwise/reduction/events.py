"""Events of a firing: ignition, web burnout, end of action, and how sure they are.

Sources: start of burning at the inflection of the rise and web burnout at the greatest change
of curvature or by tangent bisector, NASA SP-8039 (1971) pp. 77–78; the 10 % instants and the
aft tangent bisector, Sutton & Biblarz, Rocket Propulsion Elements (from memory). The bisector
depends on the scale of the axes; here time is in action times and the signal in peaks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.baseline import Located, locate
from strandwise.reduction.emptying import steady_pace
from strandwise.reduction.ignition import find_ignition
from strandwise.reduction.mishaps import burst_cautions, pulse_cautions
from strandwise.reduction.plausibility import size_cautions
from strandwise.reduction.results import Events, Quality
from strandwise.reduction.signals import (
    falling_crossing,
    integral_between,
    smoothed_peak,
    window,
)
from strandwise.reduction.stretches import THRESHOLD
from strandwise.units import METRIC, Wording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["events_from_arrays"]

_LEAST_ROWS = 8
_TAIL_LEVELS = (0.8, 0.5, 0.25, 0.1)  # of the level at the bend
_TAIL_FITTED = (0.85, 0.15)  # of the level; the rounded knee and the noise are left out
_TAIL_SAMPLES = 2
_SHORT_TAIL = 0.01  # of the action time
_STRAIGHT_TAIL = 0.27  # between 0.23 of an exponential and 0.30 of (1 − s)^2.5, n = 0.6
_LONG_TAIL, _LONG_SAMPLES = 0.03, 60  # of the action time; from 80 to 10 %
# Ratio of the paces of the fall, absolute or as thrust, that an exponential may have.
_STEADY = 1.12


@dataclass(frozen=True, slots=True)
class _Burnout:
    time: float
    sd: float
    rules: tuple[str, ...]
    latest: float | None = None


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
    burnout = _burnout(times, z, start, finish, by_hand=web_burnout, ambient=ambient)
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
    quality = _quality(times, z, start, burnout.time, finish)
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
        *burst_cautions(times, z, start, finish),
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


def _burnout(
    t: Floats, z: Floats, start: float, finish: float, *, by_hand: float | None, ambient: float
) -> _Burnout:
    """Return web burnout, the rule it is by, and how far other rules lie from it.

    Where the chamber empties along an exponential, the web ended at once and the greatest change
    of slope is where plateau and exponential meet. Else it is by the aft tangent bisector.
    """
    if by_hand is not None:
        k = int(np.clip(np.searchsorted(t, by_hand), 1, len(t) - 1))
        sd = float(t[k] - t[k - 1]) / float(np.sqrt(12.0))
        return _Burnout(by_hand, sd, (f"web burnout {by_hand:.4f} s: set by hand",))
    knee = _knee(t, z, start, finish)
    level = float(np.interp(knee, t, z))
    after = int(np.searchsorted(t, knee, side="right")) - 1
    before = min(int(np.searchsorted(t, finish)) + 1, len(t) - 1)
    crossings = [falling_crossing(t, z, share * level, after, before) for share in _TAIL_LEVELS]
    half = crossings[1]
    bisected = _tangent_bisector(t, z, start, finish, knee)
    exponential = _is_exponential(crossings)
    if _is_long(t, crossings, finish - start) == exponential:
        # Noise moves one crossing farther than lines through all samples; and a long fall alone
        # shows the difference between an exponential and a surface that dies away.
        pace = steady_pace(t, z + ambient, begin=after, level=level + ambient, most=_STEADY)
        exponential = pace is not None
    emptied = _emptying(t, z, start, finish, knee, exponential=exponential)
    if emptied is not None:
        rule, chosen = "greatest change of slope, where an emptying chamber's exponential", emptied
        rule += " leaves the plateau"
    elif bisected is not None:
        rule, chosen = "tangent bisector on axes of action time and peak", bisected
    else:
        rule, chosen = "greatest bend", knee
    chosen = min(chosen, finish)
    latest = _latest_burnout(crossings, finish, exponential=exponential)
    k = int(np.clip(np.searchsorted(t, chosen), 1, len(t) - 1))
    sampling = float(t[k] - t[k - 1]) / np.sqrt(3.0)
    other = knee if bisected is None else bisected
    spread = max(latest - chosen, abs(chosen - (knee if emptied is None else other))) / np.sqrt(3.0)
    others = [f"greatest bend: {knee:.4f} s"] if chosen != knee else []
    if emptied is not None and bisected is not None:
        others.append(f"tangent bisector: {bisected:.4f} s")
    others.append("half of the level: " + ("not found" if half is None else f"{half:.4f} s"))
    others.append(f"the mean of an uneven web may have lasted to {max(latest, chosen):.4f} s")
    text = f"web burnout {chosen:.4f} s: {rule} ({'; '.join(others)})"
    return _Burnout(chosen, float(np.hypot(sampling, spread)), (text,), latest)


def _is_long(t: Floats, crossings: list[float | None], action: float) -> bool | None:
    """Whether the fall from 80 to 10 % is long, its shape told by many samples; None unknown."""
    high, _, _, low = crossings
    if high is None or low is None:
        return None
    samples = int(np.searchsorted(t, low)) - int(np.searchsorted(t, high))
    return low - high > _LONG_TAIL * action and samples >= _LONG_SAMPLES


def _is_exponential(crossings: list[float | None]) -> bool:
    """Whether the fall from 80 to 10 % bends as that of a chamber that only empties."""
    high, half, _, low = crossings
    if high is None or half is None or low is None or low <= high:
        return False
    return (half - high) / (low - high) < _STRAIGHT_TAIL


def _emptying(
    t: Floats, z: Floats, start: float, finish: float, knee: float, *, exponential: bool
) -> float | None:
    """Return when the exponential of the tail-off leaves the plateau, s; None where it cannot.

    Of a tail-off within 1 % of the action time the shape cannot matter; a longer one has to be
    exponential. The plateau is a least-squares line over the fifth of the action time before; the
    exponential one of the logarithm between 85 % and 15 % of the level, weighed for noise of
    equal size.
    """
    action, instant = finish - start, knee
    for _ in range(3):
        plateau = _line(t, z, (t >= instant - 0.2 * action) & (t <= instant - 0.01 * action))
        if plateau is None:
            return None
        level = plateau[0] * instant + plateau[1]
        begin = int(np.searchsorted(t, instant - 0.05 * action))
        under = np.flatnonzero(z[begin:] <= _TAIL_FITTED[1] * level)
        if not len(under):
            return None
        stop = begin + int(under[0])
        over = np.flatnonzero(z[begin:stop] >= _TAIL_FITTED[0] * level)
        if not len(over) or stop - begin - int(over[-1]) - 1 < _TAIL_SAMPLES:
            return None
        tail = slice(begin + int(over[-1]) + 1, stop)
        s, y = t[tail], z[tail]
        if not exponential and s[-1] - s[0] > _SHORT_TAIL * action:
            return None
        weights = y**2 / np.sum(y**2)
        middle, height = float(weights @ s), float(weights @ np.log(y))
        pace = float(weights @ ((s - middle) * (np.log(y) - height)))
        pace /= float(weights @ (s - middle) ** 2)
        if pace >= 0.0 or level <= 0.0:
            return None
        for _ in range(4):
            level = plateau[0] * instant + plateau[1]
            if level <= 0.0:
                return None
            instant = middle + (float(np.log(level)) - height) / pace
        if not start < instant < finish or abs(instant - knee) > 0.05 * action:
            return None
    return instant


def _latest_burnout(crossings: list[float | None], finish: float, *, exponential: bool) -> float:
    """Return the latest instant at which the mean web may have burnt through.

    A web of even thickness ends at the bend, and the chamber empties along an exponential. An
    uneven one loses its surface along a straight line, and its mean ends where half is left: at
    0.5^(1/(1−n)) of the level, 0.25 for n = 0.5. The two are told apart by how much of the fall
    from 80 to 10 % lies above 50 %: 0.23 of an exponential, 0.30 and more of a line.
    """
    _, half, quarter, _ = crossings
    if half is None or quarter is None:
        return finish
    return half if exponential else quarter


def _knee(t: Floats, z: Floats, start: float, finish: float) -> float:
    """Return where the aft part of the trace bends most: farthest above its chord.

    The chord runs from the instant of half the impulse to the end of action.
    """
    tt, zz = window(t, z, start, finish)
    steps = np.diff(tt) * (zz[1:] + zz[:-1]) / 2.0
    grown = np.concatenate([[0.0], np.cumsum(steps)])
    middle = float(np.interp(0.5 * grown[-1], grown, tt))
    ta, za = window(tt, zz, middle, finish)
    chord = np.interp(ta, [middle, finish], [za[0], za[-1]])
    return float(ta[int(np.argmax(za - chord))])


def _tangent_bisector(
    t: Floats, z: Floats, start: float, finish: float, knee: float
) -> float | None:
    """Return where the bisector of the aft tangents meets the trace, s; None where it cannot.

    Tangents are least-squares lines: over the fifth of the action time before the knee, and
    between 80 % and 30 % of the knee's level after it.
    """
    action = finish - start
    peak = float(np.max(z[(t >= start) & (t <= finish)]))
    s, y = (t - start) / action, z / peak
    k = (knee - start) / action
    level = float(np.interp(k, s, y))
    plateau = _line(s, y, (s >= max(k - 0.2, 0.05)) & (s <= k - 0.01))
    low = max(0.3 * level, min(THRESHOLD, 0.6 * level))
    tail = _tail_line(s, y, k, 0.8 * level, low)
    if plateau is None or tail is None or tail[0] >= plateau[0]:
        return None
    corner = (tail[1] - plateau[1]) / (plateau[0] - tail[0])
    height = plateau[0] * corner + plateau[1]
    back = -np.array([1.0, plateau[0]]) / np.hypot(1.0, plateau[0])
    down = np.array([1.0, tail[0]]) / np.hypot(1.0, tail[0])
    along = back + down
    near = np.flatnonzero((s >= corner - 0.15) & (s <= corner + 0.15))
    if not len(near):
        return None
    a, b = max(int(near[0]) - 1, 0), min(int(near[-1]) + 2, len(s))
    side = (s[a:b] - corner) * along[1] - (y[a:b] - height) * along[0]
    turns = np.flatnonzero(np.sign(side[:-1]) != np.sign(side[1:]))
    if not len(turns):
        return None
    shares = side[turns] / (side[turns] - side[turns + 1])
    meets = s[a + turns] + shares * (s[a + turns + 1] - s[a + turns])
    return float(start + action * meets[int(np.argmin(np.abs(meets - corner)))])


def _line(s: Floats, y: Floats, where: NDArray[np.bool_]) -> tuple[float, float] | None:
    x, v = s[where], y[where]
    if len(x) < 2 or np.ptp(x) == 0.0:
        return None
    dx = x - x.mean()
    slope = float(np.sum(dx * (v - v.mean())) / np.sum(dx**2))
    return slope, float(v.mean() - slope * x.mean())


def _tail_line(
    s: Floats, y: Floats, knee: float, high: float, low: float
) -> tuple[float, float] | None:
    begin = int(np.searchsorted(s, knee, side="right")) - 1
    under = np.flatnonzero(y[begin:] <= low)
    if not len(under):
        return None
    stop = begin + int(under[0])
    over = np.flatnonzero(y[begin : stop + 1] >= high)
    if not len(over):
        return None
    first = begin + int(over[-1])
    picked = np.zeros(len(s), dtype=np.bool_)
    # A sharp end has no sample between the levels: the two that enclose it give the tangent.
    inner = stop - first - 1
    picked[first + (inner >= 2) : stop + (inner < 2)] = True
    return _line(s, y, picked)


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
