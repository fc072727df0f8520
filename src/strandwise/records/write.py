"""Writing records: whole files at once, under a lock, and never a half-written one."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import io
import os
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import tomlkit
from filelock import FileLock, Timeout

from strandwise.errors import RecordsError, RequestError
from strandwise.records.csvtable import Column, parse_csv_table, read_csv_table
from strandwise.records.textfiles import FileText
from strandwise.units import Kind, is_gauge, lossless_text, parse_unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from strandwise.records.csvtable import CsvTable
    from strandwise.records.fields import Field, PressureScale, Value
    from strandwise.records.folder import CampaignFolder
    from strandwise.units import Unit

__all__ = ["append_record", "campaign_lock", "compose_firing", "write_bytes", "write_new"]

_LOCK_SECONDS = 30.0


@contextlib.contextmanager
def campaign_lock(folder: CampaignFolder) -> Iterator[None]:
    """Hold a campaign's lock, so that writers take turns.

    Raises
    ------
    RequestError
        Another program held it for half a minute, or the folder cannot be written.
    """
    try:
        with FileLock(str(folder.lock), timeout=_LOCK_SECONDS):
            yield
    except Timeout as error:
        msg = f"another program has been writing to {folder.path} for {_LOCK_SECONDS:g} s"
        raise RequestError(msg, hint="wait for it, or end it, and try again") from error
    except OSError as error:
        raise _cannot_write(folder.path, error) from error


def _cannot_write(path: Path, error: OSError) -> RequestError:
    msg = f"cannot write {path}: {error.strerror or error}"
    return RequestError(msg, hint="nothing was changed")


def write_bytes(path: Path, content: bytes) -> None:
    """Replace a file's content, or make the file: all of it or nothing, on the disk on return.

    The content goes to a temporary file beside the target, which is flushed to the disk and
    renamed over the target; a symbolic link keeps pointing at its file.

    Raises
    ------
    RequestError
        The file cannot be written; it is then as it was.
    """
    target = path.resolve()
    temporary: Path | None = None
    try:
        descriptor, name = tempfile.mkstemp(
            prefix=f".{target.name}.", suffix=".part", dir=target.parent
        )
        temporary = Path(name)
        with os.fdopen(descriptor, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        temporary.chmod(_mode(target))
        temporary.replace(target)
        temporary = None
        _sync_folder(target.parent)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def write_new(path: Path, content: bytes) -> None:
    """Make a file that must not exist yet; otherwise as `write_bytes`.

    Raises
    ------
    RequestError
        The file exists, or cannot be written.
    """
    if path.exists() or path.is_symlink():
        msg = f"{path} exists already"
        raise RequestError(msg, hint="choose another name; nothing was changed")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot_write(path, error) from error
    write_bytes(path, content)


def _mode(target: Path) -> int:
    try:
        return stat.S_IMODE(target.stat().st_mode)
    except FileNotFoundError:
        mask = os.umask(0)
        os.umask(mask)
        return 0o666 & ~mask


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":
        return  # a folder cannot be opened there, and its entries are written through
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def append_record(
    path: Path,
    shown: str,
    record: object,
    fields: Sequence[Field],
    scale: PressureScale,
    *,
    units: str,
) -> None:
    """Add a record as a row at the end of a CSV file; hold the campaign's lock around it.

    Everything else in the file stays as it is, to the byte. A field that has a value but no
    column gets one, in the heading only. Numbers are written in the column's unit so that they
    read back to the same SI value.

    Parameters
    ----------
    path, shown
        The file, and its name for people.
    record
        A record whose attributes are named as `fields`.
    scale
        Zero of the pressure readings.
    units
        ``metric`` or ``inch-pound``, for the heading of a new column.

    Raises
    ------
    RecordsError
        The file has faults; it is not touched.
    RequestError
        It cannot be written; it is then as it was.
    """
    table, findings = read_csv_table(path, shown, fields)
    if table is None or findings:
        raise RecordsError(findings)
    values = {f.name: getattr(record, f.name) for f in fields}
    present = {column.field.name for column in table.columns if column.field}
    missing = [f for f in fields if f.name not in present and _has_value(values[f.name])]
    text = _with_headings(table, [f.heading(units) for f in missing])
    columns = [*table.columns, *(_new_column(f, units) for f in missing)]
    units_of = {c.field.name: c.unit for c in columns if c.field}
    cells = [_cell(column, values, units_of, scale) for column in columns]
    while cells and not cells[-1]:
        cells.pop()
    if text and not text.endswith(("\n", "\r")):
        text += table.newline
    text += _csv_line(cells, table.delimiter) + table.newline
    encoded = (b"\xef\xbb\xbf" if table.content.bom else b"") + text.encode("utf-8")
    content = FileText(encoded, text, table.content.bom)
    _verify(content, shown, fields, cells, len(table.rows) + 1)
    write_bytes(path, encoded)


def _verify(
    content: FileText, shown: str, fields: Sequence[Field], cells: list[str], rows: int
) -> None:
    """Read the new content as it will be read, before it replaces the old."""
    table, findings = parse_csv_table(content, shown, fields)
    read_back = [] if table is None or not table.rows else list(table.rows[-1].cells)
    while read_back and not read_back[-1]:
        read_back.pop()
    if findings or table is None or len(table.rows) != rows or read_back != cells:
        msg = f"the row would not read back from {shown} as it was given: {cells}"
        raise RequestError(msg, hint="nothing was changed; leave out unusual characters")


def compose_firing(tables: Mapping[str, object]) -> str:
    """Text of a firing's file from its keys and tables, in the order given."""
    document = tomlkit.document()
    for key, value in tables.items():
        if isinstance(value, dict):
            table = tomlkit.table()
            for name, item in value.items():
                table.add(name, item)
            document.add(key, table)
        else:
            document.add(key, value)
    return tomlkit.dumps(document)


def _has_value(value: object) -> bool:
    return value is not None and value != ""


def _new_column(field: Field, units: str) -> Column:
    from_heading = field.inch_pound if units == "inch-pound" else field.metric
    unit = parse_unit(from_heading, field.kind) if from_heading and field.kind else None
    return Column(field.heading(units), field, unit)


def _with_headings(table: CsvTable, added: list[str]) -> str:
    text = table.content.text
    if not added:
        return text
    head = text[: table.header_end].rstrip("\r\n")
    rest = text[len(head) :]
    return head + table.delimiter + _csv_line(added, table.delimiter) + rest


def _csv_line(cells: Sequence[str], delimiter: str) -> str:
    buffer = io.StringIO()
    csv.writer(buffer, delimiter=delimiter, lineterminator="").writerow(cells)
    return buffer.getvalue()


def _cell(
    column: Column,
    values: dict[str, Value | None],
    units_of: dict[str, Unit | None],
    scale: PressureScale,
) -> str:
    field = column.field
    value = None if field is None else values[field.name]
    if field is None or not _has_value(value):
        return ""
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, str):
        return " ".join(value.split())
    assert isinstance(value, float | int)
    if field.form != "quantity":
        return repr(value).removesuffix(".0")
    assert field.kind is not None
    unit = column.unit or units_of.get(field.name.removesuffix("_sd"))
    suffix = ""
    if unit is None:
        unit = parse_unit(field.metric, field.kind)
        suffix = f" {field.metric}"
    add = 0.0
    if field.kind is Kind.PRESSURE and not field.is_difference and is_gauge(unit, scale.readings):
        assert scale.ambient is not None
        add = scale.ambient
    return lossless_text(float(value), unit, add=add) + suffix
