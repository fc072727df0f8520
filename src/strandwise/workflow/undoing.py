"""Taking back the last change that the program made to a campaign's records."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import RecordsError, RequestError
from strandwise.records import journal_of, lock_of, read_campaign, shared_journal

if TYPE_CHECKING:
    from strandwise.records import Bench, CampaignFolder, Entry, Journal

__all__ = ["TakingBack", "campaign_taking_back", "shared_taking_back", "take_back"]


@dataclass(frozen=True, kw_only=True, slots=True)
class TakingBack:
    """What would be taken back, or was.

    Parameters
    ----------
    journal, entry
        Where it stands.
    file
        The record, relative to the bench folder.
    becomes
        ``changed`` or ``removed``, or ``written`` where it is not there now.
    lines
        Lines that go, marked ``-``, and that come, marked ``+``.
    traces
        Raw traces that get another name, and that name. No trace is deleted.
    """

    journal: Journal
    entry: Entry
    file: str
    becomes: str
    lines: tuple[str, ...]
    traces: tuple[tuple[str, str], ...] = ()


def campaign_taking_back(folder: CampaignFolder, *, again: bool) -> TakingBack:
    """What undoing takes back in a campaign; nothing is changed.

    Parameters
    ----------
    folder
        The campaign's.
    again
        Whether what was undone last is to be done again.

    Raises
    ------
    RequestError
        There is nothing, or the record was edited since.
    RecordsError
        The campaign is of a format that this program does not know.
    """
    newer = [p for p in read_campaign(folder).problems if p.code == "newer-format"]
    if newer:
        raise RecordsError(newer)
    return _taking_back(journal_of(folder), f"campaign `{folder.name}`", again=again)


def shared_taking_back(bench: Bench, *, again: bool) -> TakingBack:
    """As `campaign_taking_back`, in the tables that campaigns share."""
    return _taking_back(shared_journal(bench), "the shared tables", again=again)


def take_back(found: TakingBack) -> None:
    """Take it back.

    Raises
    ------
    RequestError
        Something was changed in the meantime, or cannot be written; all is then as it was.
    """
    with lock_of(found.journal):
        found.journal.take_back(found.entry)


def _taking_back(journal: Journal, where: str, *, again: bool) -> TakingBack:
    entry = journal.next_redo() if again else journal.next_undo()
    if entry is None:
        msg = f"there is nothing to {'do again' if again else 'undo'} in {where}"
        hint = "only changes made by the program are kept, and the older of them are forgotten"
        raise RequestError(msg, hint="" if again else hint)
    journal.refuse_if_edited(entry)
    now, then = journal.new_text(entry)
    becomes = "removed" if then is None else "changed" if now is not None else "written"
    lines = tuple(
        line
        for line in difflib.unified_diff(
            (now or "").splitlines(), (then or "").splitlines(), n=0, lineterm=""
        )
        if not line.startswith(("---", "+++", "@@"))
    )
    return TakingBack(
        journal=journal,
        entry=entry,
        file=journal.shown_record(entry),
        becomes=becomes,
        lines=lines,
        traces=tuple(journal.traces_renamed(entry)),
    )
