"""Readings far off what the other tests of the batch, formulation or campaign give."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from strandwise.errors import UnlikelyError
from strandwise.records import Comparison, unlikely_strand
from strandwise.workflow.firing_recording import log_firing
from strandwise.workflow.recording import log_batch, log_strand
from strandwise.workflow.trace_sizes import unlikely_trace, with_unlikely_traces

# Own computation: r = 4 mm/s at 1 MPa with the exponent 0.35, over 60 mm.
PRESSURES = (0.8, 1.7, 3.2, 5.0, 6.6)
GRAIN = {
    "shape": "hollow-cylinder",
    "outer_diameter": "38 mm",
    "core_diameter": "12 mm",
    "length": "75 mm",
    "segments": 2,
}
SETTINGS = "campaign.toml"


def time_at(pressure: float, length: float = 60.0) -> float:
    return length / (4.0 * pressure**0.35)


@pytest.fixture
def five(small: Any) -> Any:
    """Five strands of B-1, none of B-2."""
    rows = [f"S-{k},B-1,60,{time_at(p):.3f},{p}" for k, p in enumerate(PRESSURES, 1)]
    small.write(
        "strands.csv", "test,batch,length (mm),time (s),pressure (MPa)\n" + "\n".join(rows) + "\n"
    )
    assert small.read().remarks == ()
    return small


def log(bench: Any, *, confirmed: bool = False, **changes: str) -> None:
    texts = {"test": "S-9", "batch": "B-1", "length": "60 mm", "pressure": "3 MPa"}
    texts["time"] = f"{time_at(3.0):.3f} s"
    log_strand(bench.folder, texts | changes, confirmed=confirmed)


@pytest.mark.parametrize(
    "slip",
    [
        {"length": "60 in"},  # mm meant
        {"length": "2.36 mm"},  # in meant
        {"time": f"{10 * time_at(3.0):.2f} s"},
        {"time": f"{time_at(3.0) / 10:.3f} s"},
        {"pressure": "3 mbar", "time": "10 s"},
    ],
)
@pytest.mark.parametrize("batch", ["B-1", "B-2"])
def test_a_slip_is_asked_back_and_listed(five: Any, slip: dict[str, str], batch: str) -> None:
    before = five.snapshot()
    with pytest.raises(UnlikelyError, match="not likely"):
        log(five, batch=batch, **slip)
    assert five.snapshot() == before
    log(five, batch=batch, confirmed=True, **slip)
    assert {r.source.line for r in five.read().remarks} == {7}


def test_what_the_message_says(five: Any) -> None:
    with pytest.raises(UnlikelyError) as told:
        log(five, time="88 s")
    (finding,) = told.value.findings
    # Own computation: 60 mm / 88 s, against 4 mm/s · 3^0.35 = 5.88 mm/s.
    assert finding.message.startswith(
        "burn rate of 0.682 mm/s at 3 MPa absolute, 8.6 times less than the other tests of "
        "batch `B-1` give (about 5.8"
    )
    five.swap(SETTINGS, "altitude", 'units = "inch-pound"\naltitude')
    with pytest.raises(UnlikelyError, match=r"0\.0268 in/s at 435 psi absolute"):
        log(five, time="88 s")


@pytest.mark.parametrize("factor", [0.4, 2.5])
@pytest.mark.parametrize("pressure", ["0.2 MPa", "1 MPa", "10 MPa"])
def test_no_catalyst_or_plateau_is_asked_back(five: Any, factor: float, pressure: str) -> None:
    rate = 4.0 * float(pressure.split()[0]) ** 0.35
    log(five, pressure=pressure, time=f"{60.0 / rate / factor:.3f} s")


def test_two_others_say_nothing_and_the_floor_holds_without_any(small: Any) -> None:
    # The bench of the tests has three strands, one of them of B-2.
    small.write("strands.csv", small.text("strands.csv").rpartition("S-3")[0])
    log(small, time="100 s")
    with pytest.raises(UnlikelyError, match=r"burn rate of 0\.24 mm/s"):
        log(small, test="S-10", time="250 s")


def test_an_excluded_strand_is_neither_compared_nor_compared_with(five: Any) -> None:
    log(five, time="100 s", exclude="the igniter burnt along", confirmed=False)
    assert five.read().remarks == ()
    campaign = five.read().sound()
    strands = [replace(s, exclude="x") for s in campaign.strands[:3]] + [*campaign.strands[3:]]
    comparison = Comparison(replace(campaign, strands=tuple(strands)))
    far = replace(campaign.strands[0], length=0.6)
    assert list(unlikely_strand(far, comparison)) == []


def test_the_wires_of_one_strand_are_one_other(small: Any) -> None:
    log(small, batch="B-2")
    for k in range(3):
        wire = {"test": "S-9", "batch": "B-2", "pressure": "3 MPa", "length": f"{20 + k} mm"}
        log_strand(small.folder, wire | {"time": "4 s"}, confirmed=False, wire=True)
    # B-2 has five rows by now, of two strands: the campaign has four.
    with pytest.raises(UnlikelyError, match="other tests of the campaign"):
        log(small, test="S-10", batch="B-2", time="100 s")


def test_without_tests_of_the_batch_the_formulation_s_count(five: Any) -> None:
    log_batch(five.folder, {"batch": "B-3", "formulation": "base"}, confirmed=False)
    with pytest.raises(UnlikelyError, match="other tests of formulation `base`"):
        log(five, batch="B-3", time="100 s")


def fire(
    bench: Any, *, test: str = "F-9", raw: Any = None, confirmed: bool = False, **tables: Any
) -> None:
    content = {"batch": "B-1", "grain": GRAIN} | tables
    log_firing(bench.folder, test, content, raw_trace=raw, confirmed=confirmed)


def test_a_firing_by_hand_is_held_against_the_strands(five: Any) -> None:
    # Own computation: a web of 6.5 mm (core and outside burn) at 4 mm/s · 3^0.35 lasts 1.1 s.
    hand = {"mean_pressure": "3 MPa"}
    with pytest.raises(UnlikelyError, match="times less than the other tests of batch `B-1`"):
        fire(five, summary=hand | {"burn_time": "11 s"})
    with pytest.raises(UnlikelyError, match="times less"):
        fire(five, summary={"burn_time": "11 s"})
    fire(five, summary=hand | {"burn_time": "1.1 s"})
    assert five.read().remarks == ()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"summary": {"mean_pressure": "500 psig", "peak_pressure": "450 psig"}},
            r"mean pressure of 3\.54. MPa, above the peak of 3\.2",
        ),
        (
            {"summary": {"mean_thrust": "45 N", "peak_thrust": "40 N"}},
            "mean thrust of 45 N, above the peak of 40 N",
        ),
        (
            {"nozzle": {"throat_diameter": "9/32 in", "throat_diameter_after": "1/4 in"}},
            r"throat diameter of 7\.144 mm before the burn and 6\.35 mm after it",
        ),
        (
            {"nozzle": {"throat_diameter": "7 mm", "throat_diameter_after": "71 mm"}},
            "7 mm before the burn and 71 mm after it",
        ),
    ],
)
def test_what_cannot_be_of_one_firing(five: Any, changes: dict[str, Any], said: str) -> None:
    summary = {"burn_time": "1.1 s", **changes.pop("summary", {})}
    with pytest.raises(UnlikelyError, match=said):
        fire(five, summary=summary, **changes)
    fire(five, summary=summary, confirmed=True, **changes)
    assert [r.code for r in five.read().remarks] == ["implausible"]


def test_a_film_in_the_throat_and_a_worn_one_are_likely(five: Any) -> None:
    for k, after in enumerate(("6.9 mm", "7.8 mm")):
        nozzle = {"throat_diameter": "7 mm", "throat_diameter_after": after}
        summary = {"burn_time": f"1.1{k} s", "mean_pressure": "3 MPa"}
        fire(five, test=f"F-{20 + k}", nozzle=nozzle, summary=summary)
    assert five.read().remarks == ()


def trace_of(bench: Any, seconds: float, peak: float) -> Any:
    """A trace in ms and MPa over the air: rest, a plateau and its ends; own computation."""
    rows = ["ms,p"]
    for k in range(700):
        t = k * 0.005
        inside = 0.5 <= t <= 0.5 + seconds
        rows.append(f"{1000 * t:.0f},{0.1 + (peak if inside else 0.001 * math.sin(9 * t)):.4f}")
    return bench.write("logger.csv", "\n".join(rows) + "\n")


def fire_traced(
    bench: Any, columns: dict[str, str], seconds: float, peak: float, *, confirmed: bool
) -> None:
    trace = {"time": "ms (ms)", "pressure": "p (MPaa)"} | columns
    fire(bench, trace=trace, raw=trace_of(bench, seconds, peak), confirmed=confirmed)


@pytest.mark.parametrize(
    ("columns", "trace", "field", "said"),
    [
        ({"time": "ms (s)"}, (1.1, 3.0), "trace.time", "the burn lasts about 1100 s"),
        ({"time": "ms (us)"}, (1.1, 3.0), "trace.time", "the burn lasts about 0.0011 s"),
        ({"pressure": "p (kPaa)"}, (1.1, 3.0), "trace.pressure", "the burn is at about 0.003 MPa"),
        ({}, (1.1, 43.5), "trace.pressure", "the burn is at about 43.5 MPa"),
        ({}, (0.2, 3.0), None, "by its trace a burn rate of 3"),
    ],
)
def test_a_trace_in_another_unit_is_asked_back_and_listed(
    five: Any, columns: dict[str, str], trace: tuple[float, float], field: str | None, said: str
) -> None:
    with pytest.raises(UnlikelyError) as told:
        fire_traced(five, columns, *trace, confirmed=False)
    (finding,) = told.value.findings
    assert finding.source.field == field
    assert said in finding.message
    fire_traced(five, columns, *trace, confirmed=True)
    (remark,) = with_unlikely_traces(five.read(), five.folder).remarks
    assert (remark.code, remark.source.field) == ("implausible", field)
    assert remark.source.path.endswith("F-9.toml")
    assert remark.source.line


def test_a_trace_as_it_should_be_is_not_asked_back(five: Any) -> None:
    fire_traced(five, {}, 1.1, 3.0, confirmed=False)
    assert with_unlikely_traces(five.read(), five.folder).remarks == ()


def test_nothing_is_said_of_a_trace_that_cannot_be_read_or_an_excluded_firing(five: Any) -> None:
    fire_traced(five, {"time": "ms (s)"}, 1.1, 3.0, confirmed=True)
    campaign = five.read().sound()
    firing, comparison = campaign.firings[-1], Comparison(campaign)
    assert len(unlikely_trace(firing, comparison)) == 1
    assert unlikely_trace(replace(firing, exclude="burst"), comparison) == []
    five.write("traces/F-9.csv", "")
    assert unlikely_trace(firing, comparison) == []


def test_a_decimal_comma_that_shifts_the_cells_is_asked_back_and_listed(five: Any) -> None:
    """`60,9,27,3.82` for 60 mm, 9,27 s, 3.82 MPa: own example, common practice, no source."""
    five.swap("strands.csv", "pressure (MPa)", "pressure (MPa),temperature (degC)")
    five.write("strands.csv", five.text("strands.csv") + "S-9,B-1,60,9,27,3.82\n")
    (remark,) = five.read().remarks
    assert (remark.code, remark.source.line) == ("unlikely-pressure", 7)
    assert remark.source.field == "pressure"
    # Own computation: 27 MPa / 6.6 MPa = 4.09.
    assert remark.message.startswith(
        "pressure of 27 MPa absolute, 4.1 times above the highest, 6.6"
    )
    assert "decimal comma" in remark.hint
    five.swap("strands.csv", "60,9,27,3.82", "60,9,27,3.82,20")
    (problem,) = five.read().problems
    assert (problem.code, problem.source.line) == ("too-many-cells", 7)
    assert "decimal comma splits a number in two" in problem.hint


@pytest.mark.parametrize(
    ("pressure", "said"),
    [
        ("16.4 MPa", ""),
        ("16.6 MPa", "2.5 times above the highest, 6.6 MPa"),
        ("0.17 MPa", ""),
        ("0.15 MPa", "5.3 times below the lowest, 0.8 MPa"),
        ("0.1 MPa", ""),  # in the open
    ],
)
def test_which_pressures_are_far_from_the_others(five: Any, pressure: str, said: str) -> None:
    time = f"{time_at(float(pressure.split()[0])):.3f} s"
    if said:
        with pytest.raises(UnlikelyError, match=said):
            log(five, pressure=pressure, time=time)
    else:
        log(five, pressure=pressure, time=time)


def test_a_firing_s_pressure_and_few_tests(five: Any) -> None:
    with pytest.raises(UnlikelyError, match=r"pressure of 21 MPa absolute, 3\.2 times above"):
        fire(five, summary={"burn_time": "0.6 s", "mean_pressure": "21 MPa"})
    # Four others are no range: a campaign begins somewhere.
    five.write("strands.csv", five.text("strands.csv").rpartition("S-5")[0])
    fire(five, summary={"burn_time": "0.6 s", "mean_pressure": "21 MPa"})


def test_an_igniter_that_weighs_as_much_as_propellant(five: Any) -> None:
    """Common practice, no source: igniters weigh some per cent of the grain at the most."""
    grain, summary = GRAIN | {"mass": "270 g"}, {"burn_time": "1.1 s", "mean_pressure": "3 MPa"}
    fire(five, test="F-20", grain=grain, summary=summary, igniter_mass="27 g")
    with pytest.raises(UnlikelyError, match="igniter mass of 28 g beside 270 g of propellant"):
        fire(five, grain=grain, summary=summary, igniter_mass="28 g")
    with pytest.raises(UnlikelyError) as told:  # outside of any igniter's: told once
        fire(five, grain=grain, summary=summary, igniter_mass="400 g")
    assert len(told.value.findings) == 1
    fire(five, grain=grain, summary=summary, igniter_mass="28 g", confirmed=True)
    assert {(r.code, r.source.field) for r in five.read().remarks} >= {
        ("implausible", "igniter_mass")
    }
