from __future__ import annotations

import hashlib
import time as stopwatch

import numpy as np
import pytest

from strandwise.errors import DataError
from strandwise.findings import Source
from strandwise.records import Channel, Instrument, TraceSpec
from strandwise.reduction import read_trace

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
    assert any("wrapped 1 time:" in line for line in trace.account)


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
    far = write(
        tmp_path, "t,F\n" + "".join(f"{10 * k + 900},{v}\n" for k, v in enumerate(shape)), "far.csv"
    )
    pressure = Channel(column="p", unit="Pa", scale=1.0, offset=0.0)

    def thrust(path):
        return Channel(column="F", unit="N", scale=1.0, offset=0.0, file=path)

    trace = read_trace(spec(first, pressure=pressure, thrust=thrust(second)))
    assert trace.thrust == pytest.approx(shape)
    with pytest.raises(DataError, match="hardly overlap"):
        read_trace(spec(first, pressure=pressure, thrust=thrust(far)))
    long = [0] * 50 + [5] * 50 + [0] * 50
    a = write(tmp_path, "t,p\n" + "".join(f"{k},{v}\n" for k, v in enumerate(long)), "a.csv")
    b = write(tmp_path, "t,F\n" + "".join(f"{k + 20},{v}\n" for k, v in enumerate(long)), "b.csv")
    with pytest.raises(DataError, match="do not share a clock"):
        read_trace(spec(a, pressure=pressure, thrust=thrust(b)))


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
