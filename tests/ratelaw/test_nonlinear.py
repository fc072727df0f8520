from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.errors import DataError, RequestError
from strandwise.ratelaw import LAWS, RateSeries, fit_batches
from strandwise.ratelaw.nonlinear import fit_batches_nonlinear, fit_nonlinear


def series(
    pressure: np.ndarray, rate: np.ndarray, sd_p: float, sd_r: np.ndarray, correlation: float = 0.0
) -> RateSeries:
    k = pressure.size
    return RateSeries(
        label="B-1",
        formulation="base",
        tests=tuple(f"T{i + 1}" for i in range(k)),
        pressure=pressure,
        rate=rate,
        pressure_sd=sd_p * pressure,
        rate_sd=sd_r * rate,
        kinds=("strand",) * k,
        correlation=np.full(k, correlation),
    )


@pytest.mark.parametrize("start", [(1.0, 5.0), (0.7, 4.0)])
def test_danwood_certified_values(start: tuple[float, float]) -> None:
    # NIST Statistical Reference Datasets, "DanWood", y = b1·x^b2, both certified starts.
    x = np.array([1.309, 1.471, 1.490, 1.565, 1.611, 1.680])
    y = np.array([2.138, 3.421, 3.597, 4.340, 4.882, 5.660])
    nothing = np.zeros(6)
    fit = fit_nonlinear(
        np.log(x),
        y,
        nothing,
        nothing,
        law="power",
        ln_reference=0.0,
        scale="rate",
        start=(math.log(start[0]), start[1]),
    )
    b1 = math.exp(fit.ln_r0)
    assert b1 == pytest.approx(7.6886226176e-01, rel=1e-8)
    assert fit.n == pytest.approx(3.8604055871, rel=1e-8)
    assert b1 * math.sqrt(fit.covariance[0, 0]) == pytest.approx(1.8281973860e-02, rel=1e-7)
    assert math.sqrt(fit.covariance[1, 1]) == pytest.approx(5.1726610913e-02, rel=1e-7)
    assert np.sum(fit.residuals**2) == pytest.approx(4.3173084083e-03, rel=1e-9)
    assert fit.scatter == pytest.approx(3.2853114039e-02, rel=1e-8)


def test_york_line_by_the_nonlinear_way() -> None:
    # Pearson's data with York's weights, York et al., Am. J. Phys. 72 (2004) 367.
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    rate = np.exp([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    sd_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
    sd_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0]) ** -0.5
    fit = fit_nonlinear(x, rate, sd_x, sd_y * rate, law="power", ln_reference=0.0, scatter=False)
    assert fit.ln_r0 == pytest.approx(5.47991022403, rel=1e-8)
    assert fit.n == pytest.approx(-0.48053340745, rel=1e-8)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.3592465226, 0.0706202695], rel=1e-6)


@given(
    st.integers(0, 10**6),
    st.integers(3, 10),
    st.sampled_from([0.0, 0.01, 0.03]),
    st.sampled_from([0.0, 0.8, -0.5]),
)
@settings(max_examples=15, deadline=None)
def test_the_power_law_agrees_with_the_pass_over_all_batches(
    seed: int, k: int, stated: float, correlation: float
) -> None:
    rng = np.random.default_rng(seed)
    pressure = np.geomspace(1.2e6, 7e6, k) * np.exp(0.05 * rng.normal(size=k))
    rate = 8e-3 * (pressure / 3e6) ** 0.4 * np.exp(0.03 * rng.normal(size=k))
    data = series(pressure, rate, stated, stated * rng.uniform(0.5, 2.0, k), correlation)
    (line,) = fit_batches([data])
    (curve,) = fit_batches_nonlinear([data], law="power")
    assert curve.n == pytest.approx(line.n, rel=1e-6)
    assert curve.ln_r0 == pytest.approx(line.ln_r0, rel=1e-8)
    assert curve.n_sd == pytest.approx(line.n_sd, rel=1e-5)
    assert curve.scatter == pytest.approx(line.scatter, abs=1e-6)
    assert curve.residuals == pytest.approx(line.residuals, abs=1e-7)
    assert curve.leverages == pytest.approx(line.leverages, abs=1e-5)
    assert [c.code for c in curve.cautions] == [c.code for c in line.cautions]


@pytest.mark.parametrize("law", ["linear", "two-term"])
def test_noise_free_points_give_the_coefficients_back(law: str) -> None:
    pressure = np.geomspace(1e6, 8e6, 6)
    truth = {"linear": np.array([8e-10, 5e-3]), "two-term": np.array([6e7, 1.5e4])}[law]
    rate = LAWS[law].rate(pressure, truth, 1.0)
    for stated in (0.0, 0.02):
        data = series(pressure, rate, stated, np.full(6, stated))
        (fit,) = fit_batches_nonlinear([data], law=law)
        assert [p.value for p in fit.parameters] == pytest.approx(truth, rel=1e-7)
        assert fit.rate_at(3e6).rate == pytest.approx(
            LAWS[law].rate(np.array([3e6]), truth, 1.0)[0], rel=1e-9
        )
        assert "law-does-not-fit" not in {c.code for c in fit.cautions}


def test_linear_law_in_plain_rates_is_least_squares() -> None:
    # Altman & Gardner, Br. Med. J. 296 (1988) 1238: a = 20.1891143911 (2.6713186714),
    # b = -0.1167896679 (0.0263407280).
    x = np.array([91, 104, 107, 107, 106, 100, 92, 92, 105, 108.0])
    y = np.array([9.8, 7.4, 7.9, 8.3, 8.3, 9.0, 9.7, 8.8, 7.6, 6.9])
    nothing = np.zeros(10)
    law, reference = LAWS["linear"], 100.0
    fit = fit_nonlinear(
        np.log(x), y, nothing, nothing, law="linear", ln_reference=math.log(reference), scale="rate"
    )
    slope, intercept = np.real(law.coefficients(fit.ln_r0, fit.n, reference))
    gradient = law.coefficient_gradient(fit.ln_r0, fit.n, reference)
    sds = np.sqrt(np.diag(gradient @ fit.covariance @ gradient.T))
    assert (intercept, slope) == pytest.approx((20.1891143911, -0.1167896679), rel=1e-8)
    assert sds == pytest.approx([0.0263407280, 2.6713186714], rel=1e-6)


@pytest.mark.parametrize("law", ["linear", "two-term"])
def test_intervals_of_the_other_laws_cover(law: str) -> None:
    rng = np.random.default_rng(30)
    pressure = np.geomspace(1.5e6, 7e6, 6)
    truth = {"linear": np.array([8e-10, 5e-3]), "two-term": np.array([6e7, 1.5e4])}[law]
    true_rate = LAWS[law].rate(pressure, truth, 1.0)
    at = LAWS[law].rate(np.array([5e6]), truth, 1.0)[0]
    hits = 0
    for _ in range(150):
        rate = true_rate * np.exp(0.03 * rng.normal(size=6))
        (fit,) = fit_batches_nonlinear([series(pressure, rate, 0.0, np.zeros(6))], law=law)
        low, high = fit.rate_at(5e6).ci95
        hits += low <= at <= high
    assert 133 <= hits <= 150  # 95 % of 150 is 142.5, three standard deviations are 8


def test_a_law_that_does_not_fit_says_so() -> None:
    pressure = np.geomspace(0.5e6, 10e6, 12)
    rate = 8e-3 * (pressure / 3e6) ** 0.2
    (fit,) = fit_batches_nonlinear([series(pressure, rate, 0.0, np.zeros(12))], law="linear")
    assert "law-does-not-fit" in {c.code for c in fit.cautions}


def test_two_points_and_one_pressure() -> None:
    two = series(np.array([2e6, 6e6]), np.array([6e-3, 9e-3]), 0.0, np.zeros(2))
    same = series(np.array([2e6, 2e6]), np.array([6e-3, 6e-3]), 0.0, np.zeros(2))
    fits = fit_batches_nonlinear([two, same], law="linear")
    assert fits[0].rate_at(4e6).rate == pytest.approx(7.5e-3, rel=1e-8)
    assert fits[0].n_ci95 is None
    assert not fits[1].identified


def test_an_unknown_law_or_no_points() -> None:
    with pytest.raises(RequestError, match="`cubic`"):
        fit_batches_nonlinear([], law="cubic")
    one = np.array([1.0])
    with pytest.raises(DataError, match="two points or more"):
        fit_nonlinear(one, one, one, one, law="power", ln_reference=0.0)
    with pytest.raises(DataError, match="positive rates"):
        fit_nonlinear(
            np.array([1.0, 2.0]),
            np.array([1.0, -1.0]),
            np.zeros(2),
            np.zeros(2),
            law="power",
            ln_reference=0.0,
        )
