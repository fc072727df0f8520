"""Calibrations into `instruments.toml`, and back out of it."""

from __future__ import annotations

import datetime as dt
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.errors import DataError, RecordsError, RequestError, UnitError
from strandwise.records import Bench, CampaignFolder, PressureScale, read_instruments
from strandwise.records.instrument_edit import instrument_text
from strandwise.records.textfiles import FileText
from strandwise.workflow.calibrate import (
    NewCalibration,
    calibrate_instrument,
    calibration_in_place,
)

SHARED = """\
# Ours, in the order in which we bought them.

[cell-1]   # the blue one
kind = "load-cell"
reading_unit = "count"
calibration = [
    { reading = 100, load = "0 N" },   # hung free
    { reading = 900, load = "40 N" },
]
resolution = "0.05 N"  # by its sheet

# [cell-0]  # lost
"""
ROWS = ("61231 = 0 N", "113702 = 5 kgf", "165968 = 10 kgf", "113710 = 5 kgf", "61240 = 0 N")


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    bench = Bench(tmp_path)
    bench.instruments.parent.mkdir(parents=True)
    bench.instruments.write_text(SHARED, encoding="utf-8")
    folder = bench.path / "campaigns" / "small"
    folder.mkdir(parents=True)
    (folder / "campaign.toml").write_text(
        'title = "Invented"\nbaseline = "base"\naltitude = "300 m"\n', encoding="utf-8"
    )
    return bench


def new(**changes: Any) -> NewCalibration:
    plain: dict[str, Any] = {"name": "cell-2", "kind": "load-cell", "rows": ROWS}
    return NewCalibration(**(plain | changes))


def snapshot(bench: Bench) -> dict[str, bytes]:
    return {
        path.relative_to(bench.path).as_posix(): path.read_bytes()
        for path in bench.path.rglob("*")
        if path.is_file()
    }


def test_a_new_instrument_leaves_every_byte_before_it(bench: Bench) -> None:
    done = calibrate_instrument(
        bench, None, new(calibrated=dt.date(2026, 5, 2), notes="on the bench"), replace=False
    )
    text = bench.instruments.read_text(encoding="utf-8")
    assert text.startswith(SHARED)
    entry = tomllib.loads(text)["cell-2"]
    assert entry == {
        "kind": "load-cell",
        "reading_unit": "count",
        "calibrated": dt.date(2026, 5, 2),
        "calibration": [
            {"reading": int(row.split(" = ")[0]), "load": row.split(" = ")[1]} for row in ROWS
        ],
        "notes": "on the bench",
    }
    assert done.file == "shared/instruments.toml"
    # 1 kgf = 9.80665 N, NIST SP 811; the slope by hand from the means of equal loads.
    assert done.report.line.slope == pytest.approx(98.0665 / (165968 - 61235.5), rel=2e-3)
    again = calibration_in_place(bench, None, "cell-2")
    assert again.report.line == done.report.line


def test_a_calibration_anew_keeps_comments_and_other_keys(bench: Bench) -> None:
    done = calibrate_instrument(
        bench,
        None,
        new(name="cell-1", kind="", rows=("100 = 0 N", "500 = 20 N", "900 = 41 N")),
        replace=True,
    )
    text = bench.instruments.read_text(encoding="utf-8")
    for comment in (
        "# Ours, in the order",
        "# the blue one",
        "# by its sheet",
        "# [cell-0]  # lost",
    ):
        assert comment in text
    entry = tomllib.loads(text)["cell-1"]
    assert entry["resolution"] == "0.05 N"
    assert [row["load"] for row in entry["calibration"]] == ["0 N", "20 N", "41 N"]
    # Own computation: least squares through the three has 41 N / 800, against 40 N / 800.
    assert done.slope_change == pytest.approx(1.0 / 40.0, rel=1e-9)


def test_a_campaigns_own_instrument_in_a_new_file(bench: Bench) -> None:
    folder = bench.campaign("small")
    gauge = new(name="cell-1", kind="pressure-transducer", rows=("0.5 V = 0 psig", "4.5 V=1 ksi"))
    with pytest.raises(RequestError, match="row 2"):
        calibrate_instrument(bench, folder, gauge, replace=False)
    gauge = new(name="cell-1", kind="pressure-transducer", rows=("0.5 V = 0 psig", "4.5 V=99 psig"))
    done = calibrate_instrument(bench, folder, gauge, replace=False)
    assert done.file == "campaigns/small/instruments.toml"
    assert done.report.reading_unit == "V"
    assert done.remarks == ("in this campaign it takes the place of the shared `cell-1`",)
    # Own computation: 99 psi over 4 V; 1 psi = 6894.757 Pa, NIST SP 811.
    assert done.report.line.slope == pytest.approx(99 * 6894.757 / 4.0, rel=1e-6)
    assert calibration_in_place(bench, folder, "cell-1").report.kind == "pressure-transducer"
    assert calibration_in_place(bench, None, "cell-1").report.kind == "load-cell"


def test_the_shared_file_says_which_campaigns_do_not_use_it(bench: Bench) -> None:
    calibrate_instrument(bench, bench.campaign("small"), new(), replace=False)
    assert calibration_in_place(bench, None, "cell-2").file == "campaigns/small/instruments.toml"
    done = calibrate_instrument(bench, None, new(), replace=False)
    assert done.remarks == ("campaigns/small has its own `cell-2`, which stays in use there",)


@pytest.mark.parametrize("ends", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("bom", [b"", b"\xef\xbb\xbf"], ids=["", "bom"])
@pytest.mark.parametrize("replace", [False, True])
def test_line_ends_and_byte_order_mark_stay(
    bench: Bench, ends: str, bom: bytes, replace: bool
) -> None:
    bench.instruments.write_bytes(bom + SHARED.replace("\n", ends).encode())
    name = "cell-1" if replace else "cell-2"
    calibrate_instrument(bench, None, new(name=name), replace=replace)
    content = bench.instruments.read_bytes()
    assert content.startswith(bom + b"# Ours")
    assert content.count(b"\n") == content.count(ends.encode())


def test_a_table_of_a_spreadsheet(bench: Bench, tmp_path: Path) -> None:
    table = tmp_path / "cal.csv"
    table.write_text("reading;load (kgf);who\n61231;0;me\n113702;5;\n165968;10 kgf;\n")
    done = calibrate_instrument(bench, None, new(rows=(), table=table), replace=False)
    entry = tomllib.loads(bench.instruments.read_text(encoding="utf-8"))["cell-2"]
    assert [row["load"] for row in entry["calibration"]] == ["0 kgf", "5 kgf", "10 kgf"]
    assert done.report.loads.tolist() == pytest.approx([0.0, 49.03325, 98.0665], rel=1e-15)


FAULTS: dict[str, tuple[dict[str, Any], bool, str]] = {
    "name taken": ({"name": "cell-1"}, False, "has an instrument `cell-1` already; --replace"),
    "nothing to replace": ({}, True, "has no instrument `cell-2` to replace"),
    "no name": ({"name": "../x"}, False, "cannot be a name of an instrument"),
    "no kind": ({"kind": ""}, False, "the kind of instrument is missing"),
    "another kind": ({"kind": "scale"}, False, "`scale` is no kind"),
    "kind changed": ({"name": "cell-1", "kind": "pressure-transducer"}, True, "is a load-cell"),
    "unit": ({"reading_unit": "psi"}, False, "`psi` is no raw reading"),
    "units mixed": ({"rows": ("1 V = 0 N", "2 mV = 5 N")}, False, "row 2: a reading in `mV`"),
    "one row": ({"rows": ("1 = 0 N",)}, False, "1 row of a calibration"),
    "no row": ({"rows": ()}, False, "0 rows"),
    "no equals": ({"rows": ("1 0 N", "2 = 5 N")}, False, "row 1: `1 0 N` is no row"),
    "comma": ({"rows": ("1,5 = 0 N", "2 = 5 N")}, False, "row 1: .*comma"),
    "no unit": ({"rows": ("1 = 0 N", "2 = 5")}, False, "row 2: `5` has no unit"),
    "mass": ({"rows": ("1 = 0 N", "2 = 5 kg")}, False, "row 2: `kg` is a mass"),
    "one load": ({"rows": ("1 = 5 N", "2 = 5 N")}, False, "one reading or one load"),
    "one reading": ({"rows": ("1 = 0 N", "1 = 5 N")}, False, "one reading or one load"),
    "resolution": ({"resolution": "5"}, False, "resolution: `5` has no unit"),
    "notes": ({"notes": "\udcff"}, False, "notes: .* cannot keep"),
    "folder for a table": ({"table": Path()}, False, r"^\.: this is a folder"),
    "no table": ({"table": Path("nowhere.csv")}, False, "does not exist"),
    "plain bar": (
        {"kind": "pressure-transducer", "rows": ("1 V = 0 bar", "2 V = 10 bar")},
        False,
        "`0 bar` does not say from where it counts",
    ),
}


@pytest.mark.parametrize("fault", FAULTS.values(), ids=FAULTS.keys())
def test_bad_input_is_told_and_nothing_touched(bench: Bench, fault: Any) -> None:
    changes, replace, said = fault
    before = snapshot(bench)
    errors = (RequestError, RecordsError, DataError, UnitError)
    with pytest.raises(errors, match=said):
        calibrate_instrument(bench, None, new(**changes), replace=replace)
    assert snapshot(bench) == before


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("reading,load (N)\n1,0\n2,x\n", r"cal\.csv:3"),
        ("reading,load (psi)\n1,0\n2,3\n", "load"),
        ("reading\n1\n2\n", "load"),
        ("reading,load (N)\n", "holds no row"),
        ("", "no headings"),
    ],
)
def test_a_table_at_fault(bench: Bench, tmp_path: Path, table: str, said: str) -> None:
    path = tmp_path / "cal.csv"
    path.write_text(table)
    before = snapshot(bench)
    with pytest.raises((RequestError, RecordsError), match=said):
        calibrate_instrument(bench, None, new(rows=(), table=path), replace=False)
    assert snapshot(bench) == before


def test_a_file_at_fault_is_not_touched(bench: Bench) -> None:
    bench.instruments.write_text(SHARED + "[cell-9\n", encoding="utf-8")
    before = snapshot(bench)
    with pytest.raises(RequestError, match="is not valid TOML"):
        calibrate_instrument(bench, None, new(), replace=False)
    with pytest.raises(RecordsError, match="not valid TOML"):
        calibrate_instrument(bench, None, new(name="cell-1"), replace=True)
    assert snapshot(bench) == before


def test_what_cannot_be_changed_without_harm_is_refused() -> None:
    # Keys of one table in two places: the list cannot be put in the place of another kind.
    text = 'cell.kind = "load-cell"\ncell.calibration = []\nother.kind = "load-cell"\n'
    entry = {"kind": "load-cell", "calibration": [{"reading": 1, "load": "0 N"}]}
    content = FileText(text, bom=False)
    changed = instrument_text(content, "x.toml", "cell", entry, replace=True)
    assert tomllib.loads(changed)["other"] == {"kind": "load-cell"}
    with pytest.raises(RequestError, match="cannot be changed"):
        instrument_text(FileText("cell = 7\n", bom=False), "x.toml", "cell", entry, replace=True)


def test_two_campaigns_with_one_name_are_asked_for(bench: Bench) -> None:
    for name in ("small", "other"):
        folder = CampaignFolder(bench.path, name)
        folder.path.mkdir(exist_ok=True)
        (folder.path / "campaign.toml").write_text('title = "x"\nbaseline = "base"\n')
        calibrate_instrument(bench, folder, new(), replace=False)
    with pytest.raises(RequestError, match="the campaigns `other`, `small` each have"):
        calibration_in_place(bench, None, "cell-2")


def test_an_unknown_instrument(bench: Bench) -> None:
    with pytest.raises(RequestError, match="did you mean `cell-1`"):
        calibration_in_place(bench, None, "cel-1")
    with pytest.raises(RequestError, match="give its rows"):
        calibration_in_place(bench, None, "gauge")


@given(
    st.lists(
        st.tuples(st.floats(-1e7, 1e7, allow_nan=False), st.floats(-500.0, 500.0, allow_nan=False)),
        min_size=3,
        max_size=9,
        unique_by=(lambda pair: pair[0], lambda pair: pair[1]),
    )
)
def test_what_is_written_reads_back(pairs: list[tuple[float, float]]) -> None:
    rows = [{"reading": int(x) if x.is_integer() else x, "load": f"{y!r} N"} for x, y in pairs]
    entry = {"kind": "load-cell", "reading_unit": "count", "calibration": rows}
    text = instrument_text(FileText(SHARED, bom=False), "x.toml", "c", entry, replace=False)
    assert tomllib.loads(text)["c"] == entry


_WRITER = """
import sys
from pathlib import Path
from strandwise.records import Bench
from strandwise.workflow.calibrate import NewCalibration, calibrate_instrument

for number in range(4):
    new = NewCalibration(name=f"c-{sys.argv[2]}-{number}", kind="load-cell",
                         rows=("1 = 0 N", "2 = 5 N", "3 = 10 N"))
    calibrate_instrument(Bench(Path(sys.argv[1])), None, new, replace=False)
"""


def test_writers_take_turns(bench: Bench) -> None:
    running = [
        subprocess.Popen([sys.executable, "-c", _WRITER, str(bench.path), str(who)])
        for who in range(3)
    ]
    assert [process.wait(timeout=60) for process in running] == [0, 0, 0]
    found, findings, _ = read_instruments(bench.instruments, "x", PressureScale())
    assert findings == []
    assert len(found) == 1 + 3 * 4


def test_readings_that_do_not_follow_the_loads_are_refused(bench: Bench) -> None:
    # One load written in kgf in place of N: 100 kgf is 980.665 N (NIST SP 811).
    rows = ("1000 = 0 N", "11010 = 100 kgf", "20990 = 200 N", "31005 = 300 N")
    before = snapshot(bench)
    with pytest.raises(RequestError, match="do not follow the loads") as refused:
        calibrate_instrument(bench, None, new(rows=rows), replace=False)
    assert "row 2 is the farthest off" in refused.value.hint
    assert snapshot(bench) == before
    turned = ("31005 = 0 N", "20990 = 100 N", "11010 = 200 N", "1000 = 300 N")
    line = calibrate_instrument(bench, None, new(rows=turned), replace=False).report.line
    assert line.slope == pytest.approx(-0.01, rel=2e-3)


def test_the_row_farthest_off_is_named(bench: Bench) -> None:
    rows = ("1000 = 0 N", "11000 = 100 N", "21000 = 160 N", "31000 = 300 N", "41000 = 400 N")
    report = calibrate_instrument(bench, None, new(rows=rows), replace=False).report
    told = {caution.code: caution.message for caution in report.cautions}
    # By hand: 192 − 160 = 32 N off a line through all five; 8 % of 400 N.
    assert told["not-linear"].startswith("row 3 (reading 21000) lies 8 % of the span")
