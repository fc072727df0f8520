"""How well shifts would be known with tests that are only planned."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import stdtrit

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.tracking.layout import lay_out
from strandwise.tracking.random_effects import design_degrees, random_effects_model
from strandwise.tracking.reml import Evaluation
from strandwise.tracking.small_sample import (
    adjusted_covariance,
    contrast_df,
    variance_covariance,
    with_shared,
)
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.tracking.analysis import Analysis
    from strandwise.tracking.layout import Tests
    from strandwise.tracking.random_effects import Degrees

    FloatArray = NDArray[np.float64]

__all__ = [
    "PlannedTest",
    "ShiftPrecision",
    "VarianceComponents",
    "shift_precision",
    "variance_components",
]

# Scatter (relative) taken where the tests show none: common practice, no source.
_ASSUMED_BATCH_SD = 0.03
_ASSUMED_TEST_SD = 0.02
_MOST_OF_SINGLE = 0.7  # about half of the variance
_LEAST_SD = 1e-4  # no burn-rate test repeats to better than 0.01 %


@dataclass(frozen=True, kw_only=True, slots=True)
class PlannedTest:
    """One test to come.

    Parameters
    ----------
    batch
        An existing batch, or the name of a new one.
    formulation
        Its formulation.
    is_firing
        True for a motor firing, False for a strand.
    pressure
        Absolute, Pa.
    """

    batch: str
    formulation: str
    is_firing: bool
    pressure: float


@dataclass(frozen=True, kw_only=True)
class VarianceComponents:
    """The scatter that a plan counts with.

    Parameters
    ----------
    batch_sd
        Standard deviation of ln(rate) from batch to batch of one formulation.
    test_sd
        From test to test of one batch, beyond the stated uncertainties.
    exponent_sd
        Of the exponent, from batch to batch of one formulation.
    cautions
        Where these are not plain estimates.
    """

    batch_sd: float
    test_sd: float
    exponent_sd: float = 0.0
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ShiftPrecision:
    """How well one formulation's shift would be known.

    Parameters
    ----------
    sd
        Standard error of ln(rate/baseline's rate), small-sample adjusted.
    df
        Its degrees of freedom.
    """

    sd: float
    df: float

    @property
    def half_width(self) -> float:
        """Half the width of the 95 % interval of ln(rate/baseline's rate)."""
        return float(stdtrit(self.df, 0.975)) * self.sd


def variance_components(
    analysis: Analysis,
    *,
    assumed_batch_sd: float = _ASSUMED_BATCH_SD,
    assumed_test_sd: float = _ASSUMED_TEST_SD,
) -> VarianceComponents:
    """Take the scatter of a comparison, on the careful side where it shows none.

    An estimate of zero between batches is replaced by one standard error of σ_b², since few
    batches often show no spread where there is some.

    Parameters
    ----------
    analysis
        A fitted comparison.
    assumed_batch_sd, assumed_test_sd
        Relative, above zero, for what the tests do not tell at all.

    Raises
    ------
    DataError
        An assumption is not above zero.
    """
    for value in (assumed_batch_sd, assumed_test_sd):
        if not (math.isfinite(value) and value > 0):
            msg = f"an assumed scatter is {value!r}"
            raise DataError(msg, expected="a fraction of the rate above zero, such as 0.03")
    fit = analysis.one_spread
    if fit.exact or fit.residual_sd is None:
        both = (_assumed("batch", assumed_batch_sd), _assumed("test", assumed_test_sd))
        return VarianceComponents(batch_sd=assumed_batch_sd, test_sd=assumed_test_sd, cautions=both)
    if fit.batch_sd is None and analysis.separable:
        # Batches of one test show the sum of both.
        test_sd = min(assumed_test_sd, _MOST_OF_SINGLE * fit.residual_sd)
        batch_sd = math.sqrt(fit.residual_sd**2 - test_sd**2)
        return VarianceComponents(
            batch_sd=batch_sd, test_sd=test_sd, cautions=(_assumed("test", test_sd),)
        )
    if fit.batch_sd is None:
        cautions = (_assumed("batch", assumed_batch_sd),)
        return VarianceComponents(
            batch_sd=assumed_batch_sd, test_sd=fit.residual_sd, cautions=cautions
        )
    of_exponents = fit.slope_sd or 0.0
    if fit.batch_sd > 0.0:
        return VarianceComponents(
            batch_sd=fit.batch_sd, test_sd=fit.residual_sd, exponent_sd=of_exponents
        )
    batch_sd = _one_error_above_zero(analysis, fit.residual_sd)
    message = (
        "the batches show no spread of their own, which few batches often do not; "
        f"{digits_text(100 * batch_sd)} % of the rate is taken, to be on the careful side"
    )
    caution = Caution("batch-scatter-zero", message)
    return VarianceComponents(
        batch_sd=batch_sd,
        test_sd=fit.residual_sd,
        exponent_sd=of_exponents,
        cautions=(caution,),
    )


def shift_precision(
    analysis: Analysis,
    components: VarianceComponents,
    additions: Sequence[PlannedTest] = (),
) -> dict[str, ShiftPrecision | None]:
    """Tell how well each shift would be known with more tests, the scatter taken as known.

    Kenward and Roger's covariance and degrees of freedom of the enlarged design at fixed
    variances. Without additions, and with the variances as fitted, these are the comparison's
    own. A planned test is as uncertain as the middle one of its kind.

    Parameters
    ----------
    analysis
        A fitted comparison, without covariates.
    components
        The scatter to count with.
    additions
        Planned tests, none for the design as it is.

    Returns
    -------
    Each formulation but the baseline; None where its shift would have no interval.

    Raises
    ------
    DataError
        A planned test has a pressure not above zero, an unknown formulation, or a batch of
        another formulation; the comparison has covariates.
    """
    _check_additions(analysis, additions)
    tests = _with_additions(analysis.tests, additions)
    layout = lay_out(tests, analysis.baseline, analysis.pressure, order=analysis.names)
    centre = analysis.layout.centre
    layout = dataclasses.replace(layout, centre=centre, slopes=tests.log_pressure - centre)
    planned = dataclasses.replace(analysis, tests=tests, layout=layout)
    known = _known_variance(analysis, additions)
    names = analysis.names[1:]
    out: dict[str, ShiftPrecision | None] = dict.fromkeys(names)
    degrees = design_degrees(layout.design, tests.batch, layout.slopes)
    if degrees is None or degrees[0] == 0:
        return out
    at, kept = _evaluation(planned, known, components, degrees)
    W = variance_covariance(at, kept)
    adjusted = adjusted_covariance(at, W)
    moved = at.covariance @ at.solved_design.T @ tests.shared_columns()
    for name in names:
        contrast = planned.shift_contrast(name)
        if contrast is None:
            continue
        unadjusted = float(contrast @ at.covariance @ contrast)
        variance = float(contrast @ adjusted @ contrast)
        df = contrast_df(contrast, at.covariance, at.first_products, W, limit=sum(degrees))
        scatter = variance if variance > 0.0 else unadjusted
        whole, df = with_shared(scatter, df, contrast @ moved)
        out[name] = ShiftPrecision(sd=math.sqrt(whole), df=df)
    return out


def _assumed(which: str, value: float) -> Caution:
    if which == "batch":
        message = "how far batches of one formulation differ is not known"
    else:
        message = "the scatter from test to test of one batch is not known"
    message += f"; {100 * value:.3g} % of the rate is assumed"
    return Caution(f"assumed-{which}-scatter", message)


def _one_error_above_zero(analysis: Analysis, test_sd: float) -> float:
    """Root of the standard error of σ_b² where its estimate is zero."""
    fit = analysis.one_spread
    degrees = (fit.between_df, fit.slope_df, fit.within_df)
    components = VarianceComponents(batch_sd=0.0, test_sd=test_sd, exponent_sd=fit.slope_sd or 0.0)
    at, kept = _evaluation(analysis, _known_variance(analysis, ()), components, degrees)
    return math.sqrt(math.sqrt(float(variance_covariance(at, kept)[0, 0])))


def _evaluation(
    planned: Analysis,
    known: FloatArray,
    components: VarianceComponents,
    degrees: Degrees,
) -> tuple[Evaluation, NDArray[np.bool_]]:
    """Model at the components, and which of them the tests would tell."""
    batch = planned.tests.batch
    number = {name: index for index, name in enumerate(dict.fromkeys(batch))}
    model, kept = random_effects_model(
        np.zeros(len(batch)),
        planned.layout.design,
        np.array([number[name] for name in batch], dtype=np.intp),
        known,
        degrees,
        slopes=planned.layout.slopes,
        classes=None,
    )
    of_batches, of_tests = components.batch_sd**2, max(components.test_sd**2, _LEAST_SD**2)
    if not kept[0]:  # one test a batch: what is told is the sum
        of_batches, of_tests = 0.0, of_batches + of_tests
    of_exponents = [components.exponent_sd**2] * (model.random_count - 1)
    return Evaluation(model, np.array([of_batches, *of_exponents, of_tests])), kept


def _known_variance(analysis: Analysis, additions: Sequence[PlannedTest]) -> FloatArray:
    known = analysis.known_variance
    if known is None:
        return np.zeros(len(analysis.tests.batch) + len(additions))
    firing = analysis.tests.is_firing
    of_kind = {
        kind: float(np.median(known[firing == kind] if np.any(firing == kind) else known))
        for kind in (False, True)
    }
    return np.concatenate([known, [of_kind[test.is_firing] for test in additions]])


def _with_additions(tests: Tests, additions: Sequence[PlannedTest]) -> Tests:
    pressure = np.array([test.pressure for test in additions], dtype=np.float64)
    unknown = np.full(pressure.size, np.nan)
    of_firings = tests.shared_sd[tests.is_firing]
    shared = float(np.median(of_firings)) if of_firings.size else 0.0
    return dataclasses.replace(
        tests,
        batch=(*tests.batch, *(test.batch for test in additions)),
        formulation=(*tests.formulation, *(test.formulation for test in additions)),
        is_firing=np.concatenate(
            [tests.is_firing, np.array([test.is_firing for test in additions], dtype=np.bool_)]
        ),
        pressure=np.concatenate([tests.pressure, pressure]),
        temperature=np.concatenate([tests.temperature, unknown]),
        log_pressure=np.concatenate([tests.log_pressure, np.log(pressure)]),
        log_rate=np.concatenate([tests.log_rate, unknown]),
        log_pressure_variance=np.concatenate([tests.log_pressure_variance, unknown]),
        log_rate_variance=np.concatenate([tests.log_rate_variance, unknown]),
        log_covariance=np.concatenate([tests.log_covariance, np.zeros(pressure.size)]),
        shared_sd=np.concatenate(
            [tests.shared_sd, np.array([shared * test.is_firing for test in additions])]
        ),
    )


def _check_additions(analysis: Analysis, additions: Sequence[PlannedTest]) -> None:
    if analysis.covariates:
        msg = "tests cannot be planned for a comparison with covariates"
        raise DataError(msg, hint="their values in new batches are not known; leave them out")
    formulation_of = dict(zip(analysis.tests.batch, analysis.tests.formulation, strict=True))
    for test in additions:
        if not (math.isfinite(test.pressure) and test.pressure > 0):
            msg = f"a test of {test.batch} is planned at {test.pressure!r} Pa"
            raise DataError(msg, expected="an absolute pressure above zero")
        if test.formulation not in analysis.names:
            msg = f"a test of {test.formulation} is planned, which has no burn rate yet"
            raise DataError(msg, expected=f"one of {', '.join(analysis.names)}")
        if formulation_of.setdefault(test.batch, test.formulation) != test.formulation:
            msg = f"batch {test.batch} is planned as {test.formulation}"
            raise DataError(msg, expected=f"{formulation_of[test.batch]}, which it is of")
