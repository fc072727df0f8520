from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.weightstats import ttost_ind

from strandwise.errors import DataError
from strandwise.tracking import (
    Comparison,
    RateObservations,
    compare_formulations,
    equivalence,
    equivalence_sentence,
)

AT = 4e6


def single_tests(base: np.ndarray, other: np.ndarray) -> Comparison:
    """Invented: ln r of batches that were tested once, at one pressure."""
    values = np.concatenate([base, other])
    names = [f"T{index}" for index in range(values.size)]
    observations = RateObservations(
        test=names,
        batch=names,
        formulation=["base"] * base.size + ["other"] * other.size,
        is_firing=[False] * values.size,
        pressure=[AT] * values.size,
        rate=list(np.exp(values)),
    )
    return compare_formulations(observations, baseline="base", pressure=AT)


def drawn(shift: float, seed: int, *, sd: float = 0.03, count: int = 6) -> Comparison:
    rng = np.random.default_rng(seed)
    base = np.log(7e-3) + rng.normal(0, sd, count)
    return single_tests(base, np.log(7e-3) + np.log1p(shift) + rng.normal(0, sd, count))


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.floats(0.01, 0.3), st.integers(3, 9))
def test_same_p_as_two_one_sided_tests_of_statsmodels(seed: int, margin: float, count: int) -> None:
    rng = np.random.default_rng(seed)
    base, other = rng.normal(-5, 0.05, count), rng.normal(-5.02, 0.05, count + 1)
    (found,) = equivalence(single_tests(base, other), margin)
    p, *_ = ttost_ind(other, base, np.log1p(-margin), np.log1p(margin), usevar="pooled")
    assert found.p == pytest.approx(p, abs=1e-9)
    inside = -margin < found.ci90[0] and found.ci90[1] < margin
    assert (found.verdict == "within") == inside == (found.p < 0.05)
    assert found.largest_change == max(abs(found.ci90[0]), abs(found.ci90[1]))


def test_seldom_said_where_the_effect_is_as_large_as_the_margin() -> None:
    # The level of the two one-sided tests: at a true shift on the margin no more than 5 %; at
    # none, and an ample margin, nearly always.
    runs = 400
    wrong = sum(equivalence(drawn(0.08, seed), 0.08)[0].verdict == "within" for seed in range(runs))
    right = sum(equivalence(drawn(0.0, seed), 0.08)[0].verdict == "within" for seed in range(runs))
    assert 0.02 <= wrong / runs <= 0.08
    assert right / runs > 0.95


def test_seeing_no_shift_is_not_showing_none() -> None:
    wide = np.array([-0.1, 0.0, 0.1])
    comparison = single_tests(wide - 5.0, wide - 4.99)
    assert comparison.formulations[1].shift_p > 0.2
    (found,) = equivalence(comparison, 0.05)
    assert found.verdict == "not-shown"
    assert "other is not shown to be within ±5 % of base" in equivalence_sentence(found)


def test_verdicts_in_words() -> None:
    (small,) = equivalence(drawn(0.0, 1, sd=0.005), 0.05)
    assert small.verdict == "within"
    assert "other is shown to be within ±5 % of base (90 % interval" in equivalence_sentence(small)
    (large,) = equivalence(drawn(-0.2, 1, sd=0.005), 0.05)
    assert large.verdict == "beyond"
    assert "is shown to differ from base by more than ±5 %" in equivalence_sentence(large)


def test_one_batch_each_gives_no_verdict() -> None:
    observations = RateObservations(
        test=["a", "b", "c", "d", "e", "f"],
        batch=["B"] * 3 + ["C"] * 3,
        formulation=["base"] * 3 + ["other"] * 3,
        is_firing=[False] * 6,
        pressure=[2e6, 4e6, 6e6] * 2,
        rate=[5e-3, 7e-3, 8.1e-3, 5.1e-3, 6.8e-3, 8e-3],
    )
    comparison = compare_formulations(observations, baseline="base", pressure=AT)
    (found,) = equivalence(comparison, 0.05)
    assert (found.verdict, found.p, found.ci90, found.largest_change) == (
        "not-known", None, None, None,
    )  # fmt: skip
    assert "is not known: its shift has no interval" in equivalence_sentence(found)


def test_rates_without_scatter_are_judged_by_their_value() -> None:
    comparison = single_tests(np.full(3, -5.0), np.full(3, -5.0 + np.log1p(0.04)))
    assert equivalence(comparison, 0.05)[0].verdict == "within"
    assert equivalence(comparison, 0.03)[0].verdict == "beyond"


@pytest.mark.parametrize("margin", [0.0, -0.05, 1.0, float("nan")])
def test_margins_out_of_range(margin: float) -> None:
    with pytest.raises(DataError, match="cannot be asked about"):
        equivalence(drawn(0.0, 1), margin)
