"""Rows of a calibration as a person gives them: `reading = load`, or a CSV file of both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import RecordsError, RequestError, UnitError
from strandwise.records.csvrecords import record_values
from strandwise.records.csvtable import read_csv_table
from strandwise.records.field import Field, PressureScale, shorten
from strandwise.records.instrument_files import INSTRUMENT_KINDS, RAW_UNITS
from strandwise.units import Kind, parse_quantity

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["CalibrationRow", "load_of_row", "read_calibration_table", "split_row"]

_ROW_EXAMPLE = '"61231 = 0 N", the reading, an equals sign, and the known load with its unit'
# Gauge loads are looked at for their form here; what they count from is the file's to say.
_FORM_ALONE = PressureScale("absolute", 101325.0)
_READING = Field(name="reading", help="what was shown", form="number", required=True)


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """One pair, as it is written to the file.

    Parameters
    ----------
    reading
        In the instrument's reading unit.
    load
        Text with its unit.
    reading_unit
        Where the reading was written with one; empty otherwise.
    place
        What messages call the row.
    """

    reading: float
    load: str
    reading_unit: str = ""
    place: str = ""


def split_row(text: str, place: str) -> CalibrationRow:
    """Read ``reading = load``.

    Parameters
    ----------
    text
        As typed; the reading may carry its unit.
    place
        What messages call it.

    Raises
    ------
    RequestError
        It is not of that form, or the reading is no plain number.
    """
    left, equals, load = text.partition("=")
    if not equals or not left.strip() or not load.strip() or "=" in load:
        msg = f"{place}: `{shorten(text)}` is no row of a calibration"
        raise RequestError(msg, expected=_ROW_EXAMPLE)
    reading, unit = left.strip(), ""
    for known in sorted(RAW_UNITS, key=len, reverse=True):
        bare = reading.removesuffix("s") if known == "count" else reading
        if bare.endswith(known):
            reading, unit = bare.removesuffix(known).strip(), known
            break
    try:
        value = parse_quantity(reading, Kind.NUMBER).si
    except UnitError as error:
        msg = f"{place}: {error.message}"
        raise RequestError(msg, expected=error.expected, hint=error.hint) from error
    return CalibrationRow(value, load.strip(), unit, place)


def read_calibration_table(path: Path, kind: str) -> list[CalibrationRow]:
    """Read a CSV file with the headings ``reading`` and ``load (unit)``.

    Parameters
    ----------
    path
        Of the file.
    kind
        Of the instrument, which says what a load is.

    Raises
    ------
    RecordsError
        Headings or cells are at fault; the error names each with its line.
    RequestError
        There is no row.
    """
    load = Field(name="load", help="what was applied", kind=INSTRUMENT_KINDS[kind], required=True)
    shown = path.name or str(path)
    table, findings = read_csv_table(path, shown, (_READING, load))
    if table is None:
        raise RecordsError(findings)
    read = record_values(table, (_READING, load), _FORM_ALONE)
    findings += read.findings
    if findings:
        raise RecordsError(findings)
    columns = {c.field.name: (at, c) for at, c in enumerate(table.columns) if c.field}
    at, column = columns["load"]
    unit = "" if column.unit is None else f" {column.unit.symbol}"
    rows = []
    for row, values in read.records:
        cell = row.cells[at]
        bare = unit and not any(c.isalpha() for c in cell.replace("e", "").replace("E", ""))
        place = f"{shown}:{row.line}"
        rows.append(CalibrationRow(values["reading"], cell + unit if bare else cell, "", place))
    if not rows:
        msg = f"{shown} holds no row of a calibration"
        raise RequestError(msg, expected="rows below the headings `reading` and `load (N)`")
    return rows


def load_of_row(row: CalibrationRow, kind: str, scale: PressureScale) -> float:
    """Load of a row in SI, absolute pressure.

    Raises
    ------
    RequestError
        The text is no load of that kind of instrument.
    """
    field = Field(name="load", help="what was applied", kind=INSTRUMENT_KINDS[kind])
    try:
        value = field.parse(row.load, scale)
    except UnitError as error:
        msg = f"{row.place}: {error.message}"
        raise RequestError(msg, expected=error.expected, hint=error.hint) from error
    assert isinstance(value, float)
    return value
