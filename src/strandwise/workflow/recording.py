"""Keeping a campaign's files: checking and appending records."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from strandwise.errors import RecordsError, RequestError, UnitError, UnlikelyError
from strandwise.findings import Finding, Source
from strandwise.records import (
    BATCH_FIELDS,
    LARGEST_TRACE,
    STRAND_FIELDS,
    WHOLE_FILE_CODES,
    Batch,
    CampaignFolder,
    StrandReading,
    append_record,
    campaign_lock,
    compose_firing,
    implausible,
    implausible_firing,
    journal_of,
    open_table,
    parse_firing,
    problems_of,
    read_campaign,
    read_plain,
    refuse_open_in_spreadsheet,
    sha256_of,
    timing_fault,
    written_names,
)
from strandwise.workflow.firing_sizes import sizes_of_firing, void_free_density_of_batch
from strandwise.workflow.opening import pressure_scale
from strandwise.workflow.traces import trace_problems_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from strandwise.records import Campaign, CampaignReading, Field, Firing, PressureScale
    from strandwise.workflow.firing_sizes import FiringSizes

__all__ = [
    "NEW_RECORD",
    "FiringPreview",
    "Logged",
    "log_batch",
    "log_firing",
    "log_strand",
    "parse_texts",
    "preview_firing",
    "read_for_logging",
]

NEW_RECORD = "the new record"
"""Path in the source of findings on a record that is not written yet."""


@dataclass(frozen=True, slots=True)
class Logged:
    """A record that was written.

    Parameters
    ----------
    record
        As it reads back.
    file
        Where it stands, relative to the bench folder.
    """

    record: Batch | StrandReading | Firing
    file: str


@dataclass(frozen=True, slots=True)
class FiringPreview:
    """A firing as it was understood, before it is written.

    Parameters
    ----------
    firing
        The record.
    sizes
        What its sizes come to.
    unlikely
        What is possible but not likely in it.
    """

    firing: Firing
    sizes: FiringSizes
    unlikely: tuple[Finding, ...]


def read_for_logging(folder: CampaignFolder) -> tuple[Campaign, CampaignReading]:
    """Read a campaign that is to get a new record; faults elsewhere in it do not stand in the way.

    Raises
    ------
    RecordsError
        `campaign.toml` itself is at fault, so that readings cannot be understood.
    """
    reading = read_campaign(folder)
    # A baseline without a recipe yet is no reason not to record.
    shown = folder.shown(folder.settings)
    faults = [
        problem
        for problem in reading.problems
        if problem.source.path == shown and problem.code != "unknown-formulation"
    ]
    if faults or reading.campaign is None:
        raise RecordsError(faults or reading.problems)
    return reading.campaign, reading


def parse_texts(
    fields: Sequence[Field], texts: Mapping[str, str], scale: PressureScale
) -> dict[str, Any]:
    """Values in SI of texts by field name; blank texts are left out.

    Raises
    ------
    RecordsError
        At least one text is not of its field's form; the error carries all such.
    """
    values: dict[str, Any] = {}
    findings = []
    for field in fields:
        text = texts.get(field.name, "").strip()
        if not text:
            continue
        try:
            values[field.name] = field.parse(text, scale)
        except UnitError as error:
            source = Source(NEW_RECORD, None, field.name)
            findings.append(Finding(source, "bad-value", error.message, error.expected, error.hint))
    if findings:
        raise RecordsError(findings)
    return values


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
        _append(folder, f"log batch {batch.batch}", batch, BATCH_FIELDS, campaign)
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
    _refuse_taken(
        "batch",
        batch.batch,
        written_names(folder.batches, shown, BATCH_FIELDS, "batch", within=folder.bench),
    )
    changed = dataclasses.replace(campaign, batches={**campaign.batches, batch.batch: batch})
    _refuse_faulty(changed, folder, reading)
    _refuse_unlikely(implausible(batch, BATCH_FIELDS), confirmed=confirmed)
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
        _append(folder, f"log strand {strand.test}", strand, STRAND_FIELDS, campaign)
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
        _refuse_taken("test", strand.test, taken)
    changed = dataclasses.replace(campaign, strands=(*campaign.strands, strand))
    _refuse_faulty(changed, folder, reading)
    _refuse_unlikely(implausible(strand, STRAND_FIELDS), confirmed=confirmed)
    _refuse_faulty_table(folder, folder.strands, STRAND_FIELDS, campaign)
    return campaign, strand


def preview_firing(
    folder: CampaignFolder,
    test: str,
    tables: Mapping[str, Any],
    *,
    raw_trace: Path | None,
    channel_traces: Mapping[str, Path] | None = None,
) -> FiringPreview:
    """Read a new firing as `log_firing` will, and touch no file.

    Parameters
    ----------
    folder, test, tables, raw_trace, channel_traces
        As of `log_firing`.

    Raises
    ------
    RecordsError, RequestError
        As of `log_firing`, but for what is not likely, which is in the answer.
    """
    raws = _raw_traces(folder, test, raw_trace, channel_traces)
    sound = _sound_firing(folder, test, tables, raws)
    sizes = sizes_of_firing(sound.firing, sound.void_free_density)
    return FiringPreview(sound.firing, sizes, sound.unlikely)


def log_firing(
    folder: CampaignFolder,
    test: str,
    tables: Mapping[str, Any],
    *,
    raw_trace: Path | None,
    channel_traces: Mapping[str, Path] | None = None,
    confirmed: bool,
) -> Logged:
    """Write a firing's file, and keep its raw traces with their digests.

    Parameters
    ----------
    folder, confirmed
        As for `log_batch`.
    test
        Name of the test, and of the file.
    tables
        Content of the file: keys and tables of texts, as a person would write them.
    raw_trace
        Logger file to be copied into `traces/`; None where there is none, or where it is there
        already and `tables` name it.
    channel_traces
        By channel, ``pressure`` or ``thrust``: its own logger file, to be copied likewise.

    Raises
    ------
    RecordsError, RequestError
        As for `log_batch`; also if a file of that name exists, or a trace cannot be read.
    """
    raws = _raw_traces(folder, test, raw_trace, channel_traces)
    _refuse_unlikely(_sound_firing(folder, test, tables, raws).unlikely, confirmed=confirmed)
    path = folder.firing(test)
    with campaign_lock(folder):
        sound = _sound_firing(folder, test, tables, raws)
        _refuse_unlikely(sound.unlikely, confirmed=confirmed)
        firing = _with_files(sound.firing, {key: raw.target for key, raw in raws.items()})
        added = [(raw.target, raw.content) for raw in raws.values() if not raw.is_kept]
        journal_of(folder).change(
            f"log firing {test}", path, _encoded(sound.text), raw=added, is_new=True
        )
    return Logged(firing, folder.shown(path))


def _encoded(text: str) -> bytes:
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError as error:
        msg = f"the record holds a sign that a text file cannot keep: {error.object[error.start]!a}"
        raise RequestError(msg, hint="write the text again; nothing was changed") from error


@dataclass(frozen=True, slots=True)
class _RawTrace:
    """A logger file that is to be kept as `target`, where it may be already."""

    path: Path
    content: bytes
    target: Path
    is_kept: bool

    @classmethod
    def read(cls, folder: CampaignFolder, name: str, raw: Path) -> _RawTrace:
        target = folder.traces / f"{name}{raw.suffix.lower()}"
        try:
            if not raw.is_file():
                what = "is not a plain file" if raw.exists() else "does not exist"
                what = "is a folder" if raw.is_dir() else what
                msg = f"the trace {raw} {what}"
                raise RequestError(msg, expected="the file that the logger wrote")
            content = read_plain(raw, LARGEST_TRACE)
            is_kept = target.is_file() and read_plain(target, LARGEST_TRACE) == content
        except OSError as error:
            msg = f"the trace {raw} cannot be read: {error.strerror}"
            raise RequestError(msg, expected="a file that can be read") from error
        return cls(raw, content, target, is_kept)


_WHOLE = ""  # stands for the trace itself where its channels are keys


def _raw_traces(
    folder: CampaignFolder,
    test: str,
    raw_trace: Path | None,
    channel_traces: Mapping[str, Path] | None,
) -> dict[str, _RawTrace]:
    """The logger files that are to be kept, by channel."""
    raws = {}
    if raw_trace is not None:
        raws[_WHOLE] = _RawTrace.read(folder, test, raw_trace)
    for channel, path in (channel_traces or {}).items():
        raws[channel] = _RawTrace.read(folder, f"{test}-{channel}", path)
    return raws


def _with_files(firing: Firing, files: Mapping[str, Path]) -> Firing:
    """A firing whose trace and channels are in the files given."""
    trace = firing.trace
    if trace is None or not files:
        return firing
    changes: dict[str, Any] = {}
    for key, path in files.items():
        if key == _WHOLE:
            changes["file"] = path
        elif (channel := getattr(trace, key)) is not None:
            changes[key] = dataclasses.replace(channel, file=path)
    return dataclasses.replace(firing, trace=dataclasses.replace(trace, **changes))


@dataclass(frozen=True, slots=True)
class _SoundFiring:
    """A firing that may be added, the text of its file, and what is not likely in it."""

    firing: Firing
    text: str
    void_free_density: float | None
    unlikely: tuple[Finding, ...]


def _sound_firing(
    folder: CampaignFolder,
    test: str,
    tables: Mapping[str, Any],
    raws: Mapping[str, _RawTrace],
) -> _SoundFiring:
    """The firing and the text of its file, if it may be added; for the calls see `_sound_batch`."""
    campaign, reading = read_for_logging(folder)
    parse_texts(STRAND_FIELDS[:1], {"test": test}, pressure_scale(campaign))
    path = folder.firing(test)
    taken = {s.test: s.source for s in campaign.strands}
    taken |= {f.test: f.source for f in campaign.firings}
    if path.exists():
        taken.setdefault(test, Source(folder.shown(path)))
    _refuse_taken("test", test, taken)
    for raw in raws.values():
        if not raw.is_kept and raw.target.exists():
            msg = f"{folder.shown(raw.target)} exists already, with another content"
            raise RequestError(msg, hint="choose another name for the test; nothing was changed")
    content = _with_digests(folder, tables, raws)
    text = compose_firing(content)
    # A raw trace is written last; until then a file that is there stands in for it.
    for key in raws:
        trace = content.get("trace")
        if isinstance(trace, dict):
            (trace if key == _WHOLE else trace[key])["file"] = folder.settings.name
    firing, findings, _ = parse_firing(
        compose_firing(content), path, folder, pressure_scale(campaign), campaign.instruments
    )
    if findings or firing is None:
        raise RecordsError(
            [
                dataclasses.replace(f, source=Source(NEW_RECORD, None, f.source.field))
                for f in findings
            ]
        )
    marked = dataclasses.replace(firing, source=Source(NEW_RECORD))
    if raws:
        marked = dataclasses.replace(marked, trace=None)
    changed = dataclasses.replace(campaign, firings=(*campaign.firings, marked))
    _refuse_faulty(changed, folder, reading)
    _refuse_unknown_columns(firing, raws)
    void_free = void_free_density_of_batch(campaign, firing.batch)
    return _SoundFiring(firing, text, void_free, tuple(implausible_firing(firing, void_free)))


def _refuse_unknown_columns(firing: Firing, raws: Mapping[str, _RawTrace]) -> None:
    firing = _with_files(firing, {key: raw.path for key, raw in raws.items()})
    findings = trace_problems_of(dataclasses.replace(firing, source=Source(NEW_RECORD)))
    if findings:
        raise RecordsError(findings)


def _with_digests(
    folder: CampaignFolder, tables: Mapping[str, Any], raws: Mapping[str, _RawTrace]
) -> dict[str, Any]:
    """The tables with the files that are to be kept, and the digest of each file."""
    content = {
        key: dict(value) if isinstance(value, dict) else value for key, value in tables.items()
    }
    trace = content.get("trace")
    if not isinstance(trace, dict):
        return content
    for key in ("pressure", "thrust"):
        channel = trace.get(key)
        if key in raws:
            column = channel if isinstance(channel, dict) else {"column": channel}
            known = {name: value for name, value in column.items() if value is not None}
            trace[key] = {**known, **_kept(folder, raws[key])}
        elif isinstance(channel, dict) and "file" in channel:
            trace[key] = {**channel, **_digest_of(folder, channel["file"])}
    if _WHOLE in raws:
        kept = _kept(folder, raws[_WHOLE])
        content["trace"] = {"file": kept["file"], **trace, "sha256": kept["sha256"]}
    else:
        trace |= _digest_of(folder, trace.get("file", ""))
    return content


def _kept(folder: CampaignFolder, raw: _RawTrace) -> dict[str, str]:
    return {
        "file": raw.target.relative_to(folder.path).as_posix(),
        "sha256": hashlib.sha256(raw.content).hexdigest(),
    }


def _digest_of(folder: CampaignFolder, file: object) -> dict[str, str]:
    path = folder.path / str(file)
    # A file that cannot be read is a fault of the record, and found as such.
    with contextlib.suppress(OSError, ValueError):
        if path.is_file():
            return {"sha256": sha256_of(path)}
    return {}


def _append(
    folder: CampaignFolder,
    what: str,
    record: Batch | StrandReading,
    fields: Sequence[Field],
    campaign: Campaign,
) -> None:
    path = folder.batches if isinstance(record, Batch) else folder.strands
    append_record(
        path,
        folder.shown(path),
        record,
        fields,
        pressure_scale(campaign),
        units=campaign.settings.units,
        write=partial(journal_of(folder).change, what),
    )


def _refuse_taken(what: Literal["batch", "test"], name: str, taken: Mapping[str, Source]) -> None:
    """Refuse a taken name, or one that differs in capitals alone, which files may not tell."""
    other = next((known for known in taken if known.casefold() == name.casefold()), None)
    if name in taken:
        msg = f"{what} `{name}` exists already ({taken[name]})"
    elif other is not None:
        msg = f"{what} `{name}` differs from `{other}` only in capitals ({taken[other]})"
    else:
        return
    hint = "choose another name; nothing was changed"
    if what == "test":
        hint += " (one more timing wire of the same strand is logged with --wire)"
    raise RequestError(msg, hint=hint)


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


def _refuse_faulty(changed: Campaign, folder: CampaignFolder, reading: CampaignReading) -> None:
    findings = [
        finding
        for finding in problems_of(changed, folder, reading.problems)
        if finding.source.path == NEW_RECORD
    ]
    # Without its batches a test cannot be told from one of a batch that there is not.
    shown = folder.shown(folder.batches)
    findings += [
        finding
        for finding in reading.problems
        if finding.source.path == shown and finding.code in WHOLE_FILE_CODES
    ]
    if findings:
        raise RecordsError(findings)


def _refuse_faulty_table(
    folder: CampaignFolder, path: Path, fields: Sequence[Field], campaign: Campaign
) -> None:
    open_table(path, folder.shown(path), fields, units=campaign.settings.units)
    refuse_open_in_spreadsheet(path, folder.shown(path))


def _refuse_unlikely(found: Sequence[Finding] | Any, *, confirmed: bool) -> None:
    findings = list(found)
    if findings and not confirmed:
        raise UnlikelyError(findings)
