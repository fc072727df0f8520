"""What an additive did: formulations against a baseline, across batches."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.tracking.analysis import analyse
from strandwise.tracking.cautions import comparison_cautions, formulation_cautions
from strandwise.tracking.comparison import Comparison, FormulationShift
from strandwise.tracking.covariates import covariate_slopes
from strandwise.tracking.doses import dose_slopes
from strandwise.tracking.mixed import ContrastEstimate
from strandwise.tracking.multiple import many_to_one_p
from strandwise.tracking.sentences import in_megapascals
from strandwise.units import METRIC

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from strandwise.findings import Caution
    from strandwise.formulation import Dose
    from strandwise.tracking.analysis import Analysis
    from strandwise.tracking.comparison import RateObservations
    from strandwise.tracking.covariates import BatchCovariate

    FloatArray = NDArray[np.float64]

__all__ = ["compare_formulations"]

_WIDEST = 700.0  # in ln r; exp() of more overflows


def compare_formulations(
    observations: RateObservations,
    *,
    baseline: str,
    pressure: float,
    doses: Mapping[str, Dose] | None = None,
    covariates: Sequence[BatchCovariate] = (),
    order: Sequence[str] = (),
    format_pressure: Callable[[float], str] = in_megapascals,
    format_warmer: Callable[[float], str] = METRIC.warmer,
) -> Comparison:
    """Compare the burn rate and exponent of formulations with those of a baseline.

    The model is ln r = α_f + n_f ln(P/P_at) + δ·[firing] + b_batch + s_batch ln(P/P_c) + ε with a
    random level b and exponent s for each batch (see `fit_mixed_model`), stated uncertainties
    entering as known variance σ_lnr² + n²σ_lnP², and what firings share of them whole. The offset δ
    of firings is one for all formulations and is fitted where the data tie it down. A formulation
    that was tested at one pressure (within 10 %) borrows the baseline's exponent, over a short way
    only. p-values are adjusted for the number of formulations compared (`many_to_one_p`); intervals
    are not. A formulation that visibly varies more than the others has a spread of its own, and a
    caution says so.

    Parameters
    ----------
    observations
        Rates in m/s at absolute pressures in Pa.
    baseline
        Formulation to compare with.
    pressure
        Absolute pressure of the comparison, Pa.
    doses
        Dose of each formulation that belongs to a series, relative to the baseline.
    covariates
        Values that the batches carry (density, temperature of processing, …). Each that can be
        told from the formulations gets a slope, and rates and shifts then hold at its mean.
    order
        Of the formulations after the baseline; those that it lacks follow by name.
    format_pressure, format_warmer
        Turn Pa, and a difference of temperatures in K, into text for the cautions.

    Returns
    -------
    Comparison, with None for what the data cannot give.

    Raises
    ------
    DataError
        The baseline is not among the observations, the pressure is not above zero, two
        covariates have one name.
    """
    analysis = analyse(
        observations, baseline=baseline, pressure=pressure, covariates=covariates, order=order
    )
    others = analysis.names[1:]
    shift_contrasts = _present({name: analysis.shift_contrast(name) for name in others})
    n_contrasts = _present({name: analysis.exponent_shift_contrast(name) for name in others})
    shifts = _against_baseline(analysis, shift_contrasts)
    n_shifts = _against_baseline(analysis, n_contrasts)
    if analysis.rate_contrast(baseline) is not None:
        shifts[baseline] = ContrastEstimate(0.0)
    if analysis.exponent_contrast(baseline) is not None:
        n_shifts[baseline] = ContrastEstimate(0.0)
    offset = analysis.method_offset
    # Rates that follow the model exactly leave no spread, also where no batch could show one.
    repeated = analysis.fit.between_df > 0
    return Comparison(
        baseline=baseline,
        pressure=pressure,
        between_batch_sd=analysis.one_spread.batch_sd if repeated else None,
        within_batch_sd=analysis.within_batch_sd,
        between_batch_n_sd=analysis.one_spread.slope_sd if repeated else None,
        rate_kind=analysis.rate_kind,
        formulations=tuple(
            _row(
                analysis,
                name,
                shifts.get(name),
                n_shifts.get(name),
                formulation_cautions(analysis, name, format_pressure, format_warmer),
            )
            for name in analysis.names
        ),
        doses=dose_slopes(doses or {}, shift_contrasts, analysis),
        covariates=covariate_slopes(analysis),
        shift_correlation=_correlation(analysis, shift_contrasts),
        method_offset=None if offset is None else math.expm1(offset.value),
        method_offset_ci95=None if offset is None else _mapped(math.expm1, offset.ci95),
        cautions=comparison_cautions(analysis, format_warmer),
    )


def _present(contrasts: dict[str, FloatArray | None]) -> dict[str, FloatArray]:
    return {name: contrast for name, contrast in contrasts.items() if contrast is not None}


def _against_baseline(
    analysis: Analysis, contrasts: dict[str, FloatArray]
) -> dict[str, ContrastEstimate]:
    """Estimate contrasts that share the baseline; each p is adjusted for all of them."""
    estimates = {name: analysis.estimate(contrast) for name, contrast in contrasts.items()}
    tested = [name for name, estimate in estimates.items() if estimate.t is not None]
    if not tested:
        return estimates
    known = _correlation(analysis, contrasts)
    adjusted = many_to_one_p(
        np.array([estimates[name].t for name in tested], dtype=np.float64),
        np.array([estimates[name].df for name in tested], dtype=np.float64),
        np.array([[known[a][b] for b in tested] for a in tested]),
    )
    for name, p in zip(tested, adjusted, strict=True):
        estimates[name] = replace(estimates[name], p=float(p))
    return estimates


def _correlation(
    analysis: Analysis, contrasts: dict[str, FloatArray]
) -> dict[str, dict[str, float]]:
    """Correlation of contrasts by their names, of those that have a variance."""
    if not contrasts:
        return {}
    rows = np.array(list(contrasts.values()))
    # Without the small-sample adjustment, which need not leave a correlation matrix.
    covariance = rows @ analysis.fit.covariance_unadjusted @ rows.T
    sd = dict(zip(contrasts, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    return {
        a: {b: float(covariance[i, j]) / (sd[a] * sd[b]) for j, b in enumerate(contrasts) if sd[b]}
        for i, a in enumerate(contrasts)
        if sd[a]
    }


def _row(
    analysis: Analysis,
    name: str,
    shift: ContrastEstimate | None,
    n_shift: ContrastEstimate | None,
    cautions: tuple[Caution, ...],
) -> FormulationShift:
    rate_contrast = analysis.rate_contrast(name)
    rate = None if rate_contrast is None else analysis.estimate(rate_contrast)
    n_contrast = analysis.exponent_contrast(name)
    n = None if n_contrast is None else analysis.estimate(n_contrast)
    # One batch of each tells how the batches differ in exponent, not that the formulations do.
    n_shift_p = n_shift.p if n_shift is not None and analysis.exponents_separable else None
    return FormulationShift(
        formulation=name,
        batches=analysis.tests.batches_of(name),
        points=int(np.sum(analysis.tests.rows_of(name))),
        rate=None if rate is None else math.exp(rate.value),
        rate_ci95=None if rate is None else _mapped(math.exp, rate.ci95),
        shift=None if shift is None else math.expm1(shift.value),
        shift_ci95=None if shift is None else _mapped(math.expm1, shift.ci95),
        shift_p=None if shift is None else shift.p,
        n=None if n is None else n.value,
        n_sd=None if n is None else n.sd,
        n_shift=None if n_shift is None else n_shift.value,
        n_shift_ci95=None if n_shift is None else n_shift.ci95,
        n_shift_p=n_shift_p,
        probability_slower=None if shift is None else shift.probability_below_zero,
        degrees_of_freedom=None if shift is None else shift.df,
        pressure_range=analysis.tests.pressure_range(name),
        cautions=cautions,
    )


def _mapped(
    function: Callable[[float], float], interval: tuple[float, float] | None
) -> tuple[float, float] | None:
    """Carry an interval through exp or expm1; None where it is too wide for numbers to hold."""
    if interval is None or max(abs(bound) for bound in interval) > _WIDEST:
        return None
    return function(interval[0]), function(interval[1])
