"""Linear model with a random intercept per batch, and small-sample inference about it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtr, stdtr, stdtrit

from strandwise.errors import DataError
from strandwise.tracking.reml import BlockModel, estimate_variances
from strandwise.tracking.small_sample import (
    adjusted_covariance,
    contrast_df,
    variance_covariance,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["ContrastEstimate", "MixedFit", "design_degrees", "fit_mixed_model"]

_RANK_TOLERANCE = 1e-9
_EXACT = 1e-12  # residuals below this part of the response are rounding, not scatter
# Test scatter below this part of the total scatter is not told from none: V would be singular.
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
    """A fitted model y = Xβ + b_batch + ε.

    Parameters
    ----------
    beta
        Coefficients, shape (p,).
    covariance
        Their covariance with the Kenward–Roger adjustment, shape (p, p); zeros where the data
        leave no scatter or have none.
    covariance_unadjusted
        (Xᵀ V⁻¹ X)⁻¹.
    batch_sd
        σ_b; None where it is not estimable: the design takes up every difference between
        batches, or no batch was measured more often than the design uses up.
    residual_sd
        σ_w, scatter beyond the known variances; None without any residual degree of freedom.
        Where `batch_sd` is None it holds what both would have told.
    within_sd
        Scatter of the rows about their own batch after the design, known variances included and
        with no model for them; None without degrees of freedom for it.
    batches, batch_effects
        Names in order of appearance, and b of each, shrunk towards zero (best linear unbiased
        prediction).
    reml_criterion
        −2 · restricted log-likelihood, constants included; None for an exact or saturated fit.
    between_df, within_df
        Degrees of freedom that only batches, and that only rows within batches, leave.
    exact
        The response fits without scatter, to rounding.
    overstatement_p
        Probability that the scatter within batches is this small when the known variances are
        right; None without known variances.
    rounding
        Values at or below this are not told from zero.
    """

    beta: FloatArray
    covariance: FloatArray
    covariance_unadjusted: FloatArray
    batch_sd: float | None
    residual_sd: float | None
    within_sd: float | None
    batches: tuple[str, ...]
    batch_effects: FloatArray
    reml_criterion: float | None
    between_df: int
    within_df: int
    exact: bool
    overstatement_p: float | None
    rounding: float
    variance_gradient: FloatArray
    variance_covariance: FloatArray

    @property
    def df(self) -> int:
        """Rows less coefficients."""
        return self.between_df + self.within_df

    def contrast(self, weights: ArrayLike) -> ContrastEstimate:
        """Estimate Σ wᵢβᵢ with Student's t on Kenward–Roger degrees of freedom.

        For one contrast the Kenward–Roger df are 2v²/(gᵀWg), with v the unadjusted variance, g
        its gradient in the variance components and W the covariance of these; the scale factor
        is then 1 (Kenward & Roger, Biometrics 53 (1997) 983). They are not taken below 1.

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
        sd = float(np.sqrt(adjusted if adjusted > 0.0 else unadjusted))
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
    columns: Sequence[str] | None = None,
) -> MixedFit:
    """Fit y = Xβ + b_batch + ε, b ~ N(0, σ_b²), ε ~ N(0, σ_w² + d).

    REML for σ_b² ≥ 0 and σ_w² ≥ 0, generalised least squares for β, and the Kenward–Roger
    adjusted covariance Φ + 2Φ[Σ Wᵢⱼ(Qᵢⱼ − PᵢΦPⱼ)]Φ (Kenward & Roger, Biometrics 53 (1997) 983;
    V is linear in the variances, so their R term is zero). Variances that come out at zero stay
    in the adjustment: that they may not be zero still costs degrees of freedom.

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
    columns
        Names of the design's columns for messages.

    Raises
    ------
    DataError
        Shapes that do not agree, values that are not finite, a negative known variance, a
        column that is a combination of the columns before it, fewer rows than columns.
    """
    y, X, d = _checked(response, design, groups, known_variance)
    q = _orthonormal(X, columns)
    batches, group = _numbered(groups)
    between_df, within_df = _degrees_of_freedom(q, group, len(batches))
    df = between_df + within_df
    scale = _residual_sd(y, q, df) if df else 0.0
    rounding = _EXACT * max(1.0, float(np.max(np.abs(y))))
    exact = df > 0 and scale <= rounding and float(np.min(d)) <= rounding**2
    make = partial(
        MixedFit,
        batches=batches,
        between_df=between_df,
        within_df=within_df,
        exact=exact,
        rounding=1e3 * rounding,
    )
    if df == 0 or exact:
        return _without_scatter(y, X, len(batches), exact=exact, make=make)
    unit = max(scale, float(np.sqrt(np.mean(d))))
    model = BlockModel(y / unit, X, group, len(batches), d / unit**2)
    return _with_scatter(model, unit, between_df, within_df, make)


def design_degrees(design: ArrayLike, groups: Sequence[str]) -> tuple[int, int] | None:
    """Degrees of freedom that batches, and that rows within batches, leave beside a design.

    Parameters
    ----------
    design
        Shape (N, p).
    groups
        Batch of each row, length N.

    Returns
    -------
    (between, within); None where a column is a combination of the others.
    """
    X = np.asarray(design, dtype=np.float64)
    if X.shape[0] < X.shape[1]:
        return None
    try:
        q = _orthonormal(X, None)
    except DataError:
        return None
    batches, group = _numbered(groups)
    return _degrees_of_freedom(q, group, len(batches))


def _with_scatter(
    model: BlockModel, unit: float, between_df: int, within_df: int, make: partial[MixedFit]
) -> MixedFit:
    split = between_df > 0 and within_df > 0
    d = model.known_variance
    least = max(_FLOOR**2, _WIDEST_RATIO * float(np.max(d)))
    floor = max(0.0, least - float(np.min(d)))
    at = estimate_variances(model, with_batch=split, floor=floor)
    kept = np.array([split, True])
    W = variance_covariance(at, kept)
    batch_variance, residual_variance = at.variances
    solved = at.solve(at.residual[:, None])[:, 0]
    within_sd, overstatement_p = _within_scatter(model, within_df)
    return make(
        beta=at.coefficients * unit,
        covariance=adjusted_covariance(at, W) * unit**2,
        covariance_unadjusted=at.covariance * unit**2,
        batch_sd=float(np.sqrt(batch_variance)) * unit if split else None,
        residual_sd=float(np.sqrt(residual_variance)) * unit if residual_variance > floor else 0.0,
        within_sd=None if within_sd is None else within_sd * unit,
        batch_effects=batch_variance * model.group_sum(solved) * unit,
        reml_criterion=at.criterion + 2.0 * (between_df + within_df) * float(np.log(unit)),
        overstatement_p=overstatement_p,
        # In the unit that leaves the variances' own covariance without one.
        variance_gradient=at.first_products / unit**2,
        variance_covariance=W,
    )


def _without_scatter(
    y: FloatArray, X: FloatArray, batch_count: int, *, exact: bool, make: partial[MixedFit]
) -> MixedFit:
    size = X.shape[1]
    return make(
        beta=np.linalg.lstsq(X, y)[0],
        covariance=np.zeros((size, size)),
        covariance_unadjusted=np.zeros((size, size)),
        batch_sd=0.0 if exact else None,
        residual_sd=0.0 if exact else None,
        within_sd=0.0 if exact else None,
        batch_effects=np.zeros(batch_count),
        reml_criterion=None,
        overstatement_p=None,
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


def _orthonormal(X: FloatArray, columns: Sequence[str] | None) -> FloatArray:
    """Orthonormal basis of the columns of X, (N, p); names the first column that adds nothing."""
    q = np.zeros_like(X)
    for index in range(X.shape[1]):
        column = X[:, index]
        rest = column - q @ (q.T @ column)
        rest -= q @ (q.T @ rest)
        length = float(np.linalg.norm(rest))
        if length <= _RANK_TOLERANCE * float(np.linalg.norm(column)) or length == 0.0:
            name = repr(columns[index]) if columns else f"number {index}"
            msg = f"design column {name} is a combination of the columns before it"
            raise DataError(msg, expected="independent columns", hint="leave it out")
        q[:, index] = rest / length
    return q


def _numbered(groups: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    number: dict[str, int] = {}
    index = [number.setdefault(name, len(number)) for name in groups]
    return tuple(number), np.asarray(index, dtype=np.intp)


def _degrees_of_freedom(q: FloatArray, group: NDArray[np.intp], count: int) -> tuple[int, int]:
    """Rank of the batches beyond the design, and what is left for rows within batches."""
    by_group = np.zeros((count, q.shape[1]))
    np.add.at(by_group, group, q)
    sizes = np.bincount(group, minlength=count).astype(np.float64)
    scaled = by_group / np.sqrt(sizes)[:, None]
    eigenvalues = np.linalg.eigvalsh(np.eye(count) - scaled @ scaled.T)
    between = int(np.sum(eigenvalues > _RANK_TOLERANCE))
    return between, q.shape[0] - q.shape[1] - between


def _residual_sd(y: FloatArray, q: FloatArray, df: int) -> float:
    residual = y - q @ (q.T @ y)
    # A second pass, as the rounding of the first must not look like scatter.
    residual -= q @ (q.T @ residual)
    return float(np.sqrt(residual @ residual / df))


def _within_scatter(model: BlockModel, within_df: int) -> tuple[float | None, float | None]:
    """Scatter about the batches' own levels, and how likely so little is if d is right."""
    if within_df == 0:
        return None, None
    plain = _within_sum_of_squares(model, np.ones_like(model.response))
    within_sd = float(np.sqrt(plain / within_df))
    if float(np.min(model.known_variance)) <= 0.0:
        return within_sd, None
    weighted = _within_sum_of_squares(model, 1.0 / model.known_variance)
    return within_sd, float(chdtr(within_df, weighted))


def _within_sum_of_squares(model: BlockModel, weight: FloatArray) -> float:
    rows = np.column_stack([model.design, model.response])
    total = model.group_sum(weight)[:, None]
    mean = model.group_sum(weight[:, None] * rows) / total
    inner = np.sqrt(weight)[:, None] * (rows - mean[model.group])
    fitted = np.linalg.lstsq(inner[:, :-1], inner[:, -1], rcond=_RANK_TOLERANCE)[0]
    return float(np.sum((inner[:, -1] - inner[:, :-1] @ fitted) ** 2))
