"""What an exported table is made of: columns, each with its unit, its meaning and its values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from strandwise.findings import Caution

__all__ = [
    "MPA",
    "ExportColumn",
    "ExportTable",
    "Value",
    "caution_column",
    "codes_of",
    "count_column",
    "interval_columns",
    "number_column",
    "table_of",
    "tested_range_columns",
    "text_column",
]

Value = str | float | int | bool | None
MPA = 1e6
"""In Pa."""


@dataclass(frozen=True, slots=True)
class ExportColumn:
    """One column: its name, what its values are, and where they come from.

    Parameters
    ----------
    name
        Heading, which ends in the unit.
    kind
        Of its values.
    unit
        For people; empty where there is none.
    meaning
        For people.
    value
        Of a row's object; None where there is no value.
    """

    name: str
    kind: Literal["text", "number", "integer", "boolean"]
    unit: str
    meaning: str
    value: Callable[[Any], Value]


@dataclass(frozen=True, slots=True)
class ExportTable:
    """One table, ready to be written.

    Parameters
    ----------
    name
        Of its files.
    about
        What a row is.
    columns
        From left to right.
    rows
        Values in the columns' order.
    """

    name: str
    about: str
    columns: tuple[ExportColumn, ...]
    rows: tuple[tuple[Value, ...], ...]


def table_of(
    name: str, about: str, columns: Sequence[ExportColumn], items: Iterable[object]
) -> ExportTable:
    """The values that `columns` find in `items`."""
    rows = tuple(tuple(column.value(item) for column in columns) for item in items)
    return ExportTable(name, about, tuple(columns), rows)


def text_column(name: str, meaning: str, value: Callable[[Any], str | None]) -> ExportColumn:
    """A text; an empty one is none."""
    return ExportColumn(name, "text", "", meaning, lambda item: value(item) or None)


def count_column(name: str, meaning: str, value: Callable[[Any], int | None]) -> ExportColumn:
    """A whole number."""
    return ExportColumn(name, "integer", "", meaning, value)


def number_column(
    name: str,
    unit: str,
    meaning: str,
    value: Callable[[Any], float | None],
    size: float = 1.0,
) -> ExportColumn:
    """A number given in SI, where `size` is the column's unit in SI."""

    def scaled(item: object) -> float | None:
        found = value(item)
        return None if found is None else found / size

    return ExportColumn(name, "number", unit, meaning, scaled)


def interval_columns(
    name: str,
    unit: str,
    of: str,
    value: Callable[[Any], tuple[float, float] | None],
    size: float = 1.0,
) -> list[ExportColumn]:
    """Both ends of a 95 % interval; the name has `{}` where the end is told."""
    return [
        number_column(
            name.format(word),
            unit,
            f"{of}: {word} end of its 95 % interval",
            _end(value, place),
            size,
        )
        for place, word in enumerate(("low", "high"))
    ]


def tested_range_columns(value: Callable[[Any], tuple[float, float] | None]) -> list[ExportColumn]:
    """Both ends of the pressures tested, given in Pa."""
    return [
        number_column(
            f"pressure_{word}_MPa",
            "MPa",
            f"{word}est absolute pressure tested; nothing is known outside",
            _end(value, place),
            MPA,
        )
        for place, word in enumerate(("low", "high"))
    ]


def _end(
    value: Callable[[Any], tuple[float, float] | None], place: int
) -> Callable[[Any], float | None]:
    def found(item: object) -> float | None:
        ends = value(item)
        return None if ends is None else ends[place]

    return found


def codes_of(cautions: Iterable[Caution]) -> str | None:
    """Each code once, or None without any."""
    return " ".join(dict.fromkeys(caution.code for caution in cautions)) or None


def caution_column(cautions: Callable[[Any], Iterable[Caution]]) -> ExportColumn:
    """The codes of a row's cautions."""
    return text_column(
        "cautions",
        "codes of the reasons to trust this row less; table cautions has the words",
        lambda item: codes_of(cautions(item)),
    )
