from __future__ import annotations

import numpy as np
import pytest

from strandwise.formulation import Dose
from strandwise.tracking import Comparison, RateObservations, compare_formulations

AT = 4e6


def campaign(
    log_shifts: dict[str, float],
    *,
    batches: int = 3,
    batch_sd: float = 0.0,
    test_sd: float = 0.0,
    seed: int = 0,
) -> RateObservations:
    """Invented: a baseline at 7 mm/s and n = 0.4, the others shifted by so much in ln r."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, shift in {"base": 0.0, **log_shifts}.items():
        for batch in range(batches):
            effect = rng.normal(0, batch_sd)
            for pressure in (2e6, 3e6, 4e6, 6e6):
                log_rate = np.log(7e-3) + shift + 0.4 * np.log(pressure / AT) + effect
                rate = np.exp(log_rate + rng.normal(0, test_sd))
                rows.append((f"T{len(rows)}", f"{name}-{batch}", name, False, pressure, rate))
    test, batch_name, formulation, firing, pressures, rates = zip(*rows, strict=True)
    return RateObservations(
        test=test, batch=batch_name, formulation=formulation, is_firing=firing,
        pressure=pressures, rate=rates,
    )  # fmt: skip


def carbonate(amount: float, *, relative_to: str = "base", replaces: str = "sorbitol") -> Dose:
    return Dose(
        ingredient="calcium-carbonate", replaces=replaces, amount=amount, relative_to=relative_to
    )


def compare(observations: RateObservations, doses: dict[str, Dose]) -> Comparison:
    return compare_formulations(observations, baseline="base", pressure=AT, doses=doses)


def test_even_effect_is_given_back() -> None:
    # ln r falls by 0.011 per percent: 100·(exp(−0.011) − 1) = −1.0940 %.
    comparison = compare(
        campaign({"c5": -0.055, "c10": -0.11, "c20": -0.22}),
        {"c10": carbonate(0.10), "c5": carbonate(0.05), "c20": carbonate(0.20)},
    )
    (slope,) = comparison.doses
    assert slope.formulations == ("c5", "c10", "c20")
    assert slope.amounts == (0.05, 0.10, 0.20)
    assert (slope.ingredient, slope.replaces) == ("calcium-carbonate", "sorbitol")
    assert slope.percent_per_percent == pytest.approx(-1.0939723, abs=1e-6)
    assert slope.cautions == ()


def test_slope_is_the_regression_of_batch_levels_on_dose() -> None:
    # Balanced batches: generalised least squares with the shifts' covariance is the regression
    # of the batches' levels on dose, where the baseline is free to be itself (Gauss–Markov, as
    # a check the normal equations are written out).
    observations = campaign({"c10": -0.1, "c20": -0.22}, batch_sd=0.02, test_sd=0.01, seed=3)
    (slope,) = compare(observations, {"c10": carbonate(0.1), "c20": carbonate(0.2)}).doses
    logs = np.log(observations.rate)
    x = np.log(np.array(observations.pressure) / AT)
    levels = []
    for start in range(0, 36, 12):
        _, level = np.polyfit(x[start : start + 12], logs[start : start + 12], 1)
        levels.append(level)
    # Equal precision in all three levels: ordinary least squares with an intercept.
    expected = np.polyfit([0.0, 0.1, 0.2], levels, 1)[0]
    assert slope.percent_per_percent == pytest.approx(100 * np.expm1(0.01 * expected), rel=1e-6)
    low, high = slope.ci95
    assert low < slope.percent_per_percent < high


def test_interval_covers_a_known_slope() -> None:
    truth = 100 * np.expm1(-0.011)
    covered = []
    for seed in range(120):
        observations = campaign(
            {"c10": -0.11, "c20": -0.22}, batch_sd=0.03, test_sd=0.01, seed=seed
        )
        (slope,) = compare(observations, {"c10": carbonate(0.1), "c20": carbonate(0.2)}).doses
        covered.append(slope.ci95[0] < truth < slope.ci95[1])
    assert 0.91 <= np.mean(covered) <= 0.99  # 120 campaigns: ± 2 standard errors of 0.95


def test_one_dose_says_so() -> None:
    (slope,) = compare(campaign({"c10": -0.1}, test_sd=0.01), {"c10": carbonate(0.1)}).doses
    assert [caution.code for caution in slope.cautions] == ["one-dose"]


def test_uneven_effect_says_so() -> None:
    observations = campaign({"c10": -0.2, "c20": -0.2}, batch_sd=0.01, test_sd=0.01)
    (slope,) = compare(observations, {"c10": carbonate(0.1), "c20": carbonate(0.2)}).doses
    assert [caution.code for caution in slope.cautions] == ["dose-not-linear"]


def test_series_are_kept_apart_and_other_baselines_left_out() -> None:
    comparison = compare(
        campaign({"a": -0.1, "b": -0.2, "c": -0.3}, test_sd=0.01),
        {
            "a": carbonate(0.1),
            "b": carbonate(0.1, replaces="all"),
            "c": carbonate(0.1, relative_to="a"),
            "not-tested": carbonate(0.3),
        },
    )
    assert [(d.replaces, d.formulations) for d in comparison.doses] == [
        ("all", ("b",)),
        ("sorbitol", ("a",)),
    ]


def test_without_replicated_batches_there_is_no_interval() -> None:
    observations = campaign({"c10": -0.1, "c20": -0.2}, batches=1, batch_sd=0.02, test_sd=0.01)
    (slope,) = compare(observations, {"c10": carbonate(0.1), "c20": carbonate(0.2)}).doses
    assert slope.percent_per_percent < 0
    assert slope.ci95 is None
