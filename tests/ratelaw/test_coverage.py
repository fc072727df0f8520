"""Intervals must cover: a 95 % interval holds the truth in 94 to 96 of 100 batches."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import stdtrit

from strandwise.ratelaw import LineFits, fit_power_laws

FloatArray = npt.NDArray[np.float64]

BATCHES = 8000
N, LN_R0 = 0.35, np.log(8e-3)
SD_RATE, SD_PRESSURE, SCATTER = 0.02, 0.01, 0.02


def simulated(
    points: int, stated: float, seed: int, spread_of_precision: float = 0.0
) -> tuple[LineFits, FloatArray]:
    """Batches at 1.5 to 7 MPa about 3.5 MPa; `stated` is stated over true uncertainty."""
    rng = np.random.default_rng(seed)
    shape = (BATCHES, points)
    x = np.log(rng.uniform(1.5, 7.0, shape) / 3.5)
    sd_y = SD_RATE * np.exp(spread_of_precision * rng.normal(size=shape))
    sd_x = np.full(shape, SD_PRESSURE)
    y = LN_R0 + N * x + np.hypot(sd_y, SCATTER) * rng.normal(size=shape)
    fit = fit_power_laws(
        x + sd_x * rng.normal(size=shape),
        y,
        stated * sd_x,
        stated * sd_y,
        np.ones(shape, dtype=bool),
    )
    return fit, y


def coverage(fit: LineFits, points: int) -> tuple[float, float]:
    quantile = stdtrit(points - 2, 0.975)
    hit_n = np.abs(fit.slope - N) <= quantile * np.sqrt(fit.slope_variance)
    hit_r = np.abs(fit.intercept - LN_R0) <= quantile * np.sqrt(fit.intercept_variance)
    return float(hit_n.mean()), float(hit_r.mean())


@pytest.mark.parametrize("points", [4, 6, 12])
@pytest.mark.parametrize(
    "stated", [1.0, 0.5, 2.0, 0.0], ids=["true", "understated", "overstated", "unstated"]
)
def test_intervals_cover(points: int, stated: float) -> None:
    fit, _ = simulated(points, stated, seed=1000 + points)
    for share in coverage(fit, points):
        assert 0.94 <= share <= 0.96


@pytest.mark.parametrize("points", [4, 6, 12])
def test_intervals_cover_where_tests_are_of_unlike_precision(points: int) -> None:
    # The uncertainties of one batch differ by a factor of 3 between the usual best and worst;
    # the average over what the weights may be keeps these near 95 %.
    fit, _ = simulated(points, 1.0, seed=2000 + points, spread_of_precision=0.6)
    for share in coverage(fit, points):
        assert 0.935 <= share <= 0.97


def test_nearly_every_batch_comes_to_rest() -> None:
    fit, _ = simulated(6, 1.0, seed=3, spread_of_precision=0.6)
    assert fit.converged.mean() > 0.999


def test_the_slope_is_not_biased_by_errors_in_pressure() -> None:
    # Least squares would shrink n by var(error)/var(x) = 4.4 % with a pressure uncertainty of 8 %.
    rng = np.random.default_rng(17)
    shape = (4000, 12)
    x = np.log(rng.uniform(1.5, 7.0, shape) / 3.5)
    sd_x, sd_y = np.full(shape, 0.08), np.full(shape, 0.02)
    y = N * x + sd_y * rng.normal(size=shape)
    seen = x + sd_x * rng.normal(size=shape)
    mask = np.ones(shape, dtype=bool)
    told = fit_power_laws(seen, y, sd_x, sd_y, mask, scatter=False).slope.mean()
    untold = fit_power_laws(seen, y, np.zeros(shape), np.zeros(shape), mask).slope.mean()
    assert told == pytest.approx(N, abs=0.003)
    assert untold < N - 0.008
