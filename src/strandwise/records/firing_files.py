"""`instruments.toml` and the firings' files as dataclasses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from strandwise.errors import DataError, UnitError
from strandwise.findings import Finding, Source
from strandwise.motor import FACES, AreaTable, EndBurner, Grain, HollowCylinder, Nozzle
from strandwise.records.fields import (
    EVENT_FIELDS,
    FIRING_FIELDS,
    GAS_FIELDS,
    GRAIN_FIELDS,
    NOZZLE_FIELDS,
    SUMMARY_FIELDS,
    Field,
    PressureScale,
    shorten,
)
from strandwise.records.model import (
    Channel,
    EventOverrides,
    Firing,
    Gas,
    Instrument,
    Summary,
    TraceSpec,
)
from strandwise.records.textfiles import read_text
from strandwise.records.tomltable import parse_toml_table, read_toml_table
from strandwise.units import (
    Kind,
    absolute_pressure,
    is_gauge,
    parse_heading,
    parse_quantity,
    parse_unit,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.tomltable import TomlTable

__all__ = ["parse_firing", "read_firing", "read_instruments"]

RAW_UNITS = ("count", "V", "mV")
"""Units that only an instrument's calibration turns into force or pressure."""

_INSTRUMENT_KINDS = {"load-cell": Kind.FORCE, "pressure-transducer": Kind.PRESSURE}
_TABLE_FIELDS = (
    Field(name="web", help="burnt depths", kind=Kind.LENGTH, at_least=0.0),
    Field(name="area", help="burning area at each depth", kind=Kind.AREA, at_least=0.0),
)


def read_instruments(
    path: Path, shown: str, scale: PressureScale
) -> tuple[dict[str, Instrument], list[Finding], list[Finding]]:
    """Read the table of instruments; `scale` is for pressures in the calibrations.

    Returns
    -------
    instruments, findings, remarks
        By name; faults; unknown keys that nothing reads.
    """
    table, findings = read_toml_table(path, shown, scale)
    if table is None:
        return {}, findings, []
    instruments = {}
    for name in table.values:
        entry = table.table(name)
        if entry is not None:
            instrument = _read_instrument(name, entry)
            if instrument is not None:
                instruments[name] = instrument
    return instruments, table.findings, table.remarks


def _read_instrument(name: str, entry: TomlTable) -> Instrument | None:
    before = len(entry.findings)
    entry.check_keys(("kind", "reading_unit", "calibration", "resolution", "notes", "calibrated"))
    kind = entry.values.get("kind")
    if kind not in _INSTRUMENT_KINDS:
        entry.fault(
            ["kind"],
            "bad-value",
            f"`{kind}` is no kind of instrument",
            " or ".join(_INSTRUMENT_KINDS),
        )
        return None
    unit = entry.values.get("reading_unit", "count")
    if unit not in RAW_UNITS:
        entry.fault(
            ["reading_unit"], "unknown-unit", f"`{unit}` is no raw reading", ", ".join(RAW_UNITS)
        )
    load = Field(name="load", help="what was applied", kind=_INSTRUMENT_KINDS[kind], required=True)
    reading = Field(name="reading", help="what was shown", form="number", required=True)
    rows = entry.values.get("calibration")
    pairs: list[dict[str, Any]] = []
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        entry.fault(
            ["calibration"],
            "missing-field",
            f"`{name}` has no calibration table",
            'calibration = [{ reading = 84120, load = "0 N" }, …]',
        )
    else:
        for row in rows:
            pair = entry.row("calibration", row).read((reading, load))
            if len(pair) == 2:
                pairs.append(pair)
        if len({pair["reading"] for pair in pairs}) < 2 and len(entry.findings) == before:
            entry.fault(
                ["calibration"],
                "bad-value",
                "a calibration needs two different readings",
                "at least two rows",
            )
    resolution = entry.value(
        Field(name="resolution", help="smallest step", kind=_INSTRUMENT_KINDS[kind], above=0.0)
    )
    if len(entry.findings) > before:
        return None
    return Instrument(
        name=name,
        kind=kind,
        reading_unit=unit,
        readings=tuple(pair["reading"] for pair in pairs),
        loads=tuple(pair["load"] for pair in pairs),
        resolution=resolution if isinstance(resolution, float) else None,
        source=entry.source(),
    )


def read_firing(
    path: Path,
    folder: CampaignFolder,
    scale: PressureScale,
    instruments: Mapping[str, Instrument],
) -> tuple[Firing | None, list[Finding], list[Finding]]:
    """Read one firing's file; the test's name is the file's.

    Returns
    -------
    firing, findings, remarks
        The firing is None where it has faults.
    """
    content = read_text(path, folder.shown(path))
    if isinstance(content, Finding):
        return None, [content], []
    return parse_firing(content.text, path, folder, scale, instruments)


def parse_firing(
    text: str,
    path: Path,
    folder: CampaignFolder,
    scale: PressureScale,
    instruments: Mapping[str, Instrument],
) -> tuple[Firing | None, list[Finding], list[Finding]]:
    """Read the text of a firing's file as `read_firing` reads the file at `path`."""
    table, findings = parse_toml_table(text, folder.shown(path), scale)
    if table is None:
        return None, findings, []
    name = Field(name="test", help="name of the test, from the file's", form="name")
    try:
        name.parse(path.stem, scale)
    except UnitError as error:
        table.fault([], "bad-name", f"the file's name: {error.message}", error.expected)
    reader = _FiringReader(table, folder, instruments)
    return reader.read(path.stem), table.findings, table.remarks


class _FiringReader:
    """Reads the tables of one firing's file; faults go to the top table's findings."""

    def __init__(
        self, table: TomlTable, folder: CampaignFolder, instruments: Mapping[str, Instrument]
    ) -> None:
        self.top = table
        self.folder = folder
        self.instruments = instruments

    def read(self, test: str) -> Firing | None:
        top = self.top
        tables = ("grain", "nozzle", "trace", "summary", "events", "gas")
        ambient_field = next(f for f in FIRING_FIELDS if f.name == "ambient_pressure")
        ambient = top.with_scale(PressureScale()).value(ambient_field)
        if isinstance(ambient, float):
            self.top = top = top.with_scale(PressureScale(top.scale.readings, ambient))
        fields = [f for f in FIRING_FIELDS if f is not ambient_field]
        values: dict[str, Any] = top.read(fields, others=(*tables, "ambient_pressure"))
        grain = self._grain()
        nozzle = self._nozzle()
        trace = self._trace()
        summary = self._summary()
        if "trace" not in top.values and "summary" not in top.values:
            top.fault(
                [], "missing-table", "there is neither a [trace] nor a [summary]", "one of the two"
            )
        events = self._plain_table("events", EVENT_FIELDS)
        gas = self._plain_table("gas", GAS_FIELDS)
        if top.findings or grain is None:
            return None
        return Firing(
            test=test,
            grain=grain,
            nozzle=nozzle,
            trace=trace,
            summary=summary,
            events=EventOverrides(**events),
            gas=Gas(**gas),
            ambient_pressure=ambient if isinstance(ambient, float) else None,
            source=Source(top.shown, 1),
            **values,
        )

    def _plain_table(self, key: str, fields: tuple[Field, ...]) -> dict[str, Any]:
        table = self.top.table(key)
        return {} if table is None else dict(table.read(fields))

    def _grain(self) -> Grain | None:
        table = self.top.table("grain")
        if table is None:
            if "grain" not in self.top.values:
                self.top.fault(
                    ["grain"],
                    "missing-table",
                    "there is no [grain]",
                    'a table [grain] with shape = "hollow-cylinder" and its sizes',
                )
            return None
        before = len(table.findings)
        shape = table.values.get("shape")
        if shape not in GRAIN_FIELDS:
            message = "`shape` is missing" if shape is None else f"`{shape}` is no shape of a grain"
            table.fault(["shape"], "bad-value", message, " or ".join(GRAIN_FIELDS))
            return None
        others = ["shape"] if shape == "area-table" else ["shape", "inhibited"]
        if shape == "area-table":
            others += ["web", "area"]
        values: dict[str, Any] = table.read(GRAIN_FIELDS[shape], others=others)
        inhibited = self._inhibited(table)
        columns = [self._list_of(table, f) for f in _TABLE_FIELDS] if shape == "area-table" else []
        if len(table.findings) > before:
            return None
        try:
            if shape == "hollow-cylinder":
                return HollowCylinder(inhibited=inhibited, **values)
            if shape == "end-burner":
                values["diameter"] = values.pop("outer_diameter")
                return EndBurner(inhibited=inhibited or frozenset({"outer"}), **values)
            return AreaTable(web=columns[0], area=columns[1], **values)
        except DataError as error:
            table.fault([], "bad-grain", error.message, error.expected, error.hint)
            return None

    def _inhibited(self, table: TomlTable) -> frozenset[str]:
        raw = table.values.get("inhibited", [])
        faces = [raw] if isinstance(raw, str) else raw
        if not isinstance(faces, list) or not all(
            isinstance(face, str) and face in FACES for face in faces
        ):
            table.fault(
                ["inhibited"],
                "bad-value",
                f"`inhibited` names no faces: `{shorten(str(raw))}`",
                'a list of "outer", "core", "ends", such as ["outer"]',
            )
            return frozenset()
        return frozenset(faces)

    def _list_of(self, table: TomlTable, field: Field) -> tuple[float, ...]:
        raw = table.values.get(field.name)
        if not isinstance(raw, list) or not all(isinstance(item, str) for item in raw):
            table.fault(
                [field.name],
                "bad-value",
                f"`{field.name}` is no list of quantities ({field.help})",
                {"web": '["0 mm", "2 mm", …]', "area": '["40 cm2", "42 cm2", …]'}[field.name],
            )
            return ()
        values = []
        for item in raw:
            try:
                values.append(float(field.parse(item, table.scale)))  # type: ignore[arg-type]
            except UnitError as error:
                table.fault([field.name], "bad-value", error.message, error.expected, error.hint)
        return tuple(values)

    def _nozzle(self) -> Nozzle | None:
        table = self.top.table("nozzle")
        if table is None:
            return None
        before = len(table.findings)
        values: dict[str, Any] = table.read(NOZZLE_FIELDS)
        if len(table.findings) > before:
            return None
        try:
            return Nozzle(**values)
        except DataError as error:
            table.fault([], "bad-nozzle", error.message, error.expected, error.hint)
            return None

    def _summary(self) -> Summary | None:
        table = self.top.table("summary")
        if table is None:
            return None
        before = len(table.findings)
        values: dict[str, Any] = table.read(SUMMARY_FIELDS)
        return Summary(**values) if len(table.findings) == before else None

    def _trace(self) -> TraceSpec | None:
        table = self.top.table("trace")
        if table is None:
            return None
        before = len(table.findings)
        table.check_keys(("file", "sha256", "time", "sample_rate", "pressure", "thrust"))
        file = self._trace_file(table)
        clock = self._clock(table)
        rate = self._sample_rate(table)
        pressure = self._channel(table, "pressure", Kind.PRESSURE)
        thrust = self._channel(table, "thrust", Kind.FORCE)
        if pressure is None and thrust is None and len(table.findings) == before:
            table.fault(
                [], "missing-field", "the trace has neither pressure nor thrust", "one, or both"
            )
        own_clocks = [c.time or c.sample_rate for c in (pressure, thrust) if c is not None]
        if clock is None and rate is None and not all(own_clocks):
            table.fault(
                [],
                "missing-field",
                "the trace has no clock",
                'time = "millis (ms)", or sample_rate = "500 Hz"',
            )
        sha256 = table.values.get("sha256")
        if sha256 is not None and not (isinstance(sha256, str) and len(sha256) == 64):
            table.fault(["sha256"], "bad-value", "`sha256` is no digest", "64 hexadecimal digits")
        if len(table.findings) > before or file is None:
            return None
        return TraceSpec(
            file=file,
            sha256=sha256.lower() if isinstance(sha256, str) else None,
            time=clock,
            sample_rate=rate,
            pressure=pressure,
            thrust=thrust,
        )

    def _trace_file(self, table: TomlTable) -> Path | None:
        raw = table.values.get("file")
        example = 'a file of the campaign, such as file = "traces/F-07.csv"'
        if not isinstance(raw, str) or not raw.strip():
            table.fault(["file"], "missing-field", "`file` is missing", example)
            return None
        path = self.folder.path / raw.replace("\\", "/")
        bench = self.folder.bench.resolve()
        try:
            inside = path.resolve().is_relative_to(bench)
        except (OSError, ValueError, RuntimeError):
            inside = False
        if not inside:
            table.fault(
                ["file"], "outside-bench", f"`{shorten(raw)}` is not in the bench folder", example
            )
            return None
        if not path.is_file():
            what = "is a folder" if path.is_dir() else "does not exist"
            table.fault(["file"], "file-missing", f"`{shorten(raw)}` {what}", example)
            return None
        return path

    def _sample_rate(self, table: TomlTable) -> float | None:
        field = Field(name="sample_rate", help="of the logger", kind=Kind.FREQUENCY, above=0.0)
        value = table.value(field)
        return value if isinstance(value, float) else None

    def _clock(self, table: TomlTable) -> Channel | None:
        raw = table.values.get("time")
        if raw is None:
            return None
        split = self._column_and_unit(table, "time", raw)
        if split is None:
            return None
        column, unit_text = split
        try:
            unit = parse_unit(unit_text, Kind.TIME)
        except UnitError as error:
            table.fault(["time"], "unknown-unit", error.message, error.expected, error.hint)
            return None
        return Channel(column=column, unit=unit_text, scale=float(unit.factor), offset=0.0)

    def _channel(self, table: TomlTable, key: str, kind: Kind) -> Channel | None:
        raw = table.values.get(key)
        if raw is None:
            return None
        extra: dict[str, Any] = {}
        if isinstance(raw, dict):
            own = table.table(key)
            assert own is not None
            own.check_keys(("column", "unit", "instrument", "file", "time", "sample_rate"))
            extra = {"time": self._clock(own), "sample_rate": self._sample_rate(own)}
            if "file" in own.values:
                extra["file"] = self._trace_file(own)
        split = self._column_and_unit(table, key, raw)
        if split is None:
            return None
        column, unit_text = split
        named = raw.get("instrument") if isinstance(raw, dict) else None
        instrument = self._instrument(table, key, named, kind)
        if unit_text in RAW_UNITS:
            if instrument is None:
                if named is None:
                    table.fault(
                        [key],
                        "missing-field",
                        f"`{key}` is in {unit_text}, which only a calibration turns into "
                        f"a {kind.label}",
                        f'{key} = {{ column = "…", unit = "{unit_text}", instrument = "…" }}',
                        "name an instrument of instruments.toml",
                    )
                return None
            if instrument.reading_unit != unit_text:
                table.fault(
                    [key, "unit"],
                    "bad-value",
                    f"`{key}` is in {unit_text}, `{instrument.name}` reads "
                    f"{instrument.reading_unit}",
                    f"the unit {instrument.reading_unit}",
                )
                return None
            return Channel(column=column, unit=unit_text, instrument=instrument, **extra)
        return self._physical(table, key, kind, column, unit_text, extra)

    def _physical(
        self,
        table: TomlTable,
        key: str,
        kind: Kind,
        column: str | int,
        unit_text: str,
        extra: dict[str, Any],
    ) -> Channel | None:
        try:
            unit = parse_unit(unit_text, kind)
            offset = 0.0
            if kind is Kind.PRESSURE and is_gauge(unit, table.scale.readings):
                offset = absolute_pressure(
                    parse_quantity("0", kind, unit=unit),
                    readings=table.scale.readings,
                    ambient=table.scale.ambient,
                )
        except UnitError as error:
            table.fault([key], "unknown-unit", error.message, error.expected, error.hint)
            return None
        return Channel(
            column=column, unit=unit_text, scale=float(unit.factor), offset=offset, **extra
        )

    def _instrument(
        self, table: TomlTable, key: str, named: object, kind: Kind
    ) -> Instrument | None:
        if named is None:
            return None
        instrument = self.instruments.get(str(named))
        if instrument is None:
            known = ", ".join(self.instruments) or "none yet"
            table.fault(
                [key, "instrument"],
                "unknown-instrument",
                f"there is no instrument `{shorten(str(named))}`",
                f"one of instruments.toml ({known})",
            )
        elif _INSTRUMENT_KINDS[instrument.kind] is not kind:
            table.fault(
                [key, "instrument"],
                "bad-value",
                f"`{instrument.name}` is a {instrument.kind}",
                f"an instrument for {key}",
            )
            return None
        return instrument

    def _column_and_unit(
        self, table: TomlTable, key: str, raw: object
    ) -> tuple[str | int, str] | None:
        example = f'{key} = "heading (unit)" or "column 2 (unit)"'
        if isinstance(raw, dict):
            column, unit = raw.get("column"), raw.get("unit")
            if isinstance(column, int) and not isinstance(column, bool) and column >= 1:
                column = f"column {column}"
            if isinstance(column, str) and isinstance(unit, str):
                return self._numbered(column), unit
            if isinstance(column, str):
                raw = column
            else:
                table.fault([key, "column"], "missing-field", f"`{key}` names no column", example)
                return None
        if not isinstance(raw, str):
            table.fault([key], "bad-value", f"`{key}` is no heading", example)
            return None
        try:
            heading = parse_heading(raw)
        except UnitError as error:
            table.fault([key], "bad-value", error.message, error.expected, error.hint)
            return None
        if heading.unit_text is None:
            self._no_unit(table, key, example)
            return None
        return self._numbered(heading.name), heading.unit_text

    def _no_unit(self, table: TomlTable, key: str, example: str) -> None:
        table.fault([key], "missing-unit", f"`{key}` has no unit", example)

    def _numbered(self, column: str) -> str | int:
        word, _, number = column.strip().partition(" ")
        if word.lower() == "column" and number.strip().isascii() and number.strip().isdigit():
            return int(number)
        return column.strip()
