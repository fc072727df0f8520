"""A hand-kept CSV file as rows that know their lines, whatever spreadsheet last saved it."""

from __future__ import annotations

import csv
import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import UnitError
from strandwise.findings import Finding, Source
from strandwise.records.fields import shorten
from strandwise.records.textfiles import FileText, read_text
from strandwise.units import parse_heading, parse_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from strandwise.records.fields import Field
    from strandwise.units import Unit

__all__ = ["Column", "CsvTable", "Row", "parse_csv_table", "read_csv_table"]

_SEPARATOR_LINE = re.compile(r"sep=(.)", re.IGNORECASE)
_COMMENT = "#"


@dataclass(frozen=True, slots=True)
class Column:
    """A heading.

    Parameters
    ----------
    heading
        As the file writes it.
    field
        What it stands for; None: unknown to us, kept as it is.
    unit
        Of plain numbers below it; None: each cell brings its own.
    usable
        False where the unit is at fault, so that the cells cannot be read.
    """

    heading: str
    field: Field | None = None
    unit: Unit | None = None
    usable: bool = True


@dataclass(frozen=True, slots=True)
class Row:
    """A data row: the line on which it starts and its cells, blanks trimmed."""

    line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CsvTable:
    """A CSV file as read.

    Parameters
    ----------
    shown
        Name of the file for people.
    content
        Its text and bytes.
    delimiter, newline
        As the file uses them.
    header_line, header_end
        Line of the headings, and the offset in the text just behind them.
    columns, rows
        In the file's order.
    """

    shown: str
    content: FileText
    delimiter: str
    newline: str
    header_line: int
    header_end: int
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]

    def source(self, row: Row, heading: str | None = None) -> Source:
        """Place of a row, or of one of its cells."""
        return Source(self.shown, row.line, heading)


class _Lines:
    """Physical lines for `csv.reader`, with the position at which the next row starts."""

    def __init__(self, text: str) -> None:
        self.lines = _split_lines(text)
        self.next = 0
        self.offset = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self.next >= len(self.lines):
            raise StopIteration
        line = self.lines[self.next]
        self.next += 1
        self.offset += len(line)
        return line

    def skip_comments(self) -> None:
        """Step over lines that hold no cells; called only where a row may start."""
        while self.next < len(self.lines):
            line = self.lines[self.next].strip().strip(",;\t ")
            if line and not line.startswith(_COMMENT):
                return
            next(self)


def _split_lines(text: str) -> list[str]:
    # str.splitlines also breaks at form feeds and Unicode separators, which a cell may hold.
    return re.findall(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+$", text)


def read_csv_table(
    path: Path, shown: str, fields: Sequence[Field]
) -> tuple[CsvTable | None, list[Finding]]:
    """Read a CSV file whose columns are `fields` in any order, with others among them.

    Separators are commas, semicolons or tabs; a byte order mark, any line ends, blank lines,
    lines that start with `#`, trailing blanks and trailing empty cells are read.

    Returns
    -------
    table, findings
        The table is None where no headings could be read.
    """
    content = read_text(path, shown)
    if isinstance(content, Finding):
        return None, [content]
    return parse_csv_table(content, shown, fields)


def parse_csv_table(
    content: FileText, shown: str, fields: Sequence[Field]
) -> tuple[CsvTable | None, list[Finding]]:
    """Read the content of a CSV file as `read_csv_table` does."""
    lines = _Lines(content.text)
    delimiter = _find_delimiter(lines)
    lines.skip_comments()
    header_line = lines.next + 1
    findings: list[Finding] = []
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    try:
        header = next(reader)
    except StopIteration:
        empty = Finding(
            Source(shown),
            "empty-file",
            "the file has no headings",
            "a first line with " + ", ".join(f"`{f.name}`" for f in fields if f.required),
        )
        return None, [empty]
    except csv.Error as error:
        return None, [_unreadable_row(shown, header_line, error)]
    header_end = lines.offset
    columns = _read_columns(header, Source(shown, header_line), fields, findings)
    rows = _read_rows(reader, lines, shown, len(columns), findings)
    newline = "\r\n" if "\r\n" in content.text else "\n"
    table = CsvTable(
        shown=shown,
        content=content,
        delimiter=delimiter,
        newline=newline,
        header_line=header_line,
        header_end=header_end,
        columns=tuple(columns),
        rows=tuple(rows),
    )
    return table, findings


def _find_delimiter(lines: _Lines) -> str:
    lines.skip_comments()
    if lines.next >= len(lines.lines):
        return ","
    first = lines.lines[lines.next]
    stated = _SEPARATOR_LINE.fullmatch(first.strip().strip('"'))
    if stated:
        next(lines)
        return stated.group(1)
    outside_quotes = re.sub(r'"[^"]*"', "", first)
    return max(",;\t", key=outside_quotes.count)


def _unreadable_row(shown: str, line: int, error: csv.Error) -> Finding:
    return Finding(
        Source(shown, line),
        "unreadable-row",
        f"the row that starts here cannot be split into cells ({error})",
        'quotes in pairs, such as "a, b"',
        'an inch mark inside a quoted cell is doubled: "5/16"""',
    )


def _read_rows(
    reader: Iterator[list[str]],
    lines: _Lines,
    shown: str,
    width: int,
    findings: list[Finding],
) -> list[Row]:
    rows: list[Row] = []
    while True:
        lines.skip_comments()
        start = lines.next + 1
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return rows
        except csv.Error as error:
            findings.append(_unreadable_row(shown, start, error))
            return rows
        if not any(cells):
            continue
        surplus = [cell for cell in cells[width:] if cell]
        if surplus:
            findings.append(
                Finding(
                    Source(shown, start),
                    "too-many-cells",
                    f"the row has {len(cells)} cells, the headings are {width} "
                    f"(the surplus starts with `{shorten(surplus[0])}`)",
                    f"{width} cells",
                    "a decimal comma splits a number in two: write 2.5 for 2,5",
                )
            )
            continue
        cells = cells[:width] + [""] * (width - len(cells))
        rows.append(Row(start, tuple(cells)))


def _read_columns(
    header: list[str], place: Source, fields: Sequence[Field], findings: list[Finding]
) -> list[Column]:
    by_name = {field.name: field for field in fields}
    while header and not header[-1].strip():
        header = header[:-1]
    columns: list[Column] = []
    for cell in header:
        text = cell.strip()
        column, faults = _read_column(text, by_name, place)
        columns.append(column)
        findings.extend(faults)
    _find_repeated(columns, place, findings)
    present = {column.field.name for column in columns if column.field}
    for field in fields:
        if field.required and field.name not in present:
            findings.append(_missing_column(field, columns, place))
    return columns


def _read_column(
    text: str, by_name: dict[str, Field], place: Source
) -> tuple[Column, list[Finding]]:
    try:
        heading = parse_heading(text)
    except UnitError:
        return Column(text), []
    field = by_name.get(_normal(heading.name))
    if field is None:
        return Column(text), []
    if heading.unit_text is None:
        return Column(text, field), []
    here = Source(place.path, place.line, text)
    if field.form != "quantity" or field.kind is None:
        if field.form == "number":
            return Column(text, field), []
        fault = Finding(
            here, "unit-not-wanted", f"`{field.name}` has no unit", f"the heading `{field.name}`"
        )
        return Column(text, field), [fault]
    try:
        return Column(text, field, parse_unit(heading.unit_text, field.kind)), []
    except UnitError as error:
        fault = Finding(here, "unknown-unit", error.message, error.expected, error.hint)
        return Column(text, field, usable=False), [fault]


def _normal(name: str) -> str:
    return re.sub(r"[\s-]+", "_", name.strip().casefold())


def _find_repeated(columns: list[Column], place: Source, findings: list[Finding]) -> None:
    seen: dict[str, str] = {}
    for column in columns:
        if column.field is None:
            continue
        name = column.field.name
        if name in seen:
            findings.append(
                Finding(
                    Source(place.path, place.line, column.heading),
                    "repeated-column",
                    f"`{column.heading}` and `{seen[name]}` are the same column",
                    f"one column for {name}",
                    "rename or delete one of them",
                )
            )
        seen[name] = column.heading


def _missing_column(field: Field, columns: list[Column], place: Source) -> Finding:
    unknown = [column.heading for column in columns if column.field is None]
    close = difflib.get_close_matches(field.name, [_normal(h) for h in unknown], n=1, cutoff=0.6)
    hint = (
        f"did you mean it by `{unknown[[_normal(h) for h in unknown].index(close[0])]}`?"
        if close
        else ""
    )
    return Finding(
        Source(place.path, place.line, field.name),
        "missing-column",
        f"there is no column `{field.name}` ({field.help})",
        f"a heading such as `{field.heading('metric')}`",
        hint,
    )
