"""From a campaign's tests and a motor's file to what the motor would see."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.forecast import IN_SI, forecast_motor, law_from_analysis, law_from_fit
from strandwise.workflow.fitting import fit_campaign, impossible_cautions
from strandwise.workflow.motor_design import design_of
from strandwise.workflow.opening import unknown_name
from strandwise.workflow.tracking import analyse_campaign

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import Forecast, LawSource, Wanted, Wording
    from strandwise.ratelaw import RateFit
    from strandwise.records import MotorRecord
    from strandwise.tracking import Analysis
    from strandwise.workflow.fitting import Fitter
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = [
    "anchor_of",
    "forecast_campaign",
    "forecast_formulations",
    "law_cautions",
    "law_source",
    "tested_formulations",
    "with_sensitivity",
]


def tested_formulations(reduced: ReducedCampaign) -> tuple[str, ...]:
    """Formulations with a test that may be used, the baseline first, then as in the files."""
    tested = {point.formulation for point in reduced.points if point.used}
    baseline = reduced.campaign.settings.baseline
    names = [baseline, *(name for name in reduced.campaign.formulations if name != baseline)]
    return tuple(name for name in names if name in tested)


def law_source(
    reduced: ReducedCampaign,
    formulation: str,
    *,
    analysis: Analysis,
    batch: str | None = None,
    law: str = "power",
    fitter: Fitter | None = None,
) -> LawSource:
    """What the campaign's tests say of a formulation's rate in a motor.

    The power law comes from the mixed model of all batches, any other from the formulation's
    strands pooled (its firings where there are no strands).

    Raises
    ------
    RequestError, DataError
        No such formulation or batch, a batch with another law than the power law, or tests that
        do not tell.
    """
    if law == "power":
        source = law_from_analysis(analysis, formulation, batch=batch)
        return _with_left_out(source, reduced)
    if batch is not None:
        msg = f"a forecast of batch {batch} by the {law} law"
        raise RequestError(msg, expected="the power law for one batch, or no batch")
    fit = _pooled_fit(reduced, formulation, law, analysis.pressure, fitter)
    source = law_from_fit(fit, analysis, of_strands=_has_strands(reduced, formulation))
    return _with_left_out(source, reduced)


def _with_left_out(source: LawSource, reduced: ReducedCampaign) -> LawSource:
    used = {point.test for point in reduced.points if point.used}
    names = [f.test for f in reduced.firings if f.formulation == source.formulation]
    return dataclasses.replace(
        source, firings_left_out=tuple(name for name in names if name not in used)
    )


def _has_strands(reduced: ReducedCampaign, formulation: str) -> bool:
    return any(
        p.used and p.formulation == formulation and p.kind == "strand" for p in reduced.points
    )


def _pooled_fit(
    reduced: ReducedCampaign, formulation: str, law: str, pressure: float, fitter: Fitter | None
) -> RateFit:
    options = {} if fitter is None else {"fitter": fitter}
    fits = fit_campaign(
        reduced,
        pool=True,
        law=law,
        method="strand" if _has_strands(reduced, formulation) else "firing",
        reference_pressure=pressure,
        **options,  # type: ignore[arg-type]
    )
    fit = next((one for one in fits if one.formulation == formulation), None)
    if fit is None:
        msg = f"there is no test of {formulation} to forecast from"
        raise RequestError(msg, hint="`strandwise log strand` adds one")
    return fit


def law_cautions(
    reduced: ReducedCampaign,
    formulations: Sequence[str],
    *,
    law: str = "power",
    batch: str | None = None,
) -> dict[str, tuple[Caution, ...]]:
    """What speaks against a law: tests that bend away from it, or follow it as no readings do.

    Parameters
    ----------
    reduced, formulations, law, batch
        As `forecast_campaign`; the tests are held against the power law, and of another law only
        the latter is told.

    Returns
    -------
    dict
        Of every formulation, in most cases without any.
    """
    alone = [fit for fit in fit_campaign(reduced) if batch in (None, fit.label)]
    pooled = fit_campaign(reduced, pool=True) if batch is None else ()
    told = {"not-a-power-law": _bends, "no-scatter": _no_readings}
    if law != "power":
        del told["not-a-power-law"]
    found: dict[str, tuple[Caution, ...]] = {}
    for name in formulations:
        cautions = []
        for code, words in told.items():
            batches = [f.label for f in alone if f.formulation == name and _is_told(f, code)]
            if batches or any(f.formulation == name and _is_told(f, code) for f in pooled):
                cautions.append(words(name, batches))
        found[name] = tuple(cautions)
    return found


def _of_batches(batches: list[str]) -> str:
    word = "batch" if len(batches) == 1 else "batches"
    return f" ({word} {', '.join(batches)})" if batches else ""


def _no_readings(formulation: str, batches: list[str]) -> Caution:
    return Caution(
        "no-scatter",
        f"the tests of {formulation}{_of_batches(batches)} lie closer to their law than readings "
        "of burns can, as `strandwise fit` tells: where rates were worked out from a law rather "
        "than measured, the spread of this forecast says nothing about real propellant",
    )


def _bends(formulation: str, batches: list[str]) -> Caution:
    return Caution(
        "not-a-power-law",
        f"the tests of {formulation}{_of_batches(batches)} bend away from the power law, as "
        "`strandwise fit` tells: with a plateau or a change of slope the pressures here may "
        "be far off, also where it was tested; forecast with `--law segmented` as well, and "
        "believe the higher",
    )


def _is_told(fit: RateFit, code: str) -> bool:
    return any(caution.code == code for caution in fit.cautions)


def forecast_campaign(
    reduced: ReducedCampaign,
    motor: MotorRecord,
    *,
    formulations: Sequence[str] = (),
    batch: str | None = None,
    law: str = "power",
    fitter: Fitter | None = None,
    draws: int = 10_000,
    seed: int = 1,
    bands: bool = False,
    wanted: Wanted | None = None,
    wording: Wording = IN_SI,
) -> tuple[Forecast, ...]:
    """Forecast a motor for several formulations, side by side with the same motors drawn.

    Parameters
    ----------
    reduced
        The campaign's points.
    motor
        As drawn.
    formulations
        Which; empty: all that were tested, the baseline first.
    batch
        A tested batch that the motor is cast from; its formulation alone is then forecast.
    law, fitter
        Name of the law, and what fits it, as for `fit_campaign`.
    draws, seed, bands, wanted, wording
        As `strandwise.forecast.forecast_motor`.

    Raises
    ------
    RequestError
        No such formulation or batch, or density or c* known from nowhere.
    DataError
        The tests do not tell what a forecast needs.
    """
    names = forecast_formulations(reduced, formulations, batch)
    analysis = analyse_campaign(reduced, baseline=anchor_of(reduced))
    bent = law_cautions(reduced, names, law=law, batch=batch)
    left_out = [point for point in reduced.points if not point.used]
    found = []
    for name in names:
        source = law_source(reduced, name, analysis=analysis, batch=batch, law=law, fitter=fitter)
        source = with_sensitivity(source, motor)
        design, cautions = design_of(reduced, motor, name, wording=wording)
        forecast = forecast_motor(
            design,
            source,
            draws=draws,
            seed=seed,
            bands=bands,
            wanted=wanted,
            cautions=cautions,
            wording=wording,
        )
        told = (*bent[name], *impossible_cautions(p for p in left_out if p.formulation == name))
        found.append(dataclasses.replace(forecast, cautions=(*told, *forecast.cautions)))
    return tuple(found)


def forecast_formulations(
    reduced: ReducedCampaign, formulations: Sequence[str], batch: str | None
) -> tuple[str, ...]:
    """Formulations that a request means: of the batch, those named, or all that were tested.

    Raises
    ------
    RequestError
        No such formulation or batch, or a batch of another formulation.
    """
    campaign = reduced.campaign
    if batch is not None:
        if batch not in campaign.batches:
            error = unknown_name("batch", batch, campaign.batches)
            raise error
        own = campaign.batches[batch].formulation
        if set(formulations) - {own}:
            msg = f"batch {batch} is of {own}, and {', '.join(formulations)} was asked for"
            raise RequestError(msg, expected="the batch, or formulations")
        return (own,)
    names = tuple(dict.fromkeys(formulations)) or tested_formulations(reduced)
    for name in names:
        if name not in campaign.formulations:
            error = unknown_name("formulation", name, campaign.formulations)
            raise error
    return names


def anchor_of(reduced: ReducedCampaign) -> str:
    """The baseline, or where it was not tested the first formulation that was."""
    names = tested_formulations(reduced)
    if not names:
        msg = f"campaign `{reduced.campaign.name}` has no test that may be used"
        raise RequestError(msg, hint="`strandwise log strand` adds one")
    return names[0]


def with_sensitivity(source: LawSource, motor: MotorRecord) -> LawSource:
    """σ_p as the motor's file states it, where the tests do not tell it."""
    if motor.temperature_sensitivity is None:
        return source
    return dataclasses.replace(
        source,
        sigma_p=motor.temperature_sensitivity,
        sigma_p_sd=motor.temperature_sensitivity_sd or 0.0,
    )
