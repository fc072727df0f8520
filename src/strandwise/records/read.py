"""A campaign's files as one `Campaign`, with every fault found on the way."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

from strandwise.errors import RecordsError, RequestError
from strandwise.findings import Finding, Source
from strandwise.records.alike_checks import files_in_other_capitals
from strandwise.records.checks import REMARK_CHECKS, problems_of
from strandwise.records.csvrecords import record_values, timing_fault
from strandwise.records.csvtable import read_csv_table
from strandwise.records.field import PressureScale
from strandwise.records.fields import BATCH_FIELDS, STRAND_FIELDS
from strandwise.records.firing_files import read_firing
from strandwise.records.folder import Bench, CampaignFolder, is_editors_copy
from strandwise.records.formulation_files import read_all_ingredients, read_formulations
from strandwise.records.instrument_files import read_instruments
from strandwise.records.journal import journal_of
from strandwise.records.model import Batch, Campaign, Firing, Instrument, Settings, StrandReading
from strandwise.records.places import with_lines
from strandwise.records.settings_files import SettingsReading, read_settings
from strandwise.records.textfiles import WHOLE_FILE_CODES, is_absent

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path


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

    def remarking(self, found: Iterable[Finding]) -> CampaignReading:
        """The same with further remarks among the others."""
        return replace(self, remarks=_sorted((*self.remarks, *found)))


@dataclass(slots=True)
class _Notes:
    """Faults and remarks collected while the files are read."""

    problems: list[Finding] = field(default_factory=list)
    remarks: list[Finding] = field(default_factory=list)

    def keep(self, found: tuple[_T, list[Finding], list[Finding]]) -> _T:
        """Keep the findings of a file and return its content."""
        self.problems.extend(found[1])
        self.remarks.extend(found[2])
        return found[0]


def read_campaign(folder: CampaignFolder, *, units: str | None = None) -> CampaignReading:
    """Read all files of a campaign; faults are collected, never raised.

    Parameters
    ----------
    folder
        The campaign's.
    units
        Choice of units in which faults and remarks are told; None: the campaign's.
    """
    notes = _Notes()
    told = read_settings(folder.settings, folder.shown(folder.settings), within=folder.bench)
    told = told if units is None else told.speaking(units)
    notes.problems += told.problems
    notes.remarks += told.remarks
    if any(problem.code == "newer-format" for problem in told.problems):
        return CampaignReading(None, tuple(told.problems), ())
    ingredients = notes.keep(read_all_ingredients(folder))
    formulations = notes.keep(
        read_formulations(
            folder.formulations, folder.shown(folder.formulations), within=folder.bench
        )
    )
    strands = notes.keep((*_read_strands(folder, told.scale), []))
    instruments, firings = _read_firings(folder, told.scale, notes)
    # Without a test there is nothing to be of a batch, and the file may not be there yet.
    needed = bool(strands or firings)
    batches = notes.keep((*_read_batches(folder, told.scale, needed=needed), []))
    _keep_lost_files(folder, notes)
    campaign = Campaign(
        name=folder.name,
        path=folder.path,
        settings=told.settings or Settings(title="", baseline=""),
        ingredients=ingredients,
        formulations=formulations,
        batches=batches,
        strands=tuple(strands),
        firings=tuple(firings),
        instruments=instruments,
    )
    problems = problems_of(campaign, folder, _one_for_ambient(notes.problems, told, folder))
    for check in REMARK_CHECKS:
        notes.remarks += with_lines(check(campaign, folder, problems), folder)
    sound = told.settings is not None and told.complete
    return CampaignReading(campaign if sound else None, _sorted(problems), _sorted(notes.remarks))


def _keep_lost_files(folder: CampaignFolder, notes: _Notes) -> None:
    """Tell of files that are there under another name, once each."""
    problems, remarks = files_in_other_capitals(folder)
    try:
        lost = journal_of(folder).cut_short()
    except RequestError:
        lost = None
    if lost is not None:
        path, temporary = lost
        what = "the file is gone: the disk went away while it was being replaced"
        hint = f"all of it is in `{temporary.name}` beside it: rename that to `{path.name}`"
        problems.append(Finding(Source(folder.shown(path)), "file-missing", what, "", hint))
    told = {p.source.path for p in problems if p.code == "file-missing"}
    notes.problems = [
        p for p in notes.problems if p.code != "file-missing" or p.source.path not in told
    ]
    notes.problems += problems
    notes.remarks += remarks


def _sorted(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(dict.fromkeys(findings), key=lambda finding: finding.source.sort_key))


def _one_for_ambient(
    problems: Sequence[Finding], told: SettingsReading, folder: CampaignFolder
) -> list[Finding]:
    """Keep one finding for all gauge readings without an ambient pressure: they have one cause."""
    settings = folder.shown(folder.settings)
    kept: list[Finding] = []
    readings: list[Finding] = []
    for problem in problems:
        of_a_reading = problem.code == "no-ambient-pressure" and problem.source.path != settings
        (readings if of_a_reading else kept).append(problem)
    if not readings or not told.scale_known:
        return kept
    readings.sort(key=lambda finding: finding.source.sort_key)
    first = readings[0]
    if len(readings) > 1:
        first = replace(first, message=f"{first.message} (and {len(readings) - 1} more such)")
    return [*kept, first]


def _read_batches(
    folder: CampaignFolder, scale: PressureScale, *, needed: bool
) -> tuple[dict[str, Batch], list[Finding]]:
    if not needed and is_absent(folder.batches):
        return {}, []
    table, findings = read_csv_table(
        folder.batches, folder.shown(folder.batches), BATCH_FIELDS, within=folder.bench
    )
    if table is None:
        return {}, findings
    batches: dict[str, Batch] = {}
    read = record_values(table, BATCH_FIELDS, scale)
    findings += read.findings
    for row, values in read.records:
        batch = Batch(**values, source=table.source(row))
        if batch.batch in batches:
            findings.append(
                Finding(
                    table.source(row, "batch"),
                    "duplicate-batch",
                    f"batch `{batch.batch}` is already in line {batches[batch.batch].source.line}",
                    "one row a batch",
                    "delete one of them, or give it a name of its own",
                )
            )
            continue
        batches[batch.batch] = batch
    return batches, findings


def _read_strands(
    folder: CampaignFolder, scale: PressureScale
) -> tuple[list[StrandReading], list[Finding]]:
    # A campaign may be of firings alone.
    if is_absent(folder.strands):
        return [], []
    table, findings = read_csv_table(
        folder.strands, folder.shown(folder.strands), STRAND_FIELDS, within=folder.bench
    )
    if table is None:
        return [], findings
    names = {column.field.name for column in table.columns if column.field}
    if table.rows and not names & {"time", "frames"}:
        if not any(finding.code == "odd-heading" for finding in findings):
            findings.append(
                Finding(
                    Source(table.shown, table.header_line, "time"),
                    "missing-column",
                    "there is neither a column `time` nor `frames` with `frame_rate`",
                    "a heading such as `time (s)`",
                    "add the heading to this line, and the values below it",
                )
            )
        return [], findings
    read = record_values(table, STRAND_FIELDS, scale)
    findings += read.findings
    if read.unread & {"time", "frames", "frame_rate"}:
        return [], findings
    strands = []
    for row, values in read.records:
        fault = timing_fault(values)
        if fault is None:
            strands.append(StrandReading(**values, source=table.source(row)))
        else:
            findings.append(Finding(table.source(row, fault[0]), "bad-timing", *fault[1:]))
    return strands, findings


def _read_firings(
    folder: CampaignFolder, scale: PressureScale, notes: _Notes
) -> tuple[dict[str, Instrument], list[Firing]]:
    instruments: dict[str, Instrument] = {}
    faults: list[Finding] = []
    for path in (Bench(folder.bench).instruments, folder.own_instruments):
        if is_absent(path):
            continue
        read, wrong, remarks = read_instruments(
            path, folder.shown(path), scale, within=folder.bench
        )
        instruments |= read
        faults += wrong
        notes.remarks += remarks
    notes.problems += faults
    firings = []
    found = _Notes()
    for file in _firing_files(folder, found):
        firing = found.keep(read_firing(file, folder, scale, instruments))
        if firing is not None:
            firings.append(firing)
    notes.problems += [f for f in found.problems if not _is_explained(f, faults)]
    notes.remarks += found.remarks
    return instruments, firings


def _is_explained(finding: Finding, faults: Sequence[Finding]) -> bool:
    """Whether an instrument is unknown only because its own entry is at fault."""
    return finding.code == "unknown-instrument" and any(
        fault.code in WHOLE_FILE_CODES
        or f"`{(fault.source.field or '').partition('.')[0]}`" in finding.message
        for fault in faults
    )


def _firing_files(folder: CampaignFolder, notes: _Notes) -> list[Path]:
    """Files of the firings, sorted by name; hidden files are none."""
    if is_absent(folder.firings):
        return []
    try:
        entries = sorted(folder.firings.iterdir())
    except OSError as error:
        notes.problems.append(
            Finding(
                Source(folder.shown(folder.firings)),
                "not-a-folder",
                f"this cannot be read as a folder: {error.strerror or error}",
                "a folder with a file for each firing",
                "rename it, or look at its permissions",
            )
        )
        return []
    files = []
    for entry in entries:
        if is_editors_copy(entry):
            continue
        if entry.suffix.lower() == ".toml":
            files.append(entry)
        else:
            notes.remarks.append(
                Finding(
                    Source(folder.shown(entry)),
                    "unread-file",
                    f"`{entry.name}` is not read",
                    "files named TEST.toml",
                    "raw logger files belong into traces/",
                )
            )
    return files
