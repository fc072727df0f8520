"""Values that are possible but not likely: slips of a unit or of a decimal point."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.findings import Finding
from strandwise.motor import AreaTable, EndBurner, HollowCylinder, web
from strandwise.records.fields import FIRING_FIELDS, GRAIN_FIELDS, NOZZLE_FIELDS, SUMMARY_FIELDS
from strandwise.records.model import StrandReading
from strandwise.records.places import at_field

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from strandwise.findings import Source
    from strandwise.records.fields import Field
    from strandwise.records.model import Batch, Firing

__all__ = ["PLAUSIBLE_RATE", "implausible", "implausible_firing"]

_SHAPES = {HollowCylinder: "hollow-cylinder", EndBurner: "end-burner", AreaTable: "area-table"}

PLAUSIBLE_RATE = (1e-4, 0.1)
"""Burn rates that a strand or small motor may show, m/s; common practice, no source."""


def implausible(record: Batch | StrandReading, fields: Sequence[Field]) -> Iterator[Finding]:
    """Findings on the values of a record that lie outside what its fields call plausible."""
    yield from _unlikely_values(record, fields, record.source)
    if isinstance(record, StrandReading):
        time = record.time
        if time is None and record.frames and record.frame_rate:
            time = record.frames / record.frame_rate
        if time:
            yield from _unlikely_rate(record.length / time, record.source)


def implausible_firing(firing: Firing) -> Iterator[Finding]:
    """Findings on a firing's sizes, hand readings and burn rate that are not likely."""
    source = firing.source
    shape = _SHAPES[type(firing.grain)]
    yield from _unlikely_values(firing, FIRING_FIELDS, source)
    yield from _unlikely_values(firing.grain, GRAIN_FIELDS[shape], source, "grain")
    if firing.nozzle is not None:
        yield from _unlikely_values(firing.nozzle, NOZZLE_FIELDS, source, "nozzle")
    if firing.summary is not None:
        yield from _unlikely_values(firing.summary, SUMMARY_FIELDS, source, "summary")
        yield from _unlikely_rate(web(firing.grain) / firing.summary.burn_time, source)


def _unlikely_values(
    record: object, fields: Sequence[Field], source: Source, table: str = ""
) -> Iterator[Finding]:
    for field in fields:
        value = getattr(record, field.name, None)
        if value is None or field.plausible is None:
            continue
        low, high = field.plausible
        if not low <= value <= high:
            yield Finding(
                at_field(source, f"{table}.{field.name}" if table else field.name),
                "implausible",
                f"{field.name.replace('_', ' ')} of {field.shown(value)}",
                f"{field.shown(low)} to {field.shown(high)}",
                "look for a slip of the unit or of the decimal point",
            )


def _unlikely_rate(rate: float, source: Source) -> Iterator[Finding]:
    low, high = PLAUSIBLE_RATE
    if not low <= rate <= high:
        yield Finding(
            source,
            "implausible",
            f"burn rate of {rate * 1e3:.4g} mm/s",
            f"{low * 1e3:g} to {high * 1e3:g} mm/s",
            "look for a slip of the unit or of the decimal point",
        )
