"""A raw logger file as columns of numbers, whatever stands between, above and among them."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.records import LARGEST_TRACE, read_plain
from strandwise.reduction.fields import FORMS, Form, is_date, is_missing
from strandwise.reduction.headings import column_index, matches
from strandwise.reduction.keyed import keys_of, read_keyed
from strandwise.reduction.rows import load_rows, time_of_day

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    Wanted = Sequence[str | int]

__all__ = ["LogFile", "find_columns", "load_columns", "read_log"]

_SAMPLE_LINES = 400
_HEADING_LINES = 2000
_SAMPLE_TEXT = 120_000  # characters from each of beginning, middle and end
_OPENING_TEXT = 1_000_000  # characters in which headings are looked for
_FIRST_TEXT = 100_000  # of them, which most often hold lines enough
_TRAP_ROWS = 200


@dataclass(frozen=True, slots=True)
class LogFile:
    """A logger file's text.

    Parameters
    ----------
    name
        For messages.
    text
        Decoded.
    """

    name: str
    text: str


def read_log(path: Path, sha256: str | None = None) -> LogFile:
    """Read a raw file, checking that it is text and that it is the one that was logged.

    Parameters
    ----------
    path
        File on disk.
    sha256
        Digest kept since it was logged, hex; None where none was kept.

    Returns
    -------
    LogFile

    Raises
    ------
    DataError
        There is no such file, it cannot be read, it is empty or binary, or its digest differs.
    """
    try:
        content = read_plain(path, LARGEST_TRACE)
    except FileNotFoundError:
        msg = f"there is no trace file `{path}`"
        raise DataError(msg, hint="copy the logger's file there, or correct [trace] file") from None
    except IsADirectoryError:
        msg = f"the trace file `{path}` is a directory"
        raise DataError(msg, expected="a logger's text file") from None
    except OSError as error:
        msg = f"the trace file `{path}` cannot be read: {error.strerror or error}"
        raise DataError(msg, hint="check the permissions of the file") from None
    digest = None if sha256 is None else hashlib.sha256(content).hexdigest()
    if sha256 is not None and digest != sha256.lower():
        msg = f"the trace `{path.name}` has changed since it was logged: its SHA-256 is {digest}"
        raise DataError(
            msg,
            expected=sha256.lower(),
            hint="put the original file back, or log the firing anew with the changed one",
        )
    if not content or content.isspace():
        msg = f"the trace `{path.name}` is empty"
        raise DataError(msg, hint="copy the logger's file again")
    return LogFile(path.name, _decoded(content, path.name))


def _decoded(content: bytes, name: str) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content[:65536]:
        msg = f"the trace `{name}` is not text: it holds zero bytes"
        raise DataError(
            msg,
            expected="columns of numbers as text",
            hint="export it from the logger or the spreadsheet as CSV",
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Headings with a degree sign in an old Windows code page; the digits are the same.
        return content.decode("cp1252", errors="replace")


def load_columns(
    log: LogFile,
    wanted: Wanted,
    *,
    units: Sequence[str],
    clock_scale: float | None = None,
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return the wanted columns of all rows that hold numbers.

    Rows are numbers between separators, or lines that name their values (``t=1.2 p=3.4``). A
    clock may be written as a time of day, with or without a date.

    Parameters
    ----------
    log
        The file.
    wanted
        Headings as the file writes them, with or without their units, or column numbers from 1.
    units
        The unit of each, for headings that carry it in brackets.
    clock_scale
        s per unit of the first wanted column, where that is the clock; None: there is no clock.

    Returns
    -------
    tuple
        Array of shape (rows, columns) with NaN where a reading is missing, and the account of
        what was skipped.

    Raises
    ------
    DataError
        No separator gives rows of numbers, a column is not there, or commas are both decimal
        marks and separators.
    """
    sample = _sampled(log.text)
    keyed = _load_keyed(log, sample, wanted, units, clock_scale)
    if keyed is not None:
        return keyed
    form = _form(sample, wanted, units, log.name)
    begin = _opening(log.text)
    headings, first = _headings(begin, form, wanted, units)
    _refuse_comma_trap(begin[first:], form, headings, log.name)
    indices = [
        column_index(column, unit, headings, log.name)
        for column, unit in zip(wanted, units, strict=True)
    ]
    table, told = load_rows(
        log.text,
        begin[:first],
        form,
        indices,
        name=log.name,
        headings=len(headings),
        clock_scale=clock_scale,
    )
    return table, (*told, *_other_units(wanted, units, headings, indices, log.name))


def find_columns(log: LogFile, wanted: Wanted, *, units: Sequence[str]) -> None:
    """Check that a file has some columns, by its beginning and samples of it, without its rows.

    Parameters
    ----------
    log, wanted, units
        As of `load_columns`.

    Raises
    ------
    DataError
        No separator gives rows of numbers, or a column is not there.
    """
    sample = _sampled(log.text)
    headings = list(_keys(sample, wanted))
    if not headings:
        form = _form(sample, wanted, units, log.name)
        headings, _ = _headings(_opening(log.text), form, wanted, units)
    for column, unit in zip(wanted, units, strict=True):
        column_index(column, unit, headings, log.name)


def _sampled(text: str) -> list[str]:
    """Return lines from the beginning, the middle and the end of a text."""
    if len(text) <= 3 * _SAMPLE_TEXT:
        lines = text.splitlines()
        if len(lines) <= 3 * _SAMPLE_LINES:
            return lines
        middle = len(lines) // 2
        parts = [lines, lines[middle:], lines[-_SAMPLE_LINES:]]
    else:
        middle = len(text) // 2
        parts = [
            text[:_SAMPLE_TEXT].splitlines()[:-1],
            text[middle : middle + _SAMPLE_TEXT].splitlines()[1:-1],
            text[-_SAMPLE_TEXT:].splitlines()[1:][-_SAMPLE_LINES:],
        ]
    return [line for part in parts for line in part[:_SAMPLE_LINES]]


def _opening(text: str) -> list[str]:
    """Return the lines in which headings are looked for, each with its end."""
    lines = text[:_FIRST_TEXT].splitlines(keepends=True)
    if len(lines) <= _HEADING_LINES:
        lines = text[:_OPENING_TEXT].splitlines(keepends=True)
    return lines[:_HEADING_LINES]


def _load_keyed(
    log: LogFile,
    sample: list[str],
    wanted: Wanted,
    units: Sequence[str],
    clock_scale: float | None,
) -> tuple[NDArray[np.float64], tuple[str, ...]] | None:
    """Return the columns of a file whose lines name their values; None where it is another."""
    keys = _keys(sample, wanted)
    if not keys:
        return None
    picked = [
        keys[column_index(column, unit, keys, log.name)]
        for column, unit in zip(wanted, units, strict=True)
    ]
    table, others, as_text = read_keyed(log.text.splitlines(), picked, clock_scale)
    account = [f"{log.name}: {len(table)} lines that name their values, read by name"]
    if others:
        account.append(f"{log.name}: skipped lines without such a name: {others}")
    if as_text:
        account.append(time_of_day(log.name))
    return table, tuple(account)


def _keys(sample: list[str], wanted: Wanted) -> list[str]:
    """Names that most lines give to their values; none where the file is of another kind."""
    if any(isinstance(column, int) for column in wanted):
        return []
    keys, lines = keys_of(sample)
    return keys if keys and _rows(sample) < lines else []


def _rows(sample: list[str]) -> int:
    """Return how many lines are nothing but readings under the form that suits best."""
    return max(sum(_is_row(form.split(line), form) for line in sample) for form in FORMS)


def _is_row(fields: list[str], form: Form) -> bool:
    readings = False
    for field in fields:
        if form.is_reading(field):
            readings = True
        elif not (is_missing(field) or is_date(field)):
            return False
    return readings


def _form(sample: list[str], wanted: Wanted, units: Sequence[str], name: str) -> Form:
    """Return the separator and decimal mark under which most lines are nothing but numbers.

    Of those that serve about equally well, one that shows the wanted headings comes first, then
    one whose separator is there at all.
    """
    needed = max([column for column in wanted if isinstance(column, int)], default=1)
    needed = max(needed, len(set(wanted)))
    named = [(c, u) for c, u in zip(wanted, units, strict=True) if isinstance(c, str)]
    ranked = []
    for form in FORMS:
        count = splits = 0
        shows = False
        for line in sample:
            if form.count(line) < needed:
                continue
            fields = form.split(line)
            if _is_row(fields, form):
                count += 1
                splits += len(fields) > 1
            elif named and not shows:
                shows = all(matches(column, unit, fields) for column, unit in named)
        ranked.append((form, count, shows, splits > 0))
    most = max(count for _, count, _, _ in ranked)
    if most == 0:
        msg = f"no line of `{name}` holds {needed} number{'s' if needed > 1 else ''}"
        raise DataError(
            msg,
            expected="rows of numbers separated by commas, semicolons, tabs or blanks, or lines "
            "that name their values (t=1.2 p=3.4)",
            hint="check [trace] file and the column numbers",
        )
    serving = [row for row in ranked if row[1] >= 0.8 * most]
    best = max(serving, key=lambda row: (row[2], row[3], row[1]))[0]
    return _guard_decimal_comma(sample, best, wanted)


def _guard_decimal_comma(sample: list[str], best: Form, wanted: Wanted) -> Form:
    # One column of "12,5" under a one-word heading would otherwise be read as 12.
    if best.separator == "," and len(set(wanted)) == 1:
        column = wanted[0]
        lone = [line.strip().strip('"') for line in sample]
        if isinstance(column, str) and column in lone:
            return Form(None, ",")
    return best


def _refuse_comma_trap(lines: list[str], form: Form, headings: list[str], name: str) -> None:
    """Refuse ``1,5,2,5``: commas that are decimal marks and separators at once."""
    if form.separator != ",":
        return
    rows = [form.split(line.strip()) for line in lines[:_TRAP_ROWS] if line.strip()]
    rows = [row for row in rows if _is_row(row, form)]
    if not rows or any("." in field for row in rows for field in row):
        return
    width = Counter(len(row) for row in rows).most_common(1)[0][0]
    rows = [row for row in rows if len(row) == width]
    doubled = len(headings) > 0 and width == 2 * len(headings)
    if not doubled and not headings and width >= 4 and width % 2 == 0:
        doubled = _halves_of_a_clock(rows)
    if not doubled or all(not row[-1] for row in rows):
        return
    msg = (
        f"`{name}` uses the comma both as decimal mark and between columns: `{','.join(rows[0])}` "
        + (f"stands under {len(headings)} headings" if headings else "cannot be told apart")
    )
    raise DataError(
        msg,
        expected="semicolons or tabs between columns, or decimal points",
        hint="export the log again with another separator",
    )


def _halves_of_a_clock(rows: list[list[str]]) -> bool:
    """Say whether the first two fields are one clock with a decimal comma, cut in two."""
    if any(not row[0] or not row[1].isdigit() for row in rows) or len(rows) < 5:
        return False
    first = np.array([float(row[0]) for row in rows])
    joined = np.array([float(f"{row[0]}.{row[1]}") for row in rows])
    return bool(
        np.mean(np.diff(first) == 0.0) > 0.5
        and np.all(np.diff(joined) >= 0.0)
        and np.mean(np.diff(joined) > 0.0) > 0.9
    )


def _headings(
    lines: list[str], form: Form, wanted: Wanted, units: Sequence[str]
) -> tuple[list[str], int]:
    """Return the heading line's fields and the number of lines above the first row of numbers.

    The heading is the first line that names all wanted columns, else the last line of words
    above the numbers.
    """
    named = [(c, u) for c, u in zip(wanted, units, strict=True) if isinstance(c, str)]
    first = None
    last_words: list[str] = []
    for number, line in enumerate(lines):
        fields = form.split(line.strip("\r\n"))
        if _is_row(fields, form):
            first = number if first is None else first
            continue
        if named and all(matches(column, unit, fields) for column, unit in named):
            return fields, number + 1 if first is None else first
        if first is None and line.strip():
            last_words = fields
        elif first is not None and not named:
            break
    return last_words, first or 0


def _other_units(
    wanted: Wanted,
    units: Sequence[str],
    headings: list[str],
    indices: list[int],
    name: str,
) -> tuple[str, ...]:
    """Say where a heading carries a unit in brackets that is not the record's."""
    told = []
    for column, unit, i in zip(wanted, units, indices, strict=True):
        heading = headings[i] if i < len(headings) else ""
        if not isinstance(column, str) or not heading.endswith((")", "]")):
            continue
        inside = heading[max(heading.rfind("("), heading.rfind("[")) + 1 : -1].strip()
        if inside and inside.casefold() != unit.casefold():
            told.append(f"{name}: the heading says `{heading}`, the record {unit}: {unit} is used")
    return tuple(told)
