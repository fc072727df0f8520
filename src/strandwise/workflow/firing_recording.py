"""A new firing into its own file, with its raw traces and their digests."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from strandwise.errors import RecordsError, RequestError
from strandwise.findings import Finding, Source
from strandwise.records import (
    LARGEST_TRACE,
    STRAND_FIELDS,
    Comparison,
    campaign_lock,
    compose_firing,
    entry_alike,
    journal_of,
    kind_of,
    parse_firing,
    read_plain,
    sha256_of,
    unlikely_firing,
    unnamed_zeros_among,
)
from strandwise.workflow.firing_sizes import sizes_of_firing, void_free_density_of_batch
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
from strandwise.workflow.trace_sizes import unlikely_trace
from strandwise.workflow.traces import trace_problems_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from strandwise.records import CampaignFolder, Firing
    from strandwise.workflow.firing_sizes import FiringSizes

__all__ = ["FiringPreview", "log_firing", "preview_firing"]


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
        As for `strandwise.workflow.recording.log_batch`.
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
        As for `strandwise.workflow.recording.log_batch`; also if a file of that name exists, or a
        trace cannot be read.
    """
    raws = _raw_traces(folder, test, raw_trace, channel_traces)
    if not confirmed:
        refuse_unlikely(_sound_firing(folder, test, tables, raws).unlikely, confirmed=False)
    path = folder.firing(test)
    with campaign_lock(folder):
        sound = _sound_firing(folder, test, tables, raws, judged=False)
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
        target = entry_alike(target) or target
        try:
            kind = kind_of(raw)
            if kind != "a plain file":
                msg = f"the trace {raw} " + ("does not exist" if kind is None else f"is {kind}")
                raise RequestError(msg, expected="the file that the logger wrote")
            content = read_plain(raw, LARGEST_TRACE)
            is_kept = kind_of(target) == "a plain file" and (
                read_plain(target, LARGEST_TRACE) == content
            )
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


def _with_raw_files(firing: Firing, raws: Mapping[str, _RawTrace]) -> Firing:
    return _with_files(firing, {key: raw.path for key, raw in raws.items()})


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
    *,
    judged: bool = True,
) -> _SoundFiring:
    """The firing and the text of its file, if it may be added; called before the lock too.

    Where it is not `judged`, nothing is called unlikely: that was said before the lock.
    """
    campaign, reading = read_for_logging(folder)
    parse_texts(STRAND_FIELDS[:1], {"test": test}, pressure_scale(campaign))
    path = folder.firing(test)
    taken = {s.test: s.source for s in campaign.strands}
    taken |= {f.test: f.source for f in campaign.firings}
    other = entry_alike(path)
    if other is not None:
        taken.setdefault(other.stem, Source(folder.shown(other)))
    refuse_taken("test", test, taken)
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
    refuse_faulty(changed, folder, reading)
    _refuse_unknown_columns(firing, raws)
    void_free = void_free_density_of_batch(campaign, firing.batch)
    unlikely: list[Finding] = []
    if judged:
        comparison = Comparison(campaign)
        seen = dataclasses.replace(firing, source=Source(NEW_RECORD))
        unlikely += unlikely_firing(seen, void_free, comparison)
        unlikely += unlikely_trace(_with_raw_files(seen, raws), comparison)
        read = {f"summary.{name}": text for name, text in tables.get("summary", {}).items()}
        unlikely += unnamed_zeros_among(read, seen.source, campaign, folder)
    return _SoundFiring(firing, text, void_free, tuple(unlikely))


def _refuse_unknown_columns(firing: Firing, raws: Mapping[str, _RawTrace]) -> None:
    firing = _with_raw_files(firing, raws)
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
