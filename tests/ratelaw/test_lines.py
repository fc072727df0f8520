from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import odrpack
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from strandwise.errors import DataError
from strandwise.ratelaw import LineFits, fit_lines
from strandwise.ratelaw.columns import Readings, fit_columns

FloatArray = npt.NDArray[np.float64]

# Pearson (1901) data with the weights of York (1966), as reprinted in York et al.,
# Am. J. Phys. 72 (2004) 367.
PEARSON_X = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
YORK_SD_X = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0]) ** -0.5
YORK_SD_Y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0]) ** -0.5

# x, y, variance of x, variance of y, covariance.
CORRELATED_TEXT = """
23.371 5.992 .106 .323 .170    24.462 8.899 1.692 10.195 3.887  22.414 5.361 .124 .460 .207
27.628 10.271 1.088 1.460 1.255  23.802 7.114 .107 .496 .191    23.092 7.975 .281 1.651 .582
23.263 7.486 .316 1.695 .661   20.843 4.169 .389 .335 .357      24.421 5.645 .381 .716 .507
23.716 9.220 .733 3.656 1.401  22.032 5.358 .094 .268 .106      21.448 3.166 .167 .170 .001
21.631 4.002 .127 .106 .082    19.947 2.073 .015 .015 .001      20.652 3.338 .040 .104 .021
20.588 2.028 .007 .011 .002    20.745 1.978 .010 .010 -.001     21.658 2.526 .009 .058 -.003
19.539 2.043 .044 .070 -.039   21.638 3.361 1.909 3.961 -2.557  19.863 2.452 .014 .019 -.010
18.398 2.199 .042 .051 -.037   20.729 1.725 .013 .026 .003      20.511 1.906 .003 .010 .001
22.140 3.372 .047 .108 .062    20.510 2.130 .004 .020 .002      20.141 1.897 .006 .011 -.005
"""

# NIST Statistical Reference Datasets, "Norris" (linear regression, certified).
NORRIS_X_TEXT = """
0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5
11.6 556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1
448.9 0.5
"""
NORRIS_X = np.array(NORRIS_X_TEXT.split(), dtype=float)
NORRIS_Y_TEXT = """
0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9
10.8 557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4
449.2 0.2
"""
NORRIS_Y = np.array(NORRIS_Y_TEXT.split(), dtype=float)

# Altman & Gardner, Br. Med. J. 296 (1988) 1238, example of a regression with intervals.
ALTMAN_X = np.array([91, 104, 107, 107, 106, 100, 92, 92, 105, 108.0])
ALTMAN_Y = np.array([9.8, 7.4, 7.9, 8.3, 8.3, 9.0, 9.7, 8.8, 7.6, 6.9])


def one_line(
    x: FloatArray,
    y: FloatArray,
    sd_x: FloatArray | float = 0.0,
    sd_y: FloatArray | float = 0.0,
    *,
    scatter: bool = True,
    covariance: FloatArray | None = None,
) -> LineFits:
    return fit_lines(
        x[None],
        y[None],
        np.broadcast_to(sd_x, x.shape)[None],
        np.broadcast_to(sd_y, x.shape)[None],
        np.ones((1, x.size), dtype=bool),
        scatter=scatter,
        covariance=None if covariance is None else covariance[None],
    )


def test_york_line_with_known_errors() -> None:
    # a and b: Williamson, Can. J. Phys. 46 (1968) 1845; York et al. 2004.
    fit = one_line(PEARSON_X, PEARSON_Y, YORK_SD_X, YORK_SD_Y, scatter=False)
    assert fit.intercept.item() == pytest.approx(5.47991022403, rel=1e-10)
    assert fit.slope.item() == pytest.approx(-0.48053340745, rel=1e-10)
    assert fit.mean_square.item() == pytest.approx(1.4832941493, rel=1e-9)


def test_york_standard_errors_are_those_of_2004_times_the_residual_scatter() -> None:
    # Unscaled 0.2949707355 and 0.0579850090 (York et al. 2004); times √(S/(n − 2)) =
    # 1.2179056405: 0.3592465226 and 0.0706202695. First-order propagation (Kalantar, Meas. Sci.
    # Technol. 3 (1992) 1113) gives 0.29193 and 0.057617 instead.
    fit = one_line(PEARSON_X, PEARSON_Y, YORK_SD_X, YORK_SD_Y, scatter=False)
    scaled = np.sqrt([fit.intercept_variance.item(), fit.slope_variance.item()])
    assert scaled == pytest.approx([0.3592465226, 0.0706202695], rel=1e-8)
    unscaled = scaled / math.sqrt(fit.mean_square.item())
    assert unscaled == pytest.approx([0.2949707355, 0.0579850090], rel=1e-8)


def test_first_order_propagation_of_the_readings_through_yorks_line() -> None:
    # Kalantar, Meas. Sci. Technol. 3 (1992) 1113: each reading moved by itself, the line fitted
    # anew, the moves of the line times the readings' errors added in squares.
    step, variance = 1e-5, np.zeros(2)
    for k in range(PEARSON_X.size):
        for along_x, sd in ((True, YORK_SD_X[k]), (False, YORK_SD_Y[k])):
            move = np.zeros(PEARSON_X.size)
            move[k] = step
            ends = [
                one_line(
                    PEARSON_X + sign * move * along_x,
                    PEARSON_Y + sign * move * (not along_x),
                    YORK_SD_X,
                    YORK_SD_Y,
                    scatter=False,
                )
                for sign in (1.0, -1.0)
            ]
            high, low = (np.array([end.intercept.item(), end.slope.item()]) for end in ends)
            variance += ((high - low) / (2.0 * step) * sd) ** 2
    assert np.sqrt(variance) == pytest.approx([0.29193, 0.057617], abs=6e-6)


def test_a_line_with_correlated_errors() -> None:
    # J. W. Amen, thesis (2012), table 3.1, as reprinted with its answers in the tests of a general
    # fitting library: 27 points with the variances of x and y and their covariance.
    x, y, var_x, var_y, cov = np.array(CORRELATED_TEXT.split(), dtype=float).reshape(-1, 5).T
    fit = one_line(x, y, np.sqrt(var_x), np.sqrt(var_y), scatter=False, covariance=cov)
    assert fit.intercept.item() == pytest.approx(-21.9553309045508, rel=1e-9)
    assert fit.slope.item() == pytest.approx(1.1762288806682, rel=1e-9)
    assert math.sqrt(fit.intercept_variance.item()) == pytest.approx(1.2846101711080, rel=1e-9)
    assert math.sqrt(fit.slope_variance.item()) == pytest.approx(0.0578260394408, rel=1e-8)
    assert math.sqrt(fit.mean_square.item()) == pytest.approx(3.4885539308643, rel=1e-9)
    # Left out, the covariances move the line: it is they that are looked at here.
    apart = one_line(x, y, np.sqrt(var_x), np.sqrt(var_y), scatter=False)
    assert abs(apart.slope.item() - fit.slope.item()) > 0.1


def test_columns_with_correlated_errors_are_the_same_line() -> None:
    x, y, var_x, var_y, cov = np.array(CORRELATED_TEXT.split(), dtype=float).reshape(-1, 5).T
    sd_x, sd_y = np.sqrt(var_x), np.sqrt(var_y)
    fit = fit_columns(
        Readings(x, y, sd_x, sd_y, cov, np.empty((x.size, 0))),
        lambda x: np.column_stack([np.ones_like(x), x]),
        lambda x: np.column_stack([np.zeros_like(x), np.ones_like(x)]),
        scatter=False,
    )
    assert fit.coefficients == pytest.approx([-21.9553309045508, 1.1762288806682], rel=1e-7)


def test_a_covariance_beyond_its_errors_is_refused() -> None:
    sd = np.full(PEARSON_X.size, 0.1)
    with pytest.raises(DataError, match="larger than the product of their standard errors"):
        one_line(PEARSON_X, PEARSON_Y, sd, sd, covariance=np.full(PEARSON_X.size, 0.02))


def test_effective_variance_held_fixed_is_not_yorks_line() -> None:
    b = -0.5
    for _ in range(200):
        w = 1.0 / (YORK_SD_Y**2 + b * b * YORK_SD_X**2)
        u = PEARSON_X - np.average(PEARSON_X, weights=w)
        v = PEARSON_Y - np.average(PEARSON_Y, weights=w)
        b = float(np.sum(w * u * v) / np.sum(w * u * u))
    fit = one_line(PEARSON_X, PEARSON_Y, YORK_SD_X, YORK_SD_Y, scatter=False)
    assert abs(b - fit.slope.item()) > 1e-3


def test_errors_in_y_alone() -> None:
    # Weights in y only; values in exact rational arithmetic (own computation).
    fit = one_line(PEARSON_X, PEARSON_Y, 0.0, YORK_SD_Y, scatter=False)
    assert fit.intercept.item() == pytest.approx(6.100109316665757, rel=1e-12)
    assert fit.slope.item() == pytest.approx(-0.6108129565839335, rel=1e-12)


def test_no_errors_in_pressure_is_the_plain_line_of_these_points() -> None:
    # The same points without weights, rate on pressure: own computation by exact sums.
    fit = one_line(PEARSON_X, PEARSON_Y)
    assert fit.intercept.item() == pytest.approx(5.7611851904, rel=1e-10)
    assert fit.slope.item() == pytest.approx(-0.5395772750, rel=1e-9)


def test_equal_errors_in_both_give_pearsons_orthogonal_line() -> None:
    # Pearson, Phil. Mag. 2 (1901) 559 gives 5.7857 and -0.546 by hand; digits: recomputation.
    fit = one_line(PEARSON_X, PEARSON_Y, 0.1, 0.1, scatter=False)
    assert fit.intercept.item() == pytest.approx(5.784043775, rel=1e-8)
    assert fit.slope.item() == pytest.approx(-0.545561198, rel=1e-8)
    assert fit.slope.item() == pytest.approx(-0.546, abs=6e-4)


def test_norris_certified_values() -> None:
    fit = one_line(NORRIS_X, NORRIS_Y)
    assert fit.slope.item() == pytest.approx(1.00211681802045, rel=1e-12)
    assert fit.intercept.item() == pytest.approx(-0.262323073774029, rel=1e-10)
    assert math.sqrt(fit.slope_variance.item()) == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert math.sqrt(fit.intercept_variance.item()) == pytest.approx(0.232818234301152, rel=1e-9)
    assert fit.scatter.item() == pytest.approx(0.884796396144373, rel=1e-9)
    assert fit.df.item() == 34


def test_altman_and_gardner_regression() -> None:
    fit = one_line(ALTMAN_X, ALTMAN_Y)
    assert fit.intercept.item() == pytest.approx(20.1891143911, rel=1e-9)
    assert fit.slope.item() == pytest.approx(-0.1167896679, rel=1e-9)
    assert math.sqrt(fit.intercept_variance.item()) == pytest.approx(2.6713186714, rel=1e-9)
    assert math.sqrt(fit.slope_variance.item()) == pytest.approx(0.0263407280, rel=1e-8)
    assert fit.scatter.item() == pytest.approx(0.5484946693, rel=1e-9)


@given(st.integers(0, 10**6), st.integers(4, 15))
@settings(max_examples=15, deadline=None)
def test_known_errors_agree_with_orthogonal_distance_regression(seed: int, k: int) -> None:
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(-1.0, 1.0, k))
    x += np.linspace(0.0, 1.0, k)
    sd_x, sd_y = rng.uniform(0.005, 0.02, k), rng.uniform(0.01, 0.04, k)
    y = 0.3 + 0.4 * x + sd_y * rng.normal(size=k)
    x = x + sd_x * rng.normal(size=k)
    fit = one_line(x, y, sd_x, sd_y, scatter=False)
    reference = odrpack.odr_fit(
        lambda t, beta: beta[0] + beta[1] * t,
        x,
        y,
        np.array([0.0, 1.0]),
        weight_x=sd_x**-2,
        weight_y=sd_y**-2,
        partol=1e-13,
        sstol=1e-14,
        maxit=500,
    )
    assert fit.intercept.item() == pytest.approx(reference.beta[0], abs=2e-6)
    assert fit.slope.item() == pytest.approx(reference.beta[1], abs=2e-6)
    assert fit.mean_square.item() == pytest.approx(reference.res_var, rel=1e-6)


@given(st.integers(0, 10**6), st.integers(3, 15))
@settings(max_examples=15, deadline=None)
def test_stated_errors_in_y_agree_with_weighted_least_squares(seed: int, k: int) -> None:
    rng = np.random.default_rng(seed)
    x, sd = rng.uniform(0.0, 5.0, k), rng.uniform(0.1, 1.0, k)
    y = 1.0 - 2.0 * x + sd * rng.normal(size=k)
    fit = one_line(x, y, 0.0, sd, scatter=False)
    reference = sm.WLS(y, sm.add_constant(x), weights=sd**-2).fit()
    assert [fit.intercept.item(), fit.slope.item()] == pytest.approx(reference.params, rel=1e-8)
    ours = np.sqrt([fit.intercept_variance.item(), fit.slope_variance.item()])
    assert ours == pytest.approx(reference.bse, rel=1e-8)
    assert fit.covariance.item() == pytest.approx(reference.cov_params()[0, 1], rel=1e-8)


@given(st.integers(0, 10**6), st.integers(3, 40))
@settings(max_examples=25, deadline=None)
def test_without_stated_errors_it_is_ordinary_least_squares(seed: int, k: int) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(0.0, 5.0, k)
    y = 1.0 - 2.0 * x + rng.normal(size=k)
    fit = one_line(x, y)
    reference = sm.OLS(y, sm.add_constant(x)).fit()
    assert [fit.intercept.item(), fit.slope.item()] == pytest.approx(reference.params, rel=1e-9)
    ours = np.sqrt([fit.intercept_variance.item(), fit.slope_variance.item()])
    assert ours == pytest.approx(reference.bse, rel=1e-7)
    assert fit.scatter.item() == pytest.approx(math.sqrt(reference.mse_resid), rel=1e-8)
    assert fit.leverages[0] == pytest.approx(reference.get_influence().hat_matrix_diag, abs=1e-9)


def minus_restricted_likelihood(tau2: float, x: FloatArray, y: FloatArray, sd: FloatArray) -> float:
    """Patterson & Thompson, Biometrika 58 (1971) 545, up to a constant, written with matrices."""
    v = np.diag(sd**2 + tau2)
    design = np.column_stack([np.ones_like(x), x])
    inverse = np.linalg.inv(v)
    information = design.T @ inverse @ design
    left = y - design @ np.linalg.solve(information, design.T @ inverse @ y)
    return float(
        0.5 * (np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + left @ inverse @ left)
    )


@pytest.mark.parametrize("seed", range(12))
def test_scatter_maximises_the_restricted_likelihood(seed: int) -> None:
    rng = np.random.default_rng(seed)
    k = 8
    x, sd = rng.uniform(-1.0, 1.0, k), rng.uniform(0.005, 0.03, k)
    y = 2.0 + 0.4 * x + np.hypot(sd, 0.02) * rng.normal(size=k)
    fit = one_line(x, y, 0.0, sd)
    best = minimize_scalar(
        lambda tau: minus_restricted_likelihood(tau * tau, x, y, sd),
        bounds=(0.0, 0.2),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert fit.converged.item()
    reached = minus_restricted_likelihood(fit.scatter.item() ** 2, x, y, sd)
    assert reached <= best.fun + 1e-9
    assert fit.scatter.item() == pytest.approx(best.x, abs=2e-5)


def test_points_that_all_agree_better_than_stated_leave_no_scatter() -> None:
    x = np.linspace(0.0, 1.0, 6)
    fit = one_line(x, 0.3 * x + 1e-3 * np.array([1, -1, 1, -1, 1, -1]), 0.0, 0.05)
    assert fit.scatter.item() == 0.0
    assert fit.mean_square.item() < 1.0


@pytest.mark.parametrize("sd", [0.0, 0.02])
def test_points_on_a_line_come_back_exactly(sd: float) -> None:
    x = np.log(np.array([1.0, 2.0, 3.5, 7.0]))
    with np.errstate(all="raise", under="ignore"):
        fit = one_line(x, 1.5 + 0.3 * x, sd, sd)
    assert fit.slope.item() == pytest.approx(0.3, abs=1e-12)
    assert fit.intercept.item() == pytest.approx(1.5, abs=1e-12)
    assert math.sqrt(fit.slope_variance.item()) < 1e-12


@pytest.mark.parametrize("sd", [0.0, 0.02])
def test_a_level_line_comes_back_exactly(sd: float) -> None:
    x = np.linspace(-1.0, 1.0, 5)
    with np.errstate(all="raise", under="ignore"):
        fit = one_line(x, np.zeros(5), sd, sd)
    assert fit.slope.item() == pytest.approx(0.0, abs=1e-14)
    assert np.isfinite(fit.slope_variance).all()


def test_padding_and_neighbours_change_nothing() -> None:
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 1, (3, 9)), rng.normal(size=(3, 9))
    sd_x, sd_y = rng.uniform(0.01, 0.02, (2, 3, 9))
    mask = np.ones((3, 9), dtype=bool)
    mask[1, 5:] = False
    x[1, 5:] = np.nan
    together = fit_lines(x, y, sd_x, sd_y, mask)
    for i, k in enumerate((9, 5, 9)):
        alone = one_line(x[i, :k], y[i, :k], sd_x[i, :k], sd_y[i, :k])
        assert together.slope[i] == pytest.approx(alone.slope.item(), rel=1e-9)
        assert together.slope_variance[i] == pytest.approx(alone.slope_variance.item(), rel=1e-6)
        assert together.scatter[i] == pytest.approx(alone.scatter.item(), abs=1e-7)
    assert (together.weights[1, 5:] == 0.0).all()
    assert (together.residuals[1, 5:] == 0.0).all()


def test_lines_that_no_points_decide_are_marked() -> None:
    x = np.array([[1.0, 2.0, 3.0], [2.0, 2.0, 2.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    mask = np.array([[1, 1, 1], [1, 1, 1], [1, 0, 0], [0, 0, 0]], dtype=bool)
    fit = fit_lines(x, x.copy(), np.zeros_like(x), np.zeros_like(x), mask)
    assert fit.identified.tolist() == [True, False, False, False]
    assert np.isnan(fit.slope).tolist() == [False, True, True, True]


def test_two_points_give_a_line_without_variance() -> None:
    fit = one_line(np.array([0.0, 2.0]), np.array([1.0, 2.0]), 0.1, 0.1)
    assert fit.slope.item() == pytest.approx(0.5, abs=1e-12)
    assert fit.df.item() == 0
    assert np.isnan(fit.slope_variance.item())


def test_no_lines_at_all() -> None:
    empty = np.empty((0, 4))
    assert fit_lines(empty, empty, empty, empty, empty.astype(bool)).slope.shape == (0,)
    no_points = np.empty((2, 0))
    assert not fit_lines(*[no_points] * 4, no_points.astype(bool)).identified.any()


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"x": np.zeros((1, 4))}, "one shape"),
        ({"y": np.array([[0.0, np.nan, 1.0]])}, "finite"),
        ({"sd_y": np.array([[0.1, -0.1, 0.1]])}, "0 \\(unknown\\) or more"),
    ],
)
def test_arrays_that_are_no_points_are_refused(change: dict[str, FloatArray], match: str) -> None:
    values = {
        "x": np.array([[0.0, 1.0, 2.0]]),
        "y": np.array([[0.0, 1.0, 1.0]]),
        "sd_x": np.zeros((1, 3)),
        "sd_y": np.zeros((1, 3)),
    } | change
    with pytest.raises(DataError, match=match):
        fit_lines(**values, mask=np.ones((1, 3), dtype=bool))
