"""Measured rate against what the batches really consist of."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.formulation import resolve_recipes
from strandwise.tracking import MeasuredBlend, fit_mixture
from strandwise.workflow.fitting import fit_campaign
from strandwise.workflow.recipes import batch_mix
from strandwise.workflow.reducing import reference_of

if TYPE_CHECKING:
    from strandwise.tracking import MixtureFit
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["CompositionView", "MeasuredBlends", "composition_view", "measured_blends"]


@dataclass(frozen=True, kw_only=True, slots=True)
class MeasuredBlends:
    """What the batches consist of, and how fast they burn at one pressure.

    Parameters
    ----------
    pressure
        Absolute, Pa.
    blends
        Those that were tested around that pressure.
    left_out
        Batches that were not.
    """

    pressure: float
    blends: tuple[MeasuredBlend, ...]
    left_out: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class CompositionView:
    """ln r at one pressure as a blend of the ingredients.

    Parameters
    ----------
    pressure
        Absolute, Pa.
    fit
        The blending model; its response is ln(r / (1 m/s)).
    batches
        That it rests on.
    left_out
        Batches that were not tested around that pressure.
    """

    pressure: float
    fit: MixtureFit
    batches: tuple[str, ...]
    left_out: tuple[str, ...]


def measured_blends(reduced: ReducedCampaign, *, pressure: float | None = None) -> MeasuredBlends:
    """Rate of each batch at a pressure beside what it really consists of.

    Each batch counts once, at the rate that its own law gives at the pressure, with the recipe
    that was really weighed in where that is on record. A batch whose tests do not reach the
    pressure is left out.

    Parameters
    ----------
    reduced
        The campaign's points.
    pressure
        Absolute, Pa; None: the campaign's reference, else the middle of the data.

    Raises
    ------
    RequestError
        No test may be used.
    """
    campaign = reduced.campaign
    fits = fit_campaign(reduced, reference_pressure=pressure)
    at = pressure or reference_of(reduced)
    recipes, _ = resolve_recipes(campaign.formulations, campaign.ingredients)
    rates, left_out = {}, []
    for fit in fits:
        low, high = fit.pressure_range or (math.inf, -math.inf)
        if fit.ln_r0 is None or not low <= at <= high:
            left_out.append(fit.label)
        else:
            rates[fit.label] = fit.rate_at(at)
    return MeasuredBlends(
        pressure=at,
        blends=tuple(
            MeasuredBlend(
                batch=name,
                formulation=batch.formulation,
                fractions=batch_mix(
                    campaign, batch, recipes[batch.formulation]
                ).recipe.mass_fractions,
                rate=rates[name].rate,
                ci95=rates[name].ci95,
            )
            for name, batch in campaign.batches.items()
            if name in rates
        ),
        left_out=tuple(left_out),
    )


def composition_view(measured: MeasuredBlends) -> CompositionView:
    """Fit measured ln r at a pressure to the composition of the batches.

    Parameters
    ----------
    measured
        From `measured_blends`.

    Raises
    ------
    DataError
        The data cannot carry the model; the message says why.
    """
    return CompositionView(
        pressure=measured.pressure,
        fit=fit_mixture(
            {blend.batch: blend.fractions for blend in measured.blends},
            {blend.batch: math.log(blend.rate) for blend in measured.blends},
        ),
        batches=tuple(blend.batch for blend in measured.blends),
        left_out=measured.left_out,
    )
