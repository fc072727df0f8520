"""The end of the web in a trace: by its bend, its tangents, or the exponential that follows it.

Sources: web burnout at the greatest change of curvature or by tangent bisector, NASA SP-8039 (1971)
pp. 77–78; the aft tangent bisector, Sutton & Biblarz, Rocket Propulsion Elements (from memory). The
bisector depends on the scale of the axes; here time is in action times and the signal in peaks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.reduction.emptying import steady_pace
from strandwise.reduction.signals import falling_crossing, window
from strandwise.reduction.stretches import THRESHOLD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Burnout", "find_burnout"]

_TAIL_LEVELS = (0.8, 0.5, 0.25, 0.1)  # of the level at the bend
_TAIL_FITTED = (0.85, 0.15)  # of the level; the rounded knee and the noise are left out
_TAIL_SAMPLES = 2
_SHORT_TAIL = 0.01  # of the action time
_STRAIGHT_TAIL = 0.27  # between 0.23 of an exponential and 0.30 of (1 − s)^2.5, n = 0.6
_LONG_TAIL, _LONG_SAMPLES = 0.03, 60  # of the action time; from 80 to 10 %
# Ratio of the paces of the fall, absolute or as thrust, that an exponential may have.
_STEADY = 1.12


@dataclass(frozen=True, slots=True)
class Burnout:
    """End of the web, s, its standard uncertainty, the rules, and how late it may have been."""

    time: float
    sd: float
    rules: tuple[str, ...]
    latest: float | None = None


def find_burnout(
    t: Floats, z: Floats, start: float, finish: float, *, by_hand: float | None, ambient: float
) -> Burnout:
    """Return web burnout, the rule it is by, and how far other rules lie from it.

    Where the chamber empties along an exponential, the web ended at once and the greatest change
    of slope is where plateau and exponential meet. Else it is by the aft tangent bisector.

    Parameters
    ----------
    t, z
        s and the zeroed signal around the firing, N or Pa; shape (N,).
    start, finish
        Ignition and end of action, s.
    by_hand
        Set by a person, s; None: by rule.
    ambient
        What is added to the signal to make it absolute: ambient pressure in Pa, 0 for thrust.
    """
    if by_hand is not None:
        k = int(np.clip(np.searchsorted(t, by_hand), 1, len(t) - 1))
        sd = float(t[k] - t[k - 1]) / float(np.sqrt(12.0))
        return Burnout(by_hand, sd, (f"web burnout {by_hand:.4f} s: set by hand",))
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
    return Burnout(chosen, float(np.hypot(sampling, spread)), (text,), latest)


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
