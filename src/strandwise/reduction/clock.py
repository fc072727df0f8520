"""A logger's clock made to rise: wrap-around, restarts, repeated and out-of-order stamps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from strandwise.reduction.signals import thinned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Run", "runs_from_arrays"]

_COUNTERS = (2.0**16, 2.0**31, 2.0**32)  # in the unit of the clock
_COUNTED_SECONDS = (2.0**32 * 1e-6, 2.0**31 * 1e-6, 2.0**32 * 1e-3, 2.0**31 * 1e-3, 86400.0)
"""Counters of µs and ms that were turned into another unit before they were logged; midnight."""
_WRAP_STEPS = 20.0  # a wrapped counter goes on with a step no longer than this many usual ones
_LATE_ROWS = 10  # a stamp may arrive this many rows late
_GAP_STEPS = 10.0
_COARSE_SHARE = 0.45  # of rows that repeat a stamp; the clock is then coarser than the logger


@dataclass(frozen=True, slots=True)
class Run:
    """One stretch of a log in which the clock rises.

    Parameters
    ----------
    time
        Strictly rising, in the unit of the clock; shape (N,).
    values
        Shape (N, channels); NaN where a reading is missing.
    account
        What was done to the stamps.
    """

    time: Floats
    values: Floats
    account: tuple[str, ...]


def runs_from_arrays(
    clock: Floats, values: Floats, *, scale: float | None = None
) -> tuple[list[Run], tuple[str, ...]]:
    """Split a log where its clock restarts, and order each part.

    A counter of 16, 31 or 32 bits that wraps is carried on, and so is a time of day past
    midnight; a stamp that comes up to ten rows late is put in its place; rows of one stamp are
    averaged; any other step back starts a new run, since the logger was reset.

    Parameters
    ----------
    clock
        As read, finite, any unit; shape (N,).
    values
        Shape (N, channels).
    scale
        s per unit of the clock, for counters of µs and ms that were logged in another unit, and
        for midnight; None where unknown.

    Returns
    -------
    tuple
        The runs in the order of the file, and the account of what concerns all of them.
    """
    counters: tuple[float, ...] = _COUNTERS
    if scale is not None:
        counters += tuple(seconds / scale for seconds in _COUNTED_SECONDS)
    steps = np.diff(clock)
    if np.all(steps > 0.0):
        return [Run(clock, values, _gaps(steps))], ()
    stamps, account = _unwrapped(clock, counters)
    cuts = _resets(stamps)
    bounds = [0, *cuts, len(stamps)]
    runs = [_ordered(stamps[a:b], values[a:b]) for a, b in pairwise(bounds)]
    return runs, account


def _unwrapped(clock: Floats, counters: tuple[float, ...]) -> tuple[Floats, tuple[str, ...]]:
    steps = np.diff(clock)
    back = np.flatnonzero(steps < 0.0)
    if not len(back):
        return clock, ()
    forward = steps[steps > 0.0]
    if not len(forward):
        return clock, ()
    usual = float(np.median(forward))
    stamps, wraps = clock.copy(), 0
    for i in back.tolist():
        for counter in counters:
            if abs(clock[i]) <= counter and 0.0 < steps[i] + counter <= _WRAP_STEPS * usual:
                stamps[i + 1 :] += counter
                wraps += 1
                break
    text = f"the clock went over its end {wraps} time{'s' if wraps > 1 else ''}: carried on"
    return stamps, (text,) if wraps else ()


def _resets(stamps: Floats) -> list[int]:
    """Return the rows at which the clock starts anew."""
    cuts: list[int] = []
    for i in np.flatnonzero(np.diff(stamps) < 0.0).tolist():
        start = cuts[-1] if cuts else 0
        highest = float(np.max(stamps[max(start, i - _LATE_ROWS) : i + 1]))
        if not np.any(stamps[i + 1 : i + 1 + _LATE_ROWS] > highest):
            # A late stamp among the last rows of a file belongs to its run all the same.
            tail_of_file = len(stamps) - (i + 1) < _LATE_ROWS
            inside = stamps[-1] >= stamps[max(start, i - _LATE_ROWS)]
            if not (tail_of_file and inside):
                cuts.append(i + 1)
    return cuts


def _ordered(stamps: Floats, values: Floats) -> Run:
    account: list[str] = []
    steps = np.diff(stamps)
    late = int(np.count_nonzero(steps < 0.0))
    if late:
        order = np.argsort(stamps, kind="stable")
        stamps, values = stamps[order], values[order]
        account.append(f"{late} stamps out of order put in their place")
        steps = np.diff(stamps)
    repeated = int(np.count_nonzero(steps == 0.0))
    if repeated > _COARSE_SHARE * len(steps) and repeated < len(steps):
        stamps, tick = _spread(stamps)
        account.append(
            f"the clock ticks only every {tick:.4g} of its units while {repeated} rows repeat a "
            "stamp: rows spread evenly within a tick, instants are known to one tick"
        )
        steps = np.diff(stamps)
    elif repeated:
        unique, first = np.unique(stamps, return_index=True)
        known = np.isfinite(values)
        total = np.add.reduceat(np.where(known, values, 0.0), first, axis=0)
        number = np.add.reduceat(known.astype(np.float64), first, axis=0)
        values = np.divide(total, number, out=np.full_like(total, np.nan), where=number > 0.0)
        stamps = unique
        account.append(f"{repeated} rows repeat a stamp: averaged per stamp")
        steps = np.diff(stamps)
    return Run(stamps, values, (*account, *_gaps(steps)))


def _gaps(steps: Floats) -> tuple[str, ...]:
    if not len(steps):
        return ()
    gaps = int(np.count_nonzero(steps > _GAP_STEPS * np.median(thinned(steps))))
    return (f"{gaps} gap{'s' if gaps > 1 else ''} of more than ten sample intervals",) * (gaps > 0)


def _spread(stamps: Floats) -> tuple[Floats, float]:
    """Return rising stamps with the rows of each tick spread evenly over it, and the tick."""
    unique, first, count = np.unique(stamps, return_index=True, return_counts=True)
    ticks = np.diff(unique)
    tick = float(np.median(ticks))
    # After a gap the next rows are not spread over it.
    length = np.minimum(np.append(ticks, tick), tick)
    within = np.arange(len(stamps)) - np.repeat(first, count)
    return np.repeat(unique, count) + within * np.repeat(length / count, count), tick
