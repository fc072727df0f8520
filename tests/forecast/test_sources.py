"""What a forecast takes from a comparison: against the comparison's own estimates."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import stats

from strandwise.forecast import draw_law, law_from_analysis, law_from_fit
from strandwise.ratelaw import RateSeries, fit_batches
from strandwise.tracking import Analysis, RateObservations, analyse

AT = 3.5e6


def observations(
    seed: int = 1,
    *,
    batches: int = 6,
    strands: int = 5,
    firings: bool = True,
    batch_sd: float = 0.03,
    slope_sd: float = 0.0,
) -> RateObservations:
    rng = np.random.default_rng(seed)
    test, batch, firing, pressure, rate = [], [], [], [], []
    for number in range(batches):
        b = batch_sd * rng.standard_normal()
        n = 0.42 + (slope_sd * rng.standard_normal() if slope_sd else 0.0)
        for strand in range(strands + firings):
            at = AT * math.exp(0.8 * math.sin(1.7 * strand + 0.2))
            is_firing = strand == strands
            test.append(f"T{number}-{strand}")
            batch.append(f"B{number}")
            firing.append(is_firing)
            pressure.append(at)
            offset = math.log(1.07) if is_firing else 0.0
            noise = 0.012 * rng.standard_normal()
            rate.append(8e-3 * (at / AT) ** n * math.exp(b + offset + noise))
    return RateObservations(
        test=test, batch=batch, formulation=["base"] * len(test), is_firing=firing,
        pressure=pressure, rate=rate,
    )  # fmt: skip


def analysed(**changes: object) -> Analysis:
    return analyse(observations(**changes), baseline="base", pressure=AT)  # type: ignore[arg-type]


def test_level_is_that_of_a_motor_with_its_covariance() -> None:
    analysis = analysed()
    found = law_from_analysis(analysis, "base")
    offset = analysis.method_offset
    assert offset is not None
    level = analysis.fit.contrast(analysis.layout.level("base")).value
    assert found.ln_r0 == pytest.approx(level + offset.value)
    assert found.as_motor
    assert found.batch_spread is not None
    assert found.batch_spread.sd == analysis.fit.batch_sd
    assert (found.batches, found.strands, found.firings) == (6, 30, 6)
    law = draw_law(found, 20_000, np.random.default_rng(1))
    both = analysis.layout.level("base") + analysis.layout.firing_offset()
    estimate = analysis.fit.contrast(both)
    assert estimate.sd is not None
    assert np.median(law.ln_r0) == pytest.approx(estimate.value, abs=2e-3)
    bare = dataclasses.replace(found, slope_spread=None)
    n = draw_law(bare, 40_000, np.random.default_rng(1)).n
    # Quartiles of Student's t lie ±0.6745 sd apart at many degrees of freedom, further at few.
    quartile = float(stats.t.ppf(0.75, found.df[1])) * math.sqrt(found.covariance[1, 1])
    assert np.subtract(*np.quantile(n, [0.75, 0.25])) == pytest.approx(2.0 * quartile, rel=0.03)


def test_exponents_that_differ_from_batch_to_batch_are_drawn_about_the_middle_of_the_tests() -> (
    None
):
    analysis = analysed(batches=12, slope_sd=0.06)
    found = law_from_analysis(analysis, "base")
    assert found.slope_spread is not None
    assert found.slope_spread.sd == analysis.fit.slope_sd
    assert found.slope_spread.sd == pytest.approx(0.06, rel=0.5)
    alike = dataclasses.replace(found, slope_spread=None)
    centre = math.log(AT) + found.spread_at
    for at, wider in ((centre, 1.0), (centre + 1.2, 1.3)):
        sds = [
            float(np.std(draw_law(one, 20_000, np.random.default_rng(2)).log_rate(np.array(at))))
            for one in (alike, found)
        ]
        assert sds[1] / sds[0] >= wider * 0.97
        if wider == 1.0:
            assert sds[1] / sds[0] == pytest.approx(1.0, abs=0.03)


def test_a_batch_that_was_tested_is_known_better_and_lies_nearer_its_own_tests() -> None:
    analysis = analysed(batch_sd=0.06)
    new = law_from_analysis(analysis, "base")
    fit = analysis.fit
    for batch, level, slope in zip(fit.batches, fit.batch_effects, fit.batch_slopes, strict=True):
        own = law_from_analysis(analysis, "base", batch=batch)
        moved = float(level) - float(slope) * own.spread_at
        assert own.ln_r0 - new.ln_r0 == pytest.approx(moved, abs=1e-6)
        assert own.n - new.n == pytest.approx(float(slope), abs=1e-6)
        assert own.batch_spread is None
        spread = [
            np.subtract(
                *np.quantile(draw_law(one, 4000, np.random.default_rng(1)).ln_r0, [0.8, 0.2])
            )
            for one in (own, new)
        ]
        assert spread[0] < 0.6 * spread[1]


def test_strands_alone_are_no_motor() -> None:
    found = law_from_analysis(analysed(firings=False), "base")
    assert not found.as_motor
    assert found.firings == 0


def test_one_batch_gives_no_spread_between_batches() -> None:
    with pytest.raises(ValueError, match="leave no scatter"):
        law_from_analysis(analysed(batches=1, strands=2, firings=False), "base")
    found = law_from_analysis(analysed(batches=1, firings=False), "base")
    assert found.batch_spread is None
    assert found.batches == 1


def test_one_more_test_brings_its_scatter() -> None:
    analysis = analysed()
    assert law_from_analysis(analysis, "base").test_sd == 0.0
    assert law_from_analysis(analysis, "base", one_more_test=True).test_sd == pytest.approx(
        analysis.fit.residual_sd
    )


@pytest.mark.parametrize(
    ("formulation", "batch", "match"),
    [("other", None, "no test of other"), ("base", "B9", "no test of batch B9")],
)
def test_what_was_not_tested_is_refused(formulation: str, batch: str | None, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        law_from_analysis(analysed(), formulation, batch=batch)


def test_one_pressure_alone_gives_no_exponent() -> None:
    rows = observations()
    flat = RateObservations(
        test=rows.test, batch=rows.batch, formulation=rows.formulation, is_firing=rows.is_firing,
        pressure=[AT] * len(rows), rate=rows.rate,
    )  # fmt: skip
    analysis = analyse(flat, baseline="base", pressure=AT)
    with pytest.raises(ValueError, match="how the rate of base changes with pressure"):
        law_from_analysis(analysis, "base")


def test_a_pooled_law_gets_what_batches_and_motors_differ_by() -> None:
    analysis, rows = analysed(), observations()
    strands = [k for k, firing in enumerate(rows.is_firing) if not firing]
    pressure, rate = np.array(rows.pressure)[strands], np.array(rows.rate)[strands]
    series = RateSeries(
        label="base", formulation="base", tests=tuple(rows.test[k] for k in strands),
        pressure=pressure, rate=rate, pressure_sd=np.zeros(len(strands)),
        rate_sd=np.zeros(len(strands)), kinds=("strand",) * len(strands),
        temperature=np.full(len(strands), np.nan),
    )  # fmt: skip
    (fit,) = fit_batches([series], reference_pressure=AT)
    found = law_from_fit(fit, analysis, of_strands=True)
    assert fit.covariance is not None
    assert analysis.fit.batch_sd is not None
    assert found.covariance[0, 0] == pytest.approx(
        fit.covariance[0][0] + analysis.fit.batch_sd**2 / 6.0
    )
    assert found.offset is not None
    assert analysis.method_offset is not None
    assert found.offset.value == analysis.method_offset.value
    assert found.as_motor
    # Both ways draw about the same law: they differ in how they weigh batches.
    other = law_from_analysis(analysis, "base")
    assert found.nominal.ln_r0[0] == pytest.approx(other.nominal.ln_r0[0], abs=0.01)
    bare = law_from_fit(fit, analysis, of_strands=False)
    assert bare.offset is None
