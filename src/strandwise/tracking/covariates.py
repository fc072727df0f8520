"""Values that batches carry, such as their density, beside what was meant to be changed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from strandwise.tracking.analysis import Analysis
    from strandwise.tracking.layout import Layout

    FloatArray = NDArray[np.float64]

__all__ = ["BatchCovariate", "CovariateSlope", "covariate_cautions", "covariate_slopes"]

# Part of a covariate's spread between batches that lies between formulations, above which the
# one can hardly be told from the other: the variance of both is then at least five times larger.
_NEARLY_CONFOUNDED = 0.8


@dataclass(frozen=True, kw_only=True)
class BatchCovariate:
    """One measured quantity of each batch.

    Parameters
    ----------
    name
        As a person reads it: ``density``.
    values
        Value of each batch, in one unit; batches that are not tested are ignored.
    step
        Difference of values for which the change of the rate is told, above zero.
    step_text
        That difference with its unit: ``10 kg/m³``.

    Raises
    ------
    DataError
        A value that is not finite, or a step that is not above zero.
    """

    name: str
    values: Mapping[str, float]
    step: float
    step_text: str

    def __post_init__(self) -> None:
        for batch, value in self.values.items():
            if not math.isfinite(value):
                msg = f"the {self.name} of batch {batch} is {value!r}"
                raise DataError(msg, expected="a finite number, or no entry for the batch")
        if not (math.isfinite(self.step) and self.step > 0):
            msg = f"the step of the {self.name} is {self.step!r}"
            raise DataError(msg, expected="a finite number above zero")


@dataclass(frozen=True, kw_only=True)
class CovariateSlope:
    """Change of burn rate with one covariate, formulations and batches' scatter allowed for.

    Parameters
    ----------
    name, step_text
        Of the covariate, and the difference that the change is told for.
    centre
        Mean over the batches: rates of the comparison hold there. None where it is not fitted.
    value_range
        Lowest and highest value of the batches; None where none is known.
    percent_per_step, ci95, p
        Change of the burn rate in percent over one step, its 95 % interval and the two-sided
        p-value of no change; None where it cannot be told.
    cautions
        ``not-separable``, ``covariate-missing`` and other reasons to trust it less.
    """

    name: str
    step_text: str
    centre: float | None
    value_range: tuple[float, float] | None
    percent_per_step: float | None
    ci95: tuple[float, float] | None
    p: float | None
    cautions: tuple[Caution, ...] = ()


def covariate_slopes(analysis: Analysis) -> tuple[CovariateSlope, ...]:
    """Slope of each covariate of a comparison.

    Parameters
    ----------
    analysis
        Fitted with the covariates.
    """
    return tuple(_slope(analysis, covariate) for covariate in analysis.covariates)


def covariate_cautions(analysis: Analysis) -> tuple[Caution, ...]:
    """What adjusting for covariates means for the shifts."""
    fitted = list(analysis.layout.covariate_column)
    if not fitted:
        return ()
    message = (
        f"shifts are between batches of equal {' and '.join(fitted)}: what a formulation does to "
        "the burn rate by way of that is left out of them"
    )
    return (Caution("covariates-adjusted", message),)


def _slope(analysis: Analysis, covariate: BatchCovariate) -> CovariateSlope:
    layout = analysis.layout
    known = [covariate.values[b] for b in analysis.fit.batches if b in covariate.values]
    reason = layout.left_out.get(covariate.name)
    if reason is not None:
        return CovariateSlope(
            name=covariate.name,
            step_text=covariate.step_text,
            centre=None,
            value_range=(min(known), max(known)) if known else None,
            percent_per_step=None,
            ci95=None,
            p=None,
            cautions=(reason,),
        )
    contrast = layout.covariate(covariate.name)
    found = analysis.estimate(contrast * covariate.step)
    return CovariateSlope(
        name=covariate.name,
        step_text=covariate.step_text,
        centre=float(np.mean(known)),
        value_range=(min(known), max(known)),
        percent_per_step=100.0 * math.expm1(found.value),
        ci95=_percent(found.ci95),
        p=found.p,
        cautions=_cautions(analysis, covariate, layout),
    )


def _percent(interval: tuple[float, float] | None) -> tuple[float, float] | None:
    if interval is None or max(map(abs, interval)) > 700.0:  # exp() of more overflows
        return None
    return 100.0 * math.expm1(interval[0]), 100.0 * math.expm1(interval[1])


def _cautions(analysis: Analysis, covariate: BatchCovariate, layout: Layout) -> tuple[Caution, ...]:
    formulation_of = dict(zip(analysis.tests.batch, analysis.tests.formulation, strict=True))
    values = np.array([covariate.values[batch] for batch in formulation_of])
    names = np.array(list(formulation_of.values()))
    within = values.copy()
    for name in layout.level_column:
        within[names == name] -= np.mean(values[names == name])
    share = 1.0 - float(np.sum(within**2) / np.sum((values - np.mean(values)) ** 2))
    if share < _NEARLY_CONFOUNDED:
        return ()
    message = (
        f"{100 * share:.0f} % of the spread of {covariate.name} lies between the formulations "
        "(in terms of variance): what it did and what they did can hardly be told apart, and "
        "both intervals are wide for that"
    )
    return (Caution("nearly-confounded", message),)
