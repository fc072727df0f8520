"""Adding a record to a hand-kept CSV file, of which not a byte else is changed."""

from __future__ import annotations

import csv
import datetime as dt
import io
from typing import TYPE_CHECKING

from strandwise.errors import RecordsError, RequestError
from strandwise.findings import Finding
from strandwise.records.columns import Column
from strandwise.records.csvrecords import record_values
from strandwise.records.csvtable import parse_csv_table, read_csv_table
from strandwise.records.textfiles import FileText, decode_text, is_absent
from strandwise.records.write import write_bytes
from strandwise.units import Kind, is_gauge, lossless_text, parse_quantity, parse_unit

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from strandwise.records.csvtable import CsvTable
    from strandwise.records.field import Field, PressureScale, Value
    from strandwise.units import Unit

__all__ = ["append_record", "open_table"]

# Of a number that stands for what was typed: with more it is kept as it was typed.
_DECIMALS = 9
_DECIMALS_OF_ANOTHER_UNIT = 3
_BOM = b"\xef\xbb\xbf"


def append_record(
    path: Path,
    shown: str,
    record: object,
    fields: Sequence[Field],
    scale: PressureScale,
    *,
    units: str,
    typed: Mapping[str, str] | None = None,
    write: Callable[[Path, bytes], None] = write_bytes,
) -> None:
    """Add a record as a row at the end of a CSV file; hold the campaign's lock around it.

    Everything else in the file stays as it is, to the byte. A field that has a value but no
    column gets one, in the heading only; a file that is not there is made. Numbers are written
    in the column's unit so that they read back to the same SI value, which is tried before the
    file is replaced; a quantity that was typed in another unit or zero stays as it was typed where
    the column's unit would round it or hide the pressure of the air in it.

    Parameters
    ----------
    path, shown
        The file, and its name for people.
    record
        A record whose attributes are named as `fields`.
    fields
        What the columns may be; the first names the record.
    scale
        Zero of the pressure readings.
    units
        The campaign's, for the heading of a new column.
    typed
        What a person wrote, by field name, each quantity with its unit; None: nothing is known.
    write
        Replaces the content of the file, or makes it.

    Raises
    ------
    RecordsError
        The headings or rows of the file have faults; it is not touched.
    RequestError
        It cannot be written, or the record would not read back; it is then as it was.
    """
    table = open_table(path, shown, fields, units=units)
    values = {f.name: getattr(record, f.name) for f in fields}
    encoded = _with_row(table, values, fields, scale, units, typed or {})
    _verify(encoded, shown, values, fields, scale, len(table.rows) + 1)
    write(path, encoded)


def open_table(path: Path, shown: str, fields: Sequence[Field], *, units: str) -> CsvTable:
    """Read a CSV file that is to get a row; one that is not there has the required headings.

    Raises
    ------
    RecordsError
        Its headings or rows cannot be told apart without doubt.
    """
    if is_absent(path):
        text = ",".join(f.heading(units) for f in fields if f.required) + "\n"
        content = FileText(text, bom=False)
        table, findings = parse_csv_table(content, shown, fields)
    else:
        table, findings = read_csv_table(path, shown, fields)
    if table is None or findings:
        raise RecordsError(findings)
    return table


def _with_row(
    table: CsvTable,
    values: Mapping[str, Value | None],
    fields: Sequence[Field],
    scale: PressureScale,
    units: str,
    typed: Mapping[str, str],
) -> bytes:
    present = {column.field.name for column in table.columns if column.field}
    missing = [f for f in fields if f.name not in present and _has_value(values[f.name])]
    text = _with_headings(table, [f.heading(units) for f in missing])
    columns = [*table.columns, *(_new_column(f, units) for f in missing)]
    units_of = {c.field.name: c.unit for c in columns if c.field}
    cells = [_cell(column, values, units_of, scale, typed) for column in columns]
    while cells and not cells[-1]:
        cells.pop()
    if text and not text.endswith(("\n", "\r")):
        text += table.newline
    text += _csv_line(cells, table.delimiter) + table.newline
    try:
        return (_BOM if table.content.bom else b"") + text.encode("utf-8")
    except UnicodeEncodeError as error:
        msg = f"the record holds a sign that a text file cannot keep: {error.object[error.start]!a}"
        raise RequestError(msg, hint="write the text again; nothing was changed") from error


def _verify(
    encoded: bytes,
    shown: str,
    values: Mapping[str, Value | None],
    fields: Sequence[Field],
    scale: PressureScale,
    rows: int,
) -> None:
    """Read the new content as it will be read, before it replaces the old."""
    content = decode_text(encoded, shown)
    table = None if isinstance(content, Finding) else parse_csv_table(content, shown, fields)[0]
    given = {
        name: value.strip() if isinstance(value, str) else value
        for name, value in values.items()
        if _has_value(value)
    }
    if table is not None and len(table.rows) == rows:
        records = record_values(table, fields, scale).records
        if records and records[-1][0] == table.rows[-1] and records[-1][1] == given:
            return
    name = values[fields[0].name]
    msg = f"{fields[0].name} `{name}` would not read back from {shown} as it was given"
    raise RequestError(
        msg, expected="plain text and numbers", hint="nothing was changed; leave odd signs out"
    )


def _has_value(value: object) -> bool:
    return value is not None and not (isinstance(value, str) and not value.strip())


def _new_column(field: Field, units: str) -> Column:
    from_heading = field.customary_unit(units)
    unit = parse_unit(from_heading, field.kind) if from_heading and field.kind else None
    return Column(field.heading(units), field, unit)


def _with_headings(table: CsvTable, added: Sequence[str]) -> str:
    text = table.content.text
    if not added:
        return text
    whole = text[: table.header_end]
    head = whole.rstrip("\r\n")
    line_end = whole[len(head) :]
    # Empty headings at the end are filled, so that a new column stands above its cells.
    blanks = " \t".replace(table.delimiter, "")
    while (bare := head.rstrip(blanks).removesuffix('""')).endswith(table.delimiter):
        head = bare.removesuffix(table.delimiter)
    joined = table.delimiter.join([head, _csv_line(added, table.delimiter)])
    return joined + line_end + text[table.header_end :]


def _csv_line(cells: Sequence[str], delimiter: str) -> str:
    buffer = io.StringIO()
    # Cells with a sign of the line end are put between quotes, so it must be stated.
    csv.writer(buffer, delimiter=delimiter, lineterminator="\r\n").writerow(cells)
    return buffer.getvalue().removesuffix("\r\n")


def _cell(
    column: Column,
    values: Mapping[str, Value | None],
    units_of: Mapping[str, Unit | None],
    scale: PressureScale,
    typed: Mapping[str, str],
) -> str:
    field = column.field
    value = None if field is None else values[field.name]
    if field is None or not _has_value(value):
        return ""
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, str):
        return value.strip()
    assert isinstance(value, float | int)
    if field.form != "quantity":
        return repr(value).removesuffix(".0")
    text = typed.get(field.name, "").strip()
    unit = column.unit or units_of.get(field.name.removesuffix("_sd"))
    if text and not _holds(field, text, unit, scale):
        return text
    return _quantity(field, float(value), column.unit, units_of, scale)


def _holds(field: Field, text: str, unit: Unit | None, scale: PressureScale) -> bool:
    """Whether a column's unit takes a typed quantity as a short number, from the same zero."""
    assert field.kind is not None
    if unit is None:
        return False
    quantity = parse_quantity(text, field.kind)
    if field.kind is Kind.PRESSURE and not field.is_difference:
        zeros = {is_gauge(one, scale.readings) for one in (quantity.unit, unit)}
        if len(zeros) > 1:
            return False
    exact = quantity.magnitude * quantity.unit.factor + quantity.unit.offset - unit.offset
    same = (quantity.unit.factor, quantity.unit.offset) == (unit.factor, unit.offset)
    decimals = _DECIMALS if same else _DECIMALS_OF_ANOTHER_UNIT
    return bool((exact / unit.factor * 10**decimals).denominator == 1)


def _quantity(
    field: Field,
    value: float,
    unit: Unit | None,
    units_of: Mapping[str, Unit | None],
    scale: PressureScale,
) -> str:
    """Text of a value in SI that its column reads back, with a unit where the heading has none."""
    assert field.kind is not None
    unit = unit or units_of.get(field.name.removesuffix("_sd"))
    suffix = ""
    if unit is None:
        symbol = field.metric or field.kind.si_symbol
        unit, suffix = parse_unit(symbol, field.kind), f" {symbol}"
    if field.kind is not Kind.PRESSURE or field.is_difference:
        return lossless_text(value, unit) + suffix
    if not is_gauge(unit, scale.readings):
        return lossless_text(value, unit) + suffix
    if scale.ambient is None:
        # A gauge reading cannot be had of it, and a unit in the cell counts before the heading's.
        return lossless_text(value, parse_unit("MPaa", Kind.PRESSURE)) + " MPaa"
    return lossless_text(value, unit, add=scale.ambient) + suffix
