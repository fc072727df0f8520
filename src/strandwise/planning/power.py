"""How many batches show a shift, and which shift the tests so far could have shown."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from functools import cache, partial
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import nctdtr, stdtrit

from strandwise.errors import DataError
from strandwise.tracking import many_to_one_p, shift_precision, variance_components

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.tracking import Analysis, VarianceComponents

    FloatArray = NDArray[np.float64]

__all__ = [
    "MOST_BATCHES",
    "DesignPower",
    "DetectableShift",
    "balanced_critical_t",
    "critical_t_from_arrays",
    "design_power_from_arrays",
    "designs_that_detect",
    "detectable_shifts",
    "noncentrality_for",
    "power_of_t",
]

_USUAL_POWER = 0.8
_USUAL_LEVEL = 0.05
MOST_BATCHES = 60
"""Of each formulation; designs that need more are not given."""
_BISECTIONS = 60
_FARTHEST = 1e3  # standard errors
_ONE_SIDED_FROM = 6.0  # beyond it the wrong sign comes out significant less than once in 1e9


@dataclass(frozen=True, kw_only=True, slots=True)
class DesignPower:
    """A balanced design and its chance to show a shift.

    Parameters
    ----------
    shift
        Change of the burn rate against the baseline, as a fraction: −0.05 is 5 % slower.
    formulations
        How many are compared with the baseline, each with as many batches as it.
    batches
        Batches of each formulation, the baseline included.
    tests_per_batch
        Tests of each batch.
    sd, df
        Standard error of the shift in ln(rate) and its degrees of freedom.
    critical_t
        |t| that is significant, adjusted for the number of formulations.
    power
        Chance that the shift comes out significant.
    """

    shift: float
    formulations: int
    batches: int
    tests_per_batch: int
    sd: float
    df: int
    critical_t: float
    power: float


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectableShift:
    """The smallest true shift that the tests so far are likely to show.

    Parameters
    ----------
    formulation
        Which.
    power
        Chance to show it.
    slower, faster
        The shift as a fraction (slower below zero); None where it has no interval.
    """

    formulation: str
    power: float
    slower: float | None
    faster: float | None


def critical_t_from_arrays(
    df: float, correlation: FloatArray, level: float = _USUAL_LEVEL
) -> float:
    """|t| whose many-to-one adjusted two-sided p-value is `level`.

    Parameters
    ----------
    df
        Degrees of freedom of every contrast.
    correlation
        Of the contrasts, shape (k, k).
    level
        Two-sided, above 0 and below 1.

    Returns
    -------
    By bisection between the value for one contrast and Bonferroni's for k.
    """
    count = correlation.shape[0]
    low, high = (float(stdtrit(df, 1.0 - level / 2.0 / number)) for number in (1, count))
    if count == 1:
        return low
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if high - low < 1e-9 * high:
            break
        p = float(many_to_one_p(np.full(count, middle), df, correlation)[0])
        low, high = (middle, high) if p > level else (low, middle)
    return 0.5 * (low + high)


def design_power_from_arrays(
    shift: float,
    *,
    batches: int,
    tests_per_batch: int,
    batch_sd: float,
    test_sd: float,
    formulations: int = 1,
    level: float = _USUAL_LEVEL,
    leverage: float = 0.0,
) -> DesignPower:
    """Chance of a balanced design to show a shift.

    The shift is a difference of means over batches, variance 2(σ_b² + σ_w²(1 + leverage)/m)/J,
    tested by Student's t with (k + 1)(J − 1) degrees of freedom, noncentral where there is one.

    Parameters
    ----------
    shift
        Fraction, above −1 and not 0.
    batches, tests_per_batch
        J ≥ 2 and m ≥ 1.
    batch_sd, test_sd
        σ_b and σ_w of ln(rate), zero or more, not both zero.
    formulations
        k, compared with one baseline.
    level
        Two-sided, held for all k together.
    leverage
        (x − x̄)²/s² of the decision pressure among the tests' ln P (s² with divisor m): 0 in
        their middle, 1 one standard deviation off.

    Raises
    ------
    DataError
        A value out of range.

    References
    ----------
    J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), chapter 2.
    """
    _check(shift, batches, tests_per_batch, batch_sd, test_sd, formulations, level, leverage)
    df = (formulations + 1) * (batches - 1)
    critical = balanced_critical_t(df, formulations, level)
    within = test_sd**2 * (1.0 + leverage) / tests_per_batch
    sd = math.sqrt(2.0 * (batch_sd**2 + within) / batches)
    return DesignPower(
        shift=shift,
        formulations=formulations,
        batches=batches,
        tests_per_batch=tests_per_batch,
        sd=sd,
        df=df,
        critical_t=critical,
        power=power_of_t(abs(math.log1p(shift)) / sd, df, critical),
    )


def designs_that_detect(
    shift: float,
    *,
    batch_sd: float,
    test_sd: float,
    formulations: int = 1,
    tests_per_batch: Sequence[int] = (1, 2, 3, 4, 6, 8),
    power: float = _USUAL_POWER,
    level: float = _USUAL_LEVEL,
    leverage: float = 0.0,
    most_batches: int = MOST_BATCHES,
) -> tuple[DesignPower, ...]:
    """Fewest batches that show a shift with the wanted power, for each number of tests.

    Parameters
    ----------
    shift, batch_sd, test_sd, formulations, level, leverage
        As for `design_power_from_arrays`.
    tests_per_batch
        Numbers to try.
    power
        Wanted, above `level` and below 1.
    most_batches
        Batches of each formulation beyond which no design is given.

    Returns
    -------
    In the order of `tests_per_batch`; numbers for which `most_batches` is too few are missing.

    Raises
    ------
    DataError
        A value out of range.
    """
    if not level < power < 1.0:
        msg = f"a power of {power!r} is wanted"
        raise DataError(msg, expected=f"above {level} and below 1, 0.8 for four times in five")
    found = []
    for tests in tests_per_batch:
        design_of = partial(
            design_power_from_arrays,
            shift,
            tests_per_batch=tests,
            batch_sd=batch_sd,
            test_sd=test_sd,
            formulations=formulations,
            level=level,
            leverage=leverage,
        )
        fewest = bisect_left(
            range(2, most_batches + 1), power, key=lambda batches: design_of(batches=batches).power
        )
        if fewest + 2 <= most_batches:
            found.append(design_of(batches=fewest + 2))
    return tuple(found)


def detectable_shifts(
    analysis: Analysis,
    *,
    components: VarianceComponents | None = None,
    power: float = _USUAL_POWER,
    level: float = _USUAL_LEVEL,
) -> tuple[DetectableShift, ...]:
    """Smallest true shift of each formulation that the tests so far show with the wanted power.

    Parameters
    ----------
    analysis
        A fitted comparison, without covariates.
    components
        The scatter to count with; None: the comparison's, on the careful side.
    power
        Wanted, above `level` and below 1.
    level
        Two-sided, held for all formulations together.

    Returns
    -------
    One for each formulation but the baseline.

    Raises
    ------
    DataError
        The power is out of range, the comparison has covariates.
    """
    if not level < power < 1.0:
        msg = f"a power of {power!r} is wanted"
        raise DataError(msg, expected=f"above {level} and below 1, 0.8 for four times in five")
    counted = variance_components(analysis) if components is None else components
    precisions = shift_precision(analysis, counted)
    count = sum(precision is not None for precision in precisions.values())
    found = []
    for name, precision in precisions.items():
        reach = None
        if precision is not None:
            critical = balanced_critical_t(precision.df, count, level)
            reach = noncentrality_for(precision.df, critical, power) * precision.sd
        found.append(
            DetectableShift(
                formulation=name,
                power=power,
                slower=None if reach is None else math.expm1(-reach),
                faster=None if reach is None else math.expm1(min(reach, 700.0)),
            )
        )
    return tuple(found)


@cache
def balanced_critical_t(df: float, count: int, level: float) -> float:
    """`critical_t_from_arrays` of `count` treatments that share a control as large as they are."""
    # Treatments that share one control as large as they are: correlation one half.
    correlation = np.full((count, count), 0.5)
    np.fill_diagonal(correlation, 1.0)
    return critical_t_from_arrays(df, correlation, level)


def power_of_t(noncentrality: float, df: float, critical: float) -> float:
    """Chance that |t| of noncentral Student's t comes out above `critical`."""
    inside = float(nctdtr(df, noncentrality, critical))
    # scipy gives NaN for some values far below 1e-50.
    above = 1.0 - (0.0 if math.isnan(inside) else inside)
    # P(T < −c) is below Φ(−noncentrality), and NaN where it is below 1e-16.
    seen = noncentrality < _ONE_SIDED_FROM
    below = float(nctdtr(df, noncentrality, -critical)) if seen else 0.0
    return min(max(above + below, 0.0), 1.0)


def noncentrality_for(df: float, critical: float, power: float) -> float:
    """Noncentrality at which `power_of_t` is `power`."""
    low, high = 0.0, 1.0
    while power_of_t(high, df, critical) < power and high < _FARTHEST:
        low, high = high, 2.0 * high
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if power_of_t(middle, df, critical) < power else (low, middle)
    return high


def _check(
    shift: float,
    batches: int,
    tests_per_batch: int,
    batch_sd: float,
    test_sd: float,
    formulations: int,
    level: float,
    leverage: float,
) -> None:
    if not (math.isfinite(shift) and shift > -1.0 and shift != 0.0):
        msg = f"a shift of the burn rate of {100.0 * shift:.3g} % cannot be looked for"
        raise DataError(msg, expected="more than −100 % and not 0 %, such as −5 % for 5 % slower")
    if batches < 2 or tests_per_batch < 1 or formulations < 1:
        msg = (
            f"{batches} batches of {formulations} formulations with {tests_per_batch} tests each "
            "cannot show a shift"
        )
        raise DataError(msg, expected="two batches, one formulation and one test at least")
    if not (
        min(batch_sd, test_sd, leverage) >= 0.0
        and batch_sd + test_sd > 0.0
        and math.isfinite(batch_sd + test_sd + leverage)
    ):
        msg = f"scatter {batch_sd!r} between batches and {test_sd!r} between tests"
        raise DataError(msg, expected="fractions of zero or more, not both zero")
    if not 0.0 < level < 1.0:
        msg = f"a level of {level!r}"
        raise DataError(msg, expected="above 0 and below 1, 0.05 for 5 %")
