from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.ratelaw import RateSeries, fit_batches
from strandwise.tracking import (
    Comparison,
    FormulationShift,
    RateObservations,
    compare_formulations,
)

PRESSURES = (1.5e6, 2.5e6, 3.5e6, 5e6, 7e6)
AT = 4e6
# Invented: rate of the baseline at 4 MPa, and its exponent.
RATE = 7e-3
EXPONENT = 0.4


def campaign(
    batches: Mapping[str, int],
    *,
    shifts: Mapping[str, float] | None = None,
    n_shifts: Mapping[str, float] | None = None,
    batch_sd: float = 0.0,
    n_sd: float = 0.0,
    test_sd: float = 0.0,
    pressures: Sequence[float] | Mapping[str, Sequence[float]] = PRESSURES,
    firings: Mapping[str, Sequence[int]] | None = None,
    offset: float = 0.0,
    pressure_sd: float | None = None,
    rate_sd: float | None = None,
    seed: int = 0,
) -> RateObservations:
    """Invented tests that follow the model with known truth; sd's are relative."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, count in batches.items():
        own = pressures[name] if isinstance(pressures, Mapping) else pressures
        for batch in range(count):
            effect = rng.normal(0, batch_sd)
            tilt = rng.normal(0, n_sd) if n_sd else 0.0
            for index, pressure in enumerate(own):
                firing = index in (firings or {}).get(name, ())
                log_rate = np.log(RATE) + np.log1p((shifts or {}).get(name, 0.0)) + effect
                n = EXPONENT + (n_shifts or {}).get(name, 0.0) + tilt
                log_rate += n * np.log(pressure / AT)
                log_rate += np.log1p(offset) * firing + rng.normal(0, test_sd)
                rows.append((f"{name}-{batch}", name, firing, pressure, np.exp(log_rate)))
    batch_names, names, firing, pressure, rate = zip(*rows, strict=True)
    return RateObservations(
        test=[f"T{index}" for index in range(len(rows))],
        batch=batch_names,
        formulation=names,
        is_firing=firing,
        pressure=pressure,
        rate=rate,
        pressure_sd=None if pressure_sd is None else [pressure_sd * p for p in pressure],
        rate_sd=None if rate_sd is None else [rate_sd * r for r in rate],
    )


def compare(observations: RateObservations, pressure: float = AT) -> Comparison:
    return compare_formulations(observations, baseline="base", pressure=pressure)


def row(comparison: Comparison, name: str) -> FormulationShift:
    return next(found for found in comparison.formulations if found.formulation == name)


def codes(result: Comparison | FormulationShift) -> set[str]:
    return {caution.code for caution in result.cautions}


@pytest.mark.parametrize("stated", [None, 0.01])
@pytest.mark.parametrize("offset", [0.0, 0.07])
def test_noise_free_campaign_gives_back_its_truth(stated: float | None, offset: float) -> None:
    comparison = compare(
        campaign(
            {"base": 3, "retarded": 3, "catalysed": 2},
            shifts={"retarded": -0.09, "catalysed": 0.25},
            n_shifts={"retarded": -0.06, "catalysed": 0.1},
            firings={"base": (1, 3), "catalysed": (0,)} if offset else None,
            offset=offset,
            pressure_sd=stated,
            rate_sd=stated,
        )
    )
    assert row(comparison, "base").rate == pytest.approx(RATE, rel=1e-9)
    assert row(comparison, "base").n == pytest.approx(EXPONENT, abs=1e-9)
    for name, shift, n_shift in (("retarded", -0.09, -0.06), ("catalysed", 0.25, 0.1)):
        found = row(comparison, name)
        assert found.shift == pytest.approx(shift, abs=1e-9)
        assert found.n_shift == pytest.approx(n_shift, abs=1e-9)
        assert found.rate == pytest.approx(RATE * (1 + shift), rel=1e-9)
        assert found.shift_p < 1e-4
        assert found.probability_slower == pytest.approx(float(shift < 0), abs=1e-5)
    if offset:
        assert comparison.method_offset == pytest.approx(offset, abs=1e-9)
    assert comparison.between_batch_sd == 0.0
    assert ("no-scatter" in codes(comparison)) == (stated is None)
    assert ("uncertainty-overstated" in codes(comparison)) == (stated is not None)


@pytest.mark.parametrize(("test_sd", "told"), [(3e-5, True), (3e-3, False)])
def test_rates_that_no_reading_gives_are_told(test_sd: float, told: bool) -> None:
    comparison = compare(campaign({"base": 3, "retarded": 3}, batch_sd=0.02, test_sd=test_sd))
    said = [c.message for c in comparison.cautions if c.code == "no-scatter"]
    assert ["rather than measured" in text for text in said] == [True] * told


def test_batch_differences_alone_do_not_hide_the_exponent() -> None:
    comparison = compare(
        campaign({"base": 3, "retarded": 3}, n_shifts={"retarded": -0.06}, batch_sd=0.03, seed=2)
    )
    assert row(comparison, "retarded").n_shift == pytest.approx(-0.06, abs=1e-9)
    assert comparison.within_batch_sd == 0.0
    assert comparison.between_batch_sd > 0.01


def test_intervals_cover_and_false_alarms_are_as_many_as_said() -> None:
    # The truth is known because the campaigns are made from the model (300 of them, three
    # formulations of three batches). 95 % of intervals must hold it, and without any true shift
    # one campaign in twenty may show one.
    covered, n_covered, alarms, n_alarms, told_apart = 0, 0, 0, 0, 0
    campaigns = 300
    for seed in range(campaigns):
        observations = campaign(
            {"base": 3, "b": 3, "c": 3},
            shifts={"c": 0.0},
            batch_sd=0.025,
            n_sd=0.03,
            test_sd=0.015,
            seed=seed,
        )
        rows = compare(observations).formulations[1:]
        covered += sum(found.shift_ci95[0] <= 0.0 <= found.shift_ci95[1] for found in rows)
        n_covered += sum(found.n_shift_ci95[0] <= 0.0 <= found.n_shift_ci95[1] for found in rows)
        alarms += min(found.shift_p for found in rows) < 0.05
        n_alarms += min(found.n_shift_p for found in rows) < 0.05
        slower = [found.probability_slower for found in rows]
        told_apart += sum(probability > 0.5 for probability in slower)
    assert 0.93 <= covered / (2 * campaigns) <= 0.97
    assert 0.93 <= n_covered / (2 * campaigns) <= 0.97
    assert 0.02 <= alarms / campaigns <= 0.08
    assert 0.02 <= n_alarms / campaigns <= 0.08
    assert 0.43 <= told_apart / (2 * campaigns) <= 0.57


def test_true_shift_is_covered_with_unequal_batches_and_stated_uncertainties() -> None:
    covered = []
    for seed in range(150):
        observations = campaign(
            {"base": 4, "retarded": 3},
            shifts={"retarded": -0.12},
            batch_sd=0.03,
            test_sd=0.02,
            pressures={"base": PRESSURES, "retarded": PRESSURES[1:4]},
            pressure_sd=0.01,
            rate_sd=0.01,
            seed=1000 + seed,
        )
        low, high = row(compare(observations), "retarded").shift_ci95
        covered.append(low <= -0.12 <= high)
    assert 0.91 <= np.mean(covered) <= 0.99  # 150 campaigns: ± 2 standard errors of 0.95


def test_spread_is_recovered() -> None:
    comparison = compare(
        campaign(dict.fromkeys(("base", "b", "c", "d"), 12), batch_sd=0.03, test_sd=0.012, seed=1)
    )
    # Four times eleven degrees of freedom: a standard deviation to about 11 %.
    assert comparison.between_batch_sd == pytest.approx(0.03, rel=0.25)
    assert comparison.within_batch_sd == pytest.approx(0.012, rel=0.12)


@pytest.mark.parametrize("stated", [0.5, 1.0, 2.5])
def test_scatter_within_batches_is_what_shows_not_what_is_stated(stated: float) -> None:
    observations = campaign(
        {"base": 6, "retarded": 6}, batch_sd=0.03, test_sd=0.012, rate_sd=0.012 * stated, seed=3
    )
    assert compare(observations).within_batch_sd == pytest.approx(0.012, rel=0.2)
    assert ("uncertainty-overstated" in codes(compare(observations))) == (stated > 2)


def test_one_batch_borrows_the_spread_of_the_others() -> None:
    observations = campaign({"base": 4, "retarded": 1}, batch_sd=0.02, test_sd=0.01, seed=3)
    comparison = compare(observations)
    found = row(comparison, "retarded")
    assert "one-batch" in codes(found)
    assert found.shift_ci95 is not None
    half = (np.log1p(found.shift_ci95[1]) - np.log1p(found.shift_ci95[0])) / 2
    # At least t on three df times the spread of one batch more than four.
    assert half > 3.18 * comparison.between_batch_sd
    assert "few-batches" in codes(comparison)


def test_one_batch_of_each_is_not_separable() -> None:
    comparison = compare(
        campaign(
            {"base": 1, "retarded": 1}, n_shifts={"retarded": -0.2}, batch_sd=0.02, test_sd=0.01
        )
    )
    found = row(comparison, "retarded")
    assert "not-separable" in codes(comparison)
    assert comparison.between_batch_sd is None
    assert found.shift is not None
    assert (found.shift_ci95, found.shift_p, found.probability_slower) == (None, None, None)
    assert found.rate_ci95 is None
    # Exponents are compared inside batches: their difference has an interval, but a batch may
    # have an exponent of its own, so nothing is claimed of the formulation.
    assert found.n_shift_ci95[0] < -0.2 < found.n_shift_ci95[1]
    assert found.n_shift_p is None


def test_one_test_per_batch_is_compared_as_it_stands() -> None:
    # Nothing but two samples: Student's t-test with pooled variance is exact (common practice).
    observations = campaign(
        {"base": 5, "retarded": 4}, batch_sd=0.02, test_sd=0.01, pressures=(AT,), seed=4
    )
    comparison = compare(observations)
    assert "no-repeats" in codes(comparison)
    assert (comparison.between_batch_sd, comparison.within_batch_sd) == (None, None)
    logs = np.log(observations.rate)
    base, other = logs[:5], logs[5:]
    pooled = (np.var(base, ddof=1) * 4 + np.var(other, ddof=1) * 3) / 7
    half = 2.364624 * np.sqrt(pooled * (1 / 5 + 1 / 4))  # t(0.975, 7)
    shift = other.mean() - base.mean()
    expected = np.expm1([shift - half, shift + half])
    assert row(comparison, "retarded").shift_ci95 == pytest.approx(tuple(expected), abs=1e-7)


def test_saturated_campaign_gives_values_without_intervals() -> None:
    observations = campaign({"base": 1, "retarded": 1}, shifts={"retarded": -0.1}, pressures=(AT,))
    comparison = compare(observations)
    found = row(comparison, "retarded")
    assert found.shift == pytest.approx(-0.1)
    assert found.shift_ci95 is None
    assert "few-points" in codes(comparison)


def test_baseline_alone() -> None:
    comparison = compare(campaign({"base": 2}, test_sd=0.01, batch_sd=0.01))
    assert codes(comparison) >= {"nothing-to-compare"}
    assert len(comparison.formulations) == 1
    assert comparison.formulations[0].rate == pytest.approx(RATE, rel=0.05)


@pytest.mark.parametrize(("pressure", "outside"), [(9e6, True), (7.02e6, False), (1.2e6, True)])
def test_extrapolation_is_told(pressure: float, *, outside: bool) -> None:
    comparison = compare(campaign({"base": 2, "b": 2}, test_sd=0.01), pressure)
    for found in comparison.formulations:
        assert ("extrapolated" in codes(found)) == outside
        assert found.pressure_range == (1.5e6, 7e6)


class TestOnePressure:
    def at(self, own: float, base: Sequence[float] = PRESSURES) -> Comparison:
        return compare(
            campaign(
                {"base": 2, "retarded": 2},
                shifts={"retarded": -0.1},
                pressures={"base": base, "retarded": (own, own * 1.01)},
                batch_sd=0.01,
                test_sd=0.001,
                seed=6,
            )
        )

    def test_near_enough_it_borrows_the_exponent(self) -> None:
        found = row(self.at(4.5e6), "retarded")
        assert "exponent-not-measured" in codes(found)
        assert (found.n, found.n_shift, found.n_shift_p) == (None, None, None)
        assert found.shift == pytest.approx(-0.1, abs=0.03)
        assert found.shift_ci95 is not None

    def test_too_far_it_has_no_shift(self) -> None:
        comparison = self.at(2e6)
        found = row(comparison, "retarded")
        assert "exponent-not-measured" in codes(found)
        assert (found.rate, found.shift, found.shift_ci95, found.shift_p) == (None,) * 4
        assert row(comparison, "base").rate is not None

    def test_baseline_without_exponent_borrows_from_the_widest(self) -> None:
        comparison = compare(
            campaign(
                {"base": 2, "b": 2},
                pressures={"base": (4.2e6,) * 3, "b": PRESSURES},
                batch_sd=0.01,
                test_sd=0.001,
            )
        )
        assert row(comparison, "base").n is None
        assert row(comparison, "base").rate == pytest.approx(RATE, rel=0.05)
        assert row(comparison, "b").n == pytest.approx(EXPONENT, abs=0.01)
        assert row(comparison, "b").n_shift is None

    def test_nobody_has_an_exponent(self) -> None:
        observations = campaign(
            {"base": 2, "b": 2}, pressures=(AT, AT), batch_sd=0.01, test_sd=0.01
        )
        assert row(compare(observations), "b").shift is not None
        far = compare(observations, 1.1 * AT)
        assert (row(far, "b").shift, row(far, "base").rate, row(far, "base").shift) == (None,) * 3


class TestStrandsAndFirings:
    def test_offset_is_fitted_where_one_formulation_was_measured_both_ways(self) -> None:
        comparison = compare(
            campaign(
                {"base": 4, "retarded": 4},
                shifts={"retarded": -0.1},
                firings={"base": (1, 3), "retarded": range(5)},
                offset=0.08,
                batch_sd=0.01,
                test_sd=0.01,
                seed=7,
            )
        )
        assert "methods-pooled" in codes(comparison)
        assert comparison.rate_kind == "strand"
        low, high = comparison.method_offset_ci95
        assert low < 0.08 < high
        low, high = row(comparison, "retarded").shift_ci95
        assert low < -0.1 < high

    def test_nothing_ties_the_methods_together(self) -> None:
        comparison = compare(
            campaign(
                {"base": 3, "b": 3, "c": 3},
                firings={"b": range(5)},
                batch_sd=0.01,
                test_sd=0.01,
            )
        )
        assert comparison.method_offset is None
        assert comparison.rate_kind == "mixed"
        found = row(comparison, "b")
        assert "method-confounded" in codes(found)
        assert (found.shift, found.shift_p) == (None, None)
        assert found.rate is not None  # as its firings read
        assert found.n_shift is not None  # one offset does not touch the exponent
        assert row(comparison, "c").shift is not None

    def test_method_and_pressure_cannot_be_told_apart(self) -> None:
        comparison = compare(
            campaign(
                {"base": 3, "b": 3},
                pressures=(3e6, 5e6),
                firings={"base": (1,)},
                batch_sd=0.01,
                test_sd=0.01,
            )
        )
        base = row(comparison, "base")
        assert "method-confounded" in codes(base)
        assert (base.rate, base.n, base.shift) == (None, None, None)
        assert row(comparison, "b").rate is not None

    def test_firings_alone_need_no_offset(self) -> None:
        comparison = compare(
            campaign({"base": 2, "b": 2}, firings={"base": range(5), "b": range(5)}, test_sd=0.01)
        )
        assert comparison.rate_kind == "firing"
        assert comparison.method_offset is None
        assert "methods-pooled" not in codes(comparison)


def test_sections_of_one_burn_count_once() -> None:
    whole = campaign({"base": 3, "b": 3}, batch_sd=0.02, test_sd=0.02, seed=9)
    thrice = RateObservations(
        test=[name for name in whole.test for _ in range(3)],
        batch=[name for name in whole.batch for _ in range(3)],
        formulation=[name for name in whole.formulation for _ in range(3)],
        is_firing=[kind for kind in whole.is_firing for _ in range(3)],
        pressure=[value for value in whole.pressure for _ in range(3)],
        rate=[value * step for value in whole.rate for step in (0.99, 1.0, 1 / 0.99)],
    )
    found, expected = (row(compare(data), "b") for data in (thrice, whole))
    assert found.points == expected.points == 15
    assert found.shift_ci95 == pytest.approx(expected.shift_ci95, rel=1e-6)
    assert "sections-merged" in codes(compare(thrice))


def test_exponents_that_differ_between_batches_are_told() -> None:
    observations = campaign({"base": 3, "b": 3}, test_sd=0.005, batch_sd=0.02, seed=10)
    assert "exponent-varies" not in codes(compare(observations))
    tilt = {"base-0": 0.05, "b-1": -0.05}
    tilted = replace(
        observations,
        rate=[
            rate * (pressure / AT) ** tilt.get(batch, 0.0)
            for rate, pressure, batch in zip(
                observations.rate, observations.pressure, observations.batch, strict=True
            )
        ],
    )
    assert "exponent-varies" in codes(compare(tilted))


def test_a_test_without_statement_counts_like_the_others() -> None:
    # All uncertainties overstated, one left out: it must not pass for an exact one.
    observations = campaign({"base": 3, "b": 3}, batch_sd=0.02, test_sd=0.005, rate_sd=0.03, seed=2)
    silent = replace(observations, rate_sd=[None, *observations.rate_sd[1:]])
    expected, found = compare(observations), compare(silent)
    assert row(found, "b").shift == pytest.approx(row(expected, "b").shift, abs=1e-6)
    assert row(found, "base").n_sd == pytest.approx(row(expected, "base").n_sd, rel=1e-3)


def test_pressure_uncertainty_enters_through_the_exponent() -> None:
    # σ_lnr = n σ_lnP: a stated 2 % in pressure at n = 0.4 is 0.8 % in rate (GUM, JCGM 100).
    noisy = {"batch_sd": 0.02, "test_sd": 0.0001, "seed": 5}
    by_pressure = compare(campaign({"base": 3, "b": 3}, **noisy, pressure_sd=0.02))
    by_rate = compare(campaign({"base": 3, "b": 3}, **noisy, rate_sd=0.02 * EXPONENT))
    assert row(by_pressure, "b").n_sd == pytest.approx(row(by_rate, "b").n_sd, rel=0.01)


@given(factor=st.floats(0.2, 5.0), seed=st.integers(0, 1000))
@settings(max_examples=10, deadline=None)
def test_order_and_a_common_factor_do_not_matter(factor: float, seed: int) -> None:
    observations = campaign({"base": 3, "b": 2, "c": 3}, batch_sd=0.02, test_sd=0.01, seed=8)
    order = np.random.default_rng(seed).permutation(len(observations))
    shuffled = RateObservations(
        **{
            name: [getattr(observations, name)[index] for index in order]
            for name in ("test", "batch", "formulation", "is_firing", "pressure")
        },
        rate=[factor * observations.rate[index] for index in order],
    )
    expected, found = compare(observations), compare(shuffled)
    assert [r.formulation for r in found.formulations] == ["base", "b", "c"]
    for mine, theirs in zip(found.formulations[1:], expected.formulations[1:], strict=True):
        assert mine.rate == pytest.approx(factor * theirs.rate, rel=1e-6)
        assert mine.shift_ci95 == pytest.approx(theirs.shift_ci95, abs=1e-6)
        assert mine.shift_p == pytest.approx(theirs.shift_p, rel=1e-4)
        assert mine.n_shift_p == pytest.approx(theirs.n_shift_p, rel=1e-4)


def test_unknown_baseline_names_what_there_is() -> None:
    with pytest.raises(DataError, match="baseline 'gone'; expected one of b, base"):
        compare_formulations(campaign({"base": 1, "b": 1}), baseline="gone", pressure=AT)


@pytest.mark.parametrize("pressure", [0.0, -1e6, float("nan")])
def test_pressure_must_be_above_zero(pressure: float) -> None:
    with pytest.raises(DataError, match="absolute pressure above zero"):
        compare(campaign({"base": 1, "b": 1}), pressure)


def test_one_test_cannot_be_strand_and_firing() -> None:
    observations = campaign({"base": 1, "b": 1}, firings={"base": (0,)})
    with pytest.raises(DataError, match="T both is both a strand and a firing"):
        compare(replace(observations, test=["T both"] * 5 + list(observations.test[5:])))


@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_any_sparse_campaign_gives_numbers_or_none(data: st.DataObject) -> None:
    counts = st.lists(st.integers(1, 4), min_size=1, max_size=3)
    plan = data.draw(st.dictionaries(st.sampled_from("bcd"), counts, max_size=2))
    plan["base"] = data.draw(counts)
    pressure = st.sampled_from([1e6, 2e6, 4e6, 4.05e6, 8e6])
    step = st.sampled_from([0.0, 0.0, 1e-6, -0.02, 0.05])
    uncertainty = st.sampled_from([None, 0.0, 1e-5, 3e-4])
    rows = [
        (name, f"{name}-{batch}", data.draw(pressure), data.draw(step), data.draw(uncertainty),
         data.draw(st.booleans()))
        for name, sizes in plan.items() for batch, size in enumerate(sizes) for _ in range(size)
    ]  # fmt: skip
    names, batches, pressures, steps, sds, firing = zip(*rows, strict=True)
    comparison = compare(
        RateObservations(
            test=[f"T{index}" for index in range(len(rows))],
            batch=batches,
            formulation=names,
            is_firing=firing,
            pressure=pressures,
            rate=[
                RATE * (p / AT) ** 0.4 * np.exp(s) for p, s in zip(pressures, steps, strict=True)
            ],
            rate_sd=sds,
        )
    )
    json.dumps(asdict(comparison), allow_nan=False)
    for found in comparison.formulations:
        if found.shift_ci95 is not None:
            assert found.shift_ci95[0] <= found.shift <= found.shift_ci95[1]
        if found.n_shift_p is not None:
            assert 0.0 <= found.n_shift_p <= 1.0


def test_one_batch_of_equal_rows_shows_no_spread_between_batches() -> None:
    # Of one batch a formulation nothing tells how batches differ, also where rates are exact.
    once = compare(campaign({"base": 1, "retarded": 1}, shifts={"retarded": -0.09}))
    assert once.between_batch_sd is None
    assert once.between_batch_n_sd is None
    assert compare(campaign({"base": 2, "retarded": 1})).between_batch_sd == 0.0


@pytest.mark.parametrize(("tests", "told"), [(4, False), (5, True)])
def test_so_many_tests_that_it_is_no_luck(tests: int, told: bool) -> None:
    """One rule for a batch alone and for a comparison: three degrees of freedom."""
    pressure = np.geomspace(1e6, 6e6, tests)
    rate = RATE * (pressure / AT) ** EXPONENT * (1.0 + 1e-5 * np.array([1, -1, 1, -1, 1][:tests]))
    one = RateObservations(
        test=[f"T{number}" for number in range(tests)],
        batch=["B"] * tests,
        formulation=["base"] * tests,
        is_firing=[False] * tests,
        pressure=pressure.tolist(),
        rate=rate.tolist(),
    )
    assert ("no-scatter" in codes(compare(one))) == told
    (fit,) = fit_batches(
        [
            RateSeries(
                label="B",
                formulation="base",
                tests=tuple(one.test),
                pressure=pressure,
                rate=rate,
                pressure_sd=np.zeros(tests),
                rate_sd=np.zeros(tests),
                kinds=("strand",) * tests,
            )
        ]
    )
    assert ("no-scatter" in {caution.code for caution in fit.cautions}) == told


def test_pressures_known_worse_than_they_differ_are_told() -> None:
    # An exponent on an uncertain regressor is lowered by σ²/(variance seen), as for any
    # regression (Fuller, Measurement Error Models, 1987, from memory): invented tests over a
    # factor of 1.2 in pressure, each known to 4 %.
    rng = np.random.default_rng(3)
    counts = {"base": 6, "chalk": 6}
    true = campaign(counts, batch_sd=0.01, test_sd=0.005, pressures=(3.6e6, 3.8e6, 4.1e6, 4.35e6))
    read = tuple(np.array(true.pressure) * np.exp(rng.normal(0.0, 0.04, len(true))))
    blurred = replace(true, pressure=read, pressure_sd=tuple(0.04 * p for p in read))
    comparison = compare_formulations(blurred, baseline="base", pressure=AT)
    for row in comparison.formulations:
        (caution,) = [c for c in row.cautions if c.code == "pressures-blurred"]
        told = float(caution.message.split("off by about ")[1].split(" ")[0].replace("−", "-"))
        assert row.n - told == pytest.approx(EXPONENT, abs=2.5 * row.n_sd)
        assert told < -0.5 * row.n_sd
    wide = campaign(counts, batch_sd=0.01, test_sd=0.02, pressure_sd=0.01)
    for row in compare_formulations(wide, baseline="base", pressure=AT).formulations:
        assert "pressures-blurred" not in {c.code for c in row.cautions}
