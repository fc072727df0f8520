"""The coefficients of a fitted law as people know them, with their intervals."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.ratelaw.laws import law_named
from strandwise.ratelaw.results import FittedParameter

if TYPE_CHECKING:
    from strandwise.ratelaw.assemble import Solution
    from strandwise.ratelaw.segments import SegmentSolution

__all__ = ["parameters_of"]

_LARGEST_LOG = 700.0


def parameters_of(
    law: str, solution: Solution, reference: float, df: int
) -> tuple[FittedParameter, ...]:
    """Customary coefficients of a solution, P0 in Pa, with 95 % intervals where `df` allows.

    The segmented law has r0, its exponents n1 to n(m + 1) from low to high pressure and its break
    pressures P1 to Pm. Where the temperature was fitted σ_p comes last.
    """
    if solution.segments is not None:
        own = _of_segments(solution.segments, reference)
    else:
        own = _of_law(law, solution, reference, df)
    if solution.sigma_p is None:
        return own
    if df < 1:
        return (*own, FittedParameter("sigma_p", solution.sigma_p, None, None, "1/K"))
    sd = math.sqrt(float(solution.covariance[-1, -1]))
    half = float(stdtrit(df, 0.975)) * sd
    interval = (solution.sigma_p - half, solution.sigma_p + half)
    return (*own, FittedParameter("sigma_p", solution.sigma_p, sd, interval, "1/K"))


def _of_law(
    name: str, solution: Solution, reference: float, df: int
) -> tuple[FittedParameter, ...]:
    law = law_named(name)
    values = np.real(law.coefficients(solution.ln_r0, solution.n, reference))
    if df < 1:
        return tuple(
            FittedParameter(one.name, float(value), None, None, one.unit)
            for one, value in zip(law.parameters, values, strict=True)
        )
    gradient = law.coefficient_gradient(solution.ln_r0, solution.n, reference)
    variances = np.einsum("pi,ij,pj->p", gradient, solution.covariance[:2, :2], gradient)
    sds = np.sqrt(np.maximum(variances, 0.0))
    quantile = float(stdtrit(df, 0.975))
    fitted = []
    interval: tuple[float, float] | None
    for one, value, sd in zip(law.parameters, values.tolist(), sds.tolist(), strict=True):
        if one.positive:
            # Beyond this its upper end is no float: the tests say nothing of the coefficient.
            half = min(quantile * sd / value, _LARGEST_LOG)
            bounded = half + max(math.log(value), 0.0) < _LARGEST_LOG
            interval = (value / math.exp(half), value * math.exp(half)) if bounded else None
        else:
            interval = (value - quantile * sd, value + quantile * sd)
        fitted.append(FittedParameter(one.name, value, sd, interval, one.unit))
    return tuple(fitted)


def _of_segments(segments: SegmentSolution, reference: float) -> tuple[FittedParameter, ...]:
    theta, count, mixture = segments.theta, segments.breaks.size, segments.mixture
    r0 = math.exp(float(theta[0]))
    low, high = (float(end[0]) for end in mixture.band(np.zeros(1), 0.95)[:2])
    r0_sd = r0 * float(mixture.log_sd(np.zeros(1))[0])
    fitted = [FittedParameter("r0", r0, r0_sd, (math.exp(low), math.exp(high)), "m/s")]
    means, sds = mixture.slopes()
    for segment in range(count + 1):
        own, own_sd = means[:, segment], sds[:, segment]
        fitted.append(
            FittedParameter(
                f"n{segment + 1}",
                float(theta[1 + segment]),
                math.sqrt(float(np.mean(own_sd**2) + own.var())),
                mixture.interval(own, own_sd),
                "1",
            )
        )
    spread = mixture.breaks.std(axis=0)
    for number, at in enumerate(segments.breaks.tolist()):
        low, high = segments.break_intervals[number]
        pressure = reference * math.exp(at)
        fitted.append(
            FittedParameter(
                f"P{number + 1}",
                pressure,
                pressure * float(spread[number]),
                (reference * math.exp(low), reference * math.exp(high)),
                "Pa",
            )
        )
    return tuple(fitted)
