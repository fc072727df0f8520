"""From the comparison of a campaign, or a fitted law, to what a forecast draws from."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.forecast.laws import BatchSpread, LawMembers, LawSource, MethodOffset

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.ratelaw import RateFit
    from strandwise.tracking import Analysis

    Floats = NDArray[np.float64]

__all__ = ["law_from_analysis", "law_from_fit"]

_TESTS_HINT = "test it at pressures further apart; `strandwise plan` says where"
_EXACT_DF = 1e6  # where the tests leave no scatter at all, there is nothing to be unsure of
_FEWEST_DF = 1.0


def law_from_analysis(
    analysis: Analysis, formulation: str, *, batch: str | None = None, one_more_test: bool = False
) -> LawSource:
    """The power law of a formulation in a motor, from the mixed model of the whole campaign.

    The law of a new batch is predicted with a level b ~ N(0, σ_b²) and an exponent s ~ N(0, σ_s²)
    of its own; that of a batch that was tested by the best linear unbiased prediction of its own
    b and s (Henderson, Biometrics 31 (1975) 423, from memory). The offset of motors against
    strands is in it where the model has one.

    Parameters
    ----------
    analysis
        Fitted comparison.
    formulation
        Among its formulations.
    batch
        A batch of it that was tested, of which the motor is cast; None: a new one.
    one_more_test
        Whether to predict one more test, its own scatter beyond the stated uncertainties
        included, rather than what the propellant does.

    Raises
    ------
    DataError
        The tests do not tell the formulation's rate, exponent or scatter.
    """
    tests, layout, fit = analysis.tests, analysis.layout, analysis.fit
    if formulation not in layout.level_column:
        msg = f"there is no test of {formulation} to forecast from"
        raise DataError(msg, expected=f"one of {', '.join(analysis.names)}")
    if formulation not in layout.exponent_column:
        msg = f"the tests do not tell how the rate of {formulation} changes with pressure"
        raise DataError(msg, hint=_TESTS_HINT)
    offset = layout.firing_offset()
    level = layout.level(formulation) + (0.0 if offset is None else offset)
    contrasts = np.stack([level, layout.exponent(formulation)])
    if not analysis.reads_as_one_method(formulation):
        msg = f"strands and firings of {formulation} cannot be tied together"
        raise DataError(msg, hint="fire a motor from a batch that strands were burnt of")
    estimates = [fit.contrast(row) for row in contrasts]
    if any(one.sd is None for one in estimates):
        msg = f"the tests of {formulation} leave no scatter to judge its law by"
        raise DataError(msg, hint="burn more strands than the law has unknowns")
    covariance = contrasts @ fit.covariance @ contrasts.T
    mean = contrasts @ fit.beta
    own, spread, turning = None, _batch_spread(analysis), _slope_spread(analysis)
    if batch is not None:
        mean, covariance, own = _of_batch(analysis, contrasts, batch)
        spread = turning = None
    rows = tests.rows_of(formulation)
    return dataclasses.replace(
        _bare(analysis, formulation),
        ln_r0=float(mean[0]),
        n=float(mean[1]),
        covariance=covariance,
        df=(_df(estimates[0].df), _df(estimates[1].df)),
        as_motor=offset is not None or bool(tests.is_firing[rows].all()),
        batch_spread=spread,
        slope_spread=turning,
        spread_at=_spread_at(analysis),
        own_batch=own,
        test_sd=(fit.residual_sd or 0.0) if one_more_test else 0.0,
    )


def _df(value: float | None) -> float:
    return _EXACT_DF if value is None or value > _EXACT_DF else max(value, _FEWEST_DF)


def _batch_spread(analysis: Analysis) -> BatchSpread | None:
    fit = analysis.fit
    if fit.batch_sd is None or fit.between_df <= 0:
        return None
    counts = np.array(list(Counter(analysis.tests.batch).values()))
    within = analysis.within_batch_sd or 0.0
    noise = within * math.sqrt(float(np.mean(1.0 / counts)))
    return BatchSpread(sd=fit.batch_sd, df=float(fit.between_df), noise_sd=noise)


def _slope_spread(analysis: Analysis) -> BatchSpread | None:
    fit = analysis.fit
    if fit.slope_sd is None or fit.slope_df <= 0:
        return None
    labels, turned = np.array(analysis.tests.batch), analysis.layout.slopes
    widths = [
        float(np.sum((x - x.mean()) ** 2)) for x in (turned[labels == b] for b in fit.batches)
    ]
    known = [width for width in widths if width > 0.0]
    within = fit.within_sd or 0.0
    noise = within * math.sqrt(float(np.mean([1.0 / width for width in known]))) if known else 0.0
    return BatchSpread(sd=fit.slope_sd, df=float(fit.slope_df), noise_sd=noise)


def _spread_at(analysis: Analysis) -> float:
    return analysis.layout.centre - math.log(analysis.pressure)


def _of_batch(analysis: Analysis, contrasts: Floats, batch: str) -> tuple[Floats, Floats, Floats]:
    """Mean and covariance of (ln r at P0, n) of a tested batch, and what b and s leave open."""
    tests, fit = analysis.tests, analysis.fit
    same = np.array([name == batch for name in tests.batch])
    if not same.any():
        msg = f"there is no test of batch {batch} to forecast from"
        raise DataError(msg, expected=f"one of {', '.join(dict.fromkeys(tests.batch))}")
    design, x = analysis.layout.design, analysis.layout.slopes
    variances = np.diag([(fit.batch_sd or 0.0) ** 2, (fit.slope_sd or 0.0) ** 2])
    alone = np.full(same.size, max((fit.residual_sd or 0.0) ** 2, 1e-14))
    if analysis.known_variance is not None:
        alone = alone + analysis.known_variance
    labels = np.array(tests.batch)
    random = np.column_stack([np.ones_like(x), x])
    alike = labels[:, None] == labels[None, :]
    whole = alike * (random @ variances @ random.T) + np.diag(alone)
    # Level at P0 and exponent of the batch itself, of its b and s.
    taken = np.array([[1.0, -_spread_at(analysis)], [0.0, 1.0]])
    across = (random * same[:, None]) @ variances @ taken.T
    weights = np.linalg.solve(whole, across)
    residual = tests.log_rate - design @ fit.beta
    changed = contrasts - weights.T @ design
    mean = contrasts @ fit.beta + weights.T @ residual
    left = taken @ variances @ taken.T - weights.T @ across
    return mean, np.asarray(changed @ fit.covariance @ changed.T), np.asarray(left)


def law_from_fit(fit: RateFit, analysis: Analysis, *, of_strands: bool) -> LawSource:
    """Any law, fitted to the strands (or the firings) of a formulation, batches pooled.

    What batches differ by comes from the analysis: the pooled fit takes its tests for independent,
    so σ_b²/batches is added to the variance of its level.

    Parameters
    ----------
    fit
        Of one formulation.
    analysis
        Fitted comparison of the same campaign.
    of_strands
        Whether the fit is of strands alone, so that the offset of motors is still to come.

    Raises
    ------
    DataError
        The fit has no law or no interval.
    """
    if fit.ln_r0 is None or fit.n is None or fit.pressure_range is None:
        msg = f"{fit.label}: its {fit.points} points do not decide a burn-rate law"
        raise DataError(msg, hint=_TESTS_HINT)
    if fit.covariance is None or fit.df < 1:
        msg = f"{fit.label}: {fit.points} points leave nothing to judge the scatter by"
        raise DataError(msg, hint="burn more strands than the law has unknowns")
    base = _bare(analysis, fit.formulation)
    offset = _offset(analysis) if of_strands else None
    spread = _batch_spread(analysis)
    between = 0.0 if spread is None else spread.sd**2 / max(base.batches, 1)
    turning, at = _slope_spread(analysis), math.log(fit.reference_pressure)
    covariance = np.array(fit.covariance)[:2, :2].copy()
    covariance[0, 0] += between
    source = dataclasses.replace(
        base,
        law=fit.law,
        reference_pressure=fit.reference_pressure,
        ln_r0=fit.ln_r0,
        n=fit.n,
        covariance=covariance,
        df=(float(fit.df), float(fit.df)),
        pressure_range=fit.pressure_range,
        members=_members(fit, between),
        batch_spread=spread,
        slope_spread=turning,
        spread_at=analysis.layout.centre - at,
        offset=offset,
        as_motor=offset is not None or not of_strands,
    )
    if fit.temperature is None:
        return source
    return dataclasses.replace(
        source,
        sigma_p=fit.temperature.sigma_p,
        sigma_p_sd=fit.temperature.sigma_p_sd,
        reference_temperature=fit.temperature.reference,
        temperature_range=fit.temperature.span,
    )


def _bare(analysis: Analysis, formulation: str) -> LawSource:
    """What both ways share: names, counts and ranges, with a law that says nothing yet."""
    tests = analysis.tests
    rows = tests.rows_of(formulation)
    temperatures = tests.temperature[np.isfinite(tests.temperature)]
    return LawSource(
        formulation=formulation,
        law="power",
        reference_pressure=analysis.pressure,
        ln_r0=0.0,
        n=0.0,
        covariance=np.zeros((2, 2)),
        df=(_EXACT_DF, _EXACT_DF),
        pressure_range=tests.pressure_range(formulation),
        batches=tests.batches_of(formulation),
        strands=int(np.sum(rows & ~tests.is_firing)),
        firings=int(np.sum(rows & tests.is_firing)),
        reference_temperature=float(np.mean(temperatures)) if temperatures.size else None,
        temperature_range=(
            (float(temperatures.min()), float(temperatures.max())) if temperatures.size else None
        ),
    )


def _offset(analysis: Analysis) -> MethodOffset | None:
    """Offset of motors against strands, where the analysis has it with an interval."""
    estimate = analysis.method_offset
    if estimate is None or estimate.sd is None:
        return None
    return MethodOffset(value=estimate.value, sd=estimate.sd, df=_df(estimate.df))


def _members(fit: RateFit, between: float) -> LawMembers | None:
    mixture = fit.mixture
    if mixture is None:
        return None
    size = 2 + mixture.breaks.shape[1]
    covariances = mixture.covariances[:, :size, :size].copy()
    covariances[:, 0, 0] += between
    return LawMembers(
        breaks=mixture.breaks,
        coefficients=mixture.coefficients[:, :size],
        covariances=covariances,
        df=float(mixture.df),
    )
