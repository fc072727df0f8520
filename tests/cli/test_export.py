"""`strandwise export`: tables that other programs read as they were."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from strandwise.report.export_columns import ExportColumn, ExportTable
from strandwise.report.table_files import csv_bytes, json_lines_bytes

TABLES = ("points", "firings", "fits", "comparison", "shifts", "doses", "cautions")
KINDS = {"text": "str", "number": "float64", "integer": "Int64", "boolean": "bool"}


def read_csv(folder: Path, name: str) -> pd.DataFrame:
    """Read a table as its dictionary says."""
    dictionary = pd.read_csv(folder / "dictionary.csv", dtype="str", keep_default_na=False)
    kinds = dictionary[dictionary["table"] == name].set_index("column")["type"]
    numbers = [column for column, kind in kinds.items() if kind in ("number", "integer")]
    return pd.read_csv(
        folder / f"{name}.csv",
        dtype={column: KINDS[kind] for column, kind in kinds.items()},
        keep_default_na=False,
        na_values={column: [""] for column in numbers},
    )


def json_lines(path: Path) -> list[dict[str, Any]]:
    def refuse(text: str) -> None:
        raise ValueError(text)

    lines = path.read_text(encoding="utf-8").splitlines()
    return [json.loads(line, parse_constant=refuse) for line in lines]


@pytest.mark.usefixtures("bench")
def test_every_table_reads_back_with_pandas_as_the_commands_print_it(run: Any) -> None:
    assert run("export", "demo", "-o", "tables").code == 0
    points = read_csv(Path("tables"), "points")
    told = run("reduce", "demo", "--json").json["points"]
    assert points["test"].tolist() == [point["test"] for point in told]
    for name in ("pressure_MPa", "rate_mm_s", "temperature_degC"):
        expected = [float("nan") if p[name] is None else p[name] for p in told]
        assert points[name].tolist() == pytest.approx(expected, rel=1e-11, nan_ok=True)
    assert points["used"].tolist() == [point["used"] for point in told]
    fits = read_csv(Path("tables"), "fits")
    laws = run("fit", "demo", "--json").json["fits"]
    assert fits["n"].tolist() == pytest.approx([law["n"] for law in laws], rel=1e-11)
    assert fits["a_ci95_high_mm_s_MPa"].tolist() == pytest.approx(
        [law["a_ci95"][1] for law in laws], rel=1e-11
    )
    shifts = read_csv(Path("tables"), "shifts")
    rows = run("compare", "demo", "--json").json["formulations"]
    assert shifts["shift_percent"].tolist() == pytest.approx(
        [row["shift_percent"] for row in rows], rel=1e-11
    )
    assert shifts["is_baseline"].tolist() == [True, False, False]


@pytest.mark.usefixtures("bench")
def test_csv_and_json_lines_hold_the_same(run: Any) -> None:
    run("export", "demo", "-o", "tables")
    for name in TABLES:
        rows = json_lines(Path(f"tables/{name}.jsonl"))
        frame = read_csv(Path("tables"), name)
        assert len(frame) == len(rows)
        if rows:
            assert list(frame.columns) == list(rows[0])
        for column in frame.columns:
            values = [row[column] for row in rows]
            if frame[column].dtype.kind == "f":
                same = [float("nan") if value is None else value for value in values]
                assert frame[column].tolist() == pytest.approx(same, rel=0, abs=0, nan_ok=True)


@pytest.mark.usefixtures("bench")
def test_every_column_is_explained_and_every_number_has_a_unit(run: Any) -> None:
    run("export", "demo", "-o", "tables")
    with Path("tables/dictionary.csv").open(encoding="utf-8") as file:
        explained = list(csv.DictReader(file))
    for name in TABLES:
        heading = Path(f"tables/{name}.csv").read_text(encoding="utf-8").splitlines()[0]
        own = [row for row in explained if row["table"] == name]
        assert [row["column"] for row in own] == heading.split(",")
        assert all(row["meaning"] for row in own)
        assert all(row["unit"] for row in own if row["type"] == "number")
        for unit, ending in (("MPa", "_MPa"), ("mm/s", "_mm_s"), ("N", "_N"), ("s", "_s")):
            assert all(row["column"].endswith(ending) for row in own if row["unit"] == unit)


@pytest.mark.usefixtures("bench")
def test_the_same_records_give_the_same_bytes_whatever_is_shown(run: Any) -> None:
    for folder in ("first", "second"):
        assert run("export", "demo", "-o", folder).code == 0
        settings = Path("campaigns/demo/campaign.toml")
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace('units = "metric"', 'units = "mixed, bar"'), "utf-8")
    first = {path.name: path.read_bytes() for path in Path("first").iterdir()}
    assert first == {path.name: path.read_bytes() for path in Path("second").iterdir()}
    assert set(first) == {
        *(f"{name}.{ending}" for name in TABLES for ending in ("csv", "jsonl")),
        "dictionary.csv", "READ-ME.txt", "manifest.sha256",
    }  # fmt: skip
    assert b"nan" not in b"".join(first.values()).lower().replace(b"no nan", b"")


HOSTILE = ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "'=1", "'", "ordinary", "a=1", "=a,b\n"]


def one_column(texts: list[str | None]) -> ExportTable:
    column = ExportColumn("why_not", "text", "", "reason", lambda item: item)
    number = ExportColumn("shift_percent", "number", "%", "shift", lambda _: -1.5)
    return ExportTable("t", "a row", (column, number), tuple((text, -1.5) for text in texts))


def written_cells(table: ExportTable) -> list[list[str]]:
    text = csv_bytes(table).decode("utf-8")
    return list(csv.reader(io.StringIO(text, newline="")))[1:]


def test_no_text_is_a_formula_and_each_reads_back() -> None:
    # Formula injection through = + - @, tab and carriage return: OWASP, "CSV Injection"
    # (from memory).
    cells = written_cells(one_column(list(HOSTILE)))
    assert all(not cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell, _ in cells)
    assert [cell.removeprefix("'") for cell, _ in cells] == HOSTILE
    assert {number for _, number in cells} == {"-1.5"}
    assert [json.loads(line)["why_not"] for line in json_lines_bytes(
        one_column(list(HOSTILE))).decode("utf-8").splitlines()] == HOSTILE  # fmt: skip


@settings(max_examples=100)
@given(st.text(min_size=1, max_size=20).filter(lambda text: "\0" not in text))
def test_any_text_reads_back_by_the_rule_of_the_read_me(text: str) -> None:
    ((cell, _),) = written_cells(one_column([text]))
    assert cell.removeprefix("'") == text
    frame = pd.read_csv(
        io.BytesIO(csv_bytes(one_column([text]))), dtype="str", keep_default_na=False
    )
    assert frame["why_not"].tolist() == [cell]


def test_a_hostile_reason_in_the_records_is_harmless(run: Any, bench: Path) -> None:
    table = bench / "campaigns/demo/strands.csv"
    head, first, rest = table.read_text(encoding="utf-8").split("\n", 2)
    (cells,) = csv.reader([first])
    cells[head.split(",").index("exclude")] = "=HYPERLINK(0)"
    quoted = ",".join('"' + cell.replace('"', '""') + '"' for cell in cells)
    table.write_text(f"{head}\n{quoted}\n{rest}", encoding="utf-8")
    assert run("export", "demo", "-o", "tables").code == 0
    points = read_csv(Path("tables"), "points")
    assert points["why_not"].str.contains("=HYPERLINK(0)", regex=False).sum() == 1
    assert not points["why_not"].str.startswith("=").any()


@pytest.mark.usefixtures("bench")
def test_an_unchanged_earlier_export_is_replaced(run: Any) -> None:
    run("export", "demo", "-o", "tables")
    Path("tables/points.jsonl").unlink()
    assert run("export", "demo", "-o", "tables").code == 0
    assert Path("tables/points.jsonl").is_file()
    assert not [path for path in Path().iterdir() if path.name.startswith(".")]


@pytest.mark.parametrize("what", ["added", "changed", "foreign", "file"])
def test_files_of_somebody_else_are_left_alone(
    run: Any, bench: Path, digest: Any, what: str
) -> None:
    if what == "file":
        Path("tables").write_text("mine", encoding="utf-8")
    elif what == "foreign":
        Path("tables").mkdir()
        Path("tables/points.csv").write_text("mine", encoding="utf-8")
    else:
        run("export", "demo", "-o", "tables")
        name = "tables/mine.txt" if what == "added" else "tables/points.csv"
        with Path(name).open("a", encoding="utf-8") as file:
            file.write("mine")
    before = digest(bench)
    result = run("export", "demo", "-o", "tables")
    assert (result.code, result.out) == (1, "")
    assert "nothing was changed" in result.err
    assert digest(bench) == before


def test_a_write_that_fails_leaves_the_earlier_export(
    run: Any, bench: Path, digest: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    run("export", "demo", "-o", "tables")
    before = digest(bench / "tables")
    kept = {path.name for path in bench.iterdir()}

    def full(path: Path, content: bytes) -> None:
        del content
        if path.name == "shifts.csv":
            raise OSError(28, "No space left on device", str(path))

    monkeypatch.setattr("strandwise.workflow.export.write_new", full)
    result = run("export", "demo", "-o", "tables")
    assert result.code == 1
    assert "No space left on device" in result.err
    assert digest(bench / "tables") == before
    assert {path.name for path in bench.iterdir()} == kept


def test_a_campaign_without_tests_gives_empty_tables_and_says_why(run: Any, bench: Path) -> None:
    table = bench / "campaigns/demo/strands.csv"
    table.write_text(table.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    for firing in (bench / "campaigns/demo/firings").iterdir():
        firing.unlink()
    assert run("export", "demo", "-o", "tables", "--json").json["rows"]["fits"] == 0
    (told,) = json_lines(Path("tables/cautions.jsonl"))
    assert told["code"] == "no-tests"
    assert "no test that may be used" in told["message"]


@pytest.mark.usefixtures("bench")
def test_parquet_needs_its_library_and_says_so(run: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    result = run("export", "demo", "-o", "tables", "--parquet")
    assert result.code == 1
    assert "pip install pyarrow" in result.err
    assert not Path("tables").exists()


@pytest.mark.usefixtures("bench")
def test_parquet_holds_what_the_csv_holds(run: Any) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    for folder in ("first", "second"):
        assert run("export", "demo", "-o", folder, "--parquet").code == 0
    for name in TABLES:
        path = Path(f"first/{name}.parquet")
        assert path.read_bytes() == Path(f"second/{name}.parquet").read_bytes()
        assert parquet.read_table(path).to_pylist() == json_lines(Path(f"first/{name}.jsonl"))
