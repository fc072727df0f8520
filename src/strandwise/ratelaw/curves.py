"""Any declared burn-rate law of two parameters, fitted by nonlinear least squares.

One series at a time, by lmfit. The weights, the scatter τ and the intervals are those of the power
law's pass (`strandwise.ratelaw.lines`): at each point the variance σ_y² + τ² − 2sσ_y,lnP + s²σ_lnP²
holds the law's own slope s at the trial parameters, so that for a straight line the minimum is
York's.
Importing this module takes about a second; only `strandwise.ratelaw.nonlinear` does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import lmfit
import numpy as np

from strandwise.errors import DataError
from strandwise.ratelaw.assemble import Solution
from strandwise.ratelaw.covariance import parameter_covariance, unscaled_covariance
from strandwise.ratelaw.laws import RateLaw, law_named
from strandwise.ratelaw.scatter import reml_step

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

_Theta = tuple[float, ...]
"""(ln r0, n), then σ_p where the temperature is fitted."""

__all__ = ["fit_nonlinear"]

_MAX_ROUNDS = 100
_ROUNDING = 1e-14


@dataclass(frozen=True, eq=False, slots=True)
class _Curve:
    """The points of one fit, and the law on the scale of its residuals."""

    law: RateLaw
    x: FloatArray
    y: FloatArray
    sd_x: FloatArray
    sd_y: FloatArray
    covariance: FloatArray
    scale: Literal["log", "rate"]
    warmer: FloatArray | None

    def value(self, x: FloatArray, theta: _Theta) -> FloatArray:
        log_rate = self.law.log_rate(x, theta[0], theta[1])
        if self.warmer is not None:
            log_rate = log_rate + theta[2] * self.warmer
        return log_rate if self.scale == "log" else np.exp(np.minimum(log_rate, 300.0))

    def slope(self, x: FloatArray, theta: _Theta) -> FloatArray:
        return self._scaled(self.law.log_slope(x, theta[1]), x, theta)

    def design(self, x: FloatArray, theta: _Theta) -> FloatArray:
        gradient = self.law.log_gradient(x, theta[1])
        if self.warmer is not None:
            gradient = np.column_stack([gradient, self.warmer])
        scaled = [self._scaled(column, x, theta) for column in gradient.T]
        return np.stack(scaled, axis=-1)

    def _scaled(self, by_log: FloatArray, x: FloatArray, theta: _Theta) -> FloatArray:
        return by_log if self.scale == "log" else by_log * self.value(x, theta)

    def variance(self, theta: _Theta, tau2: float) -> FloatArray:
        floor = (_ROUNDING * max(float(np.abs(self.y).max()), 1e-20)) ** 2
        slope = self.slope(self.x, theta)
        whole = np.maximum(self.sd_y**2 + tau2, floor) + (slope * self.sd_x) ** 2
        return np.asarray(np.maximum(whole - 2.0 * slope * self.covariance, floor))


def fit_nonlinear(
    ln_pressure: FloatArray,
    rate: FloatArray,
    sd_ln_pressure: FloatArray,
    sd_rate: FloatArray,
    *,
    law: str,
    ln_reference: float,
    scale: Literal["log", "rate"] = "log",
    start: tuple[float, float] | None = None,
    scatter: bool = True,
    warmer: FloatArray | None = None,
    covariance: FloatArray | None = None,
) -> Solution:
    """Fit one law to one series of points.

    Parameters
    ----------
    ln_pressure, rate
        ln of pressure in Pa, and rate in m/s; shape (points,).
    sd_ln_pressure, sd_rate
        Standard uncertainties: relative of the pressure, m/s of the rate; 0 where unknown.
    law
        Name in `strandwise.ratelaw.LAWS`.
    ln_reference
        ln P0.
    scale
        Where the scatter is taken as even: ``log`` (a percentage of the rate, as the power law's
        pass does) or ``rate`` (m/s, plain untransformed least squares).
    start
        First (ln r0, n); None: the log-log straight line.
    scatter
        Estimate the test-to-test scatter; False takes the stated uncertainties as all there is.
    warmer
        T − T0 of each point, K, to fit σ_p too; None: the temperature takes no part.
    covariance
        Of the errors of ln P and of the rate, m/s; None: they are independent.

    Returns
    -------
    The solution on the scale asked for (`scatter` and `residuals` in m/s for ``rate``).

    Raises
    ------
    RequestError
        No such law.
    DataError
        Fewer than two points or one pressure only; values that are not finite, a rate that is
        not positive; or no minimum was found.
    """
    x = np.asarray(ln_pressure, dtype=np.float64) - ln_reference
    r = np.asarray(rate, dtype=np.float64)
    _check(x, r)
    sd_r = np.asarray(sd_rate, dtype=np.float64)
    shared = np.zeros_like(r) if covariance is None else np.asarray(covariance, dtype=np.float64)
    log = scale == "log"
    curve = _Curve(
        law=law_named(law),
        x=x,
        y=np.log(r) if log else r,
        sd_x=np.asarray(sd_ln_pressure, dtype=np.float64),
        sd_y=sd_r / r if log else sd_r,
        covariance=shared / r if log else shared,
        scale=scale,
        warmer=warmer,
    )
    first: _Theta = start if start is not None else curve.law.guess(x, np.log(r))
    if warmer is not None:
        first = (*first, 0.0)
    return _solve(curve, first, scatter and x.size > len(first))


def _check(x: FloatArray, rate: FloatArray) -> None:
    if x.size < 2 or x.shape != rate.shape or not np.ptp(x) > 0.0:
        msg = f"{x.size} pressures and {rate.size} rates decide no burn-rate law"
        raise DataError(msg, expected="two points or more, at two pressures or more")
    if not (np.isfinite(x) & np.isfinite(rate) & (rate > 0.0)).all():
        msg = "a pressure is not finite or a rate is not positive"
        raise DataError(msg, expected="finite pressures and positive rates in SI units")


def _solve(curve: _Curve, first: _Theta, scatter: bool) -> Solution:
    theta, tau2 = first, 0.0
    if scatter:
        theta = _minimise(curve, theta, None)
        left = curve.y - curve.value(curve.x, theta)
        tau2 = float(left @ left) / (left.size - len(theta))
    converged = not scatter
    for _ in range(_MAX_ROUNDS if scatter else 1):
        theta = _minimise(curve, theta, tau2)
        if not scatter:
            break
        weights, left, design = _linearised(curve, theta, tau2)[:3]
        new = reml_step(weights, left, design, tau2)
        rest = 1e-8 / float(weights.max())
        converged = abs(new - tau2) <= rest
        tau2 = new
        if converged:
            break
    return _solution(curve, theta, tau2, scatter, converged)


def _minimise(curve: _Curve, first: _Theta, tau2: float | None) -> _Theta:
    """Find the least-squares (ln r0, n) at a given τ²; None: all points weigh the same."""
    parameters = lmfit.Parameters()
    parameters.add("ln_r0", value=first[0])
    parameters.add("n", value=first[1])
    if len(first) > 2:
        parameters.add("sigma_p", value=first[2])

    def residual(trial: lmfit.Parameters) -> FloatArray:
        theta = tuple(one.value for one in trial.values())
        left = curve.y - curve.value(curve.x, theta)
        if tau2 is None:
            return np.asarray(left / _unit(curve))
        return np.asarray(left / np.sqrt(curve.variance(theta, tau2)))

    result = lmfit.minimize(
        residual,
        parameters,
        method="least_squares",
        scale_covar=False,
        calc_covar=False,
        jac="3-point",
        x_scale="jac",
        ftol=1e-15,
        xtol=1e-15,
        gtol=1e-15,
        max_nfev=2000,
    )
    if not result.success:
        msg = f"no least-squares fit of the {curve.law.name} law was found: {result.message}"
        raise DataError(msg, hint="check the points, or fit another law")
    return tuple(float(one.value) for one in result.params.values())


def _unit(curve: _Curve) -> float:
    return 1.0 if curve.scale == "log" else float(np.abs(curve.y).max())


def _linearised(
    curve: _Curve, theta: _Theta, tau2: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Weights, residuals, design at the adjusted points, and those points."""
    weights = 1.0 / curve.variance(theta, tau2)
    left = curve.y - curve.value(curve.x, theta)
    pull = curve.slope(curve.x, theta) * curve.sd_x**2 - curve.covariance
    adjusted = curve.x + weights * pull * left
    return weights, left, curve.design(adjusted, theta), adjusted


def _solution(
    curve: _Curve, theta: _Theta, tau2: float, scatter: bool, converged: bool
) -> Solution:
    weights, left, design, adjusted = _linearised(curve, theta, tau2)
    known = curve.variance(theta, 0.0)
    leverage_phi = unscaled_covariance(weights, design)
    df = left.size - len(theta)
    mean_square = float(np.sum(weights * left * left)) / df if df > 0 else math.nan
    return Solution(
        ln_r0=theta[0],
        n=theta[1],
        covariance=parameter_covariance(weights, left, design, known, scatter),
        scatter=math.sqrt(tau2),
        mean_square=mean_square,
        converged=converged,
        weights=weights,
        residuals=left,
        leverages=weights * np.einsum("ki,ij,kj->k", design, leverage_phi, design),
        adjusted=adjusted,
        design=design,
        slope=curve.slope(adjusted, theta),
        sigma_p=theta[2] if len(theta) > 2 else None,
    )
