"""Headings of a hand-kept CSV file: which field each column holds, and in which unit."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import UnitError
from strandwise.findings import Finding, Source
from strandwise.records.field import shorten
from strandwise.units import parse_heading, parse_unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.records.field import Field
    from strandwise.units import Unit

__all__ = ["Column", "read_columns"]

_LEADING_WORDS = re.compile(r"[\w\s-]*\w")
# How like a field's name the heading of an own column may be before it counts as misspelt.
_LIKENESS = 0.8
_LENGTH_APART = 2


@dataclass(frozen=True, slots=True)
class Column:
    """A heading.

    Parameters
    ----------
    heading
        As the file writes it.
    field
        What it stands for; None: unknown to us, kept as it is.
    unit
        Of plain numbers below it; None: each cell brings its own.
    usable
        False where the heading is at fault, so that the cells cannot be read.
    """

    heading: str
    field: Field | None = None
    unit: Unit | None = None
    usable: bool = True


def read_columns(
    header: Sequence[str], place: Source, fields: Sequence[Field]
) -> tuple[list[Column], list[Finding]]:
    """Read the cells of the heading row at `place`; blank ones at its end are dropped.

    Returns
    -------
    columns, findings
        In the file's order.
    """
    cells = [cell.strip() for cell in header]
    while cells and not cells[-1]:
        cells.pop()
    by_name = {field.name: field for field in fields}
    findings: list[Finding] = []
    columns = []
    for text in cells:
        column, fault = _read_column(text, by_name, place)
        columns.append(column)
        findings += [fault] if fault else []
    findings += _repeated(columns, place)
    absent = by_name.keys() - {column.field.name for column in columns if column.field}
    named_by_mistake = set()
    for column in columns:
        if column.field is None:
            name = _meant(column.heading, [f.name for f in fields if f.name in absent])
            if name and name not in named_by_mistake:
                named_by_mistake.add(name)
                findings.append(_odd_heading(column.heading, by_name[name], place))
    for field in fields:
        if field.required and field.name in absent - named_by_mistake:
            findings.append(_missing_column(field, place))
    return columns, findings


def _read_column(
    text: str, by_name: dict[str, Field], place: Source
) -> tuple[Column, Finding | None]:
    try:
        heading = parse_heading(text)
    except UnitError:
        return Column(text), None
    field = by_name.get(_normal(heading.name))
    if field is None:
        return Column(text), None
    if heading.unit_text is None or field.form == "number":
        return Column(text, field), None
    here = Source(place.path, place.line, text)
    if field.form != "quantity" or field.kind is None:
        fault = Finding(
            here,
            "unit-not-wanted",
            f"`{shorten(text)}` states a unit, and `{field.name}` has none",
            f"the heading `{field.name}`",
            "take the parentheses out",
        )
        return Column(text, field), fault
    try:
        return Column(text, field, parse_unit(heading.unit_text, field.kind)), None
    except UnitError as error:
        fault = Finding(here, "unknown-unit", error.message, error.expected, error.hint)
        return Column(text, field, usable=False), fault


def _normal(name: str) -> str:
    return re.sub(r"[\s-]+", "_", name.strip().casefold())


def _repeated(columns: Sequence[Column], place: Source) -> list[Finding]:
    seen: dict[str, str] = {}
    findings = []
    for column in columns:
        if column.field is None:
            continue
        name = column.field.name
        if name in seen:
            findings.append(
                Finding(
                    Source(place.path, place.line, column.heading),
                    "repeated-column",
                    f"`{shorten(column.heading)}` and `{shorten(seen[name])}` are the same column",
                    f"one column for {name}",
                    "rename or delete one of them",
                )
            )
        seen.setdefault(name, column.heading)
    return findings


def _meant(heading: str, absent: Sequence[str]) -> str:
    """Field that the heading of an own column looks like, of those that have no column."""
    try:
        name = _normal(parse_heading(heading).name)
    except UnitError:
        name = _normal(heading)
    words = _LEADING_WORDS.match(heading)
    start = _normal(words.group()) if words else ""
    if start != name and start in absent:
        return start
    close = difflib.get_close_matches(name, absent, n=1, cutoff=_LIKENESS)
    return close[0] if close and abs(len(close[0]) - len(name)) <= _LENGTH_APART else ""


def _odd_heading(heading: str, field: Field, place: Source) -> Finding:
    right = field.heading("metric")
    return Finding(
        Source(place.path, place.line, heading),
        "odd-heading",
        f"the heading `{shorten(heading)}` is not understood, so its column is not read",
        f"a heading such as `{right}`",
        f"did you mean `{right}`? If not, give your own column a name that is less like it",
    )


def _missing_column(field: Field, place: Source) -> Finding:
    return Finding(
        Source(place.path, place.line, field.name),
        "missing-column",
        f"there is no column `{field.name}` ({field.help})",
        f"a heading such as `{field.heading('metric')}`",
        "add the heading to this line, and the values below it",
    )
