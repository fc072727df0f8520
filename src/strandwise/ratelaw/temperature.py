"""How the burn rate changes with the temperature of the propellant before the burn."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.errors import DataError

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.ratelaw.series import RateSeries

    FloatArray = npt.NDArray[np.float64]

__all__ = [
    "Normalisation",
    "TemperatureEffect",
    "normalised",
    "pressure_sensitivity",
    "pressure_sensitivity_interval",
    "temperature_reason",
    "temperature_span",
]

WIDE_SPAN = 10.0
"""K; at a common 0.2 % per kelvin the rate moves by 2 % over it (common practice, no source)."""
_SPARE_POINTS = 3
_MOST_CORRELATED = 0.95


@dataclass(frozen=True, slots=True)
class TemperatureEffect:
    """What a fit found of the temperature.

    Parameters
    ----------
    reference
        T0, K: the mean of the tests, or what was asked for; the law's rates are at T0.
    span
        Lowest and highest temperature tested, K.
    sigma_p, sigma_p_sd, sigma_p_ci95
        Relative rise of the rate per kelvin at constant pressure, 1/K.
    pi_k, pi_k_ci95
        σ_p/(1 − n), relative rise of a motor's pressure per kelvin at constant ratio of burning
        area to throat area, 1/K, with n at the reference pressure; None where n is 1 or more, and
        the interval None where n may be 1.
    """

    reference: float
    span: tuple[float, float]
    sigma_p: float
    sigma_p_sd: float
    sigma_p_ci95: tuple[float, float]
    pi_k: float | None
    pi_k_ci95: tuple[float, float] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Normalisation:
    """That a law is for one temperature because it was asked for.

    Parameters
    ----------
    temperature
        K.
    sigma_p, pi_k
        By which, 1/K, and what that means for a motor's pressure; None where n is 1 or more.
    stated
        Whether σ_p was stated, rather than found in the tests.
    """

    temperature: float
    sigma_p: float
    pi_k: float | None
    stated: bool


def pressure_sensitivity(sigma_p: float, n: float) -> float:
    """π_K = σ_p/(1 − n), 1/K (Sutton & Biblarz, Rocket Propulsion Elements).

    Raises
    ------
    DataError
        n is 1 or more: no steady pressure exists.
    """
    if not (math.isfinite(sigma_p) and n < 1.0):
        msg = f"the temperature sensitivity of pressure was asked for at n = {n}"
        raise DataError(msg, expected="a pressure exponent below 1")
    return sigma_p / (1.0 - n)


def pressure_sensitivity_interval(
    sigma_p: float, n: float, covariance: FloatArray, df: int, level: float = 0.95
) -> tuple[float, float] | None:
    """Interval of π_K by Fieller's theorem (J. R. Stat. Soc. B 16 (1954) 175).

    Parameters
    ----------
    sigma_p, n
        Estimates.
    covariance
        Of (n, σ_p), shape (2, 2).
    df
        Degrees of freedom of the covariance's scale.
    level
        Between 0 and 1.

    Returns
    -------
    None where the points do not keep n below 1: the interval then has no end.
    """
    t2 = float(stdtrit(df, 0.5 + level / 2.0)) ** 2
    below_one = 1.0 - n
    v_b, v_a, cross = float(covariance[0, 0]), float(covariance[1, 1]), -float(covariance[0, 1])
    a = below_one**2 - t2 * v_b
    if below_one <= 0.0 or a <= 0.0:
        return None
    b = sigma_p * below_one - t2 * cross
    c = sigma_p**2 - t2 * v_a
    root = math.sqrt(max(b * b - a * c, 0.0))
    return (b - root) / a, (b + root) / a


def temperature_span(series: RateSeries) -> tuple[float, float] | None:
    """Lowest and highest known temperature, K; None where none is known."""
    known = series.temperature[np.isfinite(series.temperature)]
    return (float(known.min()), float(known.max())) if known.size else None


def temperature_reason(series: RateSeries, parameters: int) -> str:
    """Why a fit of so many parameters besides holds no σ_p; empty where it can.

    ``even`` where the known temperatures lie within 10 K, else ``unknown``, ``few`` or
    ``with-pressure`` (temperature and pressure rose together).
    """
    span = temperature_span(series)
    if span is None or span[1] - span[0] <= WIDE_SPAN:
        return "even"
    if not np.isfinite(series.temperature).all():
        return "unknown"
    if len(series.tests) < parameters + 1 + _SPARE_POINTS:
        return "few"
    together = np.corrcoef(np.log(series.pressure), series.temperature)[0, 1]
    return "with-pressure" if abs(together) > _MOST_CORRELATED else ""


def normalised(series: RateSeries, to: float, sigma_p: float) -> RateSeries:
    """Give the readings as they would have been at one temperature: r·exp(σ_p·(to − T)).

    Parameters
    ----------
    series
        With the temperature of each test.
    to
        K.
    sigma_p
        Known relative rise of the rate per kelvin, 1/K.

    Raises
    ------
    DataError
        A test's temperature is not known, or a value is not finite.
    """
    if not (math.isfinite(sigma_p) and math.isfinite(to) and to > 0.0):
        msg = f"{series.label}: readings were to be taken to {to} K with σ_p = {sigma_p} per K"
        raise DataError(msg, expected="a temperature in kelvin and a finite σ_p")
    missing = ~np.isfinite(series.temperature)
    if missing.any():
        test = series.tests[int(np.argmax(missing))]
        msg = f"{series.label}: the temperature of test {test} is not known"
        raise DataError(
            msg,
            expected="a temperature for each test that is to be normalised",
            hint="record it, or leave the test out",
        )
    factor = np.exp(sigma_p * (to - series.temperature))
    return dataclasses.replace(
        series,
        rate=series.rate * factor,
        rate_sd=series.rate_sd * factor,
        temperature=np.full(len(series.tests), to),
    )
