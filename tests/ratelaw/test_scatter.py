from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize, minimize_scalar

from strandwise.ratelaw import fit_power_laws
from strandwise.ratelaw.scatter import (
    line_covariance,
    line_reml_step,
    parameter_covariance,
    reml_step,
)


@given(st.integers(0, 10**6), st.integers(3, 12), st.booleans())
@settings(max_examples=20, deadline=None)
def test_many_lines_at_once_are_each_the_general_formula(seed: int, k: int, known: bool) -> None:
    rng = np.random.default_rng(seed)
    weights = rng.uniform(0.5, 3.0, (k, 4))
    raw = rng.normal(size=(k, 4))
    total = weights.sum(axis=0)
    unit = raw - (weights * raw).sum(axis=0) / total
    unit /= np.sqrt((weights * unit * unit).sum(axis=0) / total)
    squared = rng.uniform(0.0, 1.0, (k, 4))
    tau2 = rng.uniform(0.0, 0.5, 4)
    together = line_reml_step(weights, squared, unit, total, tau2)
    parts = line_covariance(weights, unit, total, np.full(4, not known))
    for i in range(4):
        design = np.column_stack([np.ones(k), unit[:, i]])
        alone = reml_step(weights[:, i], squared[:, i], design, float(tau2[i]))
        assert together[i] == pytest.approx(alone, rel=1e-9, abs=1e-12)
        matrix = parameter_covariance(weights[:, i], design, not known)
        found = [[parts[0][i], parts[1][i]], [parts[1][i], parts[2][i]]]
        assert matrix == pytest.approx(np.array(found), rel=1e-8, abs=1e-12)


@given(st.integers(0, 10**6), st.integers(4, 14), st.floats(0.0, 0.06))
@settings(max_examples=25, deadline=None)
def test_a_general_optimiser_gives_the_same_line_and_scatter(
    seed: int, k: int, scatter: float
) -> None:
    # Own computation: the restricted likelihood and York's sum of squares by scipy.optimize.
    rng = np.random.default_rng(seed)
    x = np.linspace(-0.9, 0.8, k) + 0.05 * rng.normal(size=k)
    sd_x, sd_y = rng.uniform(0.0, 0.03, k), rng.uniform(0.005, 0.03, k)
    y = -4.8 + 0.35 * x + np.hypot(sd_y, scatter) * rng.normal(size=k)
    fit = fit_power_laws(x[None], y[None], sd_x[None], sd_y[None], np.ones((1, k), dtype=bool))
    tau, slope, intercept = fit.scatter[0], fit.slope[0], fit.intercept[0]

    def chi(line: np.ndarray) -> float:
        variance = sd_y**2 + tau**2 + (line[1] * sd_x) ** 2
        return float(np.sum((y - line[0] - line[1] * x) ** 2 / variance))

    best = minimize(chi, (-4.7, 0.3), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    assert (intercept, slope) == pytest.approx(tuple(best.x), abs=1e-6)

    design = np.column_stack([np.ones(k), fit.adjusted[0]])
    known = sd_y**2 + (slope * sd_x) ** 2
    residuals = y - intercept - slope * x

    def score(tau2: float) -> float:
        # Zero where the restricted likelihood of τ² is highest, the line held.
        w = 1.0 / (known + tau2)
        hat = np.linalg.inv((design.T * w) @ design) @ ((design.T * w**2) @ design)
        return float(np.sum(w**2 * residuals**2) - w.sum() + np.trace(hat))

    if tau == 0.0:
        assert score(0.0) <= 1e-6 * np.sum(1.0 / known)
    else:
        root = minimize_scalar(
            lambda ln: score(float(np.exp(ln))) ** 2,
            bracket=(2.0 * np.log(tau) - 0.05, 2.0 * np.log(tau) + 0.04),
            tol=1e-12,
        )
        assert np.sqrt(np.exp(root.x)) == pytest.approx(tau, rel=1e-5, abs=1e-7)
