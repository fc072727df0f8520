from __future__ import annotations

from collections import Counter

import pytest

from strandwise.errors import DataError
from strandwise.planning import balanced_tests, run_sheet
from strandwise.tracking import PlannedTest

PRESSURES = (2e6, 4e6, 7e6)
PLAN = balanced_tests(["base", "slow", "fast"], batches=2, pressures=PRESSURES)


def test_balanced_plan_is_complete() -> None:
    assert len(PLAN) == 3 * 2 * 3
    assert Counter(test.formulation for test in PLAN) == {"base": 6, "slow": 6, "fast": 6}
    assert {test.batch for test in PLAN if test.formulation == "slow"} == {
        "slow-new-1",
        "slow-new-2",
    }


def test_names_that_exist_are_not_given_again() -> None:
    plan = balanced_tests(["base"], batches=2, pressures=[4e6], taken=["base-new-1"])
    assert [test.batch for test in plan] == ["base-new-2", "base-new-3"]


def test_every_test_stands_once_and_the_seed_repeats_it() -> None:
    sheet = run_sheet(PLAN, seed=5)
    assert Counter(row.test for row in sheet.rows) == Counter(PLAN)
    assert [row.position for row in sheet.rows] == list(range(1, 19))
    assert sheet == run_sheet(PLAN, seed=5)
    assert sheet.rows != run_sheet(PLAN, seed=6).rows


def test_each_day_holds_one_batch_of_each_formulation() -> None:
    sheet = run_sheet(PLAN, seed=7)
    for day in (1, 2):
        batches = {row.test.batch: row.test.formulation for row in sheet.rows if row.day == day}
        assert sorted(batches.values()) == ["base", "fast", "slow"]
    assert set(sheet.mixing[:3]) == {row.test.batch for row in sheet.rows if row.day == 1}


def test_a_block_dealt_over_days_keeps_batches_even() -> None:
    plan = balanced_tests(["base", "slow"], batches=1, pressures=[2e6, 3e6, 4e6, 5e6, 6e6, 7e6])
    sheet = run_sheet(plan, seed=3, most_per_day=5)
    days = {day: [r.test.batch for r in sheet.rows if r.day == day] for day in (1, 2, 3)}
    assert all(Counter(batches) == {"base-new-1": 2, "slow-new-1": 2} for batches in days.values())
    assert {row.day for row in sheet.rows} == {1, 2, 3}


def test_every_order_is_as_likely() -> None:
    # Three tests of one batch have six orders: each about 100 times in 600 sheets.
    plan = balanced_tests(["base"], batches=1, pressures=PRESSURES)
    seen = Counter(
        tuple(row.test.pressure for row in run_sheet(plan, seed=seed).rows) for seed in range(600)
    )
    assert len(seen) == 6
    assert sum((count - 100) ** 2 / 100 for count in seen.values()) < 20.5  # χ², 5 df, 0.1 %


def test_the_first_place_falls_on_every_formulation() -> None:
    first = Counter(run_sheet(PLAN, seed=seed).rows[0].test.formulation for seed in range(300))
    assert min(first.values()) > 70
    mixed = Counter(run_sheet(PLAN, seed=seed).mixing[0].split("-")[0] for seed in range(300))
    assert min(mixed.values()) > 70


def test_batches_of_unequal_number() -> None:
    plan = [
        PlannedTest(batch="B1", formulation="base", is_firing=False, pressure=4e6),
        PlannedTest(batch="S1", formulation="slow", is_firing=False, pressure=4e6),
        PlannedTest(batch="S2", formulation="slow", is_firing=True, pressure=4e6),
    ]
    sheet = run_sheet(plan, seed=1)
    assert [len({r.test.batch for r in sheet.rows if r.day == day}) for day in (1, 2)] == [2, 1]


def test_what_cannot_be_planned() -> None:
    with pytest.raises(DataError, match="0 tests with None a day"):
        run_sheet([], seed=1)
    with pytest.raises(DataError, match="18 tests with 0 a day"):
        run_sheet(PLAN, seed=1, most_per_day=0)
    with pytest.raises(DataError, match="batch B is planned under two formulations"):
        run_sheet(
            [
                PlannedTest(batch="B", formulation=name, is_firing=False, pressure=4e6)
                for name in ("base", "slow")
            ],
            seed=1,
        )
    with pytest.raises(DataError, match="0 batches of 1 formulations"):
        balanced_tests(["base"], batches=0, pressures=[4e6])
    with pytest.raises(DataError, match="formulations base, base"):
        balanced_tests(["base", "base"], batches=1, pressures=[4e6])
