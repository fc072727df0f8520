"""The rows of a logger file as numbers: clean ones in one pass, others line by line."""

from __future__ import annotations

import importlib
import io
import re
import sys
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.reduction.fields import clock_seconds, is_date

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from strandwise.reduction.fields import Form

__all__ = ["load_rows", "time_of_day"]

_LONG_TEXT = 4_000_000  # characters; beyond it the compiled reader is worth its import
_FAIRLY_LONG_TEXT = 1_000_000  # characters; beyond it the compiled reader is worth its call
_FIRST_ROW = 10_000  # characters within which the first row ends
_PLAIN = re.compile(r"[\s.,;+\-eE\"]*\d[\d\s.,;+\-eE\"]*\Z", re.ASCII)  # numbers, and nothing else
_DAY_TIME = re.compile(
    r"(?P<date>(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T ])?"
    r"\d{1,2}:\d\d:\d\d(?:(?P<mark>[.,])\d{1,9})?(?P<zone>Z?)\Z",
    re.ASCII,
)


def load_rows(
    text: str,
    above: Sequence[str],
    form: Form,
    indices: Sequence[int],
    *,
    name: str,
    headings: int,
    clock_scale: float | None,
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return columns of all rows that hold numbers.

    Parameters
    ----------
    text
        Of the whole file.
    above
        Its lines above the first row, each with its end.
    form
        How a row is written.
    indices
        Columns wanted, from 0.
    name
        Of the file, for the account.
    headings
        How many columns the file heads.
    clock_scale
        s per unit of the first wanted column, where that is the clock; None: there is no clock.

    Returns
    -------
    tuple
        Array of shape (rows, columns) with NaN where a reading is missing, and the account.

    Raises
    ------
    DataError
        No row holds numbers in the wanted columns.
    """
    clean = _load_fast(text, above, form, indices)
    timed = clean is None and clock_scale is not None
    if timed and clock_scale is not None:
        clean = _load_timed(text, above, form, indices, clock_scale)
    if clean is not None:
        told = f"{name}: {len(clean)} rows, {form.name} separated"
        if above:
            told += f", {len(above)} line{'s' if len(above) > 1 else ''} above them"
        return clean, (told, time_of_day(name)) if timed else (told,)
    return _load_sifted(text, form, indices, name) or _load_slow(
        text, form, indices, name, headings, clock_scale
    )


def _load_fast(
    text: str, above: Sequence[str], form: Form, indices: Sequence[int]
) -> NDArray[np.float64] | None:
    """Return the columns of a clean file in one pass; None where a row is not clean."""
    rows = text[sum(map(len, above)) :]
    if not rows or rows.isspace():
        return None
    if len(rows) > _LONG_TEXT or (len(rows) > _FAIRLY_LONG_TEXT and "pandas" in sys.modules):
        # Its import takes 0.2 s, as long as numpy's own reader takes for 400,000 rows.
        bulk = importlib.import_module("strandwise.reduction.bulk")
        table = bulk.read_numbers(rows, form.separator, form.decimal, indices)
    else:
        if form.decimal == ",":
            rows = rows.replace(",", ".")
        # loadtxt skips blank lines and pads nothing: any other row sends the file the slow way.
        try:
            table = np.loadtxt(
                io.StringIO(rows),
                delimiter=form.separator,
                usecols=indices,
                comments=None,
                ndmin=2,
            )
        except ValueError:
            return None
    if table is None or not len(table) or not np.isfinite(np.sum(table)):
        return None
    return np.asarray(table)


def _load_timed(
    text: str,
    above: Sequence[str],
    form: Form,
    indices: Sequence[int],
    clock_scale: float,
) -> NDArray[np.float64] | None:
    """Return the columns of a long clean file whose clock is a time of day; None of another.

    The times are cut at their colons into columns of hours, minutes and seconds.
    """
    if len(text) < _FAIRLY_LONG_TEXT:
        return None
    rows = text[sum(map(len, above)) :]
    fields = form.split(rows[:_FIRST_ROW].lstrip().partition("\n")[0])
    clock = indices[0]
    if len(fields) <= max(indices) or ":" in "".join(fields[:clock] + fields[clock + 1 :]):
        return None
    found = _DAY_TIME.match(fields[clock])
    if found is None or found["mark"] not in (None, form.decimal):
        return None
    if found["date"]:
        if form.separator is None:  # then the date is a column of its own
            return None
        rows = rows.replace(found["date"], "")
    if found["zone"]:
        rows = rows.replace("Z", "")
    behind = [i + 2 if i > clock else i for i in indices[1:]]
    cut = rows.replace(":", form.separator or " ")
    table = _load_fast(cut, [], form, [clock, clock + 1, clock + 2, *behind])
    if table is None or not _two_digits_behind_colons(rows, 2 * len(table)):
        return None
    seconds = 3600.0 * table[:, 0] + 60.0 * table[:, 1] + table[:, 2]
    return np.column_stack([seconds / clock_scale, table[:, 3:]])


def _two_digits_behind_colons(text: str, colons: int) -> bool:
    """Say whether a text has so many colons, each with two digits and no third one behind it."""
    content = np.frombuffer(text.encode() + b"   ", dtype=np.uint8)
    at = np.flatnonzero(content == ord(":"))
    first, second, third = (content[at + k] - ord("0") < 10 for k in (1, 2, 3))
    return len(at) == colons and bool(np.all(first & second & ~third))


def _load_sifted(
    text: str, form: Form, indices: Sequence[int], name: str
) -> tuple[NDArray[np.float64], tuple[str, ...]] | None:
    """Return the columns of a long file after other lines than rows of numbers are left out.

    None where what is left is not clean either; the lines left out are told as in the slow way.
    """
    if len(text) < _FAIRLY_LONG_TEXT:
        return None
    lines = [line for line in text.splitlines() if line and not line.isspace()]
    plain: list[str] = []
    others: list[str] = []
    for line in lines:
        (plain if _PLAIN.match(line) else others).append(line)
    if any(_is_kept(line, form, indices) for line in others):
        return None
    rows = plain
    if form.separator is not None:
        least = max(indices)
        rows = [line for line in plain if line.count(form.separator) >= least]
    table = _load_fast("\n".join(rows), [], form, indices)
    if table is None or len(table) != len(rows):
        return None
    skipped = Counter({"text": len(lines) - len(plain), "short": len(plain) - len(rows)})
    return table, _told(name, len(table), form, skipped)


def _is_kept(line: str, form: Form, indices: Sequence[int]) -> bool:
    """Say whether a line that is not all numbers holds a reading in the wanted columns."""
    fields = form.split(line)
    if len(fields) <= max(indices):
        return False
    row = [form.value(fields[i]) for i in indices]
    return None not in row and any(value == value for value in row)  # NaN is not equal to itself


def _load_slow(
    text: str,
    form: Form,
    indices: Sequence[int],
    name: str,
    headings: int,
    clock_scale: float | None,
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    rows: list[list[float]] = []
    skipped: Counter[str] = Counter()
    as_text = False
    for line in text.splitlines():
        if not line.strip():
            continue
        fields = form.split(line)
        if form.separator is None and headings == len(fields) - 1:
            fields = _date_joined(fields)
        if len(fields) <= max(indices):
            kind = "short" if form.is_reading(fields[0]) else "text"
            skipped[kind] += 1
            continue
        row = [form.value(fields[i]) for i in indices]
        if row[0] is None and clock_scale is not None:
            seconds = clock_seconds(fields[indices[0]])
            if seconds is not None:
                row[0], as_text = seconds / clock_scale, True
        if any(value is None for value in row):
            skipped["text"] += 1
        elif all(value != value for value in row):  # NaN in every wanted column
            skipped["filler"] += 1
        else:
            rows.append([value for value in row if value is not None])
    if not rows:
        msg = f"no row of `{name}` holds numbers in the wanted columns"
        raise DataError(msg, hint="check the column numbers and the headings in [trace]")
    account = list(_told(name, len(rows), form, skipped))
    if as_text:
        account.append(time_of_day(name))
    return np.asarray(rows, dtype=np.float64), tuple(account)


def _date_joined(fields: list[str]) -> list[str]:
    """Return the fields with a date and the time behind it as one, as their heading is."""
    for i, field in enumerate(fields[:-1]):
        if is_date(field) and ":" in fields[i + 1]:
            return [*fields[:i], f"{field} {fields[i + 1]}", *fields[i + 2 :]]
    return fields


def time_of_day(name: str) -> str:
    """Return what the account says of a clock that is written as a time of day."""
    return f"{name}: the clock is written as a time of day, read as seconds since midnight"


def _told(name: str, rows: int, form: Form, skipped: Counter[str]) -> tuple[str, ...]:
    words = {
        "text": "lines without a reading in them (text or noise)",
        "short": "rows cut short",
        "filler": "filler rows without a reading",
    }
    counts = [f"{name}: skipped {words[kind]}: {skipped[kind]}" for kind in words if skipped[kind]]
    return (f"{name}: {rows} rows, {form.name} separated", *counts)
