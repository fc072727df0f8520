"""Which burn-rate law the points support."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.ratelaw.assemble import (
    Solution,
    design_of,
    log_points,
    unresolved_reason,
)
from strandwise.ratelaw.choice import CLOSE, LawCandidate, LawChoice
from strandwise.ratelaw.curves import fit_nonlinear
from strandwise.ratelaw.fit import power_law
from strandwise.ratelaw.lack_of_fit import lack_of_fit_p
from strandwise.ratelaw.segments import MOST_BREAKS, most_breaks
from strandwise.ratelaw.temperature import temperature_reason
from strandwise.ratelaw.warm import readings_of, segmented_law

if TYPE_CHECKING:
    from strandwise.ratelaw.series import RateSeries

__all__ = ["aicc_of", "choose_law", "solve_law"]

_SPARE_POINTS = 3
_SMOOTH = ("power", "linear", "two-term")
_BEND_P = 0.05
_ALIKE = 0.1  # of AICc: below it two laws are told to be alike
_BREAK_MARGIN = 4.0
"""What a break must gain beyond its two parameters: its place was searched, so that chance alone
lowers the AICc by more than for a parameter given beforehand."""


@dataclass(frozen=True, eq=False, slots=True)
class _Tried:
    law: str
    breaks: int
    solution: Solution
    aicc: float
    bend_p: float


def solve_law(
    series: RateSeries, law: str, reference: float, temperature: float | None = None
) -> tuple[Solution | None, str]:
    """Fit one law to one series.

    Parameters
    ----------
    series, law
        What to fit; ``segmented`` takes the number of breaks of the lowest AICc.
    reference, temperature
        P0, Pa, and T0, K.

    Returns
    -------
    The solution, or None and the reason: that of
    `strandwise.ratelaw.assemble.unresolved_reason`, or ``few-for-breaks``.

    Raises
    ------
    DataError
        The law cannot be fitted.
    """
    reason = unresolved_reason(log_points(series))
    if reason:
        return None, reason
    if law != "segmented":
        return _smooth(series, law, reference, temperature), ""
    tried = _segmented(series, reference, temperature)
    if not tried:
        return None, "few-for-breaks"
    best = tried[0]
    for other in tried[1:]:
        if other.aicc < best.aicc - CLOSE:
            best = other
    return best.solution, ""


def choose_law(
    series: RateSeries, reference: float, temperature: float | None = None
) -> tuple[LawChoice, Solution | None, str]:
    """Fit every law that the points allow, and take one.

    The power law stands unless another has an AICc lower by more than 2 and the points bend away
    from the power law (`lack_of_fit_p` below 5 %). A law with breaks must be better than the best
    smooth one by more than 4 for each break, and the points must bend away from that one too. No
    law but the power law is tried with fewer than its parameters and three more points.

    Parameters
    ----------
    series, reference, temperature
        As for `solve_law`.

    Returns
    -------
    The choice; the solution of the law taken and the reason as for `solve_law`.
    """
    reason = unresolved_reason(log_points(series))
    if reason:
        choice = LawChoice("power", None, (), True, "the tests decide no law at all")
        return choice, None, reason
    k = len(series.tests)
    warm = not temperature_reason(series, 2)
    names = _SMOOTH if k >= 2 + warm + _SPARE_POINTS else _SMOOTH[:1]
    smooth: list[_Tried] = []
    failed: dict[str, str] = {}
    for name in names:
        try:
            solution = _smooth(series, name, reference, temperature)
        except DataError as error:
            failed[name] = error.message
        else:
            smooth.append(_weighed(name, 0, solution))
    power = taken = smooth[0]
    best = min(smooth, key=lambda one: one.aicc)
    if best.aicc < power.aicc - CLOSE and power.bend_p < _BEND_P:
        taken = best
    broken = _segmented(series, reference, temperature)
    if taken.bend_p < _BEND_P:
        for other in broken:
            more = other.breaks - taken.breaks
            if other.aicc < taken.aicc - _BREAK_MARGIN * more:
                taken = other
    return _choice(taken, [*smooth, *broken], warm, failed), taken.solution, ""


def aicc_of(solution: Solution, parameters: int) -> float:
    """Akaike's criterion for small samples (Hurvich and Tsui, Biometrika 76 (1989) 297).

    The likelihood is that of ln r with the variances of the fit up to a common factor, which is
    at its maximum-likelihood value: restricted likelihoods of unlike laws do not compare.

    Parameters
    ----------
    solution
        A fit.
    parameters
        Of the law and of the temperature; the scatter is counted besides.

    Returns
    -------
    Infinity where there are too few points for the correction.
    """
    k = solution.residuals.size
    counted = parameters + 1
    if k - counted - 1 <= 0:
        return math.inf
    chi = float(np.sum(solution.weights * solution.residuals**2))
    log_variance = -float(np.sum(np.log(solution.weights)))
    deviance = log_variance + k * math.log(max(chi / k, 1e-300)) + k * (1.0 + math.log(2 * math.pi))
    return deviance + 2.0 * counted * k / (k - counted - 1.0)


def _smooth(series: RateSeries, law: str, reference: float, temperature: float | None) -> Solution:
    if law == "power":
        return power_law(series, reference, temperature)
    warm = not temperature_reason(series, 2)
    readings, at = readings_of(series, reference, temperature, warm=warm)
    solution = fit_nonlinear(
        np.log(series.pressure),
        series.rate,
        readings.sd_x,
        readings.sd_y * series.rate,
        law=law,
        ln_reference=math.log(reference),
        warmer=readings.fixed[:, 0] if warm else None,
        covariance=readings.covariance * series.rate,
    )
    return solution.at_temperature(at)


def _segmented(series: RateSeries, reference: float, temperature: float | None) -> list[_Tried]:
    x = np.log(series.pressure)
    return [
        _weighed("segmented", m, segmented_law(series, reference, m, temperature))
        for m in range(1, most_breaks(x) + 1)
    ]


def _weighed(law: str, breaks: int, solution: Solution) -> _Tried:
    p = lack_of_fit_p(
        solution.adjusted, solution.weights, design_of(law, solution), solution.residuals
    )
    return _Tried(law, breaks, solution, aicc_of(solution, len(solution.theta)), p)


def _choice(taken: _Tried, tried: list[_Tried], warm: bool, failed: dict[str, str]) -> LawChoice:
    lowest = min(one.aicc for one in tried)
    shown = [
        LawCandidate(
            one.law,
            one.breaks,
            len(one.solution.theta) + 1,
            one.aicc if math.isfinite(one.aicc) else None,
            one.aicc - lowest if math.isfinite(one.aicc) else None,
            one.bend_p,
        )
        for one in sorted(tried, key=lambda one: one.aicc)
    ]
    have = {(one.law, one.breaks) for one in tried}
    every = [(name, 0) for name in _SMOOTH]
    every += [("segmented", m) for m in range(1, MOST_BREAKS + 1)]
    for name, breaks in every:
        if (name, breaks) not in have:
            own = 2 + 2 * breaks + warm
            more = f" at {2 + 2 * breaks} pressures that can be told apart" if breaks else ""
            why = f"needs {own + _SPARE_POINTS} tests or more{more}"
            why = failed.get(name, why)
            shown.append(LawCandidate(name, breaks, own + 1, None, None, None, why))
    others = [one.aicc for one in tried if one is not taken]
    margin = min(others) - taken.aicc if others and math.isfinite(taken.aicc) else None
    thin = margin is None or margin < CLOSE
    return LawChoice(taken.law, margin, tuple(shown), thin, _reason(taken, tried, margin))


def _reason(taken: _Tried, tried: list[_Tried], margin: float | None) -> str:
    name = taken.law if not taken.breaks else f"segmented law with {taken.breaks} break"
    name += "s" if taken.breaks > 1 else "" if taken.breaks else " law"
    if margin is None:
        return f"too few tests to weigh other laws: the {name} was taken"
    others = [one for one in tried if one is not taken]
    best = min(others, key=lambda one: one.aicc)
    other = best.law if not best.breaks else f"{best.law} ({best.breaks} breaks)"
    if abs(margin) < _ALIKE:
        return f"the {name} was taken: the {other} law has the same AICc, within {_ALIKE}"
    if margin < 0.0:
        return (
            f"the {name} was taken although the {other} law has an AICc lower by {-margin:.1f}: "
            "the points do not bend away from it by more than chance does"
        )
    return f"the {name} was taken: its AICc is {margin:.1f} below that of the {other} law"
