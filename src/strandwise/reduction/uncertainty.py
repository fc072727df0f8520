"""What a firing's rate, pressure and c* are worth, and the rate swept within it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.reduction.budget import budget_of
from strandwise.units import digits_text

if TYPE_CHECKING:
    from strandwise.reduction.budget import FiringBudget
    from strandwise.reduction.chain import Outcome, TraceChain
    from strandwise.reduction.results import FiringReduction
    from strandwise.reduction.swept import SweptRate

__all__ = ["with_uncertainty"]

_CHAMBER = {"free-volume": "the free volume of the chamber", "igniter": "the igniter's gas"}
_COUNTS = 0.01  # of the exponent
_CLOSED = 0.05  # how far the swept volume may lie from the grain's


def with_uncertainty(result: FiringReduction, chain: TraceChain) -> FiringReduction:
    """Add the budget, the standard uncertainties from it, and the swept rate.

    Parameters
    ----------
    result
        With rate and pressure.
    chain
        Of the same firing.

    Returns
    -------
    FiringReduction

    Raises
    ------
    DataError
        As `budget_of`.
    """
    assert result.rate_thickness_over_time is not None
    assert result.rate_mean_pressure is not None
    nominal = chain.run({})
    budget = budget_of(chain, nominal)
    c_star = result.characteristic_velocity
    swept = nominal.swept
    if swept is not None and budget.swept_covariance is not None:
        swept = swept.with_shared(budget.swept_covariance)
    account = (
        *result.account,
        f"standard uncertainty: rate {digits_text(100.0 * budget.rate_sd)} %, pressure "
        f"{digits_text(100.0 * budget.pressure_sd)} %; {budget.advice}",
        *_swept_account(nominal, swept, budget),
    )
    return replace(
        result,
        rate_sd=budget.rate_sd * result.rate_thickness_over_time,
        pressure_sd=budget.pressure_sd * result.rate_mean_pressure,
        characteristic_velocity_sd=(
            None if c_star is None or budget.c_star_sd is None else budget.c_star_sd * c_star
        ),
        budget=budget,
        swept=swept,
        chain=chain,
        account=account,
        cautions=result.cautions + _closure_cautions(swept),
    )


def _swept_account(
    nominal: Outcome, swept: SweptRate | None, budget: FiringBudget
) -> tuple[str, ...]:
    if swept is None:
        return () if nominal.why_not_swept is None else (nominal.why_not_swept,)
    closed = (
        f"swept rate: {100.0 * swept.closure:.1f} % of the grain's volume swept by the end of "
        "action, then closed on it"
    )
    interval = swept.exponent_interval()
    if interval is None:
        return closed, f"no exponent from within the firing: {swept.why_no_exponent}"
    return (
        closed,
        f"exponent within the firing {swept.exponent:.3f}, 95 % interval {interval[0]:.3f} to "
        f"{interval[1]:.3f}: {np.count_nonzero(swept.used)} samples that scatter like "
        f"{_independent(swept.independent_samples)}, and share their web, throat, "
        "calibration, mass and batch; for the level of the rate the firing is one point",
        *_unrecorded(abs(swept.exponent or 0.0), budget),
    )


def _independent(samples: float) -> str:
    count = f"{samples:.0f}"
    return f"{count} independent one{'' if count == '1' else 's'}"


def _unrecorded(exponent: float, budget: FiringBudget) -> tuple[str, ...]:
    """Say what the chamber's volume and the igniter leave open of the exponent, where it counts."""
    effects = {row.reading.key: abs(row.exponent_effect or 0.0) for row in budget.rows}
    told = [
        f"{name} (±{effects[key]:.2g})"
        for key, name in _CHAMBER.items()
        if effects.get(key, 0.0) > _COUNTS * exponent
    ]
    if not told:
        return ()
    return (f"what the record leaves open of that exponent: {', '.join(told)}",)


def _closure_cautions(swept: SweptRate | None) -> tuple[Caution, ...]:
    if swept is None or abs(swept.closure - 1.0) <= _CLOSED:
        return ()
    text = (
        f"the trace sweeps {100.0 * swept.closure:.0f} % of the grain's volume: its mass, density "
        "and sizes do not agree with each other"
    )
    return (Caution("web-not-closed", text),)
