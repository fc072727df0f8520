"""`campaign.toml` as a dataclass."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from strandwise.errors import UnitError
from strandwise.findings import Finding
from strandwise.records.field import PressureScale, field_named, shorten
from strandwise.records.fields import FORMAT, SETTINGS_FIELDS, UNCERTAINTY_FIELDS
from strandwise.records.firing_fields import GAS_FIELDS
from strandwise.records.model import Gas, ReadingUncertainty, Settings
from strandwise.records.tomltable import read_toml_table
from strandwise.units import standard_atmosphere_pressure

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.records.tomltable import TomlTable

__all__ = ["SettingsReading", "read_settings", "settings_of"]

_PRESSURE_KEYS = ("ambient_pressure", "altitude", "pressure_readings")


@dataclass(frozen=True, slots=True)
class SettingsReading:
    """What `campaign.toml` says.

    Parameters
    ----------
    settings
        With an empty title or baseline where it is missing; None where the file cannot be read.
    complete
        Whether the required keys are there.
    scale
        Zero of the pressure readings.
    scale_known
        False where what the file says of it is at fault, so that readings cannot be understood.
    problems, remarks
        Faults; unknown keys that nothing reads.
    """

    settings: Settings | None
    complete: bool = False
    scale: PressureScale = field(default_factory=PressureScale)
    scale_known: bool = False
    problems: list[Finding] = field(default_factory=list)
    remarks: list[Finding] = field(default_factory=list)

    def speaking(self, units: str) -> SettingsReading:
        """The same, so that what is told of the other files is told in a choice of units."""
        settings = None if self.settings is None else replace(self.settings, units=units)
        return replace(self, settings=settings, scale=replace(self.scale, units=units))


def read_settings(path: Path, shown: str, *, within: Path | None = None) -> SettingsReading:
    """Read `campaign.toml`, named `shown` in the findings; `within` is as of `read_text`."""
    table, findings = read_toml_table(path, shown, within=within)
    return SettingsReading(None, problems=findings) if table is None else settings_of(table)


def settings_of(table: TomlTable) -> SettingsReading:
    """Read the content of `campaign.toml`."""
    stated = table.values.get("format")
    if isinstance(stated, int) and stated > FORMAT:
        # What a later version means by its other keys is not known.
        return SettingsReading(None, problems=[_newer_format(table, stated)])
    table = table.with_scale(PressureScale(units=_units_of(table))).with_homes(
        {"uncertainty": UNCERTAINTY_FIELDS, "gas": GAS_FIELDS, "": SETTINGS_FIELDS}
    )
    reference = field_named(SETTINGS_FIELDS, "reference_pressure")
    assert reference is not None
    values: dict[str, Any] = table.read(
        [f for f in SETTINGS_FIELDS if f is not reference],
        others=("reference_pressure", "uncertainty", "gas"),
    )
    _settle_ambient(table, values)
    values["readings_stated"] = "pressure_readings" in values
    scale = PressureScale(
        values.get("pressure_readings", "absolute"),
        values.get("ambient_pressure"),
        values.get("units", "metric"),
    )
    # What is quoted is no reading: a unit without a zero of its own is absolute here.
    pressure = table.with_scale(replace(scale, readings="absolute")).value(reference)
    if pressure is not None:
        values["reference_pressure"] = pressure
    uncertainty, gas = table.table("uncertainty"), table.table("gas")
    if uncertainty is not None:
        values["uncertainty"] = ReadingUncertainty(**uncertainty.read(UNCERTAINTY_FIELDS))  # type: ignore[arg-type]
    if gas is not None:
        values["gas"] = Gas(**gas.read(GAS_FIELDS))  # type: ignore[arg-type]
    at_fault = {finding.source.field for finding in table.findings}
    return SettingsReading(
        settings=Settings(**{"title": "", "baseline": "", **values}),
        complete="title" in values and "baseline" in values,
        scale=scale,
        scale_known=at_fault.isdisjoint(_PRESSURE_KEYS)
        and not any(table.seems_misspelt(key) for key in _PRESSURE_KEYS),
        problems=table.findings,
        remarks=table.remarks,
    )


def _units_of(table: TomlTable) -> str:
    """Choice of units in which faults are told, those of the settings themselves among them."""
    field, stated = field_named(SETTINGS_FIELDS, "units"), table.values.get("units")
    if field is None or not isinstance(stated, str):
        return "metric"
    try:
        return str(field.parse(stated, PressureScale()))
    except UnitError:  # told where it is read
        return "metric"


def _newer_format(table: TomlTable, stated: int) -> Finding:
    return Finding(
        table.source("format"),
        "newer-format",
        f"the campaign is of format {shorten(str(stated))}, which this program does not know",
        f"format {FORMAT} or none",
        "install a newer strandwise; nothing of the campaign was read or changed",
    )


def _settle_ambient(table: TomlTable, values: dict[str, Any]) -> None:
    """Put the ambient pressure in place of an altitude."""
    altitude = values.pop("altitude", None)
    if altitude is None:
        return
    if "ambient_pressure" in table.values:
        table.fault(
            ["altitude"],
            "given-twice",
            "both `ambient_pressure` and `altitude` are given",
            "one of the two",
            "keep ambient_pressure if a barometer was read",
        )
        return
    values["ambient_pressure"] = standard_atmosphere_pressure(altitude)
