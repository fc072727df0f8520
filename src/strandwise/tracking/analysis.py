"""The fitted comparison model, and which questions it can answer."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import fdtrc

from strandwise.errors import DataError
from strandwise.tracking.layout import lay_out, tests_of
from strandwise.tracking.mixed import ContrastEstimate, fit_mixed_model

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.tracking.comparison import RateKind, RateObservations
    from strandwise.tracking.covariates import BatchCovariate
    from strandwise.tracking.layout import Layout, Tests
    from strandwise.tracking.mixed import MixedFit

    FloatArray = NDArray[np.float64]

__all__ = ["Analysis", "analyse"]

_MAX_REWEIGHTINGS = 10
_EXPONENT_SETTLED = 1e-5
# How far (ratio of pressures) a borrowed exponent may carry a rate: one that is wrong by 0.1 is
# then wrong by 2 % in rate. Without any exponent, 0.5 over 2 % is wrong by 1 %.
_BORROWED_REACH = 1.25
_UNCORRECTED_REACH = 1.02
_RANGE_SLACK = 1.01  # a range that ends 1 % short of the pressure still holds it
_WHOLE = 1e-6
_RANK_TOLERANCE = 1e-9


@dataclasses.dataclass(frozen=True, eq=False, kw_only=True)
class Analysis:
    """One fitted comparison.

    Parameters
    ----------
    tests, layout, fit
        Rows, columns and the fitted model.
    baseline
        Formulation to compare with.
    pressure
        Absolute pressure of the comparison, Pa.
    covariates
        What the batches carry, fitted or left out.
    """

    tests: Tests
    layout: Layout
    fit: MixedFit
    baseline: str
    pressure: float
    covariates: tuple[BatchCovariate, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Formulations, the baseline first."""
        return tuple(self.layout.level_column)

    @cached_property
    def single_tests(self) -> bool:
        """Whether no batch was tested more than once."""
        return max(Counter(self.tests.batch).values()) == 1

    @cached_property
    def separable(self) -> bool:
        """Whether differences between formulations have an interval at all."""
        return self.fit.between_df > 0 and (self.fit.batch_sd is not None or self.single_tests)

    def estimate(self, contrast: FloatArray) -> ContrastEstimate:
        """Estimate a contrast; without an interval where the spread of batches is not known.

        Differences inside batches do not need that spread.
        """
        estimate = self.fit.contrast(contrast)
        if self.separable or self.layout.estimable_within(contrast):
            return estimate
        return ContrastEstimate(estimate.value)

    def carried(self, name: str) -> float:
        """Ratio (≥ 1) of pressures over which a formulation's rate goes without own exponent."""
        if name in self.layout.measured:
            return 1.0
        chosen = self.tests.log_pressure[self.tests.rows_of(name)]
        return float(np.exp(abs(np.mean(chosen) - np.log(self.pressure))))

    def reaches(self, name: str) -> bool:
        """Whether the formulation's rate at the pressure follows from its tests."""
        reach = _UNCORRECTED_REACH if self.layout.exponent_donor is None else _BORROWED_REACH
        return self.carried(name) <= reach

    def extrapolated(self, name: str) -> bool:
        """Whether the pressure lies outside the formulation's tested range."""
        low, high = self.tests.pressure_range(name)
        return not low / _RANGE_SLACK <= self.pressure <= high * _RANGE_SLACK

    def rate_contrast(self, name: str) -> FloatArray | None:
        """Contrast of ln r at the pressure; None where it does not follow from the tests."""
        if self.reads_as_one_method(name) and self.reaches(name):
            return self.layout.level(name)
        return None

    def reads_as_one_method(self, name: str) -> bool:
        """Whether the formulation's rate is free of a mixture of strands and firings."""
        # 0: as its strands read, 1: as its firings read; anything else is neither.
        taken_for = float(self.layout.level(name) @ self.layout.confounding)
        return min(abs(taken_for), abs(taken_for - 1.0)) < _WHOLE

    def shift_contrast(self, name: str) -> FloatArray | None:
        """Contrast of ln r against the baseline; None where it does not follow from the tests."""
        own, base = self.rate_contrast(name), self.rate_contrast(self.baseline)
        if own is None or base is None or not self.layout.estimable(own - base):
            return None
        return np.asarray(own - base)

    def exponent_contrast(self, name: str) -> FloatArray | None:
        """Contrast of the formulation's own exponent; None where it has none."""
        if name not in self.layout.measured:
            return None
        contrast = self.layout.exponent(name)
        return contrast if self.layout.estimable(contrast) else None

    def exponent_shift_contrast(self, name: str) -> FloatArray | None:
        """Contrast of the exponent against the baseline's; None where either has none."""
        own, base = self.exponent_contrast(name), self.exponent_contrast(self.baseline)
        return None if own is None or base is None else np.asarray(own - base)

    @cached_property
    def method_offset(self) -> ContrastEstimate | None:
        """ln(firing/strand); None where it does not follow from the tests."""
        contrast = self.layout.firing_offset()
        return None if contrast is None else self.estimate(contrast)

    @cached_property
    def exponent_heterogeneity_p(self) -> float | None:
        """Probability of exponents that differ this much between batches of one formulation.

        F-test of an exponent for each batch against one for each formulation, both with a level
        for each batch. None without degrees of freedom or without scatter.
        """
        if self.fit.exact or not self.layout.measured:
            return None
        numbers = {name: number for number, name in enumerate(self.fit.batches)}
        group = np.array([numbers[name] for name in self.tests.batch])
        x = self.tests.log_pressure
        columns = self.layout.design
        one = _residual_sum_within(group, None, columns, self.tests.log_rate)
        free = _residual_sum_within(group, x, columns, self.tests.log_rate)
        extra = one.df - free.df
        if extra == 0 or free.df == 0 or free.squares <= 0.0:
            return None
        ratio = (one.squares - free.squares) / extra / (free.squares / free.df)
        return float(fdtrc(extra, free.df, max(ratio, 0.0)))

    @property
    def both_kinds(self) -> bool:
        """Whether strands and firings are in."""
        return bool(self.tests.is_firing.any() and not self.tests.is_firing.all())

    @property
    def rate_kind(self) -> RateKind:
        """What the rates stand for."""
        if self.tests.is_firing.all():
            return "firing"
        return "mixed" if self.both_kinds and self.layout.firing_column is None else "strand"

    @cached_property
    def known_variance(self) -> FloatArray | None:
        """Variance of ln r from stated uncertainties, at the fitted exponents."""
        return self.tests.known_variance(_exponents(self.layout, self.fit))

    @cached_property
    def within_batch_sd(self) -> float | None:
        """Scatter of ln r from test to test of one batch; None where it cannot be told.

        Of strands where there are any: a firing's uncertainty says nothing of theirs.
        """
        residual_sd = self.fit.residual_sd
        if residual_sd is None or self.fit.within_df == 0:
            return None
        if self.known_variance is None:
            return residual_sd
        if residual_sd == 0.0:  # the stated part may be more than there is
            return self.fit.within_sd
        strands = ~self.tests.is_firing
        alike = self.known_variance[strands] if strands.any() else self.known_variance
        return float(np.sqrt(residual_sd**2 + np.mean(alike)))


def analyse(
    observations: RateObservations,
    *,
    baseline: str,
    pressure: float,
    covariates: Sequence[BatchCovariate] = (),
) -> Analysis:
    """Fit ln r = α_f + n_f ln(P/P_at) + δ·[firing] + Σ γ_c (z_c − z̄_c) + b_batch + ε.

    The exponents that turn the pressures' uncertainty into one of ln r are refitted until they
    settle.

    Parameters
    ----------
    observations
        Rates, m/s, at absolute pressures, Pa.
    baseline
        Formulation to compare with; among the observations.
    pressure
        P_at, Pa.
    covariates
        Values of the batches.

    Raises
    ------
    DataError
        The baseline is not among the observations, the pressure is not above zero, two
        covariates have one name.
    """
    if not (math.isfinite(pressure) and pressure > 0):
        msg = f"the pressure of the comparison is {pressure!r} Pa"
        raise DataError(msg, expected="an absolute pressure above zero")
    if baseline not in observations.formulation:
        found = ", ".join(sorted(set(observations.formulation)))
        msg = f"there is no burn rate of the baseline {baseline!r}"
        raise DataError(msg, expected=f"one of {found}", hint="test it or name another baseline")
    if len({covariate.name for covariate in covariates}) < len(covariates):
        msg = f"covariates named {', '.join(covariate.name for covariate in covariates)}"
        raise DataError(msg, expected="a name of its own for each covariate")
    tests = tests_of(observations)
    layout = lay_out(tests, baseline, pressure, covariates)
    needs_exponents = not bool(np.all(np.isnan(tests.log_pressure_variance)))
    exponents: dict[str, float] = {}
    for _ in range(_MAX_REWEIGHTINGS):
        fit = fit_mixed_model(
            tests.log_rate,
            layout.design,
            tests.batch,
            tests.known_variance(exponents),
            columns=layout.columns,
        )
        fitted = _exponents(layout, fit)
        changes = [abs(n - exponents.get(name, np.inf)) for name, n in fitted.items()]
        exponents = fitted
        if not needs_exponents or max(changes, default=0.0) < _EXPONENT_SETTLED:
            break
    return Analysis(
        tests=tests,
        layout=layout,
        fit=fit,
        baseline=baseline,
        pressure=pressure,
        covariates=tuple(covariates),
    )


@dataclasses.dataclass(frozen=True)
class _ResidualSum:
    squares: float
    df: int


def _residual_sum_within(
    group: NDArray[np.int_], x: FloatArray | None, columns: FloatArray, values: FloatArray
) -> _ResidualSum:
    """Residual sum of squares with a level, and with `x` a slope, of its own for each batch.

    Both are taken out of values and columns batch by batch, which costs time in proportion to
    the number of tests.
    """
    table = _without_means(group, np.column_stack([values, columns]))
    taken = int(np.unique(group).size)
    if x is not None:
        centred = _without_means(group, x[:, None])
        squares = np.bincount(group, centred[:, 0] ** 2)
        told = squares > _RANK_TOLERANCE * max(float(np.max(squares)), 1e-300)
        products = np.column_stack([np.bincount(group, centred[:, 0] * c) for c in table.T])
        slopes = np.where(told[:, None], products / np.where(told, squares, 1.0)[:, None], 0.0)
        table = table - centred * slopes[group]
        taken += int(np.count_nonzero(told))
    rest = table[:, 1:]
    # What the batches' own terms took up is left as rounding, and is no column any more.
    size = np.linalg.norm(rest, axis=0)
    whole = np.linalg.norm(columns, axis=0)
    rest = rest[:, size > 1e-9 * np.maximum(whole, 1e-300)]
    if rest.shape[1] == 0:
        return _ResidualSum(float(table[:, 0] @ table[:, 0]), values.size - taken)
    solution, _, rank, _ = np.linalg.lstsq(rest, table[:, 0], rcond=_RANK_TOLERANCE)
    residual = table[:, 0] - rest @ solution
    return _ResidualSum(float(residual @ residual), values.size - taken - int(rank))


def _without_means(group: NDArray[np.int_], table: FloatArray) -> FloatArray:
    sizes = np.bincount(group)
    means = np.column_stack([np.bincount(group, column) for column in table.T]) / sizes[:, None]
    return np.asarray(table - means[group])


def _exponents(layout: Layout, fit: MixedFit) -> dict[str, float]:
    return {name: float(fit.beta[column]) for name, column in layout.exponent_column.items()}
