"""A campaign's files as one `Campaign`, with every fault found on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from strandwise.errors import RecordsError, UnitError
from strandwise.findings import Finding, Source
from strandwise.records.checks import REMARK_CHECKS, problems_of
from strandwise.records.csvtable import CsvTable, read_csv_table
from strandwise.records.fields import (
    BATCH_FIELDS,
    GAS_FIELDS,
    SETTINGS_FIELDS,
    STRAND_FIELDS,
    UNCERTAINTY_FIELDS,
    PressureScale,
)
from strandwise.records.firing_files import read_firing, read_instruments
from strandwise.records.folder import Bench, CampaignFolder, shipped
from strandwise.records.formulation_files import read_formulations, read_ingredients
from strandwise.records.model import (
    Batch,
    Campaign,
    Gas,
    ReadingUncertainty,
    Settings,
    StrandReading,
)
from strandwise.records.tomltable import read_toml_table
from strandwise.units import standard_atmosphere_pressure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.formulation import Ingredient
    from strandwise.records.csvtable import Row
    from strandwise.records.fields import Field, Value

__all__ = ["CampaignReading", "read_campaign"]

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class CampaignReading:
    """What a campaign's files hold.

    Parameters
    ----------
    campaign
        Every record without a fault; None where `campaign.toml` itself is at fault.
    problems
        Faults, sorted by file, line and field.
    remarks
        Things worth saying that are no faults, sorted alike.
    """

    campaign: Campaign | None
    problems: tuple[Finding, ...]
    remarks: tuple[Finding, ...]

    def sound(self) -> Campaign:
        """The campaign, if there is no fault in its files.

        Raises
        ------
        RecordsError
            There is one; the error carries them all.
        """
        if self.problems or self.campaign is None:
            raise RecordsError(self.problems)
        return self.campaign


def read_campaign(folder: CampaignFolder) -> CampaignReading:
    """Read all files of a campaign; faults are collected, never raised."""
    problems: list[Finding] = []
    remarks: list[Finding] = []

    def collect(found: tuple[_T, list[Finding], list[Finding]]) -> _T:
        problems.extend(found[1])
        remarks.extend(found[2])
        return found[0]

    bench = Bench(folder.bench)
    settings = collect(_read_settings(folder))
    scale = _scale(settings)
    ingredients: dict[str, Ingredient] = {}
    common = bench.ingredients
    if not common.exists():
        common = shipped("shared") / common.name
    own = folder.own_ingredients
    for path in (common, own) if own.exists() else (common,):
        ingredients |= collect(read_ingredients(path, folder.shown(path)))
    formulations = collect(
        read_formulations(folder.formulations, folder.shown(folder.formulations))
    )
    batches, found = _read_batches(folder, scale)
    problems += found
    strands, found = _read_strands(folder, scale)
    problems += found
    instruments = {}
    if bench.instruments.exists():
        instruments = collect(
            read_instruments(bench.instruments, folder.shown(bench.instruments), scale)
        )
    firings = []
    for path in sorted(folder.firings.glob("*.toml")) if folder.firings.is_dir() else ():
        firing = collect(read_firing(path, folder, scale, instruments))
        if firing is not None:
            firings.append(firing)
    campaign = None
    if settings is not None:
        campaign = Campaign(
            name=folder.name,
            path=folder.path,
            settings=settings,
            ingredients=ingredients,
            formulations=formulations,
            batches=batches,
            strands=tuple(strands),
            firings=tuple(firings),
            instruments=instruments,
        )
        problems = problems_of(campaign, folder, problems)
        for check in REMARK_CHECKS:
            remarks.extend(check(campaign, folder, problems))
    return CampaignReading(campaign, _sorted(problems), _sorted(remarks))


def _sorted(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(dict.fromkeys(findings), key=lambda finding: finding.source.sort_key))


def _scale(settings: Settings | None) -> PressureScale:
    if settings is None:
        return PressureScale()
    return PressureScale(settings.pressure_readings, settings.ambient_pressure)


def _read_settings(folder: CampaignFolder) -> tuple[Settings | None, list[Finding], list[Finding]]:
    table, findings = read_toml_table(folder.settings, folder.shown(folder.settings))
    if table is None:
        return None, findings, []
    late = [f for f in SETTINGS_FIELDS if f.name == "reference_pressure"]
    early = [f for f in SETTINGS_FIELDS if f not in late]
    values: dict[str, Any] = table.read(early, others=("reference_pressure", "uncertainty", "gas"))
    altitude = values.pop("altitude", None)
    if altitude is not None and "ambient_pressure" in values:
        table.fault(
            ["altitude"],
            "given-twice",
            "both `ambient_pressure` and `altitude` are given",
            "one of the two",
        )
    elif altitude is not None:
        values["ambient_pressure"] = standard_atmosphere_pressure(altitude)
    scale = PressureScale(
        values.get("pressure_readings", "absolute"), values.get("ambient_pressure")
    )
    reference = table.with_scale(scale).value(late[0])
    if reference is not None:
        values["reference_pressure"] = reference
    for key, fields, kind in (
        ("uncertainty", UNCERTAINTY_FIELDS, ReadingUncertainty),
        ("gas", GAS_FIELDS, Gas),
    ):
        below = table.table(key)
        if below is not None:
            values[key] = kind(**below.read(fields))  # type: ignore[arg-type]
    if "title" not in values or "baseline" not in values:
        return None, table.findings, table.remarks
    return Settings(**values), table.findings, table.remarks


def _read_batches(
    folder: CampaignFolder, scale: PressureScale
) -> tuple[dict[str, Batch], list[Finding]]:
    table, findings = read_csv_table(folder.batches, folder.shown(folder.batches), BATCH_FIELDS)
    batches: dict[str, Batch] = {}
    for row, values in _record_values(table, BATCH_FIELDS, scale, findings):
        assert table is not None
        batch = Batch(**values, source=table.source(row))
        if batch.batch in batches:
            findings.append(
                Finding(
                    table.source(row, "batch"),
                    "duplicate-batch",
                    f"batch `{batch.batch}` is already in line {batches[batch.batch].source.line}",
                    "one row a batch",
                )
            )
            continue
        batches[batch.batch] = batch
    return batches, findings


def _read_strands(
    folder: CampaignFolder, scale: PressureScale
) -> tuple[list[StrandReading], list[Finding]]:
    table, findings = read_csv_table(folder.strands, folder.shown(folder.strands), STRAND_FIELDS)
    if table is not None:
        names = {column.field.name for column in table.columns if column.field}
        if not names & {"time", "frames"}:
            findings.append(
                Finding(
                    Source(table.shown, table.header_line, "time"),
                    "missing-column",
                    "there is neither a column `time` nor `frames` with `frame_rate`",
                    "a heading such as `time (s)`",
                )
            )
            return [], findings
    strands = []
    for row, values in _record_values(table, STRAND_FIELDS, scale, findings):
        assert table is not None
        fault = _timing_fault(values)
        if fault is not None:
            findings.append(Finding(table.source(row, fault[0]), "bad-timing", *fault[1:]))
            continue
        strands.append(StrandReading(**values, source=table.source(row)))
    return strands, findings


def _timing_fault(values: dict[str, Any]) -> tuple[str, str, str] | None:
    has_time, has_frames = "time" in values, "frames" in values
    if has_time and has_frames:
        return "frames", "both a time and frames are given", "one of the two"
    if not has_time and not has_frames:
        return "time", "there is neither a time nor a number of frames", "one of the two"
    if has_frames and "frame_rate" not in values:
        return "frame_rate", "frames without a frame rate", "frame_rate, such as 240 1/s"
    return None


def _record_values(
    table: CsvTable | None,
    fields: Sequence[Field],
    scale: PressureScale,
    findings: list[Finding],
) -> list[tuple[Row, dict[str, Any]]]:
    """Rows without a fault as values in SI by field; the faults of the others are added."""
    if table is None:
        return []
    complete = not any(finding.code == "missing-column" for finding in findings)
    records = []
    for row in table.rows:
        values, faults = _row_values(table, row, scale)
        findings.extend(faults)
        required = all(f.name in values for f in fields if f.required)
        if complete and not faults and required:
            records.append((row, values))
    return records


def _row_values(
    table: CsvTable, row: Row, scale: PressureScale
) -> tuple[dict[str, Value], list[Finding]]:
    values: dict[str, Value] = {}
    faults: list[Finding] = []
    units = {c.field.name: c.unit for c in table.columns if c.field}
    for column, cell in zip(table.columns, row.cells, strict=True):
        field = column.field
        if field is None or not column.usable:
            continue
        here = table.source(row, column.heading)
        if not cell:
            if field.required:
                faults.append(
                    Finding(here, "missing-value", f"`{field.name}` is empty", field.help)
                )
            continue
        # A standard uncertainty counts in the unit of its reading unless it says otherwise.
        unit = column.unit or units.get(field.name.removesuffix("_sd"))
        try:
            values[field.name] = field.parse(cell, scale, unit)
        except UnitError as error:
            faults.append(Finding(here, "bad-value", error.message, error.expected, error.hint))
    return values, faults
