"""Straight lines with errors in both coordinates, many at once.

For known errors the solution is that of York et al., Am. J. Phys. 72 (2004) 367 (uncorrelated
errors), the exact maximum-likelihood line. Weighted least squares with the effective variance
σ_y² + b²σ_x² held fixed at each step is not the same line: it ignores that the weights depend
on b. To the errors in y a common variance τ² is added, estimated by restricted maximum likelihood
(REML) with the line.

Three conventions for the standard errors of such a line are in print: York 2004 (design at the
adjusted points, unscaled); first-order propagation of the readings (Kalantar, Meas. Sci. Technol.
3 (1992) 1113); and York 2004 times √(S/(k − 2)). Ours is the last, which with Student's t is also
the interval of Knapp & Hartung, Stat. Med. 22 (2003) 2693, once τ² is in the weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.ratelaw.scatter import parameter_covariance, reml_step

if TYPE_CHECKING:
    from typing import Any

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

__all__ = ["LineFits", "fit_lines"]

_MAX_ITERATIONS = 300
_PATIENCE = 12
_TOLERANCE = 1e-12
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
        Scaled by `mean_square`.
    scatter
        τ, the estimated standard deviation of y beyond `sd_y`.
    mean_square
        S/(k − 2), S the weighted sum of squared residuals.
    df
        k − 2, at least 0.
    identified, converged
        Whether there is a line, and whether the iteration came to rest.
    weights
        1/(σ_y² + τ² + b²σ_x²); 0 at masked points.
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
    """Padded data of the lines still being worked on, padding at zero."""

    x: FloatArray
    y: FloatArray
    var_x: FloatArray
    var_y: FloatArray
    mask: FloatArray
    floor: FloatArray

    def take(self, rows: BoolArray) -> _Lines:
        return _Lines(
            self.x[rows],
            self.y[rows],
            self.var_x[rows],
            self.var_y[rows],
            self.mask[rows],
            self.floor[rows],
        )


@dataclass(eq=False, slots=True)
class _Step:
    """One York step: new slopes, and what its weights make of the points."""

    slope: FloatArray
    weights: FloatArray
    mean_x: FloatArray
    mean_y: FloatArray
    residuals: FloatArray
    adjusted: FloatArray


def _york_step(data: _Lines, slope: FloatArray, tau2: FloatArray) -> _Step:
    # Eqs. 13-17 of York et al. for uncorrelated errors; their b is `slope`.
    b = slope[:, None]
    var_y = np.maximum(data.var_y + tau2[:, None], data.floor[:, None])
    weights = data.mask / (var_y + b * b * data.var_x)
    total = weights.sum(axis=1)
    mean_x = (weights * data.x).sum(axis=1) / total
    mean_y = (weights * data.y).sum(axis=1) / total
    u = (data.x - mean_x[:, None]) * data.mask
    v = (data.y - mean_y[:, None]) * data.mask
    beta = weights * (u * var_y + b * v * data.var_x)
    weighted = weights * beta
    new = (weighted * v).sum(axis=1) / (weighted * u).sum(axis=1)
    return _Step(new, weights, mean_x, mean_y, v - b * u, beta)


def _unit_design(step: _Step) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Design at the adjusted points: ones and (x − centre)/width, weighted mean square 1."""
    total = step.weights.sum(axis=1)
    centre = (step.weights * step.adjusted).sum(axis=1) / total
    u = (step.adjusted - centre[:, None]) * (step.weights > 0.0)
    width = np.sqrt((step.weights * u * u).sum(axis=1) / total)
    return np.stack([np.ones_like(u), u / width[:, None]], axis=-1), centre, width


def _starting_values(data: _Lines, scatter: bool) -> tuple[FloatArray, FloatArray]:
    count = data.mask.sum(axis=1)
    u = (data.x - (data.x.sum(axis=1) / count)[:, None]) * data.mask
    v = (data.y - (data.y.sum(axis=1) / count)[:, None]) * data.mask
    slope = (u * v).sum(axis=1) / (u * u).sum(axis=1)
    if not scatter:
        return slope, np.zeros_like(slope)
    squared = ((v - slope[:, None] * u) ** 2).sum(axis=1)
    return slope, squared / np.maximum(count - 2.0, 1.0)


def _iterate(data: _Lines, scatter: bool) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Slopes, τ² and which came to rest; lines that have are set aside on the way."""
    slope, tau2 = _starting_values(data, scatter)
    converged = np.zeros(slope.shape, dtype=np.bool_)
    estimated = (data.mask.sum(axis=1) > 2.0) & scatter
    stride = np.ones_like(slope)
    last = np.zeros_like(slope)
    rows = np.arange(slope.size)
    work = data
    for iteration in range(_MAX_ITERATIONS if slope.size else 0):
        b, t = slope[rows], tau2[rows]
        step = _york_step(work, b, t)
        squared = step.residuals * step.residuals
        move = reml_step(step.weights, squared, _unit_design(step)[0], t) - t
        move[~estimated[rows]] = 0.0
        close = _at_rest(work, step, b, move)
        if iteration >= _PATIENCE:
            # Longer strides along a slow approach, shorter ones across a swing.
            change = np.where(move * last[rows] < 0.0, 0.5, 1.25)
            stride[rows] = np.minimum(stride[rows] * change, 4.0)
        slope[rows], tau2[rows], last[rows] = (
            step.slope,
            np.maximum(t + np.where(close, 1.0, stride[rows]) * move, 0.0),
            move,
        )
        converged[rows] = close
        if close.all():
            break
        if 2 * np.count_nonzero(close) > close.size:
            rows, work = rows[~close], work.take(~close)
    return slope, tau2, converged


def _at_rest(work: _Lines, step: _Step, slope: FloatArray, move: FloatArray) -> BoolArray:
    total = step.weights.sum(axis=1)
    height = np.sqrt((step.weights * step.residuals**2).sum(axis=1) / total)
    width = np.ptp(np.where(work.mask > 0.0, work.x, step.mean_x[:, None]), axis=1)
    still = np.abs(step.slope - slope) <= _TOLERANCE * (np.abs(slope) + height / width)
    return np.asarray(still & (np.abs(move) <= 1e-10 / step.weights.max(axis=1)))


def fit_lines(
    x: FloatArray,
    y: FloatArray,
    sd_x: FloatArray,
    sd_y: FloatArray,
    mask: BoolArray,
    *,
    scatter: bool = True,
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

    Raises
    ------
    DataError
        Shapes differ, or a point that is not masked is not finite or has a negative error.
    """
    data = _checked(x, y, sd_x, sd_y, mask)
    count = data.mask.sum(axis=1)
    low = np.where(mask, data.x, np.inf).min(axis=1, initial=np.inf)
    high = np.where(mask, data.x, -np.inf).max(axis=1, initial=-np.inf)
    with np.errstate(invalid="ignore"):
        size = np.maximum(np.abs(low), np.abs(high))
        identified = (count >= 2.0) & (high - low > _ROUNDING * size)
    work = data.take(identified)
    return _assemble(work, identified, scatter, *_iterate(work, scatter))


def _checked(
    x: FloatArray, y: FloatArray, sd_x: FloatArray, sd_y: FloatArray, mask: BoolArray
) -> _Lines:
    arrays = [np.asarray(array, dtype=np.float64) for array in (x, y, sd_x, sd_y)]
    shapes = [array.shape for array in arrays] + [np.shape(mask)]
    if len(shapes[0]) != 2 or len(set(shapes)) > 1:
        msg = f"x, y, sd_x, sd_y and mask have the shapes {shapes}"
        raise DataError(msg, expected="one shape (lines, points) for all")
    filled = [np.where(mask, array, 0.0) for array in arrays]
    if not all(np.isfinite(array).all() for array in filled):
        msg = "a point to be fitted is not finite"
        raise DataError(msg, expected="finite values wherever the mask is True")
    if (filled[2] < 0.0).any() or (filled[3] < 0.0).any():
        msg = f"a standard error is {float(min(filled[2].min(), filled[3].min()))}"
        raise DataError(msg, expected="standard errors of 0 (unknown) or more")
    x_, y_, sx, sy = filled
    largest = np.maximum(np.abs(y_).max(axis=1, initial=0.0), 1e-20)
    floor = (_ROUNDING * largest) ** 2
    return _Lines(x_, y_, sx * sx, sy * sy, np.asarray(mask, dtype=np.float64), floor)


def _assemble(
    work: _Lines,
    identified: BoolArray,
    scatter: bool,
    slope: FloatArray,
    tau2: FloatArray,
    converged: BoolArray,
) -> LineFits:
    step = _york_step(work, slope, tau2)
    design, centre, width = _unit_design(step)
    df = np.maximum(work.mask.sum(axis=1) - 2.0, 0.0)
    chi = (step.weights * step.residuals * step.residuals).sum(axis=1)
    mean_square = np.where(df > 0.0, chi / np.maximum(df, 1.0), np.nan)
    phi = parameter_covariance(step.weights, design, (df > 0.0) & scatter)
    phi *= mean_square[:, None, None]
    # From (value at the centre, slope · width) to (intercept, slope).
    lever = (step.mean_x + centre) / width
    total = step.weights.sum(axis=1)[:, None]
    leverages = step.weights / total * (1.0 + design[..., 1] ** 2)

    def full(values: npt.NDArray[Any], rest: float = np.nan) -> npt.NDArray[Any]:
        every = np.full((identified.size, *values.shape[1:]), rest, dtype=values.dtype)
        every[identified] = values
        return every

    return LineFits(
        intercept=full(step.mean_y - slope * step.mean_x),
        slope=full(slope),
        intercept_variance=full(
            phi[:, 0, 0] - 2.0 * lever * phi[:, 0, 1] + lever * lever * phi[:, 1, 1]
        ),
        slope_variance=full(phi[:, 1, 1] / width**2),
        covariance=full((phi[:, 0, 1] - lever * phi[:, 1, 1]) / width),
        scatter=full(np.sqrt(tau2)),
        mean_square=full(mean_square),
        df=full(df.astype(np.int64), 0),
        identified=identified,
        converged=full(converged, False),
        weights=full(step.weights, 0.0),
        residuals=full(step.residuals, 0.0),
        leverages=full(leverages, 0.0),
        adjusted=full((step.mean_x[:, None] + step.adjusted) * work.mask, 0.0),
    )
