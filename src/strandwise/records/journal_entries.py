"""Entries of a journal: what one change took the place of, as a file of its own keeps it."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import Any, Literal

__all__ = ["Entry", "RawTrace", "entry_text", "read_entry", "settled"]

_LAYOUT = 1


@dataclass(frozen=True, slots=True)
class RawTrace:
    """A raw trace that came with a change.

    Parameters
    ----------
    file
        Where it is after the change, from the folder of the records.
    before
        Where it was before; None: not there.
    sha256
        Of its content, hex.
    """

    file: str
    before: str | None
    sha256: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """A change of one record.

    Parameters
    ----------
    number
        Counted up.
    time
        When, UTC, ISO 8601.
    kind
        A ``change``, an ``undo`` of one, or a ``redo`` of what was undone.
    what
        The change, as the command that made it.
    of
        Number of the entry that is undone or done again.
    file
        The record, from the folder of the records.
    before
        All that stood in it; None: it was not there.
    after
        SHA-256 of what stands in it after the change, hex; None: it is not there.
    raw
        Raw traces that came or went with it.
    """

    number: int
    time: str
    kind: Literal["change", "undo", "redo"]
    what: str
    of: int | None = None
    file: str
    before: str | None
    after: str | None
    raw: tuple[RawTrace, ...] = ()


def settled(entries: tuple[Entry, ...]) -> tuple[list[Entry], list[Entry]]:
    """Changes that stand, and undoings that can be taken back, each with the last at its end."""
    done: list[Entry] = []
    undone: list[Entry] = []
    for entry in entries:
        if entry.kind == "undo":
            if done and done[-1].number == entry.of:
                done.pop()
            undone.append(entry)
            continue
        if entry.kind == "redo" and undone and undone[-1].number == entry.of:
            undone.pop()
        else:
            undone.clear()
        done.append(entry)
    return done, undone


def entry_text(entry: Entry) -> str:
    """Text of an entry's file."""
    document = {"journal": _LAYOUT, **asdict(entry)}
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


def read_entry(content: bytes, number: int) -> Entry:
    """Read the content of the file of the entry of that number.

    Raises
    ------
    ValueError
        It is none.
    """
    try:
        return _entry_of(json.loads(content), number)
    except (ValueError, TypeError, KeyError, RecursionError) as error:
        msg = "no entry of a journal"
        raise ValueError(msg) from error


def _entry_of(document: Any, number: int) -> Entry:
    if not isinstance(document, dict) or document.pop("journal") != _LAYOUT:
        msg = "another layout"
        raise ValueError(msg)
    raw = document.pop("raw")
    entry = Entry(**document, raw=tuple(RawTrace(**one) for one in raw))
    texts = [entry.time, entry.what, entry.file]
    texts += [text for text in (entry.before, entry.after) if text is not None]
    for one in entry.raw:
        texts += [one.file, one.sha256]
        texts += [] if one.before is None else [one.before]
    sound = all(isinstance(text, str) for text in texts) and entry.number == number
    if not sound or entry.kind not in ("change", "undo", "redo"):
        msg = "no entry"
        raise ValueError(msg)
    if entry.before is not None:
        entry.before.encode("utf-8")
    return entry
