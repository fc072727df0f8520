"""Batches that differ in exponent: against an independent mixed model, dense algebra, t tests."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.tracking import RateObservations, analyse, compare_formulations, fit_mixed_model
from strandwise.tracking.random_effects import design_degrees

AT = 3e6


def simulated(
    seed: int, *, sizes: tuple[int, ...], batch_sd: float, slope_sd: float, test_sd: float
) -> tuple[np.ndarray, np.ndarray, list[str], np.ndarray]:
    """Two formulations, a level and a slope each; batches take turns."""
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(len(sizes)), sizes)
    second = (group % 2 == 1).astype(float)
    x = rng.uniform(-1.0, 1.0, group.size)
    design = np.column_stack([1 - second, second, x * (1 - second), x * second])
    response = design @ [1.0, 1.2, 0.4, 0.35] + rng.normal(0, batch_sd, len(sizes))[group]
    response += x * rng.normal(0, slope_sd, len(sizes))[group]
    response += rng.normal(0, test_sd, group.size)
    return response, design, [f"b{index}" for index in group], x


def campaign(
    counts: dict[str, int],
    *,
    batch_sd: float,
    n_sd: float,
    test_sd: float,
    seed: int,
    pressures: np.ndarray | None = None,
) -> RateObservations:
    """Invented: 8 mm/s and n = 0.4 at 3 MPa, no shift; six tests a batch from 1.5 to 6 MPa."""
    rng = np.random.default_rng(seed)
    at = np.geomspace(1.5e6, 6e6, 6) if pressures is None else pressures
    rows = []
    for name, count in counts.items():
        for batch in range(count):
            level, n = rng.normal(0, batch_sd), 0.4 + rng.normal(0, n_sd)
            log_rate = np.log(8e-3) + level + n * np.log(at / AT) + rng.normal(0, test_sd, at.size)
            rows += [
                (f"{name}-{batch}", name, p, np.exp(y)) for p, y in zip(at, log_rate, strict=True)
            ]
    batches, names, pressure, rate = zip(*rows, strict=True)
    return RateObservations(
        test=[f"T{index}" for index in range(len(rows))],
        batch=batches,
        formulation=names,
        is_firing=[False] * len(rows),
        pressure=pressure,
        rate=rate,
    )


@pytest.mark.parametrize("seed", range(4))
def test_agrees_with_an_independent_mixed_model(seed: int) -> None:
    # statsmodels MixedLM with an independent level and slope of each batch on the same data,
    # away from variances of zero.
    pandas = pytest.importorskip("pandas")
    mixed_linear_model = pytest.importorskip("statsmodels.regression.mixed_linear_model")
    sizes = tuple(np.random.default_rng(100 + seed).integers(4, 8, 12))
    response, design, groups, x = simulated(
        seed, sizes=sizes, batch_sd=0.08, slope_sd=0.12, test_sd=0.03
    )
    ours = fit_mixed_model(response, design, groups, slopes=x)
    columns = {"y": response, "x": x, "group": np.array(groups)}
    columns |= {f"c{number}": column for number, column in enumerate(design.T)}
    table = pandas.DataFrame(columns)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = mixed_linear_model.MixedLM.from_formula(
            "y ~ 0 + c0 + c1 + c2 + c3",
            table,
            groups=table["group"],
            re_formula="1",
            vc_formula={"slope": "0 + x"},
        ).fit(reml=True, method=["powell", "bfgs"], gtol=1e-10)
    assert ours.beta == pytest.approx(np.asarray(theirs.fe_params), abs=1e-5)
    assert ours.residual_sd**2 == pytest.approx(theirs.scale, rel=1e-3)
    assert ours.batch_sd**2 == pytest.approx(float(np.asarray(theirs.cov_re)[0, 0]), rel=2e-3)
    assert ours.slope_sd**2 == pytest.approx(float(theirs.vcomp[0]), rel=2e-3)
    predicted = np.array([np.asarray(theirs.random_effects[name]) for name in ours.batches])
    assert ours.batch_effects == pytest.approx(predicted[:, 0], abs=1e-4)
    assert ours.batch_slopes == pytest.approx(predicted[:, 1], abs=1e-4)


@pytest.mark.parametrize("known_sd", [0.0, 0.02])
def test_likelihood_and_kenward_roger_from_their_definitions(known_sd: float) -> None:
    # Kenward & Roger, Biometrics 53 (1997) 983, and the restricted likelihood of Patterson &
    # Thompson, Biometrika 58 (1971) 545, written out with dense matrices.
    response, design, groups, x = simulated(
        3, sizes=(3, 5, 3, 6, 4, 1), batch_sd=0.05, slope_sd=0.08, test_sd=0.03
    )
    count = response.size
    known = known_sd**2 * np.linspace(0.2, 1.0, count)
    fit = fit_mixed_model(response, design, groups, known, slopes=x)
    member = np.array([[name == batch for batch in fit.batches] for name in groups], float)
    turned = member * x[:, None]
    parts = [member @ member.T, turned @ turned.T, np.eye(count)]
    assert fit.slope_sd is not None
    variances = np.array([fit.batch_sd**2, fit.slope_sd**2, fit.residual_sd**2])

    def whole(at: np.ndarray) -> np.ndarray:
        return np.tensordot(at, parts, axes=1) + np.diag(known)

    def phi(at: np.ndarray) -> np.ndarray:
        return np.linalg.inv(design.T @ np.linalg.solve(whole(at), design))

    inverse, base = np.linalg.inv(whole(variances)), phi(variances)
    projection = inverse - inverse @ design @ base @ design.T @ inverse
    criterion = np.linalg.slogdet(whole(variances))[1] - np.linalg.slogdet(base)[1]
    criterion += response @ projection @ response + (count - 4) * np.log(2 * np.pi)
    assert fit.reml_criterion == pytest.approx(criterion, rel=1e-9)
    traces = [[np.trace(projection @ a @ projection @ b) for a in parts] for b in parts]
    w = np.linalg.inv(0.5 * np.array(traces))
    score = [
        response @ projection @ part @ projection @ response - np.trace(projection @ part)
        for part in parts
    ]
    assert np.max(np.abs(score) * np.sqrt(np.diag(w))) < 1e-5
    p = [-design.T @ inverse @ part @ inverse @ design for part in parts]
    inner = sum(
        w[i, j]
        * (
            design.T @ inverse @ parts[i] @ inverse @ parts[j] @ inverse @ design
            - p[i] @ base @ p[j]
        )
        for i in range(3)
        for j in range(3)
    )
    assert fit.covariance == pytest.approx(base + 2 * base @ inner @ base, rel=1e-5, abs=1e-10)
    c = np.array([0.0, 0.0, -1.0, 1.0])
    step = 1e-4 * variances
    gradient = [
        c @ (phi(variances + step * unit) - phi(variances - step * unit)) @ c / (2 * step @ unit)
        for unit in np.eye(3)
    ]
    expected_df = min(2 * (c @ base @ c) ** 2 / (gradient @ w @ gradient), fit.df)
    assert fit.contrast(c).df == pytest.approx(expected_df, rel=1e-4)


@pytest.mark.parametrize("seed", range(4))
def test_balanced_batches_reproduce_the_t_test_of_their_slopes(seed: int) -> None:
    # With the same pressures in every batch the exact analysis is Student's t of the batches'
    # own slopes on batches − formulations df (two-stage analysis; common practice, no source).
    at = np.geomspace(1.5e6, 6e6, 6)
    observed = campaign(
        {"base": 3, "b": 4}, batch_sd=0.05, n_sd=0.15, test_sd=0.01, seed=seed, pressures=at
    )
    slopes = np.array(
        [np.polyfit(np.log(at), y, 1)[0] for y in np.log(observed.rate).reshape(7, 6)]
    )
    first, second = slopes[:3], slopes[3:]
    squares = sum(np.sum((part - part.mean()) ** 2) for part in (first, second))
    sd = np.sqrt(squares / 5 * (1 / 3 + 1 / 4))
    analysis = analyse(observed, baseline="base", pressure=AT)
    contrast = analysis.exponent_shift_contrast("b")
    assert contrast is not None
    found = analysis.fit.contrast(contrast)
    assert found.value == pytest.approx(second.mean() - first.mean(), abs=1e-9)
    assert found.df == pytest.approx(5.0, rel=1e-3)
    assert found.sd == pytest.approx(sd, rel=1e-4)


def test_intervals_of_exponents_cover_where_batches_differ_in_exponent() -> None:
    # Own computation: batches' exponents differ by 0.03 (standard deviation), which a model of
    # levels alone covers in 82 %. 100 campaigns; two standard errors are left to the simulation.
    hits, alarms = [], []
    for seed in range(100):
        observed = campaign(
            {"base": 3, "b": 3, "c": 3}, batch_sd=0.04, n_sd=0.03, test_sd=0.028, seed=seed
        )
        rows = compare_formulations(observed, baseline="base", pressure=AT).formulations[1:]
        hits.append(np.mean([one.n_shift_ci95[0] <= 0 <= one.n_shift_ci95[1] for one in rows]))
        alarms.append(min(one.n_shift_p for one in rows) < 0.05)
    assert np.mean(hits) >= 0.94 - 2 * np.std(hits) / np.sqrt(100)
    assert np.mean(alarms) <= 0.06 + 2 * np.sqrt(0.06 * 0.94 / 100)


def test_the_pressure_at_which_batches_agree_best_is_found() -> None:
    # Batches of one rate at 1 MPa that turn about it, tested from 1.5 to 6 MPa: in the middle of
    # the tests their levels and exponents are not independent.
    rng = np.random.default_rng(3)
    observed = campaign({"base": 12, "b": 12}, batch_sd=0.01, n_sd=0.0, test_sd=0.005, seed=11)
    turn = {batch: rng.normal(0, 0.1) for batch in dict.fromkeys(observed.batch)}
    tilt = [
        (pressure / 1e6) ** turn[batch]
        for pressure, batch in zip(observed.pressure, observed.batch, strict=True)
    ]
    rates = [rate * factor for rate, factor in zip(observed.rate, tilt, strict=True)]
    analysis = analyse(replace(observed, rate=rates), baseline="base", pressure=6e6)
    # Tried in steps of half the range, here a factor 2: 1.5 and 0.75 MPa are next to 1 MPa.
    assert 0.7e6 < np.exp(analysis.layout.centre) < 1.6e6
    assert analysis.fit.batch_sd < 0.07
    contrast = analysis.shift_contrast("b")
    assert contrast is not None
    in_the_middle = analysis.alternatives[0].contrast(contrast)
    assert analysis.fit.contrast(contrast).sd > 1.05 * in_the_middle.sd
    assert analysis.fit.reml_criterion < analysis.alternatives[0].reml_criterion - 10.0


def test_one_batch_with_a_range_each_gives_no_p_of_the_exponent() -> None:
    # The baseline's other batches stand at one pressure: they tell how levels differ, and
    # nothing of exponents.
    wide = campaign({"base": 1, "b": 1}, batch_sd=0.02, n_sd=0.02, test_sd=0.01, seed=1)
    flat = campaign(
        {"base": 3}, batch_sd=0.02, n_sd=0.0, test_sd=0.01, seed=2, pressures=np.full(3, AT)
    )
    observed = RateObservations(
        **{
            name: [*getattr(wide, name), *getattr(flat, name)]
            for name in ("formulation", "is_firing", "pressure", "rate")
        },
        test=[f"T{i}" for i in range(len(wide) + len(flat))],
        batch=[*wide.batch, *(f"flat-{name}" for name in flat.batch)],
    )
    found = compare_formulations(observed, baseline="base", pressure=AT)
    row = found.formulations[1]
    assert row.shift_p is not None
    assert (row.n_shift_p, found.between_batch_n_sd) == (None, None)
    assert row.n_shift is not None
    assert "exponents-not-separable" in {caution.code for caution in found.cautions}


def test_degrees_of_freedom_are_ranks() -> None:
    # Own computation: ranks of the columns put together densely.
    rng = np.random.default_rng(5)
    for _ in range(20):
        sizes = rng.integers(1, 5, 5)
        group = np.repeat(np.arange(5), sizes)
        x = rng.choice([-1.0, 0.0, 1.0], group.size)
        design = np.column_stack([np.ones(group.size), x, group % 2 * 1.0])
        rank = np.linalg.matrix_rank
        if rank(design) < 3:
            continue
        levels = (group[:, None] == np.arange(5)).astype(float)
        both = np.column_stack([design, levels])
        between = rank(both) - 3
        slopes = rank(np.column_stack([both, levels * x[:, None]])) - rank(both)
        within = group.size - rank(both)
        expected = (between, slopes, within - slopes) if slopes < within else (between, 0, within)
        assert design_degrees(design, [str(g) for g in group], x) == expected


def test_slopes_of_another_length_are_refused() -> None:
    with pytest.raises(DataError, match="slopes of shape"):
        fit_mixed_model(np.arange(4.0), np.ones((4, 1)), list("aabb"), slopes=np.ones(3))
