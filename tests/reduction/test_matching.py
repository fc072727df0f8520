from __future__ import annotations

import subprocess
import sys
import time as stopwatch

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.motor import HollowCylinder
from strandwise.reduction.matching import Motor, match_trace, simulate_motors


def chain_of(sim, motor, *, rng=None, gain=1.0, **keys):
    time, pressure = sim.gauge(sim.burn(motor), gain=gain, **keys)
    return sim.chain(motor, sim.firing(motor, rng), time, pressure)[1]


@pytest.mark.parametrize(
    ("changes", "grain", "within"),
    [
        ({}, HollowCylinder(38e-3, 13e-3, 70e-3, 2, frozenset({"outer"})), 1e-3),
        # The throat wears in time here, with the burnt web in the tests' simulator.
        (
            {"burns": ("core",), "core": 20e-3, "throat_after": 9.4e-3},
            HollowCylinder(38e-3, 20e-3, 70e-3, 2, frozenset({"outer", "ends"})),
            1e-2,
        ),
    ],
)
def test_simulated_pressure_against_small_explicit_steps(sim, changes, grain, within):
    """The stepping in web against the tests' own Runge–Kutta steps of 0.1 ms in time."""
    motor = sim.Motor(igniter=0.0, **changes)
    truth = sim.burn(motor)
    after = motor.throat if motor.throat_after is None else motor.throat_after
    made = simulate_motors(
        [
            Motor(
                grain=grain,
                density=motor.density,
                gamma=motor.gamma,
                free_volume=motor.port_volume + motor.dead_volume,
                throat_areas=(np.pi / 4 * motor.throat**2, np.pi / 4 * after**2),
                duration=truth.web_time,
                start_pressure=motor.ambient,
            )
        ],
        log_rate=np.array([np.log(motor.rate)]),
        exponent=np.array([motor.exponent]),
        c_star=np.array([motor.c_star]),
        reference_pressure=motor.at,
    )
    assert made.time[-1, 0] == pytest.approx(truth.web_time, rel=2e-3)
    settled = (made.time[:, 0] > 0.05) & (made.time[:, 0] < truth.web_time - 0.002)
    expected = np.interp(made.time[settled, 0], truth.time, truth.pressure)
    assert made.pressure[settled, 0] == pytest.approx(expected, rel=within)
    start = (made.time[:, 0] > 0.002) & (made.time[:, 0] <= 0.05)
    expected = np.interp(made.time[start, 0], truth.time, truth.pressure)
    assert made.pressure[start, 0] == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(
    "changes", [{}, {"burns": ("core",), "core": 20e-3}, {"exponent": 0.6, "rate": 8e-3}]
)
def test_known_truth(sim, changes):
    motor = sim.Motor(**changes)
    off = []
    for seed in range(6):
        match = match_trace(chain_of(sim, motor, noise=0.01, drift=0.002, seed=seed))
        off.append(
            [
                match.rate_at_reference / motor.law(match.reference_pressure) - 1.0,
                match.exponent / motor.exponent - 1.0,
                match.characteristic_velocity / motor.c_star - 1.0,
            ]
        )
        assert match.efficiency == pytest.approx(match.characteristic_velocity / motor.c_star)
        assert match.misfit < 0.01
        assert match.simulated == pytest.approx(match.measured, rel=0.04)
    assert np.abs(np.mean(off, axis=0)).max() < 0.01


def test_intervals_hold_the_truth_with_an_error_in_every_reading(sim):
    motor = sim.Motor(burns=("core",), core=20e-3)
    rng = np.random.default_rng(8)
    held = []
    for seed in range(40):
        gain = 1.0 + rng.normal(0.0, 0.01)
        match = match_trace(chain_of(sim, motor, rng=rng, gain=gain, noise=0.01, seed=seed))
        rate = motor.law(match.reference_pressure)
        truths = (rate, motor.exponent, motor.c_star)
        intervals = (
            match.rate_interval(),
            match.exponent_interval(),
            match.characteristic_velocity_interval(),
        )
        held.append([a <= v <= b for v, (a, b) in zip(truths, intervals, strict=True)])
    # 95 % of 40 is 38; fewer than 34 has a chance below 2 %.
    assert np.sum(held, axis=0).min() >= 34


def test_fast_enough(sim):
    chain = chain_of(sim, sim.Motor(), noise=0.01)
    start = stopwatch.perf_counter()
    match_trace(chain)
    assert stopwatch.perf_counter() - start < 1.0


def test_a_neutral_trace_is_refused(sim):
    chain = chain_of(sim, sim.Motor(table=((0.0, 0.02), (9e-3, 9e-3))), noise=0.01)
    with pytest.raises(DataError, match="cannot be matched: the pressure moves by"):
        match_trace(chain)


def test_the_room_itself_imports_no_lmfit():
    code = "import sys, strandwise.reduction; assert 'lmfit' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
