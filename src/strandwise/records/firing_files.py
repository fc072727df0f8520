"""The firings' files as dataclasses."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from strandwise.errors import DataError, UnitError
from strandwise.findings import Finding, Source
from strandwise.motor import Nozzle
from strandwise.records.field import PressureScale, field_named
from strandwise.records.fields import TEST_FIELD
from strandwise.records.firing_fields import (
    EVENT_FIELDS,
    FIRING_FIELDS,
    FIRING_TABLES,
    GAS_FIELDS,
    NOZZLE_FIELDS,
    SUMMARY_FIELDS,
)
from strandwise.records.grain_tables import read_grain_table
from strandwise.records.model import EventOverrides, Firing, Gas, Summary
from strandwise.records.textfiles import read_text
from strandwise.records.tomltable import LARGEST_TOML, parse_toml_table
from strandwise.records.trace_tables import read_trace_table

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.records.field import Field
    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Instrument
    from strandwise.records.tomltable import TomlTable

__all__ = ["parse_firing", "read_firing"]


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
    content = read_text(path, folder.shown(path), within=folder.bench, most=LARGEST_TOML)
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
    table = table.with_homes(FIRING_TABLES)
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
        ambient = top.with_scale(PressureScale(units=top.scale.units)).value(ambient_field)
        if isinstance(ambient, float):
            self.top = top = top.with_scale(replace(top.scale, ambient=ambient))
        fields = [f for f in FIRING_FIELDS if f is not ambient_field]
        values: dict[str, Any] = top.read(fields, others=(*tables, "ambient_pressure"))
        grain = read_grain_table(top)
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
            grain=grain.grain,
            grain_uncertainty=grain.uncertainty,
            offset_core=grain.offset_core,
            free_volume=grain.free_volume,
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
            table.size_fault("bad-nozzle", error)
            return None

    def _summary(self) -> Summary | None:
        table = self.top.table("summary")
        if table is None:
            return None
        before = len(table.findings)
        values: dict[str, Any] = table.read(SUMMARY_FIELDS)
        return Summary(**values) if len(table.findings) == before else None
