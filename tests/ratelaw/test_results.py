from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import statsmodels.api as sm

from strandwise.errors import DataError
from strandwise.ratelaw import RateFit, RateSeries, fit_batches

PRESSURE = np.array([1.0, 2.0, 3.0, 4.5, 7.0]) * 1e6
RATE = np.array([5.9, 8.2, 9.1, 11.0, 12.6]) * 1e-3


@pytest.fixture
def fit() -> RateFit:
    zeros = np.zeros(5)
    data = RateSeries(
        label="B-1",
        formulation="base",
        tests=tuple("abcde"),
        pressure=PRESSURE,
        rate=RATE,
        pressure_sd=zeros,
        rate_sd=zeros,
        kinds=("strand",) * 5,
    )
    (result,) = fit_batches([data])
    return result


def test_bands_are_those_of_least_squares(fit: RateFit) -> None:
    # Without stated uncertainties the bands are the textbook ones; statsmodels computes them too.
    at = np.array([1.5, 3.0, 6.0]) * 1e6
    line = sm.OLS(np.log(RATE), sm.add_constant(np.log(PRESSURE))).fit()
    for level in (0.95, 0.8):
        frame = line.get_prediction(sm.add_constant(np.log(at))).summary_frame(alpha=1.0 - level)
        band = fit.band(at, level)
        assert np.log(band.rate) == pytest.approx(frame["mean"].to_numpy(), rel=1e-9)
        assert np.log(band.low) == pytest.approx(frame["mean_ci_lower"].to_numpy(), rel=1e-8)
        assert np.log(band.high) == pytest.approx(frame["mean_ci_upper"].to_numpy(), rel=1e-8)
        assert np.log(band.new_low) == pytest.approx(frame["obs_ci_lower"].to_numpy(), rel=1e-8)
        assert np.log(band.new_high) == pytest.approx(frame["obs_ci_upper"].to_numpy(), rel=1e-8)
        assert band.level == level


def test_standardised_residuals_and_leverages_are_those_of_least_squares(fit: RateFit) -> None:
    influence = sm.OLS(np.log(RATE), sm.add_constant(np.log(PRESSURE))).fit().get_influence()
    assert fit.leverages == pytest.approx(influence.hat_matrix_diag, rel=1e-9)
    assert fit.standardised_residuals == pytest.approx(
        influence.resid_studentized_internal, rel=1e-7
    )


def test_rate_at_says_when_it_extrapolates(fit: RateFit) -> None:
    assert not fit.rate_at(1.0e6).extrapolated
    assert not fit.rate_at(7.0e6).extrapolated
    assert fit.rate_at(0.99e6).extrapolated
    assert fit.rate_at(7.1e6).extrapolated
    assert fit.band(np.array([0.5e6, 2e6, 9e6])).extrapolated.tolist() == [True, False, True]


def test_one_more_test_lies_in_the_prediction_band(fit: RateFit) -> None:
    band = fit.band(np.array([4e6]))
    assert fit.one_more_test(4e6) == (band.new_low[0], band.new_high[0])
    low, high = fit.one_more_test(4e6)
    assert low < band.low[0] < band.high[0] < high


def test_two_tests_lead_to_expect_nothing_of_a_third() -> None:
    zeros = np.zeros(2)
    (fit,) = fit_batches(
        [
            RateSeries(
                label="B",
                formulation="base",
                tests=("T1", "T2"),
                pressure=np.array([1e6, 5e6]),
                rate=np.array([5e-3, 9e-3]),
                pressure_sd=zeros,
                rate_sd=zeros,
                kinds=("strand",) * 2,
            )
        ]
    )
    assert fit.one_more_test(2e6) is None


def test_rate_at_agrees_with_the_band(fit: RateFit) -> None:
    estimate, band = fit.rate_at(4e6), fit.band(np.array([4e6]))
    assert estimate.rate == band.rate[0]
    assert estimate.ci95 == (band.low[0], band.high[0])
    assert estimate.sd is not None
    assert estimate.sd == pytest.approx(
        estimate.rate * math.log(band.high[0] / band.rate[0]) / 3.182446305284263, rel=1e-9
    )


def test_parameters_tell_r0_and_n(fit: RateFit) -> None:
    r0, n = fit.parameters
    assert (r0.name, r0.unit, n.name, n.unit) == ("r0", "m/s", "n", "1")
    estimate = fit.rate_at(fit.reference_pressure)
    assert r0.value == pytest.approx(estimate.rate, rel=1e-12)
    assert r0.ci95 == pytest.approx(estimate.ci95, rel=1e-12)
    assert (n.value, n.sd) == pytest.approx((fit.n, fit.n_sd))
    assert n.ci95 == pytest.approx(fit.n_ci95)


def test_interval_of_a_needs_the_covariance(fit: RateFit) -> None:
    # At P0 = 1 MPa, ln a in MPa is ln r0 itself, so its interval must be the one of the rate
    # there, wherever the reference pressure of the fit is.
    at_one = fit.rate_at(1e6)
    a = fit.coefficient_a(1e-3, 1e6)
    assert a.value == pytest.approx(1e3 * at_one.rate, rel=1e-12)
    assert a.ci95 == pytest.approx(tuple(1e3 * end for end in at_one.ci95), rel=1e-12)


@pytest.mark.parametrize("pressure", [0.0, -1e6, math.nan, math.inf])
def test_no_rate_at_no_pressure(fit: RateFit, pressure: float) -> None:
    with pytest.raises(DataError, match="positive absolute pressures"):
        fit.rate_at(pressure)


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0])
def test_no_band_without_a_level(fit: RateFit, level: float) -> None:
    with pytest.raises(DataError, match="level between 0 and 1"):
        fit.band(PRESSURE, level)


def test_no_a_in_units_without_size(fit: RateFit) -> None:
    with pytest.raises(DataError, match="positive sizes"):
        fit.coefficient_a(0.0, 1e6)


def test_no_a_of_another_law(fit: RateFit) -> None:
    with pytest.raises(DataError, match="linear law has no coefficient a of"):
        dataclasses.replace(fit, law="linear").coefficient_a()
