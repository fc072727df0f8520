from __future__ import annotations

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.tracking import (
    Analysis,
    BatchCovariate,
    PlannedTest,
    RateObservations,
    VarianceComponents,
    analyse,
    shift_precision,
    variance_components,
)

AT = 4e6


def analysed(
    batches: dict[str, int],
    *,
    pressures: tuple[float, ...] = (2e6, 4e6, 7e6),
    batch_sd: float = 0.03,
    test_sd: float = 0.01,
    rate_sd: float | None = None,
    seed: int = 0,
    covariates: tuple[BatchCovariate, ...] = (),
) -> Analysis:
    """Invented: 7 mm/s and n = 0.4 at 4 MPa, scatter as given."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, count in batches.items():
        for batch in range(count):
            effect = rng.normal(0, batch_sd)
            for pressure in pressures:
                rate = 7e-3 * (pressure / AT) ** 0.4 * np.exp(effect + rng.normal(0, test_sd))
                rows.append((f"{name}{batch}", name, pressure, float(rate)))
    batch_names, names, at, rates = zip(*rows, strict=True)
    observations = RateObservations(
        test=[f"T{index}" for index in range(len(rows))],
        batch=batch_names,
        formulation=names,
        is_firing=[False] * len(rows),
        pressure=at,
        rate=rates,
        rate_sd=None if rate_sd is None else [rate_sd * rate for rate in rates],
    )
    return analyse(observations, baseline="base", pressure=AT, covariates=covariates)


def strands(batch: str, formulation: str, *pressures: float) -> list[PlannedTest]:
    return [
        PlannedTest(batch=batch, formulation=formulation, is_firing=False, pressure=pressure)
        for pressure in pressures
    ]


@pytest.mark.parametrize("rate_sd", [None, 0.004])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_without_additions_it_is_the_comparison_itself(seed: int, rate_sd: float | None) -> None:
    analysis = analysed({"base": 3, "slow": 4, "fast": 2}, seed=seed, rate_sd=rate_sd)
    found = shift_precision(analysis, variance_components(analysis))
    for name in ("slow", "fast"):
        contrast = analysis.shift_contrast(name)
        assert contrast is not None
        estimate = analysis.one_spread.contrast(contrast)
        precision = found[name]
        assert precision is not None
        assert precision.sd == pytest.approx(estimate.sd, rel=1e-6)
        assert precision.df == pytest.approx(estimate.df, rel=1e-5)
        assert precision.half_width == pytest.approx(
            (estimate.ci95[1] - estimate.ci95[0]) / 2, rel=1e-5
        )


def test_balanced_design_follows_the_textbook() -> None:
    # Own computation: with J batches of m tests at one pressure the difference of two formulations
    # has the variance 2(σ_b² + σ_w²/m)/J and 2(J − 1) degrees of freedom, exactly.
    analysis = analysed({"base": 3, "slow": 3}, pressures=(AT, AT))
    scatter = VarianceComponents(batch_sd=0.03, test_sd=0.02)
    now = shift_precision(analysis, scatter)["slow"]
    assert now is not None
    assert now.sd**2 == pytest.approx(2 * (0.03**2 + 0.02**2 / 2) / 3)
    assert now.df == pytest.approx(4)
    more = [*strands("base-new", "base", AT, AT), *strands("slow-new", "slow", AT, AT)]
    after = shift_precision(analysis, scatter, more)["slow"]
    assert after is not None
    assert after.sd**2 == pytest.approx(2 * (0.03**2 + 0.02**2 / 2) / 4)
    assert after.df == pytest.approx(6)


def test_a_forecast_of_precision_comes_true() -> None:
    # The mean width of the real intervals of 5 batches each, and the width foreseen from 3 each
    # when the scatter is known.
    rng_seeds = range(60)
    scatter = VarianceComponents(batch_sd=0.03, test_sd=0.01)
    more = [
        test
        for name in ("base", "slow")
        for batch in ("x", "y")
        for test in strands(f"{name}-{batch}", name, 2e6, 4e6, 7e6)
    ]
    foreseen = shift_precision(analysed({"base": 3, "slow": 3}), scatter, more)["slow"]
    assert foreseen is not None
    real = []
    for seed in rng_seeds:
        analysis = analysed({"base": 5, "slow": 5}, seed=seed)
        contrast = analysis.shift_contrast("slow")
        assert contrast is not None
        real.append(analysis.estimate(contrast).sd)
    assert np.sqrt(np.mean(np.square(real))) == pytest.approx(foreseen.sd, rel=0.1)


def test_a_second_batch_makes_an_interval() -> None:
    analysis = analysed({"base": 1, "slow": 1})
    scatter = variance_components(analysis, assumed_batch_sd=0.04)
    assert scatter.batch_sd == 0.04
    assert [caution.code for caution in scatter.cautions] == ["assumed-batch-scatter"]
    assert shift_precision(analysis, scatter) == {"slow": None}
    after = shift_precision(analysis, scatter, strands("slow-2", "slow", 2e6, 7e6))["slow"]
    assert after is not None
    assert after.df == pytest.approx(1, abs=0.2)


def test_no_spread_between_batches_is_not_believed() -> None:
    analysis = analysed({"base": 2, "slow": 2}, batch_sd=0.0, test_sd=0.03, seed=4)
    assert analysis.fit.batch_sd == 0.0
    scatter = variance_components(analysis)
    assert 0.003 < scatter.batch_sd < 0.03
    assert [caution.code for caution in scatter.cautions] == ["batch-scatter-zero"]


def test_what_is_assumed_where_nothing_is_known() -> None:
    single = variance_components(analysed({"base": 3, "slow": 3}, pressures=(AT,)))
    assert [caution.code for caution in single.cautions] == ["assumed-test-scatter"]
    total = analysed({"base": 3, "slow": 3}, pressures=(AT,)).fit.residual_sd
    assert np.hypot(single.batch_sd, single.test_sd) == pytest.approx(total)
    exact = variance_components(analysed({"base": 2, "slow": 2}, batch_sd=0.0, test_sd=0.0))
    assert {caution.code for caution in exact.cautions} == {
        "assumed-batch-scatter",
        "assumed-test-scatter",
    }


@pytest.mark.parametrize(
    ("test", "message"),
    [
        (("slow0", "slow", 0.0), r"planned at 0\.0 Pa"),
        (("new", "unknown", 4e6), "which has no burn rate yet"),
        (("slow0", "base", 4e6), "batch slow0 is planned as base"),
    ],
)
def test_plans_that_cannot_be(test: tuple[str, str, float], message: str) -> None:
    analysis = analysed({"base": 2, "slow": 2})
    with pytest.raises(DataError, match=message):
        shift_precision(analysis, variance_components(analysis), strands(*test[:2], test[2]))


def test_covariates_and_assumptions_that_are_refused() -> None:
    density = BatchCovariate(
        name="density", step=1.0, step_text="1",
        values={"base0": 1.0, "base1": 2.0, "base2": 4.0, "slow0": 1.0, "slow1": 3.0},
    )  # fmt: skip
    analysis = analysed({"base": 3, "slow": 2}, covariates=(density,))
    with pytest.raises(DataError, match="comparison with covariates"):
        shift_precision(analysis, VarianceComponents(batch_sd=0.03, test_sd=0.01))
    with pytest.raises(DataError, match=r"assumed scatter is 0\.0"):
        variance_components(analysis, assumed_test_sd=0.0)
