from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize, minimize_scalar

from strandwise.ratelaw import fit_power_laws
from strandwise.ratelaw.covariance import line_covariance, parameter_covariance
from strandwise.ratelaw.scatter import line_reml_step, reml_step


@given(st.integers(0, 10**6), st.integers(3, 12), st.booleans())
@settings(max_examples=20, deadline=None)
def test_many_lines_at_once_are_each_the_general_formula(seed: int, k: int, known: bool) -> None:
    rng = np.random.default_rng(seed)
    weights = rng.uniform(0.5, 3.0, (k, 4))
    raw = rng.normal(size=(k, 4))
    total = weights.sum(axis=0)
    unit = raw - (weights * raw).sum(axis=0) / total
    unit /= np.sqrt((weights * unit * unit).sum(axis=0) / total)
    tau2 = rng.uniform(0.0, 0.5, 4)
    residuals, stated = rng.normal(size=(k, 4)), rng.uniform(0.1, 1.0, (k, 4))
    together = line_reml_step(weights, residuals, 3.0 * unit, total, 9.0 * total, tau2)
    parts = line_covariance(weights, residuals, unit, stated, np.full(4, not known))
    for i in range(4):
        design = np.column_stack([np.ones(k), unit[:, i]])
        alone = reml_step(weights[:, i], residuals[:, i], design, float(tau2[i]))
        assert together[i] == pytest.approx(alone, rel=1e-9, abs=1e-12)
        matrix = parameter_covariance(
            weights[:, i], residuals[:, i], design, stated[:, i], not known
        )
        found = [[parts[0][i], parts[1][i]], [parts[1][i], parts[2][i]]]
        assert matrix == pytest.approx(np.array(found), rel=1e-8, abs=1e-12)


@given(st.integers(0, 10**6), st.integers(4, 14), st.floats(0.0, 0.06), st.floats(-0.9, 0.9))
@settings(max_examples=25, deadline=None)
def test_a_general_optimiser_gives_the_same_line_and_scatter(
    seed: int, k: int, scatter: float, correlation: float
) -> None:
    # Own computation: the restricted likelihood and York's sum of squares by scipy.optimize.
    rng = np.random.default_rng(seed)
    x = np.linspace(-0.9, 0.8, k) + 0.05 * rng.normal(size=k)
    sd_x, sd_y = rng.uniform(0.0, 0.03, k), rng.uniform(0.005, 0.03, k)
    y = -4.8 + 0.35 * x + np.hypot(sd_y, scatter) * rng.normal(size=k)
    cov = correlation * sd_x * sd_y
    fit = fit_power_laws(
        x[None], y[None], sd_x[None], sd_y[None], np.ones((1, k), dtype=bool), covariance=cov[None]
    )
    tau, slope, intercept = fit.scatter[0], fit.slope[0], fit.intercept[0]

    def chi(line: np.ndarray) -> float:
        variance = sd_y**2 + tau**2 + (line[1] * sd_x) ** 2 - 2.0 * line[1] * cov
        return float(np.sum((y - line[0] - line[1] * x) ** 2 / variance))

    best = minimize(chi, (-4.7, 0.3), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12})
    assert (intercept, slope) == pytest.approx(tuple(best.x), abs=1e-6)

    design = np.column_stack([np.ones(k), fit.adjusted[0]])
    known = sd_y**2 + (slope * sd_x) ** 2 - 2.0 * slope * cov
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


def test_uncertainty_of_the_weights_is_averaged_over_what_they_may_be() -> None:
    # Own computation: the mixture of exact fits over ρ by brute force on a fine grid, with the
    # likelihood of each from its determinants; the module uses three Gauss-Legendre nodes.
    rng = np.random.default_rng(11)
    k = 7
    x, stated = np.linspace(-1.0, 1.0, k), np.geomspace(0.01, 0.04, k) ** 2
    design = np.column_stack([np.ones(k), x])
    residuals = np.sqrt(stated + 0.02**2) * rng.normal(size=k)
    total, likelihoods = np.zeros((2, 2)), 0.0
    for share in (np.arange(4000) + 0.5) / 4000:
        variance = np.diag(share * stated / stated.mean() + 1.0 - share)
        inverse = np.linalg.inv(variance)
        phi = np.linalg.inv(design.T @ inverse @ design)
        step = phi @ design.T @ inverse @ residuals
        left = residuals - design @ step
        squares = left @ inverse @ left
        likelihood = np.sqrt(np.linalg.det(phi) / np.linalg.det(variance)) * squares ** (
            -(k - 2) / 2
        )
        total += likelihood * (phi * squares / (k - 2) + np.outer(step, step))
        likelihoods += likelihood
    found = parameter_covariance(1.0 / (stated + 0.02**2), residuals, design, stated, True)
    assert found == pytest.approx(total / likelihoods, rel=5e-3)


def test_equal_uncertainties_leave_the_plain_covariance() -> None:
    rng = np.random.default_rng(12)
    design = np.column_stack([np.ones(6), np.linspace(-1.0, 1.0, 6)])
    residuals = rng.normal(size=6)
    found = parameter_covariance(np.full(6, 0.5), residuals, design, np.full(6, 1.3), True)
    plain = np.linalg.inv(design.T @ design) * float(residuals @ residuals) / 4
    assert found == pytest.approx(plain, rel=1e-12)
