"""What reading and calculating have to say: faults with their place, and cautions on results."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Caution", "Finding", "Source"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where a record or a fault stands.

    Parameters
    ----------
    path
        File, relative to the bench folder.
    line
        Line in the file, counted from 1; None where the fault is in the file as a whole.
    field
        Heading of a column, or dotted key of a TOML table; None where no field is meant.
    """

    path: str
    line: int | None = None
    field: str | None = None

    def __str__(self) -> str:
        place = self.path if self.line is None else f"{self.path}:{self.line}"
        return place if self.field is None else f"{place}, {self.field}"

    @property
    def sort_key(self) -> tuple[str, int, str]:
        """Order by file, then line, then field."""
        return (self.path, self.line or 0, self.field or "")


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault in the records.

    Parameters
    ----------
    source
        The place of the fault.
    code
        Short stable word in kebab case, such as ``unknown-unit``.
    message
        What is wrong, with the offending value.
    expected
        What would have been right.
    hint
        What to do next.
    """

    source: Source
    code: str
    message: str
    expected: str = ""
    hint: str = ""

    def __str__(self) -> str:
        text = f"{self.source}: {self.message}"
        if self.expected:
            text += f"; expected {self.expected}"
        if self.hint:
            text += f"; {self.hint}"
        return text


@dataclass(frozen=True, slots=True)
class Caution:
    """A reason to trust a result less; travels with the result.

    Parameters
    ----------
    code
        Short stable word in kebab case, such as ``few-points``.
    message
        What it is and what follows from it, for a person.
    tests
        Names of the tests that it is about; empty where it is about the whole.
    """

    code: str
    message: str
    tests: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{self.code}: {self.message}"
