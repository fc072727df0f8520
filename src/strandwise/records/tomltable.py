"""A hand-kept TOML file as tables whose keys know their lines."""

from __future__ import annotations

import datetime as dt
import difflib
import re
import tomllib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from strandwise.errors import UnitError
from strandwise.findings import Finding, Source
from strandwise.motor import SizeError
from strandwise.records.field import PressureScale, code_of, shorten
from strandwise.records.textfiles import read_text
from strandwise.records.tomllines import key_lines
from strandwise.units import parse_unit, wording_in

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from pathlib import Path

    from strandwise.errors import DataError
    from strandwise.records.field import Field, Value

__all__ = [
    "LARGEST_TOML",
    "TomlTable",
    "describe",
    "example_of",
    "load_toml",
    "parse_toml_table",
    "read_toml_table",
]

LARGEST_TOML = 2_000_000
"""Bytes; the largest that a person keeps are of a hundredth of it."""

_MOST_KEYS = 2000  # at the top of a file; formulations may stand on each other
# The reader of the standard library takes space and time by the square of a key's parts.
_DEEP_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){40}""")
# Other integers of more digits than can be shown are refused by that reader.
_HUGE_NUMBER = re.compile(r"0[xob][0-9a-fA-F_]{100}")

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
    homes
        In which table of the file a key belongs, the top of the file being ``""``.
    """

    shown: str
    values: Mapping[str, Any]
    path: tuple[str, ...] = ()
    lines: Mapping[tuple[str, ...], int] = field(default_factory=dict)
    scale: PressureScale = field(default_factory=PressureScale)
    findings: list[Finding] = field(default_factory=list)
    remarks: list[Finding] = field(default_factory=list)
    homes: Mapping[str, str] = field(default_factory=dict)

    def source(self, *keys: str) -> Source:
        """Place of a key below this table; of the table itself without one."""
        path = (*self.path, *keys)
        line = None
        for length in range(len(path), 0, -1):
            line = self.lines.get(path[:length])
            if line is not None:
                break
        return Source(self.shown, line, ".".join(shorten(part, 80) for part in path) or None)

    def fault(
        self, keys: Sequence[str], code: str, message: str, expected: str = "", hint: str = ""
    ) -> None:
        """Keep a fault at a key below this table."""
        self.findings.append(Finding(self.source(*keys), code, message, expected, hint))

    def size_fault(self, code: str, error: DataError) -> None:
        """Keep what sizes of this table were refused for, in the units of its reader."""
        if isinstance(error, SizeError):
            error = error.worded(wording_in(self.scale.units))
        self.fault([], code, error.message, error.expected, error.hint)

    def table(self, key: str) -> TomlTable | None:
        """The table below `key`; None where there is none, with a fault if it is no table."""
        value = self.values.get(key)
        if value is None:
            return None
        if not isinstance(value, dict):
            self.fault(
                [key],
                "not-a-table",
                f"`{shorten(key)}` is {describe(value)}",
                f"a table [{shorten(key)}]",
            )
            return None
        return self._below(key, value)

    def row(self, key: str, number: int, values: Mapping[str, Any]) -> TomlTable:
        """One of the tables in the list below `key`, counted from 1."""
        return self._below(f"{key}[{number}]", values)

    def _below(self, key: str, values: Mapping[str, Any]) -> TomlTable:
        return replace(self, values=values, path=(*self.path, key))

    def with_scale(self, scale: PressureScale) -> TomlTable:
        """The same table with another zero of the pressure readings."""
        return replace(self, scale=scale)

    def with_homes(self, tables: Mapping[str, Iterable[Field]]) -> TomlTable:
        """The same table, knowing the fields of every table of its file; ``""`` is the top."""
        return replace(
            self, homes={one.name: table for table, fields in tables.items() for one in fields}
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
            message = f"`{shorten(key)}` is not a key of this table, and nothing reads it"
            expected, hint = ", ".join(known), _did_you_mean(close[0]) if close else ""
            home = self.homes.get(key)
            if home is not None and home != ".".join(self.path):
                place = f"in [{home}]" if home else "at the top of the file, above the first table"
                expected, hint = f"`{key}` {place}", "move the line there"
            finding = Finding(self.source(key), "unknown-key", message, expected, hint)
            (self.findings if close else self.remarks).append(finding)

    def seems_misspelt(self, key: str) -> bool:
        """Whether `check_keys` took another key of this table for a misspelt `key`."""
        hint = _did_you_mean(key)
        return any(
            finding.code == "unknown-key"
            and finding.hint == hint
            and (finding.source.field or "").rpartition(".")[0] == (self.source().field or "")
            for finding in self.findings
        )

    def value(self, item: Field) -> Value | None:
        """Value of one field in SI; None where absent or at fault (which is then kept)."""
        raw = self.values.get(item.name)
        if raw is None or (isinstance(raw, str) and not raw.strip()):
            if item.required and not self._is_elsewhere(item):
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
            self.fault([item.name], code_of(error), error.message, error.expected, error.hint)
            return None

    def _is_elsewhere(self, item: Field) -> bool:
        """Whether a field that is not there is so by another's presence, or is misspelt."""
        other = item.instead
        return self.seems_misspelt(item.name) or bool(
            other and (other in self.values or self.seems_misspelt(other))
        )

    def _parse(self, item: Field, raw: object) -> Value:
        if item.form == "date" and isinstance(raw, dt.date):
            return raw.date() if isinstance(raw, dt.datetime) else raw
        unit = parse_unit(item.bare, item.kind) if item.bare and item.kind else None
        if isinstance(raw, str):
            return item.parse(raw, self.scale, unit)
        if isinstance(raw, int | float) and not isinstance(raw, bool):
            if item.form in ("number", "integer") or (item.form == "quantity" and unit):
                return item.parse(repr(raw), self.scale, unit)
            if item.form == "quantity":
                msg = f"{describe(raw)} has no unit"
                raise UnitError(msg, expected=example_of(item))
            if item.form in ("name", "text") and isinstance(raw, int):
                return item.parse(str(raw), self.scale)
        if item.form == "quantities" and isinstance(raw, list) and raw:
            one = replace(item, form="quantity")
            parts = [self._parse(one, part) for part in raw]
            return tuple(part for part in parts if isinstance(part, float))
        msg = f"`{item.name}` is {describe(raw)}"
        raise UnitError(msg, expected=example_of(item))


def describe(raw: object) -> str:
    """Name a TOML value in a message, whatever it is and however long or deep."""
    if isinstance(raw, bool):
        return "`true`" if raw else "`false`"
    if isinstance(raw, dict):
        return "a table"
    if isinstance(raw, list):
        return "a list"
    return f"`{shorten(str(raw))}`"


def _did_you_mean(key: str) -> str:
    return f"did you mean `{key}`?"


def example_of(item: Field) -> str:
    """What a value of the field looks like, for a message."""
    if item.form == "quantity" and item.kind is not None:
        return item.kind.expected
    if item.form == "quantities" and item.kind is not None:
        first, *others = item.kind.examples
        listed = ", ".join(f'"{example}"' for example in (first, *others[:1], "…"))
        return f"{item.name} = [{listed}]"
    return {
        "number": "a number",
        "integer": "a whole number",
        "date": "a day, such as 2026-05-02",
        "units": '"metric", "inch-pound" or "mixed"',
        "choice": " or ".join(f'"{choice}"' for choice in item.choices),
    }.get(item.form, "a text in quotes")


def read_toml_table(
    path: Path, shown: str, scale: PressureScale | None = None, *, within: Path | None = None
) -> tuple[TomlTable | None, list[Finding]]:
    """Read a TOML file; `within` is as of `read_text`.

    Returns
    -------
    table, findings
        The table is None where the file cannot be read, with the one finding that says why; later
        faults go to `table.findings`.
    """
    content = read_text(path, shown, within=within, most=LARGEST_TOML)
    if isinstance(content, Finding):
        return None, [content]
    return parse_toml_table(content.text, shown, scale)


def parse_toml_table(
    text: str, shown: str, scale: PressureScale | None = None
) -> tuple[TomlTable | None, list[Finding]]:
    """Read TOML text as `read_toml_table` reads a file; `shown` names it in the findings."""
    # Lone carriage returns, which old editors write, are no line ends to TOML.
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    values = load_toml(text, shown)
    if isinstance(values, Finding):
        return None, [values]
    return TomlTable(shown, values, lines=key_lines(text), scale=scale or PressureScale()), []


def load_toml(text: str, shown: str) -> dict[str, Any] | Finding:
    """Content of a TOML text whose lines end in line feeds, or why there is none.

    Parameters
    ----------
    text
        Whatever a file holds: what would take too long to read, or cannot be shown, is refused.
    shown
        Name of the file in the finding.
    """
    for pattern, what, expected in (
        (_DEEP_KEY, "a key of very many parts", "a few parts with `.` between them"),
        (_HUGE_NUMBER, "a number of very many digits", "a number of a few digits"),
    ):
        found = pattern.search(text)
        if found:
            line = text.count("\n", 0, found.start()) + 1
            hint = "look for text that was not meant to stand there"
            return Finding(Source(shown, line), "toml-syntax", what, expected, hint)
    try:
        values = tomllib.loads(text)
    except RecursionError:
        return Finding(
            Source(shown),
            "toml-syntax",
            "brackets stand too deep inside each other",
            "a few levels of tables and lists",
            "look for a row of `[` that was not meant",
        )
    except ValueError as error:
        return _syntax_fault(shown, text, error)
    if len(values) > _MOST_KEYS:
        return Finding(
            Source(shown),
            "file-too-large",
            f"the file has {len(values)} tables and keys",
            f"at most {_MOST_KEYS}",
            "part it: start another campaign",
        )
    return values


# What the reader of the standard library says of frequent slips, and what would have been right.
_EXPECTED = (
    ("Cannot overwrite", "each key once in a table"),
    ("Cannot declare", "each table once"),
    ("Cannot mutate", "each table once"),
    ("Expected '='", 'key = "value", or a heading in brackets such as [grain]'),
    ("Expected newline", "one key a line"),
    ("Illegal character", 'text in "quotes" that is closed in its line'),
    ("Unterminated", 'text in "quotes" that is closed in its line'),
)


def _syntax_fault(shown: str, text: str, error: Exception) -> Finding:
    message = str(error)
    place = _ERROR_PLACE.search(message)
    lines = text.split("\n")
    number = None
    if place:
        number = int(place.group(1)) if place.group(1) else len(lines)
        # At the end of the file the last line that says something is more use than an empty one.
        while not place.group(1) and number > 1 and not lines[number - 1].strip():
            number -= 1
        message = _ERROR_PLACE.sub("", message)
    written = lines[number - 1].strip() if number and number <= len(lines) else ""
    return Finding(
        Source(shown, number),
        "toml-syntax",
        f"not valid TOML: {shorten(message, 120)}",
        next((right for start, right in _EXPECTED if message.startswith(start)), 'key = "value"'),
        f"the line is `{shorten(written, 60)}`" if written else "",
    )
