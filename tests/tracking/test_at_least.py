from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import dunnett

from strandwise.errors import DataError
from strandwise.tracking import (
    AtLeast,
    Comparison,
    RateObservations,
    at_least,
    at_least_sentence,
    compare_formulations,
)

AT = 4e6


def single_tests(**groups: np.ndarray) -> Comparison:
    """Invented: ln r of batches that were tested once, at one pressure; the baseline is `base`."""
    names = [f"{name}-{k}" for name, values in groups.items() for k in range(len(values))]
    observations = RateObservations(
        test=names,
        batch=names,
        formulation=[name for name, values in groups.items() for _ in values],
        is_firing=[False] * len(names),
        pressure=[AT] * len(names),
        rate=list(np.exp(np.concatenate(list(groups.values())))),
    )
    return compare_formulations(observations, baseline="base", pressure=AT)


def drawn(seed: int, shifts: dict[str, float], *, sd: float = 0.03, count: int = 6) -> Comparison:
    rng = np.random.default_rng(seed)
    groups = {
        name: np.log(7e-3) + np.log1p(shift) + rng.normal(0, sd, count)
        for name, shift in {"base": 0.0, **shifts}.items()
    }
    return single_tests(**groups)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_same_p_as_the_one_sided_procedure_of_scipy(seed: int, slower: bool) -> None:
    rng = np.random.default_rng(seed)
    base, *others = (rng.normal(-5.0, 0.05, count) for count in (6, 4, 5))
    found = at_least(single_tests(base=base, a=others[0], b=others[1]), 0.0, slower=slower)
    reference = dunnett(
        *others,
        control=base,
        alternative="less" if slower else "greater",
        rng=np.random.default_rng(1),
    )
    assert [row.p for row in found] == pytest.approx(reference.pvalue, abs=2e-3)


def test_bounds_are_those_of_the_blood_counts() -> None:
    # C. W. Dunnett, J. Am. Stat. Assoc. 50 (1955) 1096: control and two drugs, 12 degrees of
    # freedom. Bounds by scipy's one-sided intervals of the same data, as an independent program.
    control = np.array([7.40, 8.50, 7.20, 8.24, 9.84, 8.32])
    drugs = np.array([9.76, 8.80, 7.68, 9.36]), np.array([12.80, 9.68, 12.16, 9.20, 10.55])
    found = at_least(single_tests(base=control, a=drugs[0], b=drugs[1]), 0.0, slower=False)
    reference = dunnett(
        *drugs, control=control, alternative="greater", rng=np.random.default_rng(1)
    ).confidence_interval(0.95)
    assert np.log1p([row.bound for row in found]) == pytest.approx(reference.low, abs=5e-3)


def test_seldom_said_of_any_where_all_change_just_so_much() -> None:
    # All three lie exactly at what is asked: any of them is said in at most 5 % of campaigns, and
    # of those with twice the change nearly all are.
    shifts = dict.fromkeys("abc", -0.10)
    runs = range(200)
    wrong = [any(r.verdict == "shown" for r in at_least(drawn(k, shifts), 0.10, slower=True))
             for k in runs]  # fmt: skip
    assert 0.01 <= np.mean(wrong) <= 0.10
    right = [r.verdict == "shown" for k in range(60) for r in
             at_least(drawn(k, dict.fromkeys("abc", -0.20)), 0.10, slower=True)]  # fmt: skip
    assert np.mean(right) > 0.95


def test_bounds_hold_for_all_together() -> None:
    shifts = {"a": -0.10, "b": -0.02, "c": 0.05}
    held = [
        all(row.bound <= -shifts[row.formulation] for row in at_least(one, 0.0, slower=True))
        for one in (drawn(seed, shifts, count=5) for seed in range(150))
    ]
    assert 0.90 <= np.mean(held) <= 0.99


def test_the_bound_meets_the_verdict() -> None:
    comparison = drawn(3, {"a": -0.12, "b": -0.07})
    for row in at_least(comparison, 0.0, slower=True):
        under, over = (
            {r.formulation: r for r in at_least(comparison, row.bound * f, slower=True)}
            for f in (0.999, 1.001)
        )
        assert under[row.formulation].verdict == "shown"
        assert over[row.formulation].verdict == "not-shown"


def test_in_words() -> None:
    slow = drawn(1, {"a": -0.20}, sd=0.005)
    (found,) = at_least(slow, 0.10, slower=True)
    assert "a is shown to burn at least 10 % slower than base (at 95 % confidence it burns" in (
        at_least_sentence(found)
    )
    (found,) = at_least(slow, 0.0, slower=False)
    text = at_least_sentence(found)
    assert "a is not shown to burn faster than base (at 95 % confidence it may even burn" in text
    assert "more batches" not in text
    (found,) = at_least(drawn(2, {"a": -0.02}), 0.0, slower=True)
    assert "more batches would tell" in at_least_sentence(found)


def made(*, p: float, bound: float, change: float = 0.1, measured: float = 0.12) -> str:
    return at_least_sentence(
        AtLeast(
            formulation="a", baseline="base", slower=True, change=change, p=p, bound=bound,
            measured=measured, verdict="shown" if p < 0.05 else "not-shown",
        )
    )  # fmt: skip


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (made(p=0.0497, bound=0.0002, change=0.0), "at least 0.02 % slower; p = 0.0497)"),
        (made(p=0.2, bound=0.09999999999999998), "it burns at least 10.0 % slower"),
        (made(p=0.2, bound=0.05, change=0.9999), "burn at least 99.99 % slower"),
        (made(p=0.97, bound=-1e300), "may even burn more than 10000 % faster"),
        # Measured beyond what is wanted, but among many that is not much.
        (made(p=0.97, bound=0.01, measured=0.113), "more batches would tell"),
    ],
)
def test_rounded_without_claiming_more(found: str, said: str) -> None:
    assert said in found


def test_what_falls_short_is_not_said_to_want_more_batches() -> None:
    assert "more batches" not in made(p=0.4, bound=0.02, measured=0.09)


def test_one_batch_each_is_not_known() -> None:
    one = np.array([-5.0])
    (found,) = at_least(single_tests(base=one, a=one - 0.1), 0.05, slower=True)
    assert (found.verdict, found.p, found.bound) == ("not-known", None, None)
    assert "is not known: its shift has no interval" in at_least_sentence(found)


@pytest.mark.parametrize(("change", "slower"), [(-0.1, True), (1.0, True), (float("nan"), False)])
def test_refuses_a_change_that_cannot_be(change: float, slower: bool) -> None:
    with pytest.raises(DataError, match="cannot be asked about"):
        at_least(drawn(1, {"a": 0.0}), change, slower=slower)
