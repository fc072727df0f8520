"""The quiet parts of a trace before and after its firing: where it shows its zero."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.reduction.signals import thinned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Level", "quiet_sides"]

_QUIET_DRIFT = 0.02  # of the peak, between the halves of a quiet part of the longest kind
_SHORT_DRIFT = 0.0005  # of the peak; shorter parts may drift this much, or within their scatter
_QUIET_SAMPLES = 3000  # of a quiet part; more tell no more about its level
_QUIET_SPREAD = 0.03  # of the peak
_END_OFF = 0.01  # of the peak, by which an eighth at either end may stand off the whole
_QUIET_LENGTHS = (0.3, 0.1, 0.03)  # of the action time; the longest that is there is taken
_QUIET_ENOUGH = 0.005  # a part that drifts less than this is taken without looking farther
_FAR_OFF = 6.0  # times the noise; readings of a quiet part that are left out of its level
_SEARCH_BEFORE = 3.0  # action times in which a quiet part is looked for
_SEARCH_AFTER = 1.0  # fewer: later the hot motor is handled, or the cell creeps
_LOW_BURN = 0.015  # of the peak; a level before ignition this much above an earlier one
_MAD_TO_SD = 1.4826


@dataclass(frozen=True, slots=True)
class Level:
    """The level of a quiet part.

    Parameters
    ----------
    value, sd
        Its mean and the standard uncertainty of that, in the unit of the channel.
    noise
        Standard deviation of the readings.
    drift
        How far the medians of its halves differ.
    start, end
        First and last reading, s.
    """

    value: float
    sd: float
    noise: float
    drift: float
    start: float
    end: float

    @property
    def middle(self) -> float:
        """Instant half-way, s."""
        return (self.start + self.end) / 2.0


def quiet_sides(
    time: Floats, upright: Floats, first: int, last: int, peak: float
) -> tuple[Level | None, Level | None]:
    """Return the quiet parts before and after a firing, the longest and nearest that is level.

    Parameters
    ----------
    time, upright
        Rising s, and the signal, upward; shape (N,).
    first, last
        First and last sample of the firing.
    peak
        Its height over rest, in the unit of the signal.

    Returns
    -------
    tuple
        Each None where no part on that side is quiet.
    """
    action = float(time[last] - time[first])
    before = after = None
    seen: list[Level] = []
    for share in _QUIET_LENGTHS:
        # A shorter part must be flatter, or the start of a slow rise would pass for rest.
        flat = _QUIET_DRIFT * peak * share / _QUIET_LENGTHS[0]
        length = share * action
        guard = 0.03 * action
        if before is None:
            edge = float(time[first]) - guard
            for k in range(int(_SEARCH_BEFORE / share * 2)):
                end = edge - k * length / 2.0
                found = _quiet_level(time, upright, end - length, end, peak, flat)
                before = _quieter(before, found, peak)
                seen += [] if found is None else [found]
        if after is None:
            edge = float(time[last]) + guard
            for k in range(int(_SEARCH_AFTER / share * 2)):
                start = edge + k * length / 2.0
                found = _quiet_level(time, upright, start, start + length, peak, flat)
                after = _quieter(after, found, peak)
    return _before_low_burn(before, after, seen, peak), after


def _before_low_burn(
    before: Level | None, after: Level | None, seen: list[Level], peak: float
) -> Level | None:
    """Return an earlier level where the signal stood above it only until the firing's end.

    So burns a motor that hangs fire; the weight of one put on the stand is there afterwards too.
    """
    if before is None or after is None:
        return before
    for level in seen:
        above = before.value - level.value
        if above > _LOW_BURN * peak and abs(after.value - level.value) < 0.3 * above:
            return level
    return before


def _quieter(nearer: Level | None, farther: Level | None, peak: float) -> Level | None:
    if nearer is None or farther is None:
        return nearer or farther
    if nearer.drift <= _QUIET_ENOUGH * peak or nearer.drift <= farther.drift:
        return nearer
    return farther


def _quiet_level(
    time: Floats, upright: Floats, start: float, end: float, peak: float, flat: float
) -> Level | None:
    a, b = np.searchsorted(time, [start, end])
    part = upright[a:b]
    # Two thirds of the stretch must be there: a stump at the end of a record is no quiet part.
    if len(part) < 5 or time[b - 1] - time[a] < 0.66 * (end - start):
        return None
    some = thinned(part, _QUIET_SAMPLES)
    level = float(np.median(some))
    half = len(some) // 2
    drift = abs(float(np.median(some[:half]) - np.median(some[half:])))
    noise = float(_MAD_TO_SD * np.median(np.abs(some - level)))
    if flat < _QUIET_DRIFT * peak and drift > max(4.0 * _scatter(part), _SHORT_DRIFT * peak):
        return None
    if drift > flat or noise > _QUIET_SPREAD * peak:
        return None
    # Its halves can agree although the burn, starting low or fading slowly, reaches into it.
    end_part = max(len(some) // 8, 1)
    off = max(abs(float(np.mean(e)) - level) for e in (some[:end_part], some[-end_part:]))
    if off > _END_OFF * peak + 2.0 * drift + 5.0 * noise / np.sqrt(end_part):
        return None
    # The mean, as noise may lean to one side, of what is no spike.
    within = some[np.abs(some - level) <= _FAR_OFF * noise]
    level = float(np.mean(within)) if noise > 0.0 else level
    sd = float(np.hypot(noise / np.sqrt(len(part)), drift / np.sqrt(12.0)))
    return Level(level, sd, noise, drift, float(time[a]), float(time[b - 1]))


def _scatter(part: Floats) -> float:
    """Return the standard deviation about a straight line through the samples."""
    x = np.arange(len(part)) - (len(part) - 1) / 2.0
    residual = part - part.mean() - x * (np.sum(x * part) / np.sum(x**2))
    return float(np.std(residual))
