from __future__ import annotations

import dataclasses
import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import linregress
from scipy.stats import t as student

from strandwise.errors import DataError, RequestError
from strandwise.ratelaw import (
    RateFit,
    RateSeries,
    common_reference_pressure,
    fit_batches,
    fit_exponents,
    fit_power_laws,
)

MPA = 1e6


def series(
    pressure: list[float] | np.ndarray,
    rate: list[float] | np.ndarray,
    *,
    label: str = "B-1",
    pressure_sd: list[float] | np.ndarray | None = None,
    rate_sd: list[float] | np.ndarray | None = None,
    tests: tuple[str, ...] | None = None,
    kinds: tuple[str, ...] | None = None,
) -> RateSeries:
    """Pressures in MPa and rates in mm/s, the units of the sources."""
    k = len(pressure)
    return RateSeries(
        label=label,
        formulation="base",
        tests=tests or tuple(f"T{i + 1}" for i in range(k)),
        pressure=np.array(pressure) * MPA,
        rate=np.array(rate) * 1e-3,
        pressure_sd=np.full(k, np.nan) if pressure_sd is None else np.array(pressure_sd) * MPA,
        rate_sd=np.full(k, np.nan) if rate_sd is None else np.array(rate_sd) * 1e-3,
        kinds=kinds or ("strand",) * k,
    )


def one(data: RateSeries, reference: float | None = None) -> RateFit:
    (fit,) = fit_batches([data], reference_pressure=reference)
    return fit


def codes(fit: RateFit) -> set[str]:
    return {caution.code for caution in fit.cautions}


# --- values ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("stated", [None, 0.02])
@pytest.mark.parametrize("n", [-0.2, 0.0, 0.3, 0.75, 1.1])
def test_noise_free_points_give_a_and_n_back(n: float, stated: float | None) -> None:
    pressure = np.array([0.7, 1.5, 2.9, 4.0, 6.5])
    rate = 4.9173 * pressure**n
    sd = None if stated is None else stated * rate
    sd_p = None if stated is None else stated * pressure
    fit = one(series(pressure, rate, rate_sd=sd, pressure_sd=sd_p))
    assert fit.n == pytest.approx(n, abs=1e-10)
    a = fit.coefficient_a(1e-3, 1e6)
    assert a.value == pytest.approx(4.9173, rel=1e-10)
    assert a.ci95 == pytest.approx((4.9173, 4.9173), rel=1e-9)


def test_unit_rule_of_the_coefficient() -> None:
    # 9.00 mm/s at 7.50 MPa with n = 0.30: a = 4.9173 (mm/s)/MPa^0.30 = 7.793349e-5 m/s/Pa^0.30;
    # an open university course's examination key, arithmetic recomputed.
    pressure = np.array([3.0, 5.0, 7.5, 9.0])
    fit = one(series(pressure, 9.0 * (pressure / 7.5) ** 0.30))
    assert fit.coefficient_a(1e-3, 1e6).value == pytest.approx(4.9173, abs=5e-5)
    assert fit.coefficient_a(1.0, 1.0).value == pytest.approx(7.793349e-5, rel=1e-6)


def test_log_log_least_squares_of_a_published_power_law() -> None:
    # Daniel & Wood, Fitting Equations to Data (1980) pp. 428-431 (NIST StRD "DanWood" data); the
    # log-log values are an own computation, not certified.
    x = [1.309, 1.471, 1.490, 1.565, 1.611, 1.680]
    y = [2.138, 3.421, 3.597, 4.340, 4.882, 5.660]
    fit = one(series(x, y), reference=1e6)
    assert fit.n == pytest.approx(3.9172056365, rel=1e-9)
    assert fit.n_sd == pytest.approx(0.0421987655, rel=1e-8)
    assert fit.coefficient_a().value == pytest.approx(0.7499453471, rel=1e-9)
    assert math.sqrt(fit.covariance[0][0]) == pytest.approx(0.0178836514, rel=1e-8)
    assert fit.scatter == pytest.approx(0.0082279968, rel=1e-7)


@given(st.integers(0, 10**6), st.integers(3, 12), st.floats(0.5, 20.0))
@settings(max_examples=20, deadline=None)
def test_unstated_uncertainties_give_ordinary_least_squares(
    seed: int, k: int, reference: float
) -> None:
    rng = np.random.default_rng(seed)
    pressure = np.exp(rng.uniform(0.0, 2.0, k)) * np.linspace(1.0, 1.5, k)
    rate = 6.0 * pressure**0.4 * np.exp(0.03 * rng.normal(size=k))
    fit = one(series(pressure, rate), reference=reference * MPA)
    line = linregress(np.log(pressure / reference), np.log(rate / 1e3))
    quantile = student.ppf(0.975, k - 2)
    assert fit.n == pytest.approx(line.slope, rel=1e-8)
    assert fit.ln_r0 == pytest.approx(line.intercept, rel=1e-10)
    assert fit.n_ci95 == pytest.approx(
        (line.slope - quantile * line.stderr, line.slope + quantile * line.stderr), rel=1e-6
    )
    estimate = fit.rate_at(reference * MPA)
    half = quantile * line.intercept_stderr
    assert estimate.ci95 == pytest.approx(
        (math.exp(line.intercept - half), math.exp(line.intercept + half)), rel=1e-6
    )


def test_the_reference_pressure_changes_no_prediction() -> None:
    rng = np.random.default_rng(4)
    pressure = np.array([1.0, 2.0, 3.0, 5.0, 7.0])
    rate = 6.0 * pressure**0.4 * np.exp(0.03 * rng.normal(size=5))
    data = series(pressure, rate, rate_sd=0.02 * rate, pressure_sd=0.01 * pressure)
    near, far = one(data), one(data, reference=50e6)
    assert near.n_ci95 == pytest.approx(far.n_ci95, rel=1e-9)
    for p in (1e6, 4e6):
        assert near.rate_at(p).ci95 == pytest.approx(far.rate_at(p).ci95, rel=1e-9)
    assert near.coefficient_a().ci95 == pytest.approx(far.coefficient_a().ci95, rel=1e-9)
    assert "extrapolated" in codes(far)
    assert "extrapolated" not in codes(near)


def test_units_do_not_change_the_fit() -> None:
    # a in psi and in/s from a in MPa and mm/s: factor (mm per in)⁻¹·(MPa per psi)^n.
    pressure = np.array([1.0, 2.0, 3.0, 5.0, 7.0])
    fit = one(series(pressure, [6.0, 8.1, 9.2, 11.8, 13.0]))
    metric = fit.coefficient_a(1e-3, 1e6).value
    inch = fit.coefficient_a(0.0254, 6894.757293168).value
    assert inch == pytest.approx(metric / 25.4 * 0.006894757293168**fit.n, rel=1e-12)


def test_only_some_uncertainties_known() -> None:
    # The point without one weighs as a typical point, not as a perfect one.
    pressure = np.array([1.0, 2.0, 3.0, 5.0, 7.0])
    rate = np.array([6.0, 8.1, 9.2, 11.8, 13.0])
    known = 0.02 * rate
    partly = known.copy()
    partly[2] = np.nan
    whole = one(series(pressure, rate, rate_sd=known))
    part = one(series(pressure, rate, rate_sd=partly))
    assert part.n == pytest.approx(whole.n, rel=1e-9)
    assert part.n_ci95 == pytest.approx(whole.n_ci95, rel=1e-9)
    assert "uncertainty-partly-known" in codes(part)
    assert "uncertainty-partly-known" not in codes(whole)


def test_one_pressure_gives_its_rate_and_no_exponent() -> None:
    # Mean and Student's t interval of ln r: 8.1, 8.3, 8.0, 8.4 mm/s, t(3, 0.975) = 3.18245
    # (printed tables).
    rates = np.array([8.1, 8.3, 8.0, 8.4])
    fit = one(series([3.0, 3.0, 3.0, 3.0], rates))
    logs = np.log(rates)
    half = 3.18245 * logs.std(ddof=1) / 2.0
    assert fit.n is None
    assert fit.level is not None
    assert fit.level.pressure == pytest.approx(3.0 * MPA)
    assert fit.level.rate == pytest.approx(math.exp(logs.mean()) * 1e-3, rel=1e-9)
    assert fit.level.ci95 == pytest.approx(
        (1e-3 * math.exp(logs.mean() - half), 1e-3 * math.exp(logs.mean() + half)), rel=1e-6
    )


def test_a_single_test_gives_its_rate_without_interval() -> None:
    fit = one(series([3.0], [8.1]))
    assert fit.level is not None
    assert (fit.level.rate, fit.level.ci95) == (pytest.approx(8.1e-3), None)
    assert one(series([1.0, 4.0], [5.0, 8.0])).level is None


def test_the_rate_at_one_pressure_is_covered() -> None:
    # Own computation: 400 batches of 5 tests, uncertainties of 1 to 4 % stated and 2 % scatter.
    rng = np.random.default_rng(31)
    covered = 0
    for _ in range(400):
        known = rng.uniform(0.01, 0.04, 5)
        rate = 8.0 * np.exp(np.hypot(known, 0.02) * rng.normal(size=5))
        level = one(series([3.0] * 5, rate, rate_sd=known * rate)).level
        assert level is not None
        assert level.ci95 is not None
        covered += level.ci95[0] <= 8e-3 <= level.ci95[1]
    assert 0.92 * 400 <= covered <= 0.98 * 400


def test_many_batches_at_once_are_each_alone() -> None:
    rng = np.random.default_rng(8)
    batches = []
    for i, k in enumerate((2, 3, 5, 12, 1, 0, 7)):
        pressure = np.linspace(1.0, 8.0, k)
        rate = 6.0 * pressure**0.4 * np.exp(0.03 * rng.normal(size=k))
        batches.append(series(pressure, rate, label=f"B-{i}", rate_sd=0.02 * rate))
    together = fit_batches(batches, reference_pressure=3e6)
    assert [fit.label for fit in together] == [batch.label for batch in batches]
    for batch, fit in zip(batches, together, strict=True):
        alone = one(batch, reference=3e6)
        assert fit.tests == alone.tests
        assert codes(fit) == codes(alone)
        if fit.identified:
            assert fit.n == pytest.approx(alone.n, rel=1e-9)


def test_reference_pressures() -> None:
    first = series([1.0, 4.0], [5.0, 8.0])
    second = series([2.0, 8.0], [5.0, 8.0])
    assert common_reference_pressure([first, second]) == pytest.approx(64 ** (1 / 4) * MPA)
    fits = fit_batches([first, second], reference_pressure=[2e6, 4e6])
    assert [fit.reference_pressure for fit in fits] == [2e6, 4e6]
    assert fit_batches([]) == []


@pytest.mark.parametrize("given_", [0.0, -1e6, math.nan, [1e6, 2e6]])
def test_reference_pressures_that_are_none(given_: float | list[float]) -> None:
    with pytest.raises(DataError, match="reference pressure"):
        fit_batches([series([1.0, 4.0], [5.0, 8.0])], reference_pressure=given_)


def test_no_point_no_reference_pressure() -> None:
    with pytest.raises(DataError, match="no rate point"):
        fit_batches([series([], [])])


def test_other_laws_are_elsewhere() -> None:
    with pytest.raises(RequestError, match="fit_batches_nonlinear"):
        fit_batches([], law="linear")
    with pytest.raises(RequestError, match="`cubic`"):
        fit_batches([], law="cubic")


# --- what cannot be fitted ------------------------------------------------------------------------


def no_number_is_nan(fit: RateFit) -> bool:
    values = [fit.n, fit.n_sd, fit.ln_r0, fit.scatter, fit.residual_sd, fit.reference_pressure]
    values += [*fit.residuals, *fit.standardised_residuals, *fit.leverages]
    values += [*(fit.n_ci95 or ()), *(v for row in fit.covariance or () for v in row)]
    values += [v for p in fit.parameters for v in (p.value, p.sd, *(p.ci95 or ()))]
    return all(value is None or math.isfinite(value) for value in values)


@pytest.mark.parametrize(
    ("pressure", "code"),
    [
        ([], "not-identified"),
        ([3.0], "not-identified"),
        ([3.0, 3.0, 3.0], "one-pressure"),
        ([3.0, 3.02, 2.99, 3.01], "one-pressure"),
    ],
)
def test_points_that_decide_no_law(pressure: list[float], code: str) -> None:
    fit = one(series(pressure, [8.0] * len(pressure)), reference=3e6)
    assert not fit.identified
    assert (fit.n, fit.n_ci95, fit.ln_r0, fit.covariance, fit.parameters) == (
        None,
        None,
        None,
        None,
        (),
    )
    assert {code, "not-identified"} <= codes(fit)
    assert no_number_is_nan(fit)
    with pytest.raises(DataError, match="do not decide"):
        fit.rate_at(3e6)
    with pytest.raises(DataError, match="do not decide"):
        fit.coefficient_a()


def test_pressures_within_their_own_uncertainty_are_one() -> None:
    apart = series([3.0, 3.3, 3.1], [8.0, 8.4, 8.1])
    blurred = series([3.0, 3.3, 3.1], [8.0, 8.4, 8.1], pressure_sd=[0.1, 0.1, 0.1])
    assert one(apart).identified
    assert "one-pressure" in codes(one(blurred))


def test_two_points_give_n_without_an_interval() -> None:
    fit = one(series([2.0, 6.0], [6.0, 9.0], rate_sd=[0.1, 0.1]))
    assert fit.n == pytest.approx(math.log(1.5) / math.log(3.0), rel=1e-12)
    assert (fit.n_sd, fit.n_ci95, fit.covariance, fit.scatter, fit.df) == (None,) * 4 + (0,)
    assert all(p.sd is None and p.ci95 is None for p in fit.parameters)
    assert fit.rate_at(4e6).ci95 is None
    assert fit.coefficient_a().ci95 is None
    assert np.isnan(fit.band(np.array([3e6])).low).all()
    assert "few-points" in codes(fit)
    assert no_number_is_nan(fit)


@given(
    st.lists(st.tuples(st.floats(0.1, 20.0), st.floats(0.5, 40.0), st.floats(0.0, 0.2)), max_size=7)
)
@settings(max_examples=80, deadline=None)
def test_no_points_lead_to_nan(points: list[tuple[float, float, float]]) -> None:
    pressure, rate, sd = (np.array([p[i] for p in points]) for i in range(3))
    fit = one(series(pressure, rate, rate_sd=sd * rate), reference=3e6)
    assert no_number_is_nan(fit)


def test_a_coefficient_of_which_the_tests_say_nothing_has_no_interval() -> None:
    # Two tests at one pressure that disagree five times, one beside it: ln a is known to ±900.
    for rates in ((3.0, 0.5, 1.0), (1.0, 5.0, 1.0)):
        fit = one(series([13.0, 13.0, 13.5], list(rates)), reference=3e6)
        assert no_number_is_nan(fit)
        assert fit.parameters[0].ci95 is None
        assert fit.n_ci95 is not None


# --- arrays ---------------------------------------------------------------------------------------


def test_series_is_checked_and_frozen() -> None:
    data = series([1.0, 2.0], [5.0, 6.0])
    assert (data.rate_sd == 0.0).all()
    with pytest.raises(ValueError, match="read-only"):
        data.rate[0] = 1.0
    with pytest.raises(DataError, match=r"rate of test T2 is -0\.006"):
        series([1.0, 2.0], [5.0, -6.0])
    with pytest.raises(DataError, match=r"pressure of test T1 is 0\.0"):
        series([0.0, 2.0], [5.0, 6.0])
    with pytest.raises(DataError, match="rate_sd of test T2"):
        series([1.0, 2.0], [5.0, 6.0], rate_sd=[0.1, -0.1])
    with pytest.raises(DataError, match=r"correlation of test T1 is 1\.5"):
        dataclasses.replace(data, correlation=np.array([1.5, 0.0]))
    with pytest.raises(DataError, match="has shape"):
        series([1.0, 2.0], [5.0])
    with pytest.raises(DataError, match="kinds"):
        series([1.0, 2.0], [5.0, 6.0], kinds=("strand",))


def test_one_pass_is_much_faster_than_a_loop() -> None:
    rng = np.random.default_rng(2)
    shape = (1000, 12)
    x = np.log(rng.uniform(1.5, 7.0, shape))
    y = 0.4 * x + 0.03 * rng.normal(size=shape)
    sd = np.full(shape, 0.02)
    mask = np.ones(shape, dtype=bool)
    fit_power_laws(x[:5], y[:5], sd[:5], sd[:5], mask[:5])
    start = time.perf_counter()
    fit_power_laws(x, y, sd, sd, mask)
    together = time.perf_counter() - start
    start = time.perf_counter()
    for i in range(100):
        row = slice(i, i + 1)
        fit_power_laws(x[row], y[row], sd[row], sd[row], mask[row])
    loop = 10.0 * (time.perf_counter() - start)
    assert together < loop / 10.0


def test_exponents_alone_are_those_of_the_whole_fit() -> None:
    rng = np.random.default_rng(21)
    several = [series([2.0], [8.0], label="one"), series([2.0, 2.01], [8.0, 8.1], label="same")]
    for k in (2, 3, 7):
        pressure = rng.uniform(1.5, 7.0, k)
        rate = 8.0 * pressure**0.35 * np.exp(0.03 * rng.normal(size=k))
        sd = 0.02 * rate * rng.uniform(0.5, 2.0, k)
        several.append(
            series(pressure, rate, label=f"B-{k}", rate_sd=sd, pressure_sd=0.01 * pressure)
        )
    whole = [fit.n for fit in fit_batches(several)]
    alone = fit_exponents(several)
    assert alone[:2] == whole[:2] == [None, None]
    assert alone[2:] == pytest.approx(whole[2:], rel=1e-9)


def test_exponents_alone_allow_for_the_temperature_too() -> None:
    rng = np.random.default_rng(22)
    pressure, warmth = rng.uniform(1.5, 7.0, 9), rng.uniform(-20.0, 20.0, 9)
    rate = 8.0 * pressure**0.35 * np.exp(0.002 * warmth + 0.01 * rng.normal(size=9))
    plain = series(pressure, rate)
    warm = dataclasses.replace(plain, temperature=293.15 + warmth)
    fit = one(warm)
    assert fit.temperature is not None
    assert fit_exponents([warm]) == pytest.approx([fit.n], rel=1e-9)


def test_no_series_has_no_exponents() -> None:
    assert fit_exponents([]) == []
