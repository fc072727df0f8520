"""Adding an instrument to `instruments.toml`, or calibrating one anew, comments kept."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from strandwise.errors import RecordsError, RequestError
from strandwise.findings import Finding
from strandwise.records.journal import lock_of
from strandwise.records.textfiles import FileText, is_absent, read_text
from strandwise.records.tomltable import LARGEST_TOML, load_toml
from strandwise.records.write import cannot_write, make_folder, refuse_open_in_spreadsheet

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from strandwise.records.journal import Journal

__all__ = ["instrument_text", "try_instrument", "write_instrument"]

_BOM = b"\xef\xbb\xbf"
_NEW_FILE = "# Instruments that turn raw logger readings (counts, volts) into SI, one table each.\n"


def write_instrument(
    path: Path,
    shown: str,
    name: str,
    entry: Mapping[str, Any],
    *,
    replace: bool,
    journal: Journal,
) -> None:
    """Write one instrument's table into a file that may be absent, under its folder's lock.

    Parameters
    ----------
    path, shown
        The file, and its name for people.
    name, entry
        Key and content of the table: plain texts, numbers, dates and the list `calibration` of
        tables of a reading and a load.
    replace
        Whether there must be such an instrument, whose other keys and comments stay, or none.
    journal
        Of the file's folder.

    Raises
    ------
    RecordsError
        The file is no TOML.
    RequestError
        There is such an instrument and `replace` is not set, or the other way round; the file
        cannot be written, or cannot be changed without harm. It is then as it was.
    """
    # Tried before the lock's file is made, so that a refusal touches nothing.
    try_instrument(path, shown, name, entry, replace=replace)
    refuse_open_in_spreadsheet(path, shown)
    try:
        make_folder(path.parent)
    except OSError as error:
        raise cannot_write(path, error) from error
    with lock_of(journal):
        content = _text_of(path, shown)
        text = instrument_text(content, shown, name, entry, replace=replace)
        encoded = (_BOM if content.bom else b"") + text.encode("utf-8")
        journal.change(f"calibrate {name}", path, encoded)


def try_instrument(
    path: Path, shown: str, name: str, entry: Mapping[str, Any], *, replace: bool
) -> None:
    """Raise what `write_instrument` would, and write nothing."""
    instrument_text(_text_of(path, shown), shown, name, entry, replace=replace)


def instrument_text(
    content: FileText, shown: str, name: str, entry: Mapping[str, Any], *, replace: bool
) -> str:
    """Text of the file with the instrument in it; arguments and errors as `write_instrument`."""
    text = content.text
    before = load_toml(text.replace("\r\n", "\n"), shown)
    if isinstance(before, Finding):
        msg = f"{before.source}: the file is {before.message}"
        raise RequestError(msg, hint="mend it first: nothing was changed")
    _check_presence(before, shown, name, replace=replace)
    newline = "\r\n" if "\r\n" in text else "\n"
    if replace:
        changed = _replaced(text, name, entry)
        if newline == "\r\n":
            changed = changed.replace("\r\n", "\n").replace("\n", newline)
    else:
        gap = "" if not text else newline if text.endswith("\n") else 2 * newline
        changed = text + gap + _table_text(name, entry).replace("\n", newline)
    wanted = {**before, name: {**before.get(name, {}), **entry}}
    try:
        unharmed = tomllib.loads(changed.replace("\r\n", "\n")) == wanted
    except ValueError:
        unharmed = False
    if not unharmed:
        msg = f"{shown} is written in a way that cannot be changed without harm"
        raise RequestError(
            msg, hint=f"nothing was changed; write the table [{name}] into it by hand"
        )
    return changed


def _text_of(path: Path, shown: str) -> FileText:
    if is_absent(path):
        return FileText(_NEW_FILE, bom=False)
    content = read_text(path, shown, most=LARGEST_TOML)
    if not isinstance(content, FileText):
        if content.code == "empty-file":
            return FileText(_NEW_FILE, bom=False)
        raise RecordsError([content])
    return content


def _check_presence(known: Mapping[str, Any], shown: str, name: str, *, replace: bool) -> None:
    if name in known and not replace:
        msg = f"{shown} has an instrument `{name}` already"
        raise RequestError(
            msg,
            hint="--replace calibrates it anew, or choose another name; nothing was changed",
        )
    if name not in known and replace:
        listed = ", ".join(known) or "none yet"
        msg = f"{shown} has no instrument `{name}` to replace"
        raise RequestError(
            msg, expected=f"one of {listed}", hint="leave --replace out for a new one"
        )


def _replaced(text: str, name: str, entry: Mapping[str, Any]) -> str:
    try:
        document = tomlkit.parse(text)
        table: Any = document[name]
        for key, value in entry.items():
            table[key] = _rows(value) if key == "calibration" else value
        return tomlkit.dumps(document)
    except (TOMLKitError, TypeError, KeyError) as error:
        msg = f"the table [{name}] cannot be changed: {error}"
        raise RequestError(msg, hint="nothing was changed; change it by hand") from error


def _rows(pairs: Sequence[Mapping[str, Any]]) -> Any:
    """The list as the shipped file writes it, one pair a line."""
    lines = [
        f"    {{ reading = {tomlkit.item(pair['reading']).as_string()}, "
        f"load = {tomlkit.item(pair['load']).as_string()} }},"
        for pair in pairs
    ]
    return tomlkit.parse("\n".join(["rows = [", *lines, "]", ""]))["rows"]


def _table_text(name: str, entry: Mapping[str, Any]) -> str:
    document = tomlkit.document()
    table = tomlkit.table()
    for key, value in entry.items():
        table.add(key, _rows(value) if key == "calibration" else value)
    document.add(name, table)
    return tomlkit.dumps(document)
