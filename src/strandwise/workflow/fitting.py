"""From rate points to laws: one fit for each batch, or for a formulation's batches pooled."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.ratelaw import explain_fit, fit_batches
from strandwise.workflow.opening import unknown_name
from strandwise.workflow.reducing import reference_of, series_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Mapping, Sequence

    from strandwise.ratelaw import Explanation, RateFit, RateSeries
    from strandwise.records import Campaign, Firing, StrandReading
    from strandwise.reduction import RatePoint
    from strandwise.workflow.reducing import ReducedCampaign
    from strandwise.workflow.temperatures import AtTemperature

__all__ = [
    "Fitter",
    "Method",
    "explain_campaign_fit",
    "fit_campaign",
    "impossible_cautions",
    "points_to_fit",
    "untested_caution",
]

Method = Literal["auto", "strand", "firing", "both"]
"""Which tests a batch's law is fitted to; ``auto`` takes strands where there are enough."""

Fitter = Callable[..., "list[RateFit]"]
"""`fit_batches`, or what takes and gives the same."""

_ENOUGH_STRANDS = 3


def fit_campaign(
    reduced: ReducedCampaign,
    *,
    batch: str | None = None,
    pool: bool = False,
    law: str = "power",
    method: Method = "auto",
    reference_pressure: float | None = None,
    at: AtTemperature | None = None,
    fitter: Fitter = fit_batches,
) -> tuple[RateFit, ...]:
    """Fit a rate law to each batch, or to each formulation's batches pooled.

    Parameters
    ----------
    reduced
        The campaign's points; those that are not used are left out.
    batch
        One batch only.
    pool
        Whether the batches of a formulation go into one fit, as if they were one batch.
    law
        Name of the law.
    method
        Which tests to fit.
    reference_pressure
        Absolute, Pa; None: that of `reference_of`.
    at
        Temperature that the rates are wanted at; None: as the tests were.
    fitter
        What fits the series; `strandwise.ratelaw.nonlinear` has the one for laws other than the
        power law, apart since it takes long to load.

    Raises
    ------
    RequestError
        There is no such batch, or it has no point that may be used.
    """
    campaign = reduced.campaign
    if batch is not None and batch not in campaign.batches:
        error = unknown_name("batch", batch, campaign.batches)
        raise error
    used = [p for p in reduced.points if p.used]
    left_out = [p for p in reduced.points if not p.used]
    if not any(batch in (None, p.batch) for p in used):
        where = f"batch `{batch}`" if batch else f"campaign `{campaign.name}`"
        msg = f"{where} has no test that may be used"
        raise RequestError(
            msg, hint="`strandwise log strand` adds one; `strandwise reduce` lists all"
        )
    by: Literal["formulation", "batch"] = "formulation" if pool else "batch"
    groups: dict[str, list[RatePoint]] = {}
    for point in used:
        groups.setdefault(getattr(point, by), []).append(point)
    # The other batches stay in: what stands out from a law is judged by their scatter too.
    chosen = {label: points_to_fit(points, method) for label, points in groups.items()}
    reference = reference_pressure or reference_of(reduced)
    series = series_of(
        [p for points, _ in chosen.values() for p in points], by=by, wording=reduced.wording
    )
    if not series:
        msg = f"there is no {method} that may be used"
        raise RequestError(msg, hint="`strandwise reduce` lists all tests; see --method")
    fits = _fitted(series, at, fitter, law=law, reference_pressure=reference)
    order = list(campaign.formulations if pool else campaign.batches)
    of = None if batch is None else campaign.batches[batch].formulation
    with_cautions = [
        dataclasses.replace(
            fit,
            cautions=(
                *fit.cautions,
                *chosen[fit.label][1],
                *_pool_caution(groups, fit, pool=pool),
                *impossible_cautions(p for p in left_out if getattr(p, by) == fit.label),
            ),
        )
        for fit in fits
        if batch is None or fit.label == batch or (pool and fit.formulation == of)
    ]
    return tuple(sorted(with_cautions, key=lambda fit: order.index(fit.label)))


def _fitted(
    series: Sequence[RateSeries], at: AtTemperature | None, fitter: Fitter, **options: Any
) -> list[RateFit]:
    if at is None:
        return fitter(series, **options)
    fits = at.fitter(fitter)([at.readings(one) for one in series], **options)
    return [at.told(fit, one) for fit, one in zip(fits, series, strict=True)]


def impossible_cautions(points: Iterable[RatePoint]) -> tuple[Caution, ...]:
    """Name the points left out since they cannot be, so that they are not missed."""
    return tuple(
        Caution(caution.code, f"{point.test}: {caution.message}", caution.tests)
        for point in points
        for caution in point.cautions
        if caution.code == "impossible-point"
    )


def untested_caution(reduced: ReducedCampaign) -> Caution | None:
    """Name the batches of which no test may be used, so that they are not missed; None: all are."""
    tested = {point.batch for point in reduced.points if point.used}
    untested = [name for name in reduced.campaign.batches if name not in tested]
    if not untested:
        return None
    return Caution(
        "no-tests", f"no test of {', '.join(untested)} may be used: no law is known of it"
    )


def explain_campaign_fit(
    reduced: ReducedCampaign,
    fit: RateFit,
    *,
    method: Method = "auto",
    at: AtTemperature | None = None,
    fitter: Fitter = fit_batches,
    format_pressure: Callable[[float], str],
    format_rate: Callable[[float], str],
) -> Explanation:
    """Say in plain words what drives the law of one batch, and which test to repeat or to add.

    Parameters
    ----------
    reduced, method, at, fitter
        What the fit was made from, and how.
    fit
        Of one batch, from `fit_campaign`.
    format_pressure, format_rate
        How Pa and m/s are written.
    """
    points = [p for p in reduced.points if p.used and p.batch == fit.label]
    (series,) = series_of(points_to_fit(points, method)[0], by="batch", wording=reduced.wording)
    dates = _dates(reduced.campaign)
    if at is not None:
        series, fitter = at.readings(series), at.fitter(fitter)
    order = [float(dates[t].toordinal()) if t in dates else math.nan for t in series.tests]
    return explain_fit(
        fit,
        series,
        order=order,
        fitter=fitter,
        format_pressure=format_pressure,
        format_rate=format_rate,
    )


def _dates(campaign: Campaign) -> dict[str, dt.date]:
    dated: list[StrandReading | Firing] = [*campaign.strands, *campaign.firings]
    return {test.test: test.date for test in dated if test.date is not None}


def points_to_fit(
    points: Sequence[RatePoint], method: Method
) -> tuple[list[RatePoint], tuple[Caution, ...]]:
    """The points of one batch or pool that its law is fitted to, and what that leaves out."""
    strands = [p for p in points if p.kind == "strand"]
    firings = [p for p in points if p.kind == "firing"]
    if method == "both" or not strands or not firings:
        return {"strand": strands, "firing": firings}.get(method, list(points)), ()
    if method == "auto":
        method = "strand" if len(strands) >= min(_ENOUGH_STRANDS, len(firings)) else "firing"
    kept, left = (strands, firings) if method == "strand" else (firings, strands)
    noun = "firing" if method == "strand" else "strand"
    caution = Caution(
        "methods-apart",
        f"{len(left)} {noun}{'s' if len(left) > 1 else ''} left out, since strands and motors read "
        "differently; `compare` estimates the difference, `--method both` fits all as one",
    )
    return kept, (caution,)


def _pool_caution(
    groups: Mapping[str, Sequence[RatePoint]], fit: RateFit, *, pool: bool
) -> tuple[Caution, ...]:
    batches = {point.batch for point in groups[fit.label]}
    if not pool or len(batches) < 2:
        return ()
    return (
        Caution(
            "batches-pooled",
            f"{len(batches)} batches are fitted as one; tests of one batch resemble each other, so "
            "the interval is too narrow where batches differ: `compare` allows for that",
        ),
    )
