"""Rates at one temperature, where that is asked for."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import statsmodels.api as sm

from strandwise.cli import main
from strandwise.errors import RequestError
from strandwise.ratelaw import RateFit, RateSeries, fit_batches
from strandwise.reduction import RatePoint
from strandwise.workflow.temperatures import AtTemperature, points_at

PRESSURE = np.array([1.0, 2.0, 3.0, 4.5, 7.0, 2.5, 1.2, 6.0]) * 1e6
APART = np.array([263.0, 263.0, 313.0, 313.0, 290.0, 290.0, 313.0, 263.0])
ALIKE = np.array([297.0, 298.0, 299.0, 297.0, 298.0, 299.0, 297.0, 298.0])
SIGMA_P, N, TO = 0.0024, 0.30, 293.15


def series(temperature: np.ndarray, noise: float = 0.02) -> RateSeries:
    """Invented: 9 mm/s at 7.5 MPa and 20 °C, n = 0.3, σ_p = 0.24 % per kelvin."""
    kelvin = np.where(np.isfinite(temperature), temperature, TO)
    rate = 9e-3 * (PRESSURE / 7.5e6) ** N * np.exp(SIGMA_P * (kelvin - TO))
    rate = rate * np.exp(noise * np.random.default_rng(3).normal(size=8))
    return RateSeries(
        label="B-1",
        formulation="base",
        tests=tuple(f"T{i + 1}" for i in range(8)),
        pressure=PRESSURE,
        rate=rate,
        pressure_sd=np.zeros(8),
        rate_sd=np.zeros(8),
        kinds=("strand",) * 8,
        temperature=temperature,
    )


def fitted(data: RateSeries, at: AtTemperature) -> RateFit:
    (fit,) = at.fitter(fit_batches)([at.readings(data)], reference_pressure=3e6)
    return at.told(fit, data)


def codes(fit: RateFit) -> set[str]:
    return {caution.code for caution in fit.cautions}


@pytest.mark.parametrize("stated", [None, 0.001])
def test_a_sigma_p_of_the_tests_keeps_its_uncertainty_in_the_interval(
    stated: float | None,
) -> None:
    # statsmodels' prediction of three columns at 3 MPa and 20 °C: what the tests tell goes
    # before what is stated, and the interval is wider than at the mean of the tests.
    data = series(APART)
    fit = fitted(data, AtTemperature(temperature=TO - 20.0, sigma_p=stated))
    columns = np.column_stack([np.ones(8), np.log(PRESSURE / 3e6), APART - (TO - 20.0)])
    frame = sm.OLS(np.log(data.rate), columns).fit().get_prediction([[1.0, 0.0, 0.0]])
    low, high = frame.conf_int()[0]
    assert np.log(fit.rate_at(3e6).ci95) == pytest.approx([low, high], rel=1e-8)
    at_mean = fitted(data, AtTemperature(temperature=float(APART.mean()))).rate_at(3e6).ci95
    assert at_mean is not None
    assert fit.n is not None
    assert high - low > 1.2 * math.log(at_mean[1] / at_mean[0])
    assert fit.normalised is not None
    assert fit.temperature is not None
    assert not fit.normalised.stated
    assert fit.normalised.sigma_p == fit.temperature.sigma_p
    assert fit.normalised.pi_k == pytest.approx(fit.temperature.sigma_p / (1.0 - fit.n))
    assert not codes(fit) & {"sigma-p-stated", "not-normalised", "temperature-extrapolated"}


def test_a_stated_sigma_p_moves_readings_that_tell_none() -> None:
    fit = fitted(series(ALIKE, noise=0.0), AtTemperature(temperature=TO, sigma_p=SIGMA_P))
    # The law that the readings were made from, at 20 °C.
    assert fit.rate_at(7.5e6).rate == pytest.approx(9e-3, rel=1e-9)
    assert fit.temperature is None
    assert fit.normalised is not None
    assert fit.normalised.stated
    # π_K = σ_p/(1 − n), Sutton and Biblarz, Rocket Propulsion Elements.
    assert fit.normalised.pi_k == pytest.approx(0.0024 / 0.7, rel=1e-6)
    (said,) = [c.message for c in fit.cautions if c.code == "sigma-p-stated"]
    assert "at most 1.4 % of the rate" in said
    assert "not in the intervals" in said


@pytest.mark.parametrize(
    ("temperature", "stated", "said"),
    [
        (ALIKE, None, "no value of that is stated (--sigma-p)"),
        (np.where(np.arange(8) == 2, np.nan, ALIKE), 0.002, "temperature of test T3 is not known"),
        (np.full(8, np.nan), None, "temperature of test T1 is not known"),
    ],
)
def test_what_cannot_be_taken_there_stays_and_is_told(
    temperature: np.ndarray, stated: float | None, said: str
) -> None:
    data = series(temperature)
    fit = fitted(data, AtTemperature(temperature=TO, sigma_p=stated))
    (plain,) = fit_batches([data], reference_pressure=3e6)
    assert fit.ln_r0 == plain.ln_r0
    assert fit.normalised is None
    (message,) = [c.message for c in fit.cautions if c.code == "not-normalised"]
    assert said in message
    assert "the rates are as tested" in message


def test_tests_at_that_temperature_need_nothing() -> None:
    fit = fitted(series(np.full(8, TO + 0.3)), AtTemperature(temperature=TO))
    assert "not-normalised" not in codes(fit)
    assert fit.normalised is None


@pytest.mark.parametrize(
    ("stated", "said"), [(0.0024, "which agrees with it"), (0.02, "which does not agree with it")]
)
def test_a_stated_sigma_p_that_is_not_used_is_told(stated: float, said: str) -> None:
    fit = fitted(series(APART), AtTemperature(temperature=TO, sigma_p=stated))
    (text,) = [c.message for c in fit.cautions if c.code == "sigma-p-not-used"]
    assert text.endswith(said)
    unstated = fitted(series(APART), AtTemperature(temperature=TO))
    assert "sigma-p-not-used" not in codes(unstated)


def test_a_temperature_outside_the_tests_is_told() -> None:
    fit = fitted(series(APART), AtTemperature(temperature=333.0))
    (said,) = [c.message for c in fit.cautions if c.code == "temperature-extrapolated"]
    assert "59.9 °C lies outside the −10.1 °C to 39.9 °C of the tests" in said


@pytest.mark.parametrize(
    ("temperature", "stated", "said"),
    [(0.0, None, "at 0.0 K"), (TO, 0.2, "20 % per kelvin"), (TO, -0.001, "-0.1 % per kelvin")],
)
def test_requests_that_make_no_sense(temperature: float, stated: float | None, said: str) -> None:
    with pytest.raises(RequestError, match=said):
        AtTemperature(temperature=temperature, sigma_p=stated)


def test_points_of_the_picture_go_with_their_law() -> None:
    at = AtTemperature(temperature=TO, sigma_p=SIGMA_P)
    fit = fitted(series(ALIKE, noise=0.0), at)
    point = RatePoint(
        test="T1", batch="B-1", formulation="base", kind="strand", pressure=1e6, pressure_sd=None,
        uncertainty="stated",
        rate=5e-3, rate_sd=1e-4, temperature=TO + 10.0,
    )  # fmt: skip
    (moved,) = points_at([point], [fit])
    assert moved.rate == pytest.approx(5e-3 * math.exp(-0.024))
    assert moved.rate_sd == pytest.approx(1e-4 * math.exp(-0.024))


def test_command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(Path(__file__).parents[2])

    def fits(*more: str) -> list[dict[str, Any]]:
        assert main(["fit", "demo", "--json", *more]) == 0
        found: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["fits"]
        return found

    plain = fits()
    assert all(fit["normalised"] is None for fit in plain)
    asked = fits("--at-temperature", "40 degC", "--sigma-p", "0.2 %")
    for before, after in zip(plain, asked, strict=True):
        done = after["normalised"]
        assert done["to_degC"] == pytest.approx(40.0)
        assert (done["by"], done["sigma_p_percent_per_K"]) == ("stated", pytest.approx(0.2))
        assert done["pi_k_percent_per_K"] == pytest.approx(0.2 / (1.0 - after["n"]))
        # The demonstration's tests were made at 19 to 22 °C.
        moved = math.log(after["rate_at_reference_mm_s"] / before["rate_at_reference_mm_s"])
        assert 0.002 * 18.0 < moved < 0.002 * 21.5
    (explained,) = fits("--explain", "M-01", "--at-temperature", "40 degC", "--sigma-p", "0.2 %")
    assert explained["rate_at_reference_mm_s"] == pytest.approx(asked[0]["rate_at_reference_mm_s"])
    assert main(["fit", "demo", "--sigma-p", "0.2 %"]) == 2
    assert main(["fit", "demo", "--at-temperature", "20 MPa"]) != 0
    assert "--at-temperature: `MPa` is the unit of a pressure" in capsys.readouterr().err
