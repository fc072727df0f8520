"""Linear model with a level and a slope that batches draw at random, and inference about it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtr, stdtr, stdtrit

from strandwise.errors import DataError
from strandwise.tracking.random_effects import (
    degrees_of_freedom,
    numbered,
    orthonormal,
    random_effects_model,
)
from strandwise.tracking.reml import Evaluation, estimate_variances
from strandwise.tracking.small_sample import (
    adjusted_covariance,
    contrast_df,
    variance_covariance,
    with_shared,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from strandwise.tracking.random_effects import Classes, Degrees
    from strandwise.tracking.reml import BlockModel

    FloatArray = NDArray[np.float64]

__all__ = ["ContrastEstimate", "MixedFit", "fit_mixed_model"]

_RANK_TOLERANCE = 1e-9
_EXACT = 1e-12  # residuals below this part of the response are rounding, not scatter
# Scatter below this part of the total is not told from none; of tests, V would be singular.
_FLOOR = 1e-5
_WIDEST_RATIO = 1e-7  # of variances: beyond it the traces of the likelihood cancel to rounding


@dataclass(frozen=True)
class ContrastEstimate:
    """Estimate of one combination of the coefficients.

    Parameters
    ----------
    value
        The combination, unit of the response.
    sd
        Its standard error, small-sample adjusted; None where the data leave no scatter to
        judge from.
    df
        Degrees of freedom of Student's t.
    t, p
        Value over standard error, and the two-sided p-value of zero; t is None where sd is 0.
    ci95
        95 % interval.
    """

    value: float
    sd: float | None = None
    df: float | None = None
    t: float | None = None
    p: float | None = None
    ci95: tuple[float, float] | None = None

    @property
    def probability_below_zero(self) -> float | None:
        """Probability that the true value is below zero, from these data alone (flat prior)."""
        if self.sd is None or self.df is None:
            return None
        if self.t is None:
            return 0.5 if self.p == 1.0 else float(self.value < 0)
        return float(stdtr(self.df, -self.t))


@dataclass(frozen=True, eq=False, kw_only=True)
class MixedFit:
    """A fitted model y = Xβ + b_batch + s_batch·x + ε.

    Parameters
    ----------
    beta
        Coefficients, shape (p,).
    covariance
        Their covariance with the Kenward–Roger adjustment, and with what shared errors add where
        they are the same in all rows, shape (p, p); zeros where the data leave no scatter or
        have none.
    covariance_unadjusted
        (Xᵀ V⁻¹ X)⁻¹.
    shared_effects
        What one standard deviation of each group's shared error does to `beta`, shape (p, k).
    batch_sds
        σ_b of each class of batches; None where it is not estimable: the design takes up every
        difference between batches, or no batch was measured more often than the design uses up.
    residual_sds
        σ_w of each class of rows, scatter beyond the known variances; None without any residual
        degree of freedom. Where `batch_sds` is None it holds what both would have told.
    slope_sd
        σ_s; None where it is not estimable (or not asked for), and slopes are then taken as alike.
    within_sd
        Scatter of the rows about their own batch's level (and slope, where there is a `slope_sd`)
        after the design, known variances included and with no model for them; None without
        degrees of freedom for it.
    batches, batch_effects, batch_slopes
        Names in order of appearance, and b and s of each, shrunk towards zero (best linear
        unbiased prediction).
    reml_criterion
        −2 · restricted log-likelihood, constants included; None for an exact or saturated fit.
    between_df, slope_df, within_df
        Degrees of freedom that the batches' levels, then their slopes, then the rows within
        batches leave; `slope_df` is 0 where there is no `slope_sd`.
    exact
        The response fits without scatter, to rounding.
    overstatement_p
        Probability that the scatter within batches is this small when the known variances are
        right; None without known variances.
    rounding
        Values at or below this are not told from zero.
    variances, variance_gradient, variance_covariance
        The variances in the order of the model; −Xᵀ V⁻¹ V_i V⁻¹ X and the covariance of the
        estimated variances, in a unit of their own.
    """

    beta: FloatArray
    covariance: FloatArray
    covariance_unadjusted: FloatArray
    shared_effects: FloatArray
    batch_sds: tuple[float, ...] | None
    residual_sds: tuple[float, ...] | None
    slope_sd: float | None
    within_sd: float | None
    batches: tuple[str, ...]
    batch_effects: FloatArray
    batch_slopes: FloatArray
    reml_criterion: float | None
    between_df: int
    slope_df: int
    within_df: int
    exact: bool
    overstatement_p: float | None
    rounding: float
    variances: FloatArray
    variance_gradient: FloatArray
    variance_covariance: FloatArray

    @property
    def df(self) -> int:
        """Rows less coefficients."""
        return self.between_df + self.slope_df + self.within_df

    @property
    def batch_sd(self) -> float | None:
        """σ_b, the largest where batches are not taken as alike."""
        return None if self.batch_sds is None else max(self.batch_sds)

    @property
    def residual_sd(self) -> float | None:
        """σ_w, the largest where rows are not taken as alike."""
        return None if self.residual_sds is None else max(self.residual_sds)

    def contrast(self, weights: ArrayLike) -> ContrastEstimate:
        """Estimate Σ wᵢβᵢ with Student's t on Kenward–Roger degrees of freedom.

        For one contrast the Kenward–Roger df are 2v²/(gᵀWg), with v the unadjusted variance, g
        its gradient in the variance components and W the covariance of these; the scale factor
        is then 1 (Kenward & Roger, Biometrics 53 (1997) 983). They are not taken below 1. What
        rows share is added whole, see `with_shared`.

        Parameters
        ----------
        weights
            Shape (p,).

        Raises
        ------
        DataError
            Weights of another shape.
        """
        w = np.asarray(weights, dtype=np.float64)
        if w.shape != self.beta.shape:
            msg = f"a contrast of shape {w.shape} for {self.beta.size} coefficients"
            raise DataError(msg, expected=f"shape {self.beta.shape}")
        value = float(w @ self.beta)
        if self.df == 0:
            return ContrastEstimate(value)
        if self.exact:
            p = 1.0 if abs(value) <= self.rounding else 0.0
            return ContrastEstimate(value, 0.0, float(self.df), None, p, (value, value))
        unadjusted = float(w @ self.covariance_unadjusted @ w)
        adjusted = float(w @ self.covariance @ w)
        if unadjusted <= 0.0:  # the zero contrast
            return ContrastEstimate(value, 0.0, float(self.df), None, 1.0, (value, value))
        df = contrast_df(
            w,
            self.covariance_unadjusted,
            self.variance_gradient,
            self.variance_covariance,
            limit=self.df,
        )
        effects = w @ self.shared_effects
        adjusted -= float(np.sum(effects)) ** 2
        variance, df = with_shared(adjusted if adjusted > 0.0 else unadjusted, df, effects)
        sd = float(np.sqrt(variance))
        t = value / sd
        p = 2.0 * float(stdtr(df, -abs(t)))
        half = float(stdtrit(df, 0.975)) * sd
        return ContrastEstimate(value, sd, df, t, p, (value - half, value + half))


def fit_mixed_model(
    response: ArrayLike,
    design: ArrayLike,
    groups: Sequence[str],
    known_variance: ArrayLike | None = None,
    *,
    slopes: ArrayLike | None = None,
    classes: Classes | None = None,
    shared: ArrayLike | None = None,
    columns: Sequence[str] | None = None,
    start: MixedFit | None = None,
) -> MixedFit:
    """Fit y = Xβ + b_batch + s_batch·x + ε, b ~ N(0, σ_b²), s ~ N(0, σ_s²), ε ~ N(0, σ_w² + d).

    REML for the variances, none below zero, generalised least squares for β, and the
    Kenward–Roger adjusted covariance Φ + 2Φ[Σ Wᵢⱼ(Qᵢⱼ − PᵢΦPⱼ)]Φ (Kenward & Roger, Biometrics 53
    (1997) 983; V is linear in the variances, so their R term is zero). Variances that come out at
    zero stay in the adjustment: that they may not be zero still costs degrees of freedom.

    A known variance that is larger than the scatter shows leaves σ_w = 0 and intervals from
    the known variance: wider than the scatter alone would give. A common error of all readings
    does not show in their scatter, so the scatter is no ground to narrow them.

    Parameters
    ----------
    response
        y, shape (N,).
    design
        X, shape (N, p), of full column rank.
    groups
        Batch of each row, length N.
    known_variance
        d, shape (N,), unit of y squared, zero or more; None for none.
    slopes
        x, shape (N,); b and s are independent where x is 0. None: batches do not differ in slope.
    classes
        Batches and rows whose spread is not taken as alike; None: all are.
    shared
        Standard deviation of the error that the rows of one group have in common, one column for
        each group, shape (N, k), in the unit of y; not part of `known_variance`.
    columns
        Names of the design's columns for messages.
    start
        A fit of nearly the same data, whose variances are near.

    Raises
    ------
    DataError
        Shapes that do not agree, values that are not finite, a negative known variance, a
        column that is a combination of the columns before it, fewer rows than columns.
    """
    y, X, d = _checked(response, design, groups, known_variance)
    q = orthonormal(X, columns)
    batches, group = numbered(groups)
    x = None if slopes is None else np.asarray(slopes, dtype=np.float64)
    if x is not None and (x.shape != y.shape or not np.all(np.isfinite(x))):
        msg = f"slopes of shape {x.shape} for {y.size} rows"
        raise DataError(msg, expected="one finite number for each row")
    degrees = degrees_of_freedom(q, group, x)
    df = sum(degrees)
    scale = _residual_sd(y, q, df) if df else 0.0
    rounding = _EXACT * max(1.0, float(np.max(np.abs(y))))
    exact = df > 0 and scale <= rounding and float(np.min(d)) <= rounding**2
    common = np.zeros((y.size, 0)) if shared is None else np.asarray(shared, dtype=np.float64)
    make = partial(
        MixedFit,
        batches=batches,
        between_df=degrees[0],
        slope_df=degrees[1],
        within_df=degrees[2],
        exact=exact,
        rounding=1e3 * rounding,
    )
    if df == 0 or exact:
        return _without_scatter(y, X, common, len(batches), exact=exact, make=make)
    unit = max(scale, float(np.sqrt(np.mean(d))))
    model, free = random_effects_model(
        y / unit, X, group, d / unit**2, degrees, slopes=x, classes=classes
    )
    return _with_scatter(model, free, unit, common, degrees, make, start)


def _with_scatter(
    model: BlockModel,
    free: NDArray[np.bool_],
    unit: float,
    common: FloatArray,
    degrees: Degrees,
    make: partial[MixedFit],
    start: MixedFit | None,
) -> MixedFit:
    d = model.known_variance
    least = max(_FLOOR**2, _WIDEST_RATIO * float(np.max(d)))
    floor = max(0.0, least - float(np.min(d)))
    near = None if start is None else start.variances / unit**2
    if near is not None and near.shape != free.shape:
        near = None
    at = estimate_variances(model, free=free, floor=floor, start=near)
    W = variance_covariance(at, free)
    has_slope = degrees[1] > 0
    levels = model.random_count - has_slope
    mean_square = np.mean(model.random**2, axis=0)
    random = at.variances[: model.random_count]
    random = np.where(random * mean_square > _FLOOR**2, random, 0.0)
    of_levels, of_rows = random[:levels], at.variances[model.random_count :]
    within_sd, overstatement_p = _within_scatter(model, degrees[2])
    sds = [float(np.sqrt(one)) * unit for one in of_levels]
    effects = at.random_effects * unit
    moved = at.covariance @ at.solved_design.T @ common
    together = np.sum(moved, axis=1)
    return make(
        beta=at.coefficients * unit,
        covariance=adjusted_covariance(at, W) * unit**2 + np.outer(together, together),
        covariance_unadjusted=at.covariance * unit**2,
        shared_effects=moved,
        batch_sds=tuple(sds) if free[0] else None,
        residual_sds=tuple(float(np.sqrt(one)) * unit if one > floor else 0.0 for one in of_rows),
        slope_sd=float(np.sqrt(random[levels])) * unit if has_slope else None,
        within_sd=None if within_sd is None else within_sd * unit,
        batch_effects=np.sum(effects[:, :levels], axis=1),
        batch_slopes=effects[:, levels] if has_slope else np.zeros(effects.shape[0]),
        reml_criterion=at.criterion + 2.0 * sum(degrees) * float(np.log(unit)),
        overstatement_p=overstatement_p,
        # In the unit that leaves the variances' own covariance without one.
        variances=at.variances * unit**2,
        variance_gradient=at.first_products / unit**2,
        variance_covariance=W,
    )


def _without_scatter(
    y: FloatArray,
    X: FloatArray,
    common: FloatArray,
    batch_count: int,
    *,
    exact: bool,
    make: partial[MixedFit],
) -> MixedFit:
    size = X.shape[1]
    none = (0.0,) if exact else None
    return make(
        beta=np.linalg.lstsq(X, y)[0],
        covariance=np.zeros((size, size)),
        covariance_unadjusted=np.zeros((size, size)),
        shared_effects=np.linalg.lstsq(X, common)[0],
        batch_sds=none,
        residual_sds=none,
        slope_sd=0.0 if exact and make.keywords["slope_df"] else None,
        within_sd=0.0 if exact else None,
        batch_effects=np.zeros(batch_count),
        batch_slopes=np.zeros(batch_count),
        reml_criterion=None,
        overstatement_p=None,
        variances=np.zeros(2),
        variance_gradient=np.zeros((2, size, size)),
        variance_covariance=np.zeros((2, 2)),
    )


def _checked(
    response: ArrayLike,
    design: ArrayLike,
    groups: Sequence[str],
    known_variance: ArrayLike | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    y = np.asarray(response, dtype=np.float64)
    X = np.asarray(design, dtype=np.float64)
    d = np.zeros(y.shape) if known_variance is None else np.asarray(known_variance, np.float64)
    if y.ndim != 1 or X.ndim != 2 or X.shape[0] != y.size or d.shape != y.shape:
        msg = f"response {y.shape}, design {X.shape} and known variance {d.shape} do not agree"
        raise DataError(msg, expected="shapes (N,), (N, p) and (N,)")
    if len(groups) != y.size:
        msg = f"{len(groups)} batch names for {y.size} rows"
        raise DataError(msg, expected="one for each row")
    for name, values in (("response", y), ("design", X), ("known variance", d)):
        if not np.all(np.isfinite(values)):
            msg = f"the {name} holds a value that is not finite"
            raise DataError(msg, expected="finite numbers", hint="leave such rows out")
    if np.any(d < 0):
        msg = f"a known variance is {float(np.min(d))!r}"
        raise DataError(msg, expected="zero or more")
    if y.size < X.shape[1]:
        msg = f"{y.size} rows cannot give {X.shape[1]} coefficients"
        raise DataError(msg, expected="at least as many rows as coefficients")
    return y, X, d


def _residual_sd(y: FloatArray, q: FloatArray, df: int) -> float:
    residual = y - q @ (q.T @ y)
    # A second pass, as the rounding of the first must not look like scatter.
    residual -= q @ (q.T @ residual)
    return float(np.sqrt(residual @ residual / df))


def _within_scatter(model: BlockModel, within_df: int) -> tuple[float | None, float | None]:
    """Scatter beside the batches' own columns, and how likely so little is if d is right."""
    if within_df == 0:
        return None, None
    even = dataclasses.replace(model, known_variance=np.zeros_like(model.response))
    within_sd = float(np.sqrt(_within_sum_of_squares(even, 1.0) / within_df))
    if float(np.min(model.known_variance)) <= 0.0:
        return within_sd, None
    return within_sd, float(chdtr(within_df, _within_sum_of_squares(model, 0.0)))


def _within_sum_of_squares(model: BlockModel, scatter: float) -> float:
    """Weighted squares with every batch's own columns free."""
    variances = np.zeros(model.random_count + model.classes.shape[0])
    variances[model.random_count :] = scatter
    at = Evaluation(model, variances)
    inner, _ = at.split(np.column_stack([model.design, model.response]))
    fitted = np.linalg.lstsq(inner[:, :-1], inner[:, -1], rcond=_RANK_TOLERANCE)[0]
    return float(np.sum((inner[:, -1] - inner[:, :-1] @ fitted) ** 2))
