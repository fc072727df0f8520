from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from strandwise.ratelaw import LAWS, RateFit, RateSeries
from strandwise.ratelaw.assemble import Solution
from strandwise.ratelaw.choose import _reason, _Tried, aicc_of, solve_law
from strandwise.ratelaw.nonlinear import fit_batches_nonlinear


def series(pressure: np.ndarray, rate: np.ndarray) -> RateSeries:
    """Pressures in MPa, rates in mm/s."""
    k = pressure.size
    return RateSeries(
        label="B-1",
        formulation="base",
        tests=tuple(f"T{i + 1}" for i in range(k)),
        pressure=pressure * 1e6,
        rate=rate * 1e-3,
        pressure_sd=np.zeros(k),
        rate_sd=np.zeros(k),
        kinds=("strand",) * k,
    )


def chosen(pressure: np.ndarray, rate: np.ndarray) -> RateFit:
    (fit,) = fit_batches_nonlinear([series(pressure, rate)], law="auto", reference_pressure=3e6)
    return fit


def noisy(rate: np.ndarray, noise: float, seed: int) -> np.ndarray:
    return rate * np.exp(noise * np.random.default_rng(seed).normal(size=rate.size))


def test_aicc_is_that_of_least_squares() -> None:
    # statsmodels' log-likelihood of the log-log line; three parameters with the variance, and the
    # correction of Hurvich and Tsui (1989).
    pressure = np.geomspace(1.0, 7.0, 9)
    data = series(pressure, noisy(6.0 * pressure**0.4, 0.03, 2))
    solution, reason = solve_law(data, "power", 3e6)
    line = sm.OLS(np.log(data.rate), sm.add_constant(np.log(data.pressure))).fit()
    expected = -2.0 * line.llf + 2.0 * 3.0 + 2.0 * 3.0 * 4.0 / (9 - 3 - 1)
    assert reason == ""
    assert aicc_of(solution, 2) == pytest.approx(expected, rel=1e-9)
    assert aicc_of(solution, 7) == math.inf


def test_aicc_has_the_variance_of_full_maximum_likelihood() -> None:
    # Means of five tests of each of six batches, "Dyestuff" (Davies 1967; Box & Tiao 1973): the
    # variance between batches is 1388.3333 by maximum likelihood (1764.05 by restricted), within
    # them 2451.25, a fifth of which is in a mean of five.
    means = np.array([1505.0, 1528.0, 1564.0, 1498.0, 1600.0, 1470.0])
    flat = np.zeros(6)
    solution = Solution(
        ln_r0=float(means.mean()), n=0.0, covariance=np.zeros((1, 1)), scatter=0.0,
        mean_square=math.nan, converged=True, weights=np.ones(6), residuals=means - means.mean(),
        leverages=flat, adjusted=flat,
    )  # fmt: skip
    deviance = aicc_of(solution, 1) - 2.0 * 2.0 * 6 / (6 - 2 - 1)
    variance = math.exp(deviance / 6 - 1.0 - math.log(2.0 * math.pi))
    assert variance - 2451.25 / 5 == pytest.approx(1388.3333, abs=5e-4)


def test_a_plateau_is_chosen_with_its_margin() -> None:
    pressure = np.geomspace(0.2, 6.0, 18)
    fit = chosen(pressure, noisy(7.0 * np.minimum(pressure, 1.0) ** 0.6, 0.02, 1))
    assert (fit.law, len(fit.breaks)) == ("segmented", 1)
    assert fit.breaks[0].ci95[0] < 1e6 < fit.breaks[0].ci95[1]
    choice = fit.choice
    assert choice.law == "segmented"
    tried = [one for one in choice.candidates if one.aicc is not None]
    assert [one.aicc for one in tried] == sorted(one.aicc for one in tried)
    assert tried[0].difference == 0.0
    own = next(one for one in tried if one.law == "segmented" and one.breaks == 1)
    rest = min(one.aicc for one in tried if one is not own)
    assert choice.margin == pytest.approx(rest - own.aicc)
    power = next(one for one in tried if one.law == "power")
    assert power.difference > 10.0
    assert power.bend_p < 0.01


def test_the_linear_law_is_chosen_where_it_is_plain() -> None:
    pressure = np.geomspace(0.2, 12.0, 20)
    fit = chosen(pressure, noisy(LAWS["linear"].rate(pressure, np.array([1.0, 4.0]), 1.0), 0.02, 5))
    assert fit.law == "linear"
    assert fit.choice.margin > 2.0
    assert not fit.choice.thin
    assert "law-uncertain" not in {c.code for c in fit.cautions}


@pytest.mark.parametrize("k", [6, 12])
def test_power_laws_are_seldom_taken_for_another(k: int) -> None:
    rng = np.random.default_rng(k)
    other = 0
    for _ in range(30):
        pressure = np.exp(rng.uniform(0.0, 1.7, k))
        fit = chosen(pressure, 6.0 * pressure**0.35 * np.exp(0.03 * rng.normal(size=k)))
        other += fit.law != "power"
    # The curvature test alone allows 5 %: 1.5 of 30, and three standard deviations are 3.6.
    assert other <= 5


def test_no_complicated_law_on_few_points() -> None:
    bent = np.array([4.0, 5.5, 7.0, 7.0])
    few = chosen(np.array([0.5, 1.0, 2.0, 4.0]), bent)
    assert few.law == "power"
    assert few.choice.thin
    assert few.choice.margin is None
    assert all("needs" in one.why_not for one in few.choice.candidates if one.law != "power")
    six = chosen(np.geomspace(0.5, 8.0, 6), np.array([4.0, 5.5, 7.0, 7.0, 7.0, 7.0]))
    assert six.law != "segmented"
    assert all(one.aicc is None for one in six.choice.candidates if one.breaks)


def test_thin_evidence_is_said() -> None:
    pressure = np.geomspace(2.0, 4.0, 8)
    fit = chosen(pressure, noisy(6.0 * pressure**0.4, 0.03, 3))
    assert fit.law == "power"
    assert fit.choice.thin
    caution = next(c for c in fit.cautions if c.code == "law-uncertain")
    assert "power law was taken" in caution.message


def test_no_law_at_all() -> None:
    fit = chosen(np.array([3.0, 3.0]), np.array([5.0, 5.0]))
    assert not fit.identified
    assert fit.choice.margin is None
    assert {"one-pressure", "law-uncertain"} <= {c.code for c in fit.cautions}


def test_laws_as_good_as_each_other_are_said_to_be() -> None:
    taken = _Tried("power", 0, None, -20.0, 0.5)  # type: ignore[arg-type]
    for aicc in (-20.02, -19.98):
        other = _Tried("two-term", 0, None, aicc, 0.5)  # type: ignore[arg-type]
        told = _reason(taken, [taken, other], aicc - taken.aicc)
        assert told == "the power law was taken: the two-term law has the same AICc, within 0.1"
    lower = _Tried("two-term", 0, None, -20.3, 0.5)  # type: ignore[arg-type]
    assert "an AICc lower by 0.3" in _reason(taken, [taken, lower], -0.3)
