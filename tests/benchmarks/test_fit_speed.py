"""A thousand batches in one pass against a bare loop of a general fitter, in the same run."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
import numpy.typing as npt
import pytest
from scipy.optimize import curve_fit, minimize_scalar

from strandwise.ratelaw import RateSeries, fit_batches, fit_power_laws

FloatArray = npt.NDArray[np.float64]

BATCHES, POINTS = 1000, 12
SD_RATE, SD_PRESSURE, SCATTER = 0.02, 0.01, 0.02


@pytest.fixture(scope="module")
def readings() -> tuple[FloatArray, FloatArray]:
    """ln(P/P0) and ln r of invented batches, shape (batches, points) each."""
    rng = np.random.default_rng(1)
    shape = (BATCHES, POINTS)
    x = np.log(rng.uniform(1.5, 7.0, shape) / 3.5)
    y = 0.35 * x - 4.8 + np.hypot(SD_RATE, SCATTER) * rng.normal(size=shape)
    return x + SD_PRESSURE * rng.normal(size=shape), y


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Shortest of several runs: what the machine does when nothing else wants it."""
    best = np.inf
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        best = min(best, time.perf_counter() - start)
    return float(best)


def bare_loop(x: FloatArray, y: FloatArray) -> None:
    sigma = np.full(POINTS, SD_RATE)
    for row in range(len(x)):
        curve_fit(lambda p, a, b: a + b * p, x[row], y[row], p0=(-4.0, 0.3), sigma=sigma)


def test_one_pass_takes_a_twentieth_of_a_bare_loop(
    readings: tuple[FloatArray, FloatArray], record_property: Callable[[str, object], None]
) -> None:
    x, y = readings
    shape = (BATCHES, POINTS)
    sd_x, sd_y = np.full(shape, SD_PRESSURE), np.full(shape, SD_RATE)
    mask = np.ones(shape, dtype=bool)
    loop = seconds(lambda: bare_loop(x, y), 2)
    one_pass = seconds(lambda: fit_power_laws(x, y, sd_x, sd_y, mask), 16)
    record_property("bare curve_fit loop over one pass", loop / one_pass)
    # The loop fits no scatter and no errors in pressure; the pass does both. About 50 on an idle
    # machine; the promise is 20.
    assert loop / one_pass >= 20.0


def test_one_pass_is_as_fast_where_uncertainties_differ(
    readings: tuple[FloatArray, FloatArray], record_property: Callable[[str, object], None]
) -> None:
    x, y = readings
    rng = np.random.default_rng(3)
    sd_x, sd_y = rng.uniform(0.005, 0.02, x.shape), rng.uniform(0.01, 0.04, x.shape)
    mask = np.ones(x.shape, dtype=bool)
    loop = seconds(lambda: bare_loop(x, y), 2)
    one_pass = seconds(lambda: fit_power_laws(x, y, sd_x, sd_y, mask), 16)
    record_property("bare curve_fit loop over one pass, unequal", loop / one_pass)
    # About 23 on an idle machine; the promise is 20.
    assert loop / one_pass >= 20.0


def test_the_whole_fit_takes_less_than_the_loop_and_two_seconds(
    readings: tuple[FloatArray, FloatArray],
) -> None:
    x, y = readings
    batches = [
        RateSeries(
            label=f"B-{row}",
            formulation="invented",
            tests=tuple(f"T{i}" for i in range(POINTS)),
            pressure=3.5e6 * np.exp(x[row]),
            rate=np.exp(y[row]),
            pressure_sd=SD_PRESSURE * 3.5e6 * np.exp(x[row]),
            rate_sd=SD_RATE * np.exp(y[row]),
            kinds=("strand",) * POINTS,
        )
        for row in range(BATCHES)
    ]
    loop = seconds(lambda: bare_loop(x, y), 1)
    assert seconds(lambda: fit_batches(batches), 1) < loop + 2.0


def test_the_pass_agrees_with_a_general_optimiser(
    readings: tuple[FloatArray, FloatArray],
) -> None:
    # Without errors in pressure the restricted likelihood has τ alone in it once the line is
    # profiled out (Patterson and Thompson, Biometrika 58 (1971) 545); own computation.
    x, y = readings[0][:60], readings[1][:60]
    known = np.random.default_rng(2).uniform(0.005, 0.04, x.shape)
    fit = fit_power_laws(x, y, np.zeros_like(x), known, np.ones(x.shape, dtype=bool))
    for row in range(len(x)):
        design = np.column_stack([np.ones(POINTS), x[row]])

        def criterion(tau: float, row: int = row, design: FloatArray = design) -> float:
            w = 1.0 / (known[row] ** 2 + tau**2)
            gram = (design.T * w) @ design
            line = np.linalg.solve(gram, (design.T * w) @ y[row])
            left = y[row] - design @ line
            size = np.linalg.slogdet(gram)[1]
            return float(np.sum(w * left**2) - np.log(w).sum() + size)

        found = minimize_scalar(
            criterion, bounds=(0.0, 0.2), method="bounded", options={"xatol": 1e-10}
        )
        tau = float(found.x) if found.fun < criterion(0.0) else 0.0
        w = 1.0 / (known[row] ** 2 + tau**2)
        line = np.linalg.solve((design.T * w) @ design, (design.T * w) @ y[row])
        assert fit.scatter[row] == pytest.approx(tau, abs=1e-6)
        assert (fit.intercept[row], fit.slope[row]) == pytest.approx(tuple(line), rel=1e-6)
