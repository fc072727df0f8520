"""From a series to the points of a fit, and from the fit's numbers to a `RateFit`."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from strandwise.findings import Caution
from strandwise.ratelaw.diagnostics import LawPoints, cautions_of_fit, cautions_of_series
from strandwise.ratelaw.results import FittedParameter, RateFit

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.ratelaw.laws import RateLaw
    from strandwise.ratelaw.results import RateSeries

    FloatArray = npt.NDArray[np.float64]

__all__ = ["LogPoints", "Solution", "log_points", "rate_fit", "unresolved_reason"]

# Pressures closer together than this, or than four times their own uncertainty, are one pressure:
# the spread of four readings of the same pressure is about twice their uncertainty, and a slope
# through it is noise. The 2 % is a choice of ours (common practice, no source).
_ONE_PRESSURE = math.log(1.02)
_ONE_PRESSURE_SDS = 4.0


@dataclass(frozen=True, eq=False, slots=True)
class LogPoints:
    """A series on logarithmic axes: arrays of shape (points,), errors of 0 where none is known."""

    ln_pressure: FloatArray
    ln_rate: FloatArray
    sd_ln_pressure: FloatArray
    sd_ln_rate: FloatArray


@dataclass(frozen=True, eq=False, slots=True)
class Solution:
    """One fitted law in numbers: what `rate_fit` makes a `RateFit` of.

    `covariance` is of (ln r0, n), shape (2, 2), NaN with two points; the arrays have shape
    (points,) and are on the scale of ln r.
    """

    ln_r0: float
    n: float
    covariance: FloatArray
    scatter: float
    mean_square: float
    converged: bool
    weights: FloatArray
    residuals: FloatArray
    leverages: FloatArray
    adjusted: FloatArray


def log_points(series: RateSeries) -> LogPoints:
    """Put a series on logarithmic axes, its uncertainties relative.

    Where only some points state one, the others are given the root mean square of the stated
    ones: 0 would make what is not known the most trusted.
    """
    return LogPoints(
        ln_pressure=np.log(series.pressure),
        ln_rate=np.log(series.rate),
        sd_ln_pressure=_filled(series.pressure_sd / series.pressure),
        sd_ln_rate=_filled(series.rate_sd / series.rate),
    )


def _filled(sd: FloatArray) -> FloatArray:
    known = sd > 0.0
    if known.all() or not known.any():
        return sd
    return np.where(known, sd, math.sqrt(float(np.mean(sd[known] ** 2))))


def unresolved_reason(points: LogPoints) -> str:
    """Why a series decides no law: ``few``, ``one-pressure``, or empty where it does."""
    if points.ln_rate.size < 2:
        return "few"
    spread = float(np.ptp(points.ln_pressure))
    own = math.sqrt(float(np.mean(points.sd_ln_pressure**2)))
    return "one-pressure" if spread <= max(_ONE_PRESSURE, _ONE_PRESSURE_SDS * own) else ""


def rate_fit(
    series: RateSeries, law: RateLaw, reference: float, solution: Solution | None, reason: str
) -> RateFit:
    """Make the public result of one fit, with its cautions.

    Parameters
    ----------
    series, law, reference
        What was fitted, and P0 in Pa.
    solution
        The numbers; None where `reason` says that there are none.
    """
    pressures = series.pressure
    bare = RateFit(
        label=series.label,
        formulation=series.formulation,
        law=law.name,
        tests=series.tests,
        points=len(series.tests),
        pressure_range=(float(pressures.min()), float(pressures.max())) if pressures.size else None,
        reference_pressure=reference,
    )
    if solution is None:
        return replace(bare, cautions=cautions_of_series(bare, series.kinds, reason))
    fit = _with_numbers(bare, law, solution)
    points = log_points(series)
    detail = LawPoints(
        adjusted=solution.adjusted,
        weights=solution.weights,
        design=law.log_gradient(solution.adjusted, solution.n),
        slope=law.log_slope(solution.adjusted, solution.n),
        sd_ln_pressure=points.sd_ln_pressure,
        sd_ln_rate=points.sd_ln_rate,
        stated=bool(((series.rate_sd > 0.0) | (series.pressure_sd > 0.0)).any()),
        unstated_rates=int(np.count_nonzero(series.rate_sd == 0.0)),
    )
    cautions = cautions_of_series(fit, series.kinds, reason) + cautions_of_fit(fit, detail)
    if not solution.converged:
        message = "the iteration did not come to rest; the values may be off in the last digits"
        cautions += (Caution("not-converged", message),)
    return replace(fit, cautions=cautions)


def _with_numbers(bare: RateFit, law: RateLaw, solution: Solution) -> RateFit:
    k = bare.points
    df = k - 2
    common = replace(
        bare,
        n=solution.n,
        ln_r0=solution.ln_r0,
        df=df,
        residuals=tuple(solution.residuals.tolist()),
        leverages=tuple(solution.leverages.tolist()),
        parameters=_parameters(law, solution, bare.reference_pressure, df),
    )
    if df < 1:
        return replace(common, standardised_residuals=(0.0,) * k)
    (v00, v01), (_, v11) = solution.covariance.tolist()
    sd = math.sqrt(v11)
    half = float(stdtrit(df, 0.975)) * sd
    own = (1.0 - solution.leverages) * solution.mean_square
    # A point that alone decides the line has no residual to speak of; 1e-9 is rounding.
    shown = (1.0 - solution.leverages > 1e-9) & (own > 0.0)
    spread = np.sqrt(np.where(shown, own, 1.0) / solution.weights)
    return replace(
        common,
        n_sd=sd,
        n_ci95=(solution.n - half, solution.n + half),
        covariance=((v00, v01), (v01, v11)),
        scatter=solution.scatter,
        residual_sd=math.sqrt(solution.mean_square * k / float(solution.weights.sum())),
        standardised_residuals=tuple(
            np.where(shown, solution.residuals / spread, 0.0).tolist(),
        ),
    )


def _parameters(
    law: RateLaw, solution: Solution, reference: float, df: int
) -> tuple[FittedParameter, ...]:
    values = np.real(law.coefficients(solution.ln_r0, solution.n, reference))
    if df < 1:
        return tuple(
            FittedParameter(one.name, float(value), None, None, one.unit)
            for one, value in zip(law.parameters, values, strict=True)
        )
    gradient = law.coefficient_gradient(solution.ln_r0, solution.n, reference)
    sds = np.sqrt(np.einsum("pi,ij,pj->p", gradient, solution.covariance, gradient))
    quantile = float(stdtrit(df, 0.975))
    fitted = []
    for one, value, sd in zip(law.parameters, values.tolist(), sds.tolist(), strict=True):
        if one.positive:
            factor = math.exp(quantile * sd / value)
            interval = (value / factor, value * factor)
        else:
            interval = (value - quantile * sd, value + quantile * sd)
        fitted.append(FittedParameter(one.name, value, sd, interval, one.unit))
    return tuple(fitted)
