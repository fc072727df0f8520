"""What to test next in a campaign, and what its tests so far could have shown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.planning import (
    balanced_tests,
    designs_that_detect,
    detectable_shifts,
    next_tests,
    run_sheet,
)
from strandwise.tracking import variance_components
from strandwise.workflow.tracking import analyse_campaign

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.planning import DesignPower, DetectableShift, NextTests, RunSheet
    from strandwise.workflow.analysis import ReducedCampaign

__all__ = ["CampaignPlan", "plan_campaign"]


@dataclass(frozen=True, kw_only=True, slots=True)
class CampaignPlan:
    """What to do next.

    Parameters
    ----------
    next
        Single tests and new batches, ranked.
    detectable
        Shift of each formulation that the tests so far are likely to show.
    designs
        Numbers of batches and tests that show the shift asked for; empty where none was.
    sheet
        Tests in random order; None where no new batches were asked for.
    """

    next: NextTests
    detectable: tuple[DetectableShift, ...]
    designs: tuple[DesignPower, ...]
    sheet: RunSheet | None


def plan_campaign(
    reduced: ReducedCampaign,
    *,
    baseline: str | None = None,
    pressure: float | None = None,
    formulation: str | None = None,
    permitted: tuple[float, float] | None = None,
    shift: float | None = None,
    new_batches: int = 0,
    tests_per_batch: int = 5,
    seed: int = 1,
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
        Whose shift matters; None: all.
    permitted
        Lowest and highest absolute pressure at which tests may be made, Pa; None: what was
        tested.
    shift
        Fraction to be shown with a chance of 0.8; None: not asked.
    new_batches, tests_per_batch
        Of each formulation, for the run sheet; 0 batches: no sheet.
    seed
        Of the sheet's random order.
    format_pressure
        How texts write a pressure in Pa.

    Raises
    ------
    RequestError, DataError
        As `compare_campaign`; nothing to compare; a value out of range.
    """
    analysis = analyse_campaign(reduced, baseline=baseline, pressure=pressure)
    components = variance_components(analysis)
    plan = next_tests(
        analysis,
        formulation=formulation,
        strand_range=permitted,
        firing_range=permitted,
        components=components,
        format_pressure=format_pressure,
    )
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
        detectable=detectable_shifts(analysis, components=components),
        designs=designs,
        sheet=sheet,
    )
