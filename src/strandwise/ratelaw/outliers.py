"""Tests that stand out from their batch's law: named with the evidence, never dropped."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.errors import DataError
from strandwise.findings import Caution

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from strandwise.ratelaw.results import RateFit

    FloatArray = npt.NDArray[np.float64]

__all__ = ["grubbs_critical", "with_outliers_named"]

LEVEL = 0.05
_OTHERS = 3
_ROUNDING = 1e-9


def grubbs_critical(
    n: int,
    alpha: float = 0.05,
    *,
    two_sided: bool = True,
    regression: bool = False,
    parameters: int = 2,
) -> float:
    """Critical value for the largest standardised deviation of `n` values (ASTM E178).

    G = (n − 1)/√n · √(t²/(n − 2 + t²)), t the upper α/n (two-sided: α/2n) point of Student's t
    with n − 2 degrees of freedom, for deviations from a mean over the sample's standard
    deviation. With `regression` for residuals of a curve of so many `parameters` over their own
    standard deviation, √(ν·t²/(ν − 1 + t²)) with ν = n − parameters and t with ν − 1 degrees of
    freedom (the same formula with the curve's degrees of freedom; Lund, Technometrics 17 (1975)
    473).

    Raises
    ------
    DataError
        Fewer than 3 values (parameters + 2 for a regression), or a level outside 0 to 1.
    """
    if n < (parameters + 2 if regression else 3) or not 0.0 < alpha < 1.0:
        msg = f"no outlier test exists for {n} values at level {alpha}"
        raise DataError(
            msg,
            expected="3 values or more (parameters + 2 about a curve) and a level in (0, 1)",
        )
    tail = alpha / (2.0 * n if two_sided else n)
    nu = n - parameters if regression else n - 1
    t2 = float(stdtrit(nu - 1, tail)) ** 2
    studentised = math.sqrt(nu * t2 / (nu - 1.0 + t2))
    return studentised if regression else studentised * math.sqrt((n - 1.0) / n)


def with_outliers_named(fits: Sequence[RateFit]) -> list[RateFit]:
    """Add a caution to each fit whose largest residual is too large for chance.

    With three or more other batches that tell their own scatter, the residual is held against
    theirs (the median of their residual variances, which one bad batch cannot inflate) by
    Student's t at 5 % shared among all tests: six strands alone can hardly tell a bad one from a
    wide scatter. Otherwise Grubbs's test about the batch's own line, at 5 % (ASTM E178).

    Returns
    -------
    The fits in their order; at most one test is named in each.
    """
    total = sum(fit.points for fit in fits)
    telling = [
        fit.df >= 2 and fit.residual_sd is not None and fit.residual_sd > _ROUNDING for fit in fits
    ]
    # The median of chi-square/ν is about (1 − 2/(9ν))³ (Wilson and Hilferty 1931); a median is
    # worth 2/π of the observations of a mean.
    variances = np.array(
        [
            (fit.residual_sd or 0.0) ** 2 / (1.0 - 2.0 / (9.0 * fit.df)) ** 3
            for fit, tells in zip(fits, telling, strict=True)
            if tells
        ]
    )
    order = np.sort(variances)
    free = sum(fit.df for fit, tells in zip(fits, telling, strict=True) if tells)
    named = []
    at = 0
    for fit, tells in zip(fits, telling, strict=True):
        others, df = (order, free)
        if tells:
            others = np.delete(order, np.searchsorted(order, variances[at]))
            at, df = at + 1, free - fit.df
        scatter = math.sqrt(_median(others)) if others.size >= _OTHERS else None
        named.append(_named(fit, scatter, max(2.0 / math.pi * df, 1.0), total))
    return named


def _median(ordered: FloatArray) -> float:
    middle = ordered.size // 2
    return float(ordered[middle] + ordered[-middle - 1]) / 2.0


def _named(fit: RateFit, scatter: float | None, df: float, total: int) -> RateFit:
    if fit.df < 2 or max(map(abs, fit.residuals)) <= _ROUNDING:
        return fit
    largest = int(np.argmax(np.abs(fit.standardised_residuals)))
    if scatter is None:
        evidence = _against_own(fit, largest)
    else:
        evidence = _against_others(fit, largest, scatter, df, total)
    if not evidence:
        return fit
    test = fit.tests[largest]
    off = 100.0 * math.expm1(fit.residuals[largest])
    caution = Caution(
        "outlier",
        f"test {test} is {off:+.1f} % off the law that it was itself fitted with, {evidence}. It "
        "is kept; look at its record, and if that shows a fault, give the reason in `exclude`",
        (test,),
    )
    return replace(fit, cautions=(*fit.cautions, caution))


def _against_others(fit: RateFit, largest: int, scatter: float, df: float, total: int) -> str:
    """Evidence from the other batches' scatter (with `df` degrees of freedom), or nothing."""
    # A test of a wide stated uncertainty may be further off than the others scatter.
    expected = max(scatter, fit.stated_sds[largest])
    spread = expected * math.sqrt(max(1.0 - fit.leverages[largest], _ROUNDING))
    times = abs(fit.residuals[largest]) / spread
    if times <= -float(stdtrit(df, LEVEL / (2.0 * total))):
        return ""
    return f"{times:.1f} times the scatter of the other batches"


def _against_own(fit: RateFit, largest: int) -> str:
    critical = grubbs_critical(fit.points, LEVEL, regression=True, parameters=fit.points - fit.df)
    value = abs(fit.standardised_residuals[largest])
    if value <= critical:
        return ""
    return (
        f"{value:.2f} of its standard deviations, where the largest of {fit.points} passes "
        f"{critical:.2f} in 5 % of cases (Grubbs)"
    )
