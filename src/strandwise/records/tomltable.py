"""A hand-kept TOML file as tables whose keys know their lines."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from strandwise.errors import UnitError
from strandwise.findings import Finding, Source
from strandwise.records.fields import PressureScale, shorten
from strandwise.records.textfiles import read_text
from strandwise.units import parse_unit

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from pathlib import Path

    from strandwise.records.fields import Field, Value

__all__ = ["TomlTable", "example_of", "parse_toml_table", "read_toml_table"]

_HEADER = re.compile(r"^\s*\[\[?\s*(?P<key>[^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"""(?P<key>(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*')
        (?:\s*\.\s*(?:[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*'))*)\s*=(?!=)""",
    re.VERBOSE,
)
_KEY_PART = re.compile(r"""[A-Za-z0-9_-]+|"(?:[^"\\]|\\.)*"|'[^']*'""")
_ERROR_PLACE = re.compile(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)$")


@dataclass(frozen=True, slots=True)
class TomlTable:
    """A table, the path of keys that leads to it, and where faults in it are collected.

    Parameters
    ----------
    shown
        Name of the file for people.
    values
        The table's content.
    path
        Keys from the top of the file to this table.
    lines
        Line of every dotted path in the file.
    scale
        Zero of the pressure readings.
    findings, remarks
        Faults, and things worth saying that are none; shared by all tables of the file.
    """

    shown: str
    values: Mapping[str, Any]
    path: tuple[str, ...] = ()
    lines: Mapping[tuple[str, ...], int] = field(default_factory=dict)
    scale: PressureScale = field(default_factory=PressureScale)
    findings: list[Finding] = field(default_factory=list)
    remarks: list[Finding] = field(default_factory=list)

    def source(self, *keys: str) -> Source:
        """Place of a key below this table; of the table itself without one."""
        path = (*self.path, *keys)
        line = None
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                break
        return Source(self.shown, line, ".".join(path) or None)

    def fault(
        self, keys: Sequence[str], code: str, message: str, expected: str = "", hint: str = ""
    ) -> None:
        """Keep a fault at a key below this table."""
        self.findings.append(Finding(self.source(*keys), code, message, expected, hint))

    def table(self, key: str) -> TomlTable | None:
        """The table below `key`; None where there is none, with a fault if it is no table."""
        value = self.values.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fault([key], "not-a-table", f"`{key}` is a single value", f"a table [{key}]")
            return None
        return self._below(key, value)

    def row(self, key: str, values: Mapping[str, Any]) -> TomlTable:
        """One of the tables in the list below `key`."""
        return self._below(key, values)

    def _below(self, key: str, values: Mapping[str, Any]) -> TomlTable:
        return TomlTable(
            self.shown,
            values,
            (*self.path, key),
            self.lines,
            self.scale,
            self.findings,
            self.remarks,
        )

    def with_scale(self, scale: PressureScale) -> TomlTable:
        """The same table with another zero of the pressure readings."""
        return TomlTable(
            self.shown, self.values, self.path, self.lines, scale, self.findings, self.remarks
        )

    def read(self, fields: Sequence[Field], *, others: Collection[str] = ()) -> dict[str, Value]:
        """Values of `fields` in SI, by name; faults are kept and their fields left out.

        Parameters
        ----------
        fields
            What the table may hold.
        others
            Further keys that the caller reads itself.
        """
        known = [f.name for f in fields] + list(others)
        self.check_keys(known)
        values: dict[str, Value] = {}
        for item in fields:
            value = self.value(item)
            if value is not None:
                values[item.name] = value
        return values

    def check_keys(self, known: Collection[str]) -> None:
        """Keep a fault for a key that looks like a misspelt one, a remark for an unknown one."""
        for key in self.values:
            if key in known:
                continue
            close = difflib.get_close_matches(key, [k for k in known if k not in self.values], n=1)
            finding = Finding(
                self.source(key),
                "unknown-key",
                f"`{shorten(key)}` is not a key of this table, and nothing reads it",
                ", ".join(known),
                f"did you mean `{close[0]}`?" if close else "",
            )
            (self.findings if close else self.remarks).append(finding)

    def value(self, item: Field) -> Value | None:
        """Value of one field in SI; None where absent or at fault (which is then kept)."""
        raw = self.values.get(item.name)
        if raw is None or (isinstance(raw, str) and not raw.strip()):
            if item.required:
                self.fault(
                    [item.name],
                    "missing-field",
                    f"`{item.name}` is missing ({item.help})",
                    example_of(item),
                )
            return None
        try:
            return self._parse(item, raw)
        except UnitError as error:
            self.fault([item.name], "bad-value", error.message, error.expected, error.hint)
            return None

    def _parse(self, item: Field, raw: object) -> Value:
        if isinstance(raw, dt.datetime):
            raw = raw.date()
        if isinstance(raw, dt.date) and item.form == "date":
            return raw
        if isinstance(raw, str):
            unit = parse_unit(item.bare, item.kind) if item.bare and item.kind else None
            return item.parse(raw, self.scale, unit)
        if isinstance(raw, bool) or not isinstance(raw, int | float):
            msg = f"`{item.name}` holds {_describe(raw)}"
            raise UnitError(msg, expected=example_of(item))
        if item.form in ("number", "integer"):
            return item.parse(repr(raw), self.scale)
        if item.form == "quantity" and item.kind is not None and item.bare:
            return item.parse(repr(raw), self.scale, parse_unit(item.bare, item.kind))
        if item.form == "quantity":
            msg = f"{raw!r} has no unit"
            raise UnitError(msg, expected=example_of(item))
        if item.form in ("name", "text"):
            return item.parse(str(raw), self.scale)
        msg = f"`{item.name}` holds {_describe(raw)}"
        raise UnitError(msg, expected=example_of(item))


def _describe(raw: object) -> str:
    kinds = {bool: "true or false", list: "a list", dict: "a table", dt.time: "a time of day"}
    return kinds.get(type(raw), f"`{raw}`")


def example_of(item: Field) -> str:
    """What a value of the field looks like, for a message."""
    if item.form == "quantity" and item.kind is not None:
        return item.kind.expected
    return {
        "number": "a number",
        "integer": "a whole number",
        "date": "a day, such as 2026-05-02",
        "choice": " or ".join(f'"{choice}"' for choice in item.choices),
    }.get(item.form, "a text in quotes")


def read_toml_table(
    path: Path, shown: str, scale: PressureScale | None = None
) -> tuple[TomlTable | None, list[Finding]]:
    """Read a TOML file.

    Returns
    -------
    table, findings
        The table is None where the file cannot be read, with the one finding that says why; later
        faults go to `table.findings`.
    """
    content = read_text(path, shown)
    if isinstance(content, Finding):
        return None, [content]
    return parse_toml_table(content.text, shown, scale)


def parse_toml_table(
    text: str, shown: str, scale: PressureScale | None = None
) -> tuple[TomlTable | None, list[Finding]]:
    """Read TOML text as `read_toml_table` reads a file; `shown` names it in the findings."""
    try:
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        return None, [_syntax_fault(shown, text, error)]
    return TomlTable(shown, values, lines=_key_lines(text), scale=scale or PressureScale()), []


def _syntax_fault(shown: str, text: str, error: Exception) -> Finding:
    message = str(error)
    place = _ERROR_PLACE.search(message)
    line = None
    if place:
        line = int(place.group(1)) if place.group(1) else text.count("\n") + 1
        message = _ERROR_PLACE.sub("", message)
    hint = ""
    written = text.splitlines()[line - 1].strip() if line and line <= text.count("\n") + 1 else ""
    if written:
        hint = f"the line is `{shorten(written, 60)}`"
    return Finding(
        Source(shown, line), "toml-syntax", f"not valid TOML: {message}", 'text in "quotes"', hint
    )


def _key_lines(text: str) -> dict[tuple[str, ...], int]:
    """Line of every key path; the first one where a path recurs (arrays of tables)."""
    lines: dict[tuple[str, ...], int] = {}
    prefix: tuple[str, ...] = ()
    closing = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if closing:
            if closing in line:
                closing = ""
            continue
        header = _HEADER.match(line)
        if header:
            prefix = _key_parts(header.group("key"))
            lines.setdefault(prefix, number)
            continue
        code = line.lstrip()
        if code.startswith("#"):
            continue
        for match in _KEY.finditer(code):
            parts = _key_parts(match.group("key"))
            lines.setdefault((*prefix, *parts), number)
            if match.start() > 0:
                # Inside an inline table: file it below the key that opened the line too.
                first = _KEY.match(code)
                if first:
                    lines.setdefault((*prefix, *_key_parts(first.group("key")), *parts), number)
        for quotes in ('"""', "'''"):
            if code.count(quotes) % 2:
                closing = quotes
    return lines


def _key_parts(key: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _KEY_PART.findall(key))
