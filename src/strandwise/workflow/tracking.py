"""From rate points to what differs: formulations against the baseline, batches over time."""

from __future__ import annotations

import dataclasses
import math
import re
from typing import TYPE_CHECKING, Any, Literal

from strandwise.errors import RequestError
from strandwise.findings import Caution
from strandwise.formulation import dose_of
from strandwise.ratelaw import fit_batches
from strandwise.tracking import (
    BatchCovariate,
    RateObservations,
    analyse,
    compare_formulations,
    drift_chart,
    stand_outs,
)
from strandwise.workflow.fitting import fit_campaign, impossible_cautions
from strandwise.workflow.opening import unknown_name
from strandwise.workflow.recipes import porosity_by_batch
from strandwise.workflow.reducing import reference_of, series_of

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from strandwise.ratelaw import RateFit
    from strandwise.reduction import RatePoint
    from strandwise.tracking import Analysis, Comparison, DriftChart, StandOut
    from strandwise.workflow.fitting import Method
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["COVARIATES", "Covariate", "analyse_campaign", "compare_campaign", "drift_of_campaign"]

Covariate = Literal["density", "particle-size", "porosity", "process-temperature"]
"""What a batch carries beside its formulation and may explain part of its rate."""

COVARIATES: dict[Covariate, tuple[str, float, str]] = {
    "density": ("measured_density", 10.0, "10 kg/m³"),
    "particle-size": ("particle_size", 10e-6, "10 µm"),
    "porosity": ("porosity", 0.01, "1 percentage point"),
    "process-temperature": ("process_temperature", 10.0, "10 K"),
}
"""Covariate to the batch's attribute, the step its slope is given for (SI), and its text; the
porosity is that of the batch's mix, the particle size what its text says."""

_DRIFT_SEED = 1
_MOST_DIGITS = 9  # no test is off by all of its rate
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_SIZE = re.compile(rf"(?:{_NUMBER}\s*(?:-|–|to)\s*)?{_NUMBER}\s*(µm|μm|um|mm)\b")


def compare_campaign(
    reduced: ReducedCampaign,
    *,
    baseline: str | None = None,
    pressure: float | None = None,
    covariates: Sequence[Covariate] = (),
    format_pressure: Callable[[float], str] | None = None,
) -> Comparison:
    """Compare a campaign's formulations with a baseline at a pressure.

    Parameters
    ----------
    reduced
        The campaign's points.
    baseline
        Formulation to compare with; None: the campaign's.
    pressure
        Absolute, Pa; None: the campaign's reference, else the middle of the data.
    covariates
        What of a batch's rate is to be explained by what it carries.
    format_pressure
        How the cautions write a pressure in Pa; None: as `reduced` words it.

    Raises
    ------
    RequestError
        There is no such formulation.
    DataError
        The points cannot carry a comparison.
    """
    campaign = reduced.campaign
    used = _used(reduced)
    baseline = _tested_baseline(reduced, used, baseline)
    doses = {}
    for name in {point.formulation for point in used}:
        dose = dose_of(name, campaign.formulations, baseline)
        if dose is not None:
            doses[name] = dose
    options: dict[str, Any] = {
        "baseline": baseline,
        "pressure": pressure or reference_of(reduced),
        "doses": doses,
        "covariates": [_covariate(reduced, name) for name in covariates],
        "order": tuple(campaign.formulations),
    }
    options["format_pressure"] = format_pressure or reduced.wording.press
    options["format_warmer"] = reduced.wording.warmer
    comparison = compare_formulations(RateObservations.from_points(used), **options)
    strands = fit_batches(series_of([p for p in used if p.kind == "strand"], by="batch"))
    told = (
        _bent_caution(strands),
        _outlier_caution(strands, used, comparison, options),
        _untested_caution(reduced, used),
    )
    added = tuple(caution for caution in told if caution is not None)
    added += impossible_cautions(reduced.points)
    return dataclasses.replace(comparison, cautions=(*comparison.cautions, *added))


def _untested_caution(reduced: ReducedCampaign, used: Sequence[RatePoint]) -> Caution | None:
    mixed = dict.fromkeys(batch.formulation for batch in reduced.campaign.batches.values())
    untested = [name for name in mixed if name not in {point.formulation for point in used}]
    if not untested:
        return None
    many = len(untested) > 1
    return Caution(
        "no-tests",
        f"{', '.join(untested)} {'were' if many else 'was'} mixed, but no test of "
        f"{'them' if many else 'it'} may be used: nothing is known of "
        f"{'their rates' if many else 'its rate'}",
    )


def analyse_campaign(
    reduced: ReducedCampaign, *, baseline: str | None = None, pressure: float | None = None
) -> Analysis:
    """The fitted comparison that planning starts from; as `compare_campaign`.

    Raises
    ------
    RequestError, DataError
        As `compare_campaign`.
    """
    used = _used(reduced)
    return analyse(
        RateObservations.from_points(used),
        baseline=_tested_baseline(reduced, used, baseline),
        pressure=pressure or reference_of(reduced),
        order=tuple(reduced.campaign.formulations),
    )


def drift_of_campaign(
    reduced: ReducedCampaign,
    *,
    formulation: str | None = None,
    pressure: float | None = None,
    method: Method = "auto",
    format_pressure: Callable[[float], str] | None = None,
) -> DriftChart:
    """Chart the batches of one formulation over their mixing dates.

    Parameters
    ----------
    reduced
        The campaign's points.
    formulation
        Whose batches; None: the baseline's.
    pressure
        Absolute, Pa; None: the campaign's reference, else the middle of the data.
    method
        Which tests each batch's law is fitted to.
    format_pressure
        How the cautions write a pressure in Pa; None: as `reduced` words it.

    Raises
    ------
    RequestError
        There is no such formulation, or no batch of it with a law.
    DataError
        No batch has a mixing date.
    """
    name = _baseline(reduced, formulation)
    at = pressure or reference_of(reduced)
    fits = [
        fit
        for fit in fit_campaign(reduced, method=method, reference_pressure=at)
        if fit.formulation == name and fit.ln_r0 is not None
    ]
    if not fits:
        msg = f"no batch of `{name}` has tests at two pressures, which its law needs"
        raise RequestError(msg, hint="`strandwise log strand` adds tests")
    batches = reduced.campaign.batches
    return drift_chart(
        [fit.label for fit in fits],
        [batches[fit.label].mixed for fit in fits],
        [fit.ln_r0 for fit in fits],  # type: ignore[arg-type]
        [None if fit.covariance is None else math.sqrt(fit.covariance[0][0]) for fit in fits],
        formulation=name,
        pressure=at,
        seed=_DRIFT_SEED,
        tested=[fit.pressure_range for fit in fits],
        format_pressure=format_pressure or reduced.wording.press,
    )


def _used(reduced: ReducedCampaign) -> list[RatePoint]:
    used = [point for point in reduced.points if point.used]
    if not used:
        msg = f"campaign `{reduced.campaign.name}` has no test that may be used"
        raise RequestError(
            msg, hint="`strandwise log strand` adds one; `strandwise reduce` lists all"
        )
    return used


def _baseline(reduced: ReducedCampaign, stated: str | None) -> str:
    campaign = reduced.campaign
    name = stated or campaign.settings.baseline
    if name not in campaign.formulations:
        error = unknown_name("formulation", name, campaign.formulations)
        raise error
    return name


def _tested_baseline(
    reduced: ReducedCampaign, used: Sequence[RatePoint], stated: str | None
) -> str:
    name = _baseline(reduced, stated)
    tested = sorted({point.formulation for point in used})
    if name not in tested:
        msg = f"no test of the baseline `{name}` may be used"
        raise RequestError(
            msg,
            expected=f"one of {', '.join(tested)}",
            hint="test it, or name another with --baseline",
        )
    return name


def _covariate(reduced: ReducedCampaign, name: Covariate) -> BatchCovariate:
    attribute, step, step_text = COVARIATES[name]
    if name == "porosity":
        values = porosity_by_batch(reduced.campaign)
    elif name == "particle-size":
        texts = {batch.batch: batch.particle_size for batch in reduced.campaign.batches.values()}
        sizes = {batch: particle_size_of(text) for batch, text in texts.items()}
        values = {batch: size for batch, size in sizes.items() if size is not None}
    else:
        values = {
            batch.batch: getattr(batch, attribute)
            for batch in reduced.campaign.batches.values()
            if getattr(batch, attribute) is not None
        }
    return BatchCovariate(
        name=name.replace("-", " "), values=values, step=step, step_text=step_text
    )


def particle_size_of(text: str) -> float | None:
    """The size, m, that a batch's note of its powders tells, such as ``<90 µm`` or ``63 to 90 µm``.

    Of a range the geometric middle, of a single sieve its opening. None where the text holds no
    size, or several that are no range.
    """
    found = _SIZE.findall(text)
    if len(found) != 1:
        return None
    low, high, unit = found[0]
    ends = [float(end.replace(",", ".")) for end in (low or high, high)]
    size = math.sqrt(ends[0] * ends[1]) * (1e-3 if unit == "mm" else 1e-6)
    return size if size > 0.0 else None


def _bent_caution(fits: Sequence[RateFit]) -> Caution | None:
    """Name the batches whose strands bend away from the law that every comparison takes."""
    bent = [
        fit.label
        for fit in fits
        if any(caution.code == "not-a-power-law" for caution in fit.cautions)
    ]
    if not bent:
        return None
    many = len(bent) > 1
    return Caution(
        "not-a-power-law",
        f"the strands of batch{'es' if many else ''} {', '.join(bent)} bend away from the power "
        "law that every comparison takes (`strandwise fit` says how far): shifts and exponents may "
        "be wrong, also at pressures that were tested; compare tests of nearly one pressure",
    )


def _outlier_caution(
    fits: Sequence[RateFit],
    used: Sequence[RatePoint],
    comparison: Comparison,
    options: Mapping[str, Any],
) -> Caution | None:
    """What the comparison would say without the tests that stand out from their batch's law."""
    bent = [
        fit.label
        for fit in fits
        if any(caution.code == "not-a-power-law" for caution in fit.cautions)
    ]
    far = {one.test: one for one in stand_outs(RateObservations.from_points(used), bent=bent)}
    # A line that several bad tests bend makes good ones of the same batch look bad.
    judged = {point.batch for point in used if point.test in far and point.kind == "strand"}
    suspects = {
        test
        for fit in fits
        if fit.label not in judged
        for caution in fit.cautions
        if caution.code == "outlier"
        for test in caution.tests
    }
    only_near = suspects - set(far)
    suspects |= set(far)
    left = [point for point in used if point.test not in suspects]
    if not suspects or not any(point.formulation == options["baseline"] for point in left):
        return None
    without = compare_formulations(RateObservations.from_points(left), **options)
    shown = ", ".join(
        f"{row.formulation} {_off_text(row.shift, digits=1)}"
        for row in without.formulations
        if row.shift is not None and row.formulation != comparison.baseline
    )
    many = len(suspects) > 1
    named = [
        f"{test} ({_off_text(far[test].off)})" if test in far else test for test in sorted(suspects)
    ]
    return Caution(
        "outlier",
        f"test{'s' if many else ''} {', '.join(named)} stand{'' if many else 's'} out "
        f"from {_outlier_law(far, suspects)}"
        f"{' (`fit` says how far)' if only_near else ''}, and "
        f"{'are' if many else 'is'} kept; without {'them' if many else 'it'} the shifts would be: "
        f"{shown or 'none'}",
        tuple(sorted(suspects)),
    )


def _off_text(off: float, digits: int = 0) -> str:
    while digits < _MOST_DIGITS and off > -1.0 and round(100.0 * off, digits) <= -100.0:
        digits += 1
    text = f"{100.0 * off:+.{digits}f} %"
    return text.replace("-", "−") if float(text[:-2]) else f"{0.0:.{digits}f} %"


def _outlier_law(far: Mapping[str, StandOut], suspects: Collection[str]) -> str:
    firings = [one for one in far.values() if one.is_firing]
    strands, strands_far = len(suspects) - len(firings), len(far) - len(firings)
    told = []
    if strands:
        law = f"the law of {'their batches' if strands > 1 else 'its batch'}"
        # `fit` tells the same test's distance from a law that the test itself has bent.
        if strands_far:
            law += f" fitted without {'them' if strands > 1 else 'it'}"
        told.append(law)
    if firings:
        told.append("where the other firings lie beside the strands or each other")
    return " or from ".join(told)
