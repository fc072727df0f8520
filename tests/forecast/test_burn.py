"""The stepped burn against an independent integration, and burns that have no steady pressure."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from strandwise.forecast import (
    BatchSpread,
    BurnInputs,
    DrawnLaw,
    LawSource,
    MotorDesign,
    MotorVariation,
    Tolerances,
    burn_from_arrays,
    burn_motor,
    forecast_motor,
    tabulate_grain,
)
from strandwise.motor import (
    HIGHEST_PRESSURE,
    AreaTable,
    EndBurner,
    ErosiveBurning,
    Grain,
    HollowCylinder,
    Nozzle,
    burning_area,
    burnout_depth,
    port_area,
    propellant_volume,
    steady_pressures,
)


def power(rate: float, at: float, exponent: float) -> DrawnLaw:
    return DrawnLaw("power", at, np.array([math.log(rate)]), np.array([exponent]))


def steady(law: DrawnLaw, ratio: float, lowest: float = 1.2e5) -> tuple[float, ...]:
    return steady_pressures(
        law.log_rate, ratio, density=1785.0, characteristic_velocity=890.0, lowest=lowest
    )


# ------------------------------------------------------------------- independent integration

MOTOR = HollowCylinder(0.038, 0.013, 0.0635, segments=4, inhibited=frozenset({"outer"}))
UNEQUAL = HollowCylinder(0.050, 0.016, lengths=(0.030, 0.070), inhibited=frozenset({"outer"}))


def design(grain: Grain, throat: float = 0.0111, **changes: object) -> MotorDesign:
    options: dict[str, object] = {
        "name": "test",
        "grain": grain,
        "nozzle": Nozzle(throat, throat * 1.03, 2.2 * throat, math.radians(12.0)),
        "density": 1785.0,
        "characteristic_velocity": 890.0,
        "specific_heat_ratio": 1.13,
        "thrust_efficiency": 0.94,
        "ambient_pressure": 1.0e5,
        "free_volume": 5.0e-5,
    }
    return MotorDesign(**{**options, **changes})  # type: ignore[arg-type]


LAWS = {
    "power": power(8.0e-3, 3.5e6, 0.42),
    "linear": DrawnLaw("linear", 3.5e6, np.array([math.log(8.0e-3)]), np.array([0.5])),
    "two-term": DrawnLaw("two-term", 3.5e6, np.array([math.log(8.0e-3)]), np.array([0.45])),
    "segmented": DrawnLaw(
        "segmented",
        1.0e6,
        np.array([math.log(6.0e-3)]),
        np.array([0.6]),
        np.array([[0.4], [1.0]]),
        np.array([[-0.5], [0.3]]),
    ),
}


def integrated(motor: MotorDesign, law: DrawnLaw) -> tuple[float, float, float]:
    """Peak pressure, time of burnout and pressure there, by another method in time."""
    grain, energy = motor.grain, motor.gas_energy
    free, whole = motor.chamber_free_volume, float(propellant_volume(motor.grain))
    end = burnout_depth(grain)
    first, last = motor.nozzle.throat_diameter, motor.nozzle.throat_diameter_after or 0.0

    def slopes(_: float, state: np.ndarray) -> list[float]:
        y, x = state
        pressure = math.exp(y)
        rate = math.exp(float(law.log_rate(np.array([y]))[0]))
        area = float(burning_area(grain, min(x, end)))
        throat = math.pi / 4.0 * (first + (last - first) * min(x / end, 1.0)) ** 2
        if motor.erosion is not None:
            port = port_area(grain, x)
            assert port is not None
            flux = pressure * throat / motor.characteristic_velocity / float(port)
            beyond = max(flux - motor.erosion.threshold_flux, 0.0)
            rate += motor.erosion.area_share * motor.erosion.coefficient * beyond
        made = (motor.density - pressure / energy) * area * rate
        volume = free + whole - float(propellant_volume(grain, x))
        out = pressure * throat / motor.characteristic_velocity
        return [energy / volume * (made - out) / pressure, rate]

    def burnt(_: float, state: np.ndarray) -> float:
        return float(state[1] - end)

    burnt.terminal = True  # type: ignore[attr-defined]
    done = solve_ivp(
        slopes, (0.0, 60.0), [math.log(motor.ambient_pressure), 0.0], method="LSODA",
        rtol=1e-9, atol=1e-12, events=burnt, max_step=0.01,
    )  # fmt: skip
    return math.exp(done.y[0].max()), float(done.t[-1]), math.exp(done.y[0, -1])


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("grain", [MOTOR, UNEQUAL], ids=["four alike", "unequal"])
def test_agrees_with_an_independent_integration(grain: HollowCylinder, law: str) -> None:
    motor = design(grain, 0.0111 if grain is MOTOR else 0.0092)
    peak, burnt, end = integrated(motor, LAWS[law])
    curve = tabulate_grain(grain)
    found = burn_motor(motor, LAWS[law])
    # Issue: within 0.5 %; aim of this solver: 1e-4 (own bound, and 5e-4 right after a jump).
    assert found.peak_pressure[0] == pytest.approx(peak, rel=1e-4)
    assert found.burnout_pressure[0] == pytest.approx(end, rel=5e-4)
    # 10 % of the peak is reached within the first milliseconds.
    assert found.burn_time[0] == pytest.approx(burnt, rel=1e-3)
    assert curve.depth.size < 400


@pytest.mark.parametrize("core", [0.011, 0.013])
def test_erosive_burning_agrees_with_an_independent_integration(core: float) -> None:
    grain = HollowCylinder(0.038, core, 0.0635, segments=4, inhibited=frozenset({"outer"}))
    stream = ErosiveBurning(threshold_flux=500.0, coefficient=2.5e-6, area_share=0.4)
    motor = design(grain, erosion=stream)
    peak, burnt, end = integrated(motor, LAWS["power"])
    found, plain = burn_motor(motor, LAWS["power"]), burn_motor(design(grain), LAWS["power"])
    # The peak stands right after ignition, where the chamber still fills.
    assert found.peak_pressure[0] == pytest.approx(peak, rel=3e-4)
    assert found.burn_time[0] == pytest.approx(burnt, rel=1e-3)
    assert found.burnout_pressure[0] == pytest.approx(end, rel=5e-4)
    assert found.start_pressure[0] > 1.05 * plain.start_pressure[0]
    assert found.burn_time[0] < plain.burn_time[0]


def test_erosive_burning_that_feeds_itself_has_no_bound() -> None:
    # Gas made by the stream alone exceeds what the throat lets out where k·share·ρ·A_b/A_port > 1
    # (own algebra: both go with the pressure).
    grain = HollowCylinder(0.038, 0.011, 0.0635, segments=4, inhibited=frozenset({"outer"}))
    ratio = float(burning_area(grain, 0.0)) / (math.pi / 4.0 * 0.011**2)
    for gain, expected in ((0.9, False), (1.1, True)):
        k = gain / (1785.0 * ratio)
        stream = ErosiveBurning(threshold_flux=0.0, coefficient=k, area_share=1.0)
        found = burn_motor(design(grain, erosion=stream), power(1e-3, 3.5e6, 0.1))
        assert found.runaway[0] == expected
        assert np.isinf(found.peak_pressure[0]) == expected


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"threshold_flux": -1.0}, "threshold of -1"),
        ({"coefficient": -1e-6}, "coefficient of -1e-06"),
        ({"area_share": 0.0}, "on 0 of the area"),
        ({"area_share": 30.0}, "on 30 of the area"),
    ],
)
def test_erosive_burning_that_cannot_be_is_refused(changes: dict[str, float], match: str) -> None:
    plain = {"threshold_flux": 500.0, "coefficient": 1e-6, "area_share": 0.3}
    with pytest.raises(ValueError, match=match):
        ErosiveBurning(**{**plain, **changes})


def test_erosive_burning_needs_a_core() -> None:
    stream = ErosiveBurning(threshold_flux=500.0, coefficient=2e-6, area_share=0.3)
    with pytest.raises(ValueError, match="without a core"):
        design(EndBurner(0.05, 0.1), erosion=stream)


@pytest.mark.parametrize("volume", [1e-9, 1e-7, 1e-5, 1e-3])
def test_a_chamber_of_any_volume_does_not_overshoot(volume: float) -> None:
    motor = design(UNEQUAL, 0.0092, free_volume=volume, nozzle=Nozzle(0.0092))
    found = burn_motor(motor, LAWS["power"])
    (at,) = steady(LAWS["power"], float(found.peak_ratio[0]))
    assert found.peak_pressure[0] < at
    assert found.peak_pressure[0] == pytest.approx(at, rel=0.02)


def test_time_of_burnout_agrees_with_an_independent_integration() -> None:
    motor = design(MOTOR)
    _, burnt, _ = integrated(motor, LAWS["power"])
    inputs = BurnInputs(
        density=np.array(motor.density),
        characteristic_velocity=np.array(motor.characteristic_velocity),
        gas_energy=np.array(motor.gas_energy),
        throat_from=np.array(math.pi / 4.0 * 0.0111**2),
        throat_to=np.array(math.pi / 4.0 * (0.0111 * 1.03) ** 2),
        free_volume=5.0e-5,
        sizes={},
        start_pressure=1.0e5,
        lowest_pressure=1.0e5,
    )
    burn = burn_from_arrays(tabulate_grain(MOTOR), LAWS["power"], inputs, 1)
    assert burn.time[-1, 0] == pytest.approx(burnt, rel=1e-4)


def test_median_of_a_forecast_agrees_with_an_independent_integration() -> None:
    # Issue: median peak pressure and burn time within 0.5 %, here among all that is drawn.
    motor = design(
        MOTOR,
        0.0111,
        tolerances=Tolerances(
            throat_diameter=5e-5, core_diameter=1.5e-4, density=15.0, characteristic_velocity=10.0
        ),
    )
    made = LawSource(
        formulation="base",
        law="power",
        reference_pressure=3.5e6,
        ln_r0=math.log(8.0e-3),
        n=0.42,
        covariance=np.array([[0.008**2, 0.0], [0.0, 0.01**2]]),
        df=(20.0, 20.0),
        pressure_range=(1e6, 8e6),
        batches=3,
        strands=15,
        firings=2,
        batch_spread=BatchSpread(sd=0.02, df=8.0),
    )
    found = forecast_motor(motor, made)
    peak, burnt, _ = integrated(motor, LAWS["power"])
    assert found.peak_pressure.median == pytest.approx(peak, rel=5e-3)
    assert found.burn_time.median == pytest.approx(burnt, rel=5e-3)


def test_ten_thousand_draws_take_a_fraction_of_a_second() -> None:
    # Issue: 10,000 draws of four segments in at most 0.3 s.
    rng = np.random.default_rng(3)
    law = DrawnLaw(
        "power",
        3.5e6,
        math.log(8e-3) + 0.03 * rng.standard_normal(10_000),
        0.42 + 0.02 * rng.standard_normal(10_000),
    )
    motor = design(MOTOR)
    burn_motor(motor, law)
    taken = []
    for _ in range(5):
        start = time.process_time()
        burn_motor(motor, law)
        taken.append(time.process_time() - start)
    assert min(taken) < 0.3


def test_impulse_is_the_mass_times_the_mean_specific_impulse() -> None:
    # ∫P A_t dt = m c* for the whole burn and tail-off (NASA SP-8039 p. 95), so in vacuum, with a
    # thrust coefficient that does not depend on pressure, the impulse is C_F m c* (own algebra).
    motor = design(MOTOR, ambient_pressure=1e3, thrust_efficiency=1.0, nozzle=Nozzle(0.0111))
    found = burn_motor(motor, LAWS["power"])
    mass = motor.density * float(propellant_volume(MOTOR))
    gas_at_start = 1e3 * 5e-5 / motor.gas_energy
    gamma = 1.13
    critical = (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    gain = math.sqrt(
        2.0 * gamma**2 / (gamma - 1.0) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (gamma - 1.0))
        * (1.0 - critical ** ((gamma - 1.0) / gamma))
    ) + critical  # fmt: skip
    vacuum = gain * (mass + gas_at_start) * 890.0
    assert found.total_impulse[0] == pytest.approx(vacuum, rel=2e-3)


# ------------------------------------------------------------------- what has no steady pressure


def test_exponent_above_one_runs_away_and_is_told() -> None:
    found = burn_motor(design(MOTOR), power(12e-3, 1.0e6, 1.3))
    assert found.runaway.all()
    assert np.isinf(found.peak_pressure).all()
    assert steady(power(12e-3, 1.0e6, 1.3), 300.0) == ()


def test_motor_with_too_large_a_throat_does_not_light() -> None:
    found = burn_motor(design(MOTOR, 0.08), power(2e-3, 3.5e6, 0.5))
    assert found.unlit.all()
    assert not found.runaway.any()


def test_plateau_has_two_steady_pressures_and_the_burn_takes_the_lower() -> None:
    # n from 0.2 to 1.6 and back to 0.2: gas made crosses gas let out three times (own example).
    law = DrawnLaw(
        "segmented",
        1e6,
        np.array([math.log(6e-3)]),
        np.array([0.2]),
        np.array([[0.7], [1.7]]),
        np.array([[1.4], [-1.4]]),
    )
    ratio = next(k for k in np.geomspace(50.0, 600.0, 400) if len(steady(law, k)) == 2)
    low, high = steady(law, float(ratio))
    assert low < 1e6 * math.exp(0.7) < 1e6 * math.exp(1.7) < high
    area = ratio * math.pi / 4.0 * 0.01**2
    motor = design(AreaTable((0.0, 0.01), (area, area)), 0.01, nozzle=Nozzle(0.01))
    found = burn_motor(motor, law)
    assert found.peak_pressure[0] == pytest.approx(low, rel=0.02)


@settings(max_examples=15, deadline=None)
@given(
    n=st.floats(-0.3, 0.75),
    rate=st.floats(3e-3, 15e-3),
    throat=st.floats(0.008, 0.016),
    core=st.floats(0.008, 0.03),
)
def test_peak_never_passes_the_steady_pressure_of_the_largest_area(
    n: float, rate: float, throat: float, core: float
) -> None:
    grain = HollowCylinder(0.038, core, 0.06, segments=3, inhibited=frozenset({"outer"}))
    law = power(rate, 3e6, n)
    found = burn_motor(design(grain, throat, nozzle=Nozzle(throat)), law)
    at = steady(law, float(found.peak_ratio[0]), 2e4)
    if at and not found.unlit[0]:
        assert found.peak_pressure[0] <= max(at[-1], 1.0e5) * 1.002
    assert found.lowest_pressure[0] <= found.peak_pressure[0]
    assert np.isfinite(found.burn_time[0])
    assert found.mean_pressure[0] <= min(found.peak_pressure[0], HIGHEST_PRESSURE) * (1 + 1e-9)


def test_a_size_that_is_off_moves_the_burn_as_a_new_drawing_would() -> None:
    off = {"core_diameter": 0.3e-3, "outer_diameter": -0.2e-3, "length": 0.5e-3}
    zero = np.zeros(())
    variation = MotorVariation(
        throat_diameter=np.array([0.1e-3]),
        sizes={name: np.array([value]) for name, value in off.items()},
        density=zero,
        characteristic_velocity=zero,
        thrust_efficiency=zero,
    )
    moved = burn_motor(design(MOTOR), LAWS["power"], variation)
    other = HollowCylinder(0.0378, 0.0133, 0.0640, segments=4, inhibited=frozenset({"outer"}))
    drawn = burn_motor(
        design(other, nozzle=Nozzle(0.0112, 0.0111 * 1.03 + 0.1e-3, 2.2 * 0.0111, 0.2)),
        LAWS["power"],
    )
    plain = burn_motor(design(MOTOR), LAWS["power"])
    for name in ("peak_pressure", "burn_time", "burnout_pressure"):
        a, b, c = (float(getattr(one, name)[0]) for one in (moved, drawn, plain))
        assert a == pytest.approx(b, rel=1e-3), name
        assert abs(b / c - 1.0) > 3e-3, name


def test_bands_follow_the_burn() -> None:
    found = burn_motor(design(MOTOR), LAWS["power"], bands=True)
    assert found.bands is not None
    assert found.bands.pressure.max() == pytest.approx(found.peak_pressure[0], rel=1e-3)
    assert found.bands.thrust.max() == pytest.approx(found.peak_thrust[0], rel=1e-3)
    assert found.bands.pressure[:, -1] == pytest.approx(1e5, rel=0.5)


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"density": -1.0}, "density of the motor is -1"),
        ({"specific_heat_ratio": 1.0}, "ratio of specific heats of 1"),
        ({"case_limit": 0.0}, "case limit"),
    ],
)
def test_motor_that_cannot_be_is_refused(changes: dict[str, float], match: str) -> None:
    with pytest.raises(ValueError, match=match):
        design(MOTOR, **changes)


def test_tolerance_below_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="standard uncertainty of -1"):
        Tolerances(density=-1.0)


def test_tolerance_of_a_core_that_is_not_there_is_refused() -> None:
    with pytest.raises(ValueError, match="core diameter for a grain that has none"):
        tabulate_grain(EndBurner(0.10, 0.5), ("core_diameter",))
