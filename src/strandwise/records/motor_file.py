"""The file of a motor that is to be forecast: `[grain]`, `[nozzle]`, `[gas]` and `[case]`."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from strandwise.errors import DataError, RecordsError
from strandwise.findings import Source
from strandwise.motor import Nozzle
from strandwise.records.fields import (
    NOTES_FIELD,
    TEMPERATURE_FIELD,
    Field,
    PressureScale,
    pressure_field,
    sd_field,
)
from strandwise.records.firing_fields import FIRING_FIELDS, GAS_FIELDS, NOZZLE_FIELDS
from strandwise.records.grain_tables import read_grain_table
from strandwise.records.model import Gas, GrainUncertainty
from strandwise.records.tomltable import read_toml_table

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.findings import Finding
    from strandwise.motor import Grain
    from strandwise.records.tomltable import TomlTable

__all__ = ["CASE_FIELDS", "MOTOR_FIELDS", "MOTOR_GAS_FIELDS", "MotorRecord", "read_motor"]

_AMBIENT = next(one for one in FIRING_FIELDS if one.name == "ambient_pressure")

MOTOR_FIELDS = (
    replace(TEMPERATURE_FIELD, help="of the propellant when the motor is fired"),
    replace(TEMPERATURE_FIELD, name="temperature_low", help="the coldest it may be fired at"),
    replace(TEMPERATURE_FIELD, name="temperature_high", help="the hottest it may be fired at"),
    Field(
        name="temperature_sensitivity",
        help="known relative rise of the burn rate per kelvin at constant pressure, such as 0.002",
        form="number",
        at_least=0.0,
        at_most=0.02,
    ),
    Field(
        name="temperature_sensitivity_sd",
        help="its standard uncertainty",
        form="number",
        at_least=0.0,
        at_most=0.02,
    ),
    NOTES_FIELD,
)
MOTOR_GAS_FIELDS = (*GAS_FIELDS, sd_field(GAS_FIELDS[0]))
CASE_FIELDS = (
    pressure_field(
        "pressure_limit", "highest pressure that the case is made for", plausible=(1e5, 5e7)
    ),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class MotorRecord:
    """A motor to be forecast, as drawn; SI units, absolute pressures, None where not stated.

    Parameters
    ----------
    name
        The file's, without its ending.
    grain, grain_uncertainty, free_volume, nozzle, gas
        As of a `Firing`; `throat_diameter_after` is what the throat is expected to grow to.
    characteristic_velocity_sd
        Standard uncertainty of c*, m/s.
    pressure_limit
        Highest absolute pressure that the case is made for, Pa.
    temperature, temperature_low, temperature_high
        Of the propellant, K.
    temperature_sensitivity, temperature_sensitivity_sd
        σ_p, 1/K.
    ambient_pressure
        Pa; None: the campaign's.
    """

    name: str
    grain: Grain
    nozzle: Nozzle
    grain_uncertainty: GrainUncertainty = field(default_factory=GrainUncertainty)
    free_volume: float | None = None
    gas: Gas = field(default_factory=Gas)
    characteristic_velocity_sd: float | None = None
    pressure_limit: float | None = None
    temperature: float | None = None
    temperature_low: float | None = None
    temperature_high: float | None = None
    temperature_sensitivity: float | None = None
    temperature_sensitivity_sd: float | None = None
    ambient_pressure: float | None = None
    notes: str = ""
    source: Source


def read_motor(path: Path, shown: str, scale: PressureScale) -> tuple[MotorRecord, list[Finding]]:
    """Read a motor's file.

    Parameters
    ----------
    path, shown
        The file, and its name in the findings.
    scale
        Zero of the campaign's pressure readings.

    Returns
    -------
    motor, remarks
        The remarks are of keys that nothing reads.

    Raises
    ------
    RecordsError
        The file cannot be read or has faults; the error carries them all.
    """
    table, findings = read_toml_table(path, shown, scale)
    if table is None:
        raise RecordsError(findings)
    motor = _read(table, path.stem)
    if motor is None or table.findings:
        raise RecordsError(sorted(table.findings, key=lambda finding: finding.source.sort_key))
    return motor, table.remarks


def _read(top: TomlTable, name: str) -> MotorRecord | None:
    ambient = top.with_scale(PressureScale()).value(_AMBIENT)
    if isinstance(ambient, float):
        top = top.with_scale(PressureScale(top.scale.readings, ambient))
    tables = ("grain", "nozzle", "gas", "case")
    values: dict[str, Any] = top.read(MOTOR_FIELDS, others=(*tables, "ambient_pressure"))
    _check_temperatures(top, values)
    reading = read_grain_table(top)
    nozzle = _nozzle(top)
    gas = _plain(top, "gas", MOTOR_GAS_FIELDS)
    case = _plain(top, "case", CASE_FIELDS)
    if reading is None or nozzle is None:
        return None
    c_star_sd = gas.pop("characteristic_velocity_sd", None)
    return MotorRecord(
        name=name,
        grain=reading.grain,
        grain_uncertainty=reading.uncertainty,
        free_volume=reading.free_volume,
        nozzle=nozzle,
        gas=Gas(**gas),
        characteristic_velocity_sd=c_star_sd,
        pressure_limit=case.get("pressure_limit"),
        ambient_pressure=ambient if isinstance(ambient, float) else None,
        source=Source(top.shown, 1),
        **values,
    )


def _check_temperatures(top: TomlTable, values: dict[str, Any]) -> None:
    low, high = values.get("temperature_low"), values.get("temperature_high")
    if low is not None and high is not None and low > high:
        top.fault(
            ["temperature_low"],
            "bad-range",
            f"temperature_low, {low - 273.15:.4g} °C, is above temperature_high, "
            f"{high - 273.15:.4g} °C",
            "the colder of the two first",
        )


def _plain(top: TomlTable, key: str, fields: tuple[Field, ...]) -> dict[str, Any]:
    table = top.table(key)
    return {} if table is None else dict(table.read(fields))


def _nozzle(top: TomlTable) -> Nozzle | None:
    table = top.table("nozzle")
    if table is None:
        if "nozzle" not in top.values and not top.seems_misspelt("nozzle"):
            top.fault(
                ["nozzle"],
                "missing-table",
                "there is no [nozzle]",
                "a table [nozzle] with a throat_diameter",
            )
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
