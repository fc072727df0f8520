"""Tables as the bytes of CSV, JSON Lines and Parquet files, and the dictionary of their columns.

The same tables give the same bytes: rows keep their order, numbers have twelve significant digits
and no file holds a date, a path or a version of this program.
"""

from __future__ import annotations

import csv
import io
import json
import math
from importlib import import_module
from typing import TYPE_CHECKING, Any

from strandwise.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from strandwise.report.export_columns import ExportTable, Value

__all__ = ["csv_bytes", "dictionary_files", "harmless", "json_lines_bytes", "parquet_bytes"]

_DIGITS = 12
# What a spreadsheet takes for a formula, also in full width, and the mark itself, so that what
# is written reads back without doubt.
_MARK = "'"
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠", _MARK)

_READ_ME = """\
What this folder holds
======================

Tables of one strandwise campaign, each as NAME.csv and NAME.jsonl with the same rows in the same
order (and NAME.parquet where that was wanted):

{tables}

dictionary.csv says of every column what it is, its unit and its type.

How to read them
----------------

- UTF-8 text. An empty cell (CSV), null (JSON Lines) is: no value. There is no NaN.
- Numbers have a decimal point and at most twelve significant digits. Pressures are absolute.
- A text in the CSV files that a spreadsheet would take for a formula, because it begins with
  = + - @ (or their full-width forms), a tab or a line end, has a ' before it, and so has a text
  that begins with a ' of its own. Take one ' away from the start of a text to have it as it was;
  numbers never have one. The JSON Lines and Parquet files hold every text as it was.
- Leave dates and names alone: a spreadsheet may turn 3-4 into a day. Read text columns as text
  (dictionary.csv has the types), in pandas: pandas.read_csv("points.csv", dtype=DICTIONARY,
  keep_default_na=False, na_values={{NUMBER_COLUMN: [""]}}), or read the JSON Lines file.
- The folder is a copy. The campaign's own files are what to edit.
- manifest.sha256 holds the SHA-256 of every other file; `sha256sum -c manifest.sha256` checks
  them.

Results are estimates from small samples, not a licence to cast or to fire. Read the cautions.
"""


def csv_bytes(table: ExportTable) -> bytes:
    """Write a table as CSV: UTF-8, lines end in a line feed, no value is an empty cell."""
    rows = [[_cell(value) for value in row] for row in table.rows]
    return _csv([column.name for column in table.columns], rows)


def _csv(heading: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    return "".join(f"{_csv_line(row)}\n" for row in (heading, *rows)).encode("utf-8")


def _csv_line(cells: Sequence[str]) -> str:
    buffer = io.StringIO()
    # Only cells that hold a sign of the line end as stated here are put between quotes.
    csv.writer(buffer, lineterminator="\r\n").writerow(cells)
    return buffer.getvalue().removesuffix("\r\n")


def _cell(value: Value) -> str:
    plain = _plain(value)
    if plain is None:
        return ""
    if isinstance(plain, bool):
        return "true" if plain else "false"
    if isinstance(plain, str):
        return harmless(plain)
    return repr(plain)


def harmless(text: str) -> str:
    """Return a text that a spreadsheet would take for a formula with a ' before it."""
    return f"{_MARK}{text}" if text.startswith(_FORMULA_STARTS) else text


def _plain(value: Value) -> Value:
    """The value as every format writes it: rounded, and None where it is not finite."""
    if isinstance(value, bool) or value is None or isinstance(value, str | int):
        return value
    number = float(value)
    if not math.isfinite(number):
        return None
    return float(f"{number:.{_DIGITS}g}") + 0.0  # no negative zero


def json_lines_bytes(table: ExportTable) -> bytes:
    """Write a table as JSON Lines: UTF-8, one object a row, no value is null."""
    names = [column.name for column in table.columns]
    lines = [
        json.dumps(
            dict(zip(names, map(_plain, row), strict=True)), ensure_ascii=False, allow_nan=False
        )
        for row in table.rows
    ]
    return "".join(f"{line}\n" for line in lines).encode("utf-8")


def parquet_bytes(table: ExportTable) -> bytes:
    """Write a table as Parquet; the bytes are the same for the same version of pyarrow.

    Raises
    ------
    RequestError
        pyarrow is not installed.
    """
    arrow, parquet = _arrow()
    kinds = {
        "text": arrow.string(),
        "number": arrow.float64(),
        "integer": arrow.int64(),
        "boolean": arrow.bool_(),
    }
    schema = arrow.schema(
        [
            arrow.field(
                column.name,
                kinds[column.kind],
                metadata={"unit": column.unit, "meaning": column.meaning},
            )
            for column in table.columns
        ]
    )
    rows = [[_plain(value) for value in row] for row in table.rows]
    columns = [
        arrow.array([row[place] for row in rows], type=field.type)
        for place, field in enumerate(schema)
    ]
    stream = io.BytesIO()
    parquet.write_table(arrow.table(columns, schema=schema), stream)
    return stream.getvalue()


def _arrow() -> tuple[Any, Any]:
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError as error:
        msg = "Parquet files need the library pyarrow, which is not installed"
        raise RequestError(
            msg,
            hint="`pip install pyarrow` brings it; CSV and JSON Lines need nothing",
        ) from error


def dictionary_files(tables: Sequence[ExportTable]) -> dict[str, bytes]:
    """Write what every table and column is: `dictionary.csv`, and `READ-ME.txt` for people."""
    rows = [
        [table.name, column.name, column.kind, column.unit, column.meaning]
        for table in tables
        for column in table.columns
    ]
    width = max(len(table.name) for table in tables)
    listed = "\n".join(f"  {table.name:<{width}}  {table.about}" for table in tables)
    return {
        "dictionary.csv": _csv(["table", "column", "type", "unit", "meaning"], rows),
        "READ-ME.txt": _READ_ME.format(tables=listed).encode("utf-8"),
    }
