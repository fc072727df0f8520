"""A raw logger file as columns of numbers, whatever stands between, above and among them."""

from __future__ import annotations

import hashlib
import io
import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["LogFile", "load_columns", "read_log"]

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z")
_COMMA_NUMBER = re.compile(r"[+-]?(\d+(,\d*)?|,\d+)([eE][+-]?\d+)?\Z")
_MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-", "--", "inf", "-inf", "+inf"})
_SAMPLE_LINES = 400
_HEADING_LINES = 2000


@dataclass(frozen=True, slots=True)
class _Form:
    separator: str | None  # None: any blanks
    decimal: str

    @property
    def name(self) -> str:
        names = {",": "comma", ";": "semicolon", "\t": "tab", None: "blank"}
        mark = " with decimal comma" if self.decimal == "," else ""
        return names[self.separator] + mark

    def split(self, line: str) -> list[str]:
        return [field.strip().strip("\"'").strip() for field in line.split(self.separator)]

    def is_number(self, field: str) -> bool:
        pattern = _COMMA_NUMBER if self.decimal == "," else _NUMBER
        return pattern.match(field) is not None


_FORMS = (
    _Form(";", "."),
    _Form(";", ","),
    _Form("\t", "."),
    _Form("\t", ","),
    _Form(",", "."),
    _Form(None, "."),
    _Form(None, ","),
)


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
        content = path.read_bytes()
    except FileNotFoundError:
        msg = f"there is no trace file {path}"
        raise DataError(msg, hint="copy the logger's file there, or correct [trace] file") from None
    except IsADirectoryError:
        msg = f"the trace file {path} is a directory"
        raise DataError(msg, expected="a logger's text file") from None
    except OSError as error:
        msg = f"the trace file {path} cannot be read: {error.strerror or error}"
        raise DataError(msg, hint="check the permissions of the file") from None
    digest = hashlib.sha256(content).hexdigest()
    if sha256 is not None and digest != sha256.lower():
        msg = f"the trace {path.name} has changed since it was logged: its SHA-256 is {digest}"
        raise DataError(
            msg,
            expected=sha256.lower(),
            hint="put the original file back, or log the firing anew with the changed one",
        )
    if not content.strip():
        msg = f"the trace {path.name} is empty"
        raise DataError(msg, hint="copy the logger's file again")
    return LogFile(path.name, _decoded(content, path.name))


def _decoded(content: bytes, name: str) -> str:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace")
    if b"\0" in content[:65536]:
        msg = f"the trace {name} is not text: it holds zero bytes"
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
    log: LogFile, wanted: Sequence[str | int], *, units: Sequence[str]
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return the wanted columns of all rows that hold numbers.

    Parameters
    ----------
    log
        The file.
    wanted
        Headings as the file writes them, or column numbers from 1.
    units
        The unit of each, for headings that carry it in brackets.

    Returns
    -------
    tuple
        Array of shape (rows, columns) with NaN where a reading is missing, and the account of
        what was skipped.

    Raises
    ------
    DataError
        No separator gives rows of numbers, or a column is not there.
    """
    lines = log.text.splitlines()
    form = _form(lines, wanted, units, log.name)
    headings, first = _headings(lines, form, wanted, units)
    indices = [
        _index(column, unit, headings, log.name) for column, unit in zip(wanted, units, strict=True)
    ]
    fast = _load_fast(lines, first, form, indices)
    if fast is not None:
        account = f"{log.name}: {len(fast)} rows, {form.name} separated"
        if first:
            account += f", {first} line{'s' if first > 1 else ''} above them"
        return fast, (account,)
    return _load_slow(lines, form, indices, log.name)


def _sampled(lines: list[str]) -> list[str]:
    if len(lines) <= 3 * _SAMPLE_LINES:
        return lines
    middle = len(lines) // 2
    return lines[:_SAMPLE_LINES] + lines[middle : middle + _SAMPLE_LINES] + lines[-_SAMPLE_LINES:]


def _form(lines: list[str], wanted: Sequence[str | int], units: Sequence[str], name: str) -> _Form:
    """Return the separator and decimal mark under which most lines are nothing but numbers.

    Of those that serve about equally well, one that shows the wanted headings comes first, then
    one whose separator is there at all.
    """
    needed = max([column for column in wanted if isinstance(column, int)], default=1)
    needed = max(needed, len(set(wanted)))
    named = [(c, u) for c, u in zip(wanted, units, strict=True) if isinstance(c, str)]
    ranked = []
    for form in _FORMS:
        count = splits = 0
        shows = False
        for line in _sampled(lines):
            fields = form.split(line)
            if len(fields) < needed:
                continue
            numbers = sum(form.is_number(field) for field in fields)
            rest = len(fields) - numbers
            missing = sum(field.lower() in _MISSING for field in fields) if rest else 0
            if numbers and rest == missing:
                count += 1
                splits += len(fields) > 1
            elif named and not shows:
                shows = all(_matches(column, unit, fields) for column, unit in named)
        ranked.append((form, count, shows, splits > 0))
    most = max(count for _, count, _, _ in ranked)
    if most == 0:
        msg = f"no line of {name} holds {needed} number{'s' if needed > 1 else ''}"
        raise DataError(
            msg,
            expected="rows of numbers separated by commas, semicolons, tabs or blanks",
            hint="check [trace] file and the column numbers",
        )
    serving = [row for row in ranked if row[1] >= 0.8 * most]
    best = max(serving, key=lambda row: (row[2], row[3], row[1]))[0]
    return _guard_decimal_comma(lines, best, wanted)


def _guard_decimal_comma(lines: list[str], best: _Form, wanted: Sequence[str | int]) -> _Form:
    # One column of "12,5" under a one-word heading would otherwise be read as 12.
    if best.separator == "," and len(set(wanted)) == 1:
        column = wanted[0]
        lone = [line.strip().strip('"') for line in lines[:_HEADING_LINES]]
        if isinstance(column, str) and column in lone:
            return _Form(None, ",")
    return best


def _headings(
    lines: list[str], form: _Form, wanted: Sequence[str | int], units: Sequence[str]
) -> tuple[list[str], int]:
    """Return the heading line's fields and the number of lines above the first row of numbers.

    The heading is the first line that names all wanted columns, else the last line of words
    above the numbers.
    """
    named = [(c, u) for c, u in zip(wanted, units, strict=True) if isinstance(c, str)]
    first = None
    last_words: list[str] = []
    for number, line in enumerate(lines[:_HEADING_LINES]):
        fields = form.split(line)
        if any(form.is_number(field) for field in fields) and all(
            form.is_number(field) or field.lower() in _MISSING for field in fields
        ):
            first = number if first is None else first
            continue
        if named and all(_matches(column, unit, fields) for column, unit in named):
            return fields, number + 1 if first is None else first
        if first is None and line.strip():
            last_words = fields
        elif first is not None and not named:
            break
    return last_words, first or 0


def _matches(column: str, unit: str, headings: list[str]) -> list[int]:
    """Return where a heading stands: as written, then whatever its case, then without its unit."""
    exact = [i for i, heading in enumerate(headings) if heading == column]
    if exact:
        return exact
    low = column.strip().casefold()
    folded = [i for i, heading in enumerate(headings) if heading.casefold() == low]
    if folded:
        return folded
    with_unit = {f"{low}{gap}{a}{unit.casefold()}{b}" for gap in ("", " ") for a, b in ("()", "[]")}
    return [i for i, heading in enumerate(headings) if heading.casefold() in with_unit]


def _index(column: str | int, unit: str, headings: list[str], name: str) -> int:
    if isinstance(column, int):
        if column < 1:
            msg = f"column {column} of {name}"
            raise DataError(msg, expected="a column number counted from 1")
        return column - 1
    found = _matches(column, unit, headings)
    if len(found) == 1:
        return found[0]
    shown = ", ".join(f"`{heading}`" for heading in headings if heading) or "none"
    if not found:
        msg = f"{name} has no column headed `{column}`; its headings are {shown}"
        raise DataError(msg, hint='a file without headings is read by number: "column 1 (ms)"')
    msg = f"{name} has {len(found)} columns headed `{column}`"
    raise DataError(msg, hint='say which by its number: "column 2 (ms)"')


def _load_fast(
    lines: list[str], first: int, form: _Form, indices: list[int]
) -> NDArray[np.float64] | None:
    """Return the columns of a clean file in one pass; None where a row is not clean."""
    # loadtxt skips blank lines and pads nothing: any other row sends the file the slow way.
    if form.decimal == ",":
        return None
    try:
        table = np.loadtxt(
            io.StringIO("\n".join(lines[first:])),
            delimiter=form.separator,
            usecols=indices,
            comments=None,
            ndmin=2,
        )
    except ValueError:
        return None
    return table if len(table) and bool(np.all(np.isfinite(table))) else None


def _load_slow(
    lines: list[str], form: _Form, indices: list[int], name: str
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    rows: list[list[float]] = []
    skipped: Counter[str] = Counter()
    width = max(indices) + 1
    for line in lines:
        if not line.strip():
            continue
        fields = form.split(line)
        if len(fields) < width:
            kind = "short" if form.is_number(fields[0]) else "text"
            skipped[kind] += 1
            continue
        row = [_value(fields[i], form) for i in indices]
        if any(value is None for value in row):
            skipped["text"] += 1
        elif all(value != value for value in row):  # NaN in every wanted column
            skipped["filler"] += 1
        else:
            rows.append([value for value in row if value is not None])
    if not rows:
        msg = f"no row of {name} holds numbers in the wanted columns"
        raise DataError(msg, hint="check the column numbers and the headings in [trace]")
    words = {
        "text": "lines without a reading in them (text or noise)",
        "short": "rows cut short",
        "filler": "filler rows without a reading",
    }
    account = [f"{name}: {len(rows)} rows, {form.name} separated"]
    account += [
        f"{name}: skipped {words[kind]}: {skipped[kind]}" for kind in words if skipped[kind]
    ]
    return np.asarray(rows, dtype=np.float64), tuple(account)


def _value(field: str, form: _Form) -> float | None:
    """Return the number, NaN for a missing reading, None for text."""
    if form.decimal == ",":
        if form.is_number(field):
            return float(field.replace(",", "."))
    else:
        try:
            value = float(field)
        except ValueError:
            pass
        else:
            return value if abs(value) != float("inf") else float("nan")
    return float("nan") if field.lower() in _MISSING else None
