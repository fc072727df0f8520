"""What must not change an answer does not, and what must change it does so by the right factor.

The expected values are algebra on r = L/t and r = a·Pⁿ; nothing is taken from the program.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

SEEDS = st.integers(0, 10_000)
FACTORS = st.floats(0.25, 4.0)
few = settings(max_examples=6)


def fits(told: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {fit["batch"]: fit for fit in told["fit"]["fits"]}


def shifts(told: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["formulation"]: row for row in told["compare"]["formulations"]}


def same(first: Any, second: Any, rel: float, path: str = "") -> None:
    """Two JSON values agree: numbers within `rel`, everything else exactly."""
    assert type(first) is type(second) or isinstance(first, int | float), path
    if isinstance(first, dict):
        assert first.keys() == second.keys(), path
        for key in first:
            same(first[key], second[key], rel, f"{path}/{key}")
    elif isinstance(first, list):
        assert len(first) == len(second), path
        for index, (one, other) in enumerate(zip(first, second, strict=True)):
            same(one, other, rel, f"{path}/{index}")
    elif isinstance(first, float):
        assert first == pytest.approx(second, rel=rel, abs=1e-9), path
    else:
        assert first == second, path


@few
@given(seed=SEEDS, order=SEEDS)
def test_the_order_of_rows_changes_nothing(invent: Any, ask: Any, seed: int, order: int) -> None:
    campaign = invent(seed)
    rng = np.random.default_rng(order)
    strands = [campaign.strands[i] for i in rng.permutation(len(campaign.strands))]
    batches = [campaign.batches[i] for i in rng.permutation(len(campaign.batches))]
    mixed = replace(campaign, strands=tuple(strands), batches=tuple(batches))
    first, second = ask(campaign), ask(mixed)
    for batch, fit in fits(first).items():
        same(numbers_of_fit(fit), numbers_of_fit(fits(second)[batch]), 1e-9, batch)
    for name, row in shifts(first).items():
        # The order of the sums of the likelihood differs: its maximum to half the digits.
        same(numbers_of_shift(row), numbers_of_shift(shifts(second)[name]), 1e-6, name)


@few
@given(seed=SEEDS, length=st.sampled_from(["in"]), pressure=st.sampled_from(["psi", "bar"]))
def test_the_units_of_the_readings_change_nothing(
    invent: Any, ask: Any, seed: int, length: str, pressure: str
) -> None:
    campaign = invent(seed)
    other = replace(campaign, length_unit=length, pressure_unit=pressure)
    same(ask(campaign), ask(other), 1e-6)


@few
@given(seed=SEEDS, factor=FACTORS)
def test_longer_strands_of_the_same_time_burn_faster_in_proportion(
    invent: Any, ask: Any, seed: int, factor: float
) -> None:
    first, second = ask(invent(seed)), ask(invent(seed).scaled(length=factor))
    for batch, fit in fits(first).items():
        scaled = fits(second)[batch]
        assert scaled["n"] == pytest.approx(fit["n"], rel=1e-8)
        assert scaled["n_ci95"] == pytest.approx(fit["n_ci95"], rel=1e-6)
        assert scaled["a_mm_s_MPa"] == pytest.approx(factor * fit["a_mm_s_MPa"], rel=1e-8)
        assert scaled["scatter_percent"] == pytest.approx(fit["scatter_percent"], rel=1e-6)
    for name, row in shifts(first).items():
        scaled = shifts(second)[name]
        assert scaled["rate_mm_s"] == pytest.approx(factor * row["rate_mm_s"], rel=1e-7)
        if name != "base":
            assert scaled["shift_percent"] == pytest.approx(row["shift_percent"], rel=1e-6)
            assert scaled["shift_ci95"] == pytest.approx(row["shift_ci95"], rel=1e-5)


@few
@given(seed=SEEDS, factor=FACTORS)
def test_a_wrong_factor_of_the_gauge_moves_a_and_leaves_the_exponent(
    invent: Any, ask: Any, seed: int, factor: float
) -> None:
    first, second = ask(invent(seed)), ask(invent(seed).scaled(pressure=factor))
    for batch, fit in fits(first).items():
        scaled = fits(second)[batch]
        assert scaled["n"] == pytest.approx(fit["n"], rel=1e-8)
        # r = a·(P'/c)ⁿ, so that a' = a·c⁻ⁿ.
        expected = fit["a_mm_s_MPa"] * factor ** -fit["n"]
        assert scaled["a_mm_s_MPa"] == pytest.approx(expected, rel=1e-8)


@few
@given(seed=SEEDS, slower=st.floats(1.02, 1.5))
def test_a_batch_that_took_longer_is_slower_and_so_is_its_formulation(
    invent: Any, ask: Any, seed: int, slower: float
) -> None:
    campaign = invent(seed)
    late = campaign.with_strands(
        [replace(s, time=s.time * slower) if s.batch == "B-2" else s for s in campaign.strands]
    )
    first, second = ask(campaign), ask(late)
    ratio = fits(second)["B-2"]["rate_at_reference_mm_s"]
    assert ratio == pytest.approx(fits(first)["B-2"]["rate_at_reference_mm_s"] / slower, rel=1e-8)
    for batch in ("B-1", "B-3", "B-4"):
        same(fits(first)[batch], fits(second)[batch], 1e-12)
    before, after = (shifts(told)["chalk-10"]["shift_percent"] for told in (first, second))
    assert after < before


@few
@given(a=st.floats(0.5, 50.0), n=st.floats(-0.3, 0.9), seed=SEEDS)
def test_readings_without_noise_give_back_their_law(
    invent: Any, ask: Any, a: float, n: float, seed: int
) -> None:
    campaign = invent(seed)
    exact = campaign.with_strands(
        [replace(s, time=s.length / (a * s.pressure**n)) for s in campaign.strands]
    )
    told = ask(exact)
    for fit in fits(told).values():
        assert fit["n"] == pytest.approx(n, abs=1e-8)
        assert fit["a_mm_s_MPa"] == pytest.approx(a, rel=1e-8)
    row = shifts(told)["chalk-10"]
    assert row["shift_percent"] == pytest.approx(0.0, abs=1e-5)
    assert row["rate_mm_s"] == pytest.approx(a * 3.0**n, rel=1e-7)


def test_a_campaign_told_twice_as_one_batch_doubles_its_points_and_keeps_its_law(
    invent: Any, ask: Any
) -> None:
    campaign = invent(3)
    again = [replace(s, test=f"{s.test}-again", time=s.time * 1.0) for s in campaign.strands]
    # The same readings on another day: the line through them is the same, and narrower by √2 and
    # by Student's t on the greater number.
    first, second = ask(campaign), ask(campaign.with_strands([*campaign.strands, *again]))
    for batch, fit in fits(first).items():
        twice = fits(second)[batch]
        assert twice["points"] == 2 * fit["points"]
        assert twice["n"] == pytest.approx(fit["n"], rel=1e-6)
        k = fit["points"]
        expected = math.sqrt((k - 2) / (2 * k - 2))
        assert twice["n_sd"] == pytest.approx(expected * fit["n_sd"], rel=0.02)


def numbers_of_fit(fit: dict[str, Any]) -> dict[str, Any]:
    return {key: fit[key] for key in ("n", "n_ci95", "a_mm_s_MPa", "a_ci95", "scatter_percent")}


def numbers_of_shift(row: dict[str, Any]) -> dict[str, Any]:
    keys = ("rate_mm_s", "rate_ci95", "shift_percent", "shift_ci95", "shift_p", "n", "n_shift")
    return {key: row[key] for key in keys}
