"""Steady pressures of a law at one ratio of burning to throat area: all of them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.forecast.burn import HIGHEST_PRESSURE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.forecast.laws import DrawnLaw

    Floats = NDArray[np.float64]

__all__ = ["stable_pressures"]

_POINTS = 2000
_ROUNDS = 60


def stable_pressures(
    law: DrawnLaw,
    area_ratio: float,
    density: float,
    characteristic_velocity: float,
    lowest: float = 1.2e5,
) -> tuple[float, ...]:
    """Pressures at which gas made equals gas let out, and to which a disturbed chamber returns.

    r(P)·ρ·c*·K = P (NASA SP-8039 pp. 5 and 57), crossed from above: at n ≥ 1, or where a plateau
    ends, there may be none or more than one.

    Parameters
    ----------
    law
        One draw.
    area_ratio
        K, burning over throat area.
    density, characteristic_velocity
        kg/m³, m/s.
    lowest
        Where to begin, Pa.

    Returns
    -------
    tuple of float
        Absolute, Pa, ascending, below 200 MPa.
    """
    made = math.log(area_ratio * density * characteristic_velocity)

    def excess(y: Floats) -> Floats:
        wide = law.picked(np.zeros(y.size, dtype=np.intp))
        return np.asarray(made + wide.log_rate(y) - y)

    y = np.linspace(math.log(lowest), math.log(HIGHEST_PRESSURE), _POINTS)
    gas = excess(y)
    down = np.flatnonzero((gas[:-1] > 0.0) & (gas[1:] <= 0.0))
    low, high = y[down], y[down + 1]
    for _ in range(_ROUNDS if down.size else 0):
        middle = 0.5 * (low + high)
        above = excess(middle) > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return tuple(float(p) for p in np.exp(0.5 * (low + high)))
