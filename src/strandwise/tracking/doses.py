"""Slope of the burn rate over the doses of one ingredient."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import fdtrc

from strandwise.findings import Caution
from strandwise.tracking.comparison import DoseSlope

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from strandwise.formulation import Dose
    from strandwise.tracking.analysis import Analysis
    from strandwise.tracking.mixed import ContrastEstimate

    FloatArray = NDArray[np.float64]

__all__ = ["dose_slopes"]

_SUSPICIOUS = 0.05


def dose_slopes(
    doses: Mapping[str, Dose], contrasts: Mapping[str, FloatArray], analysis: Analysis
) -> tuple[DoseSlope, ...]:
    """Fit ln(shift) = slope · dose through the baseline, for each ingredient and what it replaces.

    The shifts share the baseline and the model, so the slope is by generalised least squares
    with their covariance; it is then one more contrast of the model, with its own degrees of
    freedom.

    Parameters
    ----------
    doses
        Dose of each formulation; those not relative to the baseline are left out.
    contrasts
        Contrast of the model that gives each formulation's ln-shift.
    analysis
        The fitted comparison; its baseline is the zero dose.
    """
    series: dict[tuple[str, str], list[str]] = {}
    for name, dose in sorted(doses.items(), key=lambda item: (item[1].amount, item[0])):
        if name in contrasts and dose.relative_to == analysis.baseline:
            series.setdefault((dose.ingredient, dose.replaces), []).append(name)
    out = []
    for (ingredient, replaces), names in sorted(series.items()):
        amounts = np.array([doses[name].amount for name in names])
        shifts = np.array([contrasts[name] for name in names])
        estimated, misfit_p = _slope(amounts, shifts, analysis)
        out.append(
            DoseSlope(
                ingredient=ingredient,
                replaces=replaces,
                formulations=tuple(names),
                amounts=tuple(float(amount) for amount in amounts),
                percent_per_percent=_percent(estimated.value),
                ci95=None if estimated.ci95 is None else _percent_pair(estimated.ci95),
                cautions=_cautions(ingredient, amounts, misfit_p),
            )
        )
    return tuple(out)


def _slope(
    amounts: FloatArray, shifts: FloatArray, analysis: Analysis
) -> tuple[ContrastEstimate, float | None]:
    fit = analysis.fit
    covariance = shifts @ fit.covariance_unadjusted @ shifts.T
    if fit.exact or fit.df == 0:
        covariance = np.eye(amounts.size)
    weighted = np.linalg.solve(covariance, amounts)
    estimated = analysis.estimate((weighted / (amounts @ weighted)) @ shifts)
    if amounts.size < 2 or not estimated.sd or estimated.df is None:
        return estimated, None
    off = shifts @ fit.beta - estimated.value * amounts
    misfit = float(off @ np.linalg.solve(covariance, off)) / (amounts.size - 1)
    return estimated, float(fdtrc(amounts.size - 1, estimated.df, misfit))


def _percent(slope: float) -> float:
    """Percent of rate for one percent of dose."""
    return 100.0 * math.expm1(0.01 * slope)


def _percent_pair(interval: tuple[float, float]) -> tuple[float, float]:
    return _percent(interval[0]), _percent(interval[1])


def _cautions(ingredient: str, amounts: FloatArray, misfit_p: float | None) -> tuple[Caution, ...]:
    out = []
    if np.unique(amounts).size == 1:
        message = (
            f"{ingredient} was tested at one dose: its slope spreads the shift evenly over the "
            "dose, percent by percent; whether the effect grows evenly with the dose is not known"
        )
        out.append(Caution("one-dose", message))
    elif misfit_p is not None and misfit_p < _SUSPICIOUS:
        message = (
            f"the shifts of {ingredient} do not lie on one line through the baseline: the slope "
            "is a mean over these doses and does not hold between or beyond them"
        )
        out.append(Caution("dose-not-linear", message))
    return tuple(out)
