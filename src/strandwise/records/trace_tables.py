"""The table `[trace]` of a firing: raw logger files and what their columns mean."""

from __future__ import annotations

import re
from pathlib import PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

from strandwise.errors import UnitError
from strandwise.records.alike import entry_alike, lies_in
from strandwise.records.field import Field, code_of, shorten
from strandwise.records.instrument_files import INSTRUMENT_KINDS, RAW_UNITS
from strandwise.records.model import Channel, TraceSpec
from strandwise.records.textfiles import kind_of
from strandwise.records.tomltable import describe
from strandwise.units import Kind, is_gauge, parse_heading, parse_unit

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Instrument
    from strandwise.records.tomltable import TomlTable
    from strandwise.units import Unit

__all__ = ["read_trace_table"]

_KEYS = ("file", "sha256", "time", "sample_rate", "pressure", "thrust")
_CHANNEL_KEYS = ("column", "unit", "instrument", "file", "sha256", "time", "sample_rate")
_SAMPLE_RATE = Field(name="sample_rate", help="of the logger", kind=Kind.FREQUENCY, above=0.0)
_GAUGE_ZERO = Field(name="gauge_zero", help="what a gauge at rest reads", kind=Kind.PRESSURE)
_FILE_EXAMPLE = 'a file of the campaign, such as file = "traces/F-07.csv"'
_DIGEST = re.compile(r"[0-9A-Fa-f]{64}")
_NUMBERED = re.compile(r"column\s+([0-9]+)", re.IGNORECASE | re.ASCII)


def read_trace_table(
    table: TomlTable, folder: CampaignFolder, instruments: Mapping[str, Instrument]
) -> TraceSpec | None:
    """Read a `[trace]`; faults are kept in the table, and None returned where there is one."""
    before = len(table.findings)
    table.check_keys(_KEYS)
    reader = _Reader(folder, instruments)
    file = reader.file(table)
    clock, rate = reader.clock(table)
    pressure = reader.channel(table, "pressure", Kind.PRESSURE)
    thrust = reader.channel(table, "thrust", Kind.FORCE)
    sha256 = _digest(table)
    if len(table.findings) == before:
        _check_complete(table, clock, rate, [c for c in (pressure, thrust) if c is not None])
    if len(table.findings) > before or file is None:
        return None
    return TraceSpec(
        file=file,
        sha256=sha256,
        time=clock,
        sample_rate=rate,
        pressure=pressure,
        thrust=thrust,
    )


def _digest(table: TomlTable) -> str | None:
    sha256 = table.values.get("sha256")
    if sha256 is None:
        return None
    if not (isinstance(sha256, str) and _DIGEST.fullmatch(sha256)):
        table.fault(
            ["sha256"],
            "bad-value",
            f"`sha256` is no digest: {describe(sha256)}",
            "64 hexadecimal digits",
            "take the line out if the digest is not known",
        )
        return None
    return sha256.lower()


def _check_complete(
    table: TomlTable, clock: Channel | None, rate: float | None, channels: list[Channel]
) -> None:
    if not channels:
        table.fault(
            [],
            "missing-field",
            "the trace has neither pressure nor thrust",
            'pressure = "heading (psig)" or thrust = "heading (N)", or both',
        )
    elif clock is None and rate is None and not all(c.time or c.sample_rate for c in channels):
        table.fault(
            [],
            "missing-field",
            "the trace has no clock",
            'time = "millis (ms)", or sample_rate = "500 Hz"',
        )


class _Reader:
    """Reads the keys of a trace; faults are kept in the tables."""

    def __init__(self, folder: CampaignFolder, instruments: Mapping[str, Instrument]) -> None:
        self.folder = folder
        self.instruments = instruments

    def file(self, table: TomlTable) -> Path | None:
        raw = table.values.get("file")
        if not isinstance(raw, str) or not raw.strip():
            if not table.seems_misspelt("file"):
                what = "missing" if raw in (None, "") else f"no name of a file: {describe(raw)}"
                table.fault(["file"], "missing-field", f"`file` is {what}", _FILE_EXAMPLE)
            return None
        plain = raw.strip().replace("\\", "/")
        if PurePosixPath(plain).is_absolute() or PureWindowsPath(plain).drive:
            table.fault(
                ["file"],
                "outside-bench",
                f"`{shorten(raw)}` is an absolute path, which no other machine has",
                _FILE_EXAMPLE,
                "copy the file into traces/",
            )
            return None
        path = self.folder.path / plain
        try:
            inside = lies_in(path, self.folder.bench)
            what = _fault_of_file(path) if inside else ""
        except (OSError, ValueError, RuntimeError) as error:
            reason = error.strerror if isinstance(error, OSError) else "no name of a file"
            inside, what = True, f"cannot be opened ({reason})"
        if not inside:
            table.fault(
                ["file"],
                "outside-bench",
                f"`{shorten(raw)}` is not in the bench folder",
                _FILE_EXAMPLE,
                "copy the file into traces/",
            )
            return None
        if what:
            other = entry_alike(path)
            hint = ""
            if other is not None and other.name != path.name:
                hint = f"`{other.name}` there differs only in capitals: was it meant?"
            table.fault(["file"], "file-missing", f"`{shorten(raw)}` {what}", _FILE_EXAMPLE, hint)
            return None
        return path

    def clock(self, table: TomlTable) -> tuple[Channel | None, float | None]:
        rate = table.value(_SAMPLE_RATE)
        raw = table.values.get("time")
        if raw is not None and "sample_rate" in table.values:
            table.fault(
                ["sample_rate"],
                "given-twice",
                "both a clock column `time` and a `sample_rate` are given",
                "one of the two",
                "take out the one that is less trusted",
            )
            return None, None
        sample_rate = rate if isinstance(rate, float) else None
        if raw is None:
            return None, sample_rate
        if isinstance(raw, dict):
            own = table.table("time")
            assert own is not None
            own.check_keys(("column", "unit"))
        split = self._column_and_unit(table, "time", raw)
        if split is None:
            return None, None
        column, unit_text = split
        try:
            unit = parse_unit(unit_text, Kind.TIME)
        except UnitError as error:
            table.fault(["time"], "unknown-unit", error.message, error.expected, error.hint)
            return None, None
        return Channel(column=column, unit=unit_text, scale=float(unit.factor), offset=0.0), None

    def channel(self, table: TomlTable, key: str, kind: Kind) -> Channel | None:
        raw = table.values.get(key)
        if raw is None:
            return None
        extra: dict[str, Any] = {}
        named: object = None
        if isinstance(raw, dict):
            own = table.table(key)
            assert own is not None
            own.check_keys(_CHANNEL_KEYS)
            named = raw.get("instrument")
            extra["time"], extra["sample_rate"] = self.clock(own)
            if "file" in own.values:
                extra["file"] = self.file(own)
                extra["sha256"] = _digest(own)
            elif "sha256" in own.values and not own.seems_misspelt("file"):
                own.fault(
                    ["sha256"],
                    "bad-value",
                    f"`{key}` has a digest and no file of its own",
                    "file beside sha256, or the digest in [trace]",
                )
        split = self._column_and_unit(table, key, raw)
        if split is None:
            return None
        column, unit_text = split
        if unit_text in RAW_UNITS:
            instrument = self._instrument(table, key, kind, named, unit_text)
            if instrument is None:
                return None
            return Channel(column=column, unit=unit_text, instrument=instrument, **extra)
        if named is not None:
            table.fault(
                [key, "instrument"],
                "bad-value",
                f"`{key}` is in {shorten(unit_text)}, and a calibration is only for raw readings",
                f"a unit {', '.join(RAW_UNITS)} with an instrument, or a unit of {kind.label} "
                "without one",
            )
            return None
        line = _physical(table, key, kind, unit_text)
        if line is None:
            return None
        return Channel(column=column, unit=unit_text, scale=line[0], offset=line[1], **extra)

    def _instrument(
        self, table: TomlTable, key: str, kind: Kind, named: object, unit: str
    ) -> Instrument | None:
        if named is None:
            own = table.table(key) if isinstance(table.values.get(key), dict) else None
            if own is not None and own.seems_misspelt("instrument"):
                return None
            table.fault(
                [key],
                "missing-field",
                f"`{key}` is in {unit}, which only a calibration turns into a {kind.label}",
                f'{key} = {{ column = "…", unit = "{unit}", instrument = "…" }}',
                "name an instrument of instruments.toml",
            )
            return None
        instrument = self.instruments.get(named) if isinstance(named, str) else None
        if instrument is None:
            table.fault(
                [key, "instrument"],
                "unknown-instrument",
                f"there is no instrument {describe(named)}",
                f"one of instruments.toml ({', '.join(self.instruments) or 'none yet'})",
                "write its calibration there",
            )
            return None
        fault = ""
        if INSTRUMENT_KINDS[instrument.kind] is not kind:
            fault = f"`{instrument.name}` is a {instrument.kind}"
        elif instrument.reading_unit != unit:
            fault = f"`{key}` is in {unit}, `{instrument.name}` reads {instrument.reading_unit}"
        if fault:
            wanted = f"an instrument for {key} that reads {unit}"
            table.fault([key, "instrument"], "bad-value", fault, wanted)
            return None
        return instrument

    def _column_and_unit(
        self, table: TomlTable, key: str, raw: object
    ) -> tuple[str | int, str] | None:
        example = f'{key} = "heading (unit)" or "column 2 (unit)"'
        if isinstance(raw, dict):
            column, unit = raw.get("column"), raw.get("unit")
            if isinstance(column, int) and not isinstance(column, bool):
                column = f"column {column}"
            if not isinstance(column, str) or not column.strip():
                what = "names no column" if column is None else f"names {describe(column)}"
                table.fault([key, "column"], "missing-field", f"`{key}` {what}", example)
                return None
            if unit is None:
                raw = column
            elif isinstance(unit, str):
                return self._numbered(table, key, column, unit)
            else:
                table.fault([key, "unit"], "bad-value", f"the unit is {describe(unit)}", '"psig"')
                return None
        if not isinstance(raw, str):
            table.fault([key], "bad-value", f"`{key}` is {describe(raw)}", example)
            return None
        try:
            heading = parse_heading(raw)
        except UnitError as error:
            table.fault([key], "bad-value", error.message, error.expected, error.hint)
            return None
        if heading.unit_text is None:
            message = f"`{key}` is the column `{shorten(raw)}` without a unit"
            table.fault([key], "missing-unit", message, example)
            return None
        return self._numbered(table, key, heading.name, heading.unit_text)

    def _numbered(
        self, table: TomlTable, key: str, column: str, unit: str
    ) -> tuple[str | int, str] | None:
        match = _NUMBERED.fullmatch(column.strip())
        if match is None:
            return column.strip(), unit.strip()
        digits = match.group(1).lstrip("0")
        if not digits or len(digits) > 4:
            message = f"`{shorten(column)}` is no column of a file"
            table.fault([key], "bad-value", message, "columns are counted from 1")
            return None
        return int(digits), unit.strip()


def _fault_of_file(path: Path) -> str:
    kind = kind_of(path)
    if kind == "a plain file":
        return ""
    return "does not exist" if kind is None else f"is {kind}"


def _physical(table: TomlTable, key: str, kind: Kind, unit_text: str) -> tuple[float, float] | None:
    """Factor and offset from readings in a physical unit to SI, absolute pressures."""
    try:
        unit = parse_unit(unit_text, kind)
    except UnitError as error:
        table.fault([key], "unknown-unit", error.message, error.expected, error.hint)
        return None
    try:
        return float(unit.factor), _offset(table, unit)
    except UnitError as error:
        table.fault([key], code_of(error), error.message, error.expected, error.hint)
        return None


def _offset(table: TomlTable, unit: Unit) -> float:
    if unit.kind is not Kind.PRESSURE or not is_gauge(unit, table.scale.readings):
        return 0.0
    return float(_GAUGE_ZERO.parse("0", table.scale, unit))  # type: ignore[arg-type]
