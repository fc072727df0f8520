# ruff: noqa: E501 (one case a line can be read as a table)
from __future__ import annotations

import math
import re
from typing import Any

import pytest

from strandwise.motor import AreaTable, EndBurner, HollowCylinder
from strandwise.records import Firing
from strandwise.units import standard_atmosphere_pressure

X = "firings/F-1.toml"
AMBIENT = standard_atmosphere_pressure(300.0)
PSI = 6894.757293168361  # lbf/in² from 0.45359237 kg · 9.80665 m/s² over (25.4 mm)², all exact


def only_firing(small: Any) -> Firing:
    (firing,) = small.read().sound().firings
    return firing  # type: ignore[no-any-return]


def test_all_tables(small: Any) -> None:
    small.write(
        X,
        small.text(X)
        + """
[summary]
burn_time = "1.9 s"
mean_thrust = "410 N"
peak_pressure = "3.1 MPa"
burn_time_sd = "50 ms"

[events]
ignition = 0.12
end = "2100 ms"

[gas]
characteristic_velocity = "890 m/s"
specific_heat_ratio = 1.13
""",
    )
    firing = only_firing(small)
    grain, nozzle, trace = firing.grain, firing.nozzle, firing.trace
    assert isinstance(grain, HollowCylinder)
    assert (grain.outer_diameter, grain.core_diameter, grain.length) == (0.038, 0.012, 0.075)
    assert (grain.segments, grain.inhibited, grain.mass) == (2, frozenset({"outer"}), 0.236)
    assert firing.temperature == pytest.approx(291.15, rel=1e-15)
    assert nozzle is not None
    assert nozzle.throat_diameter == 0.0095
    assert trace is not None
    assert trace.file == small.file("traces/F-1.csv")
    assert trace.time is not None
    assert (trace.time.column, trace.time.scale, trace.time.offset) == ("millis", 1e-3, 0.0)
    assert trace.pressure is not None
    assert trace.pressure.scale == pytest.approx(PSI, rel=1e-14)
    assert trace.pressure.offset == AMBIENT
    assert trace.thrust is not None
    assert (trace.thrust.column, trace.thrust.unit) == ("raw", "count")
    assert trace.thrust.instrument is not None
    assert trace.thrust.instrument.readings == (100.0, 900.0)
    assert trace.thrust.instrument.loads == (0.0, 40.0)
    assert firing.summary is not None
    assert (firing.summary.burn_time, firing.summary.burn_time_sd) == (1.9, 0.05)
    assert (firing.summary.mean_thrust, firing.summary.peak_pressure) == (410.0, 3.1e6)
    assert (firing.events.ignition, firing.events.web_burnout, firing.events.end) == (
        0.12,
        None,
        2.1,
    )
    assert (firing.gas.characteristic_velocity, firing.gas.specific_heat_ratio) == (890.0, 1.13)
    assert str(firing.source) == "campaigns/small/firings/F-1.toml:1"


def test_a_days_own_pressure_of_the_air(small: Any) -> None:
    small.swap(X, 'batch = "B-1"\n', 'batch = "B-1"\nambient_pressure = "95 kPa"\n')
    firing = only_firing(small)
    assert firing.ambient_pressure == 95e3
    assert firing.trace is not None
    assert firing.trace.pressure is not None
    assert firing.trace.pressure.offset == 95e3


def test_readings_that_name_no_zero_follow_the_campaign(small: Any) -> None:
    small.swap(X, "p (psig)", "p (bar)")
    trace = only_firing(small).trace
    assert trace is not None
    assert trace.pressure is not None
    assert trace.pressure.offset == 0.0
    small.swap("campaign.toml", "altitude", 'pressure_readings = "gauge"\naltitude')
    trace = only_firing(small).trace
    assert trace is not None
    assert trace.pressure is not None
    assert trace.pressure.offset == AMBIENT


def test_channels_with_files_and_clocks_of_their_own(small: Any) -> None:
    small.write("traces/F-1b.csv", "1\n")
    small.swap(X, 'time = "millis (ms)"\n', "")
    small.swap(X, '"p (psig)"', '{ column = "p (psig)", time = "column 1 (us)" }')
    small.swap(
        X,
        'instrument = "cell" }',
        'instrument = "cell", file = "traces/F-1b.csv", sample_rate = "2 kHz" }',
    )
    trace = only_firing(small).trace
    assert trace is not None
    assert trace.pressure is not None
    assert trace.pressure.time is not None
    assert (trace.pressure.time.column, trace.pressure.time.scale) == (1, 1e-6)
    assert trace.thrust is not None
    assert trace.thrust.file == small.file("traces/F-1b.csv")
    assert trace.thrust.sample_rate == 2000.0


def test_other_grains(small: Any) -> None:
    head = 'batch = "B-1"\n[summary]\nburn_time = "2 s"\n[grain]\n'
    small.write(X, head + 'shape = "end-burner"\nouter_diameter = "1 1/2 in"\nlength = "50 mm"\n')
    grain = only_firing(small).grain
    assert isinstance(grain, EndBurner)
    assert (grain.diameter, grain.inhibited) == (0.0381, frozenset({"outer"}))
    small.write(
        X, head + 'shape = "area-table"\nweb = ["0 mm", "2 mm"]\narea = ["40 cm2", "42 cm2"]\n'
    )
    grain = only_firing(small).grain
    assert isinstance(grain, AreaTable)
    assert (grain.web, grain.area) == ((0.0, 0.002), pytest.approx((0.004, 0.0042), rel=1e-15))


GRAIN = 'shape = "hollow-cylinder"'
TRACE = 'file = "traces/F-1.csv"'
THRUST = '{ column = "raw", unit = "count", instrument = "cell" }'
SWAPS = {
    "date as text of another kind": ("date = 2026-05-02", 'date = "2/5/2026"', "bad-value", 2, "date", "not an unambiguous date"),
    "date as a number": ("date = 2026-05-02", "date = 20260502", "bad-value", 2, "date", "`20260502`"),
    "time of day for a date": ("date = 2026-05-02", "date = 10:00:00", "bad-value", 2, "date", "`10:00:00`"),
    "temperature without unit": ('"18 degC"', "18", "bad-value", 3, "temperature", "`18` has no unit"),
    "temperature below zero kelvin": ('"18 degC"', '"-300 degC"', "bad-value", 3, "temperature", "absolute zero"),
    "key misspelt": ("temperature", "temprature", "unknown-key", 3, "temprature", "nothing reads it"),
    "key twice": ("date =", 'batch = "x"\ndate =', "toml-syntax", 2, None, "overwrite"),
    "table twice": ("[nozzle]", "[grain]", "toml-syntax", 14, None, "twice"),
    "batch a number with a point": ('"B-1"', "1.0", "bad-value", 1, "batch", "`1.0`"),
    "batch true": ('"B-1"', "true", "bad-value", 1, "batch", "`true`"),
    "batch blank": ('"B-1"', '" "', "missing-field", 1, "batch", "missing"),
    "notes a table": ("[grain]", "[notes]\na = 1\n[grain]", "bad-value", 5, "notes", "a table"),
    "grain misspelt": ("[grain]", "[grian]", "unknown-key", 5, "grian", "nothing reads it"),
    "grain a value": (f"[grain]\n{GRAIN}", f"grain = 1\n[notgrain]\n{GRAIN}", "not-a-table", 5, "grain", "`1`"),
    "shape missing": (GRAIN, "", "missing-field", 5, "grain.shape", "missing"),
    "shape misspelt": ("shape", "shap", "unknown-key", 6, "grain.shap", "nothing reads it"),
    "shape unknown": ('"hollow-cylinder"', '"star"', "bad-value", 6, "grain.shape", "`star`"),
    "shape a list": ('"hollow-cylinder"', "[]", "bad-value", 6, "grain.shape", "a list"),
    "size without unit": ('"38 mm"', "38", "bad-value", 7, "grain.outer_diameter", "`38` has no unit"),
    "size of decimal comma": ('"38 mm"', '"3,8 mm"', "bad-value", 7, "grain.outer_diameter", "comma"),
    "size zero": ('"38 mm"', '"0 mm"', "bad-value", 7, "grain.outer_diameter", "out of range"),
    "size missing": ('outer_diameter = "38 mm"\n', "", "missing-field", 5, "grain.outer_diameter", "missing"),
    "diameters exchanged": ('"12 mm"', '"40 mm"', "bad-grain", 5, "grain", "core"),
    "segments with a point": ("segments = 2", "segments = 2.0", "bad-value", 10, "grain.segments", "`2.0` is not a whole number"),
    "segments true": ("segments = 2", "segments = true", "bad-value", 10, "grain.segments", "`true`"),
    "segments none": ("segments = 2", "segments = 0", "bad-value", 10, "grain.segments", "out of range"),
    "segments infinite": ("segments = 2", "segments = inf", "bad-value", 10, "grain.segments", "inf"),
    "face unknown": ('["outer"]', '["side"]', "bad-value", 11, "grain.inhibited", "`side`"),
    "faces a table": ('["outer"]', "{ outer = true }", "bad-value", 11, "grain.inhibited", "a table"),
    "all faces": ('["outer"]', '["outer", "core", "ends"]', "bad-grain", 5, "grain", "no face"),
    "throat missing": ('throat_diameter = "9.5 mm"', "", "missing-field", 14, "nozzle.throat_diameter", "missing"),
    "throat list": ('"9.5 mm"', '["9.5 mm"]', "bad-value", 15, "nozzle.throat_diameter", "a list"),
    "exit inside throat": ('"9.5 mm"', '"9.5 mm"\nexit_diameter = "8 mm"', "bad-nozzle", 14, "nozzle", "exit"),
    "half angle": ('"9.5 mm"', '"9.5 mm"\ndivergence_half_angle = "95 deg"', "bad-value", 16, "nozzle.divergence_half_angle", "out of range"),
    "no file": (TRACE, "", "missing-field", 17, "trace.file", "missing"),
    "file a number": ('"traces/F-1.csv"', "7", "missing-field", 18, "trace.file", "`7`"),
    "file not there": ("traces/F-1.csv", "traces/F-9.csv", "file-missing", 18, "trace.file", "does not exist"),
    "file a folder": ("traces/F-1.csv", "traces", "file-missing", 18, "trace.file", "is a folder"),
    "file outside": ("traces/F-1.csv", "../../../x", "outside-bench", 18, "trace.file", "not in the bench folder"),
    "file absolute": ("traces/F-1.csv", "/etc/hostname", "outside-bench", 18, "trace.file", "absolute path"),
    "file on a drive": ("traces/F-1.csv", "C:\\\\x.csv", "outside-bench", 18, "trace.file", "absolute path"),
    "file with a zero byte": ("traces/F-1.csv", "a\\u0000b", "file-missing", 18, "trace.file", "cannot be opened"),
    "file name too long": ("traces/F-1.csv", "a" * 5000, "file-missing", 18, "trace.file", "cannot be opened"),
    "digest": (TRACE, f'{TRACE}\nsha256 = "12"', "bad-value", 19, "trace.sha256", "no digest"),
    "trace changed": (TRACE, f'{TRACE}\nsha256 = "{"0" * 64}"', "trace-changed", 19, "trace.sha256", "not the file that was logged"),
    "no clock": ('time = "millis (ms)"\n', "", "missing-field", 17, "trace", "no clock"),
    "two clocks": (TRACE, f'{TRACE}\nsample_rate = "1 kHz"', "given-twice", 19, "trace.sample_rate", "both"),
    "clock without unit": ("millis (ms)", "millis", "missing-unit", 19, "trace.time", "without a unit"),
    "clock in metres": ("millis (ms)", "millis (mm)", "unknown-unit", 19, "trace.time", "length"),
    "clock a list": ('"millis (ms)"', "[1]", "bad-value", 19, "trace.time", "a list"),
    "clock of column 0": ("millis (ms)", "column 0 (ms)", "bad-value", 19, "trace.time", "`column 0` is no column"),
    "clock of a column far out": ("millis (ms)", f"column {'9' * 5000} (ms)", "bad-value", 19, "trace.time", "no column"),
    "sample rate negative": ('time = "millis (ms)"', 'sample_rate = "-1 Hz"', "bad-value", 19, "trace.sample_rate", "out of range"),
    "pressure in newton": ("p (psig)", "p (N)", "unknown-unit", 20, "trace.pressure", "force"),
    "pressure in counts": ("p (psig)", "p (count)", "missing-field", 20, "trace.pressure", "calibration"),
    "parenthesis open": ("p (psig)", "p (psig", "bad-value", 20, "trace.pressure", "not understood"),
    "pressure a number": ('"p (psig)"', "2", "bad-value", 20, "trace.pressure", "`2`"),
    "thrust without column": ('column = "raw", ', "", "missing-field", 21, "trace.thrust.column", "names no column"),
    "thrust in volts": ('"count"', '"V"', "bad-value", 21, "trace.thrust.instrument", "reads count"),
    "thrust calibrated twice": ('"count"', '"N"', "bad-value", 21, "trace.thrust.instrument", "only for raw readings"),
    "instrument a list": ('"cell"', "[]", "unknown-instrument", 21, "trace.thrust.instrument", "a list"),
    "channel key misspelt": ("instrument", "instrumet", "unknown-key", 21, "trace.thrust.instrumet", "nothing reads it"),
}  # fmt: skip


@pytest.mark.parametrize("case", SWAPS.values(), ids=SWAPS.keys())
def test_one_fault_one_finding(small: Any, case: Any) -> None:
    old, new, code, line, field, said = case
    small.swap(X, old, new)
    problems = small.read().problems
    assert [str(problem) for problem in problems[1:]] == []
    (problem,) = problems
    assert (problem.code, problem.source.line, problem.source.field) == (code, line, field)
    assert re.search(re.escape(said), problem.message), problem.message
    assert problem.expected or problem.hint
    assert len(str(problem)) < 700


def test_neither_trace_nor_summary(small: Any) -> None:
    small.write(X, small.text(X).partition("[trace]")[0])
    (problem,) = small.read().problems
    assert (problem.code, problem.source.field) == ("missing-table", None)
    small.write(X, small.text(X) + '[sumary]\nburn_time = "2 s"\n')
    (problem,) = small.read().problems
    assert (problem.code, problem.hint) == ("unknown-key", "did you mean `summary`?")


def test_an_instrument_for_pressure_does_not_read_thrust(small: Any) -> None:
    small.swap(X, '"p (psig)"', '{ column = "p", unit = "count", instrument = "cell" }')
    (problem,) = small.read().problems
    assert (problem.source.field, problem.message) == (
        "trace.pressure.instrument",
        "`cell` is a load-cell",
    )


def test_a_link_out_of_the_bench_is_no_trace(small: Any, tmp_path: Any) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_text("1\n")
    small.file("traces/F-1.csv").unlink()
    small.file("traces/F-1.csv").symlink_to(outside)
    (problem,) = small.read().problems
    assert problem.code == "outside-bench"


def test_a_trace_of_another_campaign_of_the_bench_may_be_named(small: Any) -> None:
    small.write("../other/traces/F.csv", "1\n")
    small.swap(X, "traces/F-1.csv", "../other/traces/F.csv")
    assert small.read().problems == ()


def test_a_loop_of_links_is_no_trace(small: Any) -> None:
    path = small.file("traces/F-1.csv")
    path.unlink()
    path.symlink_to(path)
    (problem,) = small.read().problems
    assert problem.code == "file-missing"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("_x.toml", "cannot be a name"),
        ("F 1 .toml", "a blank at an end"),
        ("F;1.toml", "cannot be a name"),
        ("con.toml", "cannot be a name"),
    ],
)
def test_odd_names_of_files(small: Any, name: str, said: str) -> None:
    small.file(X).rename(small.file(f"firings/{name}"))
    (problem,) = small.read().problems
    assert problem.code == "bad-name"
    assert said in problem.message
    assert problem.source.path == f"campaigns/small/firings/{name}"


def test_capitals_do_not_tell_firings_apart(small: Any) -> None:
    small.write("firings/f-1.TOML", small.text(X))
    files = list(small.folder.firings.iterdir())
    problems = small.read().problems
    # A disk that does not tell capitals apart has kept one of them.
    assert [problem.code for problem in problems] == ["duplicate-test"] * (len(files) - 1)
    assert all("only in capitals" in problem.message for problem in problems)


def test_a_number_for_a_name_of_digits(small: Any) -> None:
    small.swap("batches.csv", "B-1,", "7,")
    small.write("strands.csv", small.text("strands.csv").replace("B-1", "7"))
    small.swap(X, '"B-1"', "7")
    small.swap(X, "date = 2026-05-02", "date = 2026-05-02T10:00:00Z")
    firing = only_firing(small)
    assert firing.batch == "7"
    assert firing.date is not None
    assert firing.date.isoformat() == "2026-05-02"


def test_unlikely_values_are_remarks(small: Any) -> None:
    small.swap(X, '"9.5 mm"', '"9.5 in"')
    reading = small.read()
    assert reading.problems == ()
    (remark,) = reading.remarks
    assert (remark.code, remark.source.line) == ("implausible", 15)
    assert remark.source.field == "nozzle.throat_diameter"
    assert math.isclose(0.2413, only_firing(small).nozzle.throat_diameter)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("old", "new", "field", "line", "expected"),
    [
        (
            'mass = "236 g"',
            'mass = "236 g"\nigniter_mass = "1 g"',
            "grain.igniter_mass",
            13,
            "`igniter_mass` at the top of the file, above the first table",
        ),
        (
            'throat_diameter = "9.5 mm"',
            'throat_diameter = "9.5 mm"\nsegments = 2',
            "nozzle.segments",
            16,
            "`segments` in [grain]",
        ),
    ],
)
def test_a_key_of_another_table_is_told_where_it_belongs(
    small: Any, old: str, new: str, field: str, line: int, expected: str
) -> None:
    small.swap(X, old, new)
    reading = small.read()
    (told,) = (*reading.problems, *reading.remarks)
    assert (told.code, told.source.field, told.source.line) == ("unknown-key", field, line)
    assert (told.expected, told.hint) == (expected, "move the line there")


def test_a_key_of_another_shape_is_not_sent_to_its_own_table(small: Any) -> None:
    small.swap(X, 'mass = "236 g"', 'mass = "236 g"\ncores = 4')
    reading = small.read()
    told = next(one for one in (*reading.problems, *reading.remarks) if one.code == "unknown-key")
    assert told.source.field == "grain.cores"
    assert "move" not in told.hint
