from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Mapping

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from strandwise.errors import DataError
from strandwise.tracking import (
    BatchCovariate,
    Comparison,
    CovariateSlope,
    RateObservations,
    compare_formulations,
    covariate_sentence,
)

AT = 4e6


def campaign(
    density: Mapping[str, Mapping[str, float]],
    *,
    slope: float = 0.0,
    shift: float = 0.0,
    batch_sd: float = 0.0,
    test_sd: float = 0.0,
    pressures: tuple[float, ...] = (2e6, 4e6, 7e6),
    temperature: Mapping[str, float | None] | None = None,
    seed: int = 0,
) -> RateObservations:
    """Invented: 7 mm/s and n = 0.4 at 4 MPa and 1800 kg/m³, `slope` of ln r per kg/m³."""
    rng = np.random.default_rng(seed)
    rows = []
    for name, batches in density.items():
        for batch, value in batches.items():
            level = np.log(7e-3) + slope * (value - 1800.0) + rng.normal(0, batch_sd)
            level += shift * (name != "base")
            for pressure in pressures:
                log_rate = level + 0.4 * np.log(pressure / AT) + rng.normal(0, test_sd)
                rows.append((batch, name, pressure, float(np.exp(log_rate))))
    batch_names, names, at, rate = zip(*rows, strict=True)
    return RateObservations(
        test=[f"T{index}" for index in range(len(rows))],
        batch=batch_names,
        formulation=names,
        is_firing=[False] * len(rows),
        pressure=at,
        rate=rate,
        temperature=[(temperature or {}).get(name) for name in names],
    )


def density_of(density: Mapping[str, Mapping[str, float]]) -> BatchCovariate:
    values = {batch: value for own in density.values() for batch, value in own.items()}
    return BatchCovariate(name="density", values=values, step=10.0, step_text="10 kg/m³")


def compare(
    observations: RateObservations, *covariates: BatchCovariate, pressure: float = AT
) -> Comparison:
    return compare_formulations(
        observations, baseline="base", pressure=pressure, covariates=covariates
    )


def codes(result: Comparison | CovariateSlope) -> set[str]:
    return {caution.code for caution in result.cautions}


SPREAD = {
    "base": {"B1": 1770.0, "B2": 1800.0, "B3": 1815.0},
    "slow": {"S1": 1760.0, "S2": 1790.0, "S3": 1805.0},
}
APART = {
    "base": {"B1": 1800.0, "B2": 1800.0, "B3": 1800.0},
    "slow": {"S1": 1760.0, "S2": 1760.0, "S3": 1760.0},
}


def test_analysis_of_covariance_of_a_textbook() -> None:
    # Leprosy patients, drugs A and D beside the inert F: Snedecor & Cochran, Statistical Methods,
    # 6th ed. (1967) p. 422, as data and output in SAS/STAT's GLM example "Analysis of Covariance".
    # Each patient is a batch of one test; the scores stand for ln r.
    scores = {
        "A": [(11, 6), (8, 0), (5, 2), (14, 8), (19, 11), (6, 4), (10, 13), (6, 1), (11, 8),
              (3, 0)],
        "D": [(6, 0), (6, 2), (7, 3), (8, 1), (18, 18), (8, 4), (19, 14), (8, 9), (5, 1), (15, 9)],
        "F": [(16, 13), (13, 10), (11, 18), (9, 5), (21, 23), (16, 12), (12, 5), (12, 16), (7, 1),
              (12, 20)],
    }  # fmt: skip
    rows = [
        (f"{drug}{index}", drug, before, after)
        for drug, patients in scores.items()
        for index, (before, after) in enumerate(patients)
    ]
    observations = RateObservations(
        test=[row[0] for row in rows],
        batch=[row[0] for row in rows],
        formulation=[row[1] for row in rows],
        is_firing=[False] * len(rows),
        pressure=[AT] * len(rows),
        rate=[float(np.exp(row[3])) for row in rows],
    )
    before = BatchCovariate(
        name="score", values={row[0]: float(row[2]) for row in rows}, step=1.0, step_text="1"
    )
    comparison = compare_formulations(observations, baseline="F", pressure=AT, covariates=[before])
    t26 = 2.0555294386  # Student's t, 26 degrees of freedom, 97.5 %
    for name, difference, error in (("A", -3.44613828, 1.88678065), ("D", -3.33716695, 1.85386642)):
        row = next(found for found in comparison.formulations if found.formulation == name)
        assert np.log1p(row.shift) == pytest.approx(difference, abs=1e-7)
        half = (np.log1p(row.shift_ci95[1]) - np.log1p(row.shift_ci95[0])) / 2
        assert half / t26 == pytest.approx(error, abs=1e-7)
        assert row.degrees_of_freedom == pytest.approx(26)
    (slope,) = comparison.covariates
    assert np.log1p(slope.percent_per_step / 100) == pytest.approx(0.98718381, abs=1e-7)
    low, high = (np.log1p(bound / 100) for bound in slope.ci95)
    assert (high - low) / 2 / t26 == pytest.approx(0.16449757, abs=1e-7)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_same_slope_and_shift_as_another_mixed_model(seed: int) -> None:
    rng = np.random.default_rng(seed)
    density = {
        name: {f"{name}{i}": float(rng.normal(1800, 20)) for i in range(5)}
        for name in ("base", "slow")
    }
    observations = campaign(
        density, slope=-0.001, shift=-0.08, batch_sd=0.03, test_sd=0.01, seed=seed
    )
    comparison = compare(observations, density_of(density))
    frame = pd.DataFrame(
        {
            "y": np.log(observations.rate),
            "slow": [float(name == "slow") for name in observations.formulation],
            "x": np.log(np.array(observations.pressure) / AT),
            "z": [density_of(density).values[batch] for batch in observations.batch],
            "batch": observations.batch,
        }
    )
    frame["z"] -= frame["z"].mean()
    frame["turn"] = frame["x"] - frame["x"].mean()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = smf.mixedlm(
            "y ~ slow * x + z",
            frame,
            groups="batch",
            re_formula="1",
            vc_formula={"turn": "0 + turn"},
        ).fit(reml=True)
    (slope,) = comparison.covariates
    assert np.log1p(slope.percent_per_step / 100) / 10 == pytest.approx(fit.params["z"], abs=1e-6)
    assert np.log1p(comparison.formulations[1].shift) == pytest.approx(fit.params["slow"], abs=1e-5)
    assert comparison.between_batch_sd**2 == pytest.approx(fit.cov_re.iloc[0, 0], rel=2e-2)


def test_truth_comes_back_and_the_shift_is_at_equal_density() -> None:
    observations = campaign(SPREAD, slope=-0.002, shift=-0.1)
    comparison = compare(observations, density_of(SPREAD))
    (slope,) = comparison.covariates
    assert slope.percent_per_step == pytest.approx(100 * np.expm1(-0.02), abs=1e-6)
    assert slope.centre == pytest.approx(1790.0)
    assert slope.value_range == (1760.0, 1815.0)
    assert np.log1p(comparison.formulations[1].shift) == pytest.approx(-0.1, abs=1e-9)
    assert comparison.formulations[0].rate == pytest.approx(7e-3 * np.exp(0.02), rel=1e-9)
    assert "covariates-adjusted" in codes(comparison)
    # Without it, the slow formulation's lower density passes for part of what it did.
    assert np.log1p(compare(observations).formulations[1].shift) == pytest.approx(-0.08, abs=1e-6)


def test_a_covariate_that_follows_the_formulations_is_not_separable() -> None:
    observations = campaign(APART, shift=-0.1, batch_sd=0.02, test_sd=0.01, seed=4)
    comparison = compare(observations, density_of(APART))
    (slope,) = comparison.covariates
    assert codes(slope) == {"not-separable"}
    assert slope.percent_per_step is None
    assert slope.ci95 is None
    assert comparison.formulations == compare(observations).formulations
    assert "covariates-adjusted" not in codes(comparison)
    assert "cannot be told from what they did" in covariate_sentence(slope)


def test_a_covariate_that_nearly_follows_them_is_marked() -> None:
    nearly = {
        "base": {"B1": 1799.0, "B2": 1800.0, "B3": 1801.0},
        "slow": {"S1": 1761.0, "S2": 1760.0, "S3": 1759.0},
    }
    observations = campaign(nearly, batch_sd=0.02, test_sd=0.01, seed=4)
    comparison = compare(observations, density_of(nearly))
    assert codes(comparison.covariates[0]) == {"nearly-confounded"}
    wide, narrow = (
        found.formulations[1].shift_ci95 for found in (comparison, compare(observations))
    )
    assert wide[1] - wide[0] > 3 * (narrow[1] - narrow[0])
    spread = compare(campaign(SPREAD, batch_sd=0.02, test_sd=0.01), density_of(SPREAD))
    assert codes(spread.covariates[0]) == set()


def test_too_few_batches_and_unknown_values_are_said() -> None:
    few = {"base": {"B1": 1770.0, "B2": 1810.0}, "slow": {"S1": 1790.0}}
    observations = campaign(few, batch_sd=0.02, test_sd=0.01, seed=2)
    comparison = compare(observations, density_of(few))
    assert codes(comparison.covariates[0]) == {"not-separable"}
    assert "too few batches" in comparison.covariates[0].cautions[0].message
    assert comparison.formulations[1].shift_ci95 is not None
    known = density_of({"base": {"B1": 1770.0}, "slow": few["slow"]})
    (missing,) = compare(observations, known).covariates
    assert codes(missing) == {"covariate-missing"}
    assert "1 of 3 batches (B2)" in missing.cautions[0].message


def test_two_covariates_of_which_one_follows_the_other() -> None:
    density = density_of(SPREAD)
    twice = BatchCovariate(
        name="void", values={b: 1.0 - v / 1900 for b, v in density.values.items()},
        step=0.01, step_text="1 %",
    )  # fmt: skip
    comparison = compare(campaign(SPREAD, batch_sd=0.02, test_sd=0.01), density, twice)
    assert [codes(slope) for slope in comparison.covariates] == [set(), {"not-separable"}]


def test_slope_intervals_hold_the_truth_as_often_as_they_say() -> None:
    covered, runs = 0, 200
    for seed in range(runs):
        observations = campaign(SPREAD, slope=-0.001, batch_sd=0.025, test_sd=0.015, seed=seed)
        (slope,) = compare(observations, density_of(SPREAD)).covariates
        low, high = slope.ci95
        covered += low <= 100 * np.expm1(-0.01) <= high
    # Binomial 95 % ± 2.5 standard deviations of the simulation.
    assert 0.912 <= covered / runs <= 0.988


@pytest.mark.parametrize(
    ("percent", "interval", "said"),
    [
        (-2.0, (-3.0, -1.0), "10 kg/m³ more density goes with a burn rate 2.0 % slower, between"),
        (0.5, (-1.0, 2.0), "10 kg/m³ more density shows no measurable change in burn rate"),
        (0.5, None, "no interval can be given"),
    ],
)
def test_sentence(percent: float, interval: tuple[float, float] | None, said: str) -> None:
    slope = CovariateSlope(
        name="density", step_text="10 kg/m³", centre=1800.0, value_range=(1780.0, 1820.0),
        percent_per_step=percent, ci95=interval, p=0.1,
    )  # fmt: skip
    assert said in covariate_sentence(slope)


def test_faulty_covariates_are_refused() -> None:
    with pytest.raises(DataError, match="density of batch B1 is nan"):
        BatchCovariate(name="density", values={"B1": float("nan")}, step=1.0, step_text="1")
    with pytest.raises(DataError, match="step of the density is 0"):
        BatchCovariate(name="density", values={"B1": 1.0}, step=0, step_text="0")
    with pytest.raises(DataError, match="covariates named density, density"):
        compare(campaign(SPREAD), density_of(SPREAD), density_of(SPREAD))


@pytest.mark.parametrize(
    ("base", "slow", "said"),
    [
        (290.0, 305.0, "slow was tested 15 K warmer than base"),
        (305.0, 290.0, "makes it about 3 % slower"),
        (290.0, 293.0, None),
        (290.0, None, None),
    ],
)
def test_tests_at_other_temperatures(base: float, slow: float | None, said: str | None) -> None:
    observations = campaign(
        SPREAD, batch_sd=0.02, test_sd=0.01, temperature={"base": base, "slow": slow}
    )
    row = compare(observations).formulations[1]
    found = [c.message for c in row.cautions if c.code == "temperatures-differ"]
    assert len(found) == (said is not None)
    assert said is None or said in found[0]


@pytest.mark.parametrize(("apart", "told"), [(8.0, False), (30.0, True)])
def test_tests_at_many_temperatures_are_told(apart: float, told: bool) -> None:
    observations = campaign(SPREAD, batch_sd=0.02, test_sd=0.01, temperature={"base": 290.0})
    known = [290.0 + apart * (number % 2) for number in range(len(observations.test))]
    found = compare(dataclasses.replace(observations, temperature=known))
    said = [c.message for c in found.cautions if c.code == "temperatures-spread"]
    assert [f"up to {apart:.0f} K apart" in text for text in said] == [True] * told


def test_a_temperature_that_is_none_is_refused() -> None:
    with pytest.raises(DataError, match=r"temperature of test T0 is -20\.0 K"):
        campaign(SPREAD, temperature={"base": -20.0})
