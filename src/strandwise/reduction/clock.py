"""A logger's clock made to rise: wrap-around, restarts, repeated and out-of-order stamps."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Run", "runs_from_arrays"]

_COUNTERS = (2.0**16, 2.0**31, 2.0**32)
_WRAP_STEPS = 20.0  # a wrapped counter goes on with a step no longer than this many usual ones
_LATE_ROWS = 10  # a stamp may arrive this many rows late
_GAP_STEPS = 10.0


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


def runs_from_arrays(clock: Floats, values: Floats) -> tuple[list[Run], tuple[str, ...]]:
    """Split a log where its clock restarts, and order each part.

    A counter of 16, 31 or 32 bits that wraps is carried on; a stamp that comes up to ten rows
    late is put in its place; rows of one stamp are averaged; any other step back starts a new
    run, since the logger was reset.

    Parameters
    ----------
    clock
        As read, finite, any unit; shape (N,).
    values
        Shape (N, channels).

    Returns
    -------
    tuple
        The runs in the order of the file, and the account of what concerns all of them.
    """
    stamps, account = _unwrapped(clock)
    cuts = _resets(stamps)
    bounds = [0, *cuts, len(stamps)]
    runs = [_ordered(stamps[a:b], values[a:b]) for a, b in pairwise(bounds)]
    return runs, account


def _unwrapped(clock: Floats) -> tuple[Floats, tuple[str, ...]]:
    steps = np.diff(clock)
    back = np.flatnonzero(steps < 0.0)
    forward = steps[steps > 0.0]
    if not len(back) or not len(forward):
        return clock, ()
    usual = float(np.median(forward))
    stamps, wraps = clock.copy(), 0
    for i in back.tolist():
        for counter in _COUNTERS:
            if abs(clock[i]) <= counter and 0.0 < steps[i] + counter <= _WRAP_STEPS * usual:
                stamps[i + 1 :] += counter
                wraps += 1
                break
    text = f"the clock's counter wrapped {wraps} time{'s' if wraps > 1 else ''}: carried on"
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
    late = int(np.count_nonzero(np.diff(stamps) < 0.0))
    if late:
        order = np.argsort(stamps, kind="stable")
        stamps, values = stamps[order], values[order]
        account.append(f"{late} stamps out of order put in their place")
    unique, first = np.unique(stamps, return_index=True)
    repeated = len(stamps) - len(unique)
    if repeated:
        known = np.isfinite(values)
        total = np.add.reduceat(np.where(known, values, 0.0), first, axis=0)
        number = np.add.reduceat(known.astype(np.float64), first, axis=0)
        values = np.divide(total, number, out=np.full_like(total, np.nan), where=number > 0.0)
        stamps = unique
        account.append(f"{repeated} rows repeat a stamp: averaged per stamp")
    steps = np.diff(stamps)
    if len(steps):
        gaps = int(np.count_nonzero(steps > _GAP_STEPS * np.median(steps)))
        if gaps:
            account.append(f"{gaps} gap{'s' if gaps > 1 else ''} of more than ten sample intervals")
    return Run(stamps, values, tuple(account))
