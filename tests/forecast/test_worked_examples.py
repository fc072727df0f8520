"""Published worked examples, each with all its inputs and answers, through the forecast itself.

Course: "Propulsion: a rocket propulsion engineering course", open course, exam key (A, B, C, D),
module 20 and whiteboard problems (daxjdavis526.github.io/Projects/propulsion; read, arithmetic
done again). Its formulas store no gas: the burn is stepped with a gas so thin that none is stored.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from strandwise.forecast import (
    Burn,
    BurnInputs,
    DrawnLaw,
    Forecast,
    LawSource,
    MotorDesign,
    Tolerances,
    burn_from_arrays,
    burn_motor,
    forecast_motor,
    tabulate_grain,
)
from strandwise.motor import (
    AreaTable,
    ErosiveBurning,
    Grain,
    HollowCylinder,
    Nozzle,
    burning_area,
    port_area,
    steady_pressures,
    thrust_coefficient,
)
from strandwise.ratelaw import RateSeries, fit_batches, pressure_sensitivity

DENSITY, C_STAR, EXPONENT = 1800.0, 1520.0, 0.30
RATE, AT = 9.0e-3, 7.5e6  # exam key A1
STORED = 1e-4  # of the gas that a chamber would hold
MADE_UP = 10.0  # Pa, in place of vacuum


def power(rate: float, at: float, exponent: float) -> DrawnLaw:
    return DrawnLaw("power", at, np.array([math.log(rate)]), np.array([exponent]))


FIRST = power(RATE, AT, EXPONENT)
SECOND = power(3.2e-5 * 1e6**0.35, 1e6, 0.35)  # module 20: a = 3.2e-5 SI, n = 0.35


def steady(law: DrawnLaw, ratio: float, density: float, c_star: float) -> float:
    (found,) = steady_pressures(
        law.log_rate, ratio, density=density, characteristic_velocity=c_star
    )
    return found


def rate_of(law: DrawnLaw, pressure: float) -> float:
    return math.exp(float(law.log_rate(np.array([math.log(pressure)]))[0]))


def circle(diameter: float) -> float:
    return math.pi / 4.0 * diameter**2


def burnt(
    grain: Grain,
    throat: float,
    throat_after: float | None = None,
    *,
    law: DrawnLaw = FIRST,
    density: float = DENSITY,
    c_star: float = C_STAR,
    erosion: ErosiveBurning | None = None,
    free_volume: float = 1e-6,
    first_step: float = math.inf,
) -> Burn:
    start = steady(law, float(burning_area(grain, 0.0)) / circle(throat), density, c_star)
    inputs = BurnInputs(
        density=np.array(density),
        characteristic_velocity=np.array(c_star),
        gas_energy=np.array(c_star**2 / STORED),
        throat_from=np.array(circle(throat)),
        throat_to=np.array(circle(throat_after or throat)),
        free_volume=free_volume,
        sizes={},
        start_pressure=start,
        lowest_pressure=1e5,
        erosion=erosion,
    )
    return burn_from_arrays(tabulate_grain(grain, (), first_step), law, inputs, 1)


def constant(area: float, depth: float = 0.1) -> AreaTable:
    return AreaTable((0.0, depth), (area, area))


# ------------------------------------------------------------------- examples of the exam key


def test_4_steady_state_thrust_and_specific_impulse() -> None:
    # A2: ρ 1800, c* 1520, Kn 260, D_t 0.180 m, γ 1.17, ε 12, vacuum: p 5.982415 MPa,
    # r 8.409828 mm/s, 100.15 kg/s both ways, C_F 1.785039, F 271.7 kN, Isp 276.675 s.
    area = 260.0 * circle(0.180)
    pressure = math.exp(burnt(constant(area), 0.180).log_pressure[-1, 0])
    assert pressure == pytest.approx(5.982415e6, rel=1e-6)
    rate = rate_of(FIRST, pressure)
    assert rate == pytest.approx(8.409828e-3, rel=1e-6)
    assert DENSITY * area * rate == pytest.approx(100.15, abs=0.005)
    assert pressure * circle(0.180) / C_STAR == pytest.approx(100.15, abs=0.005)
    assert thrust_coefficient(1.17, 12.0, pressure, 0.0) == pytest.approx(1.785039, rel=1e-6)
    motor = MotorDesign(
        name="A2",
        grain=constant(area),
        nozzle=Nozzle(0.180, exit_diameter=0.180 * math.sqrt(12.0)),
        density=DENSITY,
        characteristic_velocity=C_STAR,
        specific_heat_ratio=1.17,
        thrust_efficiency=1.0,
        ambient_pressure=MADE_UP,
        free_volume=1e-4,
    )
    found = burn_motor(motor, FIRST)
    filling = with_gas_stored(pressure, EXPONENT, DENSITY, motor.gas_energy)
    assert found.peak_thrust[0] == pytest.approx(271.7e3 * filling, rel=3e-4)
    mass = DENSITY * area * 0.1
    assert found.total_impulse[0] / mass / 9.80665 == pytest.approx(276.675, rel=1e-3)


def with_gas_stored(pressure: float, n: float, density: float, energy: float) -> float:
    """Share of the course's pressure that is left by the gas which fills the propellant's room.

    The course leaves that gas out; P = (ρ − P/RT)·r·c*·K, own algebra.
    """
    share = 1.0
    for _ in range(50):
        share = (1.0 - share * pressure / (density * energy)) ** (1.0 / (1.0 - n))
    return share


def soaked(
    law: DrawnLaw, sigma_p: float, span: float, area: float, throat: float, gas: tuple[float, float]
) -> tuple[Forecast, float]:
    """Cold and hot soak by the forecast, and R·T of its gas."""
    source = LawSource(
        formulation="course",
        law="power",
        reference_pressure=law.reference_pressure,
        ln_r0=float(law.ln_r0[0]),
        n=float(law.n[0]),
        covariance=np.zeros((2, 2)),
        df=(1e6, 1e6),
        pressure_range=(1e6, 12e6),
        batches=3,
        strands=12,
        firings=2,
        sigma_p=sigma_p,
        reference_temperature=294.0,
        temperature_range=(250.0, 340.0),
    )
    motor = MotorDesign(
        name="soaked",
        grain=constant(area, 0.5),
        nozzle=Nozzle(throat),
        density=gas[0],
        characteristic_velocity=gas[1],
        specific_heat_ratio=1.17,
        thrust_efficiency=1.0,
        ambient_pressure=1e5,
        free_volume=1e-6,
        tolerances=Tolerances(),
        temperature=294.0,
        temperature_low=294.0 - span,
        temperature_high=294.0 + span,
    )
    return forecast_motor(motor, source, draws=100), motor.gas_energy


def test_5_temperature() -> None:
    # A2 d, e: σ_p 0.0024/K, n 0.30, ±35 K: π_K 3.42857e-3/K, pressure x 1.127497 and 0.886920,
    # hot 6.745 MPa; the rate alone, as a strand has it, x 1.087629.
    assert pressure_sensitivity(0.0024, 0.30) == pytest.approx(3.42857e-3, rel=1e-5)
    nominal = steady(FIRST, 260.0, DENSITY, C_STAR)
    for warmer, ratio in ((35.0, 1.127497), (-35.0, 0.886920)):
        law = FIRST.faster(np.array([0.0024 * warmer]))
        assert steady(law, 260.0, DENSITY, C_STAR) / nominal == pytest.approx(ratio, rel=1e-6)
    assert math.exp(0.0024 * 35.0) == pytest.approx(1.087629, rel=1e-6)
    found, energy = soaked(FIRST, 0.0024, 35.0, 260.0 * circle(0.18), 0.18, (DENSITY, C_STAR))
    for soak, expected in zip(found.soaks, (0.886920 * 5.982415e6, 6.745e6), strict=True):
        filling = with_gas_stored(expected, EXPONENT, DENSITY, energy)
        assert soak.peak_pressure.median == pytest.approx(expected * filling, rel=3e-4)


def test_6_table_of_areas() -> None:
    # B1: D_t 0.150 m; pressures, first and last rate, times by trapezia, t_b 14.2746 s.
    depth = (0.0, 0.020, 0.040, 0.060, 0.080, 0.100, 0.115)
    grain = AreaTable(depth, (4.20, 4.55, 4.72, 4.70, 4.40, 3.60, 2.10))
    curve = tabulate_grain(grain)
    burn = burnt(grain, 0.150)
    at = [int(np.argmin(np.abs(curve.depth - x))) for x in depth]
    pressure = np.exp(burn.log_pressure[at, 0])
    expected = [5.26220, 5.89967, 6.21707, 6.17947, 5.62379, 4.22211, 1.95490]
    # Seventeen in a thousand of the area go in a step; the stepping is of second order in it.
    np.testing.assert_allclose(pressure / 1e6, expected, rtol=4e-4)
    rate = [rate_of(FIRST, float(p)) for p in pressure]
    assert rate[0] == pytest.approx(8.0923e-3, rel=2e-5)
    assert rate[-1] == pytest.approx(6.0126e-3, rel=1.2e-4)
    times = [
        2.0 * (depth[i + 1] - depth[i]) / (rate[i] + rate[i + 1]) for i in range(len(depth) - 1)
    ]
    expected = [2.4291, 2.3694, 2.3530, 2.3884, 2.5268, 2.2079]
    np.testing.assert_allclose(times, expected, rtol=1e-4)
    assert sum(times) == pytest.approx(14.2746, rel=3e-5)
    # Between the depths the area runs straight and the rate does not: own quadrature of dx/r.
    fine = np.linspace(0.0, 0.115, 20_001)
    ratio = burning_area(grain, fine) / circle(0.150)
    steady_at = AT * (RATE / AT * DENSITY * C_STAR * ratio) ** (1.0 / 0.7)
    slowness = 1.0 / (RATE * (steady_at / AT) ** 0.3)
    whole = float((0.5 * (slowness[1:] + slowness[:-1]) * np.diff(fine)).sum())
    assert burn.time[-1, 0] == pytest.approx(whole, rel=1e-4)
    assert whole == pytest.approx(14.2746, rel=5e-3)


BORE = HollowCylinder(0.480, 0.220, 2.6, inhibited=frozenset({"outer", "ends"}))


def test_7_bore_that_burns_from_core_to_case() -> None:
    # B3: bore radius 0.110 to 0.240 m, D_t 0.120 m: 2.960 to 9.023 MPa, ratio
    # (R_o/R_i)^(1/(1−n)) = 3.0481, port over throat 3.361, gas flux 579.4 kg/(m²·s).
    curve, burn = tabulate_grain(BORE), burnt(BORE, 0.120)
    k = int(np.searchsorted(curve.depth, 0.002 * curve.depth[-1]))
    grown = (0.110 + curve.depth[k]) / 0.110
    start = math.exp(burn.log_pressure[k, 0]) / grown ** (1.0 / 0.7)
    assert start == pytest.approx(2.960e6, rel=3e-4)
    assert math.exp(burn.log_pressure[-1, 0]) == pytest.approx(9.023e6, rel=1e-4)
    assert math.exp(burn.log_pressure[-1, 0]) / start == pytest.approx(3.0481, rel=3e-4)
    port = port_area(BORE)
    assert port is not None
    assert port / circle(0.120) == pytest.approx(3.361, rel=2e-4)
    assert start * circle(0.120) / C_STAR / port == pytest.approx(579.4, rel=3e-4)


def test_bore_burns_as_long_as_its_closed_form_says() -> None:
    # t_b = (R_i/r_i)[(R_o/R_i)^(1−m) − 1]/(1 − m), m = n/(1 − n): own computation with the law of
    # example 7, 15.879870 s; ∫p dt = m c*/A_t = 89.908000 MPa·s.
    burn = burnt(BORE, 0.120)
    pressure = np.exp(burn.log_pressure[:, 0])
    assert burn.time[-1, 0] == pytest.approx(15.879870, rel=2e-4)
    assert pressure[-1] == pytest.approx(9.0231970e6, rel=1e-4)
    steps = np.diff(burn.time[:, 0])
    integral = float((0.5 * (pressure[1:] + pressure[:-1]) * steps).sum())
    assert integral == pytest.approx(89.908e6, rel=5e-4)


@pytest.mark.parametrize(
    ("wear", "area", "pressure", "thrust"),
    [(0.060, 1.0973, 0.8758, 0.9610), (0.130, 1.2164, 0.7559, 0.9195)],
)
def test_8_throat_that_wears(wear: float, area: float, pressure: float, thrust: float) -> None:
    # C3: throat radius 0.120 m, wear in mm/s for 95 s, n 0.30.
    grown = 0.240 + 2.0 * wear * 1e-3 * 95.0
    burn, fresh = burnt(constant(5.0), 0.240, grown), burnt(constant(5.0), 0.240)
    ratio = math.exp(burn.log_pressure[-1, 0] - fresh.log_pressure[-1, 0])
    wider = float(burn.throat[-1, 0] / fresh.throat[-1, 0])
    assert wider == pytest.approx(area, rel=1e-4)
    assert ratio == pytest.approx(pressure, rel=2e-4)
    assert ratio * wider == pytest.approx(thrust, rel=2e-4)


def test_8_throat_that_wears_expands_less() -> None:
    # C3 with the change of C_F, γ 1.17, ε 12 at first, vacuum (A2): F x 0.9074 at 0.130 mm/s.
    grown = 0.240 + 2.0 * 0.130e-3 * 95.0
    forces = []
    for after in (None, grown):
        motor = MotorDesign(
            name="C3",
            grain=constant(260.0 * circle(0.240), 0.8),
            nozzle=Nozzle(0.240, after, exit_diameter=0.240 * math.sqrt(12.0)),
            density=DENSITY,
            characteristic_velocity=C_STAR,
            specific_heat_ratio=1.17,
            thrust_efficiency=1.0,
            ambient_pressure=MADE_UP,
            free_volume=1e-4,
        )
        bands = burn_motor(motor, FIRST, bands=True).bands
        assert bands is not None
        over = np.flatnonzero(bands.pressure[2] > 0.5 * bands.pressure[2].max())[-1] - 1
        forces.append(float(bands.thrust[2, over]))
    # At an instant just before burnout, the throat not quite at its widest.
    assert forces[1] / forces[0] == pytest.approx(0.9074, abs=1.5e-3)


def test_9_step_of_pressure() -> None:
    # D2: 6.20 to 6.57 MPa at n 0.30 is +4.14 % of burning area, or −4.0 % of throat area.
    plain = burnt(constant(4.0), 0.15).log_pressure[-1, 0]
    cracked = burnt(constant(4.0 * 1.0414), 0.15).log_pressure[-1, 0]
    blocked = burnt(constant(4.0), 0.15 * math.sqrt(1.0 - 0.040)).log_pressure[-1, 0]
    assert math.exp(cracked - plain) == pytest.approx(6.57 / 6.20, rel=2e-4)
    assert math.exp(blocked - plain) == pytest.approx(6.57 / 6.20, rel=5e-4)


# ------------------------------------------------------------------- module 20 and whiteboard

GAS = {"law": SECOND, "density": 1750.0, "c_star": 1500.0}


def second(throat_factor: float = 1.0, faster: float = 0.0) -> Burn:
    made: Any = {**GAS, "law": SECOND.faster(np.array([faster]))}
    return burnt(constant(350.0 * circle(0.10)), 0.10 * math.sqrt(throat_factor), **made)


def test_10_steady_state() -> None:
    # Worked example 1: ρ 1750, c* 1500, D_t 0.10 m, Kn 350: 7.488 MPa (7.488253 done again),
    # 8.150 mm/s, 39.21 kg/s, 91.2 kN at C_F 1.55.
    pressure = math.exp(second().log_pressure[-1, 0])
    assert pressure == pytest.approx(7.488253e6, rel=1e-6)
    assert rate_of(SECOND, pressure) == pytest.approx(8.150e-3, rel=1e-4)
    assert pressure * circle(0.10) / 1500.0 == pytest.approx(39.21, rel=1e-4)
    assert 1.55 * pressure * circle(0.10) == pytest.approx(91.2e3, rel=1e-3)


def test_11_temperature() -> None:
    # Worked example 2: σ_p 0.0020/K, ±40 K: π_K 3.077e-3/K, 8.469 and 6.621 MPa, burn time
    # x 0.884 and 1.131.
    assert pressure_sensitivity(0.0020, 0.35) == pytest.approx(3.077e-3, rel=1e-4)
    plain = second()
    for warmer, pressure, slower in ((40.0, 8.469e6, 0.884), (-40.0, 6.621e6, 1.131)):
        burn = second(faster=0.0020 * warmer)
        assert math.exp(burn.log_pressure[-1, 0]) == pytest.approx(pressure, rel=2e-4)
        assert burn.time[-1, 0] / plain.time[-1, 0] == pytest.approx(slower, rel=6e-4)
    found, energy = soaked(SECOND, 0.0020, 40.0, 350.0 * circle(0.10), 0.10, (1750.0, 1500.0))
    for soak, pressure, slower in zip(found.soaks, (6.621e6, 8.469e6), (1.131, 0.884), strict=True):
        filling = with_gas_stored(pressure, 0.35, 1750.0, energy)
        assert soak.peak_pressure.median == pytest.approx(pressure * filling, rel=3e-4)
        assert soak.burn_time.median is not None
        assert found.burn_time.median is not None
        ratio = soak.burn_time.median / found.burn_time.median
        assert ratio == pytest.approx(slower, rel=1.5e-3)


def test_12_wider_throat() -> None:
    # Worked example 3: A_t +3 %: p x 0.9555 (7.155 MPa), F x 0.9842.
    pressure = math.exp(second(1.03).log_pressure[-1, 0])
    assert pressure == pytest.approx(7.155e6, rel=1e-4)
    assert pressure / 7.488253e6 == pytest.approx(0.9555, rel=1e-4)
    assert 1.03 * pressure / 7.488253e6 == pytest.approx(0.9842, rel=1e-4)


def test_13_erosive_burning() -> None:
    # Worked example 4: port 0.14 m, threshold 1200 kg/(m²·s), k 1.8e-6, on the aft 30 % of the
    # area, coupled with the pressure: 7.488 to 8.822 MPa, mean rate 9.603 mm/s.
    stream = ErosiveBurning(threshold_flux=1200.0, coefficient=1.8e-6, area_share=0.30)

    def hastened(y: np.ndarray) -> np.ndarray:
        flux = np.exp(y) * circle(0.10) / (1500.0 * circle(0.14))
        return np.log(np.exp(SECOND.log_rate(y)) + stream.extra_rate(flux))

    assert steady(SECOND, 350.0, 1750.0, 1500.0) == pytest.approx(7.488e6, rel=1e-4)
    (found,) = steady_pressures(hastened, 350.0, density=1750.0, characteristic_velocity=1500.0)
    # The two answers there are an iteration short of each other: 8.822 MPa at this ratio is
    # 9.602 mm/s, and the stream makes 9.604 mm/s of it (own computation).
    assert found == pytest.approx(8.822e6, rel=5e-4)
    rate = math.exp(float(hastened(np.array([math.log(found)]))[0]))
    assert rate == pytest.approx(9.603e-3, rel=5e-4)
    assert 350.0 * 1750.0 * 1500.0 * rate == pytest.approx(found, rel=1e-9)
    # The stepped burn of a bore with that port and ratio, from the pressure without the stream on.
    length = 350.0 * circle(0.10) / (math.pi * 0.14)
    grain = HollowCylinder(0.16, 0.14, length, inhibited=frozenset({"outer", "ends"}))
    settling: Any = {**GAS, "erosion": stream, "free_volume": 1.0, "first_step": 2e-8}
    burn = burnt(grain, 0.10, **settling)
    assert math.exp(burn.log_pressure[0, 0]) == pytest.approx(7.488e6, rel=1e-4)
    k = int(np.searchsorted(tabulate_grain(grain, (), 2e-8).depth, 2e-6))
    assert math.exp(burn.log_pressure[k, 0]) == pytest.approx(found, rel=3e-4)


def test_14_area_ratios() -> None:
    # Worked example 5.
    ratios = (300, 330, 352, 358, 350, 332, 296, 250, 190, 120, 55)
    expected = (5.907, 6.840, 7.554, 7.753, 7.488, 6.904, 5.787, 4.462, 2.926, 1.443, 0.434)
    found = [steady(SECOND, k, 1750.0, 1500.0) / 1e6 for k in ratios]
    np.testing.assert_allclose(found, expected, rtol=0.0, atol=6e-4)


def test_15_exponent_of_two_firings() -> None:
    # Whiteboard problem 10: A_t +5 %, 7.00 to 6.49 MPa: n = 1 − ln(1/1.05)/ln(6.49/7.00) =
    # 0.3550; 1 % in a pressure moves n by about 0.08. In a steady chamber r goes as P·A_t.
    def exponent(first: float, second: float) -> float:
        pressure = np.array([first, second])
        series = RateSeries(
            label="both",
            formulation="same",
            tests=("first", "second"),
            pressure=pressure,
            rate=1e-9 * pressure * np.array([1.0, 1.05]),
            pressure_sd=np.zeros(2),
            rate_sd=np.zeros(2),
            kinds=("firing", "firing"),
        )
        (fit,) = fit_batches([series])
        assert fit.n is not None
        return fit.n

    assert exponent(7.00e6, 6.49e6) == pytest.approx(0.3550, abs=1e-4)
    moved = abs(exponent(7.00e6, 6.49e6 * 1.01) - 0.3550)
    assert moved == pytest.approx(0.08, abs=0.03)


def test_greatest_expected_pressure_stacks_up() -> None:
    # Exam C1: 7.00 MPa x 1.10833 (30 K at σ_p/(1 − n) = 0.0034286/K) x 1.05 x 1.06 x 1.03:
    # 8.894 MPa; burst at 1.40 times it, 12.452 MPa. Each factor on pressure is here what has to
    # be off for it: rate, density and throat, by its logarithm times 1 − n.
    area = 260.0 * circle(0.18)
    nominal = math.exp(burnt(constant(area), 0.18).log_pressure[-1, 0])
    less = 1.0 - EXPONENT
    warm = FIRST.faster(np.array([0.0024 * 30.0]))
    hot = math.exp(burnt(constant(area), 0.18, law=warm).log_pressure[-1, 0])
    assert hot / nominal == pytest.approx(1.10833, rel=1e-5)
    worst = burnt(
        constant(area),
        0.18 * 1.03 ** (-less / 2.0),
        law=warm.faster(np.array([less * math.log(1.05)])),
        density=DENSITY * 1.06**less,
    )
    expected = 7.00 * math.exp(worst.log_pressure[-1, 0]) / nominal
    assert expected == pytest.approx(8.894, rel=1e-4)
    assert 1.40 * expected == pytest.approx(12.452, rel=1e-4)
