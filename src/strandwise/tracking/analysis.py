"""The fitted comparison model, and which questions it can answer."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.tracking.heterogeneity import slopes_p
from strandwise.tracking.layout import lay_out, tests_of
from strandwise.tracking.mixed import ContrastEstimate, fit_mixed_model
from strandwise.tracking.spread import spread_classes, unlike_spreads

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.tracking.comparison import RateKind, RateObservations
    from strandwise.tracking.covariates import BatchCovariate
    from strandwise.tracking.layout import Layout, Tests
    from strandwise.tracking.mixed import MixedFit
    from strandwise.tracking.random_effects import Classes
    from strandwise.tracking.spread import UnlikeSpread

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
# Centres tried beside the middle of the tests, in halves of their range of ln P.
_CENTRES = (-2.0, -1.0, 1.0, 2.0)
# Of −2 log-likelihood, that another centre must gain: what one more unknown costs (Akaike).
_CENTRE_GAIN = 2.0


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
    unlike
        Formulations that vary more than the others, and have a spread of their own in `fit`.
    pooled
        The model with one spread for all where `unlike` holds any.
    alternatives
        What else the data may be fitted by: `pooled`, and the model with batches' levels and
        exponents independent in the middle of the tests, where `fit` has them so elsewhere.
    """

    tests: Tests
    layout: Layout
    fit: MixedFit
    baseline: str
    pressure: float
    covariates: tuple[BatchCovariate, ...] = ()
    unlike: tuple[UnlikeSpread, ...] = ()
    pooled: MixedFit | None = None
    alternatives: tuple[MixedFit, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """Formulations, the baseline first."""
        return tuple(self.layout.level_column)

    @property
    def one_spread(self) -> MixedFit:
        """The fit in which all formulations spread alike."""
        return self.fit if self.pooled is None else self.pooled

    @cached_property
    def single_tests(self) -> bool:
        """Whether no batch was tested more than once."""
        return max(Counter(self.tests.batch).values()) == 1

    @cached_property
    def separable(self) -> bool:
        """Whether differences between formulations have an interval at all."""
        return self.fit.between_df > 0 and (self.fit.batch_sd is not None or self.single_tests)

    @cached_property
    def exponents_separable(self) -> bool:
        """Whether differences between exponents can be told from those between batches."""
        if not self.separable:
            return False
        if self.fit.slope_sd is not None:
            return True
        # Batches of two tests each: their slopes' spread is in the scatter that is left.
        pairs = zip(self.tests.batch, self.tests.formulation, self.tests.log_pressure, strict=True)
        pressures: dict[tuple[str, str], set[float]] = {}
        for batch, name, at in pairs:
            pressures.setdefault((name, batch), set()).add(float(at))
        several = Counter(name for (name, _), values in pressures.items() if len(values) > 1)
        return not several or max(several.values()) > 1

    def estimate(self, contrast: FloatArray) -> ContrastEstimate:
        """Estimate a contrast; without an interval where the spread of batches is not known.

        Differences inside batches do not need that spread. Where the data chose between
        models of the spread the widest interval is given: few batches choose wrongly at times.
        """
        estimates = [fit.contrast(contrast) for fit in (self.fit, *self.alternatives)]
        estimate = max(estimates, key=_width)
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

        None without degrees of freedom or without scatter.
        """
        if self.fit.exact or not self.layout.measured:
            return None
        numbers = {name: number for number, name in enumerate(self.fit.batches)}
        group = np.array([numbers[name] for name in self.tests.batch])
        tests = self.tests
        return slopes_p(group, tests.log_pressure, self.layout.design, tests.log_rate)

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

        Of strands where there are any: a firing's uncertainty says nothing of theirs. Of all
        formulations together.
        """
        fit = self.one_spread
        residual_sd = fit.residual_sd
        if residual_sd is None or fit.within_df == 0:
            return None
        if self.known_variance is None:
            return residual_sd
        if residual_sd == 0.0:  # the stated part may be more than there is
            return fit.within_sd
        strands = ~self.tests.is_firing
        alike = self.known_variance[strands] if strands.any() else self.known_variance
        return float(np.sqrt(residual_sd**2 + np.mean(alike)))


def analyse(
    observations: RateObservations,
    *,
    baseline: str,
    pressure: float,
    covariates: Sequence[BatchCovariate] = (),
    order: Sequence[str] = (),
) -> Analysis:
    """Fit the comparison of formulations.

    ln r = α_f + n_f ln(P/P_at) + δ·[firing] + Σ γ_c (z_c − z̄_c) + b_batch + s_batch ln(P/P_c) + ε,
    P_c where batches' levels and exponents are independent. A formulation that shows more spread
    than the others (see `unlike_spreads`) has a spread of its own. The exponents that turn the
    pressures' uncertainty into one of ln r are refitted until they settle.

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
    order
        Of the formulations after the baseline; those that it lacks follow by name.

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
    layout = lay_out(tests, baseline, pressure, covariates, order)
    fit = _fitted(tests, layout, None)
    in_the_middle = fit
    layout, fit = _with_best_centre(tests, layout, fit)
    alternatives = () if fit is in_the_middle else (in_the_middle,)
    unlike = unlike_spreads(tests, layout, fit)
    pooled = None
    if unlike:
        pooled, fit = fit, _fitted(tests, layout, spread_classes(tests, unlike))
        alternatives = (*alternatives, pooled)
    return Analysis(
        tests=tests,
        layout=layout,
        fit=fit,
        baseline=baseline,
        pressure=pressure,
        covariates=tuple(covariates),
        unlike=unlike,
        pooled=pooled,
        alternatives=alternatives,
    )


def _width(estimate: ContrastEstimate) -> float:
    return 0.0 if estimate.ci95 is None else estimate.ci95[1] - estimate.ci95[0]


def _with_best_centre(tests: Tests, layout: Layout, fit: MixedFit) -> tuple[Layout, MixedFit]:
    """Layout and fit with batches' levels and exponents independent where they best are.

    Batches that differ in exponent differ least in level at some pressure, which need not be the
    middle of the tests.
    """
    if fit.reml_criterion is None or not _levels_go_with_slopes(fit):
        return layout, fit
    known = tests.known_variance(_exponents(layout, fit))
    shared = tests.shared_columns()
    reach = float(np.ptp(tests.log_pressure)) / 2.0
    best, least = (layout, fit), fit.reml_criterion - _CENTRE_GAIN
    for steps in _CENTRES:
        centre = layout.centre + steps * reach
        moved = dataclasses.replace(layout, centre=centre, slopes=tests.log_pressure - centre)
        found = fit_mixed_model(
            tests.log_rate,
            layout.design,
            tests.batch,
            known,
            slopes=moved.slopes,
            shared=shared,
            columns=layout.columns,
            start=fit,
        )
        if found.reml_criterion is not None and found.reml_criterion < least:
            best, least = (moved, found), found.reml_criterion
    return best


def _levels_go_with_slopes(fit: MixedFit) -> bool:
    """Whether another centre can gain enough to be worth a fit, by what batches are predicted."""
    levels, slopes = fit.batch_effects, fit.batch_slopes
    squares = float(np.sum(levels**2) * np.sum(slopes**2))
    if squares == 0.0:
        return False
    alike = min(float(np.sum(levels * slopes)) ** 2 / squares, 1.0 - 1e-12)
    # The gain of −2 log-likelihood by a correlation is −J ln(1 − r²); half of it is asked for.
    return -len(fit.batches) * math.log1p(-alike) > 0.5 * _CENTRE_GAIN


def _fitted(tests: Tests, layout: Layout, classes: Classes | None) -> MixedFit:
    needs_exponents = not bool(np.all(np.isnan(tests.log_pressure_variance)))
    shared = tests.shared_columns()

    def fitted_at(exponents: dict[str, float], near: MixedFit | None) -> MixedFit:
        return fit_mixed_model(
            tests.log_rate,
            layout.design,
            tests.batch,
            tests.known_variance(exponents),
            slopes=layout.slopes,
            classes=classes,
            shared=shared,
            columns=layout.columns,
            start=near,
        )

    fit = fitted_at({}, None)
    for _ in range(_MAX_REWEIGHTINGS if needs_exponents else 0):
        before = _exponents(layout, fit)
        fit = fitted_at(before, fit)
        after = _exponents(layout, fit)
        if all(abs(n - before[name]) < _EXPONENT_SETTLED for name, n in after.items()):
            break
    return fit


def _exponents(layout: Layout, fit: MixedFit) -> dict[str, float]:
    return {name: float(fit.beta[column]) for name, column in layout.exponent_column.items()}
