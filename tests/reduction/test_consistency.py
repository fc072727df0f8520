from __future__ import annotations

import math

import numpy as np
import pytest

from strandwise.motor import Nozzle, thrust_coefficient
from strandwise.records import Gas, Summary
from strandwise.reduction import reduce_firing
from strandwise.reduction.consistency import c_star_from_thrust

AMBIENT = 101325.0
TRUTH = {"throat_diameter": 9e-3, "exit_diameter": 17e-3, "divergence_half_angle": 0.2}


def by_hand(sim, *, thrust=1.0, pressure=1.0, throat=1.0, mass=1.0, c_star=900.0):
    """A firing read by hand whose readings are sound but for the factors given."""
    motor = sim.Motor()
    true_pressure = 4.0e6
    area = math.pi / 4.0 * 9e-3**2
    coefficient = 0.95 * float(thrust_coefficient(1.13, (17 / 9) ** 2, 4e6, AMBIENT, 0.2))
    burn_time = motor.mass * 900.0 / (true_pressure * area)
    summary = Summary(
        burn_time=burn_time,
        mean_thrust=thrust * coefficient * true_pressure * area,
        mean_pressure=pressure * true_pressure,
    )
    nozzle = Nozzle(throat * 9e-3, exit_diameter=max(throat, 1.0) * 17e-3)
    record = sim.firing(motor, nozzle=nozzle, summary=summary)
    grain = record.grain.__class__(
        38e-3, 13e-3, 70e-3, 2, frozenset({"outer"}), mass=mass * motor.mass
    )
    record = sim.firing(motor, nozzle=nozzle, summary=summary, grain=grain)
    gas = Gas(characteristic_velocity=c_star, specific_heat_ratio=1.13)
    return reduce_firing(record, "base", gas=gas, ambient=AMBIENT, density=None, exponent=0.35)


def told(result):
    return {c.code: c.message for c in result.cautions}


def test_sound_readings_raise_nothing(sim):
    result = by_hand(sim)
    assert not {"c-star-off", "channels-disagree"} & set(told(result))
    assert result.characteristic_velocity_ratio == pytest.approx(1.0)
    assert 0.6 < result.thrust_coefficient < 1.9


@pytest.mark.parametrize(
    ("slip", "code", "likely"),
    [
        ({"throat": 0.5}, "channels-disagree", "a throat radius recorded as its diameter"),
        ({"throat": 0.5}, "c-star-off", "a throat radius recorded as its diameter"),
        ({"throat": 2.0}, "channels-disagree", "twice the throat diameter recorded"),
        ({"throat": 25.4}, "c-star-off", "a throat in millimetres recorded as inches"),
        ({"thrust": 1 / 9.80665}, "channels-disagree", "thrust in kgf recorded as N"),
        ({"thrust": 1 / 4.4482216}, "channels-disagree", "thrust in lbf recorded as N"),
        ({"thrust": 101.97162}, "channels-disagree", "thrust in gf recorded as N"),
        ({"thrust": 2.2046226}, "channels-disagree", "thrust in lbf recorded as kgf"),
        ({"pressure": 14.503774}, "channels-disagree", "pressure in psi recorded as bar"),
        ({"pressure": 1 / 6.8947573}, "c-star-off", "pressure in psi recorded as kPa"),
        ({"mass": 28.349523}, "c-star-off", "a mass in grams recorded as ounces"),
    ],
)
def test_the_likely_wrong_reading_is_named(sim, slip, code, likely):
    message = told(by_hand(sim, **slip))[code]
    assert likely in message


def test_thrust_is_at_fault_where_c_star_fits(sim):
    message = told(by_hand(sim, thrust=1 / 9.80665))["channels-disagree"]
    assert "c* fits" in message
    assert "throat" not in message.split("it would fit")[1]
    message = told(by_hand(sim, throat=0.5))["channels-disagree"]
    assert "one of thrust, pressure and throat" in message


@pytest.mark.parametrize(("c_star", "warned"), [(890.0, False), (870.0, True), (1300.0, True)])
def test_efficiency_outside_75_to_102_percent(sim, c_star, warned):
    assert ("c-star-off" in told(by_hand(sim, c_star=c_star))) == warned


def test_c_star_from_thrust_and_mass_alone(sim):
    """(∫ F dt / m) / C_F against what the pressure from the same thrust gives, and the truth."""
    motor = sim.Motor()
    time, thrust = sim.load_cell(sim.burn(motor))
    events, chain = sim.chain(motor, sim.firing(motor), time, thrust, by_thrust=True)
    nominal = chain.run({})
    assert nominal.characteristic_velocity == pytest.approx(motor.c_star, rel=0.01)
    ratio = (motor.exit / motor.throat) ** 2
    ideal = thrust_coefficient(motor.gamma, ratio, nominal.pressure, AMBIENT, motor.half_angle)
    c_star = c_star_from_thrust(
        time,
        events.values,
        motor.mass,
        coefficient=motor.efficiency * float(ideal),
        start=events.ignition,
        end=events.end,
    )
    assert c_star == pytest.approx(nominal.characteristic_velocity, rel=0.01)
    # The truth of the simulator, whose nozzle is its own: ∫ F dt = C_F c* m.
    truth = sim.burn(motor)
    mean = np.trapezoid(truth.thrust, truth.time) / np.trapezoid(
        truth.pressure * truth.throat_area, truth.time
    )
    assert motor.efficiency * float(ideal) == pytest.approx(mean, rel=0.01)
