"""Rows of a CSV file as values in SI by field, one fault for one cause."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from strandwise.errors import UnitError
from strandwise.findings import Finding, Source
from strandwise.records.csvtable import read_csv_table
from strandwise.records.field import code_of, shorten
from strandwise.units import Kind, is_gauge, parse_number

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from strandwise.records.columns import Column
    from strandwise.records.csvtable import CsvTable, Row
    from strandwise.records.field import Field, PressureScale, Value
    from strandwise.units import Unit

_MOST_FAULTS = 1000

__all__ = ["RowsRead", "record_values", "timing_fault", "written_names"]


@dataclass(frozen=True, slots=True)
class RowsRead:
    """Rows as values.

    Parameters
    ----------
    records
        Rows without a fault, and their values in SI by field; what is absent is left out.
    unread
        Fields whose column is there and cannot be read.
    findings
        Faults of the other rows and of columns.
    """

    records: tuple[tuple[Row, dict[str, Any]], ...]
    unread: frozenset[str]
    findings: list[Finding]


def record_values(table: CsvTable, fields: Sequence[Field], scale: PressureScale) -> RowsRead:
    """Values of the rows without a fault, and the faults of the columns and cells.

    A column that cannot be read for one cause (a number without a unit in heading and cells, a
    gauge unit without an ambient pressure) is one finding, not one a row.
    """
    columns, findings = _usable_columns(table, scale)
    records = []
    for row in table.rows:
        values, faults = _row_values(table, columns, row, scale)
        findings.extend(faults)
        if len(findings) > _MOST_FAULTS:
            findings.append(_too_many_faults(table.source(row)))
            break
        if not faults and all(f.name in values for f in fields if f.required):
            records.append((row, values))
    unread = frozenset(c.field.name for c in columns if c.field and not c.usable)
    return RowsRead(tuple(records), unread, findings)


def _too_many_faults(place: Source) -> Finding:
    return Finding(
        place,
        "too-many-faults",
        f"there are more than {_MOST_FAULTS} faults, and the rows from here on are not read",
        "a file with a few faults",
        "mend the first ones, which may have one cause, and check again",
    )


def _usable_columns(
    table: CsvTable, scale: PressureScale
) -> tuple[tuple[Column, ...], list[Finding]]:
    """Columns with the units that count below them; those that cannot be read marked so."""
    findings: list[Finding] = []
    by_field: dict[str, Column] = {}
    # Readings before their uncertainties, which take their unit.
    columns = list(table.columns)
    quantities = [
        (field.name.endswith("_sd"), place, field)
        for place, field in enumerate(column.field for column in columns)
        if field is not None and field.form == "quantity"
    ]
    for _, place, field in sorted(quantities, key=lambda entry: entry[:2]):
        column = columns[place]
        reading = by_field.get(field.name.removesuffix("_sd"))
        if column.unit is None and reading is not None:
            column = replace(
                column, unit=reading.unit, usable=column.usable and _gives_unit(reading)
            )
        if column.usable:
            fault = _fault_of_column(table, column, field, place, scale)
            if fault is not None:
                findings.append(fault)
                column = replace(column, usable=False)
        columns[place] = by_field[field.name] = column
    return tuple(columns), findings


def _gives_unit(reading: Column) -> bool:
    """Whether an uncertainty can be read by this column's unit, or by those of its own cells."""
    return reading.usable or reading.unit is not None


def _fault_of_column(
    table: CsvTable, column: Column, field: Field, place: int, scale: PressureScale
) -> Finding | None:
    here = Source(table.shown, table.header_line, column.heading)
    cells = ((row, row.cells[place]) for row in table.rows)
    plain = next((row for row, cell in cells if cell and _is_plain_number(cell)), None)
    if plain is None:
        return None
    if column.unit is None:
        return Finding(
            here,
            "missing-unit",
            f"neither the heading `{shorten(column.heading)}` nor all of its cells state a unit "
            f"(first: `{shorten(plain.cells[place])}` in line {plain.line})",
            f"a heading such as `{_heading_with_unit(field)}`",
            "write the unit in parentheses into the heading",
        )
    if (
        field.kind is Kind.PRESSURE
        and not field.is_difference
        and _lacks_ambient(column.unit, scale)
    ):
        return Finding(
            here,
            "no-ambient-pressure",
            f"`{shorten(column.heading)}` holds gauge readings, and the ambient pressure is not "
            "known",
            "altitude or ambient_pressure in campaign.toml",
            'write altitude = "300 m" or ambient_pressure = "98.2 kPa" there',
        )
    return None


def _heading_with_unit(field: Field) -> str:
    assert field.kind is not None
    return f"{field.name} ({field.metric or field.kind.examples[0].split()[-1]})"


def _lacks_ambient(unit: Unit, scale: PressureScale) -> bool:
    return scale.ambient is None and is_gauge(unit, scale.readings)


def _is_plain_number(text: str) -> bool:
    try:
        parse_number(text)
    except UnitError:
        return False
    return True


def _row_values(
    table: CsvTable, columns: Sequence[Column], row: Row, scale: PressureScale
) -> tuple[dict[str, Value], list[Finding]]:
    values: dict[str, Value] = {}
    faults: list[Finding] = []
    for column, cell in zip(columns, row.cells, strict=True):
        field = column.field
        if field is None or not column.usable:
            continue
        if not cell:
            if field.required:
                faults.append(
                    Finding(
                        table.source(row, column.heading),
                        "missing-value",
                        f"`{field.name}` is empty",
                        field.help,
                        "fill it in, or delete the row",
                    )
                )
            continue
        try:
            values[field.name] = field.parse(cell, scale, column.unit)
        except UnitError as error:
            here = table.source(row, column.heading)
            faults.append(Finding(here, code_of(error), error.message, error.expected, error.hint))
    return values, faults


def timing_fault(values: Mapping[str, Any]) -> tuple[str, str, str, str] | None:
    """What is wrong with how a strand's time is told: field, fault, expected, hint; None: nothing.

    Parameters
    ----------
    values
        By field name; a field left out is missing.
    """
    both = "write either a time, or frames and their rate"
    has_time, has_frames = "time" in values, "frames" in values
    if has_time and has_frames:
        return "frames", "both a time and frames are given", "one of the two", both
    if not has_time and not has_frames:
        return "time", "there is neither a time nor a number of frames", "one of the two", both
    if has_frames and "frame_rate" not in values:
        return "frame_rate", "frames without a frame rate", "frame_rate, such as 240 1/s", both
    return None


def written_names(
    path: Path, shown: str, fields: Sequence[Field], name: str, *, within: Path | None = None
) -> dict[str, Source]:
    """Every name that stands in one column of a CSV file, also in rows with faults, and where.

    Empty where the file has no such column or cannot be read. `within` is as of `read_text`.
    """
    table, _ = read_csv_table(path, shown, fields, within=within)
    if table is None:
        return {}
    found: dict[str, Source] = {}
    for place, column in enumerate(table.columns):
        if column.field is not None and column.field.name == name:
            for row in table.rows:
                found.setdefault(row.cells[place], table.source(row, column.heading))
    return found
