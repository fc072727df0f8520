from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import statsmodels.api as sm

from strandwise.errors import DataError
from strandwise.ratelaw import Explanation, RateFit, RateSeries, explain_fit, fit_batches
from strandwise.ratelaw.nonlinear import fit_batches_nonlinear

PRESSURE = np.array([3.1, 1.0, 6.5, 2.0, 4.4, 1.4, 5.2, 2.6])


def series(
    rate: np.ndarray, pressure: np.ndarray = PRESSURE, sd_p: float = 0.0, sd_r: float = 0.0
) -> RateSeries:
    k = pressure.size
    return RateSeries(
        label="B-1",
        formulation="base",
        tests=tuple(f"T{i + 1}" for i in range(k)),
        pressure=pressure * 1e6,
        rate=rate * 1e-3,
        pressure_sd=sd_p * pressure * 1e6,
        rate_sd=sd_r * rate * 1e-3,
        kinds=("strand",) * k,
    )


def noisy(seed: int, noise: float = 0.03) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 6.0 * PRESSURE**0.4 * np.exp(noise * rng.normal(size=PRESSURE.size))


def explained(data: RateSeries, **options: object) -> tuple[RateFit, Explanation]:
    (fit,) = fit_batches([data], reference_pressure=3e6)
    return fit, explain_fit(fit, data, **options)


def test_leaving_out_a_test_is_what_least_squares_says() -> None:
    data = series(noisy(1))
    fit, told = explained(data)
    line = sm.OLS(np.log(data.rate), sm.add_constant(np.log(data.pressure / 3e6))).fit()
    influence = line.get_influence()
    order = [fit.tests.index(one.test) for one in told.influences]
    without = line.params[1] - influence.dfbeta[:, 1]
    assert [one.n_without for one in told.influences] == pytest.approx(without[order], rel=1e-7)
    moved = np.abs(influence.dfbeta[order, 1])
    assert (np.diff(moved) <= 1e-12).all()
    assert told.repeat == told.influences[0].test
    first = told.influences[0]
    assert f"without {first.test}, n would be {first.n_without:.3f}" in told.sentences[1]


@pytest.mark.parametrize("correlation", [1.0, -1.0])
def test_errors_that_are_wholly_common_leave_numbers(correlation: float) -> None:
    # σ_lnr = 0.4·σ_lnP and n = 0.4: about the law nothing would be left of the errors.
    data = dataclasses.replace(
        series(6.0 * PRESSURE**0.4, sd_p=0.03, sd_r=0.012), correlation=np.full(8, correlation)
    )
    fit, told = explained(data)
    assert fit.n == pytest.approx(0.4, abs=1e-6)
    assert 0.0 < fit.n_sd < 0.05
    assert np.isfinite(fit.leverages).all()
    assert max(fit.leverages) < 0.6
    assert not any("nan" in sentence for sentence in told.sentences)


def test_a_bad_test_is_named() -> None:
    rate = noisy(2, 0.01)
    rate[2] *= 0.8
    _, told = explained(series(rate))
    assert told.repeat == "T3"
    (line,) = (line for line in told.sentences if "farthest from the law is T3" in line)
    assert "slower than the law" in line


def test_what_stands_out_is_to_be_repeated_before_what_n_hangs_on() -> None:
    # A bad test in the middle of the pressures moves n little.
    rate = noisy(2, 0.01)
    rate[0] *= 1.25
    _, told = explained(series(rate))
    assert told.outliers == ("T1",)
    assert told.repeat == "T1" != told.influences[0].test
    (line,) = (line for line in told.sentences if "look at the record of T1" in line)
    # Where the seven others lead to expect it: statsmodels' prediction interval of their line.
    kept = np.arange(8) != 0
    x = sm.add_constant(np.log(PRESSURE))
    line_of_others = sm.OLS(np.log(rate[kept] * 1e-3), x[kept]).fit()
    frame = line_of_others.get_prediction(x[:1]).summary_frame()
    expected = np.exp(frame[["obs_ci_lower", "obs_ci_upper"]].to_numpy()[0])
    (bad,) = (one for one in told.influences if one.test == "T1")
    assert bad.expected == pytest.approx(expected, rel=1e-9)
    assert bad.expected[1] < rate[0] * 1e-3
    assert f"{bad.expected[0] * 1e3:.3g} mm/s and {bad.expected[1] * 1e3:.3g} mm/s" in line


def test_where_one_more_test_would_fall() -> None:
    fit, told = explained(series(noisy(9)))
    band = fit.band(np.array([3e6]))
    assert told.one_more == pytest.approx((band.new_low[0], band.new_high[0]))
    (line,) = (line for line in told.sentences if "made and read as these were" in line)
    assert "at 3 MPa" in line


@pytest.mark.parametrize(
    ("sd_r", "noise", "low", "high"), [(0.0, 0.03, 0.0, 0.0), (0.03, 0.01, 0.9, 1.0)]
)
def test_what_the_interval_is_made_of(sd_r: float, noise: float, low: float, high: float) -> None:
    _, told = explained(series(noisy(3, noise), sd_r=sd_r))
    assert low <= told.readings_share <= high
    words = "no test states" if sd_r == 0.0 else "better instruments"
    assert any(words in line for line in told.sentences)


def test_share_of_readings_and_scatter_alike() -> None:
    # Equal uncertainty of every reading: the share is that of the variances, whatever the law.
    data = series(noisy(12, 0.04), sd_r=0.02)
    fit, told = explained(data)
    assert fit.scatter > 0.0
    assert told.readings_share == pytest.approx(0.02**2 / (0.02**2 + fit.scatter**2), rel=1e-9)


def test_a_drift_is_found_and_none_is_not() -> None:
    when = np.arange(8.0)
    drifting = noisy(5, 0.01) * np.exp(-0.02 * when)
    _, told = explained(series(drifting))
    assert told.trend_p < 0.01
    assert told.trend_percent == pytest.approx(100.0 * math.expm1(-0.14), abs=5.0)
    assert any("by the order given rates fell by" in line for line in told.sentences)
    _, even = explained(series(noisy(5, 0.01)), order=when)
    assert even.trend_p > 0.05
    assert any("by the dates no drift shows" in line for line in even.sentences)


def test_tests_of_one_day_are_taken_in_the_order_of_the_records() -> None:
    drifting = series(noisy(5, 0.01) * np.exp(-0.02 * np.arange(8.0)))
    _, by_rows = explained(drifting)
    _, one_day = explained(drifting, order=[7.0] * 8)
    assert one_day.trend_p == by_rows.trend_p < 0.01
    said = "by the order of the records, as all are of one day, rates fell by"
    assert any(said in line for line in one_day.sentences)


def test_the_trend_is_a_column_of_the_law() -> None:
    data = series(noisy(6) * np.exp(0.01 * np.arange(8)))
    _, told = explained(data)
    columns = np.column_stack([np.ones(8), np.log(data.pressure), np.arange(8) / 7.0])
    line = sm.OLS(np.log(data.rate), columns).fit()
    assert told.trend_p == pytest.approx(line.pvalues[2], rel=1e-6)
    assert told.trend_percent == pytest.approx(100.0 * math.expm1(line.params[2]), rel=1e-6)


def test_pressures_in_order_hide_a_drift() -> None:
    pressure = np.sort(PRESSURE)
    _, told = explained(series(6.0 * pressure**0.4 * noisy(7) / noisy(7, 0.0), pressure))
    assert told.trend_p is None
    assert any("cannot be told: pressures went up or down" in line for line in told.sentences)


@pytest.mark.parametrize(
    ("order", "reason"),
    [
        ([np.nan] * 8, "the tests carry no dates"),
        ([1.0, np.nan] * 4, "some tests carry no date"),
    ],
)
def test_why_a_drift_cannot_be_told(order: list[float], reason: str) -> None:
    _, told = explained(series(noisy(7)), order=order)
    assert (told.trend_p, told.trend_percent, told.trend_reason) == (None, None, reason)
    assert any(line.endswith(f"cannot be told: {reason}") for line in told.sentences)


def test_the_test_to_add_is_the_one_that_helps_most() -> None:
    data = series(noisy(8))
    fit, told = explained(data)
    by = {one.about: one for one in told.next_tests}
    assert by["n"].pressure == pytest.approx(fit.pressure_range[0], rel=1e-9)
    # Own computation: add the point on the line to the design of least squares.
    x = np.log(data.pressure / 3e6)

    def half_width(at: float) -> float:
        more = np.append(x, at)
        variance = 1.0 / np.sum((more - more.mean()) ** 2)
        return math.sqrt(variance)

    before = 1.0 / math.sqrt(np.sum((x - x.mean()) ** 2))
    grid = np.linspace(x.min(), x.max(), 50)
    best = min(half_width(at) for at in grid)
    ratio = best / before * 2.364624 / 2.446912  # Student's t at 7 and 6 degrees of freedom
    assert by["n"].narrower == pytest.approx(1.0 - ratio, rel=1e-4)
    assert by["rate"].narrower > 0.0
    assert sum("would narrow the interval" in line for line in told.sentences) == 2


def test_other_laws_are_explained_too() -> None:
    rng = np.random.default_rng(4)
    pressure = rng.permutation(np.geomspace(0.3, 6.0, 16))
    rate = 7.0 * np.minimum(pressure, 1.0) ** 0.6 * np.exp(0.02 * rng.normal(size=16))
    data = series(rate, pressure)
    for law in ("linear", "segmented"):
        (fit,) = fit_batches_nonlinear([data], law=law, reference_pressure=3e6)
        told = explain_fit(
            fit, data, fitter=fit_batches_nonlinear, format_pressure="{:.0f} X".format
        )
        assert len(told.influences) == 16
        assert all(one.n_without is not None for one in told.influences)
        assert any(" X would narrow" in line for line in told.sentences)
        assert told.trend_p is not None


@pytest.mark.parametrize(("k", "words"), [(1, "no law"), (2, "fix the law exactly")])
def test_few_tests(k: int, words: str) -> None:
    _, told = explained(series(noisy(1)[:k], PRESSURE[:k]))
    assert words in told.sentences[0]
    assert told.next_tests == ()


def test_three_tests_of_which_two_are_alike() -> None:
    pressure = np.array([2.0, 2.0, 5.0])
    _, told = explained(series(np.array([8.0, 8.2, 11.0]), pressure))
    assert told.repeat == "T3"
    assert "without T3 the other tests would not decide" in told.sentences[1]


def test_fit_and_series_must_belong_together() -> None:
    data = series(noisy(1))
    (fit,) = fit_batches([data], reference_pressure=3e6)
    with pytest.raises(DataError, match="not those of the series"):
        explain_fit(fit, series(noisy(1)[:4], PRESSURE[:4]))
    with pytest.raises(DataError, match="or of the order"):
        explain_fit(fit, data, order=[1.0, 2.0])


def test_nothing_is_called_safe() -> None:
    _, told = explained(series(noisy(1)))
    assert not any("safe" in line.lower() for line in told.sentences)


def test_tests_at_other_temperatures_are_where_the_others_expect_them() -> None:
    # The 95 % interval for one more test, with the temperature that this test was made at: of 540
    # such intervals (60 invented batches) 95 % hold their test, whatever the temperature.
    rng = np.random.default_rng(5)
    held: dict[float, list[bool]] = {263.0: [], 293.0: [], 323.0: []}
    pressure = np.tile(np.geomspace(2e6, 8e6, 3), 3)
    temperature = np.repeat(list(held), 3)
    unknown = np.full(9, np.nan)
    for _ in range(60):
        noise = rng.normal(0.0, 0.01, 9)
        rate = 5e-3 * (pressure / 4e6) ** 0.4 * np.exp(0.003 * (temperature - 293.0) + noise)
        batch = RateSeries(
            label="B-1",
            formulation="invented",
            tests=tuple(f"T{row}" for row in range(9)),
            kinds=("strand",) * 9,
            pressure=pressure,
            rate=rate,
            pressure_sd=unknown,
            rate_sd=unknown,
            temperature=temperature,
        )
        (fit,) = fit_batches([batch])
        assert fit.temperature is not None
        reference = fit.rate_at(fit.reference_pressure).rate
        for one in explain_fit(fit, batch, fitter=fit_batches).influences:
            row = fit.tests.index(one.test)
            assert one.expected is not None
            held[temperature[row]].append(one.expected[0] < rate[row] < one.expected[1])
            # Without one of nine tests the rate moves by its share of 1 %, not with temperature.
            assert one.rate_without == pytest.approx(reference, rel=0.012)
    for inside in held.values():
        assert 0.90 < np.mean(inside) <= 0.99
