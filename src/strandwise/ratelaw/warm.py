"""The power law and the segmented law of one series, with the temperature where it is told."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.ratelaw.assemble import Solution, log_points
from strandwise.ratelaw.columns import Readings, fit_columns
from strandwise.ratelaw.covariance import parameter_covariance
from strandwise.ratelaw.segments import fit_segments
from strandwise.ratelaw.temperature import temperature_reason

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.ratelaw.series import RateSeries

    FloatArray = npt.NDArray[np.float64]

__all__ = ["readings_of", "segmented_law", "warm_power_law"]


def readings_of(
    series: RateSeries, reference: float, temperature: float | None, *, warm: bool
) -> tuple[Readings, float | None]:
    """Points about P0 (Pa) and T0 (K; None: their mean), and T0 where `warm` takes it in.

    Raises
    ------
    DataError
        A reference temperature that is not positive.
    """
    if temperature is not None and not (math.isfinite(temperature) and temperature > 0.0):
        msg = f"a reference temperature is {temperature} K"
        raise DataError(msg, expected="a positive temperature in kelvin")
    points = log_points(series)
    fixed = np.empty((points.ln_rate.size, 0))
    if not warm:
        temperature = None
    else:
        temperature = float(series.temperature.mean()) if temperature is None else temperature
        fixed = (series.temperature - temperature)[:, None]
    readings = Readings(
        points.ln_pressure - math.log(reference),
        points.ln_rate,
        points.sd_ln_pressure,
        points.sd_ln_rate,
        points.covariance,
        fixed,
    )
    return readings, temperature


def warm_power_law(series: RateSeries, reference: float, temperature: float | None) -> Solution:
    """Power law with σ_p; the series tells its temperatures (`temperature_reason`)."""
    readings, at = readings_of(series, reference, temperature, warm=True)
    fit = fit_columns(
        readings,
        lambda x: np.column_stack([np.ones_like(x), x]),
        lambda x: np.column_stack([np.zeros_like(x), np.ones_like(x)]),
    )
    ln_r0, n, sigma_p = fit.coefficients.tolist()
    df = readings.x.size - 3
    mean_square = float(np.sum(fit.weights * fit.residuals**2)) / df
    return Solution(
        ln_r0=ln_r0,
        n=n,
        covariance=parameter_covariance(
            fit.weights, fit.residuals, fit.design, readings.variance(fit.slope, 0.0), True
        ),
        scatter=math.sqrt(fit.tau2),
        mean_square=mean_square,
        converged=fit.converged,
        weights=fit.weights,
        residuals=fit.residuals,
        leverages=_leverages(fit.weights, fit.design),
        adjusted=fit.adjusted,
        design=fit.design,
        slope=fit.slope,
        temperature=at,
        sigma_p=sigma_p,
    )


def segmented_law(
    series: RateSeries, reference: float, breaks: int, temperature: float | None = None
) -> Solution:
    """Segmented law with so many breaks, with σ_p where the series tells its temperatures.

    Raises
    ------
    DataError
        The points do not allow as many breaks.
    """
    warm = not temperature_reason(series, 2 + 2 * breaks)
    readings, at = readings_of(series, reference, temperature, warm=warm)
    found = fit_segments(readings, breaks)
    fit, theta = found.columns, found.theta
    return Solution(
        ln_r0=float(theta[0]),
        n=float(found.slope_at(np.zeros(1))[0]),
        covariance=found.mixture.theta_covariance(),
        scatter=math.sqrt(fit.tau2),
        mean_square=found.mean_square,
        converged=fit.converged,
        weights=fit.weights,
        residuals=fit.residuals,
        leverages=_leverages(fit.weights, found.design),
        adjusted=fit.adjusted,
        design=found.design,
        slope=fit.slope,
        temperature=at,
        sigma_p=float(theta[-1]) if warm else None,
        segments=found,
    )


def _leverages(weights: FloatArray, design: FloatArray) -> FloatArray:
    basis, _ = np.linalg.qr(design * np.sqrt(weights)[:, None])
    return np.asarray(np.minimum((basis * basis).sum(axis=1), 1.0))
