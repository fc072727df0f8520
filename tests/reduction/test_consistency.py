from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from strandwise.motor import HollowCylinder, Nozzle, thrust_coefficient
from strandwise.records import Channel, Gas, Summary, TraceSpec
from strandwise.reduction import reduce_firing

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
    """(∫ F dt / m) / C_F (NASA SP-8039 pp. 14 and 95) against what the chain and the truth give."""
    motor = sim.Motor()
    time, thrust = sim.load_cell(sim.burn(motor))
    events, chain = sim.chain(motor, sim.firing(motor), time, thrust, by_thrust=True)
    nominal = chain.run({})
    assert nominal.characteristic_velocity == pytest.approx(motor.c_star, rel=0.01)
    ratio = (motor.exit / motor.throat) ** 2
    ideal = thrust_coefficient(motor.gamma, ratio, nominal.pressure, AMBIENT, motor.half_angle)
    during = (time >= events.ignition) & (time <= events.end)
    impulse = np.trapezoid(events.values[during], time[during])
    c_star = impulse / (motor.mass * motor.efficiency * float(ideal))
    assert c_star == pytest.approx(nominal.characteristic_velocity, rel=0.01)
    # The truth of the simulator, whose nozzle is its own: ∫ F dt = C_F c* m.
    truth = sim.burn(motor)
    mean = np.trapezoid(truth.thrust, truth.time) / np.trapezoid(
        truth.pressure * truth.throat_area, truth.time
    )
    assert motor.efficiency * float(ideal) == pytest.approx(mean, rel=0.01)


def by_thrust_alone(sim, *, thrust=1.0, mass=1.0, time=1.0, c_star=900.0, **changes):
    """As `by_hand`, but with no pressure read; `changes` of the record."""
    motor = sim.Motor()
    true_pressure, area = 4.0e6, math.pi / 4.0 * 9e-3**2
    coefficient = 0.95 * float(thrust_coefficient(1.13, (17 / 9) ** 2, 4e6, AMBIENT, 0.2))
    burn_time = motor.mass * 900.0 / (true_pressure * area)
    summary = Summary(
        burn_time=time * burn_time, mean_thrust=thrust * coefficient * true_pressure * area
    )
    weighed = None if mass is None else mass * motor.mass
    grain = HollowCylinder(38e-3, 13e-3, 70e-3, 2, frozenset({"outer"}), mass=weighed)
    record = sim.firing(
        motor, **({"nozzle": Nozzle(**TRUTH), "summary": summary, "grain": grain} | changes)
    )
    gas = Gas(characteristic_velocity=c_star, specific_heat_ratio=1.13)
    return reduce_firing(record, "base", gas=gas, ambient=AMBIENT, density=None, exponent=0.35)


IMPOSSIBLE = "thrust-coefficient-impossible"


@pytest.mark.parametrize(
    "known",
    [{}, {"mass": None}, {"c_star": None}, {"nozzle": None}, {"c_star": None, "mass": None}],
)
def test_sound_thrust_alone_raises_nothing(sim, known):
    assert not {IMPOSSIBLE, "c-star-off"} & set(told(by_thrust_alone(sim, **known)))


@pytest.mark.parametrize("known", [{}, {"mass": None}, {"c_star": None}, {"nozzle": None}])
@pytest.mark.parametrize(
    ("factor", "likely"),
    [
        (9.80665, "thrust in N recorded as kgf"),
        (1 / 9.80665, "thrust in kgf recorded as N"),
        (4.4482216, "thrust in N recorded as lbf"),
    ],
)
def test_thrust_alone_that_no_throat_can_give(sim, known, factor, likely):
    message = told(by_thrust_alone(sim, thrust=factor, **known))[IMPOSSIBLE]
    assert likely in message
    assert "the thrust is most likely wrong" in message
    assert "recorded as bar" not in message  # no pressure was read
    # Own computation of the generator: what the propellant makes is 4 MPa whatever the thrust.
    if known == {}:
        assert "makes about 4 MPa" in message
        assert "c-star-off" not in told(by_thrust_alone(sim, thrust=factor))


@pytest.mark.parametrize(
    ("slip", "said", "likely"),
    [
        ({"mass": 1 / 28.349523}, "the mass is most likely wrong", "in ounces recorded as grams"),
        ({"time": 60.0}, "the burn time is most likely wrong", "seconds recorded as minutes"),
    ],
)
def test_mass_or_burn_time_is_named_where_the_grain_gainsays_it(sim, slip, said, likely):
    message = told(by_thrust_alone(sim, **slip))[IMPOSSIBLE]
    assert said in message
    assert likely in message


def test_three_hundred_kilograms_force_on_a_small_throat(sim):
    """C_F = F t / (m c*): an impossible one is said of a throat that was stated, too."""
    summary = Summary(burn_time=1.3, mean_thrust=300 * 9.80665)
    result = by_thrust_alone(sim, mass=0.24 / sim.Motor().mass, c_star=890.0, summary=summary,
                             nozzle=Nozzle(9.5e-3))  # fmt: skip
    message = told(result)[IMPOSSIBLE]
    # Own computation: 2941.995 · 1.3 / (0.24 · 890), and 0.24 · 890 / (π/4 · 0.0095² · 1.3).
    assert "a thrust coefficient of 17.9, where a nozzle in air has 0.6 to 1.9" in message
    assert "on the throat of 9.5 mm this propellant makes about 2.3 MPa" in message
    assert "3825 N·s from 240 g" in message


@pytest.mark.parametrize(("factor", "warned"), [(1.0, False), (9.80665, True)])
def test_thrust_of_a_trace(sim, tmp_path, factor, warned):
    motor = sim.Motor()
    time, thrust = sim.load_cell(sim.burn(motor))
    path = tmp_path / "run.csv"
    rows = (f"{t:.6f},{factor * f:.6f}" for t, f in zip(time, thrust, strict=True))
    path.write_text("t,F\n" + "\n".join(rows) + "\n", encoding="utf-8")
    spec = TraceSpec(
        file=path,
        time=Channel(column="t", unit="s", scale=1.0, offset=0.0),
        thrust=Channel(column="F", unit="N", scale=1.0, offset=0.0),
    )
    gas = Gas(characteristic_velocity=motor.c_star, specific_heat_ratio=motor.gamma)
    result = reduce_firing(
        replace(sim.firing(motor), trace=spec),
        "base",
        gas=gas,
        ambient=AMBIENT,
        density=None,
        exponent=0.35,
    )
    assert result.pressure_from == "thrust"
    assert (IMPOSSIBLE in told(result)) == warned
    if warned:
        assert "thrust in N recorded as kgf" in told(result)[IMPOSSIBLE]
    bare = reduce_firing(
        replace(sim.firing(motor), trace=spec, nozzle=None),
        "base",
        gas=gas,
        ambient=AMBIENT,
        density=None,
        exponent=0.35,
    )
    assert (IMPOSSIBLE in told(bare)) == warned


def test_peaks_alone_give_a_coefficient_too(sim):
    area = math.pi / 4.0 * 9e-3**2
    summary = Summary(burn_time=2.0, peak_thrust=1.4 * 4e6 * area / 9.80665, peak_pressure=4e6)
    result = by_thrust_alone(sim, summary=summary)
    assert result.thrust_coefficient == pytest.approx(1.4 / 9.80665)
    assert "thrust in kgf recorded as N" in told(result)["channels-disagree"]


@pytest.mark.parametrize("calculated", [False, True])
def test_whose_c_star_it_is_compared_with(sim, calculated):
    base = by_hand(sim)
    summary = Summary(burn_time=base.burn_time, mean_pressure=0.5 * base.mean_pressure)
    result = reduce_firing(
        sim.firing(sim.Motor(), summary=summary),
        "base",
        gas=Gas(characteristic_velocity=900.0, specific_heat_ratio=1.13),
        ambient=AMBIENT,
        density=None,
        exponent=0.35,
        c_star_calculated=calculated,
    )
    message = told(result)["c-star-off"]
    assert ("of the recipe's equilibrium" in message) == calculated
    assert ("stated in [gas]" in message) != calculated


def test_a_mass_that_fits_the_grain_is_in_the_right_unit(sim):
    """c* at 45 %: a mass in pounds taken for kilograms would fit, but not the grain's density."""
    message = told(by_hand(sim, pressure=0.45))["c-star-off"]
    assert "a mass in" not in message
    assert (
        "a mass in pounds recorded as kilograms" in told(by_hand(sim, mass=2.2046226))["c-star-off"]
    )


@pytest.mark.parametrize(("thrust", "warned"), [(1.0, False), (1.5, True)])
def test_c_star_is_judged_against_its_own_uncertainty(sim, thrust, warned):
    """Without an exit diameter pressure from thrust is known to about 18 %: 119 % may be 100 %."""
    result = by_thrust_alone(sim, thrust=thrust, nozzle=Nozzle(9e-3, efficiency=0.95))
    assert result.characteristic_velocity_ratio > 1.15
    assert bool({"c-star-off", IMPOSSIBLE} & set(told(result))) == warned


def test_what_is_assumed_of_a_nozzle_is_said_plainly(sim):
    result = by_thrust_alone(sim, nozzle=Nozzle(9e-3))
    message = told(result)["thrust-coefficient-assumed"]
    assert (
        "assumed for it is an efficiency of 0.95 and a nozzle without a divergent part (no exit "
        "diameter is recorded): it is known to about ±"
    ) in message


@pytest.mark.parametrize(
    ("before", "after", "warned"),
    # 9/32 in before and 1/4 in after: 11 % narrower.
    [(7.14e-3, 6.35e-3, True), (7.14e-3, 6.95e-3, False), (6.35e-3, 7.14e-3, False)],
)
def test_a_throat_that_shrank_more_than_slag_explains(sim, before, after, warned):
    nozzle = Nozzle(before, after, exit_diameter=14e-3)
    result = by_thrust_alone(sim, nozzle=nozzle)
    assert ("throat-narrower" in told(result)) == warned
    if warned:
        assert "11 % narrower" in told(result)["throat-narrower"]


@pytest.mark.parametrize(("mean", "warned"), [(500.0, True), (450.0, False), (400.0, False)])
@pytest.mark.parametrize("kind", ["pressure", "thrust"])
def test_a_mean_above_its_peak(sim, kind, mean, warned):
    unit = 6894.757 if kind == "pressure" else 1.0
    read = {f"mean_{kind}": mean * unit, f"peak_{kind}": 450.0 * unit}
    result = by_thrust_alone(sim, summary=Summary(burn_time=2.0, **read))
    assert ("mean-above-peak" in told(result)) == warned
    if warned:
        assert f"the mean {kind} is 11 % above the peak" in told(result)["mean-above-peak"]


def test_an_igniter_that_weighs_too_much_is_named(sim):
    """The mass balance holds for the propellant alone: own computation, 900 m/s without it."""
    motor = sim.Motor()
    area = math.pi / 4.0 * 9e-3**2
    summary = Summary(burn_time=motor.mass * 900.0 / (4.0e6 * area), mean_pressure=4.0e6)
    grain = sim.firing(motor).grain.__class__(
        38e-3, 13e-3, 70e-3, 2, frozenset({"outer"}), mass=motor.mass
    )
    gas = Gas(characteristic_velocity=900.0, specific_heat_ratio=1.13)

    def reduced(igniter):
        record = sim.firing(
            motor, nozzle=Nozzle(9e-3), summary=summary, grain=grain, igniter_mass=igniter
        )
        return told(
            reduce_firing(record, "base", gas=gas, ambient=AMBIENT, density=None, exponent=0.35)
        )

    message = reduced(2.0 * motor.mass)["c-star-off"]
    assert message.startswith("c* comes out at 300 m/s")
    assert "the igniter_mass of " in message
    assert "without it c* would be 900 m/s" in message
    assert "it would fit" not in message
    assert "c-star-off" not in reduced(0.05 * motor.mass)
