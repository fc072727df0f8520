"""Points that cannot be take no part in any fit; limits `common practice, no source`."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.records import Channel, EventOverrides, Gas, TraceSpec
from strandwise.reduction import RatePoint, reduce_firing
from strandwise.reduction.points import without_impossible


def point(**changes: object) -> RatePoint:
    fields: dict[str, object] = {
        "test": "S-1",
        "batch": "B-1",
        "formulation": "base",
        "kind": "strand",
        "pressure": 4e6,
        "pressure_sd": None,
        "rate": 8e-3,
        "rate_sd": None,
        "uncertainty": "scatter",
    }
    return RatePoint(**{**fields, **changes})  # type: ignore[arg-type]


# From vacuum (AP propellants were burnt at some hundredths of an atmosphere) to the breech of a
# gun, and from delay trains of 0.3 mm/s to porous charges: from memory.
@given(pressure=st.floats(1e3, 8e8), rate=st.floats(1e-4, 0.5))
def test_what_has_been_burnt_stays(pressure: float, rate: float) -> None:
    one = point(pressure=pressure, rate=rate)
    assert without_impossible(one) is one


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        # kPa taken for MPa: 4000 kPa of a strand bomb as 4000 MPa, and back.
        ({"pressure": 4e9}, "pressure of 4000 MPa"),
        ({"pressure": 4.0}, "pressure of 4e-06 MPa"),
        # 8 mm in 1 s with the metre, or with the millisecond; and in 1000 s taken for 1 ms.
        ({"rate": 8.0}, "burn rate of 8000 mm/s"),
        ({"rate": 8e-6}, "burn rate of 0.008 mm/s"),
    ],
)
def test_what_cannot_be_is_left_out_with_a_reason(changes: dict[str, float], said: str) -> None:
    judged = without_impossible(point(**changes))
    assert not judged.used
    assert judged.why_not is not None
    assert said in judged.why_not
    assert "correct the record" in judged.why_not
    (caution,) = judged.cautions
    assert (caution.code, caution.tests) == ("impossible-point", ("S-1",))
    assert dataclasses.replace(judged, used=True, why_not=None, cautions=()) == point(**changes)


def test_the_reason_of_a_person_is_kept() -> None:
    judged = without_impossible(point(pressure=4e9, used=False, why_not="wire broke"))
    assert (judged.used, judged.why_not) == (False, "wire broke")
    assert [caution.code for caution in judged.cautions] == ["impossible-point"]


def reduced_point(sim: Any, folder: Path, pressure: Any, time: Any, **more: Any) -> RatePoint:
    path = folder / "trace.csv"
    rows = "".join(f"{t:.4f},{p:.0f}\n" for t, p in zip(time, pressure, strict=True))
    path.write_text("t,p\n" + rows)
    spec = TraceSpec(
        file=path,
        time=Channel(column="t", unit="s", scale=1.0, offset=0.0),
        pressure=Channel(column="p", unit="Pa abs", scale=1.0, offset=0.0),
    )
    motor = sim.Motor()
    result = reduce_firing(
        sim.firing(motor, trace=spec, **more),
        "base",
        gas=Gas(),
        ambient=motor.ambient,
        density=None,
        exponent=0.35,
    )
    assert result.point is not None
    return result.point


def test_a_burst_gives_no_point_unless_a_person_sets_the_burnout(sim: Any, tmp_path: Path) -> None:
    motor = sim.Motor(burns=("core",), core=20e-3)
    time, pressure = sim.gauge(sim.burn(motor), noise=0.005, before=1.0, after=2.0)
    pressure = np.where(time > 1.7, motor.ambient, pressure)
    lost = reduced_point(sim, tmp_path, pressure, time)
    assert not lost.used
    assert lost.why_not is not None
    assert lost.why_not.startswith("the signal is lost at once")
    assert "set [events] web_burnout" in lost.why_not
    kept = reduced_point(sim, tmp_path, pressure, time, events=EventOverrides(web_burnout=1.69))
    assert (kept.used, kept.why_not) == (True, None)
    named = reduced_point(sim, tmp_path, pressure, time, exclude="the closure went")
    assert (named.used, named.why_not) == (False, "the closure went")


@pytest.mark.parametrize("pause", [0.2, 0.5])
def test_a_motor_that_chuffed_gives_no_point(sim: Any, tmp_path: Path, pause: float) -> None:
    """Half waves of 0.1 s, two to five times as long apart; then rest."""
    time = np.arange(0.0, 5.0, 1e-3)
    into = (time - 1.0) % (0.1 + pause)
    pulses = np.where(into < 0.1, np.sin(np.pi * np.clip(into / 0.1, 0.0, 1.0)), 0.0)
    pulses[(time < 1.0) | (time > 1.0 + 4.0 * (0.1 + pause))] = 0.0
    noise = np.random.default_rng(3).normal(0.0, 5e3, len(time))
    point = reduced_point(sim, tmp_path, 101325.0 + 1.5e6 * pulses + noise, time)
    assert not point.used
    assert (point.why_not or "").startswith("the motor chuffed")
