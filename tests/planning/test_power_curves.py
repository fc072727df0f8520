"""The chance to show a shift against its size; the campaigns are invented."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2
from statsmodels.stats.power import TTestIndPower

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.planning import detectable_shifts, power_curves
from strandwise.tracking import (
    Analysis,
    RateObservations,
    VarianceComponents,
    analyse,
    shift_precision,
    variance_components,
)

AT = 4e6
SCATTER = VarianceComponents(batch_sd=0.03, test_sd=0.02)


def analysed(batches: dict[str, int], *, tests: int = 3, seed: int = 1) -> Analysis:
    """So many batches of each formulation with strands at 4 MPa, 7 mm/s."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, count in batches.items():
        for batch in range(count):
            level = np.log(7e-3) + rng.normal(0, 0.03)
            rows += [(f"{name}{batch}", name, level + rng.normal(0, 0.02)) for _ in range(tests)]
    return analyse(
        RateObservations(
            test=[f"T{index}" for index in range(len(rows))],
            batch=[row[0] for row in rows],
            formulation=[row[1] for row in rows],
            is_firing=[False] * len(rows),
            pressure=[AT] * len(rows),
            rate=[float(np.exp(row[2])) for row in rows],
        ),
        baseline="base",
        pressure=AT,
    )


def assert_as_statsmodels(
    shifts: tuple[float, ...], power: tuple[float, ...], batches: int, wider: float = 1.0
) -> None:
    """Power of a t-test of batch means, as far out as statsmodels has it."""
    effect = -np.log1p(np.array(shifts)) / (wider * np.hypot(0.03, 0.02 / np.sqrt(3)))
    near = effect * np.sqrt(batches / 2) < 6
    assert near.sum() > 20
    reference = [TTestIndPower().power(one, nobs1=batches, alpha=0.05) for one in effect[near]]
    assert np.array(power)[near] == pytest.approx(np.array(reference), abs=1e-6)


def test_with_more_batches_it_is_the_power_of_as_large_a_design() -> None:
    curves = power_curves(analysed({"base": 3, "slow": 3}), SCATTER, ["slow"])
    assert [curve.new_batches for curve in curves] == [0, 1, 2, 4]
    assert {curve.tests_per_batch for curve in curves} == {3}
    for curve in curves:
        assert_as_statsmodels(curve.shifts, curve.power, 3 + curve.new_batches)


def test_the_band_is_that_of_the_scatter_as_well_as_it_is_known() -> None:
    # The variance lies within df·V/χ² of its estimate V, here with 2·(3 − 1) degrees of freedom.
    (now, *_) = power_curves(analysed({"base": 3, "slow": 3}), SCATTER, ["slow"])
    for ends, tail in ((now.low, 0.025), (now.high, 0.975)):
        wider = float(np.sqrt(4 / chi2.ppf(tail, 4)))
        assert_as_statsmodels(now.shifts, ends, 3, wider)


def test_the_shift_that_is_shown_four_times_in_five_is_the_one_in_the_text() -> None:
    analysis = analysed({"base": 3, "slow": 2, "slower": 4})
    components = variance_components(analysis)
    told = {one.formulation: one.slower for one in detectable_shifts(analysis)}
    curves = power_curves(analysis, components, ["slow", "slower"])
    now = {curve.formulation: curve for curve in curves if curve.new_batches == 0}
    assert {name: curve.shown for name, curve in now.items()} == pytest.approx(told)
    for curve in curves:
        assert np.interp(-curve.shown, -np.array(curve.shifts), curve.power) == pytest.approx(
            0.8, abs=0.01
        )


def test_formulations_out_of_reach_are_not_counted_among_those_compared() -> None:
    # Three of four were tested at 8 MPa alone: they have no shift at 4 MPa to be adjusted for.
    rng, rows = np.random.default_rng(2), []
    for name in ("base", "near", "far", "farther", "farthest"):
        for batch in range(3):
            for pressure in (2e6, 4e6, 7e6) if name in ("base", "near") else (8e6, 8e6, 8e6):
                rate = 7e-3 * (pressure / AT) ** 0.4 * np.exp(rng.normal(0.0, 0.02))
                rows.append((f"{name}{batch}", name, pressure, float(rate)))
    batches, names, pressures, rates = zip(*rows, strict=True)
    analysis = analyse(
        RateObservations(
            test=[f"T{index}" for index in range(len(rows))],
            batch=batches,
            formulation=names,
            is_firing=[False] * len(rows),
            pressure=pressures,
            rate=rates,
        ),
        baseline="base",
        pressure=AT,
    )
    told = next(one for one in detectable_shifts(analysis) if one.formulation == "near")
    now = power_curves(analysis, variance_components(analysis), ["near"])[0]
    assert now.shown == pytest.approx(told.slower)


def test_more_batches_are_looked_at_for_what_is_hardest_to_show() -> None:
    curves = power_curves(analysed({"base": 4, "few": 2, "many": 4}), SCATTER, ["few", "many"])
    found = [(curve.formulation, curve.new_batches) for curve in curves]
    assert found == [("few", 0), ("many", 0), ("few", 1), ("few", 2), ("few", 4)]
    of_few = [curve.shown for curve in curves if curve.formulation == "few"]
    assert of_few == sorted(of_few)
    assert len({curve.shifts for curve in curves}) == 1


def test_one_batch_each_shows_nothing_until_there_are_more() -> None:
    analysis = analysed({"base": 1, "slow": 1})
    assert shift_precision(analysis, SCATTER) == {"slow": None}
    curves = power_curves(analysis, SCATTER, ["slow"])
    assert [curve.new_batches for curve in curves] == [1, 2, 4]
    assert_as_statsmodels(curves[1].shifts, curves[1].power, 3)


def test_assumed_scatter_has_no_band() -> None:
    assumed = VarianceComponents(
        batch_sd=0.03, test_sd=0.02, cautions=(Caution("assumed-batch-scatter", "assumed"),)
    )
    for curve in power_curves(analysed({"base": 2, "slow": 2}), assumed, ["slow"]):
        assert (curve.low, curve.high) == ((), ())
        assert len(curve.power) == len(curve.shifts)


def test_pressures_that_are_no_range_are_refused() -> None:
    with pytest.raises(DataError, match="the permitted pressures run from"):
        power_curves(analysed({"base": 2, "slow": 2}), SCATTER, ["slow"], permitted=(5e6, 2e6))
