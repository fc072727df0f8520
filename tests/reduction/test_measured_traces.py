"""Measured logs against careful readings: a script of plain numpy below, and the SOURCE.txt files.

The script takes the three-point median, a zero by straight line from the level before to the level
after, and the window above 10 % of the peak; it shares no code with the package.

The readings of SOURCE.txt take the samples above 10 % of the peak over a baseline; no other rule
is known of them. Where ours differ by more than a few per cent the reason stands beside the number.
"""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.findings import Source
from strandwise.motor import HollowCylinder, Nozzle
from strandwise.records import Channel, Firing, Gas, Instrument, TraceSpec
from strandwise.reduction import events_from_arrays, read_trace, reduce_firing

DATA = Path(__file__).parents[1] / "data"
SMALL = DATA / "small-motors-raw-counts"
LARGE = DATA / "sorbitol-multigrain"
GRAM_FORCE = 9.80665e-3  # N, NIST SP 811 appendix B

# grams = count · 0.00111 + 561.2, as the authors' own column says.
CELL = Instrument(
    name="cell",
    kind="load-cell",
    reading_unit="count",
    readings=(-561.2 / 0.00111, (2000.0 - 561.2) / 0.00111),
    loads=(0.0, 2000.0 * GRAM_FORCE),
    source=Source("instruments.toml"),
)
SMALL_GRAIN = HollowCylinder(0.03, 0.008, 0.05, inhibited=frozenset({"outer"}))  # invented
LARGE_GRAIN = HollowCylinder(0.086, 0.033, 0.145, 3, inhibited=frozenset({"outer"}))


def small(name, time, values):
    return TraceSpec(
        file=SMALL / f"Rocket_Engine_Data_-_{name}.csv",
        time=Channel(column=time, unit="ms", scale=1e-3, offset=0.0),
        thrust=Channel(column=values, unit="count", instrument=CELL),
    )


def large(name, column=2):
    return TraceSpec(
        file=LARGE / name,
        time=Channel(column=1, unit="ms", scale=1e-3, offset=0.0),
        thrust=Channel(column=column, unit="gf", scale=GRAM_FORCE, offset=0.0),
    )


def reduced(spec, grain, nozzle=None):
    firing = Firing(
        test="T", batch="B", grain=grain, nozzle=nozzle, trace=spec, source=Source("T.toml")
    )
    return reduce_firing(firing, "base", gas=Gas(), ambient=101325.0, density=None, exponent=0.3)


@pytest.mark.parametrize(
    ("name", "time", "values", "peak", "action", "impulse"),
    [
        ("Control_1", "time(millis)", "values", 9.5, 7.4, 24.0),
        ("Control_2", "time", "data", 9.8, 6.9, 21.0),
        # The stand was touched at 62 s, 9 s after the end; a ramp to the level after that makes
        # the impulse 26. Ours ramps to the quiet part just after the end.
        ("5x10", "time", "data", 11.0, 9.0, 26.0),
        ("10x5", "time", "data", 10.2, 7.1, 21.0),
        ("25_25", "time", "Data", 8.3, 6.1, 22.0),
        ("8mm", "time", "data", 2.6, 7.7, 6.0),
        ("Initial_Test_(test_rocket_stand)", "time(millis)", "values", 4.9, 9.7, 9.0),
    ],
)
def test_small_motors(name, time, values, peak, action, impulse):
    result = reduced(small(name, time, values), SMALL_GRAIN)
    assert result.peak_thrust == pytest.approx(peak, rel=0.03)
    assert result.action_time == pytest.approx(action, rel=0.05)
    assert result.total_impulse == pytest.approx(impulse, rel=0.08)
    assert result.point is None
    assert "without a nozzle" in result.why_no_point


def test_small_motor_whose_cell_was_disturbed():
    # 6 mm: 7.0 N, 3.9 s, 9 N·s. The cell hangs 150 to 330 g low after the burn, so its zero is
    # known to a fraction of a newton only; ours holds the zero from before, gets 7.9 N·s, and
    # its own uncertainty of the zero covers the difference.
    spec = small("6mm", "time", "data")
    result = reduced(spec, SMALL_GRAIN)
    assert result.peak_thrust == pytest.approx(7.0, rel=0.04)
    assert result.action_time == pytest.approx(3.9, rel=0.05)
    assert "no-baseline-after" in [c.code for c in result.cautions]
    trace = read_trace(spec)
    zero_sd = events_from_arrays(trace.time, trace.thrust, unit="N").zero_sd
    assert abs(result.total_impulse - 9.0) < 2.0 * zero_sd * result.action_time
    assert zero_sd < 0.15 * result.peak_thrust


@pytest.mark.parametrize(
    ("name", "column", "peak", "action", "impulse"),
    [
        ("test1_1grain_from_xlsx_rawdata.csv", 2, 237.0, 4.30, 748.0),
        ("test2_full_from_xlsx_sheet1.csv", 3, 1544.0, 2.31, 1829.0),
        ("Static_test_II_26-07-24.csv", 3, 1544.0, 2.31, 1829.0),
        ("test3_measured_columns_only.csv", 2, 2454.0, 0.61, 787.0),
        ("Static_test_31st_Oct_2024.txt", 2, 1488.0, 2.95, 2812.0),
        ("Static_test_31st_Oct_2024_(reducted).txt", 2, 1488.0, 2.95, 2812.0),
        ("earlier_apr12_2024_from_xlsx.csv", 2, 3992.0, 1.00, 2440.0),
    ],
)
def test_large_motor(name, column, peak, action, impulse):
    result = reduced(large(name, column), LARGE_GRAIN, Nozzle(0.023, exit_diameter=0.061))
    assert result.peak_thrust == pytest.approx(peak, rel=0.03)
    assert result.action_time == pytest.approx(action, rel=0.05)
    assert result.total_impulse == pytest.approx(impulse, rel=0.05)
    assert result.pressure_from == "thrust"
    assert result.point is not None
    assert result.point.pressure_sd > 0.03 * result.point.pressure


def test_large_motor_with_a_gap_in_its_rise():
    # 25 April: 3,091 N, 1.18 s, 2,665 N·s. 124 ms are missing in the rise: the reading counts
    # from the first sample after the gap (135.618 s), ours from where a straight line through
    # the gap passes 10 % (135.53 s). The difference lies within the gap, and the gap is told.
    result = reduced(
        large("earlier_apr25_2024_from_xlsx.csv"), LARGE_GRAIN, Nozzle(0.023, exit_diameter=0.061)
    )
    assert result.peak_thrust == pytest.approx(3091.0, rel=0.03)
    assert result.total_impulse == pytest.approx(2665.0, rel=0.03)
    assert 1.18 - 0.02 < result.action_time < 1.18 + 0.124
    assert 135.494 < result.ignition < 135.618
    assert result.burn_time_sd > 0.124 / 12**0.5
    assert "gap-in-burn" in [c.code for c in result.cautions]


def test_full_capture_with_boot_noise_equals_its_cleaned_copy():
    full = reduced(large("Static_test_31st_Oct_2024.txt"), LARGE_GRAIN)
    clean = reduced(large("Static_test_31st_Oct_2024_(reducted).txt"), LARGE_GRAIN)
    assert full.ignition == pytest.approx(clean.ignition, abs=1e-6)
    assert full.total_impulse == pytest.approx(clean.total_impulse, rel=1e-6)
    assert any("restarts 2 times" in line for line in full.account)


def test_failed_firing_is_told_from_its_trace():
    # test3 collapses at 0.85 s (SOURCE.txt): it never burnt as its grain should.
    result = reduced(
        large("test3_measured_columns_only.csv"), LARGE_GRAIN, Nozzle(0.023, exit_diameter=0.061)
    )
    assert not result.quality.fit
    assert {"trace-unlike-grain", "trace-not-neutral", "slow-tail-off", "no-baseline"} <= {
        c.code for c in result.cautions
    }


@pytest.mark.parametrize(
    ("spec", "message"),
    [
        (small("(Unknown)_and_error", "time", "data"), "does not come back"),
        (large("static_test_jan.txt"), "5 samples, 547 ms apart"),
    ],
)
def test_what_cannot_be_reduced_is_refused(spec, message):
    trace = read_trace(spec)
    with pytest.raises(DataError, match=message):
        events_from_arrays(trace.time, trace.thrust, unit="N")
    result = reduced(spec, SMALL_GRAIN)
    assert result.point is None
    assert message in result.why_no_point
    assert "trace-refused" in [c.code for c in result.cautions]


SMALL_FILES = {
    "Control_1": ("time(millis)", "values"),
    "Control_2": ("time", "data"),
    "5x10": ("time", "data"),
    "10x5": ("time", "data"),
    "25_25": ("time", "Data"),
    "8mm": ("time", "data"),
    "Initial_Test_(test_rocket_stand)": ("time(millis)", "values"),
}
LARGE_FILES = {
    "test1_1grain_from_xlsx_rawdata.csv": 2,
    "test2_full_from_xlsx_sheet1.csv": 3,
    "Static_test_II_26-07-24.csv": 3,
    "test3_measured_columns_only.csv": 2,
    "test4an_measured_columns_only.csv": 2,
    "Static_test_31st_Oct_2024.txt": 2,
    "Static_test_31st_Oct_2024_(reducted).txt": 2,
    "earlier_apr12_2024_from_xlsx.csv": 2,
    "earlier_apr25_2024_from_xlsx.csv": 2,
}


def rows_of(path, column):
    """Clock in s and one column, of the rows whose first and wanted fields are numbers."""
    rows = []
    for line in path.read_text(errors="replace").splitlines():
        fields = [field.strip() for field in line.split(",")]
        wanted = [fields[0], fields[column - 1]] if len(fields) >= column else ["", ""]
        if all(re.fullmatch(r"-?\d+(\.\d+)?", field) for field in wanted):
            rows.append([float(field) for field in wanted])
    clock, values = np.array(rows).T
    cuts = [0, *(np.flatnonzero(np.diff(clock) < -100.0) + 1).tolist(), len(clock)]
    pieces = [slice(a, b) for a, b in pairwise(cuts)]
    piece = max(pieces, key=lambda part: np.ptp(values[part]))
    clock, first = np.unique(clock[piece], return_index=True)
    return clock / 1e3, values[piece][first]


def careful_reading(t, f, since, until):
    """Peak, action time and impulse by plain numpy, of the highest event after `since`.

    The event ends for good before `until`; None: where it first falls below a tenth.
    """
    raw = f
    f = f.copy()
    f[1:-1] = np.median([f[:-2], f[1:-1], f[2:]], axis=0)
    top = int(np.argmax(np.where(t > since, f, -np.inf)))
    zero = np.full(len(f), np.median(f[: max(len(f) // 20, 1)]))
    for _ in range(4):
        z = f - zero
        level = 0.1 * z[top]
        a = top - int(np.argmax(z[top::-1] < level)) if np.any(z[: top + 1] < level) else 0
        under = np.flatnonzero(z[top:] < level)
        b = top + int(under[0]) if len(under) else len(f) - 1
        while np.any(z[b : np.searchsorted(t, t[b] + 0.05 * (t[b] - t[a]))] > 1.5 * level):
            b += 1
        if until is not None:
            b = int(np.flatnonzero((z > level) & (t < until))[-1]) + 1
        long = t[b] - t[a]
        ends = [(0.0 + f[0]) / 2.0, None]  # a record that starts within the rise
        for side, edge, way in ((0, t[a], -1.0), (1, t[b], 1.0)):
            flattest = 0.1 * level
            for shift in np.arange(0.05, 0.6, 0.05):
                far = way * (t - edge) / long
                there = (far > shift) & (far < shift + 0.25)
                part = f[there]
                if len(part) < 8 or np.ptp(far[there]) < 0.2:
                    continue
                if np.ptp(np.percentile(part, [10, 90])) < flattest:
                    flattest = np.ptp(np.percentile(part, [10, 90]))
                    ends[side] = np.median(part)
        ends[1] = ends[0] if ends[1] is None else ends[1]
        zero = np.interp(t, [t[a], t[b]], ends)
    z = raw - zero
    level = 0.1 * z[top]
    start = np.interp(level, z[a : a + 2], t[a : a + 2]) if z[a] < level else t[a]
    end = np.interp(-level, -z[b - 1 : b + 1], t[b - 1 : b + 1])
    inside = (t >= start) & (t <= end)
    return z[inside].max(), end - start, np.trapezoid(z[inside], t[inside])


CASES = [
    *((small(name, *columns), 2, None) for name, columns in SMALL_FILES.items()),
    *((large(name, column), column, GRAM_FORCE) for name, column in LARGE_FILES.items()),
]


@pytest.mark.parametrize(("spec", "column", "scale"), CASES, ids=[c[0].file.name for c in CASES])
def test_within_two_per_cent_of_an_independent_reading(spec, column, scale):
    t, raw = rows_of(spec.file, column)
    newton = raw * scale if scale else (raw * 0.00111 + 561.2) * GRAM_FORCE
    # By eye: the motor on the rocket stand lit at 27 s, after it was handled, and ended slowly.
    since, until = (25.0, 38.0) if "Initial" in spec.file.name else (0.0, None)
    peak, action, impulse = careful_reading(t, newton, since, until)
    trace = read_trace(spec)
    found = events_from_arrays(trace.time, trace.thrust, unit="N")
    inside = (trace.time >= found.ignition) & (trace.time <= found.end)
    assert found.peak == pytest.approx(peak, rel=0.02)
    assert found.action_time == pytest.approx(action, rel=0.02)
    assert np.trapezoid(found.values[inside], trace.time[inside]) == pytest.approx(
        impulse, rel=0.02
    )


def shuffled_columns(lines):
    return [",".join(line.split(",")[1:3][::-1] + line.split(",")[:1]) for line in lines]


def scrambled_rows(lines):
    order = np.random.default_rng(1).permutation(len(lines))
    return [lines[i] for i in order]


def numbers_replaced(lines, by):
    return [re.sub(r"-?\d+(\.\d+)?", by, line) for line in lines]


DAMAGES = {
    "shuffled-columns": shuffled_columns,
    "scrambled-rows": scrambled_rows,
    "all-zeros": lambda lines: numbers_replaced(lines, "0"),
    "not-a-number": lambda lines: numbers_replaced(lines, "NaN"),
    "no-values": lambda lines: [line.split(",")[0] + "," for line in lines],
    "one-column": lambda lines: [line.split(",")[0] for line in lines],
    "text-only": lambda lines: ["the logger was not armed" for _ in lines],
    "first-lines": lambda lines: lines[:6],
    "empty": lambda _: [],
}
EVERY = [
    *(("small", name) for name in SMALL_FILES),
    *(("large", name) for name in LARGE_FILES),
]


def damaged(tmp_path, kind, name, content):
    whole = small(name, 1, 2) if kind == "small" else large(name, LARGE_FILES[name])
    path = tmp_path / "damaged.csv"
    path.write_bytes(content(whole.file.read_bytes()))
    return TraceSpec(file=path, time=replace(whole.time, column=1), thrust=whole.thrust)


def found_in(spec):
    trace = read_trace(spec)
    return events_from_arrays(trace.time, trace.thrust, unit="N")


def refusal(spec):
    with pytest.raises(DataError, match=r"\w") as caught:
        found_in(spec)
    return caught.value


@pytest.mark.parametrize("damage", DAMAGES)
@pytest.mark.parametrize(("kind", "name"), EVERY, ids=[name for _, name in EVERY])
def test_damaged_copies_are_refused_with_a_reason(tmp_path, kind, name, damage):
    def content(raw):
        lines = raw.decode(errors="replace").splitlines()
        return "\n".join(DAMAGES[damage](lines)).encode()

    error = refusal(damaged(tmp_path, kind, name, content))
    assert len(error.message) > 15
    assert error.expected or error.hint
    assert "nan" not in error.message.lower().replace("nanosec", "")


@pytest.mark.parametrize(
    "content",
    [
        lambda _: bytes(range(256)) * 40,
        lambda raw: raw[:200] + b"\0" * 64 + raw[200:],
        lambda _: np.random.default_rng(3).bytes(5000),
        lambda _: b"PK\x03\x04" + np.random.default_rng(4).bytes(3000),
    ],
    ids=["all-bytes", "zero-bytes-within", "random-bytes", "archive"],
)
@pytest.mark.parametrize(("kind", "name"), EVERY, ids=[name for _, name in EVERY])
def test_binary_copies_are_refused_as_no_text(tmp_path, kind, name, content):
    error = refusal(damaged(tmp_path, kind, name, content))
    assert re.search(r"is not text|no line of", error.message)


@pytest.mark.parametrize(("kind", "name"), EVERY, ids=[name for _, name in EVERY])
def test_a_copy_that_stops_within_the_burn_is_refused(tmp_path, kind, name):
    spec = damaged(tmp_path, kind, name, lambda raw: raw)
    trace = read_trace(spec)
    whole = events_from_arrays(trace.time, trace.thrust, unit="N")
    lines = spec.file.read_text(errors="replace").splitlines()
    within = round(1e3 * (whole.ignition + 0.15 * whole.action_time))
    clocks = [int(m[1]) if (m := re.match(r"(\d+)\s*,\s*-?\d", line)) else -1 for line in lines]
    last_run = max(i for i, clock in enumerate(clocks) if clock >= 0)
    cut = next(
        i
        for i, clock in enumerate(clocks)
        if within <= clock < within + 200 and all(c < 0 or c >= clock for c in clocks[i:last_run])
    )
    spec.file.write_text("\n".join(lines[:cut]))
    error = refusal(spec)
    assert re.search(r"does not come back|the trace stops|never rests", error.message)


@pytest.mark.parametrize(("kind", "name"), EVERY, ids=[name for _, name in EVERY])
def test_a_clock_or_a_load_in_another_unit_is_told(tmp_path, kind, name):
    spec = damaged(tmp_path, kind, name, lambda raw: raw)
    trace = read_trace(replace(spec, time=replace(spec.time, unit="us", scale=1e-6)))
    found = events_from_arrays(trace.time, trace.thrust, unit="N")
    assert "unit of the clock" in " ".join(c.message for c in found.cautions)
    trace = read_trace(spec)
    found = events_from_arrays(trace.time, trace.thrust * 1e-6, unit="N")
    assert "unit of the column" in " ".join(c.message for c in found.cautions)
