"""Draws, their spread and what is said of them; expected values by own algebra unless named."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from strandwise.forecast import (
    BatchSpread,
    Forecast,
    LawMembers,
    LawSource,
    MethodOffset,
    MotorDesign,
    Tolerances,
    Wanted,
    draw_law,
    draw_motor,
    forecast_motor,
    spread_of,
)
from strandwise.motor import AreaTable, EndBurner, HollowCylinder, Nozzle

MANY_DF = 1e5
GRAIN = HollowCylinder(0.038, 0.020, 0.060, segments=3, inhibited=frozenset({"outer"}))
EXACT = Tolerances(throat_diameter=1e-9, density=1e-6, characteristic_velocity=1e-6)


def source(**changes: Any) -> LawSource:
    options: dict[str, Any] = {
        "formulation": "base",
        "law": "power",
        "reference_pressure": 3.5e6,
        "ln_r0": math.log(8e-3),
        "n": 0.42,
        "covariance": np.diag([0.01**2, 1e-12]),
        "df": (MANY_DF, MANY_DF),
        "pressure_range": (0.8e6, 7e6),
        "batches": 4,
        "strands": 20,
        "firings": 3,
        "batch_spread": BatchSpread(sd=0.02, df=MANY_DF),
        "reference_temperature": 293.15,
        "temperature_range": (291.15, 295.15),
    }
    return LawSource(**{**options, **changes})


def design(**changes: Any) -> MotorDesign:
    options: dict[str, Any] = {
        "name": "motor",
        "grain": GRAIN,
        "nozzle": Nozzle(0.0105, exit_diameter=0.02, divergence_half_angle=0.2),
        "density": 1780.0,
        "characteristic_velocity": 890.0,
        "specific_heat_ratio": 1.13,
        "thrust_efficiency": 0.94,
        "ambient_pressure": 1e5,
        "tolerances": EXACT,
        "case_limit": 8e6,
    }
    return MotorDesign(**{**options, **changes})


def relative_sd(values: np.ndarray) -> float:
    return float(np.std(np.log(values)))


def codes(found: Forecast) -> set[str]:
    return {caution.code for caution in found.cautions}


@pytest.mark.parametrize(
    ("fit_sd", "batch_sd", "n"), [(0.01, 0.02, 0.42), (0.02, 0.0, 0.2), (0.005, 0.01, 0.65)]
)
def test_spread_of_pressure_is_that_of_the_rate_over_one_less_the_exponent(
    fit_sd: float, batch_sd: float, n: float
) -> None:
    # Issue: √(fit variance + batch variance)/(1 − n) within 5 % for small variances.
    made = source(
        n=n,
        covariance=np.diag([fit_sd**2, 1e-14]),
        batch_spread=BatchSpread(sd=batch_sd, df=MANY_DF),
    )
    outcome = draw_motor(design(), made, draws=10_000, seed=4)
    expected = math.hypot(fit_sd, batch_sd) / (1.0 - n)
    assert relative_sd(outcome.peak_pressure) == pytest.approx(expected, rel=0.05)
    # Burn time goes as 1/r, and r as a^(1/(1 − n)) at a fixed motor: the same spread.
    assert relative_sd(outcome.burn_time) == pytest.approx(expected, rel=0.05)


def test_tolerances_add_up_as_the_error_budget_of_the_course_says() -> None:
    # dp/p = [−dA_t/A_t + dc*/c* + dρ/ρ]/(1 − n): open course "Propulsion", eq. 3.14 (read).
    off = Tolerances(
        throat_diameter=0.01 * 0.0105, density=0.01 * 1780.0, characteristic_velocity=0.02 * 890.0
    )
    made = source(covariance=np.diag([1e-14, 1e-14]), batch_spread=None)
    outcome = draw_motor(design(tolerances=off), made, draws=10_000, seed=4)
    expected = math.sqrt(0.02**2 + 0.01**2 + 0.02**2) / (1.0 - 0.42)
    assert relative_sd(outcome.peak_pressure) == pytest.approx(expected, rel=0.05)


def test_offset_of_motors_raises_the_pressure_and_its_spread() -> None:
    plain = draw_motor(design(), source(), draws=4000, seed=1)
    made = source(offset=MethodOffset(value=math.log(1.07), sd=0.03, df=MANY_DF))
    moved = draw_motor(design(), made, draws=4000, seed=1)
    ratio = np.median(moved.peak_pressure) / np.median(plain.peak_pressure)
    assert ratio == pytest.approx(1.07 ** (1.0 / 0.58), rel=4e-3)
    expected = math.sqrt(0.01**2 + 0.02**2 + 0.03**2) / 0.58
    assert relative_sd(moved.peak_pressure) == pytest.approx(expected, rel=0.05)


def test_few_batches_widen_the_tails_as_students_t_does() -> None:
    # A new batch with σ_b from 4 degrees of freedom: 97.5 % quantile of Student's t is 2.776
    # (published tables), of the normal 1.960.
    made = source(covariance=np.diag([1e-16, 1e-16]), batch_spread=BatchSpread(sd=0.02, df=4.0))
    law = draw_law(made, 100_000, np.random.default_rng(2))
    quantile = np.quantile((law.ln_r0 - made.ln_r0) / 0.02, 0.975)
    assert quantile == pytest.approx(2.776, rel=0.03)


def test_batches_that_agree_by_luck_do_not_pass_for_equal() -> None:
    made = source(
        covariance=np.diag([1e-16, 1e-16]),
        batch_spread=BatchSpread(sd=0.0, df=3.0, noise_sd=0.01),
    )
    law = draw_law(made, 20_000, np.random.default_rng(2))
    assert 0.3 < np.mean(np.abs(law.ln_r0 - made.ln_r0) > 1e-5) < 0.9


def test_soak_moves_the_pressure_by_the_sensitivity_over_one_less_the_exponent() -> None:
    # π_K = σ_p/(1 − n) (Sutton & Biblarz): +20 K at 0.0024/K and n = 0.42.
    made = source(sigma_p=0.0024)
    found = forecast_motor(
        design(temperature_low=283.15, temperature_high=313.15), made, draws=2000, seed=1
    )
    cold, hot = found.soaks
    middle = found.peak_pressure.median
    assert middle is not None
    for soak, warmer in ((cold, -10.0), (hot, 20.0)):
        assert soak.peak_pressure.median is not None
        ratio = soak.peak_pressure.median / middle
        assert ratio == pytest.approx(math.exp(0.0024 * warmer / 0.58), rel=3e-3)
    assert "extrapolated-temperature" in codes(found)


def test_temperature_of_unknown_effect_is_told_and_not_guessed() -> None:
    found = forecast_motor(design(temperature=313.15), source(), draws=500, seed=1)
    assert "temperature-unknown" in codes(found)
    assert found.soaks == ()
    with pytest.raises(ValueError, match="do not tell how the rate changes"):
        draw_motor(design(), source(), draws=500, seed=1, temperature=313.15)


def test_temperatures_within_the_tests_do_not_help_a_law_that_knows_nothing_of_them() -> None:
    # Tests from 268 to 318 K with a mean of 293 K: the law is that of 293 K.
    wide = source(reference_temperature=293.15, temperature_range=(268.15, 318.15))
    for warm in (318.15, 270.15):
        found = forecast_motor(design(temperature_high=warm), wide, draws=500, seed=1)
        told = next(one for one in found.cautions if one.code == "temperature-unknown")
        assert "the forecast is for 20 °C alone" in told.message
        assert found.greatest.hottest is None
        assert "temperature (σ_p is not known)" in found.greatest.left_out
    near = forecast_motor(design(temperature_high=300.0), wide, draws=500, seed=1)
    assert "temperature-unknown" not in codes(near)


def test_forecast_repeats_from_its_seed_and_differs_from_another() -> None:
    first, again, other = (
        forecast_motor(design(), source(), draws=500, seed=seed) for seed in (7, 7, 8)
    )
    assert first.peak_pressure == again.peak_pressure
    assert first.peak_pressure != other.peak_pressure


def test_many_draws_come_in_blocks_and_are_all_there() -> None:
    outcome = draw_motor(design(), source(), draws=21_000, seed=1, bands=True)
    assert outcome.peak_pressure.shape == (21_000,)
    assert np.unique(outcome.peak_pressure).size > 20_900
    assert outcome.bands is not None


def test_case_probability_is_the_share_of_the_draws_above_the_limit() -> None:
    limit = float(
        np.quantile(draw_motor(design(), source(), draws=4000, seed=1).peak_pressure, 0.9)
    )
    found = forecast_motor(design(case_limit=limit), source(), draws=4000, seed=1)
    assert found.case is not None
    assert found.case.probability_over == pytest.approx(0.1, abs=1e-3)


def test_wanted_gives_the_shares_that_keep_to_each_and_to_both() -> None:
    outcome = draw_motor(design(), source(), draws=4000, seed=1)
    peak, time = np.quantile(outcome.peak_pressure, 0.7), np.quantile(outcome.burn_time, 0.2)
    wanted = Wanted(peak_below=float(peak), burn_longer=float(time))
    found = forecast_motor(design(), source(), draws=4000, seed=1, wanted=wanted).wanted
    assert found is not None
    assert found.probability_peak == pytest.approx(0.7, abs=0.01)
    assert found.probability_time == pytest.approx(0.8, abs=0.01)
    # Slow draws have low pressure and long burns: both hold where the stricter one does.
    assert found.probability == pytest.approx(0.7, abs=0.02)


def test_port_and_mass_flux_are_those_of_the_course() -> None:
    # Open course "Propulsion", exam key B3: port over throat area 3.361, 579.4 kg/(m²·s) at the
    # start; the grain's chamber is full at 2 % of the web, when the port is a little larger.
    made = source(ln_r0=math.log(9e-3), reference_pressure=7.5e6, n=0.30)
    motor = design(
        grain=HollowCylinder(0.480, 0.220, 2.6, inhibited=frozenset({"outer", "ends"})),
        nozzle=Nozzle(0.120),
        density=1800.0,
        characteristic_velocity=1520.0,
    )
    found = forecast_motor(motor, made, draws=200, seed=1)
    assert found.port_to_throat == pytest.approx(3.361, rel=1e-3)
    assert found.mass_flux == pytest.approx(579.4, rel=0.04)


def test_exponent_that_may_be_one_leaves_upper_percentiles_without_a_bound() -> None:
    made = source(n=0.85, covariance=np.diag([0.01**2, 0.08**2]))
    motor = design(nozzle=Nozzle(0.0085))
    found = forecast_motor(motor, made, draws=2000, seed=1)
    assert found.share_without_steady > 0.01
    assert found.peak_pressure.p99 is None
    assert found.peak_pressure.mean is None
    assert {"no-bound", "exponent-near-one"} <= codes(found)
    assert found.case is not None
    assert found.case.probability_over >= found.share_without_steady


def test_law_without_a_steady_pressure_is_told_first() -> None:
    found = forecast_motor(design(), source(n=1.2), draws=300, seed=1)
    assert found.steady_pressures == ()
    assert found.cautions[0].code == "no-steady-pressure"
    assert found.peak_pressure.median is None
    assert found.exponent == pytest.approx(1.2)
    assert "exponent-near-one" in codes(found)


def test_draws_without_a_bound_have_no_burn_time_and_none_that_never_lit_ends() -> None:
    burst = forecast_motor(design(nozzle=Nozzle(0.0025)), source(), draws=200, seed=1)
    assert burst.share_without_steady == 1.0
    dark = forecast_motor(design(nozzle=Nozzle(0.06)), source(), draws=200, seed=1)
    assert dark.share_unlit == 1.0
    for one in (burst, dark):
        assert one.burn_time.median is None
        assert one.action_time.p95 is None
    for found in (burst.peak_pressure, burst.lowest_pressure, burst.total_impulse):
        assert found.median is None
    wanted = Wanted(burn_longer=0.01)
    told = forecast_motor(design(nozzle=Nozzle(0.0025)), source(), draws=200, wanted=wanted).wanted
    assert told is not None
    assert told.probability == 0.0


def test_core_narrower_than_the_throat_is_told() -> None:
    found = forecast_motor(design(nozzle=Nozzle(0.022)), source(), draws=200, seed=1)
    assert "port-below-throat" in codes(found)


@pytest.mark.parametrize("changes", [{"peak_below": 0.0}, {"burn_longer": -1.0}])
def test_wanted_that_cannot_be_is_refused(changes: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="wanted"):
        Wanted(**changes)


def test_segmented_law_draws_from_its_members() -> None:
    members = LawMembers(
        breaks=np.array([[0.0], [0.05]]),
        coefficients=np.array([[math.log(8e-3), 0.6, -0.5], [math.log(8e-3), 0.6, -0.55]]),
        covariances=np.tile(np.diag([0.01**2, 0.01**2, 0.01**2]), (2, 1, 1)),
        df=12.0,
    )
    made = source(law="segmented", members=members, batch_spread=None)
    law = draw_law(made, 5000, np.random.default_rng(1))
    at = math.log(3.5e6)
    below, above = (law.slope(np.full(5000, at + x)) for x in (-0.5, 0.5))
    assert np.median(below) == pytest.approx(0.6, abs=0.01)
    assert np.median(above) == pytest.approx(0.075, abs=0.03)
    found = forecast_motor(design(), made, draws=500, seed=1)
    assert len(found.steady_pressures) == 1


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"batches": 1}, "one-batch"),
        ({"batch_spread": None}, "batch-spread-unknown"),
        ({"as_motor": False}, "strand-only"),
        ({"firings": 0}, "offset-borrowed"),
        ({"pressure_range": (0.8e6, 1.8e6)}, "extrapolated"),
        ({"pressure_range": (4.5e6, 7.0e6)}, "low-pressure-end"),
        ({"n": 0.75}, "exponent-near-one"),
    ],
)
def test_what_is_to_be_heeded_is_said(changes: dict[str, Any], code: str) -> None:
    found = forecast_motor(design(), source(**changes), draws=500, seed=1)
    assert code in codes(found)
    assert not any("safe" in caution.message.lower() for caution in found.cautions)
    plain = forecast_motor(design(), source(), draws=500, seed=1)
    assert code not in codes(plain)


def test_amplification_is_said_in_words() -> None:
    # 1.05^(1/0.58) = 1.0877 (own arithmetic).
    found = forecast_motor(design(), source(), draws=500, seed=1)
    text = next(c.message for c in found.cautions if c.code == "amplification")
    assert "burns 5 % faster raises the pressure by 8.8 %" in text
    assert found.amplification == pytest.approx(1.0 / 0.58)


@pytest.mark.parametrize(
    ("core", "expected"), [(0.012, True), (0.020, False)], ids=["narrow", "wide"]
)
def test_narrow_port_is_told(core: float, expected: bool) -> None:
    grain = HollowCylinder(0.038, core, 0.02, segments=3, inhibited=frozenset({"outer"}))
    throat = 0.0095 if expected else 0.006
    found = forecast_motor(design(grain=grain, nozzle=Nozzle(throat)), source(), draws=300, seed=1)
    assert ("erosive-burning" in codes(found)) == expected


@pytest.mark.parametrize(("cubic_cm", "expected"), [(50.0, True), (70.0, False)])
def test_free_volume_that_does_not_hold_the_cores_is_told(cubic_cm: float, expected: bool) -> None:
    # Three cores of 20 mm, 60 mm long: 56.5 cm3 (own arithmetic).
    found = forecast_motor(design(free_volume=cubic_cm * 1e-6), source(), draws=100)
    assert ("free-volume-small" in codes(found)) is expected


def test_end_burner_and_table_need_no_port() -> None:
    for grain in (EndBurner(0.05, 0.05), AreaTable((0.0, 0.01), (0.02, 0.02))):
        motor = design(grain=grain, nozzle=Nozzle(0.004 if isinstance(grain, EndBurner) else 0.01))
        found = forecast_motor(motor, source(), draws=300, seed=1)
        assert found.port_to_throat is None
        assert found.mass_flux is None
        assert "taken-as-exact" not in codes(found)


def test_what_is_taken_as_exact_is_named() -> None:
    motor = dataclasses.replace(design(), tolerances=Tolerances(density=10.0))
    found = forecast_motor(motor, source(), draws=300, seed=1)
    text = next(c.message for c in found.cautions if c.code == "taken-as-exact")
    assert "throat and characteristic velocity" in text


@pytest.mark.parametrize(
    ("draws", "seed", "match"),
    [(99, 1, "forecast of 99 draws"), (10**7, 1, "forecast of 10000000"), (500, -1, "seed of -1")],
)
def test_draws_and_seed_out_of_range_are_refused(draws: int, seed: int, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        draw_motor(design(), source(), draws=draws, seed=seed)


@pytest.mark.parametrize(
    ("changes", "match"),
    [({"law": "cubic"}, "law 'cubic'"), ({"reference_pressure": 0.0}, "reference pressure of 0")],
)
def test_source_that_cannot_be_is_refused(changes: dict[str, Any], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        source(**changes)


def test_spread_counts_what_has_no_bound_as_above_all_others() -> None:
    values = np.array([1.0] * 90 + [2.0] * 6 + [math.inf] * 4)
    found = spread_of(values)
    assert (found.median, found.p95, found.p99, found.mean) == (1.0, 2.0, None, None)
