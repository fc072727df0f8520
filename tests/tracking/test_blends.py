"""Lines of the blending model over one ingredient; the blends are invented."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm

from strandwise.tracking import ExchangeLine, MeasuredBlend, exchange_lines, fit_mixture

# ln of the rate in m/s that the model gives to each ingredient by itself.
TRUTH = {"nitrate": -4.0, "sugar": -6.5, "coolant": -14.0}
MIXES = (
    (0.65, 0.35, 0.00), (0.60, 0.40, 0.00), (0.65, 0.31, 0.04), (0.60, 0.36, 0.04),
    (0.70, 0.28, 0.02), (0.68, 0.26, 0.06), (0.58, 0.37, 0.05),
)  # fmt: skip


def blends(scatter: float = 0.0, *, intervals: bool = True) -> list[MeasuredBlend]:
    rng = np.random.default_rng(4)
    found = []
    for number, mix in enumerate(MIXES):
        log_rate = sum(x * b for x, b in zip(mix, TRUTH.values(), strict=True))
        rate = math.exp(log_rate + rng.normal(0.0, scatter))
        found.append(
            MeasuredBlend(
                batch=f"B-{number}",
                formulation=f"mix-{number}",
                fractions={key: x for key, x in zip(TRUTH, mix, strict=True) if x},
                rate=rate,
                ci95=(0.98 * rate, 1.02 * rate) if intervals else None,
            )
        )
    return found


def lines(measured: list[MeasuredBlend]) -> dict[str, ExchangeLine]:
    fit = fit_mixture(
        {one.batch: one.fractions for one in measured},
        {one.batch: math.log(one.rate) for one in measured},
    )
    return {line.more: line for line in exchange_lines(fit, measured).lines}


def test_a_line_has_the_slope_of_the_exchange() -> None:
    found = lines(blends())
    assert set(found) == {"sugar", "coolant"}  # the nitrate, which there is most of, gives way
    for name, line in found.items():
        assert line.less == "nitrate"
        slope = np.diff(np.log(line.rate)) / np.diff(line.fractions)
        assert slope == pytest.approx(TRUTH[name] - TRUTH["nitrate"], rel=1e-6)


def test_blends_that_follow_the_model_lie_on_the_line() -> None:
    for line in lines(blends()).values():
        fractions = [point.fraction for point in line.points]
        assert line.tested == (min(fractions), max(fractions))
        on_line = np.interp(fractions, line.fractions, np.log(line.rate))
        assert [math.log(point.rate) for point in line.points] == pytest.approx(on_line, abs=1e-9)


def test_a_point_keeps_its_distance_from_the_model_and_its_interval() -> None:
    measured = blends(0.03)
    table = np.array(MIXES)
    model = sm.OLS(np.log([one.rate for one in measured]), table).fit()
    for line in lines(measured).values():
        fractions = [point.fraction for point in line.points]
        off = np.log([point.rate for point in line.points])
        off -= np.interp(fractions, line.fractions, np.log(line.rate))
        assert off == pytest.approx(model.resid, abs=1e-9)
        for point in line.points:
            assert point.ci95 == pytest.approx((0.98 * point.rate, 1.02 * point.rate))


def test_the_band_is_that_of_the_mean_by_statsmodels() -> None:
    measured = blends(0.03)
    table = np.array(MIXES)
    model = sm.OLS(np.log([one.rate for one in measured]), table).fit()
    middle = table.mean(axis=0)
    for place, (name, line) in enumerate(lines(measured).items(), start=1):
        assert name == list(TRUTH)[place]
        mixes = np.tile(middle, (len(line.fractions), 1))
        mixes[:, place] = line.fractions
        mixes[:, 0] += middle[place] - np.array(line.fractions)
        assert mixes.sum(axis=1) == pytest.approx(1.0)
        ends = np.exp(model.get_prediction(mixes).conf_int(alpha=0.05))
        assert line.low == pytest.approx(ends[:, 0], rel=1e-9)
        assert line.high == pytest.approx(ends[:, 1], rel=1e-9)


def test_a_line_ends_a_little_past_what_was_tested_and_never_below_nothing() -> None:
    found = lines(blends(0.03))
    assert (found["coolant"].fractions[0], found["coolant"].fractions[-1]) == pytest.approx(
        (0.0, 0.06 + 0.25 * 0.06)
    )
    assert found["sugar"].fractions[0] == pytest.approx(0.26 - 0.25 * 0.14)


def test_a_blend_without_an_interval_gets_none() -> None:
    for line in lines(blends(0.03, intervals=False)).values():
        assert {point.ci95 for point in line.points} == {None}
