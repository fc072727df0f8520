"""Rate laws of many batches: arrays or `RateSeries` in, `RateFit` out.

The power law of all batches is one pass over padded arrays (`strandwise.ratelaw.lines`). Other
laws are fitted one batch after the other by `strandwise.ratelaw.nonlinear`, which is not imported
here because it takes a second to load.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError, RequestError
from strandwise.ratelaw.assemble import (
    LogPoints,
    Solution,
    log_points,
    rate_fit,
    unresolved_reason,
)
from strandwise.ratelaw.laws import law_named
from strandwise.ratelaw.lines import LineFits, fit_lines
from strandwise.ratelaw.outliers import with_outliers_named
from strandwise.ratelaw.temperature import temperature_reason
from strandwise.ratelaw.warm import warm_power_law

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from strandwise.ratelaw.results import RateFit
    from strandwise.ratelaw.series import RateSeries

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

_ELSEWHERE = ("segmented", "auto")

__all__ = [
    "common_reference_pressure",
    "fit_batches",
    "fit_exponents",
    "fit_power_laws",
    "power_law",
    "reference_pressures",
]


def fit_power_laws(
    ln_pressure: FloatArray,
    ln_rate: FloatArray,
    sd_ln_pressure: FloatArray,
    sd_ln_rate: FloatArray,
    mask: BoolArray,
    *,
    ln_reference: FloatArray | float = 0.0,
    scatter: bool = True,
    covariance: FloatArray | None = None,
) -> LineFits:
    """Fit ln r = ln r0 + n·ln(P/P0) to every batch in one pass.

    Parameters
    ----------
    ln_pressure, ln_rate
        Logarithms of pressure (Pa) and rate (m/s), shape (batches, points).
    sd_ln_pressure, sd_ln_rate
        Their standard uncertainties (relative ones of P and r), 0 where unknown; same shape.
    mask
        True where there is a point; same shape.
    ln_reference
        ln P0, one for all or shape (batches,).
    scatter
        Estimate the test-to-test scatter τ; False takes the stated uncertainties as all there is.
    covariance
        Of the errors of ln P and ln r, same shape as they; None: they are independent.

    Returns
    -------
    Lines whose intercept is ln r0 and whose slope is n.

    Raises
    ------
    DataError
        As `strandwise.ratelaw.lines.fit_lines`.
    """
    reference = np.reshape(np.asarray(ln_reference, dtype=np.float64), (-1, 1))
    x = np.where(mask, ln_pressure - reference, 0.0)
    return fit_lines(
        x, ln_rate, sd_ln_pressure, sd_ln_rate, mask, scatter=scatter, covariance=covariance
    )


def fit_batches(
    series: Sequence[RateSeries],
    *,
    law: str = "power",
    reference_pressure: float | Sequence[float] | None = None,
    reference_temperature: float | None = None,
) -> list[RateFit]:
    """Fit the power law to each series.

    Where the tests of a series span more than 10 K, and their temperatures allow, the law has a
    third parameter, σ_p: ln r = ln r0 + n·ln(P/P0) + σ_p·(T − T0).

    Parameters
    ----------
    series
        One for each batch or pool.
    law
        Only ``power``; the others are in `strandwise.ratelaw.nonlinear.fit_batches_nonlinear`.
    reference_pressure
        P0, absolute, Pa, one for all or one for each; None: `common_reference_pressure`.
    reference_temperature
        T0, K, where the temperature is fitted; None: the mean of each series.

    Returns
    -------
    One fit for each series, in order; where the points decide no law its values are None and a
    caution says which test to add.

    Raises
    ------
    RequestError
        Another law, or one that does not exist.
    DataError
        A reference pressure that is not positive, or not one for each series; a reference
        temperature that is not positive.
    """
    if law in _ELSEWHERE or law_named(law).name != "power":
        msg = f"the {law} law is not fitted by fit_batches"
        raise RequestError(msg, hint="use strandwise.ratelaw.nonlinear.fit_batches_nonlinear")
    references = reference_pressures(series, reference_pressure)
    points = [log_points(one) for one in series]
    reasons = [unresolved_reason(one) for one in points]
    lines = _all_lines(points, reasons, np.log(references))
    fits = []
    for row, batch in enumerate(series):
        solution = None
        reference = float(references[row])
        if not reasons[row] and temperature_reason(batch, 2):
            solution = _solution(lines, row, len(batch.tests))
        elif not reasons[row]:
            solution = warm_power_law(batch, reference, reference_temperature)
        fits.append(rate_fit(batch, "power", reference, solution, reasons[row], points[row]))
    return with_outliers_named(fits)


def _all_lines(
    points: Sequence[LogPoints], reasons: Sequence[str], ln_reference: FloatArray
) -> LineFits:
    size = max((one.ln_rate.size for one in points), default=0)
    x, y, sd_x, sd_y, cov = np.zeros((5, len(points), size))
    mask = np.zeros((len(points), size), dtype=np.bool_)
    for row, one in enumerate(points):
        k = one.ln_rate.size
        x[row, :k], sd_x[row, :k] = one.ln_pressure, one.sd_ln_pressure
        y[row, :k], sd_y[row, :k] = one.ln_rate, one.sd_ln_rate
        cov[row, :k] = one.covariance
        mask[row, :k] = not reasons[row]
    correlated = cov if cov.any() else None
    return fit_power_laws(x, y, sd_x, sd_y, mask, ln_reference=ln_reference, covariance=correlated)


def fit_exponents(series: Sequence[RateSeries]) -> list[float | None]:
    """Give the exponent alone of each series, as `fit_batches` does, in a tenth of its time.

    For what only needs the exponent of many batches, such as the mean pressure of a test during
    which it moved. None where the points decide none.
    """
    points = [log_points(one) for one in series]
    reasons = [unresolved_reason(one) for one in points]
    slopes = _all_lines(points, reasons, np.zeros(len(points))).slope.tolist()
    return [
        None
        if reasons[row]
        else slopes[row]
        if temperature_reason(one, 2)
        else warm_power_law(one, common_reference_pressure([one]), None).n
        for row, one in enumerate(series)
    ]


def power_law(series: RateSeries, reference: float, temperature: float | None = None) -> Solution:
    """Fit the power law to one series that decides one, as `fit_batches` does."""
    if not temperature_reason(series, 2):
        return warm_power_law(series, reference, temperature)
    points = log_points(series)
    lines = fit_power_laws(
        points.ln_pressure[None],
        points.ln_rate[None],
        points.sd_ln_pressure[None],
        points.sd_ln_rate[None],
        np.ones((1, points.ln_rate.size), dtype=np.bool_),
        ln_reference=float(np.log(reference)),
        covariance=points.covariance[None],
    )
    return _solution(lines, 0, points.ln_rate.size)


def _solution(lines: LineFits, row: int, k: int) -> Solution:
    v0, v1 = lines.intercept_variance[row], lines.slope_variance[row]
    cross = lines.covariance[row]
    return Solution(
        ln_r0=float(lines.intercept[row]),
        n=float(lines.slope[row]),
        covariance=np.array([[v0, cross], [cross, v1]]),
        scatter=float(lines.scatter[row]),
        mean_square=float(lines.mean_square[row]),
        converged=bool(lines.converged[row]),
        weights=lines.weights[row, :k],
        residuals=lines.residuals[row, :k],
        leverages=lines.leverages[row, :k],
        adjusted=lines.adjusted[row, :k],
    )


def common_reference_pressure(series: Sequence[RateSeries]) -> float:
    """Geometric mean of all pressures tested, Pa: one P0 at which all batches compare.

    Raises
    ------
    DataError
        There is no point.
    """
    pressures = np.concatenate([one.pressure for one in series]) if series else np.empty(0)
    if pressures.size == 0:
        msg = "there is no rate point to choose a reference pressure by"
        raise DataError(msg, hint="record a test, or give a reference pressure")
    return float(np.exp(np.log(pressures).mean()))


def reference_pressures(
    series: Sequence[RateSeries], given: float | Sequence[float] | None
) -> FloatArray:
    """P0 for each series, Pa, shape (series,); see `fit_batches`.

    Raises
    ------
    DataError
        Not positive, or not one for each.
    """
    if not series:
        return np.empty(0)
    chosen = common_reference_pressure(series) if given is None else given
    values = np.asarray(chosen, dtype=np.float64)
    if values.shape not in ((), (len(series),)):
        msg = f"{values.size} reference pressures were given for {len(series)} series"
        raise DataError(msg, expected="one for all, or one for each")
    if not (np.isfinite(values) & (values > 0.0)).all():
        msg = f"a reference pressure is {values.tolist()} Pa"
        raise DataError(msg, expected="a positive absolute pressure")
    return np.broadcast_to(values, (len(series),))
