"""`instruments.toml` as dataclasses."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from strandwise.findings import Finding
from strandwise.records.field import Field
from strandwise.records.model import Instrument
from strandwise.records.textfiles import read_text
from strandwise.records.tomltable import LARGEST_TOML, describe, parse_toml_table
from strandwise.units import Kind

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.records.field import PressureScale
    from strandwise.records.tomltable import TomlTable

__all__ = ["INSTRUMENT_KINDS", "RAW_UNITS", "parse_instruments", "read_instruments"]

RAW_UNITS = ("count", "V", "mV")
"""Units that only an instrument's calibration turns into force or pressure."""

INSTRUMENT_KINDS = {"load-cell": Kind.FORCE, "pressure-transducer": Kind.PRESSURE}
"""What each kind of instrument measures."""

_KEYS = ("kind", "reading_unit", "calibration", "resolution", "notes", "calibrated")
_READING = Field(name="reading", help="what was shown", form="number", required=True)


def read_instruments(
    path: Path, shown: str, scale: PressureScale, *, within: Path | None = None
) -> tuple[dict[str, Instrument], list[Finding], list[Finding]]:
    """Read the table of instruments; `scale` is for pressures in the calibrations.

    `within` is as of `read_text`.

    Returns
    -------
    instruments, findings, remarks
        By name; faults; unknown keys that nothing reads.
    """
    content = read_text(path, shown, within=within, most=LARGEST_TOML)
    if isinstance(content, Finding):
        return {}, [content], []
    return parse_instruments(content.text, shown, scale)


def parse_instruments(
    text: str, shown: str, scale: PressureScale
) -> tuple[dict[str, Instrument], list[Finding], list[Finding]]:
    """Read the text of a table of instruments as `read_instruments` reads the file."""
    table, findings = parse_toml_table(text, shown, scale)
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
    entry.check_keys(_KEYS)
    kind: Any = entry.values.get("kind")
    if not isinstance(kind, str) or kind not in INSTRUMENT_KINDS:
        if not entry.seems_misspelt("kind"):
            _refuse_kind(entry, kind)
        return None
    unit: Any = entry.values.get("reading_unit", "count")
    if unit not in RAW_UNITS:
        entry.fault(
            ["reading_unit"],
            "unknown-unit",
            f"{describe(unit)} is no raw reading of a logger",
            " or ".join(f'"{known}"' for known in RAW_UNITS),
        )
    pairs = _read_calibration(entry, INSTRUMENT_KINDS[kind])
    resolution = entry.value(
        Field(name="resolution", help="smallest step", kind=INSTRUMENT_KINDS[kind], above=0.0)
    )
    if len(entry.findings) > before:
        return None
    return Instrument(
        name=name,
        kind=kind,  # type: ignore[arg-type]
        reading_unit=unit,
        readings=tuple(pair["reading"] for pair in pairs),
        loads=tuple(pair["load"] for pair in pairs),
        resolution=resolution if isinstance(resolution, float) else None,
        source=entry.source(),
    )


def _refuse_kind(entry: TomlTable, kind: object) -> None:
    wanted = " or ".join(f'"{known}"' for known in INSTRUMENT_KINDS)
    if kind is None:
        entry.fault(["kind"], "missing-field", "`kind` is missing", wanted)
    else:
        entry.fault(["kind"], "bad-value", f"{describe(kind)} is no kind of instrument", wanted)


def _read_calibration(entry: TomlTable, kind: Kind) -> list[dict[str, Any]]:
    before = len(entry.findings)
    load = Field(name="load", help="what was applied", kind=kind, required=True)
    rows = entry.values.get("calibration")
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        if not entry.seems_misspelt("calibration"):
            entry.fault(
                ["calibration"],
                "missing-field" if rows is None else "bad-value",
                "`calibration` is missing" if rows is None else "`calibration` is no list of pairs",
                'calibration = [{ reading = 84120, load = "0 N" }, …]',
            )
        return []
    pairs: list[dict[str, Any]] = []
    for number, row in enumerate(rows, start=1):
        pair = entry.row("calibration", number, row).read((_READING, load))
        if len(pair) == 2:
            pairs.append(pair)
    if len(entry.findings) == before:
        _check_pairs(entry, pairs)
    return pairs


def _check_pairs(entry: TomlTable, pairs: list[dict[str, Any]]) -> None:
    for name, what in (("reading", "readings"), ("load", "loads")):
        if len({pair[name] for pair in pairs}) < 2:
            entry.fault(
                ["calibration"],
                "bad-value",
                f"the calibration has fewer than two different {what}",
                "at least two rows, with different readings and loads",
                "calibrate over the whole range that is used",
            )
            return
