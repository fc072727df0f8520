"""A hand-kept CSV file as rows that know their lines, whatever spreadsheet last saved it."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.findings import Finding, Source
from strandwise.records.columns import Column, read_columns
from strandwise.records.field import shorten
from strandwise.records.textfiles import FileText, read_text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from strandwise.records.field import Field

__all__ = ["CsvTable", "Row", "cells_of_text", "parse_csv_table", "read_csv_table"]

_SEPARATOR_LINE = re.compile(r'\s*"?sep=(.?)"?[,;\s]*', re.IGNORECASE)
_SEPARATORS = ",;\t|"
_COMMENT = "#"
_LONGEST_LINE = 200_000
_MOST_COLUMNS = 500
_MOST_ROWS = 100_000
_MOST_FAULTS = 1000


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
        Its text.
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
            # A spreadsheet puts a comment with a comma in it between quotes.
            line = self.lines[self.next].strip(' \t\r\n,;|"')
            if line and not line.startswith(_COMMENT):
                return
            next(self)


def _split_lines(text: str) -> list[str]:
    # str.splitlines also breaks at form feeds and Unicode separators, which a cell may hold.
    return re.findall(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+$", text)


def read_csv_table(
    path: Path, shown: str, fields: Sequence[Field], *, within: Path | None = None
) -> tuple[CsvTable | None, list[Finding]]:
    """Read a CSV file whose columns are `fields` in any order, with others among them.

    Separators are commas, semicolons, tabs or bars, also as stated by a first line ``sep=;``; a
    byte order mark, any line ends, blank lines, lines that start with `#`, trailing blanks and
    trailing empty cells are read. `within` is as of `read_text`.

    Returns
    -------
    table, findings
        The table is None where no headings could be read.
    """
    content = read_text(path, shown, within=within)
    if isinstance(content, Finding):
        return None, [content]
    return parse_csv_table(content, shown, fields)


def parse_csv_table(
    content: FileText, shown: str, fields: Sequence[Field]
) -> tuple[CsvTable | None, list[Finding]]:
    """Read the content of a CSV file as `read_csv_table` does."""
    lines = _Lines(content.text)
    longest = max(range(len(lines.lines)), key=lambda at: len(lines.lines[at]), default=0)
    if lines.lines and len(lines.lines[longest]) > _LONGEST_LINE:
        return None, [_too_long(Source(shown, longest + 1))]
    delimiter = _find_delimiter(lines, shown)
    if isinstance(delimiter, Finding):
        return None, [delimiter]
    lines.skip_comments()
    header_line = lines.next + 1
    try:
        header = next(csv.reader(lines, delimiter=delimiter, strict=True))
    except StopIteration:
        return None, [_no_headings(shown, fields)]
    except csv.Error as error:
        return None, [_unreadable_row(shown, header_line, error)]
    if len(header) > _MOST_COLUMNS:
        return None, [_too_many_columns(Source(shown, header_line), len(header))]
    header_end = lines.offset
    columns, findings = read_columns(header, Source(shown, header_line), fields)
    rows, faults = _read_rows(lines, delimiter, shown, len(columns))
    end = re.search(r"\r\n|\r|\n", content.text)
    table = CsvTable(
        shown=shown,
        content=content,
        delimiter=delimiter,
        newline=end.group() if end else "\n",
        header_line=header_line,
        header_end=header_end,
        columns=tuple(columns),
        rows=tuple(rows),
    )
    return table, findings + faults


def cells_of_text(text: str) -> frozenset[str]:
    """Everything that stands between separators, quotes and line ends, whatever else is wrong."""
    return frozenset(cell.strip() for cell in re.split(r'[,;\t|"\r\n]', text))


def _no_headings(shown: str, fields: Sequence[Field]) -> Finding:
    return Finding(
        Source(shown),
        "empty-file",
        "the file has no headings",
        "a first line with " + ", ".join(f"`{f.heading('metric')}`" for f in fields if f.required),
        "write it, or delete the file if there is nothing to keep in it",
    )


def _find_delimiter(lines: _Lines, shown: str) -> str | Finding:
    lines.skip_comments()
    if lines.next >= len(lines.lines):
        return ","
    first = lines.lines[lines.next]
    stated = _SEPARATOR_LINE.fullmatch(first)
    if stated:
        next(lines)
        if stated.group(1) and stated.group(1) in _SEPARATORS:
            return stated.group(1)
        return Finding(
            Source(shown, lines.next),
            "unknown-separator",
            f"the line `{shorten(first.strip())}` states no separator that is read",
            "a comma, a semicolon, a tab or `|` behind `sep=`",
            "save the file with one of these between the cells",
        )
    outside_quotes = re.sub(r'"[^"]*"', "", first)
    return max(_SEPARATORS, key=outside_quotes.count)


def _unreadable_row(shown: str, line: int, error: csv.Error) -> Finding:
    return Finding(
        Source(shown, line),
        "unreadable-row",
        f"the row that starts here cannot be split into cells ({error})",
        'quotes in pairs, such as "a, b"',
        'an inch mark inside a quoted cell is doubled: "5/16"""',
    )


def _read_rows(
    lines: _Lines, delimiter: str, shown: str, width: int
) -> tuple[list[Row], list[Finding]]:
    rows: list[Row] = []
    findings: list[Finding] = []
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    while True:
        lines.skip_comments()
        start = lines.next + 1
        if len(rows) > _MOST_ROWS:
            return [], [_too_many(Source(shown, start), "rows")]
        if len(findings) > _MOST_FAULTS:
            findings.append(_too_many(Source(shown, start), "rows that cannot be read"))
            return rows, findings
        try:
            cells = [cell.strip() for cell in next(reader)]
        except StopIteration:
            return rows, findings
        except csv.Error as error:
            findings.append(_unreadable_row(shown, start, error))
            reader = csv.reader(lines, delimiter=delimiter, strict=True)
            continue
        surplus = [cell for cell in cells[width:] if cell]
        if surplus:
            findings.append(_too_many_cells(Source(shown, start), len(cells), width, surplus[0]))
        elif any(cells):
            cells = cells[:width] + [""] * (width - len(cells))
            rows.append(Row(start, tuple(cells)))


def _too_long(place: Source) -> Finding:
    return Finding(
        place,
        "too-many-columns",
        f"the line has more than {_LONGEST_LINE} characters",
        "a line for each record",
        "look whether the line ends were lost",
    )


def _too_many_columns(place: Source, columns: int) -> Finding:
    return Finding(
        place,
        "too-many-columns",
        f"the headings are {columns}",
        f"at most {_MOST_COLUMNS} columns",
        "raw logger files belong into traces/",
    )


def _too_many(place: Source, what: str) -> Finding:
    return Finding(
        place,
        "too-many-rows",
        f"there are too many {what}",
        f"at most {_MOST_ROWS} rows, {_MOST_FAULTS} of them with a fault",
        "mend the first ones, part the file, or keep raw logger files in traces/",
    )


def _too_many_cells(place: Source, cells: int, width: int, surplus: str) -> Finding:
    return Finding(
        place,
        "too-many-cells",
        f"the row has {cells} cells, the headings are {width} "
        f"(the surplus starts with `{shorten(surplus)}`)",
        f"{width} cells",
        "a decimal comma splits a number in two: write 2.5 for 2,5; a text with a comma in it "
        "stands in quotes",
    )
