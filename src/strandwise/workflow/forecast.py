"""From a campaign's tests and a motor's file to what the motor would see."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.forecast import (
    SMALL_PORT,
    forecast_motor,
    law_from_analysis,
    law_from_fit,
    neutral_grain,
    size_dose,
    size_rate,
    size_throat,
    sizing_temperature,
    temperature_cautions,
)
from strandwise.workflow.analysis import fit_campaign
from strandwise.workflow.motor_design import design_of
from strandwise.workflow.recording import unknown_name
from strandwise.workflow.tracking import analyse_campaign, compare_campaign

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.forecast import (
        DoseSize,
        DrillName,
        Forecast,
        LawSource,
        NeutralGrain,
        RateSize,
        ThroatSize,
        Wanted,
    )
    from strandwise.records import MotorRecord
    from strandwise.tracking import Analysis
    from strandwise.workflow.analysis import Fitter, ReducedCampaign

__all__ = [
    "CampaignSizing",
    "MotorSizing",
    "anchor_of",
    "forecast_campaign",
    "law_source",
    "size_campaign",
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
        return law_from_analysis(analysis, formulation, batch=batch)
    if batch is not None:
        msg = f"a forecast of batch {batch} by the {law} law"
        raise RequestError(msg, expected="the power law for one batch, or no batch")
    options = {} if fitter is None else {"fitter": fitter}
    kinds = {p.kind for p in reduced.points if p.used and p.formulation == formulation}
    of_strands = "strand" in kinds
    fits = fit_campaign(
        reduced,
        pool=True,
        law=law,
        method="strand" if of_strands else "firing",
        reference_pressure=analysis.pressure,
        **options,  # type: ignore[arg-type]
    )
    fit = next((one for one in fits if one.formulation == formulation), None)
    if fit is None:
        msg = f"there is no test of {formulation} to forecast from"
        raise RequestError(msg, hint="`strandwise log strand` adds one")
    return law_from_fit(fit, analysis, of_strands=of_strands)


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
    format_pressure: Callable[[float], str] | None = None,
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
    draws, seed, bands, wanted, format_pressure
        As `strandwise.forecast.forecast_motor`.

    Raises
    ------
    RequestError
        No such formulation or batch, or density or c* known from nowhere.
    DataError
        The tests do not tell what a forecast needs.
    """
    names = _names(reduced, formulations, batch)
    analysis = analyse_campaign(reduced, baseline=anchor_of(reduced))
    found = []
    for name in names:
        source = law_source(reduced, name, analysis=analysis, batch=batch, law=law, fitter=fitter)
        source = with_sensitivity(source, motor)
        design, cautions = design_of(reduced, motor, name)
        found.append(
            forecast_motor(
                design,
                source,
                draws=draws,
                seed=seed,
                bands=bands,
                wanted=wanted,
                cautions=cautions,
                format_pressure=format_pressure,
            )
        )
    return tuple(found)


def _names(
    reduced: ReducedCampaign, formulations: Sequence[str], batch: str | None
) -> tuple[str, ...]:
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


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorSizing:
    """One formulation in one motor, sized.

    Parameters
    ----------
    formulation
        Name.
    throat
        For the wanted pressure; None where no throat does it.
    rate
        How much slower (or faster) it would have to burn with the throat as drawn; None likewise.
    why_not
        Why one of the two is missing; empty where neither is.
    """

    formulation: str
    throat: ThroatSize | None
    rate: RateSize | None
    why_not: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class CampaignSizing:
    """A motor sized for a wanted upper percentile of its pressure.

    Parameters
    ----------
    motors
        By formulation.
    doses
        Of each retarder that was tested, in the baseline, for the throat as drawn.
    neutral
        How even the grain burns.
    target, percentile
        Absolute pressure, Pa, that this share of the draws is to stay below.
    temperature
        Of the propellant, K, that the sizes are for; None: as the tests were.
    cautions
        What to heed.
    """

    motors: tuple[MotorSizing, ...]
    doses: tuple[DoseSize, ...]
    neutral: NeutralGrain
    target: float
    percentile: float
    temperature: float | None
    cautions: tuple[Caution, ...]


def size_campaign(
    reduced: ReducedCampaign,
    motor: MotorRecord,
    target: float,
    *,
    formulations: Sequence[str] = (),
    batch: str | None = None,
    law: str = "power",
    fitter: Fitter | None = None,
    percentile: float = 0.99,
    drills: DrillName = "any",
    draws: int = 10_000,
    seed: int = 1,
) -> CampaignSizing:
    """Size throat, burn rate and dose for a wanted upper percentile of the peak pressure.

    Parameters
    ----------
    reduced, motor, formulations, batch, law, fitter, draws, seed
        As `forecast_campaign`.
    target
        Absolute pressure, Pa.
    percentile, drills
        As `strandwise.forecast.size_throat`.

    Raises
    ------
    RequestError, DataError
        As `forecast_campaign`, and where no size does it.
    """
    names = _names(reduced, formulations, batch)
    anchor = anchor_of(reduced)
    analysis = analyse_campaign(reduced, baseline=anchor)
    found: list[MotorSizing] = []
    cautions: dict[Caution, None] = {}
    refused: list[RequestError] = []
    temperature = None
    for name in names:
        source = law_source(reduced, name, analysis=analysis, batch=batch, law=law, fitter=fitter)
        source = with_sensitivity(source, motor)
        design, _ = design_of(reduced, motor, name)
        if source.sigma_p is not None and source.reference_temperature is not None:
            temperature = sizing_temperature(design)
        how: dict[str, Any] = {"percentile": percentile, "seed": seed, "draws": draws}
        throat = rate = None
        why = ""
        try:
            throat = size_throat(design, source, target, drills=drills, **how)
            rate = size_rate(design, source, target, **how)
        except RequestError as error:
            refused.append(error)
            why = error.message
        found.append(MotorSizing(formulation=name, throat=throat, rate=rate, why_not=why))
        told = [*temperature_cautions(design, source), *_narrow(throat, name)]
        low, high = source.pressure_range
        if not low <= target <= high:
            text = (
                f"{name}: the pressure asked for lies outside the {low / 1e6:.3g} to "
                f"{high / 1e6:.3g} MPa tested: the sizes rest on the law where no test has shown it"
            )
            told.append(Caution("extrapolated", text))
        cautions |= dict.fromkeys(told)
    if all(one.throat is None for one in found):
        raise refused[0]
    base = next((one.rate for one in found if one.formulation == anchor), None)
    doses: tuple[DoseSize, ...] = ()
    if base is not None and base.log_factor < 0.0:
        slopes = compare_campaign(reduced, baseline=anchor).doses
        doses = tuple(size_dose(slope, base) for slope in slopes)
    return CampaignSizing(
        motors=tuple(found),
        doses=doses,
        neutral=neutral_grain(motor.grain),
        target=target,
        percentile=percentile,
        temperature=temperature,
        cautions=tuple(cautions),
    )


def _narrow(throat: ThroatSize | None, name: str) -> list[Caution]:
    ratio = None if throat is None else throat.port_to_throat
    if ratio is None or ratio >= SMALL_PORT:
        return []
    text = (
        f"{name}: with that throat the port is {ratio:.2g} throat areas at the start: the gas "
        "stream makes the core burn faster (below 1 it chokes there), and the first peak may be "
        "higher than shown; a wider core, or less propellant, goes with so wide a throat"
    )
    return [Caution("erosive-burning", text)]


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
