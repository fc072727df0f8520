"""What the fields of a logger's lines are: numbers, readings that are missing, clock times."""

from __future__ import annotations

import re
from dataclasses import dataclass

__all__ = ["FORMS", "Form", "clock_seconds", "is_date", "is_missing"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+-]?(\d+(,\d*)?|,\d+)([eE][+-]?\d+)?\Z", re.ASCII)
_MISSING = frozenset({"", "nan", "na", "n/a", "null", "none", "-", "--", "inf", "-inf", "+inf"})
_DATE = re.compile(r"(\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})\Z", re.ASCII)
_CLOCK = re.compile(
    r"(?:(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{4})[T ]\s*)?"
    r"(\d{1,2}):(\d\d):(\d\d)(?:[.,:](\d{1,9}))?"
    r"\s*([AaPp][Mm])?\s*(?:Z|[+-]\d\d:?\d\d|UTC)?\Z",
    re.ASCII,
)


@dataclass(frozen=True, slots=True)
class Form:
    """How a file writes a row.

    Parameters
    ----------
    separator
        Between fields; None: any blanks.
    decimal
        Decimal mark.
    """

    separator: str | None
    decimal: str

    @property
    def name(self) -> str:
        """For the account."""
        names = {",": "comma", ";": "semicolon", "\t": "tab", None: "blank"}
        mark = " with decimal comma" if self.decimal == "," else ""
        return names[self.separator] + mark

    def split(self, line: str) -> list[str]:
        """Return a line's fields without blanks and quotation marks around them."""
        return [field.strip().strip("\"'").strip() for field in line.split(self.separator)]

    def count(self, line: str) -> int:
        """Return how many fields `split` gives."""
        return len(line.split()) if self.separator is None else line.count(self.separator) + 1

    def is_number(self, field: str) -> bool:
        """Say whether a field is a number with this decimal mark."""
        pattern = _COMMA_NUMBER if self.decimal == "," else _NUMBER
        return pattern.match(field) is not None

    def is_reading(self, field: str) -> bool:
        """Say whether a field is a number or a time of day."""
        return self.is_number(field) or (":" in field and _CLOCK.match(field) is not None)

    def value(self, field: str) -> float | None:
        """Return the number, NaN for a missing reading, None for text."""
        if self.decimal == ",":
            if self.is_number(field):
                return float(field.replace(",", "."))
        else:
            try:
                value = float(field)
            except ValueError:
                pass
            else:
                return value if abs(value) != float("inf") else float("nan")
        return float("nan") if is_missing(field) else None


FORMS = (
    Form(";", "."),
    Form(";", ","),
    Form("\t", "."),
    Form("\t", ","),
    Form(",", "."),
    Form(None, "."),
    Form(None, ","),
)
"""Every way of writing a row that is tried."""


def is_missing(field: str) -> bool:
    """Say whether a field stands for no reading."""
    return field.lower() in _MISSING


def is_date(field: str) -> bool:
    """Say whether a field is a calendar date alone."""
    return _DATE.match(field) is not None


def clock_seconds(field: str) -> float | None:
    """Return the time of day in s of ``hh:mm:ss.fff``, with or without a date; None for others.

    The date is left out, as no firing lasts a day: a clock that passes midnight is carried on
    where stamps are put in order.
    """
    if ":" not in field:
        return None
    found = _CLOCK.match(field)
    if found is None:
        return None
    hours, minutes, seconds, fraction, half = found.groups()
    hour = int(hours)
    if half is not None:
        hour = hour % 12 + (12 if half[0] in "Pp" else 0)
    whole = 3600.0 * hour + 60.0 * int(minutes) + int(seconds)
    return whole + (int(fraction) / 10.0 ** len(fraction) if fraction else 0.0)
