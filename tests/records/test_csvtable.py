from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from strandwise.records import STRAND_FIELDS
from strandwise.records.csvtable import CsvTable, cells_of_text, parse_csv_table
from strandwise.records.textfiles import FileText, decode_text

HEAD = "test,batch,length (mm),time (s),pressure (MPa)"


def parse(text: str) -> tuple[CsvTable | None, list[Any]]:
    content = decode_text(text.encode("utf-8"), "strands.csv")
    assert isinstance(content, FileText)
    return parse_csv_table(content, "strands.csv", STRAND_FIELDS)


def rows(text: str) -> list[tuple[int, tuple[str, ...]]]:
    table, findings = parse(text)
    assert table is not None
    assert findings == []
    return [(row.line, row.cells) for row in table.rows]


ROW = ("S-1", "B-1", "60", "12", "2")

SAVED_BY = {
    "plain": f"{HEAD}\nS-1,B-1,60,12,2\n",
    "semicolons": f"{HEAD}\nS-1,B-1,60,12,2\n".replace(",", ";"),
    "tabs": f"{HEAD}\nS-1,B-1,60,12,2\n".replace(",", "\t"),
    "carriage returns": f"{HEAD}\r\nS-1,B-1,60,12,2\r\n",
    "lone carriage returns": f"{HEAD}\rS-1,B-1,60,12,2\r",
    "byte order mark": f"\ufeff{HEAD}\nS-1,B-1,60,12,2\n",
    "no last line end": f"{HEAD}\nS-1,B-1,60,12,2",
    "quotes": '"test","batch","length (mm)","time (s)","pressure (MPa)"\n"S-1","B-1","60",12,2\n',
    "blanks": " test , batch,length (mm) ,time (s),pressure (MPa)\n S-1 ,\tB-1, 60,12 ,2 \n",
    "trailing separators": f"{HEAD},,\nS-1,B-1,60,12,2,,,,\n",
    "capitals": "Test,BATCH,Length (mm),time (s),Pressure (MPa)\nS-1,B-1,60,12,2\n",
}


@pytest.mark.parametrize("text", SAVED_BY.values(), ids=SAVED_BY.keys())
def test_whatever_saved_it(text: str) -> None:
    assert rows(text) == [(2, ROW)]


@pytest.mark.parametrize("first", ["sep=;", '"sep=;"', "SEP=;"])
def test_a_stated_separator(first: str) -> None:
    assert rows(f"{first}\n{HEAD}\nS-1,B-1,60,12,2\n".replace(",", ";")) == [(3, ROW)]


def test_lines_are_physical() -> None:
    text = (
        f"# mine\n\n{HEAD},notes\n# S-0,B-1\n,,,\n"
        'S-1,B-1,60,12,2,"two\n# lines"\n"# a, b"\nS-2,B-1,60,12,2\n'
    )
    table, findings = parse(text)
    assert table is not None
    assert findings == []
    assert table.header_line == 3
    assert [(row.line, row.cells[0], row.cells[-1]) for row in table.rows] == [
        (6, "S-1", "two\n# lines"),
        (9, "S-2", ""),
    ]
    assert table.content.text[: table.header_end].endswith("notes\n")


def test_commas_between_quotes_count_for_nothing() -> None:
    text = f'{HEAD.replace(",", ";")};"a,b,c,d,e,f"\nS-1;B-1;60;12;2;\n'
    assert rows(text) == [(2, (*ROW, ""))]


def test_other_columns_are_kept() -> None:
    table, findings = parse(f"{HEAD},operator\nS-1,B-1,60,12,2,Io\n")
    assert findings == []
    assert table is not None
    assert [c.field.name if c.field else None for c in table.columns][-2:] == ["pressure", None]


@pytest.mark.parametrize(
    ("text", "code", "line", "field", "said"),
    [
        ("", "empty-file", None, None, "no headings"),
        ("\n\n# only this\n", "empty-file", None, None, "no headings"),
        ("sep=x\n" + HEAD, "unknown-separator", 1, None, "sep=x"),
        (HEAD.replace("batch,", ""), "missing-column", 1, "batch", "no column `batch`"),
        ('"test', "unreadable-row", 1, None, "unexpected end"),
        (HEAD + "\nS-1,B-1,60,12,2,5\n", "too-many-cells", 2, None, "6 cells.*`5`"),
        (HEAD + '\nS-1,B-1,"60"" in,12,2\n', "unreadable-row", 2, None, "cannot be split"),
        (HEAD + '\nS-1,B-1,"5/16" in,12,2\n', "unreadable-row", 2, None, "cannot be split"),
        (HEAD + ",Length (in)\n", "repeated-column", 1, "Length (in)", "same column"),
        (HEAD + ",notes (mm)\n", "unit-not-wanted", 1, "notes (mm)", "has none"),
        (HEAD + ",temperature (mm)\n", "unknown-unit", 1, "temperature (mm)", "length"),
        (HEAD + ",temperature [degC]\n", "odd-heading", 1, "temperature [degC]", "not read"),
        (HEAD + ",temprature (degC)\n", "odd-heading", 1, "temprature (degC)", "not read"),
        (HEAD + ",temperature (degC\n", "odd-heading", 1, "temperature (degC", "not read"),
        (HEAD.replace("length (mm)", "lenght (mm)"), "odd-heading", 1, "lenght (mm)", "not read"),
        (HEAD.replace("length (mm)", "length_mm"), "missing-column", 1, "length", "no column"),
    ],
)  # fmt: skip
def test_one_fault_one_finding(
    text: str, code: str, line: int | None, field: str | None, said: str
) -> None:
    _, findings = parse(text)
    (finding,) = findings
    assert (finding.code, finding.source.line, finding.source.field) == (code, line, field)
    assert re.search(said, finding.message)
    assert finding.expected
    assert finding.hint


def test_rows_behind_an_unreadable_one_are_read() -> None:
    table, findings = parse(f'{HEAD}\nS-1,B-1,"5/16" in,12,2\nS-2,B-1,60,12,2\nS-3,B-1,60,12,2,9\n')
    assert table is not None
    assert [row.cells[0] for row in table.rows] == ["S-2"]
    assert [(f.code, f.source.line) for f in findings] == [
        ("unreadable-row", 2),
        ("too-many-cells", 4),
    ]


def test_cells_of_broken_text() -> None:
    assert {"B-1", "B 2", "c"} <= cells_of_text('B-1;x\n"B 2",c\r\nd')


@given(st.text(alphabet='ab1",;\t\r\n# ', max_size=80))
def test_any_text_below_the_headings_is_read_or_at_fault(body: str) -> None:
    table, findings = parse(f"{HEAD}\n{body}")
    assert table is not None
    assert all(len(row.cells) == len(table.columns) for row in table.rows)
    assert {f.code for f in findings} <= {"unreadable-row", "too-many-cells"}
