"""Numbers of the page: as read, and as a spreadsheet gets them, in the reader's units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.report.labels import (
    NO_VALUE,
    DisplayUnits,
    format_change,
    format_change_interval,
    format_interval,
    format_limit,
    format_number,
    format_probability,
    format_ratio,
    in_unit,
    unit_text,
)
from strandwise.report.page.blocks import Cell, Head

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.units import Unit

__all__ = [
    "Writer",
    "chance",
    "change",
    "change_cells",
    "count",
    "interval_cells",
    "joined",
    "number",
    "probability",
    "ratio",
]

_Interval = tuple[float, float] | None


class Writer:
    """Quantities in one reader's units.

    Parameters
    ----------
    units
        What the reader sees.
    """

    def __init__(self, units: DisplayUnits) -> None:
        self.units = units

    def pressure(self, value: float) -> str:
        """Absolute pressure in Pa as text with its unit."""
        return self._with_unit(value, self.units.pressure)

    def limit(self, value: float) -> str:
        """A stated pressure in Pa, such as a case's limit, as text with its unit."""
        return format_limit(value, self.units.pressure)

    def rate(self, value: float) -> str:
        """Burn rate in m/s as text with its unit."""
        return self._with_unit(value, self.units.rate)

    def quantity(self, value: float | None, unit: Unit, sd: float | None = None) -> Cell:
        """A value in SI as a cell, with the digits that its standard uncertainty leaves."""
        if value is None:
            return Cell(NO_VALUE)
        shown = in_unit(value, unit)
        spread = None if sd is None else sd / float(unit.factor)
        return Cell(format_number(shown, spread), shown)

    def spread(self, sd: float | None, unit: Unit) -> Cell:
        """A standard uncertainty in SI as a cell; a unit's offset has no part in it."""
        if sd is None:
            return Cell(NO_VALUE)
        shown = sd / float(unit.factor)
        return Cell(format_number(shown, digits=2), shown)

    def interval(self, found: _Interval, unit: Unit) -> list[Cell]:
        """An interval in SI as its two cells, lower and upper end."""
        if found is None:
            return interval_cells(None)
        return interval_cells((in_unit(found[0], unit), in_unit(found[1], unit)))

    def head(self, title: str, unit: Unit) -> Head:
        """Heading of a column of one quantity."""
        return Head(f"{title} ({unit_text(unit)})")

    def _with_unit(self, value: float, unit: Unit) -> str:
        return f"{format_number(in_unit(value, unit))} {unit_text(unit)}"


def number(value: float | None, interval: _Interval = None, *, signed: bool = False) -> Cell:
    """A number that has no unit of its own, with the digits that its interval leaves."""
    half = None if interval is None else (interval[1] - interval[0]) / 2.0
    return Cell(format_number(value, half, signed=signed), value)


def count(value: int) -> Cell:
    """How many."""
    return Cell(str(value), value)


def interval_cells(interval: _Interval, *, signed: bool = False) -> list[Cell]:
    """An interval in the unit shown as two cells, its lower and its upper end."""
    if interval is None:
        return [Cell(NO_VALUE), Cell(NO_VALUE)]
    return _ends(format_interval(interval, signed=signed), interval)


def change(value: float | None, interval: _Interval = None) -> Cell:
    """A change of a rate in percent; see `format_change`."""
    return Cell(format_change(value, interval), value)


def change_cells(interval: _Interval) -> list[Cell]:
    """The interval of a change in percent as two cells; see `format_change_interval`."""
    if interval is None:
        return [Cell(NO_VALUE), Cell(NO_VALUE)]
    return _ends(format_change_interval(interval), interval)


def _ends(text: str, interval: tuple[float, float]) -> list[Cell]:
    if text == NO_VALUE:  # no bound
        return [Cell(NO_VALUE), Cell(NO_VALUE)]
    low, high = text.strip("()").split(" … ")
    return [Cell(low, interval[0]), Cell(high, interval[1])]


def ratio(value: float | None) -> Cell:
    """One pressure over another, as `strandwise forecast` prints it."""
    return Cell(format_ratio(value), value)


def probability(value: float | None) -> Cell:
    """A probability, 0 to 1."""
    return Cell(format_probability(value), value)


def chance(share: float | None, draws: int) -> Cell:
    """A share of draws in per cent; where no draw did, that is said of how many."""
    if share is None:
        return Cell(NO_VALUE)
    if share == 0.0:
        return Cell(f"no draw in {draws}", 0.0)
    digits = 2 if share < 0.995 else 4
    return Cell(f"{100.0 * share:.{digits}g} %", 100.0 * share)


def joined(parts: Sequence[str]) -> str:
    """Names in a row of words: a, b and c."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"
