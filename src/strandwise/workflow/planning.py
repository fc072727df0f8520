"""What to test next in a campaign, and what its tests so far could have shown."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.forecast import draw_motor, forecast_motor, law_from_analysis, temperature_for
from strandwise.planning import (
    PeakTarget,
    balanced_tests,
    designs_that_detect,
    detectable_shifts,
    next_tests,
    next_tests_for_motor,
    power_curves,
    run_sheet,
)
from strandwise.tracking import variance_components
from strandwise.workflow.forecast import anchor_of, tested_formulations, with_sensitivity
from strandwise.workflow.motor_design import design_of
from strandwise.workflow.opening import unknown_name
from strandwise.workflow.tracking import analyse_campaign

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.forecast import LawSource, MotorDesign
    from strandwise.planning import (
        DesignPower,
        DetectableShift,
        MotorCause,
        MotorTests,
        NextTests,
        PowerCurve,
        RunSheet,
    )
    from strandwise.records import MotorRecord
    from strandwise.tracking import Analysis, VarianceComponents
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["CampaignPlan", "plan_campaign"]

_DRAWS = 4000
_FEW_DRAWS = 400  # tell a share well enough to name it
_SEED = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class CampaignPlan:
    """What to do next.

    Parameters
    ----------
    next
        Single tests and new batches, ranked for the shift's sake; None where a motor is named.
    for_motor
        The same for the sake of a motor's peak pressure; None without a motor.
    detectable
        Shift of each formulation that the tests so far are likely to show.
    designs
        Numbers of batches and tests that show the shift asked for; empty where none was.
    sheet
        Tests in random order; None where no new batches were asked for.
    curves
        Chance to show each shift that matters, with the batches so far and with more; empty where
        none were asked for, or a motor is named.
    """

    next: NextTests | None
    for_motor: MotorTests | None
    detectable: tuple[DetectableShift, ...]
    designs: tuple[DesignPower, ...]
    sheet: RunSheet | None
    curves: tuple[PowerCurve, ...] = ()


def plan_campaign(
    reduced: ReducedCampaign,
    *,
    baseline: str | None = None,
    pressure: float | None = None,
    formulation: str | None = None,
    motor: MotorRecord | None = None,
    permitted: tuple[float, float] | None = None,
    shift: float | None = None,
    new_batches: int = 0,
    tests_per_batch: int = 5,
    seed: int = 1,
    curves: bool = False,
    format_pressure: Callable[[float], str],
) -> CampaignPlan:
    """Plan a campaign's next tests.

    Parameters
    ----------
    reduced
        The campaign's points.
    baseline, pressure
        As for `strandwise.workflow.tracking.compare_campaign`.
    formulation
        Whose shift, or whose peak pressure, matters; None: all.
    motor
        Whose peak pressure matters, instead of shifts; None: none.
    permitted
        Lowest and highest absolute pressure at which tests may be made, Pa; None: what was
        tested.
    shift
        Fraction to be shown with a chance of 0.8; None: not asked.
    new_batches, tests_per_batch
        Of each formulation, for the run sheet; 0 batches: no sheet.
    seed
        Of the sheet's random order.
    curves
        Whether the chances to show shifts of all sizes are wanted, for a picture.
    format_pressure
        How texts write a pressure in Pa.

    Raises
    ------
    RequestError, DataError
        As `compare_campaign`; nothing to compare; a value out of range.
    """
    if motor is not None and baseline is None:
        baseline = anchor_of(reduced)
    analysis = analyse_campaign(reduced, baseline=baseline, pressure=pressure)
    components = variance_components(analysis)
    plan = for_motor = None
    if motor is None:
        plan = next_tests(
            analysis,
            formulation=formulation,
            strand_range=permitted,
            firing_range=permitted,
            components=components,
            format_pressure=format_pressure,
        )
    else:
        targets, cautions = _targets(reduced, analysis, motor, formulation)
        for_motor = next_tests_for_motor(
            analysis,
            targets,
            strand_range=permitted,
            firing_range=permitted,
            components=components,
            format_pressure=format_pressure,
        )
        for_motor = dataclasses.replace(for_motor, cautions=(*for_motor.cautions, *cautions))
    designs: tuple[DesignPower, ...] = ()
    if shift is not None:
        designs = designs_that_detect(
            shift,
            batch_sd=components.batch_sd,
            test_sd=components.test_sd,
            formulations=len(analysis.names) - 1,
        )
    sheet = None
    if new_batches:
        low, high = permitted or analysis.tests.pressure_range(analysis.baseline)
        tests = balanced_tests(
            analysis.names,
            batches=new_batches,
            pressures=np.geomspace(low, high, tests_per_batch).tolist(),
            taken=list(reduced.campaign.batches),
        )
        sheet = run_sheet(tests, seed=seed)
    return CampaignPlan(
        next=plan,
        for_motor=for_motor,
        detectable=_detectable(analysis, components),
        designs=designs,
        sheet=sheet,
        curves=power_curves(analysis, components, plan.targets, permitted=permitted)
        if curves and plan is not None
        else (),
    )


def _detectable(analysis: Analysis, components: VarianceComponents) -> tuple[DetectableShift, ...]:
    return detectable_shifts(analysis, components=components) if len(analysis.names) > 1 else ()


def _targets(
    reduced: ReducedCampaign, analysis: Analysis, motor: MotorRecord, formulation: str | None
) -> tuple[tuple[PeakTarget, ...], tuple[Caution, ...]]:
    """Forecasts of the motor to plan for, and those that there are none of."""
    names = tested_formulations(reduced) if formulation is None else (formulation,)
    if formulation is not None and formulation not in reduced.campaign.formulations:
        error = unknown_name("formulation", formulation, reduced.campaign.formulations)
        raise error
    found, cautions = [], []
    refused: DataError | None = None
    for name in names:
        try:
            found.append(_target(reduced, analysis, motor, name))
        except DataError as error:
            refused = error
            text = f"{name} is not planned for: {error.message}"
            cautions.append(Caution("no-forecast", text))
    if refused is not None and not found:
        raise refused
    return tuple(found), tuple(cautions)


def _target(
    reduced: ReducedCampaign, analysis: Analysis, motor: MotorRecord, name: str
) -> PeakTarget:
    source = with_sensitivity(law_from_analysis(analysis, name), motor)
    design, _ = design_of(reduced, motor, name)
    forecast = forecast_motor(design, source, draws=_DRAWS, seed=_SEED)
    median, amplification = forecast.peak_pressure.median, forecast.amplification
    if median is None or amplification is None:
        msg = f"a motor of {name} has no bounded peak pressure in half of the draws"
        raise DataError(msg, hint="`strandwise forecast` says why")
    warm = temperature_for(source, design.temperature)
    alone = draw_motor(design, _as_known(source), draws=_DRAWS, seed=_SEED, temperature=warm)
    bounded = alone.peak_pressure[np.isfinite(alone.peak_pressure)]
    variance = float(np.var(np.log(bounded))) if bounded.size > 1 else 0.0
    return PeakTarget(
        formulation=name,
        pressure=median,
        exponent=1.0 - 1.0 / amplification,
        motor_variance=variance,
        motor_parts=_motor_parts(design, source, warm, amplification),
    )


def _motor_parts(
    design: MotorDesign, source: LawSource, warm: float | None, amplification: float
) -> dict[MotorCause, float]:
    """Variance of ln P by cause.

    To first order, as P goes with (ρ·c*·A_b/A_t)^(1/(1 − n)); of the grain from draws.
    """
    off = design.tolerances
    relative: dict[MotorCause, float] = {
        "c*": off.characteristic_velocity / design.characteristic_velocity,
        "throat": 2.0 * off.throat_diameter / design.nozzle.throat_diameter,
        "density": off.density / design.density,
    }
    parts = {cause: (amplification * sd) ** 2 for cause, sd in relative.items()}
    sizes = dataclasses.replace(
        off, throat_diameter=0.0, density=0.0, characteristic_velocity=0.0, thrust_efficiency=0.0
    )
    grain = dataclasses.replace(design, tolerances=sizes)
    drawn = draw_motor(grain, _as_known(source), draws=_FEW_DRAWS, seed=_SEED, temperature=warm)
    peaks = drawn.peak_pressure[np.isfinite(drawn.peak_pressure)]
    return parts | {"grain": float(np.var(np.log(peaks))) if peaks.size > 1 else 0.0}


def _as_known(source: LawSource) -> LawSource:
    """The law without what tests of the burn rate leave open."""
    return dataclasses.replace(
        source, covariance=np.zeros((2, 2)), batch_spread=None, slope_spread=None
    )
