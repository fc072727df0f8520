from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import stdtr

from strandwise.errors import DataError
from strandwise.tracking import fit_mixed_model

# Davies, Statistical Methods in Research and Production (1967), yields of dyestuff from six
# batches; Box & Tiao, Bayesian Inference in Statistical Analysis (1973).
DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}

# Snedecor & Cochran, Statistical Methods (1967) p. 422: leprosy bacilli before and after
# treatment with two drugs and an inert control (F).
BACILLI = {
    "F": ((16, 13), (13, 10), (11, 18), (9, 5), (21, 23), (16, 12), (12, 5), (12, 16), (7, 1),
          (12, 20)),
    "A": ((11, 6), (8, 0), (5, 2), (14, 8), (19, 11), (6, 4), (10, 13), (6, 1), (11, 8), (3, 0)),
    "D": ((6, 0), (6, 2), (7, 3), (8, 1), (18, 18), (8, 4), (19, 14), (8, 9), (5, 1), (15, 9)),
}  # fmt: skip


def dyestuff() -> tuple[np.ndarray, list[str]]:
    response = np.concatenate([np.array(values, float) for values in DYESTUFF.values()])
    return response, [name for name, values in DYESTUFF.items() for _ in values]


def simulated(seed: int, *, sizes: tuple[int, ...], batch_sd: float, residual_sd: float):
    """Two formulations, a level and a slope each; batches take turns."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(len(sizes)), sizes)
    second = (group % 2 == 1).astype(float)
    x = rng.uniform(-1.0, 1.0, group.size)
    design = np.column_stack([1 - second, second, x * (1 - second), x * second])
    response = design @ [1.0, 1.2, 0.4, 0.35] + rng.normal(0, batch_sd, len(sizes))[group]
    response += rng.normal(0, residual_sd, group.size)
    return response, design, [f"b{index}" for index in group]


def test_dyestuff() -> None:
    # Published REML of these data (Davies 1967; mean squares 11271.5 and 2451.25, so that
    # (11271.5 − 2451.25)/5 = 1764.05).
    response, groups = dyestuff()
    fit = fit_mixed_model(response, np.ones((30, 1)), groups)
    assert fit.batch_sd**2 == pytest.approx(1764.05, rel=1e-7)
    assert fit.residual_sd**2 == pytest.approx(2451.25, rel=1e-7)
    ratio = fit.batch_sd**2 / fit.residual_sd**2
    assert ratio / (1.0 + ratio) == pytest.approx(0.418487, abs=5e-7)  # of batches in the whole
    assert 1.0 + 5.0 * ratio == pytest.approx(4.598266, abs=5e-7)  # F of the analysis of variance
    assert fit.reml_criterion == pytest.approx(319.65428, abs=5e-6)
    mean = fit.contrast([1.0])
    assert mean.value == pytest.approx(1527.5)
    assert mean.sd == pytest.approx(19.38341, abs=5e-6)
    assert mean.df == pytest.approx(5.0)  # six batches, one mean
    blup = [-17.607, 0.391, 28.562, -23.085, 56.733, -44.995]
    assert fit.batch_effects == pytest.approx(blup, abs=5e-4)
    assert fit.batches == tuple("ABCDEF")


def bacilli_columns(*, own_slopes: bool):
    before, after, drug = np.array(
        [(b, a, "FAD".index(name)) for name, pairs in BACILLI.items() for b, a in pairs], float
    ).T
    indicator = np.stack([drug == index for index in range(3)], axis=1).astype(float)
    slopes = indicator * before[:, None] if own_slopes else before[:, None]
    return after, np.column_stack([indicator, slopes]), [f"person {i}" for i in range(30)]


def test_parallel_lines() -> None:
    # Every person was measured once, so the batch effect drops out and the covariance analysis
    # of the book remains: values as in its data's refit, residual df 26.
    fit = fit_mixed_model(*bacilli_columns(own_slopes=False))
    assert fit.batch_sd is None
    assert fit.residual_sd**2 == pytest.approx(16.046254, abs=5e-7)
    for contrast, value, sd in (
        ([-1, 1, 0, 0], -3.44613828, 1.88678065),
        ([-1, 0, 1, 0], -3.33716695, 1.85386642),
        ([0, 0, 0, 1], 0.98718381, 0.16449757),
        ([1, 0, 0, 0], -0.43467116, None),
    ):
        estimate = fit.contrast(contrast)
        assert estimate.value == pytest.approx(value, abs=5e-9)
        assert estimate.df == pytest.approx(26.0)
        if sd is not None:
            assert estimate.sd == pytest.approx(sd, abs=5e-9)
    assert fit.contrast([0, 0, 0, 1]).t == pytest.approx(6.0012, abs=5e-5)
    # Means adjusted to the covariate's own, and the F of both drugs together: 2.136128 on 2 and 26.
    middle = float(np.mean(bacilli_columns(own_slopes=False)[1][:, 3]))
    means = [fit.contrast([*(np.arange(3) == at), middle]).value for at in (1, 2, 0)]
    assert means == pytest.approx([6.7149635, 6.8239348, 10.1611017], abs=5e-8)
    both = np.array([[-1.0, 1, 0, 0], [-1, 0, 1, 0]])
    off = both @ fit.beta
    ratio = off @ np.linalg.solve(both @ fit.covariance @ both.T, off) / 2
    assert ratio == pytest.approx(2.136128, abs=5e-7)


def test_separate_slopes() -> None:
    # The same data with a slope each (Snedecor & Cochran 1967; SSE 397.557952 on 24 df). The
    # slopes are listed there for A, D, F.
    fit = fit_mixed_model(*bacilli_columns(own_slopes=True))
    assert fit.beta[[4, 5, 3]] == pytest.approx([0.745223, 1.068548, 1.194464], abs=5e-7)
    assert fit.residual_sd**2 * 24 == pytest.approx(397.557952, abs=5e-7)
    assert fit.df == 24


@pytest.mark.parametrize("seed", range(6))
def test_agrees_with_an_independent_mixed_model(seed: int) -> None:
    # statsmodels MixedLM on unbalanced designs, away from zero batch variance where it fails
    # silently (its issue 10239).
    mixed_linear_model = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    rng = np.random.default_rng(100 + seed)
    sizes = tuple(rng.integers(2, 7, 10))
    response, design, groups = simulated(seed, sizes=sizes, batch_sd=0.06, residual_sd=0.03)
    ours = fit_mixed_model(response, design, groups)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = mixed_linear_model.MixedLM(response, design, np.array(groups))
        theirs = model.fit(reml=True, method=["powell", "bfgs"], gtol=1e-10)
    assert ours.beta == pytest.approx(theirs.fe_params, abs=1e-6)
    assert ours.residual_sd**2 == pytest.approx(theirs.scale, rel=1e-4)
    assert ours.batch_sd**2 == pytest.approx(float(theirs.cov_re[0, 0]), rel=1e-3)
    predicted = [float(theirs.random_effects[name].iloc[0]) for name in ours.batches]
    assert ours.batch_effects == pytest.approx(predicted, abs=1e-5)


@pytest.mark.parametrize("seed", range(5))
def test_balanced_batches_reproduce_the_t_test_of_batch_means(seed: int) -> None:
    # With equal batches the exact analysis is Student's t of the batch means on batches −
    # formulations df (any text on nested designs; common practice).
    response, design, groups = simulated(seed, sizes=(4,) * 7, batch_sd=0.8, residual_sd=0.02)
    means = response.reshape(7, 4).mean(axis=1)
    first, second = means[0::2], means[1::2]
    squares = sum(np.sum((part - part.mean()) ** 2) for part in (first, second))
    classical = (second.mean() - first.mean()) / np.sqrt(squares / 5 * (1 / 4 + 1 / 3))
    ours = fit_mixed_model(response, design[:, :2], groups).contrast([-1, 1])
    assert ours.df == pytest.approx(5.0, abs=1e-6)
    assert ours.t == pytest.approx(classical, rel=1e-6)
    assert ours.p == pytest.approx(2 * stdtr(5, -abs(classical)), rel=1e-5)


@pytest.mark.parametrize("known_sd", [0.0, 0.02])
def test_kenward_roger_from_its_definition(known_sd: float) -> None:
    # Kenward & Roger, Biometrics 53 (1997) 983, written out with dense matrices: Φ_A =
    # Φ + 2Φ[Σ W_ij(Q_ij − P_iΦP_j)]Φ and, for one contrast, df = 2v²/gᵀWg with g by differences.
    response, design, groups = simulated(3, sizes=(2, 5, 3, 6, 4), batch_sd=0.05, residual_sd=0.03)
    known = known_sd**2 * np.linspace(0.2, 1.0, response.size)
    fit = fit_mixed_model(response, design, groups, known)
    member = np.array([[name == batch for batch in fit.batches] for name in groups], float)
    parts = [member @ member.T, np.eye(response.size)]
    variances = np.array([fit.batch_sd**2, fit.residual_sd**2])

    def phi(at: np.ndarray) -> np.ndarray:
        v = at[0] * parts[0] + at[1] * parts[1] + np.diag(known)
        return np.linalg.inv(design.T @ np.linalg.solve(v, design))

    v_inverse = np.linalg.inv(variances[0] * parts[0] + variances[1] * parts[1] + np.diag(known))
    base = phi(variances)
    projection = v_inverse - v_inverse @ design @ base @ design.T @ v_inverse
    score = [
        response @ projection @ part @ projection @ response - np.trace(projection @ part)
        for part in parts
    ]
    traces = [[np.trace(projection @ a @ projection @ b) for a in parts] for b in parts]
    w = np.linalg.inv(0.5 * np.array(traces))
    # REML estimates: the score is nothing beside its own standard deviation.
    assert np.max(np.abs(score) * np.sqrt(np.diag(w))) < 1e-6
    p = [-design.T @ v_inverse @ part @ v_inverse @ design for part in parts]
    inner = sum(
        w[i, j]
        * (
            design.T @ v_inverse @ parts[i] @ v_inverse @ parts[j] @ v_inverse @ design
            - p[i] @ base @ p[j]
        )
        for i in range(2)
        for j in range(2)
    )
    assert fit.covariance_unadjusted == pytest.approx(base, rel=1e-6)
    assert fit.covariance == pytest.approx(base + 2 * base @ inner @ base, rel=1e-6, abs=1e-12)
    c = np.array([-1.0, 1.0, 0.0, 0.0])
    step = 1e-4 * variances
    gradient = [
        c @ (phi(variances + step * unit) - phi(variances - step * unit)) @ c / (2 * step @ unit)
        for unit in np.eye(2)
    ]
    expected_df = 2 * (c @ base @ c) ** 2 / (gradient @ w @ gradient)
    assert fit.contrast(c).df == pytest.approx(expected_df, rel=1e-5)


def test_batch_variance_at_zero() -> None:
    # Batch means closer than their tests' scatter allows: REML is 0 there, and what is left is
    # the pooled analysis.
    response = np.array([1.0, 3.0, 1.1, 2.9, 0.9, 3.1, 1.0, 3.0])
    groups = [name for name in "abcd" for _ in range(2)]
    fit = fit_mixed_model(response, np.ones((8, 1)), groups)
    assert fit.batch_sd == 0.0
    assert fit.residual_sd == pytest.approx(np.std(response, ddof=1))
    assert fit.batch_effects == pytest.approx(np.zeros(4))
    assert 1.0 <= fit.contrast([1.0]).df <= 7.0


def test_exact_data_have_no_scatter_and_no_nan() -> None:
    response, design, groups = simulated(1, sizes=(4, 5, 3), batch_sd=0.0, residual_sd=0.0)
    fit = fit_mixed_model(response, design, groups)
    assert fit.exact
    assert (fit.batch_sd, fit.residual_sd, fit.within_sd) == (0.0, 0.0, 0.0)
    estimate = fit.contrast([-1, 1, 0, 0])
    assert estimate.value == pytest.approx(0.2, abs=1e-12)
    assert (estimate.sd, estimate.t, estimate.p) == (0.0, None, 0.0)
    assert estimate.ci95 == (estimate.value, estimate.value)
    assert fit.contrast(np.zeros(4)).p == 1.0
    assert np.all(np.isfinite(fit.covariance))


def test_exact_tests_of_different_batches() -> None:
    # No scatter within batches: only the batches' own differences are left, and they are
    # analysed as batch means are.
    response, design, groups = simulated(8, sizes=(4,) * 6, batch_sd=0.05, residual_sd=0.0)
    fit = fit_mixed_model(response, design, groups)
    assert fit.residual_sd == 0.0
    # The levels at x = 0, free of the exact slopes.
    levels = (response - design[:, 2:] @ [0.4, 0.35]).reshape(6, 4).mean(axis=1)
    squares = sum(np.var(levels[start::2]) * 3 for start in (0, 1))
    assert fit.batch_sd == pytest.approx(np.sqrt(squares / 4), rel=1e-4)
    assert fit.contrast([-1, 1, 0, 0]).df == pytest.approx(4.0, rel=1e-3)
    assert fit.contrast([0, 0, 1, 0]).value == pytest.approx(0.4, abs=1e-9)


def test_one_batch_per_formulation_leaves_no_batch_variance() -> None:
    response, design, groups = simulated(2, sizes=(5, 5), batch_sd=0.05, residual_sd=0.02)
    fit = fit_mixed_model(response, design, groups)
    assert fit.batch_sd is None
    assert (fit.between_df, fit.within_df) == (0, 6)
    lines = [np.polyfit(design[s, 2 + i], response[s], 1) for i, s in enumerate(_halves(10))]
    assert fit.beta == pytest.approx([lines[0][1], lines[1][1], lines[0][0], lines[1][0]])


def _halves(count: int) -> tuple[slice, slice]:
    return slice(0, count // 2), slice(count // 2, count)


def test_as_many_rows_as_columns_give_values_alone() -> None:
    fit = fit_mixed_model([1.0, 3.0], [[1.0, 0.0], [1.0, 1.0]], ["a", "b"])
    assert fit.residual_sd is None
    estimate = fit.contrast([0.0, 1.0])
    assert estimate.value == pytest.approx(2.0)
    assert (estimate.sd, estimate.p, estimate.ci95) == (None, None, None)
    assert estimate.probability_below_zero is None


def test_stated_uncertainty_that_is_all_there_is() -> None:
    # Known variances of the right size leave nothing to σ_w on average; with weights that
    # differ the estimate is the weighted mean.
    known = np.array([0.01, 0.04, 0.01, 0.04]) ** 2
    fit = fit_mixed_model([1.0, 1.03, 1.005, 0.98], np.ones((4, 1)), list("aaaa"), known)
    assert fit.residual_sd == 0.0
    weights = 1 / known
    assert fit.beta[0] == pytest.approx(np.sum(weights * [1.0, 1.03, 1.005, 0.98]) / sum(weights))
    assert fit.covariance_unadjusted == pytest.approx(np.array([[1 / np.sum(weights)]]))
    # That σ_w may not be nothing costs a little.
    assert fit.covariance[0, 0] > fit.covariance_unadjusted[0, 0]


def test_overstated_uncertainty_keeps_the_interval_wide_and_is_told() -> None:
    response, design, groups = simulated(4, sizes=(6,) * 6, batch_sd=0.03, residual_sd=0.01)
    alone = fit_mixed_model(response, design, groups)
    stated = fit_mixed_model(response, design, groups, np.full(response.size, 0.03**2))
    assert stated.residual_sd == 0.0
    assert stated.overstatement_p < 1e-4
    assert stated.within_sd == pytest.approx(alone.within_sd)
    assert stated.contrast([0, 0, 1, -1]).sd > 2.5 * alone.contrast([0, 0, 1, -1]).sd


def test_known_variance_adds_to_what_the_scatter_shows() -> None:
    response, design, groups = simulated(5, sizes=(6,) * 6, batch_sd=0.03, residual_sd=0.02)
    alone = fit_mixed_model(response, design, groups)
    stated = fit_mixed_model(response, design, groups, np.full(response.size, 0.01**2))
    assert stated.residual_sd**2 + 0.01**2 == pytest.approx(alone.residual_sd**2, rel=1e-6)
    assert stated.covariance == pytest.approx(alone.covariance, rel=1e-5)


@given(
    scale=st.floats(1e-3, 1e3),
    offset=st.floats(-50, 50),
    seed=st.integers(0, 50),
)
@settings(max_examples=20, deadline=None)
def test_unit_and_zero_of_the_response_do_not_matter(
    scale: float, offset: float, seed: int
) -> None:
    response, design, groups = simulated(seed, sizes=(3, 4, 5, 4), batch_sd=0.2, residual_sd=0.1)
    levels = design[:, :1] + design[:, 1:2]
    design = np.column_stack([levels, design[:, 1:]])
    plain = fit_mixed_model(response, design, groups).contrast([0, 1, 0, 0])
    changed = fit_mixed_model(scale * (response + offset), design, groups).contrast([0, 1, 0, 0])
    assert changed.value == pytest.approx(scale * plain.value, rel=1e-5, abs=1e-7 * scale)
    assert changed.sd == pytest.approx(scale * plain.sd, rel=1e-4)
    assert changed.df == pytest.approx(plain.df, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"design": np.column_stack([np.ones(6), np.arange(6), np.full(6, 2.0)]),
          "columns": ["level", "slope", "offset"]}, "column 'offset' is a combination"),
        ({"design": np.zeros((6, 1))}, "column number 0"),
        ({"response": [1, 2, np.nan, 4, 5, 6]}, "response holds a value that is not finite"),
        ({"groups": ["a"] * 5}, "5 batch names for 6 rows"),
        ({"known_variance": [-1.0] * 6}, "known variance is -1.0"),
        ({"known_variance": [1.0] * 5}, "do not agree"),
        ({"response": np.arange(5.0)}, "do not agree"),
        ({"design": np.vander(np.arange(6.0), 7)}, "6 rows cannot give 7 coefficients"),
    ],
)  # fmt: skip
def test_refuses(change: dict[str, object], message: str) -> None:
    arguments: dict[str, object] = {
        "response": np.array([1.0, 2.0, 4.0, 3.0, 5.0, 6.0]),
        "design": np.ones((6, 1)),
        "groups": list("aabbcc"),
    }
    with pytest.raises(DataError, match=message):
        fit_mixed_model(**(arguments | change))


def test_contrast_of_another_size_is_refused() -> None:
    fit = fit_mixed_model([1.0, 2.0, 4.0], np.ones((3, 1)), list("abc"))
    with pytest.raises(DataError, match=r"shape \(2,\) for 1 coefficients"):
        fit.contrast([1.0, 2.0])
