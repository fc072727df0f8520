"""Maximum expected operating pressure: everything off at once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.special import chdtri

from strandwise.forecast import (
    BatchSpread,
    LawMembers,
    LawSource,
    MotorDesign,
    Tolerances,
    burn_motor,
    draw_law,
    forecast_motor,
)
from strandwise.forecast.laws import chi_squared
from strandwise.motor import AreaTable, ErosiveBurning, HollowCylinder, Nozzle

AWAY = 2.3263479  # standard deviations of 99 % of a normal distribution
MANY_DF = 1e5


def source(**changes: Any) -> LawSource:
    options: dict[str, Any] = {
        "formulation": "base",
        "law": "power",
        "reference_pressure": 7.5e6,
        "ln_r0": math.log(9e-3),
        "n": 0.30,
        "covariance": np.zeros((2, 2)),
        "df": (MANY_DF, MANY_DF),
        "pressure_range": (2e6, 12e6),
        "batches": 3,
        "strands": 12,
        "firings": 2,
        "reference_temperature": 294.0,
        "temperature_range": (250.0, 340.0),
    }
    return LawSource(**{**options, **changes})


def design(**changes: Any) -> MotorDesign:
    area = 260.0 * math.pi / 4.0 * 0.18**2
    options: dict[str, Any] = {
        "name": "stacked",
        "grain": AreaTable((0.0, 0.5), (area, area)),
        "nozzle": Nozzle(0.18),
        "density": 1800.0,
        "characteristic_velocity": 1520.0,
        "specific_heat_ratio": 1.17,
        "thrust_efficiency": 1.0,
        "ambient_pressure": 1e5,
        "free_volume": 1e-6,
    }
    return MotorDesign(**{**options, **changes})


def test_stack_up_of_the_course() -> None:
    # Open course "Propulsion: a rocket propulsion engineering course", exam C1 (read): MEOP =
    # 7.00 MPa x 1.10833 (30 K at σ_p/(1 − n) = 0.0034286/K) x 1.05 x 1.06 x 1.03 = 8.894 MPa. The
    # three factors are here a rate, a density and a throat that one motor in a hundred exceeds.
    # The draws of the rate hold its 99 % within 0.1 % of pressure (own computation).
    less = 0.70
    spread = BatchSpread(sd=less * math.log(1.05) / AWAY, df=MANY_DF)
    off = Tolerances(
        density=1800.0 * (1.06**less - 1.0) / AWAY,
        throat_diameter=0.18 * (1.0 - 1.03 ** (-less / 2.0)) / AWAY,
    )
    law = source(sigma_p=0.0024, batch_spread=spread)
    # A c* such that the nominal peak is the course's 7.00 MPa, as P goes by c* to the 1/(1 - n).
    first = forecast_motor(design(temperature=294.0), law, draws=100).greatest.nominal
    assert first is not None
    velocity = 1520.0 * (7.00e6 / first) ** less
    motor = design(
        tolerances=off,
        temperature=294.0,
        temperature_high=324.0,
        characteristic_velocity=velocity,
    )
    found = forecast_motor(motor, law, draws=20_000).greatest
    factors = {one.cause: one.factor for one in found.factors}
    assert list(factors) == ["hot", "burn rate", "throat", "density"]
    assert factors["hot"] == pytest.approx(1.10833, rel=1e-3)
    assert factors["burn rate"] == pytest.approx(1.05, rel=2e-3)
    assert factors["throat"] == pytest.approx(1.03, rel=1e-3)
    assert factors["density"] == pytest.approx(1.06, rel=1e-3)
    assert found.value is not None
    assert found.nominal is not None
    assert found.nominal == pytest.approx(7.00e6, rel=1e-3)
    assert found.value == pytest.approx(8.894e6, rel=3e-3)
    # A burst pressure of 1.40 times it, as the course asks for.
    assert 1.40 * found.value == pytest.approx(12.452e6, rel=3e-3)
    assert found.hottest == 324.0


def test_unsure_sensitivity_makes_the_heat_worse() -> None:
    # (σ_p + 2.326 sd)·30 K/(1 − n), own algebra.
    motor = design(temperature_high=324.0)
    found = forecast_motor(motor, source(sigma_p=0.0024, sigma_p_sd=0.0004), draws=100).greatest
    hot = next(one.factor for one in found.factors if one.cause == "hot")
    assert hot == pytest.approx(math.exp((0.0024 + AWAY * 0.0004) * 30.0 / 0.70), rel=2e-3)


@pytest.mark.parametrize("sd_n", [0.03, 0.05, 0.08])
def test_it_lies_above_the_hot_motors_where_the_exponent_is_unsure(sd_n: float) -> None:
    # Heat and an exponent near one make each other worse (own algebra: ln P ~ σ_p ΔT/(1 - n)).
    law = source(
        n=0.6,
        covariance=np.diag([0.02**2, sd_n**2]),
        df=(6.0, 6.0),
        sigma_p=0.003,
    )
    found = forecast_motor(design(temperature_high=324.0), law)
    (hot,) = [soak for soak in found.soaks if soak.temperature == 324.0]
    assert found.greatest.hottest == 324.0
    if hot.peak_pressure.p99 is None:
        assert found.greatest.value is None
    else:
        assert found.greatest.value is None or found.greatest.value > hot.peak_pressure.p99


def test_propellant_that_burns_faster_cold_is_stacked_up_cold() -> None:
    motor = design(temperature_low=264.0, temperature_high=324.0)
    found = forecast_motor(motor, source(sigma_p=-0.002), draws=100).greatest
    assert found.hottest == 264.0
    (hot, _) = found.factors
    assert hot.factor == pytest.approx(math.exp(0.002 * 30.0 / 0.70), rel=2e-3)
    # Where it is not told which way it goes, the worse of both counts.
    unsure = forecast_motor(motor, source(sigma_p=0.0, sigma_p_sd=0.001), draws=100).greatest
    assert unsure.factors[0].factor == pytest.approx(math.exp(AWAY * 0.001 * 30 / 0.70), rel=2e-3)


def test_a_gas_stream_that_feeds_the_burn_is_in_it() -> None:
    grain = HollowCylinder(0.038, 0.012, 0.060, segments=4, inhibited=frozenset({"outer"}))
    motor = design(
        grain=grain,
        nozzle=Nozzle(0.0105),
        density=1780.0,
        characteristic_velocity=890.0,
        free_volume=None,
        erosion=ErosiveBurning(threshold_flux=500.0, coefficient=3e-6, area_share=1.0),
    )
    law = source(covariance=np.diag([0.03**2, 0.02**2]))
    found = forecast_motor(motor, law)
    assert found.greatest.value is not None
    assert found.peak_pressure.p99 is not None
    assert found.greatest.value >= 0.999 * found.peak_pressure.p99


@pytest.mark.parametrize(
    ("law", "ln_r0", "n"), [("power", math.log(9e-3), 0.30), ("linear", math.log(9e-3), 0.4)]
)
def test_factor_of_the_rate_is_that_of_motors_burnt_with_each_law(
    law: str, ln_r0: float, n: float
) -> None:
    # Against the peaks of 2000 motors stepped one by one with the same laws: neutral, so that
    # the gas stored alone differs.
    told = source(law=law, ln_r0=ln_r0, n=n, covariance=np.diag([0.05**2, 0.03**2]))
    found = forecast_motor(design(), told, draws=2000).greatest
    seeds = np.random.SeedSequence([1, 0]).spawn(2)
    laws = draw_law(told, 2000, np.random.default_rng(seeds[1]))
    burnt = np.quantile(burn_motor(design(), laws).peak_pressure, 0.99, method="higher")
    (factor,) = found.factors
    assert factor.cause == "burn rate"
    assert found.nominal is not None
    assert found.value == pytest.approx(float(burnt), rel=2e-3)


def test_it_lies_above_the_draws_and_counts_those_beyond() -> None:
    grain = HollowCylinder(0.038, 0.012, 0.060, segments=3, inhibited=frozenset({"outer"}))
    motor = design(
        grain=grain,
        nozzle=Nozzle(0.0105),
        density=1780.0,
        characteristic_velocity=890.0,
        free_volume=None,
        tolerances=Tolerances(
            throat_diameter=5e-5,
            core_diameter=2e-4,
            outer_diameter=2e-4,
            length=3e-4,
            density=18.0,
            characteristic_velocity=15.0,
        ),
    )
    law = source(batch_spread=BatchSpread(sd=0.03, df=8.0))
    found = forecast_motor(motor, law)
    assert [one.cause for one in found.greatest.factors] == [
        "burn rate", "throat", "density", "c*", "grain",
    ]  # fmt: skip
    assert all(one.factor is not None and one.factor > 1.0 for one in found.greatest.factors)
    assert found.greatest.value is not None
    assert found.peak_pressure.p99 is not None
    assert found.greatest.value > found.peak_pressure.p99
    assert found.greatest.share_above < 0.01


def test_a_size_counts_in_the_direction_that_raises_the_pressure() -> None:
    # Wider cores: of a core burner with inhibited ends the area at the web's burnout stays, of one
    # with free ends it is the start that counts; in both the factor is above 1 (own reasoning).
    for inhibited in ({"outer"}, {"outer", "ends"}):
        grain = HollowCylinder(0.038, 0.012, 0.060, segments=3, inhibited=frozenset(inhibited))
        motor = design(
            grain=grain,
            nozzle=Nozzle(0.0105),
            free_volume=None,
            tolerances=Tolerances(core_diameter=5e-4),
        )
        (_, core) = forecast_motor(motor, source(), draws=100).greatest.factors
        assert core.cause == "grain"
        assert core.factor is not None
        assert core.factor >= 1.0


def test_segmented_law_that_may_jump_is_burnt_draw_by_draw() -> None:
    # Flat to 6.5 MPa, steep from there, then flat again: two steady pressures, and a share of the
    # draws gets to the upper one.
    members = LawMembers(
        breaks=np.array([[math.log(6.5 / 7.5), math.log(14.0 / 7.5)]] * 2),
        coefficients=np.array(
            [[math.log(8.9e-3), 0.1, 1.5, -1.5], [math.log(9.0e-3), 0.1, 1.5, -1.5]]
        ),
        covariances=np.array([np.diag([0.04**2, 1e-8, 1e-8, 1e-8])] * 2),
        df=MANY_DF,
    )
    found = forecast_motor(design(), source(law="segmented", members=members), draws=4000)
    assert found.peak_pressure.median is not None
    assert found.peak_pressure.p99 is not None
    assert found.peak_pressure.p99 > 1.8 * found.peak_pressure.median
    assert found.greatest.nominal == pytest.approx(found.peak_pressure.median, rel=1e-3)
    assert found.greatest.value == pytest.approx(found.peak_pressure.p99, rel=1e-6)


def test_no_bound_is_told_as_none() -> None:
    law = source(n=0.85, covariance=np.diag([0.01**2, 0.1**2]))
    found = forecast_motor(design(case_limit=12e6), law)
    assert found.greatest.value is None
    assert found.greatest.share_above is None
    assert next(one.factor for one in found.greatest.factors if one.cause == "burn rate") is None
    caution = next(one for one in found.cautions if one.code == "over-case-limit")
    assert "has no bound" in caution.message


@pytest.mark.parametrize(("limit", "told"), [(5.5e6, True), (7.5e6, False)])
def test_a_case_made_for_less_is_told(limit: float, told: bool) -> None:
    law = source(batch_spread=BatchSpread(sd=0.02, df=MANY_DF))
    found = forecast_motor(design(case_limit=limit), law)
    assert ("over-case-limit" in {one.code for one in found.cautions}) is told


@pytest.mark.parametrize("df", [1.0, 2.0, 4.02, 30.0, MANY_DF])
def test_table_of_chi_squared_values(df: float) -> None:
    # Against scipy's own inverse, value by value.
    tail = np.random.default_rng(5).random(20_000)
    assert chi_squared(df, tail) == pytest.approx(chdtri(df, tail), rel=3e-5)
