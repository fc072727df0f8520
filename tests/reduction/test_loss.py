"""Bursts and honest ends of simulated motors, at the sampling rates that loggers have.

A burst: from one instant on the pressure over ambient falls by exp(−t/0.8 ms), as through an
opening many times the throat (own simulation; the fixture `sim`). Everything is invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from strandwise.records import Channel, EventOverrides, Gas, TraceSpec
from strandwise.reduction import reduce_firing
from strandwise.reduction.loss import Fall, last_fall, lost_cautions

OPENED = 0.8e-3  # s
# Smaller and larger than the fixture's own; each with as little dead space as can be.
MOTORS = {
    "tiny": {
        "outer": 12e-3, "core": 4e-3, "length": 20e-3, "segments": 1, "throat": 2.5e-3,
        "exit": 5e-3, "dead_volume": 0.2e-6, "igniter": 1e-6,
    },
    "small": {
        "outer": 20e-3, "core": 7e-3, "length": 35e-3, "segments": 1, "throat": 4e-3,
        "exit": 8e-3, "dead_volume": 1e-6, "igniter": 1e-5,
    },
    "usual": {"dead_volume": 2e-6},
    "core": {"burns": ("core",), "core": 20e-3, "dead_volume": 1e-6},
    "fast": {"rate": 25e-3, "throat": 14e-3, "exit": 25e-3, "dead_volume": 2e-6},
    "end": {
        "burns": ("ends",), "outer": 30e-3, "core": 1e-3, "length": 30e-3, "segments": 1,
        "throat": 2.6e-3, "exit": 5e-3, "dead_volume": 2e-6, "igniter": 1e-5,
    },
    "large": {
        "outer": 75e-3, "core": 25e-3, "length": 130e-3, "segments": 3, "throat": 23e-3,
        "exit": 50e-3, "dead_volume": 20e-6,
    },
    "composite": {
        "c_star": 1500.0, "rate": 7e-3, "density": 1700.0, "gamma": 1.2, "outer": 54e-3,
        "core": 18e-3, "length": 80e-3, "segments": 3, "throat": 14e-3, "exit": 35e-3,
        "dead_volume": 5e-6,
    },
}  # fmt: skip


@pytest.fixture
def fired(sim, tmp_path):
    def fire(name, rate, *, channel="pressure", burst=None, seed=0, c_star=True, **more):
        """Reduce one firing; `burst` is the share of the web's time at which the motor opens."""
        motor = sim.Motor(**MOTORS[name])
        rng = np.random.default_rng(seed)
        by_gauge = channel == "pressure"
        truth, rest = sim.burn(motor), motor.ambient if by_gauge else 0.0
        read = sim.gauge if by_gauge else sim.load_cell
        before = 1.0 + float(rng.uniform()) / rate
        time, values = read(truth, rate=rate, before=before, after=1.0)
        height = float(np.max(values)) - rest
        if burst is not None:
            lost = before + burst * truth.web_time
            level = float(np.interp(lost, time, values)) - rest
            gone = rest + level * np.exp(-np.clip(time - lost, 0.0, None) / OPENED)
            values = np.where(time < lost, values, gone)
        values = values + rng.normal(0.0, 0.005 * height, len(values))
        path = tmp_path / "run.csv"
        rows = "".join(f"{t:.6f},{v:.7g}\n" for t, v in zip(time, values, strict=True))
        path.write_text("t,y\n" + rows, encoding="utf-8")
        unit = "Pa abs" if by_gauge else "N"
        spec = TraceSpec(
            file=path,
            time=Channel(column="t", unit="s", scale=1.0, offset=0.0),
            **{channel: Channel(column="y", unit=unit, scale=1.0, offset=0.0)},
        )
        # The c* stated is that of a propellant without losses, 3 % above what the motor shows.
        gas = Gas(
            characteristic_velocity=1.03 * motor.c_star if c_star else None,
            specific_heat_ratio=motor.gamma,
        )
        return reduce_firing(
            sim.firing(motor, rng, trace=spec, **more),
            "base",
            gas=gas,
            ambient=motor.ambient,
            density=motor.density,
            exponent=motor.exponent,
            c_star_calculated=True,
        )

    return fire


def told(result):
    return {caution.code: caution.message for caution in result.cautions}


@pytest.mark.parametrize("channel", ["pressure", "thrust"])
@pytest.mark.parametrize("name", MOTORS)
def test_no_honest_end_is_a_burst(fired, name, channel):
    for rate in (50.0, 100.0, 500.0, 1000.0) if channel == "pressure" else (100.0, 1000.0):
        result = fired(name, rate, channel=channel, seed=int(rate))
        assert "burst" not in told(result), rate
        assert not any("burst?" in message for message in told(result).values())
        assert result.point.used


@pytest.mark.parametrize("name", ["usual", "core", "end", "large", "composite"])
@pytest.mark.parametrize("rate", [200.0, 500.0, 1000.0])
def test_a_burst_from_a_level_plateau_is_no_rate_point(fired, name, rate):
    for burst in (0.5, 0.8):
        result = fired(name, rate, burst=burst, seed=int(rate))
        message = told(result)["burst"]
        assert "burst?" in message
        assert "the throat alone would take" in message
        assert not result.point.used
        assert "the signal is lost at once" in result.point.why_not


@pytest.mark.parametrize("rate", [50.0, 100.0])
@pytest.mark.parametrize("name", MOTORS)
def test_where_samples_are_few_a_low_c_star_tells(fired, name, rate):
    """By physics: burnt at half of the web's time, about half of the propellant made pressure."""
    result = fired(name, rate, burst=0.45, seed=int(rate))
    assert not result.point.used
    assert "c* by mass is" in told(result)["burst"]
    assert "uneven-burnout" not in told(result)


def test_the_two_cautions_of_a_burst_agree(fired):
    """One cause, told alike; nobody stated the equilibrium's c*, and the mass fits the grain."""
    message = told(fired("usual", 500.0, burst=0.45))["c-star-off"]
    assert "of the recipe's equilibrium: burst?" in message
    assert "given" not in message
    assert "recorded as kilograms" not in message
    assert "more likely wrong than the propellant" not in message


def test_a_person_who_knows_the_burnout_decides(fired):
    result = fired("usual", 500.0, burst=0.8, events=EventOverrides(web_burnout=2.3))
    assert "burst" in told(result)
    assert result.point.used


def test_without_a_nozzle_the_trace_itself_tells_the_throat(fired):
    assert "burst" in told(fired("large", 500.0, burst=0.6, nozzle=None))
    assert "burst" not in told(fired("large", 500.0, nozzle=None))


def test_an_exponential_fall_takes_its_time_constants():
    """p from 5 MPa to 0.5 MPa at τ = 10 ms takes ln(10) · 10 ms = 23.03 ms."""
    time = np.arange(0.0, 3.0, 1e-3)
    # From 1 s up at once, to 2 s level, then to a tenth at once, and slowly on.
    pressure = np.where((time > 1.0) & (time < 2.0), 5e6, 0.0) + np.where(time >= 2.0, 0.5e6, 1e5)
    keys = {"start": 1.0, "end": 2.5, "ambient": 1e5, "least": 1e5, "emptying": 10e-3}
    pressure[(time > 1.0) & (time < 2.0)] -= 1e5
    fall = last_fall(time, pressure, **keys)
    assert fall.samples == 1
    assert fall.duration == pytest.approx(1e-3)
    assert fall.emptying == pytest.approx(23.03e-3, rel=1e-3)
    assert fall.impossible
    # The same fall on an exponential of that time constant is possible.
    calm = 1e5 + 4.9e6 * np.exp(-np.clip(time - 2.0, 0.0, None) / 10e-3)
    calm[time < 1.0] = 1e5
    slow = last_fall(time, calm, **keys)
    assert not slow.impossible
    assert not slow.sudden


@pytest.mark.parametrize(
    ("emptying", "samples", "share", "warned"),
    [
        (1.6e-3, 5, None, True),
        (1.4e-3, 5, None, False),
        (0.5e-3, 2, 0.55, True),
        (0.5e-3, 2, 0.65, False),
        (0.5e-3, 2, None, False),
        (0.9e-3, 5, 0.30, False),
        (1.2e-3, 5, 0.30, True),
    ],
)
def test_what_makes_a_burst(emptying, samples, share, warned):
    fall = Fall(begin=1.0, duration=1e-3, samples=samples, share=0.9, emptying=emptying)
    assert bool(lost_cautions(fall, share)) == warned
    assert lost_cautions(None, share) == ()
    assert replace(fall, emptying=10.0).impossible
