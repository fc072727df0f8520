from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from strandwise.errors import DataError
from strandwise.ratelaw import (
    RateFit,
    RateSeries,
    fit_batches,
    normalised,
    pressure_sensitivity,
    pressure_sensitivity_interval,
)
from strandwise.ratelaw.nonlinear import fit_batches_nonlinear

PRESSURE = np.array([1.0, 2.0, 3.0, 4.5, 7.0, 2.5, 1.2, 6.0]) * 1e6
KELVIN = np.array([263.0, 263.0, 313.0, 313.0, 290.0, 290.0, 313.0, 263.0])
SIGMA_P, N = 0.0024, 0.30


def series(
    temperature: np.ndarray | None = KELVIN, noise: float = 0.0, seed: int = 1, sd: float = 0.0
) -> RateSeries:
    rng = np.random.default_rng(seed)
    k = PRESSURE.size
    rate = 9e-3 * (PRESSURE / 7.5e6) ** N * np.exp(SIGMA_P * (KELVIN - 290.0))
    rate = rate * np.exp(noise * rng.normal(size=k))
    more = {} if temperature is None else {"temperature": temperature}
    return RateSeries(
        label="B-1",
        formulation="base",
        tests=tuple(f"T{i + 1}" for i in range(k)),
        pressure=PRESSURE,
        rate=rate,
        pressure_sd=0.5 * sd * PRESSURE,
        rate_sd=sd * rate,
        kinds=("strand",) * k,
        **more,
    )


def one(data: RateSeries, **options: float) -> RateFit:
    (fit,) = fit_batches([data], reference_pressure=3e6, **options)
    return fit


def codes(fit: RateFit) -> set[str]:
    return {caution.code for caution in fit.cautions}


@pytest.mark.parametrize(
    ("sigma_p", "n", "step", "pi_k", "hot", "cold"),
    [
        # An open university course on rocket propulsion, examination key, parts d and e
        # (arithmetic recomputed).
        (0.0024, 0.30, 35.0, 3.42857e-3, 1.127497, 0.886920),
        # The same course, worked example 2: 7.488 MPa becomes 8.469 and 6.621 MPa.
        (0.0020, 0.35, 40.0, 3.077e-3, 8.469 / 7.488, 6.621 / 7.488),
    ],
)
def test_worked_examples_of_temperature_sensitivity(
    sigma_p: float, n: float, step: float, pi_k: float, hot: float, cold: float
) -> None:
    found = pressure_sensitivity(sigma_p, n)
    assert found == pytest.approx(pi_k, rel=2e-4)
    assert math.exp(found * step) == pytest.approx(hot, rel=1e-4)
    assert math.exp(-found * step) == pytest.approx(cold, rel=1e-4)


@pytest.mark.parametrize("law", ["power", "segmented"])
@pytest.mark.parametrize("sd", [0.0, 0.01])
def test_noise_free_readings_give_sigma_p_back(law: str, sd: float) -> None:
    (fit,) = fit_batches_nonlinear([series(sd=sd)], law=law, reference_pressure=3e6)
    assert fit.temperature.sigma_p == pytest.approx(SIGMA_P, rel=1e-6)
    assert fit.n == pytest.approx(N, abs=1e-6)
    assert fit.temperature.pi_k == pytest.approx(SIGMA_P / (1.0 - N), rel=1e-5)
    assert fit.temperature.reference == pytest.approx(KELVIN.mean())
    assert fit.temperature.span == (263.0, 313.0)
    assert fit.parameters[-1].name == "sigma_p"


def test_three_parameters_are_least_squares_with_three_columns() -> None:
    data = series(noise=0.02)
    fit = one(data)
    warmer = KELVIN - KELVIN.mean()
    columns = np.column_stack([np.ones(8), np.log(PRESSURE / 3e6), warmer])
    line = sm.OLS(np.log(data.rate), columns).fit()
    assert fit.theta == pytest.approx(line.params, rel=1e-8)
    assert np.array(fit.covariance) == pytest.approx(line.cov_params(), rel=1e-7)
    assert fit.df == 5
    assert fit.n_ci95 == pytest.approx(line.conf_int()[1], rel=1e-8)
    assert fit.temperature.sigma_p_ci95 == pytest.approx(line.conf_int()[2], rel=1e-8)
    assert fit.leverages == pytest.approx(line.get_influence().hat_matrix_diag, rel=1e-8)
    at = np.array([[1.0, math.log(2.0 / 3.0), 300.0 - KELVIN.mean()]])
    frame = line.get_prediction(at).summary_frame(alpha=0.05)
    band = fit.band(np.array([2e6]), temperature=300.0)
    for ours, theirs in (
        (band.rate, "mean"),
        (band.low, "mean_ci_lower"),
        (band.high, "mean_ci_upper"),
        (band.new_low, "obs_ci_lower"),
        (band.new_high, "obs_ci_upper"),
    ):
        assert np.log(ours) == pytest.approx(frame[theirs].to_numpy(), rel=1e-8)


@pytest.mark.parametrize("law", ["linear", "two-term"])
def test_the_other_laws_know_the_temperature_too(law: str) -> None:
    (fit,) = fit_batches_nonlinear([series(noise=0.01)], law=law, reference_pressure=3e6)
    low, high = fit.temperature.sigma_p_ci95
    assert low < SIGMA_P < high
    assert fit.df == 5
    warm, cold = fit.rate_at(3e6, 300.0).rate, fit.rate_at(3e6, 290.0).rate
    assert math.log(warm / cold) == pytest.approx(10.0 * fit.temperature.sigma_p)


def test_intervals_of_sigma_p_and_pi_k_cover() -> None:
    hits = np.zeros(2)
    for seed in range(200):
        found = one(series(noise=0.02, seed=seed, sd=0.01)).temperature
        truth = (SIGMA_P, SIGMA_P / (1.0 - N))
        ends = (found.sigma_p_ci95, found.pi_k_ci95)
        hits += [low <= value <= high for (low, high), value in zip(ends, truth, strict=True)]
    # 95 % of 200 is 190, three standard deviations are 9.
    assert ((hits >= 181) & (hits <= 199)).all()


def test_interval_of_pi_k_by_the_delta_method_where_n_is_well_known() -> None:
    covariance = np.array([[1e-6, 2e-9], [2e-9, 1e-8]])
    low, high = pressure_sensitivity_interval(0.002, 0.4, covariance, 30)
    gradient = np.array([0.002 / 0.36, 1.0 / 0.6])
    sd = math.sqrt(gradient @ covariance @ gradient)
    assert (low, high) == pytest.approx(
        (0.002 / 0.6 - 2.0423 * sd, 0.002 / 0.6 + 2.0423 * sd), rel=1e-3
    )


def test_no_interval_of_pi_k_where_n_may_be_one() -> None:
    covariance = np.array([[0.04, 0.0], [0.0, 1e-8]])
    assert pressure_sensitivity_interval(0.002, 0.9, covariance, 5) is None
    assert pressure_sensitivity_interval(0.002, 1.2, covariance * 1e-9, 5) is None
    with pytest.raises(DataError, match=r"at n = 1\.0"):
        pressure_sensitivity(0.002, 1.0)


def test_the_temperature_asked_for_moves_the_rate_and_nothing_else() -> None:
    mean, cold = one(series(noise=0.02)), one(series(noise=0.02), reference_temperature=263.0)
    assert mean.n_ci95 == pytest.approx(cold.n_ci95, rel=1e-9)
    assert mean.rate_at(2e6, 263.0).ci95 == pytest.approx(cold.rate_at(2e6).ci95, rel=1e-9)
    assert not mean.rate_at(2e6).extrapolated
    assert mean.rate_at(2e6, 330.0).extrapolated
    with pytest.raises(DataError, match="reference temperature is 0"):
        one(series(), reference_temperature=0.0)
    with pytest.raises(DataError, match="asked for at -3"):
        mean.rate_at(2e6, -3.0)


@pytest.mark.parametrize(
    ("temperature", "found", "said"),
    [
        (KELVIN, True, "per kelvin"),
        (np.full(8, 290.0), False, ""),
        (np.linspace(286.0, 295.9, 8), False, ""),
        (np.where(np.arange(8) == 3, np.nan, KELVIN), False, "do not tell theirs"),
        (260.0 + 25.0 * np.log(PRESSURE / 1e6), False, "rose together"),
    ],
)
def test_when_the_temperature_is_fitted(temperature: np.ndarray, found: bool, said: str) -> None:
    fit = one(series(temperature, noise=0.02))
    assert (fit.temperature is not None) == found
    expected = {"temperature-fitted"} if found else {"temperatures-differ"} if said else set()
    assert codes(fit) & {"temperature-fitted", "temperatures-differ"} == expected
    assert said in " ".join(c.message for c in fit.cautions)
    if not found:
        plain = one(series(None, noise=0.02))
        assert fit.n == pytest.approx(plain.n, rel=1e-12)
        with pytest.raises(DataError, match="do not tell how the rate changes with temperature"):
            fit.rate_at(2e6, 300.0)


def test_five_tests_are_too_few() -> None:
    whole = series(noise=0.02)
    few = RateSeries(
        label="B-1",
        formulation="base",
        tests=whole.tests[:5],
        pressure=whole.pressure[:5],
        rate=whole.rate[:5],
        pressure_sd=np.zeros(5),
        rate_sd=np.zeros(5),
        kinds=whole.kinds[:5],
        temperature=KELVIN[:5],
    )
    fit = one(few)
    assert fit.temperature is None
    assert "too few" in next(c.message for c in fit.cautions if c.code == "temperatures-differ")


def test_normalised_readings_stand_at_one_temperature() -> None:
    data = normalised(series(sd=0.02), 290.0, SIGMA_P)
    assert data.rate == pytest.approx(9e-3 * (PRESSURE / 7.5e6) ** N, rel=1e-12)
    assert data.rate_sd / data.rate == pytest.approx(np.full(8, 0.02))
    assert (data.temperature == 290.0).all()
    fit = one(data)
    assert fit.temperature is None
    assert fit.n == pytest.approx(N, abs=1e-9)


def test_readings_of_unknown_temperature_are_not_normalised() -> None:
    with pytest.raises(DataError, match="temperature of test T1 is not known"):
        normalised(series(None), 290.0, 0.002)
    with pytest.raises(DataError, match="0 K"):
        normalised(series(), 0, 0.002)


def test_a_temperature_is_checked() -> None:
    with pytest.raises(DataError, match=r"temperature of test T1 is -5\.0"):
        series(np.where(np.arange(8) == 0, -5.0, KELVIN))
    assert np.isnan(series(None).temperature).all()
