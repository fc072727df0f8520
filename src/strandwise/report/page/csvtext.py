"""A table of the page as CSV text that a spreadsheet shows and does not run."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING
from urllib.parse import quote

from strandwise.report.table_files import harmless

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["csv_text", "data_uri"]

_BYTE_ORDER = "\ufeff"


def csv_text(heads: Sequence[str], rows: Sequence[Sequence[str | float]]) -> str:
    """A table as CSV (RFC 4180); numbers as numbers, texts made harmless.

    Parameters
    ----------
    heads, rows
        As many values in a row as heads. A number is written with ten significant digits.
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow([harmless(head) for head in heads])
    for row in rows:
        writer.writerow([_field(value) for value in row])
    return stream.getvalue()


def _field(value: str | float) -> str:
    return harmless(value) if isinstance(value, str) else f"{value:.10g}"


def data_uri(text: str) -> str:
    """A CSV file as a `data:` URI, with the mark by which spreadsheets know UTF-8."""
    return "data:text/csv;charset=utf-8," + quote(f"{_BYTE_ORDER}{text}", safe="")
