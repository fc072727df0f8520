"""Tables on a terminal, in a pipe and in a file.

On a terminal a table fits the width: long texts wrap; where even wrapped columns would be too
narrow to read, some columns follow below, with the first one again; and where that does not help
each row becomes a block of its own, one value a line. In a pipe or a file it
is plain text, as wide as it must be. No text is ever cut off.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TextIO

from rich.box import Box
from rich.cells import cell_len
from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from strandwise.errors import DataError
from strandwise.report.spelling import spell

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import RenderableType

__all__ = ["Column", "print_table"]

_GAP = 2
_NARROWEST_TEXT = 12
_LONGEST_WORD = 32
_FEWEST_ROWS_TO_SPLIT = 3
_MOST_PIECES = 3
_STEERING = frozenset({"Cc", "Cf", "Cs"})
_JOINERS = "\u200c\u200d"
# Only a rule below the heading; rows are told apart by white space.
_RULED = Box("    \n    \n ── \n    \n    \n    \n    \n    \n")
_RULED_ASCII = Box("    \n    \n -- \n    \n    \n    \n    \n    \n", ascii=True)


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    heading
        What stands in it.
    unit
        Unit of its numbers, shown in the heading; empty where there is none.
    kind
        ``number`` is set to the right and never broken; ``text`` is set to the left and wraps.
    joined
        Whether it says more of the column before, and always stands beside it.
    """

    heading: str
    unit: str = ""
    kind: Literal["number", "text"] = "number"
    joined: bool = False

    @property
    def title(self) -> str:
        """Heading with its unit."""
        return f"{self.heading} ({self.unit})" if self.unit else self.heading


def print_table(
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    file: TextIO,
    title: str = "",
    notes: Sequence[str] = (),
) -> None:
    """Write a table to `file`.

    Parameters
    ----------
    columns
        From left to right.
    rows
        Finished texts, one for each column.
    file
        Where to; a terminal gets a fitted table (in colour unless ``NO_COLOR`` is set), anything
        else gets plain text. Characters that the file's encoding lacks are spelt out.
    title
        Line above the table.
    notes
        Lines below it, each a sentence or two.

    Raises
    ------
    DataError
        A row has not as many cells as there are columns.
    """
    for number, row in enumerate(rows, start=1):
        if len(row) != len(columns):
            msg = f"row {number} of the table `{title}` has {len(row)} cells"
            raise DataError(msg, expected=f"{len(columns)}, one for each column")
    encoding = _encoding(file)
    heads = [
        replace(c, heading=_fit_to_print(c.heading, encoding), unit=_fit_to_print(c.unit, encoding))
        for c in columns
    ]
    cells = [[_fit_to_print(cell, encoding) for cell in row] for row in rows]
    title = _fit_to_print(title, encoding)
    notes = [_fit_to_print(note, encoding) for note in notes]
    if file.isatty():
        _print_fitted(heads, cells, title, notes, file=file)
    else:
        file.write(_plain_text(heads, cells, title, notes))


def _fit_to_print(text: str, encoding: str) -> str:
    """Text without line breaks, control characters and what the encoding lacks.

    A name in a record may hold anything; it must neither steer a terminal nor stop the printing.
    """
    if any(character in text for character in "\n\r\t"):
        text = " ".join(text.split())
    return "".join(_printable(character, encoding) for character in text)


def _printable(character: str, encoding: str) -> str:
    if unicodedata.category(character) in _STEERING and character not in _JOINERS:
        return f"\\x{ord(character):02x}"
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return spell(character)
    return character


def _encoding(file: TextIO) -> str:
    # A StringIO has no encoding: it takes every character.
    return getattr(file, "encoding", None) or "utf-8"


def _widths(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[int]:
    return [
        max(cell_len(text) for text in (column.title, *(row[place] for row in rows)))
        for place, column in enumerate(columns)
    ]


def _plain_text(
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    title: str,
    notes: Sequence[str],
) -> str:
    widths = _widths(columns, rows)
    lines = [title, ""] if title else []
    lines.append(_plain_line([column.title for column in columns], columns, widths))
    lines.append((" " * _GAP).join("-" * width for width in widths))
    lines += [_plain_line(row, columns, widths) for row in rows]
    if notes:
        lines += ["", *notes]
    return "\n".join(lines) + "\n"


def _plain_line(cells: Sequence[str], columns: Sequence[Column], widths: Sequence[int]) -> str:
    padded = []
    for cell, column, width in zip(cells, columns, widths, strict=True):
        blank = " " * (width - cell_len(cell))
        padded.append(blank + cell if column.kind == "number" else cell + blank)
    return (" " * _GAP).join(padded).rstrip()


def _print_fitted(
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    title: str,
    notes: Sequence[str],
    *,
    file: TextIO,
) -> None:
    console = Console(file=file, highlight=False, markup=False, emoji=False, soft_wrap=False)
    parts: list[RenderableType] = []
    if title:
        parts += [Text(title, style="bold"), Text()]
    pieces = _pieces(columns, rows, console.width)
    if pieces is None:
        parts.append(_blocks(columns, rows))
    for number, places in enumerate(pieces or ()):
        own = [columns[place] for place in places]
        cells = [[row[place] for place in places] for row in rows]
        widths = _fitted_widths(own, cells, console.width)
        assert widths is not None
        parts += [Text()] if number else []
        parts.append(_table(own, cells, widths, file))
    if notes:
        parts += [Text(), *(Text(note, style="dim") for note in notes)]
    console.print(Group(*parts))


def _pieces(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], available: int
) -> list[list[int]] | None:
    """Places of the columns that go into one table each; None where blocks read better.

    Every table begins with the first column; a column stays with those that are joined to it.
    """

    def fits(places: Sequence[int]) -> bool:
        cells = [[row[place] for place in places] for row in rows]
        return _fitted_widths([columns[place] for place in places], cells, available) is not None

    everything = list(range(len(columns)))
    if fits(everything):
        return [everything]
    if len(rows) < _FEWEST_ROWS_TO_SPLIT:
        return None
    units: list[list[int]] = []
    for place in everything[1:]:
        if columns[place].joined and units:
            units[-1].append(place)
        else:
            units.append([place])
    pieces = [[0]]
    for unit in units:
        if fits([*pieces[-1], *unit]):
            pieces[-1] += unit
        elif fits([0, *unit]):
            pieces.append([0, *unit])
        else:
            return None
    return pieces if len(pieces) <= _MOST_PIECES else None


def _fitted_widths(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], available: int
) -> list[int] | None:
    """Widths that fill no more than `available`; None where numbers would have to break.

    Numbers and the words of headings stay whole; what is left goes to the columns that want it,
    a character each in turn.
    """
    wanted = _widths(columns, rows)
    widths = [
        max(_longest_word(column.title), _least_width(column, [row[place] for row in rows]))
        for place, column in enumerate(columns)
    ]
    spare = available - _GAP * (len(columns) - 1) - sum(widths)
    if spare < 0:
        return None
    while spare and (short := [i for i, width in enumerate(widths) if width < wanted[i]]):
        for place in short[:spare]:
            widths[place] += 1
        spare -= len(short[:spare])
    return widths


def _longest_word(text: str) -> int:
    return max((cell_len(word) for word in text.split()), default=0)


def _least_width(column: Column, cells: Sequence[str]) -> int:
    """Width that keeps numbers whole, and texts in more than slivers of a word."""
    whole = max(map(cell_len, cells), default=0)
    if column.kind == "number":
        return whole
    words = min(max(map(_longest_word, cells), default=0), _LONGEST_WORD)
    return max(words, min(whole, _NARROWEST_TEXT))


def _table(
    columns: Sequence[Column], rows: Sequence[Sequence[str]], widths: Sequence[int], file: TextIO
) -> Table:
    utf = _encoding(file).lower().startswith("utf")
    table = Table(
        box=_RULED if utf else _RULED_ASCII,
        show_edge=False,
        pad_edge=False,
        padding=(0, _GAP - 1, 0, 0),
        header_style="bold",
        border_style="dim",
    )
    for column, width in zip(columns, widths, strict=True):
        table.add_column(
            Text(column.title),
            justify="right" if column.kind == "number" else "left",
            vertical="top",
            overflow="fold",
            width=width,
        )
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    return table


def _blocks(columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> RenderableType:
    """Each row as a block: its first cell, then a line for each of the others."""
    parts: list[RenderableType] = []
    for number, row in enumerate(rows):
        if number:
            parts.append(Text())
        parts.append(Text.assemble((f"{columns[0].title}: ", "dim"), (row[0], "bold")))
        for column, cell in zip(columns[1:], row[1:], strict=True):
            if not cell:
                continue
            line = Text.assemble((f"{column.title}: ", "dim"), cell)
            parts.append(Padding(line, (0, 0, 0, 2), expand=False))
    return Group(*parts)
