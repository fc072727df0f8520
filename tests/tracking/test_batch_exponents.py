"""The test for exponents that differ between batches: against a plain dense regression."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import fdtrc

from strandwise.tracking import RateObservations, analyse
from strandwise.tracking.heterogeneity import slopes_p


def campaign(seed: int, *, firings: bool, spread: float) -> RateObservations:
    rng = np.random.default_rng(seed)
    rows = []
    for batch in range(6):
        n = 0.4 + spread * rng.normal()
        level = 0.02 * rng.normal()
        for test, pressure in enumerate(rng.uniform(1.0, 7.0, 3 + batch)):
            firing = firings and test == 0
            log_rate = -5.0 + level + n * np.log(pressure) + 0.07 * firing + 0.02 * rng.normal()
            rows.append((f"B{batch}", "base" if batch % 2 else "x", firing, pressure, log_rate))
    return RateObservations(
        test=[f"T{i}" for i in range(len(rows))],
        batch=[row[0] for row in rows],
        formulation=[row[1] for row in rows],
        is_firing=[row[2] for row in rows],
        pressure=[row[3] * 1e6 for row in rows],
        rate=[float(np.exp(row[4])) for row in rows],
    )


@pytest.mark.parametrize("firings", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_a_dense_regression(seed: int, firings: bool) -> None:
    observations = campaign(seed, firings=firings, spread=0.05)
    analysis = analyse(observations, baseline="base", pressure=3e6)
    y = np.log(observations.rate)
    x = np.log(observations.pressure)
    levels = np.array([[b == name for name in sorted(set(observations.batch))]
                       for b in observations.batch], dtype=float)  # fmt: skip
    kinds = np.array([[f == name for name in ("base", "x")] for f in observations.formulation])
    extra = [np.array(observations.is_firing, dtype=float)[:, None]] if firings else []

    def squares(*columns: np.ndarray) -> tuple[float, int]:
        design = np.column_stack(columns)
        solution, _, rank, _ = np.linalg.lstsq(design, y)
        return float(np.sum((y - design @ solution) ** 2)), y.size - int(rank)

    one, one_df = squares(levels, kinds * x[:, None], *extra)
    free, free_df = squares(levels, levels * x[:, None], *extra)
    ratio = (one - free) / (one_df - free_df) / (free / free_df)
    expected = float(fdtrc(one_df - free_df, free_df, ratio))
    assert analysis.exponent_heterogeneity_p == pytest.approx(expected, rel=1e-6)


def test_equal_slopes_of_a_published_covariance_analysis() -> None:
    # Snedecor and Cochran, Statistical Methods, 6th ed. (1967), p. 422: bacilli before and after
    # two drugs and a control, ten persons each. Separate slopes against one for all:
    # F(2, 24) = 0.592959, p = 0.560585 (data as printed by a public manual, refitted).
    text = """11,6 8,0 5,2 14,8 19,11 6,4 10,13 6,1 11,8 3,0
               6,0 6,2 7,3 8,1 18,18 8,4 19,14 8,9 5,1 15,9
               16,13 13,10 11,18 9,5 21,23 16,12 12,5 12,16 7,1 12,20"""
    before, after = np.array([pair.split(",") for pair in text.split()], dtype=float).T
    group = np.repeat(np.arange(3), 10)
    p = slopes_p(group, before, before[:, None], after)
    assert p == pytest.approx(0.560585, abs=5e-7)
    assert fdtrc(2, 24, 0.592959) == pytest.approx(p, abs=1e-6)


def test_false_alarms_are_as_rare_as_said_and_a_real_spread_is_seen() -> None:
    def share(spread: float) -> float:
        found = [
            analyse(campaign(seed, firings=False, spread=spread), baseline="base", pressure=3e6)
            for seed in range(100, 300)
        ]
        return sum((a.exponent_heterogeneity_p or 1.0) < 0.05 for a in found) / len(found)

    assert 0.01 <= share(0.0) <= 0.10
    assert share(0.10) > 0.6
