"""Stretches of a signal above a tenth of a peak, and which of them is the firing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["THRESHOLD", "Pulse", "largest_stretch", "stretch_around"]

THRESHOLD = 0.10
"""Share of the peak at which action starts and ends (Sutton & Biblarz, from memory)."""

_MERGE_GAP = 0.10  # a dip shorter than this share of its neighbour belongs to the same firing
_MANY_STRETCHES = 1000  # beyond it the small ones are left out


@dataclass(frozen=True, kw_only=True, slots=True)
class Pulse:
    """A stretch of a trace above a tenth of the firing's peak.

    Parameters
    ----------
    start, end
        s.
    height, area
        Highest value off the level at rest, and the integral, in the channel's SI unit (and s).
    """

    start: float
    end: float
    height: float
    area: float


def largest_stretch(time: Floats, z: Floats) -> tuple[int, int, tuple[Pulse, ...]]:
    """Return the stretch above a tenth of its peak with the largest integral, and all of them.

    Parameters
    ----------
    time, z
        Rising s, and an upright signal off its level at rest; shape (N,).

    Returns
    -------
    tuple
        First and last sample of the stretch, and every stretch above a tenth of its peak.
    """
    grown = np.concatenate([[0.0], np.cumsum(np.diff(time) * (z[1:] + z[:-1]) / 2.0)])
    peak = float(np.max(z))
    first = last = 0
    stretches = np.empty((0, 2), dtype=np.intp)
    for _ in range(6):
        if peak <= 0.0:
            break
        stretches = _stretches(time, z > THRESHOLD * peak, grown)
        areas = grown[stretches[:, 1]] - grown[stretches[:, 0]]
        first, last = stretches[int(np.argmax(areas))].tolist()
        own = float(np.max(z[first : last + 1]))
        if own >= peak * (1.0 - 1e-9):
            break
        peak = own
    found = tuple(
        Pulse(
            start=float(time[a]),
            end=float(time[b]),
            height=float(np.max(z[a : b + 1])),
            area=float(grown[b] - grown[a]),
        )
        for a, b in stretches.tolist()
    )
    return first, last, found


def stretch_around(time: Floats, z: Floats, centre: int) -> tuple[int, int]:
    """Return the stretch above a tenth of its peak that holds a sample near its peak.

    Parameters
    ----------
    time, z
        As in `largest_stretch`.
    centre
        The sample.

    Returns
    -------
    tuple of int
        First and last sample.
    """
    best = (centre, centre)
    peak = float(z[centre])
    for _ in range(6):
        if peak <= 0.0:
            break
        stretches = _stretches(time, z > THRESHOLD * peak, None)
        holding = stretches[(stretches[:, 0] <= centre) & (centre <= stretches[:, 1])]
        if not len(holding):
            break
        best = (int(holding[0, 0]), int(holding[0, 1]))
        own = float(np.max(z[best[0] : best[1] + 1]))
        if own >= peak * (1.0 - 1e-9):
            break
        peak = own
    return best


def _stretches(time: Floats, above: NDArray[np.bool_], grown: Floats | None) -> NDArray[np.intp]:
    """Return first and last sample of each stretch, short dips bridged; shape (stretches, 2).

    Of more than a thousand, as noise makes them, only the largest by `grown`, the integral from
    the start to each sample, are kept.
    """
    edges = np.flatnonzero(above[1:] != above[:-1]) + 1
    starts = edges[::2] if not above[0] else np.concatenate([[0], edges[1::2]])
    stops = (edges[1::2] if not above[0] else edges[::2]) - 1
    if len(stops) < len(starts):
        stops = np.concatenate([stops, [len(above) - 1]])
    if grown is not None and len(starts) > _MANY_STRETCHES:
        areas = grown[stops] - grown[starts]
        kept = np.sort(np.argpartition(areas, -_MANY_STRETCHES)[-_MANY_STRETCHES:])
        starts, stops = starts[kept], stops[kept]
    merged: list[list[int]] = []
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        if merged:
            a, b = merged[-1]
            longest = max(time[b] - time[a], time[stop] - time[start])
            if time[start] - time[b] < _MERGE_GAP * longest:
                merged[-1][1] = stop
                continue
        merged.append([start, stop])
    return np.array(merged, dtype=np.intp).reshape(-1, 2)
