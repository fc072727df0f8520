"""What every new record goes through before it is written, whatever its kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from strandwise.errors import RecordsError, RequestError, UnitError, UnlikelyError
from strandwise.findings import Finding, Source
from strandwise.records import WHOLE_FILE_CODES, fold_name, problems_of, read_campaign

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from strandwise.records import (
        Batch,
        Campaign,
        CampaignFolder,
        CampaignReading,
        Field,
        Firing,
        PressureScale,
        StrandReading,
    )

__all__ = [
    "NEW_RECORD",
    "Logged",
    "parse_texts",
    "read_for_logging",
    "refuse_faulty",
    "refuse_taken",
    "refuse_unlikely",
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


def refuse_taken(
    what: Literal["batch", "test"],
    name: str,
    taken: Mapping[str, Source],
    *,
    is_strand: bool = False,
) -> None:
    """Refuse a taken name, or one that differs in capitals alone, which files may not tell.

    Parameters
    ----------
    what, name
        The new record.
    taken
        Where the records of names in use are.
    is_strand
        Whether it is a strand, which may have several timing wires.

    Raises
    ------
    RequestError
        The name is taken.
    """
    other = next((known for known in taken if fold_name(known) == fold_name(name)), None)
    if name in taken:
        msg = f"{what} `{name}` exists already ({taken[name]})"
    elif other is not None:
        msg = f"{what} `{name}` differs from `{other}` only in capitals ({taken[other]})"
    else:
        return
    hint = "choose another name; nothing was changed"
    if is_strand:
        hint += " (one more timing wire of the same strand is logged with --wire)"
    raise RequestError(msg, hint=hint)


def refuse_faulty(changed: Campaign, folder: CampaignFolder, reading: CampaignReading) -> None:
    """Refuse what is at fault in the new record of a changed campaign.

    Parameters
    ----------
    changed
        The campaign with the record, whose source is `NEW_RECORD`.
    folder
        The campaign's.
    reading
        The campaign as it is on the disk.

    Raises
    ------
    RecordsError
        The record is at fault, or the batches that it may belong to cannot be read.
    """
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


def refuse_unlikely(found: Iterable[Finding], *, confirmed: bool) -> None:
    """Refuse what is possible but not likely.

    Raises
    ------
    UnlikelyError
        There is such a finding, and it is not confirmed.
    """
    findings = list(found)
    if findings and not confirmed:
        raise UnlikelyError(findings)
