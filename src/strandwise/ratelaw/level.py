"""The burn rate of tests that are all at one pressure: a level, and no law."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.ratelaw.columns import Readings, fit_columns
from strandwise.ratelaw.covariance import parameter_covariance
from strandwise.ratelaw.results import RateEstimate

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

__all__ = ["rate_of_one_pressure"]


def rate_of_one_pressure(
    ln_pressure: FloatArray, ln_rate: FloatArray, sd_ln_rate: FloatArray
) -> RateEstimate | None:
    """Rate at the mean of pressures that cannot be told apart, with its 95 % interval.

    The weighted mean of ln r, weights 1/(σ² + τ²) with τ² by REML, and Student's t with k − 1
    degrees of freedom on the weighted residual mean square (Knapp & Hartung, Stat. Med. 22 (2003)
    2693): the power law's own method with one parameter. What the pressures differ by is in the
    scatter.

    Parameters
    ----------
    ln_pressure, ln_rate, sd_ln_rate
        Logarithms of Pa and m/s, and the standard uncertainties of the second, 0 where none is
        known; shape (points,).

    Returns
    -------
    None without a point; no interval from one.
    """
    count = ln_rate.size
    if count == 0:
        return None
    pressure = math.exp(float(ln_pressure.mean()))
    if count == 1:
        return RateEstimate(pressure, math.exp(float(ln_rate[0])), None, None, extrapolated=False)
    none = np.zeros(count)
    readings = Readings(none, ln_rate, none, sd_ln_rate, none, np.empty((count, 0)))
    fit = fit_columns(
        readings,
        lambda x: np.ones((x.size, 1)),
        lambda x: np.zeros((x.size, 1)),
    )
    covariance = parameter_covariance(
        fit.weights, fit.residuals, fit.design, readings.variance(fit.slope, 0.0), True
    )
    mean, sd = float(fit.coefficients[0]), math.sqrt(float(covariance[0, 0]))
    half = float(stdtrit(count - 1, 0.975)) * sd
    rate = math.exp(mean)
    interval = (math.exp(mean - half), math.exp(mean + half))
    return RateEstimate(pressure, rate, rate * sd, interval, extrapolated=False)
