"""One curve that is linear in its coefficients, with errors in both coordinates.

y = f(x; β) + Z γ: f a combination of columns that depend on x (1 and x for the power law; with
breaks, x beyond each break), Z columns known without error, such as the temperature. At the
solution each point is moved to its most likely place x̂ = x + w (s σ_x² − σ_xy) e (s the local
slope, w the weight, e the residual) and the weighted residuals are orthogonal to the columns there,
which for a straight line are York's equations (Am. J. Phys. 72 (2004) 367); for several columns the
same argument holds wherever f is straight over a point's own uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.ratelaw.scatter import reml_step

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    Columns = Callable[[FloatArray], FloatArray]
    Bends = Callable[[FloatArray, FloatArray], FloatArray]

__all__ = ["ColumnFit", "Readings", "fit_columns"]

_MAX_ROUNDS = 300
_PATIENCE = 15
_ROUNDING = 1e-14


@dataclass(frozen=True, eq=False, slots=True)
class Readings:
    """Points of one fit: ln(P/P0), ln r, their standard errors and covariance, shape (points,).

    `fixed` holds columns known without error, shape (points, q), q may be 0.
    """

    x: FloatArray
    y: FloatArray
    sd_x: FloatArray
    sd_y: FloatArray
    covariance: FloatArray
    fixed: FloatArray

    def variance(self, slope: FloatArray, tau2: float) -> FloatArray:
        """Of y about the curve, with the local slope at each point and the scatter τ²."""
        floor = (_ROUNDING * max(float(np.abs(self.y).max()), 1e-20)) ** 2
        whole = np.maximum(self.sd_y**2 + tau2, floor) + (slope * self.sd_x) ** 2
        return np.asarray(np.maximum(whole - 2.0 * slope * self.covariance, floor))


@dataclass(frozen=True, eq=False, slots=True)
class ColumnFit:
    """Coefficients, shape (columns + q,), and the points as the solution sees them.

    `design` has the columns at the adjusted points, shape (points, columns + q).
    """

    coefficients: FloatArray
    tau2: float
    converged: bool
    weights: FloatArray
    residuals: FloatArray
    adjusted: FloatArray
    slope: FloatArray
    design: FloatArray


def fit_columns(
    readings: Readings,
    columns: Columns,
    slopes: Columns,
    *,
    scatter: bool = True,
    bends: Bends | None = None,
) -> ColumnFit:
    """Fit by repeated weighted least squares at the adjusted points, τ² by REML.

    Parameters
    ----------
    readings
        The points.
    columns, slopes
        x of shape (points,) to the columns of f and to their derivatives by x, shape
        (points, columns).
    scatter
        Estimate τ²; False takes the stated errors as all there is.
    bends
        (x, coefficients) to columns of parameters that f is not linear in, held fixed here; they
        cost degrees of freedom in τ².
    """
    whole = _stacked(columns(readings.x), readings.fixed)
    beta = _least_squares(whole, readings.y)
    free = readings.x.size - whole.shape[1]
    tau2 = 0.0
    if scatter and free > 0:
        left = readings.y - whole @ beta
        tau2 = float(left @ left) / free
    count = columns(readings.x[:1]).shape[1]
    stride, last, converged = 1.0, 0.0, False
    for iteration in range(_MAX_ROUNDS):
        now = _look(readings, columns, slopes, beta, count, tau2)
        root = np.sqrt(now.weights)
        step = _least_squares(now.design * root[:, None], now.residuals * root)
        move = 0.0
        if scatter and free > 0:
            design = now.design
            if bends is not None:
                design = np.column_stack([design, bends(now.adjusted, beta)])
            # Newton's step is one only for the residuals of the fit at these weights.
            left = now.residuals - now.design @ step
            move = reml_step(now.weights, left, design, tau2) - tau2
        size = np.abs(now.design @ step).max()
        converged = bool(
            size <= 1e-11 * np.abs(readings.y).max()
            and abs(move) <= 1e-9 / float(now.weights.max())
        )
        if iteration >= _PATIENCE:
            # Longer strides along a slow approach, shorter ones across a swing.
            stride = min(stride * (0.5 if move * last < 0.0 else 1.25), 4.0)
        beta, tau2, last = beta + step, max(tau2 + stride * move, 0.0), move
        if converged:
            break
    return _look(readings, columns, slopes, beta, count, tau2, converged)


def _stacked(columns: FloatArray, fixed: FloatArray) -> FloatArray:
    return np.column_stack([columns, fixed]) if fixed.shape[1] else columns


def _least_squares(design: FloatArray, y: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.lstsq(design, y, rcond=None)[0], dtype=np.float64)


def _look(
    readings: Readings,
    columns: Columns,
    slopes: Columns,
    beta: FloatArray,
    count: int,
    tau2: float,
    converged: bool = False,
) -> ColumnFit:
    slope = slopes(readings.x) @ beta[:count]
    weights = 1.0 / readings.variance(slope, tau2)
    residuals = readings.y - _stacked(columns(readings.x), readings.fixed) @ beta
    pull = slope * readings.sd_x**2 - readings.covariance
    adjusted = readings.x + weights * pull * residuals
    design = _stacked(columns(adjusted), readings.fixed)
    return ColumnFit(beta, tau2, converged, weights, residuals, adjusted, slope, design)
