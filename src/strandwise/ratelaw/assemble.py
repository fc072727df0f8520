"""From a series to the points of a fit, and from the fit's numbers to a `RateFit`."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.findings import Caution
from strandwise.ratelaw.diagnostics import LawPoints, cautions_of_fit, cautions_of_series
from strandwise.ratelaw.laws import law_named
from strandwise.ratelaw.level import rate_of_one_pressure
from strandwise.ratelaw.parameters import parameters_of
from strandwise.ratelaw.results import RateFit
from strandwise.ratelaw.temperature import (
    TemperatureEffect,
    pressure_sensitivity,
    pressure_sensitivity_interval,
    temperature_span,
)

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.ratelaw.segments import SegmentSolution
    from strandwise.ratelaw.series import RateSeries

    FloatArray = npt.NDArray[np.float64]

__all__ = ["LogPoints", "Solution", "design_of", "log_points", "rate_fit", "unresolved_reason"]

# Pressures closer together than this, or than four times their own uncertainty, are one pressure:
# the spread of four readings of the same pressure is about twice their uncertainty, and a slope
# through it is noise. The 2 % is a choice of ours (common practice, no source).
_ONE_PRESSURE = math.log(1.02)
_ONE_PRESSURE_SDS = 4.0
# Two errors that rest on one reading have other parts too; with a correlation of 1 a test on the
# law's own slope would have no variance left, and decide alone.
_MOST_CORRELATED = 0.999


@dataclass(frozen=True, eq=False, slots=True)
class LogPoints:
    """A series on logarithmic axes: arrays of shape (points,), errors of 0 where none is known.

    `covariance` is that of the errors of ln P and ln r at each point.
    """

    ln_pressure: FloatArray
    ln_rate: FloatArray
    sd_ln_pressure: FloatArray
    sd_ln_rate: FloatArray
    covariance: FloatArray

    def variance(self, slope: FloatArray) -> FloatArray:
        """Of ln r about a law of local exponents `slope`, from the readings alone; (points,)."""
        own = self.sd_ln_rate**2 + (slope * self.sd_ln_pressure) ** 2
        return np.asarray(np.maximum(own - 2.0 * slope * self.covariance, 0.0))


@dataclass(frozen=True, eq=False, slots=True)
class Solution:
    """One fitted law in numbers: what `rate_fit` makes a `RateFit` of.

    Parameters
    ----------
    ln_r0, n
        ln of the rate, and local exponent, at the reference pressure.
    covariance
        Of the parameters, shape (p, p); NaN where the points are no more than the parameters.
    scatter, mean_square
        τ and the weighted residual mean square.
    converged
        Whether the iteration came to rest.
    weights, residuals, leverages, adjusted
        Shape (points,), on the scale of ln r.
    design, slope
        Derivatives of ln r by the parameters, shape (points, p), and by ln P, shape (points,), at
        the adjusted points; None: those of the law of two parameters.
    temperature
        T0 in K where σ_p is the last parameter.
    sigma_p
        Its value, 1/K.
    segments
        Of the segmented law.
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
    design: FloatArray | None = None
    slope: FloatArray | None = None
    temperature: float | None = None
    sigma_p: float | None = None
    segments: SegmentSolution | None = None

    def at_temperature(self, temperature: float | None) -> Solution:
        """The same with T0."""
        return replace(self, temperature=temperature)

    @property
    def theta(self) -> tuple[float, ...]:
        """What was estimated; see `RateFit.theta`."""
        if self.segments is not None:
            return tuple(self.segments.theta.tolist())
        own = (self.ln_r0, self.n)
        return own if self.sigma_p is None else (*own, self.sigma_p)


def log_points(series: RateSeries) -> LogPoints:
    """Put a series on logarithmic axes, its uncertainties relative.

    Where only some points of a kind state one, the others of it are given the root mean square of
    the stated ones: 0 would make what is not known the most trusted. What is stated of firings
    says nothing of strands.
    """
    sd_ln_pressure = _filled(series.pressure_sd / series.pressure, series.kinds)
    sd_ln_rate = _filled(series.rate_sd / series.rate, series.kinds)
    return LogPoints(
        ln_pressure=np.log(series.pressure),
        ln_rate=np.log(series.rate),
        sd_ln_pressure=sd_ln_pressure,
        sd_ln_rate=sd_ln_rate,
        covariance=np.clip(series.correlation, -_MOST_CORRELATED, _MOST_CORRELATED)
        * sd_ln_pressure
        * sd_ln_rate,
    )


def _filled(sd: FloatArray, kinds: tuple[str, ...]) -> FloatArray:
    if (sd > 0.0).all() or not (sd > 0.0).any():
        return sd
    filled = sd.copy()
    for kind in set(kinds):
        alike = np.array([one == kind for one in kinds])
        known = alike & (sd > 0.0)
        if known.any():
            filled[alike & ~known] = math.sqrt(float(np.mean(sd[known] ** 2)))
    return filled


def unresolved_reason(points: LogPoints) -> str:
    """Why a series decides no law: ``few``, ``one-pressure``, or empty where it does."""
    if points.ln_rate.size < 2:
        return "few"
    spread = float(np.ptp(points.ln_pressure))
    own = math.sqrt(float(np.mean(points.sd_ln_pressure**2)))
    return "one-pressure" if spread <= max(_ONE_PRESSURE, _ONE_PRESSURE_SDS * own) else ""


def rate_fit(
    series: RateSeries,
    law: str,
    reference: float,
    solution: Solution | None,
    reason: str,
    points: LogPoints | None = None,
) -> RateFit:
    """Make the public result of one fit, with its cautions.

    Parameters
    ----------
    series, law, reference
        What was fitted, the law's name, and P0 in Pa.
    solution
        The numbers; None where `reason` says that there are none.
    points
        `log_points` of the series, where they are at hand.
    """
    pressures = series.pressure
    bare = RateFit(
        label=series.label,
        formulation=series.formulation,
        law=law,
        tests=series.tests,
        points=len(series.tests),
        pressure_range=(float(pressures.min()), float(pressures.max())) if pressures.size else None,
        reference_pressure=reference,
    )
    points = points or log_points(series)
    if solution is None:
        if reason in ("few", "one-pressure"):
            level = rate_of_one_pressure(points.ln_pressure, points.ln_rate, points.sd_ln_rate)
            bare = replace(bare, level=level)
        return replace(bare, cautions=cautions_of_series(bare, series, reason))
    fit = _with_numbers(bare, solution, temperature_span(series))
    known = points.variance(_slope_of(law, solution))
    detail = LawPoints(
        adjusted=solution.adjusted,
        weights=solution.weights,
        design=design_of(law, solution),
        known=known,
        stated=bool(((series.rate_sd > 0.0) | (series.pressure_sd > 0.0)).any()),
        unstated_rates=int(np.count_nonzero(series.rate_sd == 0.0)),
        wording=series.wording,
    )
    fit = replace(fit, stated_sds=tuple(np.sqrt(known).tolist()))
    cautions = cautions_of_series(fit, series, reason) + cautions_of_fit(fit, detail)
    if not solution.converged:
        message = "the iteration did not come to rest; the values may be off in the last digits"
        cautions += (Caution("not-converged", message),)
    return replace(fit, cautions=cautions)


def design_of(law: str, solution: Solution) -> FloatArray:
    """Derivatives of ln r by the parameters at the adjusted points, shape (points, p)."""
    if solution.design is not None:
        return solution.design
    return law_named(law).log_gradient(solution.adjusted, solution.n)


def _slope_of(law: str, solution: Solution) -> FloatArray:
    if solution.slope is not None:
        return solution.slope
    return law_named(law).log_slope(solution.adjusted, solution.n)


def _with_numbers(bare: RateFit, solution: Solution, span: tuple[float, float] | None) -> RateFit:
    k, theta = bare.points, solution.theta
    df = k - len(theta)
    common = replace(
        bare,
        n=solution.n,
        ln_r0=solution.ln_r0,
        theta=theta,
        df=df,
        residuals=tuple(solution.residuals.tolist()),
        leverages=tuple(solution.leverages.tolist()),
        parameters=parameters_of(bare.law, solution, bare.reference_pressure, df),
    )
    if df < 1:
        return replace(common, standardised_residuals=(0.0,) * k)
    n_sd, n_ci95 = _exponent_interval(solution, df)
    own = (1.0 - solution.leverages) * solution.mean_square
    # A point that alone decides the line has no residual to speak of; 1e-9 is rounding.
    shown = (1.0 - solution.leverages > 1e-9) & (own > 0.0)
    spread = np.sqrt(np.where(shown, own, 1.0) / solution.weights)
    return replace(
        common,
        n_sd=n_sd,
        n_ci95=n_ci95,
        covariance=tuple(tuple(row) for row in solution.covariance.tolist()),
        scatter=solution.scatter,
        residual_sd=math.sqrt(solution.mean_square * k / float(solution.weights.sum())),
        standardised_residuals=tuple(
            np.where(shown, solution.residuals / spread, 0.0).tolist(),
        ),
        mixture=None if solution.segments is None else solution.segments.mixture,
        temperature=_temperature_effect(solution, df, span),
    )


def _exponent_interval(solution: Solution, df: int) -> tuple[float, tuple[float, float]]:
    if solution.segments is not None:
        mixture = solution.segments.mixture
        means, sds = mixture.local_slope(0.0)
        return float(np.sqrt(np.mean(sds**2) + means.var())), mixture.interval(means, sds)
    sd = math.sqrt(float(solution.covariance[1, 1]))
    half = float(stdtrit(df, 0.975)) * sd
    return sd, (solution.n - half, solution.n + half)


def _temperature_effect(
    solution: Solution, df: int, span: tuple[float, float] | None
) -> TemperatureEffect | None:
    if solution.sigma_p is None or solution.temperature is None or span is None:
        return None
    sd = math.sqrt(float(solution.covariance[-1, -1]))
    half = float(stdtrit(df, 0.975)) * sd
    pi_k = interval = None
    if solution.n < 1.0:
        pi_k = pressure_sensitivity(solution.sigma_p, solution.n)
        if solution.segments is None:
            pair = solution.covariance[np.ix_([1, -1], [1, -1])]
        else:
            means, sds = solution.segments.mixture.local_slope(0.0)
            pair = np.diag([float(np.mean(sds**2) + means.var()), sd * sd])
        interval = pressure_sensitivity_interval(solution.sigma_p, solution.n, pair, df)
    return TemperatureEffect(
        reference=solution.temperature,
        span=span,
        sigma_p=solution.sigma_p,
        sigma_p_sd=sd,
        sigma_p_ci95=(solution.sigma_p - half, solution.sigma_p + half),
        pi_k=pi_k,
        pi_k_ci95=interval,
    )
