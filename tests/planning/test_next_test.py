from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError
from strandwise.planning import NextTests, next_tests, next_tests_sentence, suggestion_sentence
from strandwise.tracking import Analysis, RateObservations, VarianceComponents, analyse

AT = 4e6


def analysed(
    batches: dict[str, int],
    *,
    pressures: tuple[float, ...] = (2e6, 4e6, 7e6),
    firings: tuple[float, ...] = (),
    batch_sd: float = 0.03,
    test_sd: float = 0.01,
    at: float = AT,
    seed: int = 0,
) -> Analysis:
    """Invented: 7 mm/s and n = 0.4 at 4 MPa; firings read 6 % faster, one batch of each."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, count in batches.items():
        for batch in range(count):
            effect = rng.normal(0, batch_sd)
            own = [(pressure, False) for pressure in pressures]
            own += [(pressure, True) for pressure in firings if batch == 0]
            for pressure, firing in own:
                log_rate = np.log(7e-3) + 0.4 * np.log(pressure / AT) + 0.06 * firing + effect
                log_rate += rng.normal(0, test_sd)
                rows.append((f"{name}{batch}", name, firing, pressure, float(np.exp(log_rate))))
    return analyse(
        RateObservations(
            test=[f"T{index}" for index in range(len(rows))],
            batch=[row[0] for row in rows],
            formulation=[row[1] for row in rows],
            is_firing=[row[2] for row in rows],
            pressure=[row[3] for row in rows],
            rate=[row[4] for row in rows],
        ),
        baseline="base",
        pressure=at,
    )


def pressures_of(plan: NextTests, *, firing: bool) -> set[float]:
    return {
        test.pressure
        for suggestion in plan.suggestions
        for test in suggestion.tests
        if test.is_firing == firing
    }


def test_batches_that_differ_call_for_a_new_batch() -> None:
    plan = next_tests(analysed({"base": 3, "slow": 2}))
    assert plan.batch_share > 0.9
    best = plan.suggestions[0]
    assert (best.kind, best.formulation) == ("new-batch", "slow")
    assert best.batch == "slow-new-1"
    assert "slow rests on 2 batches" in best.why
    assert "mix a new batch of slow and test 3 strands at 2.0 MPa to 7.0 MPa" in (
        suggestion_sentence(best)
    )


def test_gain_of_a_new_batch_follows_the_textbook() -> None:
    # Own computation: one pressure, J batches of m tests each, one formulation gets one more
    # batch: the variance falls from 2s²/J to s²(1/J + 1/(J + 1)), the degrees of freedom rise
    # from 2J − 2 to 2J − 1, and 95 % points of Student's t are 2.7764 for 4 and 2.5706 for 5.
    analysis = analysed({"base": 3, "slow": 3}, pressures=(AT, AT, AT))
    scatter = VarianceComponents(batch_sd=0.03, test_sd=0.02)
    plan = next_tests(analysis, components=scatter, strands_per_batch=3)
    best = plan.suggestions[0]
    ratio = np.sqrt((1 / 3 + 1 / 4) / (2 / 3)) * 2.5706 / 2.7764
    assert best.kind == "new-batch"
    assert best.gain == pytest.approx(1 - ratio, abs=1e-4)
    assert best.interval_after == pytest.approx(plan.interval_now * ratio, rel=1e-4)


@pytest.mark.parametrize(("count", "nearness"), [(3, 0.45), (20, 0.85)])
def test_a_strand_more_counts_where_tests_scatter(count: int, nearness: float) -> None:
    # Own computation: with σ_b near 0 one test more turns 1/N into 1/(N + 1) for one of the two.
    # That is the most it can bring: batches of unequal size make it matter how well the scatter
    # is known, which it is with many batches.
    analysis = analysed({"base": count, "slow": count}, pressures=(AT, AT))
    scatter = VarianceComponents(batch_sd=1e-6, test_sd=0.03)
    plan = next_tests(analysis, components=scatter)
    strand = next(one for one in plan.suggestions if one.kind == "strand")
    tests = 2 * count
    most = 1 - np.sqrt((1 / tests + 1 / (tests + 1)) / (2 / tests))
    assert nearness * most < strand.gain < most
    assert plan.batch_share == pytest.approx(0.0, abs=1e-4)


def test_a_decision_at_the_end_of_the_range_calls_for_tests_there() -> None:
    scatter = VarianceComponents(batch_sd=0.002, test_sd=0.03)
    plan = next_tests(analysed({"base": 3, "slow": 3}, at=7e6), components=scatter, most=50)
    strands = [one for one in plan.suggestions if one.kind == "strand"]
    assert strands[0].tests[0].pressure == 7e6
    gains = {one.tests[0].pressure: one.gain for one in strands if one.formulation == "slow"}
    assert 2e6 not in gains or gains[7e6] > gains[2e6]


def test_ranked_by_what_they_bring_and_each_narrows_the_interval() -> None:
    plan = next_tests(analysed({"base": 2, "slow": 2, "fast": 3}, test_sd=0.04), most=40)
    after = [one.interval_after for one in plan.suggestions]
    assert len(after) > 4
    assert all(first <= second for first, second in pairwise(after))
    assert all(0 < one.gain < 1 for one in plan.suggestions)
    assert plan.targets == ("fast", "slow")


@settings(max_examples=12)
@given(
    st.integers(0, 1000),
    st.floats(1e6, 9e6),
    st.sampled_from([(), (3e6, 5e6)]),
    st.sampled_from([None, (2.5e6, 5.5e6)]),
)
def test_never_a_pressure_outside_what_is_permitted(
    seed: int, at: float, firings: tuple[float, ...], permitted: tuple[float, float] | None
) -> None:
    analysis = analysed({"base": 2, "slow": 2}, firings=firings, at=at, seed=seed, test_sd=0.04)
    plan = next_tests(analysis, strand_range=permitted, firing_range=None, most=100)
    low, high = permitted or (2e6, 7e6)
    assert all(low <= pressure <= high for pressure in pressures_of(plan, firing=False))
    # Strands up to 7 MPa do not permit a firing there.
    assert all(3e6 <= pressure <= 5e6 for pressure in pressures_of(plan, firing=True))
    assert firings or not pressures_of(plan, firing=True)


def test_a_given_range_is_used_and_what_is_new_in_it_is_said() -> None:
    analysis = analysed({"base": 2, "slow": 2}, batch_sd=0.005, test_sd=0.04, at=7e6)
    plan = next_tests(analysis, strand_range=(2e6, 9e6), most=40)
    (farther,) = [
        one
        for one in plan.suggestions
        if one.kind == "strand" and one.formulation == "slow" and one.tests[0].pressure == 9e6
    ]
    assert "was not tested at that pressure before, only at 2.0 MPa to 7.0 MPa" in farther.why
    assert plan.extensions == ()


@pytest.mark.parametrize(
    ("at", "said"),
    [(9e6, "whether rig and case allow that pressure"), (1e6, "may burn unsteadily or go out")],
)
def test_a_decision_outside_the_range_is_kept_apart(at: float, said: str) -> None:
    plan = next_tests(analysed({"base": 2, "slow": 2}, at=at))
    assert [extension.formulation for extension in plan.extensions] == ["base", "slow"]
    assert all(said in extension.why for extension in plan.extensions)
    assert "none is suggested here" in plan.extensions[0].why
    assert all(2e6 <= pressure <= 7e6 for pressure in pressures_of(plan, firing=False))


def test_one_batch_each_is_told_to_mix() -> None:
    plan = next_tests(analysed({"base": 1, "slow": 1}))
    assert plan.interval_now is None
    assert {one.kind for one in plan.suggestions} == {"new-batch"}
    assert all(one.gain is None for one in plan.suggestions)
    assert "the shift then has an interval, of about ±" in suggestion_sentence(plan.suggestions[0])
    assert next_tests_sentence(plan) == "the shift of slow at 4.0 MPa has no interval yet"
    assert [caution.code for caution in plan.cautions] == ["assumed-batch-scatter"]


def test_used_up_batches_are_left_alone() -> None:
    analysis = analysed({"base": 2, "slow": 2}, batch_sd=0.002, test_sd=0.04)
    plan = next_tests(analysis, batches_left=["slow1"], most=40)
    assert {one.batch for one in plan.suggestions if one.kind == "strand"} == {"slow1"}


def test_firings_alone_are_planned_as_firings() -> None:
    analysis = analysed({"base": 2, "slow": 2}, pressures=(), firings=(3e6, 5e6), test_sd=0.02)
    analysis = analyse(
        RateObservations(
            test=[f"F{i}" for i in range(8)],
            batch=["b0", "b0", "b1", "b1", "s0", "s0", "s1", "s1"],
            formulation=["base"] * 4 + ["slow"] * 4,
            is_firing=[True] * 8,
            pressure=[3e6, 5e6] * 4,
            rate=[6.2e-3, 7.7e-3, 6.4e-3, 7.8e-3, 5.9e-3, 7.2e-3, 5.8e-3, 7.3e-3],
        ),
        baseline="base",
        pressure=AT,
    )
    plan = next_tests(analysis, most=40)
    assert plan.suggestions
    assert all(test.is_firing for one in plan.suggestions for test in one.tests)
    assert any("and test 1 firing at 4.0 MPa" in suggestion_sentence(s) for s in plan.suggestions)


def test_state_in_a_sentence() -> None:
    plan = next_tests(analysed({"base": 3, "slow": 3}))
    told = next_tests_sentence(plan)
    assert told.startswith("the shift of slow at 4.0 MPa is known to about ±")
    assert "of its variance comes from how batches differ" in told
    # Two digits always, never as a power of ten.
    for half_width, shown in ((0.0296, "±3.0 %"), (0.9163, "±150 %"), (2.5, "more than 1000 %")):
        told = next_tests_sentence(replace(plan, interval_now=half_width))
        assert f"is known to about ±{shown.lstrip('±')}" in told


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"formulation": "base"}, "the shift of `base` cannot be planned for"),
        ({"formulation": "none"}, "expected one of slow"),
        ({"strand_range": (5e6, 2e6)}, "permitted pressures run from"),
        ({"firing_range": (0.0, 2e6)}, "permitted pressures run from"),
    ],
)
def test_requests_that_cannot_be_met(options: dict[str, object], message: str) -> None:
    with pytest.raises(DataError, match=message):
        next_tests(analysed({"base": 2, "slow": 2}), **options)  # type: ignore[arg-type]


def test_the_baseline_alone_has_nothing_to_plan() -> None:
    with pytest.raises(DataError, match="only the baseline base"):
        next_tests(analysed({"base": 3}))


def test_pressures_that_no_rig_tells_apart_are_one_suggestion() -> None:
    # The decision lies 1 % beside the middle of the range tested.
    analysis = analysed({"base": 2, "slow": 2}, batch_sd=0.0, test_sd=0.04, at=3.78e6)
    plan = next_tests(analysis, most=40)
    for name in ("base", "slow"):
        of_one = [s for s in plan.suggestions if s.kind == "strand" and s.formulation == name]
        tested = sorted(one.tests[0].pressure for one in of_one)
        assert len(tested) > 1
        assert all(high / low > 1.03 for low, high in pairwise(tested))
        assert 3.78e6 in tested


def test_methods_that_nothing_ties_together_are_the_reason() -> None:
    rng = np.random.default_rng(5)
    rows = [
        (f"{name}{batch}", name, name == "slow", pressure)
        for name in ("base", "slow")
        for batch in range(2)
        for pressure in (2e6, 3e6, 5e6)
    ]
    rates = [7e-3 * (row[3] / AT) ** 0.4 * np.exp(0.02 * rng.normal()) for row in rows]
    analysis = analyse(
        RateObservations(
            test=[f"T{index}" for index in range(len(rows))],
            batch=[row[0] for row in rows],
            formulation=[row[1] for row in rows],
            is_firing=[row[2] for row in rows],
            pressure=[row[3] for row in rows],
            rate=[float(rate) for rate in rates],
        ),
        baseline="base",
        pressure=3e6,
    )
    assert next_tests(analysis).suggestions == ()
    told = next_tests(analysis, strand_range=(2e6, 5e6), firing_range=(2e6, 5e6), most=40)
    assert {one.kind for one in told.suggestions} == {"strand", "firing", "new-batch"}
    assert all("was measured by one method only" in one.why for one in told.suggestions)


def test_only_a_test_near_the_decision_is_said_to_be() -> None:
    plan = next_tests(
        analysed(
            {"base": 3, "slow": 3}, pressures=(2e6, 3e6, 5e6, 8e6), batch_sd=0.0, test_sd=0.05
        ),
        most=40,
    )
    near = {False: 0, True: 0}
    for one in plan.suggestions:
        if one.kind == "new-batch" or "settles its exponent" in one.why:
            continue
        pressure = one.tests[0].pressure
        is_near = 1 / 1.1 <= pressure / AT <= 1.1
        near[is_near] += 1
        assert ("a test near 4.0 MPa" in one.why) == is_near
    assert near[True]


def test_a_motor_away_from_the_decision_is_not_said_to_be_near() -> None:
    analysis = analysed({"base": 3, "slow": 3}, firings=(3e6, 6e6), test_sd=0.05, at=3e6)
    plan = next_tests(analysis, firing_range=(2.5e6, 6.5e6), most=60)
    middle = (2.5e6 * 6.5e6) ** 0.5
    far = [s for s in plan.suggestions if s.kind == "firing" and s.tests[0].pressure == middle]
    assert far
    for one in far:
        assert "one at 4.03 MPa tells of the rate at 3.0 MPa through the law" in one.why
