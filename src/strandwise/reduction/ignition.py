"""The start of burning, and what may stand before it: a low start, a hang-fire.

Sources: ignition at 10 % of the *initial* rise, Sutton & Biblarz, Rocket Propulsion Elements
(from memory); at the inflection of the rise, NASA SP-8039 (1971) p. 77.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.reduction.baseline import Located
from strandwise.reduction.stretches import THRESHOLD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Ignition", "find_ignition"]

_AT_REST = (4.0, 0.01)  # times the noise of the mean, and share of the peak; the larger
_LOW_START = 0.02  # of the action; a signal off rest longer than this before the 10 % is told
_SHARP_RISE = 0.35  # of the action, from 10 to 70 % of the peak: not the growth of a bore
_SOON, _LEAP = 0.03, 2.5  # of the action, and times the level before: no surface grows so fast
_HANG_FIRE = 0.15  # of the action; a signal off rest at least so long before a sharp rise
_STEP = 0.15  # of a tenth of the peak, in the first quarter of a low start; a ramp has 0.125
_SMOOTHED = 0.01  # of the action


@dataclass(frozen=True, slots=True)
class Ignition:
    """Start of burning, s, its standard uncertainty, the rules, and what is to be warned of."""

    time: float
    sd: float
    rules: tuple[str, ...]
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class _Start:
    """How the signal leaves rest: sample, level it settles at, whether it then rises sharply."""

    departs: int
    width: int
    level: float
    sharp: bool


def find_ignition(t: Floats, z: Floats, found: Located, by_hand: float | None) -> Ignition:
    """Return the start of burning.

    The rule is 10 % of the peak. Where the signal leaves rest well before it and then grows
    slowly, as that of a grain whose surface grows much, the rule is 10 % of the level that it
    starts at; where it stays low and then rises sharply, the motor hung fire, which is told.

    Parameters
    ----------
    t, z
        s and the zeroed signal around the firing; shape (N,).
    found
        Where in them the firing is.
    by_hand
        Set by a person, s; None: by rule.

    Returns
    -------
    Ignition

    Raises
    ------
    DataError
        The trace starts after ignition.
    """
    if by_hand is not None:
        k = int(np.clip(np.searchsorted(t, by_hand), 1, len(t) - 1))
        sd = float(t[k] - t[k - 1]) / float(np.sqrt(12.0))
        return Ignition(by_hand, sd, (f"ignition {by_hand:.4f} s: set by hand",))
    first = found.first
    level = THRESHOLD * float(np.max(z[first : found.last + 1]))
    if first == 0 and found.near.start > 0:
        msg = (
            f"the signal never rests in the {t[-1] - t[0]:.4g} s around its largest event, which "
            f"starts before {t[0]:.4g} s"
        )
        raise DataError(
            msg,
            hint="if it is no firing, the log stopped before one; else set "
            "[events] ignition and end",
        )
    if first == 0:
        msg = (
            f"the trace starts at {t[0]:g} s with the signal already at "
            f"{100.0 * z[0] / level * THRESHOLD:.0f} % of its peak: ignition is not in it"
        )
        raise DataError(msg, hint="if it is known, set [events] ignition")
    at_peak_share = _crossing(t, z, first, level)
    start = _start(t, z, found)
    cautions: tuple[Caution, ...] = ()
    rule, instant, k = "10 % of the peak", at_peak_share, first
    if start is not None and start.sharp:
        cautions = (_hang_fire(at_peak_share - float(t[start.departs]), start.level / level),)
    elif start is not None:
        low = THRESHOLD * start.level
        # Not farther back than the mean that showed it: rest itself crosses a low level often.
        a = max(start.departs - start.width, 0)
        under = np.flatnonzero(z[a : start.departs + 1] <= low)
        k = max(a + int(under[-1]) + 1 if len(under) else start.departs, 1)
        instant = _crossing(t, z, k, max(low, float(z[k - 1])))
        rule = (
            f"10 % of the level that it starts at, {100.0 * start.level / level * THRESHOLD:.0f} % "
            f"of the peak (10 % of the peak: {at_peak_share:.4f} s)"
        )
    interval = float(t[max(k, 1)] - t[max(k, 1) - 1])
    # Of a sharp edge the rule finds one end of the interval, not its middle: 1/√3, not 1/√12.
    sampling = interval / np.sqrt(3.0)
    inflection = _inflection(t, z, found, k if rule != "10 % of the peak" else None)
    text = f"ignition {instant:.4f} s: {rule} (inflection of the rise: {inflection:.4f} s)"
    sd = float(np.hypot(sampling, abs(inflection - instant) / np.sqrt(3.0)))
    return Ignition(instant, sd, (text,), cautions)


def _crossing(t: Floats, z: Floats, k: int, level: float) -> float:
    """Return when the signal passes a level between the samples before and at k."""
    rise = z[k] - z[k - 1]
    share = float(np.clip((level - z[k - 1]) / rise, 0.0, 1.0)) if rise > 0.0 else 1.0
    return float(t[k - 1] + share * (t[k] - t[k - 1]))


def _start(t: Floats, z: Floats, found: Located) -> _Start | None:
    """Return how the signal left rest, where that was well before 10 % of the peak."""
    if not found.rested:
        return None
    first, last = found.first, found.last
    action = float(t[last] - t[first])
    peak = float(np.max(z[first : last + 1]))
    width = max(1, int(_SMOOTHED * (last - first)))
    grown = np.concatenate([[0.0], np.cumsum(z[: first + 1])])
    mean = (grown[width:] - grown[:-width]) / width
    rest = max(_AT_REST[0] * found.noise / np.sqrt(width), _AT_REST[1] * peak)
    still = np.flatnonzero(mean <= rest)
    if not len(still) or len(mean) < 3:
        return None
    departs = min(int(still[-1]) + width, first)
    before = float(t[first] - t[departs])
    if before < max(_LOW_START * action, 3.0 * float(t[first] - t[first - 1])):
        return None
    settled = float(np.median(z[departs : departs + max(3, (first - departs) // 4)]))
    high = int(np.argmax(z[first : last + 1] >= 0.7 * peak))
    whole = float(np.median(z[departs:first]))
    # A bore that grows much reaches 70 % of the peak late, and after a hang-fire still leaps.
    soon = first + max(2, int(_SOON * (last - first)))
    leaps = float(np.median(z[(first + soon) // 2 : soon + 1])) > _LEAP * max(whole, 0.0)
    sharp = leaps or float(t[first + high] - t[first]) < _SHARP_RISE * action
    if sharp and before < _HANG_FIRE * action:
        return None
    # A grain starts with a step; what only creeps away from rest is no burning surface.
    if not sharp and settled < _STEP * THRESHOLD * peak:
        return None
    return _Start(departs, width, whole if sharp else settled, sharp)


def _hang_fire(delay: float, share: float) -> Caution:
    text = (
        f"the signal stands at about {100.0 * share * THRESHOLD:.0f} % of its peak for "
        f"{delay:.3g} s before it rises: a hang-fire. Some of the web burnt then, and the burn "
        "time starts at the rise: the rate from it may be too high"
    )
    return Caution("hang-fire", text)


def _inflection(t: Floats, z: Floats, found: Located, low_start: int | None) -> float:
    """Return when the rise is steepest: up to 70 % of the peak, or where a low start begins."""
    if low_start is None:
        part = z[found.first : found.last + 1]
        a = max(found.first - 2, 0)
        top = found.first + int(np.argmax(part >= 0.7 * np.max(part)))
    else:
        a = max(low_start - 2, 0)
        top = min(low_start + max(3, (found.first - low_start) // 4), len(z) - 3)
    slopes = np.diff(z[a : top + 2]) / np.diff(t[a : top + 2])
    i = a + int(np.argmax(slopes))
    return float((t[i] + t[i + 1]) / 2.0)
