"""The file of a motor to be forecast: `[grain]`, `[nozzle]`, `[gas]`, `[case]`, `[erosion]`."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from strandwise.errors import DataError, RecordsError, UnitError
from strandwise.findings import Finding, Source
from strandwise.motor import ErosiveBurning, Nozzle, port_area
from strandwise.records.field import Field, PressureScale, pressure_field, sd_field
from strandwise.records.fields import NOTES_FIELD, TEMPERATURE_FIELD
from strandwise.records.firing_fields import (
    FIRING_FIELDS,
    FIRING_TABLES,
    GAS_FIELDS,
    NOZZLE_FIELDS,
)
from strandwise.records.folder import is_editors_copy
from strandwise.records.grain_tables import read_grain_table
from strandwise.records.model import Gas, GrainUncertainty
from strandwise.records.textfiles import is_absent
from strandwise.records.tomltable import read_toml_table
from strandwise.units import Kind, parse_quantity, wording_in

if TYPE_CHECKING:
    from pathlib import Path

    from strandwise.motor import Grain
    from strandwise.records.folder import CampaignFolder
    from strandwise.records.tomltable import TomlTable

__all__ = [
    "CASE_FIELDS",
    "EROSION_FIELDS",
    "MOTOR_FIELDS",
    "MOTOR_GAS_FIELDS",
    "MotorRecord",
    "motor_findings",
    "read_motor",
]

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

EROSION_FIELDS = (
    Field(
        name="threshold_flux",
        help="gas flux through the port from which the core burns faster, kg/(m²·s)",
        form="number",
        required=True,
        at_least=0.0,
        at_most=1e5,
    ),
    Field(
        name="coefficient",
        help="m/s of burn rate for each kg/(m²·s) beyond it, such as 1.8e-6",
        form="number",
        required=True,
        at_least=0.0,
        at_most=1e-3,
    ),
    Field(
        name="area_share",
        help="share of the burning area that does so, such as 0.3",
        form="number",
        required=True,
        above=0.0,
        at_most=1.0,
    ),
)

_TABLES = {
    "grain": FIRING_TABLES["grain"],
    "nozzle": NOZZLE_FIELDS,
    "gas": MOTOR_GAS_FIELDS,
    "case": CASE_FIELDS,
    "erosion": EROSION_FIELDS,
    "": (*MOTOR_FIELDS, _AMBIENT),
}
_LARGEST_SD = 0.15
_ATMOSPHERE = 101_325.0  # Pa, where no ambient pressure is recorded


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
    erosion
        How the gas stream hastens the burn, from its table [erosion].
    remarks
        Of keys that nothing reads.
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
    erosion: ErosiveBurning | None = None
    notes: str = ""
    remarks: tuple[Finding, ...] = ()
    source: Source


def read_motor(path: Path, shown: str, scale: PressureScale) -> MotorRecord:
    """Read a motor's file.

    Parameters
    ----------
    path, shown
        The file, and its name in the findings.
    scale
        Zero of the campaign's pressure readings.

    Raises
    ------
    RecordsError
        The file cannot be read or has faults; the error carries them all.
    """
    table, findings = read_toml_table(path, shown, scale)
    if table is None:
        raise RecordsError(findings)
    motor = _read(table.with_homes(_TABLES), path.stem)
    if motor is None or table.findings:
        raise RecordsError(sorted(table.findings, key=lambda finding: finding.source.sort_key))
    return replace(motor, remarks=tuple(table.remarks))


def motor_findings(
    folder: CampaignFolder, scale: PressureScale
) -> tuple[list[Finding], list[Finding]]:
    """Faults of all files in a campaign's folder `motors/`, and what is worth saying of them.

    Parameters
    ----------
    folder
        The campaign's; it need not have any motors.
    scale
        Zero of the campaign's pressure readings.
    """
    motors = folder.motors
    if is_absent(motors):
        return [], []
    problems: list[Finding] = []
    remarks: list[Finding] = []
    try:
        entries = sorted(motors.iterdir())
    except OSError as error:
        why = error.strerror or error
        problems.append(
            Finding(
                Source(folder.shown(motors)),
                "not-a-folder",
                f"this cannot be read as a folder: {why}",
                "a folder with a file for each motor",
                "rename it, or look at its permissions",
            )
        )
        return problems, remarks
    for path in entries:
        if is_editors_copy(path):
            continue
        shown = folder.shown(path)
        if path.suffix.lower() != ".toml":
            remarks.append(
                Finding(
                    Source(shown),
                    "unread-file",
                    f"`{path.name}` is not read",
                    "files named MOTOR.toml",
                    "other files belong elsewhere",
                )
            )
            continue
        try:
            remarks += read_motor(path, shown, scale).remarks
        except RecordsError as error:
            problems += error.findings
    return problems, remarks


def _read(top: TomlTable, name: str) -> MotorRecord | None:
    ambient = top.with_scale(PressureScale(units=top.scale.units)).value(_AMBIENT)
    if isinstance(ambient, float):
        top = top.with_scale(replace(top.scale, ambient=ambient))
    tables = ("grain", "nozzle", "gas", "case", "erosion")
    values: dict[str, Any] = top.read(MOTOR_FIELDS, others=(*tables, "ambient_pressure"))
    _check_temperatures(top, values)
    reading = read_grain_table(top)
    nozzle = _nozzle(top)
    gas = _plain(top, "gas", MOTOR_GAS_FIELDS)
    case = _plain(top, "case", CASE_FIELDS)
    _check_limit(top, case.get("pressure_limit"))
    erosion = _erosion(top)
    if reading is None or nozzle is None:
        return None
    _check_spreads(top)
    if erosion is not None and port_area(reading.grain) is None:
        top.fault(
            ["erosion"],
            "no-port",
            "[erosion] is stated of a grain without a core of known size",
            "a grain whose gas flows along a core, or no [erosion]",
        )
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
        erosion=erosion,
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
            f"temperature_low, `{top.values['temperature_low']}`, is above temperature_high, "
            f"`{top.values['temperature_high']}`",
            "the colder of the two first",
        )


def _check_spreads(top: TomlTable) -> None:
    """What may be off by a good part of itself is not known: draws of it would reach zero."""
    for key, fields in (
        ("grain", ("core_diameter", "outer_diameter", "length", "density")),
        ("nozzle", ("throat_diameter",)),
        ("gas", ("characteristic_velocity",)),
    ):
        stated = top.values.get(key)
        values = stated if isinstance(stated, dict) else {}
        for name in fields:
            texts = [values.get(name), values.get(f"{name}_sd")]
            size, sd = (_size(text) for text in texts)
            if size is not None and sd is not None and sd > _LARGEST_SD * size:
                top.fault(
                    [key, f"{name}_sd"],
                    "bad-value",
                    f"`{texts[1]}` is no standard uncertainty of a {name.replace('_', ' ')} of "
                    f"`{texts[0]}`",
                    f"less than {100.0 * _LARGEST_SD:.0f} % of it",
                    "about two thirds of such parts lie within one standard uncertainty",
                )


def _size(text: object) -> float | None:
    for kind in (Kind.LENGTH, Kind.DENSITY, Kind.VELOCITY) if isinstance(text, str) else ():
        with contextlib.suppress(UnitError):
            return parse_quantity(str(text), kind).si
    return None


def _check_limit(top: TomlTable, limit: float | None) -> None:
    ambient = top.scale.ambient or _ATMOSPHERE
    if limit is not None and limit <= ambient:
        told = wording_in(top.scale.units).press(limit)
        top.fault(
            ["case", "pressure_limit"],
            "bad-value",
            f"pressure_limit, {told} absolute, is not above that of the air",
            "the highest absolute pressure that the case is made for",
            "a gauge reading needs its unit, such as `barg` or `psig`",
        )


def _plain(top: TomlTable, key: str, fields: tuple[Field, ...]) -> dict[str, Any]:
    table = top.table(key)
    return {} if table is None else dict(table.read(fields))


def _erosion(top: TomlTable) -> ErosiveBurning | None:
    table = top.table("erosion")
    if table is None:
        return None
    values: dict[str, Any] = table.read(EROSION_FIELDS)
    if len(values) < len(EROSION_FIELDS):
        return None
    return ErosiveBurning(**values)


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
        table.size_fault("bad-nozzle", error)
        return None
