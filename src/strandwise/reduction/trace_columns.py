"""Which columns a firing's record names that its logger file does not have."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import DataError
from strandwise.reduction.logfile import find_columns, read_log

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.records import Channel, TraceSpec

__all__ = ["ColumnFault", "column_faults"]


@dataclass(frozen=True, slots=True)
class ColumnFault:
    """A column, or a file, of a trace that is not as the record says.

    Parameters
    ----------
    field
        Dotted key in the firing's file, such as ``trace.pressure``.
    message, expected, hint
        As of `DataError`.
    """

    field: str
    message: str
    expected: str
    hint: str


def column_faults(spec: TraceSpec) -> tuple[ColumnFault, ...]:
    """Look for every column that a trace names in the heads of its files; rows are not read.

    A file that is empty or no text is one fault. The digests are not looked at.

    Parameters
    ----------
    spec
        Files, columns and units; the files exist.
    """
    faults: list[ColumnFault] = []
    for path, asked in _asked(spec).items():
        faults += _faults_of(path, asked)
    return tuple(faults)


def _asked(spec: TraceSpec) -> dict[Path, dict[str, Channel]]:
    """Columns by the file that they are looked for in, and by their key in the record."""
    files: dict[Path, dict[str, Channel]] = {}
    for name, channel in spec.channels.items():
        asked = files.setdefault(channel.file or spec.file, {})
        asked[f"trace.{name}"] = channel
        if channel.time is not None:
            asked[f"trace.{name}.time"] = channel.time
        elif channel.sample_rate is None and spec.time is not None:
            # A clock that a second file shares is the record's one `time` all the same.
            asked["trace.time"] = spec.time
    return files


def _faults_of(path: Path, asked: dict[str, Channel]) -> list[ColumnFault]:
    try:
        log = read_log(path)
    except DataError as error:
        return [_fault("trace.file", error)]
    try:
        find_columns(
            log, [c.column for c in asked.values()], units=[c.unit for c in asked.values()]
        )
    except DataError as together:
        faults = []
        for field, channel in asked.items():
            try:
                find_columns(log, [channel.column], units=[channel.unit])
            except DataError as error:
                faults.append(_fault(field, error))
        one_cause = len(faults) > 1 and len({fault.message for fault in faults}) == 1
        return faults if faults and not one_cause else [_fault("trace.file", together)]
    return []


def _fault(field: str, error: DataError) -> ColumnFault:
    return ColumnFault(field, error.message, error.expected, error.hint)
