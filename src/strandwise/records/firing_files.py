"""The firings' files as dataclasses."""

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
    TEST_FIELD,
    Field,
    PressureScale,
    field_named,
)
from strandwise.records.model import EventOverrides, Firing, Gas, Summary
from strandwise.records.textfiles import read_text
from strandwise.records.tomltable import describe, parse_toml_table
from strandwise.records.trace_tables import read_trace_table
from strandwise.units import Kind

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Instrument
    from strandwise.records.tomltable import TomlTable

__all__ = ["parse_firing", "read_firing"]

_SIZES = sorted({field.name for fields in GRAIN_FIELDS.values() for field in fields})
_TABLE_FIELDS = (
    Field(name="web", help="burnt depths", kind=Kind.LENGTH, at_least=0.0),
    Field(name="area", help="burning area at each depth", kind=Kind.AREA, at_least=0.0),
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
    _check_name(table, path.stem)
    reader = _FiringReader(table, folder, instruments)
    return reader.read(path.stem), table.findings, table.remarks


def _check_name(table: TomlTable, stem: str) -> None:
    try:
        name = TEST_FIELD.parse(stem, table.scale)
    except UnitError as error:
        table.fault(
            [],
            "bad-name",
            f"the file's name: {error.message}",
            error.expected,
            "the file is named after its test: rename it",
        )
        return
    if name != stem:
        table.fault(
            [],
            "bad-name",
            f"the file's name has a blank at an end: `{stem}`",
            f"`{name}.toml`",
            "rename the file",
        )


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
        ambient_field = field_named(FIRING_FIELDS, "ambient_pressure")
        assert ambient_field is not None
        ambient = top.with_scale(PressureScale()).value(ambient_field)
        if isinstance(ambient, float):
            self.top = top = top.with_scale(PressureScale(top.scale.readings, ambient))
        fields = [f for f in FIRING_FIELDS if f is not ambient_field]
        values: dict[str, Any] = top.read(fields, others=(*tables, "ambient_pressure"))
        grain = self._grain()
        nozzle = self._nozzle()
        trace_table = top.table("trace")
        trace = (
            None
            if trace_table is None
            else read_trace_table(trace_table, self.folder, self.instruments)
        )
        summary = self._summary()
        if not any(key in top.values or top.seems_misspelt(key) for key in ("trace", "summary")):
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
            if "grain" not in self.top.values and not self.top.seems_misspelt("grain"):
                self.top.fault(
                    ["grain"],
                    "missing-table",
                    "there is no [grain]",
                    'a table [grain] with shape = "hollow-cylinder" and its sizes',
                )
            return None
        before = len(table.findings)
        shape = table.values.get("shape")
        if not isinstance(shape, str) or shape not in GRAIN_FIELDS:
            self._refuse_shape(table, shape)
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

    def _refuse_shape(self, table: TomlTable, shape: object) -> None:
        wanted = " or ".join(f'"{known}"' for known in GRAIN_FIELDS)
        if shape is not None:
            table.fault(["shape"], "bad-value", f"{describe(shape)} is no shape of a grain", wanted)
            return
        table.check_keys(["shape", "inhibited", "web", "area", *_SIZES])
        if not table.seems_misspelt("shape"):
            table.fault(["shape"], "missing-field", "`shape` is missing", wanted)

    def _inhibited(self, table: TomlTable) -> frozenset[str]:
        raw = table.values.get("inhibited", [])
        faces = [raw] if isinstance(raw, str) else raw
        if not isinstance(faces, list) or not all(
            isinstance(face, str) and face in FACES for face in faces
        ):
            table.fault(
                ["inhibited"],
                "bad-value",
                f"`inhibited` names something else than faces of the grain: {_listed(raw)}",
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


def _listed(raw: object) -> str:
    if isinstance(raw, list) and raw:
        return ", ".join(describe(item) for item in raw[:5])
    return describe(raw)
