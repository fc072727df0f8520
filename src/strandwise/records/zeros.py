"""Pressures whose unit names no zero, in a campaign that writes the same unit as gauge elsewhere.

Such a reading counts as absolute, and is a slip as often as not: `150 psi` among readings in psig.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import UnitError
from strandwise.findings import Finding, Source
from strandwise.records.csvtable import read_csv_table
from strandwise.records.field import shorten
from strandwise.records.fields import STRAND_FIELDS
from strandwise.records.firing_fields import SUMMARY_FIELDS
from strandwise.records.tomltable import read_toml_table
from strandwise.units import Kind, parse_quantity, parse_unit, plain_si

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from strandwise.records.field import Field
    from strandwise.records.folder import CampaignFolder
    from strandwise.records.model import Campaign
    from strandwise.units import Unit

__all__ = ["unnamed_zeros", "unnamed_zeros_among"]


@dataclass(frozen=True, slots=True)
class _Reading:
    """A pressure as it is written, or a heading that gives its unit to those below it."""

    source: Source
    text: str
    unit: Unit


def unnamed_zeros(campaign: Campaign, folder: CampaignFolder) -> Iterator[Finding]:
    """A finding for each column or key in which a unit names no zero, where others name gauge.

    The columns of raw traces only count among the others: a gauge at rest shows its zero, which
    the reduction looks at. Nothing is said where `campaign.toml` states `pressure_readings`.
    """
    if campaign.settings.readings_stated:
        return
    readings = [*_of_strands(folder), *_of_summaries(campaign, folder)]
    gauge = _gauge([*readings, *_of_traces(campaign)])
    told: dict[tuple[str, str], list[_Reading]] = {}
    for one in readings:
        if one.unit.zero is None and one.unit.factor in gauge:
            name = (one.source.field or "").partition(" (")[0]
            told.setdefault((name, one.unit.symbol), []).append(one)
    for same in told.values():
        yield _finding(same[0], gauge[same[0].unit.factor], len(same) - 1)


def unnamed_zeros_among(
    texts: Mapping[str, object], source: Source, campaign: Campaign, folder: CampaignFolder
) -> list[Finding]:
    """Likewise of the texts of a new record at `source`, by field; others than pressures pass."""
    if campaign.settings.readings_stated:
        return []
    fields = {one.name for one in _pressures((*STRAND_FIELDS, *SUMMARY_FIELDS))}
    new = [
        reading
        for name, text in texts.items()
        if name.rpartition(".")[2] in fields and isinstance(text, str)
        for reading in _read(text, None, Source(source.path, source.line, name))
        if reading.unit.zero is None
    ]
    if not new:
        return []
    kept = (*_of_strands(folder), *_of_summaries(campaign, folder), *_of_traces(campaign))
    gauge = _gauge(kept)
    return [_finding(one, gauge[one.unit.factor]) for one in new if one.unit.factor in gauge]


def _finding(reading: _Reading, gauge: _Reading, more: int = 0) -> Finding:
    unit, named = reading.unit.symbol, gauge.unit.symbol
    others = f" (and {more} more such)" if more else ""
    there = Source(gauge.source.path, gauge.source.line)
    message = (
        f"`{shorten(reading.text)}` names no zero and counts as absolute{others}, while "
        f"`{shorten(gauge.text)}` ({there}) names gauge"
    )
    expected = f"`{named}` for a gauge reading, `{named.removesuffix('g')}a` for an absolute one"
    hint = (
        f"write which it is; or state pressure_readings in campaign.toml, which says what {unit} "
        "alone counts from"
    )
    return Finding(reading.source, "unnamed-zero", message, expected, hint)


def _gauge(readings: Iterable[_Reading]) -> dict[object, _Reading]:
    """The first reading that names gauge, by the size of its unit."""
    found: dict[object, _Reading] = {}
    for one in readings:
        if one.unit.zero == "gauge":
            found.setdefault(one.unit.factor, one)
    return found


def _pressures(fields: Iterable[Field]) -> list[Field]:
    return [one for one in fields if one.kind is Kind.PRESSURE and not one.is_difference]


def _read(text: str, unit: Unit | None, source: Source) -> list[_Reading]:
    """What is no pressure is told where it is read, and left out here."""
    try:
        return [_Reading(source, text, parse_quantity(text, Kind.PRESSURE, unit=unit).unit)]
    except UnitError:
        return []


def _of_strands(folder: CampaignFolder) -> Iterator[_Reading]:
    table, _ = read_csv_table(
        folder.strands, folder.shown(folder.strands), STRAND_FIELDS, within=folder.bench
    )
    wanted = _pressures(STRAND_FIELDS)
    for place, column in enumerate(() if table is None else table.columns):
        if table is None or column.field not in wanted:
            continue
        by_heading = column.unit is None
        for row in table.rows:
            cell = row.cells[place]
            if column.unit is not None and plain_si(cell, column.unit) is not None:
                if not by_heading:
                    by_heading = True
                    here = Source(table.shown, table.header_line, column.heading)
                    yield _Reading(here, column.heading, column.unit)
            elif cell:
                yield from _read(cell, column.unit, table.source(row, column.heading))


def _of_summaries(campaign: Campaign, folder: CampaignFolder) -> Iterator[_Reading]:
    names = [one.name for one in _pressures(SUMMARY_FIELDS)]
    for firing in campaign.firings:
        if firing.summary is None:
            continue
        path = firing.source.path
        top, _ = read_toml_table(folder.bench / path, path, within=folder.bench)
        summary = None if top is None else top.table("summary")
        if summary is None:
            continue
        for name in names:
            text = summary.values.get(name)
            if isinstance(text, str):
                yield from _read(text, None, summary.source(name))


def _of_traces(campaign: Campaign) -> Iterator[_Reading]:
    for firing in campaign.firings:
        channel = None if firing.trace is None else firing.trace.pressure
        if channel is not None and channel.instrument is None:
            place = Source(firing.source.path, None, "trace.pressure")
            unit = parse_unit(channel.unit, Kind.PRESSURE)
            yield _Reading(place, f"{channel.column} ({channel.unit})", unit)
