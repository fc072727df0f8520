"""The steady balance of a chamber: gas made equals gas let out, p = (a ρ c* K)^(1/(1−n)).

Source: NASA SP-8039 (1971) pp. 5 and 57 (mass flow A_b r ρ and p A_t/c*); K is burning over
throat area. Chamber filling and erosive burning are not in it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["area_ratio_for_pressure", "equilibrium_pressure", "exponent_from_two_firings"]


def equilibrium_pressure(
    area_ratio: ArrayLike,
    *,
    rate: float,
    at: float,
    exponent: float,
    density: float,
    characteristic_velocity: float,
) -> NDArray[np.float64]:
    """Return the steady chamber pressure of a power law r = rate·(p/at)^n.

    Parameters
    ----------
    area_ratio
        K, burning over throat area, above 0; of any shape.
    rate, at
        m/s at an absolute pressure, Pa.
    exponent
        n, below 1: at 1 and above no steady pressure exists.
    density, characteristic_velocity
        kg/m³ and m/s.

    Returns
    -------
    ndarray
        Absolute, Pa, of the shape of `area_ratio`; inversely it goes as A_t^(−1/(1−n)).

    Raises
    ------
    DataError
        A value is not positive, or the exponent is 1 or more.
    """
    ratio = np.asarray(area_ratio, dtype=np.float64)
    _check_law(rate, at, exponent, density, characteristic_velocity)
    if not np.all(ratio > 0.0):
        msg = f"a burning area of {np.min(ratio):g} throat areas"
        raise DataError(msg, expected="above 0")
    made = rate / at * density * characteristic_velocity * ratio
    return np.asarray(at * made ** (1.0 / (1.0 - exponent)))


def area_ratio_for_pressure(
    pressure: ArrayLike,
    *,
    rate: float,
    at: float,
    exponent: float,
    density: float,
    characteristic_velocity: float,
) -> NDArray[np.float64]:
    """Return the burning over throat area that holds a steady pressure.

    Parameters
    ----------
    pressure
        Absolute, Pa, above 0; of any shape.
    rate, at, exponent, density, characteristic_velocity
        As in `equilibrium_pressure`.

    Returns
    -------
    ndarray
        Of the shape of `pressure`.

    Raises
    ------
    DataError
        A value is not positive, or the exponent is 1 or more.
    """
    p = np.asarray(pressure, dtype=np.float64)
    _check_law(rate, at, exponent, density, characteristic_velocity)
    if not np.all(p > 0.0):
        msg = f"a chamber pressure of {np.min(p):g} Pa"
        raise DataError(msg, expected="an absolute pressure above 0")
    made = rate / at * density * characteristic_velocity
    return np.asarray((p / at) ** (1.0 - exponent) / made)


def exponent_from_two_firings(
    area_ratios: tuple[float, float],
    pressures: tuple[float, float],
    pressure_sd: float | None = None,
) -> tuple[float, float | None]:
    """Return the pressure exponent from two firings that differ in burning over throat area.

    n = 1 − ln(K₂/K₁)/ln(p₂/p₁), from the steady balance with the same propellant. Pressures
    close to each other make it uncertain: 1 % in either moves it by 0.08 where the throat
    differs by 5 %.

    Parameters
    ----------
    area_ratios
        K of the two; for the same grain the inverse throat areas serve as well.
    pressures
        Absolute, Pa, at the same depth burnt.
    pressure_sd
        Relative standard uncertainty of each pressure, independent; None where unknown.

    Returns
    -------
    tuple
        n and its standard uncertainty from the pressures alone, None where that is unknown.

    Raises
    ------
    DataError
        A value is not positive, or the pressures or the ratios are the same.
    """
    if not all(value > 0.0 and math.isfinite(value) for value in (*area_ratios, *pressures)):
        msg = f"area ratios of {area_ratios} and pressures of {pressures} Pa"
        raise DataError(msg, expected="all above 0")
    ratio = math.log(area_ratios[1] / area_ratios[0])
    step = math.log(pressures[1] / pressures[0])
    if ratio == 0.0 or step == 0.0:
        msg = "two firings with the same pressure or the same burning over throat area"
        raise DataError(msg, expected="firings that differ in both", hint="change the throat more")
    n = 1.0 - ratio / step
    sd = None if pressure_sd is None else abs(ratio) / step**2 * math.sqrt(2.0) * pressure_sd
    return n, sd


def _check_law(rate: float, at: float, exponent: float, density: float, c_star: float) -> None:
    if not all(value > 0.0 and math.isfinite(value) for value in (rate, at, density, c_star)):
        msg = (
            f"a rate of {rate:g} m/s at {at:g} Pa, a density of {density:g} kg/m³ and a c* of "
            f"{c_star:g} m/s"
        )
        raise DataError(msg, expected="all above 0")
    if not exponent < 1.0:
        msg = f"a pressure exponent of {exponent:g}"
        raise DataError(msg, expected="below 1: no steady pressure exists at 1 and above")
