"""A record that is added reads back equal, and nothing else in the file is changed."""

# ruff: noqa: E501 (one case a line can be read as a table)
from __future__ import annotations

import datetime as dt
import errno
import os
import re
import string
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from strandwise.errors import RecordsError, RequestError
from strandwise.findings import Source
from strandwise.records import (
    BATCH_FIELDS,
    STRAND_FIELDS,
    Batch,
    PressureScale,
    StrandReading,
    append_record,
)
from strandwise.records.csvrecords import record_values
from strandwise.records.csvtable import read_csv_table
from strandwise.records.field import Field

HERE = Source("the new record")
SCALE = PressureScale("absolute", 97716.6)
ROOT = b"test,batch,length (mm),time (s),pressure (MPa)\nS-1,B-1,60.40,12.13,2\n"


def strand(**changes: Any) -> StrandReading:
    values: dict[str, Any] = {
        "test": "S-9",
        "batch": "B-1",
        "length": 0.0604,
        "time": 12.13,
        "pressure": 2.1e6,
        "source": HERE,
    }
    return StrandReading(**(values | changes))


def append(path: Path, record: Any, scale: PressureScale = SCALE, units: str = "metric") -> None:
    fields = BATCH_FIELDS if isinstance(record, Batch) else STRAND_FIELDS
    append_record(path, path.name, record, fields, scale, units=units)


def last(path: Path, fields: tuple[Field, ...], scale: PressureScale) -> dict[str, Any]:
    table, findings = read_csv_table(path, path.name, fields)
    assert findings == []
    assert table is not None
    read = record_values(table, fields, scale)
    assert read.findings == []
    return read.records[-1][1]


def values_of(record: Any, fields: tuple[Field, ...]) -> dict[str, Any]:
    values = {field.name: getattr(record, field.name) for field in fields}
    return {name: value for name, value in values.items() if value not in (None, "")}


KEPT = {
    "plain": b"test,batch,length (mm),time (s),pressure (MPa)\nS-1,B-1,60.40,12.13,2\n",
    "comments and blanks": b"# mine\n\ntest,batch,length (mm),time (s),pressure (MPa)\n\n# S-0\nS-1,B-1, 60.40 ,12.13,2,,\n\n",
    "carriage returns": b"test,batch,length (mm),time (s),pressure (MPa)\r\nS-1,B-1,60.40,12.13,2\r\n",
    "lone carriage returns": b"test,batch,length (mm),time (s),pressure (MPa)\rS-1,B-1,60.40,12.13,2\r",
    "byte order mark": b"\xef\xbb\xbftest,batch,length (mm),time (s),pressure (MPa)\n",
    "semicolons": b"sep=;\ntest;batch;length (mm);time (s);pressure (MPa)\nS-1;B-1;60.40;12.13;2\n",
    "no last line end": b"test,batch,length (mm),time (s),pressure (MPa)\r\nS-1,B-1,60.40,12.13,2",
    "headings alone": b"test,batch,length (mm),time (s),pressure (MPa)",
    "own columns and order": b'pressure (psig),"mood, of mine",time (s),test,length (in),batch\n251,"so, ""so""",12,S-1,2 3/8,B-1\n',
    "a value of rows at fault": b"test,batch,length (mm),time (s),pressure (MPa)\nS-1,B-1,-60,x,0\n",
}  # fmt: skip


@pytest.mark.parametrize("before", KEPT.values(), ids=KEPT.keys())
def test_every_byte_stays(tmp_path: Path, before: bytes) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(before)
    append(path, strand())
    after = path.read_bytes()
    assert after.startswith(before)
    newline = b"\r\n" if b"\r\n" in before else b"\r" if b"\r" in before else b"\n"
    ended = before.endswith((b"\n", b"\r"))
    assert after[len(before) :].count(newline) == (1 if ended else 2)
    if b"-60" not in before:
        assert last(path, STRAND_FIELDS, SCALE) == values_of(strand(), STRAND_FIELDS)


@pytest.mark.parametrize(
    ("before", "after"),
    [
        (b"a,test,batch,length (mm),time (s),pressure (MPa)\n#\n", b",date,notes\n#\n"),
        (b"a,test,batch,length (mm),time (s),pressure (MPa)\r\n", b",date,notes\r\n"),
        (b"a,test,batch,length (mm),time (s),pressure (MPa)", b",date,notes\n"),
    ],
)
def test_an_absent_column_is_added_to_the_heading_only(
    tmp_path: Path, before: bytes, after: bytes
) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(before)
    append(path, strand(date=dt.date(2026, 5, 2), notes="a, b"))
    heading = before.split(b"\r")[0].split(b"\n")[0]
    assert path.read_bytes().startswith(heading + after)
    assert last(path, STRAND_FIELDS, SCALE)["notes"] == "a, b"


def test_empty_headings_at_the_end_are_filled(tmp_path: Path) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(
        b'test;batch;length (mm);time (s);"pressure (MPa)";"";  ;\nS-1;B-1;60;12;2;;;\n'
    )
    append(path, strand(notes="x"))
    head, row, new = path.read_bytes().splitlines()
    assert head == b'test;batch;length (mm);time (s);"pressure (MPa)";notes'
    assert row == b"S-1;B-1;60;12;2;;;"
    assert new == b"S-9;B-1;60.4;12.13;2.1;x"


def test_a_file_that_is_not_there_is_made(tmp_path: Path) -> None:
    path = tmp_path / "strands.csv"
    append(path, strand(), units="inch-pound")
    head, row = path.read_text("utf-8").splitlines()
    assert head == "test,batch,length (in),pressure (psia),time (s)"
    assert row.startswith("S-9,B-1,")
    assert last(path, STRAND_FIELDS, SCALE) == values_of(strand(), STRAND_FIELDS)


def test_numbers_stand_in_the_columns_unit(tmp_path: Path) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(
        b"test,batch,length (in),time (ms),pressure (bar),pressure_sd,length_sd (mm)\n"
    )
    scale = PressureScale("gauge", 1e5)
    append(path, strand(length=0.0381, pressure=2.1e6, pressure_sd=2e4, length_sd=5e-4), scale)
    assert path.read_text("utf-8").splitlines()[1] == "S-9,B-1,1.5,12130,20,0.2,0.5"


@pytest.mark.parametrize(
    ("field", "heading", "typed", "kept"),
    [
        # Another zero: the day's air belongs to the settings, not into the reading.
        ("pressure", "pressure (psia)", "100 psig", "100 psig"),
        ("pressure", "pressure (psig)", "3 MPa", "3 MPa"),
        ("pressure", "pressure (bara)", "0 barg", "0 barg"),
        ("pressure", "pressure (psig)", "100 psig", "100"),
        ("pressure", "pressure (bara)", "2.1 MPaa", "21"),
        ("pressure", "pressure (psia)", "2 MPa", "2 MPa"),
        ("pressure", "pressure", "2 MPa", "2 MPa"),
        # NIST SP 811 (2008), appendix B.8: the inch is 25.4 mm exactly.
        ("length", "length (mm)", "3 in", "76.2"),
        ("length", "length (mm)", "3 1/64 in", "3 1/64 in"),
        ("length", "length (in)", "3 1/64 in", "3.015625"),
        ("length", "length (in)", "3 1/3 in", "3 1/3 in"),
        ("length", "length (in)", "85 mm", "85 mm"),
        ("length", "length (mm)", '5/16"', '"5/16"""'),
        ("time", "time (s)", "7100 ms", "7.1"),
        ("temperature", "temperature (degF)", "20 degC", "68"),
        ("temperature", "temperature (degF)", "18.37 degC", "65.066"),
    ],
)
def test_a_quantity_is_kept_as_it_was_typed_or_exactly(
    tmp_path: Path, field: str, heading: str, typed: str, kept: str
) -> None:
    headings = {"length": "length (mm)", "time": "time (s)", "pressure": "pressure (MPa)"}
    path = tmp_path / "strands.csv"
    path.write_text(",".join(["test", "batch", *(headings | {field: heading}).values()]) + "\n")
    value = next(f for f in STRAND_FIELDS if f.name == field).parse(typed, SCALE)
    record = strand(**{field: value})
    append_record(
        path, path.name, record, STRAND_FIELDS, SCALE, units="metric", typed={field: f" {typed} "}
    )
    row = path.read_text("utf-8").splitlines()[1]
    at = [*(headings | {field: heading})].index(field)
    assert row.split(",")[2 + at] == kept
    assert last(path, STRAND_FIELDS, SCALE) == values_of(record, STRAND_FIELDS)


def test_without_a_known_air_an_absolute_pressure_says_so(tmp_path: Path) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(b"test,batch,length (mm),time (s),pressure (psig)\n")
    for scale in (PressureScale(), PressureScale("gauge", None)):
        append(path, strand(), scale)
        assert last(path, STRAND_FIELDS, scale) == values_of(strand(), STRAND_FIELDS)
    assert path.read_text("utf-8").splitlines()[1] == "S-9,B-1,60.4,12.13,2.1 MPaa"


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"test,batch\n",
        b"\xff\xfe\0",
        b"test,batch,length (mm),time (s),pressure (MPa)\nS,B,1,2,3,4\n",
    ],
)
def test_a_table_at_fault_is_not_touched(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(content)
    with pytest.raises(RecordsError, match=r"strands\.csv"):
        append(path, strand())
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("notes", ["a\0b", "a\udcff", "\x85x\0"])
def test_what_would_not_read_back_is_refused(tmp_path: Path, notes: str) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(ROOT)
    with pytest.raises(RequestError, match="nothing was changed"):
        append(path, strand(notes=notes))
    assert path.read_bytes() == ROOT


def test_a_row_that_would_be_a_comment_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(b"notes,test,batch,length (mm),time (s),pressure (MPa)\n")
    with pytest.raises(RequestError, match="`S-9` would not read back"):
        append(path, strand(notes="# 1"))


def _fail(*_: Any, **__: Any) -> Any:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def test_a_file_that_cannot_be_opened_again_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[int] = []
    real = tempfile.mkstemp

    def keep(**how: Any) -> tuple[int, str]:
        descriptor, name = real(**how)
        made.append(descriptor)
        return descriptor, name

    monkeypatch.setattr(tempfile, "mkstemp", keep)
    monkeypatch.setattr(os, "fdopen", _fail)
    with pytest.raises(RequestError, match="No space left"):
        append(tmp_path / "strands.csv", strand())
    (descriptor,) = made
    with pytest.raises(OSError, match="Bad file descriptor"):
        os.fstat(descriptor)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("owner", "name"),
    [(os, "fsync"), (Path, "replace"), (Path, "chmod"), (os, "fdopen")],
)
def test_a_full_disk_leaves_all_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, owner: Any, name: str
) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(ROOT)
    monkeypatch.setattr(owner, name, _fail)
    with pytest.raises(RequestError, match=r"cannot write .*No space left.*nothing was changed"):
        append(path, strand())
    monkeypatch.undo()
    assert path.read_bytes() == ROOT
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_a_write_that_fails_midway_leaves_all_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(ROOT)
    real = os.fdopen

    def into_a_full_device(descriptor: int, mode: str) -> Any:
        os.close(descriptor)
        return real(os.open("/dev/full", os.O_WRONLY), mode)

    monkeypatch.setattr(os, "fdopen", into_a_full_device)
    with pytest.raises(RequestError, match="No space left"):
        append(path, strand())
    assert path.read_bytes() == ROOT
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_whose_rename_cannot_be_flushed_is_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(ROOT)
    real = os.fsync
    calls = []

    def only_files(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        real(descriptor)

    monkeypatch.setattr(os, "fsync", only_files)
    append(path, strand())
    assert len(calls) == 2
    assert path.read_bytes().startswith(ROOT)


def test_an_interrupt_leaves_all_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(ROOT)

    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        append(path, strand())
    assert path.read_bytes() == ROOT
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_keeps_pointing_and_permissions_stay(tmp_path: Path) -> None:
    real = tmp_path / "kept" / "strands.csv"
    real.parent.mkdir()
    real.write_bytes(ROOT)
    real.chmod(0o640)
    link = tmp_path / "strands.csv"
    link.symlink_to(real)
    append(link, strand())
    assert link.is_symlink()
    assert real.read_bytes().startswith(ROOT)
    assert real.stat().st_mode & 0o777 == 0o640


_DEVICES = re.compile(r"(?i)con|prn|aux|nul|com\d|lpt\d")
_NAMES = st.text(string.ascii_letters + string.digits, min_size=1, max_size=8).filter(
    lambda name: not _DEVICES.fullmatch(name)  # names that a file cannot have everywhere
)
_TEXTS = st.one_of(
    st.just(""),
    st.text(
        alphabet=st.characters(codec="utf-8", exclude_characters="\0"), min_size=1, max_size=20
    ).map(str.strip),
    st.sampled_from(['a, b; c\t"d"', "two\nlines", "# no comment", "=1+1", '5/16"', "µ × −"]),
)
_DATES = st.none() | st.dates(dt.date(1900, 1, 1), dt.date(2100, 1, 1))


def _values(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, exclude_min=True, allow_nan=False)


def _some(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | _values(low, high)


STRANDS = st.builds(
    StrandReading,
    test=_NAMES,
    batch=_NAMES,
    length=_values(1e-4, 10.0),
    time=_some(1e-3, 1e4),
    frames=_some(1.0, 1e6),
    frame_rate=_some(1.0, 1e5),
    pressure=_values(10.0, 1e9),
    pressure_end=_some(10.0, 1e9),
    date=_DATES,
    temperature=_some(100.0, 1000.0),
    length_sd=_some(1e-9, 1.0),
    time_sd=_some(1e-9, 1.0),
    pressure_sd=_some(1e-3, 1e6),
    exclude=_TEXTS,
    notes=_TEXTS,
    source=st.just(HERE),
)
BATCHES = st.builds(
    Batch,
    batch=_NAMES,
    formulation=_NAMES,
    mixed=_DATES,
    mass=_some(1e-4, 1e3),
    density=_some(1.0, 1e4),
    process=_TEXTS,
    process_temperature=_some(1.0, 1e3),
    notes=_TEXTS,
    source=st.just(HERE),
)
STRAND_FILES = {
    "metric": b"test,batch,length (mm),time (s),pressure (MPa)\n",
    "inch-pound": b"# old\r\ntest,batch,length (in),time (ms),pressure (psig),temperature (degF)\r\n",
    "semicolons": b"\xef\xbb\xbfsep=;\nbatch;mood;test;length (ft);time (min);pressure (bar);pressure_sd (psi);;\n",
    "units in cells": b"test\tbatch\tlength\ttime\tpressure\tnotes\tpressure_sd\n",
    "gauge ends": b"test|batch|length (cm)|time (s)|pressure (kPa)|pressure_end (inHg gauge)\n",
}  # fmt: skip
BATCH_FILES = {
    "metric": b"batch,formulation,mass (g),density (g/cm3)\n",
    "inch-pound": b"\xef\xbb\xbfbatch;formulation;mass (oz);density (lb/in3);process_temperature (degF);mine",
    "units in cells": b"# c\nnotes\tbatch\tformulation\tmass\tdensity\r\n",
}
_quick = settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])


def _round_trip(path: Path, record: Any, fields: tuple[Field, ...], scale: PressureScale) -> None:
    before = path.read_bytes()
    # Where the notes stand first, a row may look like a comment: told, and nothing written.
    if b"\nnotes" in before and record.notes.lstrip(',;|"').startswith("#"):
        with pytest.raises(RequestError, match="would not read back"):
            append(path, record, scale)
        assert path.read_bytes() == before
        return
    append(path, record, scale, units="inch-pound")
    assert last(path, fields, scale) == values_of(record, fields)


@pytest.mark.parametrize("file", STRAND_FILES.values(), ids=STRAND_FILES.keys())
@_quick
@given(record=STRANDS, readings=st.sampled_from(["absolute", "gauge"]))
@example(record=strand(pressure=97716.6, notes="the pressure of the air itself"), readings="gauge")
def test_a_strand_reads_back_equal(tmp_path: Path, file: bytes, record: Any, readings: Any) -> None:
    path = tmp_path / "strands.csv"
    path.write_bytes(file)
    _round_trip(path, record, STRAND_FIELDS, PressureScale(readings, 97716.6))


@pytest.mark.parametrize("file", BATCH_FILES.values(), ids=BATCH_FILES.keys())
@_quick
@given(record=BATCHES)
def test_a_batch_reads_back_equal(tmp_path: Path, file: bytes, record: Any) -> None:
    path = tmp_path / "batches.csv"
    path.write_bytes(file)
    _round_trip(path, record, BATCH_FIELDS, SCALE)
