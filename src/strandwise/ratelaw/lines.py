"""Straight lines with errors in both coordinates, many at once.

For known errors the solution is that of York et al., Am. J. Phys. 72 (2004) 367, the exact
maximum-likelihood line; the errors of one point may be correlated. Weighted least squares with the
effective variance σ_y² − 2bσ_xy + b²σ_x² held fixed at each step is not the same line: it ignores
that the weights depend on b. To the errors in y a common variance τ² is added, estimated by
restricted maximum likelihood (REML) with the line.

Three conventions for the standard errors of such a line are in print: York 2004 (design at the
adjusted points, unscaled); first-order propagation of the readings (Kalantar, Meas. Sci. Technol.
3 (1992) 1113); and York 2004 times √(S/(k − 2)). Ours is the last, which with Student's t is also
the interval of Knapp & Hartung, Stat. Med. 22 (2003) 2693, once τ² is in the weights. Where τ² is
estimated and the stated errors differ, `covariance` averages it over what the weights may be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.ratelaw.covariance import line_covariance
from strandwise.ratelaw.scatter import line_reml_step

if TYPE_CHECKING:
    from typing import Any

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

__all__ = ["LineFits", "fit_lines"]

_MAX_ITERATIONS = 300
_PATIENCE = 15
_TOLERANCE = 1e-8
# Where the stated errors explain all of the scatter, τ² starts at this part of it.
_LEAST_START = 0.1
# Relative size below which a deviation is rounding; keeps weights finite for points on a line.
_ROUNDING = 1e-14


@dataclass(frozen=True, eq=False, slots=True)
class LineFits:
    """Lines y = intercept + slope·x; arrays of shape (lines,), the last four (lines, points).

    Where a line is not `identified` (fewer than two points, or no spread in x) its values are
    NaN. Variances are NaN with two points.

    Parameters
    ----------
    intercept, slope
        The line.
    intercept_variance, slope_variance, covariance
        With the scale of the residuals in them; see `strandwise.ratelaw.covariance`.
    scatter
        τ, the estimated standard deviation of y beyond `sd_y`.
    mean_square
        S/(k − 2), S the weighted sum of squared residuals.
    df
        k − 2, at least 0.
    identified, converged
        Whether there is a line, and whether the iteration came to rest.
    weights
        1/(σ_y² + τ² − 2bσ_xy + b²σ_x²); 0 at masked points.
    residuals
        y − intercept − slope·x; 0 at masked points.
    leverages
        At the adjusted points.
    adjusted
        Most likely true x.
    """

    intercept: FloatArray
    slope: FloatArray
    intercept_variance: FloatArray
    slope_variance: FloatArray
    covariance: FloatArray
    scatter: FloatArray
    mean_square: FloatArray
    df: npt.NDArray[np.int64]
    identified: BoolArray
    converged: BoolArray
    weights: FloatArray
    residuals: FloatArray
    leverages: FloatArray
    adjusted: FloatArray


@dataclass(eq=False, slots=True)
class _Lines:
    """Padded data of the lines still being worked on, shape (points, lines), padding at zero.

    Points come first so that every sum over them adds whole rows, which is three times as fast.
    """

    x: FloatArray
    y: FloatArray
    var_x: FloatArray
    var_y: FloatArray
    mask: FloatArray
    floor: FloatArray
    cov: FloatArray | None  # of the errors in x and y; None where there is none

    def take(self, rows: BoolArray) -> _Lines:
        return _Lines(
            self.x[:, rows],
            self.y[:, rows],
            self.var_x[:, rows],
            self.var_y[:, rows],
            self.mask[:, rows],
            self.floor[rows],
            None if self.cov is None else self.cov[:, rows],
        )

    def variance(self, var_y: FloatArray, slope: FloatArray) -> FloatArray:
        """Of y about lines of such slopes."""
        variance = var_y + slope * slope * self.var_x
        if self.cov is not None:
            variance = np.maximum(variance - 2.0 * slope * self.cov, self.floor)
        return variance


@dataclass(eq=False, slots=True)
class _Step:
    """One York step: new slopes, and what its weights make of the points.

    `centred` are the adjusted x less their weighted mean, which is `centre` beyond `mean_x`;
    `square` is their weighted sum of squares. `residuals` are about the line of the new slope.
    Masked points have weight 0 and anything else.
    """

    slope: FloatArray
    weights: FloatArray
    total: FloatArray
    mean_x: FloatArray
    mean_y: FloatArray
    residuals: FloatArray
    centre: FloatArray
    centred: FloatArray
    square: FloatArray


def _york_step(data: _Lines, slope: FloatArray, tau2: FloatArray) -> _Step:
    # Eqs. 13-17 of York et al.; their b is `slope`.
    var_y = np.maximum(data.var_y + tau2, data.floor)
    weights = data.mask / data.variance(var_y, slope)
    total = weights.sum(axis=0)
    mean_x = np.einsum("ij,ij->j", weights, data.x) / total
    mean_y = np.einsum("ij,ij->j", weights, data.y) / total
    u, v = data.x - mean_x, data.y - mean_y
    adjusted = u * var_y
    adjusted += (slope * v) * data.var_x
    if data.cov is not None:
        adjusted -= (slope * u + v) * data.cov
    adjusted *= weights
    weighted = weights * adjusted
    new = np.einsum("ij,ij->j", weighted, v) / np.einsum("ij,ij->j", weighted, u)
    centre = weighted.sum(axis=0) / total
    adjusted -= centre
    square = np.einsum("ij,ij,ij->j", weights, adjusted, adjusted)
    u *= new
    v -= u
    return _Step(new, weights, total, mean_x, mean_y, v, centre, adjusted, square)


def _starting_values(data: _Lines, scatter: bool) -> tuple[FloatArray, FloatArray]:
    """The line of ordinary least squares, and what the stated errors leave of its scatter."""
    count = data.mask.sum(axis=0)
    u = (data.x - data.x.sum(axis=0) / count) * data.mask
    v = (data.y - data.y.sum(axis=0) / count) * data.mask
    slope = np.einsum("ij,ij->j", u, v) / np.einsum("ij,ij->j", u, u)
    if not scatter:
        return slope, np.zeros_like(slope)
    v -= slope * u
    whole = np.einsum("ij,ij->j", v, v) / np.maximum(count - 2.0, 1.0)
    known = (data.variance(data.var_y, slope) * data.mask).sum(axis=0) / count
    return slope, np.maximum(whole - known, _LEAST_START * whole)


def _iterate(data: _Lines, scatter: bool) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Slopes, τ² and which came to rest; lines that have are set aside on the way."""
    slope, tau2 = _starting_values(data, scatter)
    converged = np.zeros(slope.shape, dtype=np.bool_)
    estimated = (data.mask.sum(axis=0) > 2.0) & scatter
    tau2[~estimated] = 0.0
    stride, last = np.ones_like(slope), np.zeros_like(slope)
    rows = np.arange(slope.size)
    work = data
    span = _span(work)
    for iteration in range(_MAX_ITERATIONS if slope.size else 0):
        b, t = slope[rows], tau2[rows]
        step = _york_step(work, b, t)
        move = -t + line_reml_step(
            step.weights, step.residuals, step.centred, step.total, step.square, t
        )
        move[~estimated[rows]] = 0.0
        close = _at_rest(step, span, b, move)
        if iteration >= _PATIENCE:
            # Longer strides along a slow approach, shorter ones across a swing.
            change = np.where(move * last[rows] < 0.0, 0.5, 1.25)
            stride[rows] = np.minimum(stride[rows] * change, 4.0)
            last[rows], move = move, move * np.where(close, 1.0, stride[rows])
        slope[rows], tau2[rows], converged[rows] = step.slope, np.maximum(t + move, 0.0), close
        if close.all():
            break
        if 4 * np.count_nonzero(close) > close.size:
            rows, work, span = rows[~close], work.take(~close), span[~close]
    return slope, tau2, converged


def _span(data: _Lines) -> FloatArray:
    high = np.where(data.mask > 0.0, data.x, -np.inf).max(axis=0, initial=-np.inf)
    low = np.where(data.mask > 0.0, data.x, np.inf).min(axis=0, initial=np.inf)
    return np.asarray(high - low)


def _at_rest(step: _Step, span: FloatArray, slope: FloatArray, move: FloatArray) -> BoolArray:
    height = np.einsum("ij,ij,ij->j", step.weights, step.residuals, step.residuals)
    height = np.sqrt(height / step.total)
    still = np.abs(step.slope - slope) <= _TOLERANCE * (np.abs(slope) + height / span)
    return np.asarray(still & (np.abs(move) <= 1e-5 / step.weights.max(axis=0)))


def fit_lines(
    x: FloatArray,
    y: FloatArray,
    sd_x: FloatArray,
    sd_y: FloatArray,
    mask: BoolArray,
    *,
    scatter: bool = True,
    covariance: FloatArray | None = None,
) -> LineFits:
    """Fit y = a + b·x to each row; see the module's heading for the method and its sources.

    Parameters
    ----------
    x, y, sd_x, sd_y
        Points and their standard errors, shape (lines, points); an error of 0 is none, and where
        all are 0 the line is that of ordinary least squares.
    mask
        True where there is a point; same shape.
    scatter
        Estimate τ; False takes the stated errors as all there is.
    covariance
        Of the errors of x and y at each point, same shape; None: they are independent.

    Raises
    ------
    DataError
        Shapes differ, a point that is not masked is not finite or has a negative error, or a
        covariance is larger than its errors allow.
    """
    data = _checked(x, y, sd_x, sd_y, mask, covariance)
    count = data.mask.sum(axis=0)
    with np.errstate(invalid="ignore"):
        size = np.abs(data.x).max(axis=0, initial=0.0)
        identified = (count >= 2.0) & (_span(data) > _ROUNDING * size)
    work = data if identified.all() else data.take(identified)
    return _assemble(work, identified, scatter, *_iterate(work, scatter))


def _checked(
    x: FloatArray,
    y: FloatArray,
    sd_x: FloatArray,
    sd_y: FloatArray,
    mask: BoolArray,
    covariance: FloatArray | None,
) -> _Lines:
    given = (x, y, sd_x, sd_y) if covariance is None else (x, y, sd_x, sd_y, covariance)
    arrays = [np.asarray(array, dtype=np.float64) for array in given]
    shapes = [array.shape for array in arrays] + [np.shape(mask)]
    if len(shapes[0]) != 2 or len(set(shapes)) > 1:
        msg = f"x, y, sd_x, sd_y, covariance and mask have the shapes {shapes}"
        raise DataError(msg, expected="one shape (lines, points) for all")
    inside = np.ascontiguousarray(np.asarray(mask, dtype=np.bool_).T)
    if inside.all():
        filled = [np.ascontiguousarray(array.T) for array in arrays]
    else:
        filled = [np.where(inside, array.T, 0.0) for array in arrays]
    if not all(np.isfinite(array).all() for array in filled):
        msg = "a point to be fitted is not finite"
        raise DataError(msg, expected="finite values wherever the mask is True")
    if (filled[2] < 0.0).any() or (filled[3] < 0.0).any():
        msg = f"a standard error is {float(min(filled[2].min(), filled[3].min()))}"
        raise DataError(msg, expected="standard errors of 0 (unknown) or more")
    x_, y_, sx, sy, *cov = filled
    if any((np.abs(one) > sx * sy * (1.0 + 1e-9)).any() for one in cov):
        msg = "a covariance of x and y is larger than the product of their standard errors"
        raise DataError(msg, expected="a correlation from −1 to 1")
    largest = np.maximum(np.abs(y_).max(axis=0, initial=0.0), 1e-20)
    floor = (_ROUNDING * largest) ** 2
    whole = inside.astype(np.float64)
    return _Lines(x_, y_, sx * sx, sy * sy, whole, floor, cov[0] if cov else None)


def _assemble(
    work: _Lines,
    identified: BoolArray,
    scatter: bool,
    slope: FloatArray,
    tau2: FloatArray,
    converged: BoolArray,
) -> LineFits:
    step = _york_step(work, slope, tau2)
    # About the line as it is returned, and 0 at masked points.
    residuals = (work.y - step.mean_y - slope * (work.x - step.mean_x)) * work.mask
    width = np.sqrt(step.square / step.total)
    unit = step.centred / width * work.mask
    df = np.maximum(work.mask.sum(axis=0) - 2.0, 0.0)
    chi = (step.weights * residuals * residuals).sum(axis=0)
    mean_square = np.where(df > 0.0, chi / np.maximum(df, 1.0), np.nan)
    known = work.variance(np.maximum(work.var_y, work.floor), slope)
    v00, v01, v11 = line_covariance(
        step.weights, residuals, unit, known * work.mask, np.full(df.shape, scatter)
    )
    # From (value at the centre, slope · width) to (intercept, slope).
    lever = (step.mean_x + step.centre) / width
    v00, v01 = v00 - 2.0 * lever * v01 + lever * lever * v11, v01 - lever * v11
    leverages = step.weights / step.total * (1.0 + unit * unit)
    whole = bool(identified.all())

    def full(values: npt.NDArray[Any], rest: float = np.nan) -> npt.NDArray[Any]:
        if whole:
            return np.ascontiguousarray(values.T)
        every = np.full((identified.size, *values.T.shape[1:]), rest, dtype=values.dtype)
        every[identified] = values.T
        return every

    return LineFits(
        intercept=full(step.mean_y - slope * step.mean_x),
        slope=full(slope),
        intercept_variance=full(v00),
        slope_variance=full(v11 / width**2),
        covariance=full(v01 / width),
        scatter=full(np.sqrt(tau2)),
        mean_square=full(mean_square),
        df=full(df.astype(np.int64), 0),
        identified=identified,
        converged=full(converged, False),
        weights=full(step.weights, 0.0),
        residuals=full(residuals, 0.0),
        leverages=full(leverages, 0.0),
        adjusted=full((step.mean_x + step.centre + step.centred) * work.mask, 0.0),
    )
