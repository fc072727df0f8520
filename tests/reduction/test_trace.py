from __future__ import annotations

import hashlib
import time as stopwatch

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.findings import Source
from strandwise.records import Channel, Instrument, TraceSpec
from strandwise.reduction import read_trace
from strandwise.reduction.logfile import load_columns, read_log

MS = Channel(column="t", unit="ms", scale=1e-3, offset=0.0)
NEWTON = Channel(column="F", unit="N", scale=1.0, offset=0.0)


def column(number, unit="N", scale=1.0):
    return Channel(column=number, unit=unit, scale=scale, offset=0.0)


def spec(path, time=MS, **channels):
    return TraceSpec(file=path, time=time, **(channels or {"thrust": NEWTON}))


def write(tmp_path, text, name="trace.csv", encoding="utf-8"):
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


ROWS = [(0, 0.0), (10, 1.5), (20, 2.5), (30, 0.25)]


@pytest.mark.parametrize(
    ("separator", "comma"),
    [
        (",", False),
        (";", False),
        (";", True),
        ("\t", False),
        ("\t", True),
        (" ", False),
        ("  ", True),
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_separators_and_decimal_marks(tmp_path, separator, comma, encoding):
    text = "".join(f"{t}{separator}{f}\r\n" for t, f in ROWS)
    if comma:
        text = text.replace(".", ",")
    path = write(tmp_path, f"t{separator}F\r\n" + text, encoding=encoding)
    trace = read_trace(spec(path))
    assert trace.time == pytest.approx([0.0, 0.01, 0.02, 0.03])
    assert trace.thrust == pytest.approx([0.0, 1.5, 2.5, 0.25])


@pytest.mark.parametrize(
    "heading", ["t,F", "T , f", '"t","F"', "t (ms),F (N)", "t[ms],F [N]", "logger 7\nt,F\nms,N"]
)
def test_headings_as_people_write_them(tmp_path, heading):
    path = write(tmp_path, heading + "\n" + "".join(f"{t},{f}\n" for t, f in ROWS))
    assert read_trace(spec(path)).thrust == pytest.approx([0.0, 1.5, 2.5, 0.25])


def test_noise_fillers_and_cut_rows(tmp_path):
    text = (
        "boot v1.2\nt,F\n0,0\n,\nbutton, pressed\n10,1.5\n20\n20,2.5\n,,\n30,nan\nrst:0x1,4\n40,0\n"
    )
    trace = read_trace(spec(write(tmp_path, text)))
    assert trace.time == pytest.approx([0.0, 0.01, 0.02, 0.04])
    assert trace.thrust == pytest.approx([0.0, 1.5, 2.5, 0.0])
    assert any("cut short: 1" in line for line in trace.account)


def test_late_and_repeated_stamps(tmp_path):
    text = "t,F\n0,0\n20,2\n10,1\n30,3\n30,5\n40,0\n"
    trace = read_trace(spec(write(tmp_path, text)))
    assert trace.time == pytest.approx([0.0, 0.01, 0.02, 0.03, 0.04])
    assert trace.thrust == pytest.approx([0.0, 1.0, 2.0, 4.0, 0.0])
    assert any("out of order" in line for line in trace.account)
    assert any("averaged" in line for line in trace.account)


@pytest.mark.parametrize(
    ("bits", "unit", "scale"), [(32, "us", 1e-6), (32, "ms", 1e-3), (16, "ms", 1e-3)]
)
def test_counter_wraps(tmp_path, bits, unit, scale):
    top = 2**bits
    stamps = [(top - 35 + 10 * k) % top for k in range(8)]
    text = "".join(f"{t},{k}\n" for k, t in enumerate(stamps))
    clock = column(1, unit, scale)
    trace = read_trace(spec(write(tmp_path, text), time=clock, thrust=column(2)))
    assert np.diff(trace.time) == pytest.approx(np.full(7, 10 * scale))
    assert trace.thrust == pytest.approx(np.arange(8.0))
    assert any("went over its end 1 time:" in line for line in trace.account)


def test_the_run_with_the_firing_is_taken(tmp_path):
    quiet = "".join(f"{10 * k},{0.01 * (k % 3)}\n" for k in range(300))
    fired = "".join(f"{10 * k},{50.0 if 30 < k < 80 else 0.0}\n" for k in range(120))
    trace = read_trace(spec(write(tmp_path, "t,F\n" + quiet + "reset\n" + fired + quiet)))
    assert len(trace.time) == 120
    assert trace.thrust.max() == 50.0
    assert any("number 2 holds the largest event" in line for line in trace.account)


def test_no_clock_but_a_sample_rate(tmp_path):
    path = write(tmp_path, "F\n1\n2\n\n3\n")
    trace = read_trace(TraceSpec(file=path, sample_rate=2000.0, thrust=NEWTON))
    assert trace.time == pytest.approx([0.0, 0.0005, 0.001])


def test_one_column_with_decimal_comma_is_not_cut(tmp_path):
    path = write(tmp_path, "F\n1,5\n2,5\n3,5\n")
    trace = read_trace(TraceSpec(file=path, sample_rate=10.0, thrust=NEWTON))
    assert trace.thrust == pytest.approx([1.5, 2.5, 3.5])


def test_one_of_two_columns_is_not_taken_for_a_decimal_comma(tmp_path):
    path = write(tmp_path, "t,F\n0,1\n1,2\n2,4\n")
    for column_wanted in (NEWTON, column(2)):
        trace = read_trace(TraceSpec(file=path, sample_rate=10.0, thrust=column_wanted))
        assert trace.thrust == pytest.approx([1.0, 2.0, 4.0])


def test_channels_at_different_rates_meet_on_the_first(tmp_path):
    text = "t,p,F\n" + "".join(f"{k},{k * 1e5},{k if k % 2 == 0 else ''}\n" for k in range(9))
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=101325.0)
    trace = read_trace(spec(write(tmp_path, text), pressure=pressure, thrust=NEWTON))
    assert trace.pressure == pytest.approx(np.arange(9) * 1e5 + 101325.0)
    assert trace.thrust == pytest.approx(np.arange(9.0))


def test_a_channel_in_its_own_file(tmp_path):
    shape = [0, 0, 0, 0, 5, 5, 5, 5, 0, 0]
    first = write(tmp_path, "t,p\n" + "".join(f"{10 * k},{v}\n" for k, v in enumerate(shape)))
    second = write(
        tmp_path, "t,F\n" + "".join(f"{10 * k},{v}\n" for k, v in enumerate(shape)), "thrust.csv"
    )
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=0.0)

    def thrust(path):
        return Channel(column="F", unit="N", scale=1.0, offset=0.0, file=path)

    trace = read_trace(spec(first, pressure=pressure, thrust=thrust(second)))
    assert trace.thrust == pytest.approx(shape)
    assert any("taken to share a clock" in line for line in trace.account)
    assert trace.cautions == ()


@pytest.mark.parametrize("shift", [-3.2, 0.9, 1.7e9])
def test_channels_on_two_clocks_are_brought_together_on_the_rise(tmp_path, shift):
    corners = [1.0, 1.1, 2.0, 2.3]
    t = np.arange(0.0, 4.0, 0.002)
    p = np.interp(t, corners, [0.0, 4e6, 4e6, 0.0])
    u = np.arange(0.0, 4.0, 0.005)
    f = np.interp(u, corners, [0.0, 300.0, 300.0, 0.0])
    rng = np.random.default_rng(5)
    p = p + rng.normal(0.0, 2e4, len(t))
    f = f + rng.normal(0.0, 1.0, len(u))
    rows = [f"{x:.3f},{y:.0f}\n" for x, y in zip(t, p, strict=True)]
    a = write(tmp_path, "t,p\n" + "".join(rows), "a.csv")
    rows = [f"{x + shift:.3f};{y:.2f}\n" for x, y in zip(u, f, strict=True)]
    b = write(tmp_path, "s;F\n" + "".join(rows), "b.csv")
    own = Channel(column="s", unit="s", scale=1.0, offset=0.0)
    thrust = Channel(column="F", unit="N", scale=1.0, offset=0.0, file=b, time=own)
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=0.0)
    seconds = Channel(column="t", unit="s", scale=1.0, offset=0.0)
    trace = read_trace(TraceSpec(file=a, time=seconds, pressure=pressure, thrust=thrust))
    assert [c.code for c in trace.cautions] == ["clocks-aligned"]
    assert any("a clock of its own" in line for line in trace.account)
    truth = np.interp(trace.time, corners, [0.0, 300.0, 300.0, 0.0])
    assert np.mean(np.abs(trace.thrust - truth)) < 3.0
    rise = np.interp(150.0, trace.thrust[490:560], trace.time[490:560])
    assert rise == pytest.approx(1.05, abs=0.003)


def test_a_clock_of_its_own_without_a_rise_is_refused(tmp_path):
    shape = [0] * 50 + [5] * 50 + [0] * 50
    a = write(tmp_path, "t,p\n" + "".join(f"{k},{v}\n" for k, v in enumerate(shape)), "a.csv")
    b = write(tmp_path, "t,F\n" + "".join(f"{k},{k % 3}\n" for k in range(150)), "b.csv")
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=0.0)
    thrust = Channel(column="F", unit="N", scale=1.0, offset=0.0, file=b)
    with pytest.raises(DataError, match="thrust shows no rise"):
        read_trace(spec(a, pressure=pressure, thrust=thrust))


CELL = Instrument(
    name="cell-1",
    kind="load-cell",
    reading_unit="count",
    readings=(0.0, 100.0, 200.0),
    loads=(0.0, 10.0, 20.0),
    source=Source("instruments.toml"),
)


def test_counts_through_a_calibration(tmp_path):
    counts = Channel(column="F", unit="count", instrument=CELL)
    text = "t,F\n" + "".join(f"{10 * k},{c}\n" for k, c in enumerate([0, 50, 400, 0]))
    trace = read_trace(spec(write(tmp_path, text), thrust=counts))
    assert trace.thrust == pytest.approx([0.0, 5.0, 40.0, 0.0])
    assert trace.thrust_scale_sd == pytest.approx(0.0, abs=1e-12)
    assert [c.code for c in trace.cautions] == ["beyond-calibration"]


def test_clipped_signal_is_noticed(tmp_path):
    wave = np.minimum(1000.0 * np.sin(np.linspace(0, np.pi, 200)), 900.0).round()
    text = "t,F\n" + "".join(f"{10 * k},{v:g}\n" for k, v in enumerate(wave))
    trace = read_trace(spec(write(tmp_path, text)))
    assert [c.code for c in trace.cautions] == ["saturated"]


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (None, "there is no trace file"),
        (b"", "is empty"),
        (b" \n \n", "is empty"),
        (b"\x7fELF\x00\x00\x01\x02", "is not text"),
        (b"hello\nworld\n", "holds 2 numbers"),
        (b"time,force\n0,1\n1,2\n", "no column headed `t`; its headings are `time`, `force`"),
        (b"t,F,F\n0,1,2\n1,2,3\n", "2 columns headed `F`"),
        (b"t,F\n0,1\n", "1 readings of thrust"),
    ],
)
def test_unusable_files_are_refused(tmp_path, content, message):
    path = tmp_path / "trace.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(DataError, match=message):
        read_trace(spec(path))


def test_directory_digest_and_missing_pieces(tmp_path):
    with pytest.raises(DataError, match="is a directory"):
        read_trace(spec(tmp_path))
    path = write(tmp_path, "t,F\n0,1\n1,2\n")
    good = hashlib.sha256(path.read_bytes()).hexdigest()
    assert len(read_trace(TraceSpec(file=path, sha256=good, time=MS, thrust=NEWTON)).time) == 2
    with pytest.raises(DataError, match="has changed since it was logged"):
        read_trace(TraceSpec(file=path, sha256="0" * 64, time=MS, thrust=NEWTON))
    with pytest.raises(DataError, match="neither a pressure nor a thrust"):
        read_trace(TraceSpec(file=path, time=MS))
    with pytest.raises(DataError, match="neither a clock column nor a sample rate"):
        read_trace(TraceSpec(file=path, thrust=NEWTON))
    with pytest.raises(DataError, match="no unit of time"):
        read_trace(spec(path, time=Channel(column="t", unit="N"), thrust=NEWTON))
    with pytest.raises(DataError, match="in `V`"):
        read_trace(spec(path, thrust=Channel(column="F", unit="V")))
    with pytest.raises(DataError, match="column 0 of"):
        read_trace(spec(path, thrust=column(0)))


def test_a_clean_file_is_read_much_faster_than_line_by_line(tmp_path):
    rows = 60_000
    lines = [f"{k},{k % 997}.5" for k in range(rows)]
    clean = write(tmp_path, "t,F\n" + "\n".join(lines) + "\n")
    dirty = write(tmp_path, "t,F\n" + "\n".join([*lines, "reset by watchdog"]) + "\n", "d.csv")
    seconds = []
    for path in (clean, dirty):
        start = stopwatch.perf_counter()
        trace = read_trace(spec(path))
        seconds.append(stopwatch.perf_counter() - start)
        assert len(trace.time) == rows
    assert seconds[0] < seconds[1]


SHAPE = [0.0, 0.5, 40.25, 42.5, 41.0, 0.75, 0.0, 0.25]


@pytest.mark.parametrize(
    "line",
    [
        "t={t} F={f}",
        "F: {f} N, t: {t} ms",
        '{{"t": {t}, "F": {f}, "armed": 1}}',
        "sample {k} | t = {t} | F = {f}",
        "[I][logger] t:{t},F:{f}",
        "{{'t': '{t}', 'F': '{f}'}}",
    ],
)
def test_lines_that_name_their_values(tmp_path, line):
    rows = [line.format(k=k, t=10 * k, f=f) for k, f in enumerate(SHAPE)]
    text = "boot ok, version 1.2\n" + "\n".join(rows) + "\nlink lost\n"
    trace = read_trace(spec(write(tmp_path, text)))
    assert trace.time == pytest.approx(np.arange(8) / 100.0)
    assert trace.thrust == pytest.approx(SHAPE)
    assert any("read by name" in told for told in trace.account)


def test_one_named_channel_a_line_meets_on_the_first(tmp_path):
    lines = [f"t={k} p={k * 1e5:g}" if k % 2 else f"t={k} F={k}" for k in range(20)]
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=0.0)
    trace = read_trace(spec(write(tmp_path, "\n".join(lines)), pressure=pressure, thrust=NEWTON))
    assert trace.pressure == pytest.approx(1e5 * np.arange(1, 20, 2))
    assert trace.thrust[:-1] == pytest.approx(np.arange(1.0, 19.0, 2.0))


def test_a_name_that_no_line_holds(tmp_path):
    text = "\n".join(f"time={k} force={k}" for k in range(9))
    with pytest.raises(DataError, match="no column headed `t`; its headings are `time`, `force`"):
        read_trace(spec(write(tmp_path, text)))


@pytest.mark.parametrize(
    ("stamp", "separator"),
    [
        ("2026-05-02T{h}:{m:02}:{s:06.3f}", ","),
        ("2026-05-02T{h}:{m:02}:{s:06.3f}Z", ","),
        ("2026-05-02 {h}:{m:02}:{s:06.3f}+02:00", ";"),
        ("02.05.2026 {h}:{m:02}:{s:06.3f}", "\t"),
        ("{h}:{m:02}:{s:06.3f}", ","),
        ("{h}:{m:02}:{s:06.3f}", " "),
        ("2026-05-02T{h}:{m:02}:{s:06.3f}", " "),
        ("2026-05-02 {h}:{m:02}:{s:06.3f}", " "),
    ],
)
def test_a_clock_as_time_of_day(tmp_path, stamp, separator):
    # From 23:59:59.96, so that midnight is passed.
    rows = []
    for k, f in enumerate(SHAPE):
        seconds = 86399.96 + 0.01 * k
        h, m, s = int(seconds // 3600) % 24, int(seconds // 60) % 60, seconds % 60
        rows.append(f"{stamp.format(h=f'{h:02}', m=m, s=s)}{separator}{f}")
    trace = read_trace(spec(write(tmp_path, f"t{separator}F\n" + "\n".join(rows))))
    assert np.diff(trace.time) == pytest.approx(np.full(7, 0.01), abs=1e-6)
    assert trace.thrust == pytest.approx(SHAPE)
    assert any("time of day" in told for told in trace.account)
    assert any("went over its end" in told for told in trace.account)


def test_a_decimal_comma_in_a_time_of_day(tmp_path):
    text = "t;F\n" + "".join(f"12:00:0{k},500;{k},25\n" for k in range(9))
    trace = read_trace(spec(write(tmp_path, text)))
    assert np.diff(trace.time) == pytest.approx(np.ones(8))
    assert trace.thrust == pytest.approx(np.arange(9) + 0.25)


@pytest.mark.parametrize(("unit", "scale"), [("s", 1.0), ("ms", 1e-3), ("us", 1e-6)])
def test_stamps_since_1970(tmp_path, unit, scale):
    step = 0.01 / scale
    text = "".join(f"{1777700000.0 / scale + k * step:.6f},{f}\n" for k, f in enumerate(SHAPE))
    clock = column(1, unit, scale)
    trace = read_trace(spec(write(tmp_path, text), time=clock, thrust=column(2)))
    assert np.diff(trace.time) == pytest.approx(np.full(7, 0.01), abs=1e-6)


@pytest.mark.parametrize(("factor", "name"), [(1e3, "ms"), (1e6, "µs"), (1e9, "ns")])
def test_stamps_since_1970_in_another_unit_are_refused(tmp_path, factor, name):
    text = "".join(f"{1777700000 * factor + k * 1e6:.0f},{f}\n" for k, f in enumerate(SHAPE))
    seconds = column(1, "s", 1.0)
    with pytest.raises(DataError, match=rf"as {name} since 1970 .*clock's unit as \({name}\)"):
        read_trace(spec(write(tmp_path, text), time=seconds, thrust=column(2)))


@pytest.mark.parametrize("wrap", [2.0**32 * 1e-6, 2.0**32 * 1e-3])
def test_a_wrapped_counter_that_was_logged_in_seconds(tmp_path, wrap):
    stamps = (wrap - 0.045 + 0.01 * np.arange(9)) % wrap
    text = "".join(f"{t:.6f},{k}\n" for k, t in enumerate(stamps))
    trace = read_trace(spec(write(tmp_path, text), time=column(1, "s", 1.0), thrust=column(2)))
    assert np.diff(trace.time) == pytest.approx(np.full(8, 0.01), abs=1e-5)


def test_a_clock_coarser_than_the_logger(tmp_path):
    # Five rows a tick of 10 ms: the rows are 2 ms apart.
    text = "t,F\n" + "".join(f"{10 * (k // 5)},{k}\n" for k in range(200))
    trace = read_trace(spec(write(tmp_path, text)))
    assert len(trace.time) == 200
    assert np.diff(trace.time) == pytest.approx(np.full(199, 0.002))
    assert any("spread evenly" in told for told in trace.account)


@pytest.mark.parametrize(
    "named", ["Actual Thrust (g)", "Actual Thrust", "actual thrust (G)", "Actual Thrust [gf]"]
)
@pytest.mark.parametrize("heading", ["Actual Thrust (g)", "Actual Thrust", "Actual Thrust [g]"])
def test_a_heading_with_or_without_its_unit(tmp_path, heading, named):
    text = f"t,{heading}\n" + "".join(f"{10 * k},{f}\n" for k, f in enumerate(SHAPE))
    thrust = Channel(column=named, unit="gf", scale=9.80665e-3, offset=0.0)
    trace = read_trace(spec(write(tmp_path, text), thrust=thrust))
    assert trace.thrust == pytest.approx(9.80665e-3 * np.array(SHAPE))
    said = any("the heading says" in told for told in trace.account)
    assert said == (heading != "Actual Thrust")


def test_a_misspelt_heading_is_answered_with_the_near_one(tmp_path):
    path = write(tmp_path, "t,Load cell (N),temp\n" + "".join(f"{k},{k},2\n" for k in range(9)))
    thrust = Channel(column="Loadcell", unit="N", scale=1.0, offset=0.0)
    with pytest.raises(DataError, match=r"`temp`; did you mean `Load cell \(N\)`\?"):
        read_trace(spec(path, thrust=thrust))


@pytest.mark.parametrize("heading", ["t,F\n", ""])
def test_commas_for_decimals_and_columns_at_once_are_refused(tmp_path, heading):
    text = heading + "".join(f"{k // 10},{k % 10},{2 * k},{(3 * k) % 10}\n" for k in range(30))
    channels = {} if heading else {"time": column(1, "s", 1.0), "thrust": column(2)}
    with pytest.raises(DataError, match="both as decimal mark and between columns"):
        read_trace(spec(write(tmp_path, text), **channels))


@pytest.mark.parametrize("rows", ["{t},{f},0,1", "{t},{f},,"])
def test_four_columns_of_whole_numbers_are_no_decimal_commas(tmp_path, rows):
    text = "".join(rows.format(t=10 * k, f=int(f)) + "\n" for k, f in enumerate(SHAPE))
    trace = read_trace(spec(write(tmp_path, text), time=column(1, "ms", 1e-3), thrust=column(2)))
    assert trace.thrust == pytest.approx([int(f) for f in SHAPE])


def test_decimal_commas_between_semicolons(tmp_path):
    path = write(tmp_path, "t;F\n" + "".join(f"{k},5;{2 * k},25\n" for k in range(9)))
    trace = read_trace(spec(path))
    assert trace.time == pytest.approx(1e-3 * (np.arange(9) + 0.5))
    assert trace.thrust == pytest.approx(2.0 * np.arange(9) + 0.25)


def test_exchanged_columns_are_refused(tmp_path):
    wave = 500.0 * np.sin(np.linspace(0.0, 9.0, 400)) ** 2
    path = write(tmp_path, "F,t\n" + "".join(f"{10 * k},{v:.2f}\n" for k, v in enumerate(wave)))
    with pytest.raises(DataError, match=r"goes back \d+ times in 400 rows; .*exchanged"):
        read_trace(spec(path))


def test_a_clock_that_stands_still_is_refused(tmp_path):
    path = write(tmp_path, "t,F\n" + "".join(f"7,{k}\n" for k in range(9)))
    with pytest.raises(DataError, match="does not move in 9 rows"):
        read_trace(spec(path))


def test_the_channels_own_clock_leaves_the_traces_clock_first(tmp_path):
    # The instants of [events] are on the trace's own clock, whichever channel it belongs to.
    shape = np.repeat([0.0, 5.0, 0.0], 100)
    main = write(tmp_path, "t,F\n" + "".join(f"{k},{v}\n" for k, v in enumerate(shape)), "m.csv")
    own = write(tmp_path, "t,p\n" + "".join(f"{k + 9000},{v}\n" for k, v in enumerate(shape)), "o")
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=0.0, file=own)
    trace = read_trace(spec(main, pressure=pressure, thrust=NEWTON))
    assert trace.time[0] == 0.0
    assert np.count_nonzero(np.abs(trace.pressure - trace.thrust) > 1e-9) <= 2


def test_raw_files_stay_as_they_are(tmp_path):
    path = write(tmp_path, "t;F\n0;0,5\n1;1,5\n0;x\n")
    before = (path.read_bytes(), path.stat().st_mtime_ns)
    read_trace(spec(path))
    assert (path.read_bytes(), path.stat().st_mtime_ns) == before


def test_the_two_readers_of_long_files_agree(tmp_path, monkeypatch):
    rng = np.random.default_rng(6)
    rows = "".join(f"{k};{v:.3f};1\n" for k, v in enumerate(rng.normal(0.0, 9.0, 3000)))
    path = write(tmp_path, "t;F;x\n" + rows.replace(".", ","))
    usual = read_trace(spec(path))
    monkeypatch.setattr("strandwise.reduction.rows._LONG_TEXT", 1000)
    long = read_trace(spec(path))
    assert np.array_equal(long.time, usual.time)
    assert long.thrust == pytest.approx(usual.thrust, rel=1e-15)
    assert long.account == usual.account


def test_a_long_file_with_noise_is_sifted_to_the_same_rows(tmp_path, monkeypatch):
    lines = [f"{k},{k % 97}.25" for k in range(2000)]
    lines[700:700] = ["button pressed", "12", "", "rst:0x1,4"]
    path = write(tmp_path, "boot\nt,F\n" + "\n".join(lines) + "\nlink lost\n")
    usual = read_trace(spec(path))
    monkeypatch.setattr("strandwise.reduction.rows._FAIRLY_LONG_TEXT", 1000)
    monkeypatch.setattr("strandwise.reduction.rows._load_slow", None)
    sifted = read_trace(spec(path))
    assert np.array_equal(sifted.time, usual.time)
    assert np.array_equal(sifted.thrust, usual.thrust)
    assert sifted.account == usual.account


@pytest.mark.parametrize("missing", ["NaN", "NA", "inf", "-", "null"])
def test_a_long_file_keeps_rows_in_which_one_channel_has_no_reading(tmp_path, monkeypatch, missing):
    # A slow load cell beside a fast gauge: nine rows of ten have the pressure alone.
    lines = [f"{k},{k % 97}.25,{missing if k % 10 else k % 7}" for k in range(2000)]
    path = write(tmp_path, "t,p,F\nstart\n" + "\n".join(lines) + "\n")
    monkeypatch.setattr("strandwise.reduction.rows._FAIRLY_LONG_TEXT", 1000)
    log = read_log(path, None)
    options = {"units": ("ms", "bar", "N"), "clock_scale": 1e-3}
    table, _ = load_columns(log, ("t", "p", "F"), **options)
    assert table.shape == (2000, 3)
    assert np.array_equal(table[:, 1], [k % 97 + 0.25 for k in range(2000)])
    assert np.count_nonzero(np.isfinite(table[:, 2])) == 200


@pytest.mark.parametrize(
    ("stamp", "separator", "mark", "read_at_once"),
    [
        ("{:02d}:{:02d}:{:06.3f}", ",", ".", True),
        ("2024-10-31 {:02d}:{:02d}:{:06.3f}", ",", ".", True),
        ("2024-10-31T{:02d}:{:02d}:{:06.3f}Z", "\t", ".", True),
        ("31.10.2024 {:02d}:{:02d}:{:06.3f}", ";", ",", True),
        ("{:02d}:{:02d}:{:06.3f} pm", ",", ".", False),
        ("{:02d}:{:d}:{:.3f}", ",", ".", False),
    ],
)
def test_a_long_file_with_times_of_day_is_read_at_once(
    tmp_path, monkeypatch, stamp, separator, mark, read_at_once
):
    # 23:59:58.5 to a second and a half past midnight, so that every figure changes.
    lines = []
    for k in range(3000):
        thousandths = 500 + k
        seconds = (86398 + thousandths // 1000) % 86400 + (thousandths % 1000) / 1000.0
        hours, minutes = int(seconds // 3600), int(seconds % 3600 // 60)
        clock = stamp.format(hours, minutes, seconds % 60.0)
        fields = ["1", clock, f"{k % 97}.25"]
        row = separator.join(fields)
        lines.append(row if mark == "." else row.replace(".25", ",25"))
    if mark == ",":
        lines = [
            line[:-3].replace(".", ",").replace("31,10,", "31.10.") + line[-3:] for line in lines
        ]
    path = write(tmp_path, separator.join(["n", "t", "F"]) + "\n" + "\n".join(lines) + "\n")
    clock = Channel(column="t", unit="s", scale=1.0, offset=0.0)
    asked = TraceSpec(file=path, time=clock, thrust=NEWTON)
    usual = read_trace(asked)
    monkeypatch.setattr("strandwise.reduction.rows._FAIRLY_LONG_TEXT", 1000)
    if read_at_once:
        monkeypatch.setattr("strandwise.reduction.rows._load_slow", None)
    long = read_trace(asked)
    assert long.time == pytest.approx(usual.time, rel=1e-14)
    assert np.array_equal(long.thrust, usual.thrust)
    if read_at_once:
        assert long.time == pytest.approx(86398.5 + 0.001 * np.arange(3000), rel=1e-12)
        assert "read as seconds since midnight" in " ".join(long.account)
