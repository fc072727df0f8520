"""The chamber's volume by its tail-off, against simulated motors whose volume is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from strandwise.motor import propellant_volume
from strandwise.records import Channel, Gas, TraceSpec
from strandwise.reduction import reduce_firing
from strandwise.reduction.budget import budget_of
from strandwise.reduction.emptying import by_tail_off, emptied_volume, volume_cautions
from strandwise.reduction.readings import free_volume_reading


def volume_of(sim, motor, **keys):
    """Chamber volume without propellant by the trace, over the true one; None where not told."""
    burn = sim.burn(motor)
    time, pressure = sim.gauge(burn, **keys)
    events, chain = sim.chain(motor, sim.firing(motor), time, pressure)
    found = emptied_volume(
        time,
        events.values + motor.ambient,
        burn_time=events.burn_time,
        web_burnout=events.web_burnout,
        ambient=motor.ambient,
        throat_area=math.pi / 4.0 * motor.throat**2,
        characteristic_velocity=chain.run({}).characteristic_velocity,
        gamma=motor.gamma,
    )
    true = motor.port_volume + motor.dead_volume + motor.mass / motor.density
    return None if found is None else found / true


@pytest.mark.parametrize("dead", [15e-6, 60e-6, 200e-6])
@pytest.mark.parametrize("shape", [{}, {"burns": ("core",), "core": 20e-3}])
def test_a_clean_end_shows_the_chamber(sim, dead, shape):
    motor = sim.Motor(dead_volume=dead, **shape)
    ratios = [volume_of(sim, motor, noise=0.01, seed=seed) for seed in range(10)]
    told = [ratio for ratio in ratios if ratio is not None]
    assert len(told) >= 6
    assert np.mean(told) == pytest.approx(1.0, abs=0.02)
    assert np.max(np.abs(np.array(told) - 1.0)) < 0.08


@pytest.mark.parametrize("exponent", [0.35, 0.5, 0.6])
@pytest.mark.parametrize("uneven", [0.02, 0.05, 0.1])
def test_an_uneven_web_is_no_large_chamber(sim, exponent, uneven):
    motor = sim.Motor(exponent=exponent, throat=7.6e-3, uneven=uneven)
    assert {volume_of(sim, motor, noise=0.01, seed=seed) for seed in range(8)} == {None}


def test_a_slow_logger_tells_nothing(sim):
    assert volume_of(sim, sim.Motor(), rate=80.0) is None


def test_a_recorded_volume_stands(sim):
    motor = sim.Motor(dead_volume=200e-6)
    time, pressure = sim.gauge(sim.burn(motor))
    for stated in (None, 60e-6):
        _, chain = sim.chain(motor, sim.firing(motor, free_volume=stated), time, pressure)
        read = next(row for row in chain.readings if row.key == "free-volume")
        if stated is None:
            free = motor.port_volume + motor.dead_volume
            assert read.basis == "from the trace"
            assert read.value == pytest.approx(free, abs=2.0 * read.sd)
            assert read.value == pytest.approx(free, rel=0.05)
        else:
            assert read.value == stated


def test_what_was_assumed_stays_within_two_standard_uncertainties(sim):
    motor = sim.Motor()
    time, pressure = sim.gauge(sim.burn(motor))
    _, chain = sim.chain(motor, sim.firing(motor), time, pressure)
    assumed = free_volume_reading(chain.case)
    volume = float(propellant_volume(chain.case.firing.grain))
    for emptied in (volume + 0.5 * assumed.value, volume + 4.0 * assumed.value):
        shown = by_tail_off(assumed, chain.case, emptied)
        assert shown.value == pytest.approx(emptied - volume)
        assert abs(shown.value - assumed.value) <= 2.0 * shown.sd * (1.0 + 1e-9)
        told = [caution.code for caution in volume_cautions(assumed, chain.case, emptied)]
        assert told == (["free-volume-unlike"] if emptied > volume + assumed.value else [])
    # Less than the propellant alone took up: not the fall of an emptying chamber.
    assert by_tail_off(assumed, chain.case, 0.9 * volume) is assumed
    recorded = replace(chain.case, firing=sim.firing(motor, free_volume=5e-5))
    assert volume_cautions(free_volume_reading(recorded), recorded, 3.0 * volume) == ()


def reduced(sim, motor, folder, **more):
    time, pressure = sim.gauge(sim.burn(motor), noise=0.01, drift=0.002, seed=5)
    path = folder / "trace.csv"
    rows = "".join(f"{t:.6f},{p:.1f}\n" for t, p in zip(time, pressure, strict=True))
    path.write_text("t,p\n" + rows)
    spec = TraceSpec(
        file=path,
        time=Channel(column="t", unit="s", scale=1.0, offset=0.0),
        pressure=Channel(column="p", unit="Pa abs", scale=1.0, offset=0.0),
    )
    gas = Gas(characteristic_velocity=motor.c_star, specific_heat_ratio=motor.gamma)
    return reduce_firing(
        sim.firing(motor, trace=spec, **more),
        "base",
        gas=gas,
        ambient=motor.ambient,
        density=motor.density,
        exponent=motor.exponent,
    )


def test_a_large_chamber_is_told_and_used(sim, tmp_path):
    motor = sim.Motor(burns=("core",), core=20e-3, dead_volume=200e-6)
    result = reduced(sim, motor, tmp_path)
    assert "free-volume-unlike" in {caution.code for caution in result.cautions}
    assert any("by how fast it empties" in line for line in result.account)
    assert result.swept.exponent == pytest.approx(motor.exponent, rel=0.015)
    recorded = reduced(sim, motor, tmp_path, free_volume=motor.port_volume + motor.dead_volume)
    assert "free-volume-unlike" not in {caution.code for caution in recorded.cautions}
    assert recorded.swept.exponent == pytest.approx(result.swept.exponent, rel=0.01)


def test_an_igniter_that_weighs_much_beside_the_grain_is_in_the_interval(sim, tmp_path):
    """0.1 g of igniter gas in a motor of 17 g, which no record holds; all else exact."""
    motor = sim.Motor(
        outer=20e-3, core=10e-3, length=35e-3, segments=1, burns=("core",), throat=3.6e-3,
        exit=7e-3, dead_volume=3e-6,
    )  # fmt: skip
    result = reduced(sim, motor, tmp_path)
    (told,) = [line for line in result.account if "the record leaves open of that" in line]
    assert "the igniter's gas (±" in told
    readings = tuple(
        reading if reading.key == "igniter" else replace(reading, sd=0.0)
        for reading in result.chain.readings
    )
    chain = replace(result.chain, readings=readings)
    nominal = chain.run({})
    budget = budget_of(chain, nominal)
    swept = nominal.swept.with_shared(budget.swept_covariance)
    low, high = swept.exponent_interval()
    assert low < motor.exponent < high
    assert abs(swept.exponent / motor.exponent - 1.0) > 0.01  # the error is there, and is told
    assert budget.c_star_sd == pytest.approx(0.1e-3 / motor.mass, rel=0.01)
