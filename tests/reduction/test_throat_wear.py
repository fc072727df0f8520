from __future__ import annotations

import numpy as np
import pytest

from strandwise.reduction.throat_wear import throat_area_over_time

TIME = np.linspace(0.0, 10.0, 1001)
ENDS = (60e-6, 66e-6)


def area(signal, **keys):
    return throat_area_over_time(TIME, signal, ENDS, start=1.0, end=9.0, **keys)


@pytest.mark.parametrize("by_pressure", [0.0, 0.5, 1.0])
def test_first_and_last_are_as_measured(by_pressure):
    found = area(1.0 + TIME, by_pressure=by_pressure)
    assert found[TIME <= 1.0] == pytest.approx(ENDS[0])
    assert found[TIME >= 9.0] == pytest.approx(ENDS[1])
    assert np.all(np.diff(found) >= 0.0)


def test_an_even_signal_wears_evenly_by_either_law():
    for by_pressure in (0.0, 1.0):
        middle = area(np.full_like(TIME, 3e6), by_pressure=by_pressure)[500]
        assert middle == pytest.approx(63e-6, rel=1e-3)


def test_wear_with_the_integral_of_the_signal():
    # Own computation: of p ∝ (t − 1) between 1 and 9 s a quarter of ∫ p dt is over at 5 s.
    signal = np.clip(TIME - 1.0, 0.0, None)
    assert area(signal, by_pressure=1.0)[500] == pytest.approx(60e-6 + 6e-6 / 4.0, rel=1e-4)
    assert area(signal, by_pressure=0.0)[500] == pytest.approx(63e-6, rel=1e-4)
    assert area(signal)[500] == pytest.approx(60e-6 + 6e-6 * 3.0 / 8.0, rel=1e-4)


def test_a_throat_that_keeps_its_size():
    same = throat_area_over_time(TIME, TIME, (5e-6, 5e-6), start=1.0, end=9.0)
    assert np.all(same == 5e-6)


def test_how_the_throat_wears_is_in_the_budget(sim):
    motor = sim.Motor(throat_after=9.3e-3)
    time, pressure = sim.gauge(sim.burn(motor), noise=0.01, seed=1)
    _, chain = sim.chain(motor, sim.firing(motor), time, pressure)
    exponents = [chain.run({"throat-course": share}).swept.exponent for share in (0.0, 0.5, 1.0)]
    assert exponents == sorted(exponents)
    assert exponents[2] - exponents[0] > 0.005
    assert "throat-course" in [reading.key for reading in chain.readings]
    assert chain.run({"throat-course": 1.0}).rate == chain.run({}).rate
