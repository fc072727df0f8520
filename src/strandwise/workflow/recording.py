"""Batches and strands into their tables: checking and appending rows."""

from __future__ import annotations

import dataclasses
from functools import partial
from typing import TYPE_CHECKING

from strandwise.errors import RecordsError, RequestError
from strandwise.findings import Finding, Source
from strandwise.records import (
    BATCH_FIELDS,
    STRAND_FIELDS,
    Batch,
    Comparison,
    StrandReading,
    append_record,
    campaign_lock,
    implausible,
    journal_of,
    open_table,
    refuse_open_in_spreadsheet,
    timing_fault,
    unlikely_strand,
    unnamed_zeros_among,
    written_names,
)
from strandwise.workflow.new_record import (
    NEW_RECORD,
    Logged,
    parse_texts,
    read_for_logging,
    refuse_faulty,
    refuse_taken,
    refuse_unlikely,
)
from strandwise.workflow.opening import pressure_scale

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from strandwise.records import Campaign, CampaignFolder, Field

__all__ = ["log_batch", "log_strand"]


def log_batch(folder: CampaignFolder, texts: Mapping[str, str], *, confirmed: bool) -> Logged:
    """Append a batch to `batches.csv`.

    Parameters
    ----------
    folder
        The campaign's.
    texts
        What the user wrote, by field name.
    confirmed
        Whether values that are not likely are meant.

    Raises
    ------
    RecordsError
        A text, or the file, is at fault.
    UnlikelyError
        A value is not likely and not confirmed.
    RequestError
        There is such a batch already, or the file cannot be written.
    """
    _sound_batch(folder, texts, confirmed=confirmed)
    with campaign_lock(folder):
        campaign, batch = _sound_batch(folder, texts, confirmed=confirmed)
        _append(folder, f"log batch {batch.batch}", batch, BATCH_FIELDS, campaign, texts)
    return Logged(batch, folder.shown(folder.batches))


def _sound_batch(
    folder: CampaignFolder, texts: Mapping[str, str], *, confirmed: bool
) -> tuple[Campaign, Batch]:
    """The campaign and the batch, if it may be added.

    Called before the lock is taken too, so that a refusal touches no file, not even the lock's.
    """
    campaign, reading = read_for_logging(folder)
    values = parse_texts(BATCH_FIELDS, texts, pressure_scale(campaign))
    batch = Batch(**values, source=Source(NEW_RECORD))
    shown = folder.shown(folder.batches)
    refuse_taken(
        "batch",
        batch.batch,
        written_names(folder.batches, shown, BATCH_FIELDS, "batch", within=folder.bench),
    )
    changed = dataclasses.replace(campaign, batches={**campaign.batches, batch.batch: batch})
    refuse_faulty(changed, folder, reading)
    units = campaign.settings.units
    refuse_unlikely(implausible(batch, BATCH_FIELDS, units), confirmed=confirmed)
    _refuse_faulty_table(folder, folder.batches, BATCH_FIELDS, campaign)
    return campaign, batch


def log_strand(
    folder: CampaignFolder, texts: Mapping[str, str], *, confirmed: bool, wire: bool = False
) -> Logged:
    """Append a strand reading to `strands.csv`.

    Parameters
    ----------
    folder, texts, confirmed
        As for `log_batch`.
    wire
        Whether this is one more timing wire of the strand logged last.

    Raises
    ------
    RecordsError, RequestError
        As for `log_batch`.
    """
    _sound_strand(folder, texts, confirmed=confirmed, wire=wire)
    with campaign_lock(folder):
        campaign, strand = _sound_strand(folder, texts, confirmed=confirmed, wire=wire)
        _append(folder, f"log strand {strand.test}", strand, STRAND_FIELDS, campaign, texts)
    return Logged(strand, folder.shown(folder.strands))


def _sound_strand(
    folder: CampaignFolder, texts: Mapping[str, str], *, confirmed: bool, wire: bool
) -> tuple[Campaign, StrandReading]:
    """The campaign and the strand, if it may be added; for the calls see `_sound_batch`."""
    campaign, reading = read_for_logging(folder)
    values = parse_texts(STRAND_FIELDS, texts, pressure_scale(campaign))
    fault = timing_fault(values)
    if fault is not None:
        raise RecordsError([Finding(Source(NEW_RECORD, None, fault[0]), "bad-timing", *fault[1:])])
    strand = StrandReading(**values, source=Source(NEW_RECORD))
    taken = written_names(
        folder.strands, folder.shown(folder.strands), STRAND_FIELDS, "test", within=folder.bench
    )
    taken |= {f.test: f.source for f in campaign.firings}
    if wire:
        _refuse_wire(strand.test, campaign)
    else:
        refuse_taken("test", strand.test, taken, is_strand=True)
    changed = dataclasses.replace(campaign, strands=(*campaign.strands, strand))
    refuse_faulty(changed, folder, reading)
    unlikely = [
        *unlikely_strand(strand, Comparison(campaign)),
        *unnamed_zeros_among(texts, strand.source, campaign, folder),
    ]
    refuse_unlikely(unlikely, confirmed=confirmed)
    _refuse_faulty_table(folder, folder.strands, STRAND_FIELDS, campaign)
    return campaign, strand


def _append(
    folder: CampaignFolder,
    what: str,
    record: Batch | StrandReading,
    fields: Sequence[Field],
    campaign: Campaign,
    texts: Mapping[str, str],
) -> None:
    path = folder.batches if isinstance(record, Batch) else folder.strands
    append_record(
        path,
        folder.shown(path),
        record,
        fields,
        pressure_scale(campaign),
        units=campaign.settings.units,
        typed=texts,
        write=partial(journal_of(folder).change, what),
    )


def _refuse_wire(test: str, campaign: Campaign) -> None:
    last = campaign.strands[-1].test if campaign.strands else None
    if test != last:
        known = f"`{last}`" if last else "none yet"
        msg = f"test `{test}` is not the strand that was logged last ({known})"
        raise RequestError(
            msg,
            expected="the wires of one strand one after the other",
            hint="nothing was changed; a new strand is logged without --wire",
        )


def _refuse_faulty_table(
    folder: CampaignFolder, path: Path, fields: Sequence[Field], campaign: Campaign
) -> None:
    open_table(path, folder.shown(path), fields, units=campaign.settings.units)
    refuse_open_in_spreadsheet(path, folder.shown(path))
