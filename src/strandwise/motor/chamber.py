"""The steady balance of a chamber: gas made equals gas let out, r(P)·ρ·c*·K = P.

Source: NASA SP-8039 (1971) pp. 5 and 57 (mass flow A_b r ρ and P A_t/c*); K is burning over
throat area. Chamber filling is not in it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["HIGHEST_PRESSURE", "steady_pressures"]

HIGHEST_PRESSURE = 200e6
"""Pa; a chamber that reaches it counts as without a steady pressure."""

_LOWEST = 1.2e5
_POINTS = 2000
_ROUNDS = 60


def steady_pressures(
    log_rate: Callable[[Floats], Floats],
    area_ratio: float,
    *,
    density: float,
    characteristic_velocity: float,
    lowest: float = _LOWEST,
) -> tuple[float, ...]:
    """Pressures at which gas made equals gas let out, and to which a disturbed chamber returns.

    All of them: at an exponent of one and above, or where a plateau ends, there may be none or
    more than one.

    Parameters
    ----------
    log_rate
        ln r (m/s) at ln P (Pa), both of shape (N,).
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

    Raises
    ------
    DataError
        A ratio, density or velocity that is not above 0.
    """
    for name, value in (
        ("burning over throat area", area_ratio),
        ("density", density),
        ("characteristic velocity", characteristic_velocity),
    ):
        if not (math.isfinite(value) and value > 0.0):
            msg = f"a {name} of {value:g}"
            raise DataError(msg, expected="a number above 0")
    made = math.log(area_ratio * density * characteristic_velocity)

    def excess(y: Floats) -> Floats:
        return np.asarray(made + log_rate(y) - y)

    y = np.linspace(math.log(lowest), math.log(HIGHEST_PRESSURE), _POINTS)
    gas = excess(y)
    down = np.flatnonzero((gas[:-1] > 0.0) & (gas[1:] <= 0.0))
    low, high = y[down], y[down + 1]
    for _ in range(_ROUNDS if down.size else 0):
        middle = 0.5 * (low + high)
        above = excess(middle) > 0.0
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return tuple(float(p) for p in np.exp(0.5 * (low + high)))
