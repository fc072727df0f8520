"""Small operations on sampled signals: integrals between instants, crossings, lone spikes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = [
    "despiked",
    "falling_crossing",
    "integral_between",
    "middle_of_three",
    "noise_sd",
    "smoothed_peak",
    "thinned",
    "window",
]

_SPIKE_OVER_NOISE = 12.0
_SPIKE_OVER_RANGE = 0.05
_NEIGHBOURS_AGREE = 0.3
_PASSES = 4
_PEAK_OVER_NOISE = 4.0
_BINS = 2000  # means that stand for a longer action
_FLANK = 0.03  # of the peak
_FINELY = 200  # samples of an action; of fewer the highest reading is the peak
_MAD_TO_SD = 1.4826
_ENOUGH = 50_000  # samples from which a median is as good as from all


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
    a, b = np.searchsorted(time, start, side="right"), np.searchsorted(time, end, side="left")
    ends = np.interp([start, end], time, values)
    return (
        np.concatenate([[start], time[a:b], [end]]),
        np.concatenate([ends[:1], values[a:b], ends[1:]]),
    )


def integral_between(time: Floats, values: Floats, start: float, end: float) -> float:
    """Return the integral by trapezoids between two instants (unit of values times s)."""
    t, y = window(time, values, start, end)
    return float(np.trapezoid(y, t))


def noise_sd(values: Floats) -> float:
    """Return the sample-to-sample noise, from the median size of the steps (robust)."""
    if len(values) < 3:
        return 0.0
    steps = np.abs(thinned(values[1:]) - thinned(values[:-1]))
    return float(_MAD_TO_SD * np.median(steps) / np.sqrt(2.0))


def thinned(values: Floats, enough: int = _ENOUGH) -> Floats:
    """Return evenly spaced ones of very many values, for a median; else all of them."""
    return values[:: max(1, len(values) // enough)]


def middle_of_three(values: Floats) -> Floats:
    """Return each value replaced by the median of itself and its two neighbours."""
    middle = values.copy()
    if len(values) > 2:
        middle[1:-1] = _middle(values[:-2], values[1:-1], values[2:])
    return middle


def _middle(a: Floats, b: Floats, c: Floats) -> Floats:
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


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


def despiked(values: Floats, *, pairs: bool = False) -> tuple[Floats, NDArray[np.intp]]:
    """Replace single samples that jump from neighbours which agree with each other.

    A sample goes if it stands off both neighbours, to the same side, by more than 12 times the
    noise and 5 % of the range, while its neighbours, and the next one on one side at least,
    agree within 0.3 of that. A peak that has a flank of one sample or more stays.

    Parameters
    ----------
    values
        Shape (N,).
    pairs
        Whether two such samples in a row go as well; for signals sampled so finely that no real
        event is two samples long.

    Returns
    -------
    tuple of ndarray
        A copy with a straight line between the neighbours in place of each spike, and the
        spikes' indices.
    """
    clean = values.copy()
    if len(values) < 7:
        return clean, np.empty(0, dtype=np.intp)
    noise = _SPIKE_OVER_NOISE * noise_sd(values)
    found = np.zeros(len(values), dtype=np.bool_)
    for _ in range(_PASSES):
        # Of the middle readings: a spike far above the signal would hide the smaller ones.
        low, high = np.percentile(_thinned_middle(clean), [0.1, 99.9])
        least = max(noise, _SPIKE_OVER_RANGE * float(high - low))
        new = 0
        for width in (1, 2) if pairs else (1,):
            where = _lone(clean, least, width)
            for k in range(width):
                share = (k + 1.0) / (width + 1.0)
                clean[where + k] = (1.0 - share) * clean[where - 1] + share * clean[where + width]
                found[where + k] = True
            new += len(where)
        if not new:
            break
    return clean, np.flatnonzero(found)


def _thinned_middle(values: Floats) -> Floats:
    """Return `thinned` of `middle_of_three`, without the middles that thinning leaves out."""
    at, last = np.arange(0, len(values), max(1, len(values) // _ENOUGH)), len(values) - 1
    inside = (at > 0) & (at < last)
    # Between itself and itself either end stays as it is.
    before, after = np.where(inside, at - 1, at), np.where(inside, at + 1, at)
    return _middle(values[before], values[at], values[after])


def _lone(values: Floats, least: float, width: int) -> NDArray[np.intp]:
    """Return where `width` samples in a row stand off their neighbours to one side."""
    # With neighbours that agree, the step up to the first is 1 − 0.3/2 of the jump at least: few
    # samples, of which the rest is worked out. What is near the ends has too few neighbours.
    steep = np.flatnonzero(np.abs(np.diff(values)) > (1.0 - _NEIGHBOURS_AGREE) * least) + 1
    i = steep[(steep >= 2) & (steep < len(values) - width - 1)]
    before, after = values[i - 1], values[i + width]
    mean = (before + after) / 2.0
    side = np.sign(values[i] - mean)
    jump = np.min([(values[i + k] - mean) * side for k in range(width)], axis=0)
    allowed = _NEIGHBOURS_AGREE * jump
    far = np.minimum(np.abs(values[i - 2] - mean), np.abs(values[i + width + 1] - mean))
    where = i[(jump > least) & (np.abs(before - after) < allowed) & (far < allowed)]
    # Neighbouring candidates share their flanks: of two in a row only the first is taken.
    apart: NDArray[np.bool_] = np.diff(where, prepend=-width - 2) > width
    return np.asarray(where[apart])


def smoothed_peak(values: Floats, noise: float) -> tuple[int, float]:
    """Return the sample of the highest value, and that value freed from the noise's reach.

    The highest of many noisy readings lies some three standard deviations above the signal. The
    peak is that of local parabolas (least squares, over a fiftieth of the samples) where no
    two readings in a row are more than four standard deviations above it; a narrower real peak
    stays as it was read.

    Parameters
    ----------
    values
        Of the action, shape (N,).
    noise
        Standard deviation, in the unit of the values.

    Returns
    -------
    tuple
        Index and value.
    """
    top = int(np.argmax(values))
    if len(values) < _FINELY or noise <= 0.0:
        return top, float(values[top])
    every = max(1, len(values) // _BINS)
    binned = values[: len(values) // every * every].reshape(-1, every).mean(axis=1)
    half = len(binned) // 100
    x = np.arange(-half, half + 1.0)
    m2, m4, count = float(np.sum(x**2)), float(np.sum(x**4)), len(x)
    weights = (m4 - m2 * x**2) / (count * m4 - m2**2)
    smooth = np.convolve(binned, weights, mode="valid")
    # A parabola across a steep flank overshoots: only stretches without one are looked at.
    windows = np.lib.stride_tricks.sliding_window_view(binned, count)
    spread = np.ptp(windows, axis=1)
    scatter = 2.0 * _PEAK_OVER_NOISE * noise / np.sqrt(every)
    level = spread <= _FLANK * float(values[top]) + scatter
    if not np.any(level):
        return top, float(values[top])
    high = int(np.argmax(np.where(level, smooth, -np.inf)))
    lasting = float(np.max(middle_of_three(values)))
    if values[top] < smooth[high] or lasting - smooth[high] > _PEAK_OVER_NOISE * noise:
        return top, float(values[top])
    return (high + half) * every + every // 2, float(smooth[high])
