"""The throat's area during a firing, between its first and its last measured value."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.reduction.assumptions import THROAT_WEAR_BY_PRESSURE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["throat_area_over_time"]


def throat_area_over_time(
    time: Floats,
    signal: Floats,
    ends: tuple[float, float],
    *,
    start: float,
    end: float,
    by_pressure: float = THROAT_WEAR_BY_PRESSURE[0],
) -> Floats:
    """Return the throat's area at every instant.

    A throat may wear evenly in time, or with the pressure, as the heat that it takes does
    (∝ p^0.8: Bartz, Jet Propulsion 27, 1957, 49, from memory); the truth lies between.

    Parameters
    ----------
    time, signal
        Rising s, and zeroed pressure above ambient or thrust, any unit; shape (N,).
    ends
        Area before and after the firing, m².
    start, end
        Of the action time, s.
    by_pressure
        Share of the growth that goes with the integral of the signal, 1.

    Returns
    -------
    ndarray
        m², shape (N,).
    """
    first, last = ends
    if first == last:
        return np.full(len(time), first)
    instants = np.clip(time, start, end)
    share = (instants - start) / (end - start)
    height = np.maximum(signal, 0.0)
    steps = np.diff(instants) * (height[1:] + height[:-1]) / 2.0
    grown = np.concatenate([[0.0], np.cumsum(steps)])
    if grown[-1] > 0.0:
        share = (1.0 - by_pressure) * share + by_pressure * grown / grown[-1]
    return np.asarray(first + (last - first) * share)
