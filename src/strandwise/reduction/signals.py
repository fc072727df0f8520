"""Small operations on sampled signals: integrals between instants, crossings, lone spikes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["despiked", "falling_crossing", "integral_between", "noise_sd", "window"]

_SPIKE_OVER_NOISE = 12.0
_SPIKE_OVER_RANGE = 0.05
_NEIGHBOURS_AGREE = 0.3
_MAD_TO_SD = 1.4826


def window(time: Floats, values: Floats, start: float, end: float) -> tuple[Floats, Floats]:
    """Return the samples within two instants, with interpolated ones at both.

    Parameters
    ----------
    time, values
        Rising s, and any unit; shape (N,).
    start, end
        s, `start` before `end`.

    Returns
    -------
    tuple of ndarray
        Times and values from `start` to `end`, both included.
    """
    inside = (time > start) & (time < end)
    ends = np.interp([start, end], time, values)
    return (
        np.concatenate([[start], time[inside], [end]]),
        np.concatenate([ends[:1], values[inside], ends[1:]]),
    )


def integral_between(time: Floats, values: Floats, start: float, end: float) -> float:
    """Return the integral by trapezoids between two instants (unit of values times s)."""
    t, y = window(time, values, start, end)
    return float(np.trapezoid(y, t))


def noise_sd(values: Floats) -> float:
    """Return the sample-to-sample noise, from the median size of the steps (robust)."""
    if len(values) < 3:
        return 0.0
    return float(_MAD_TO_SD * np.median(np.abs(np.diff(values))) / np.sqrt(2.0))


def falling_crossing(
    time: Floats, values: Floats, level: float, after: int, before: int
) -> float | None:
    """Return the last instant at which the signal falls through a level, s.

    Parameters
    ----------
    time, values
        Shape (N,).
    level
        Unit of `values`.
    after, before
        Samples between which to look.

    Returns
    -------
    float or None
        Interpolated instant; None where it does not fall through the level there.
    """
    part = values[after : before + 1]
    falls = np.flatnonzero((part[:-1] > level) & (part[1:] <= level))
    if not len(falls):
        return None
    i = after + int(falls[-1])
    share = (values[i] - level) / (values[i] - values[i + 1])
    return float(time[i] + share * (time[i + 1] - time[i]))


def despiked(values: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """Replace single samples that jump from neighbours which agree with each other.

    A sample goes if it stands off both neighbours, to the same side, by more than 12 times the
    noise and 5 % of the range, while two neighbours on either side agree within 0.3 of that.
    A peak that has a flank of one sample or more stays.

    Parameters
    ----------
    values
        Shape (N,).

    Returns
    -------
    tuple of ndarray
        A copy with the mean of the neighbours in place of each spike, and the spikes' indices.
    """
    if len(values) < 7:
        return values.copy(), np.empty(0, dtype=np.intp)
    middle = values[2:-2]
    before, after = values[1:-3], values[3:-1]
    mean = (before + after) / 2.0
    jump = np.abs(middle - mean)
    height = float(np.max(values) - np.min(values))
    least = max(_SPIKE_OVER_NOISE * noise_sd(values), _SPIKE_OVER_RANGE * height)
    allowed = _NEIGHBOURS_AGREE * jump
    lone = (
        (jump > least)
        & (np.abs(before - after) < allowed)
        & (np.abs(values[:-4] - mean) < allowed)
        & (np.abs(values[4:] - mean) < allowed)
    )
    where = np.flatnonzero(lone) + 2
    clean = values.copy()
    clean[where] = mean[lone]
    return clean, where
