"""What stands on the page, from top to bottom: sections of paragraphs, pictures and tables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

from strandwise.report.cautions import caution_lines
from strandwise.report.page.csvtext import csv_text, data_uri

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from markupsafe import Markup

    from strandwise.findings import Caution

__all__ = [
    "Block",
    "Cautions",
    "Cell",
    "Head",
    "Items",
    "Links",
    "PageTable",
    "Paragraph",
    "Picture",
    "Section",
    "Subheading",
    "bare",
    "labelled",
    "said",
]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: what is read, and what a spreadsheet gets (None: the same text)."""

    text: str
    value: float | int | None = None


@dataclass(frozen=True, slots=True)
class Head:
    """Heading of a column; `file` is the heading in the embedded CSV, with the unit."""

    title: str
    kind: Literal["number", "text"] = "number"
    file: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PageTable:
    """A table, shown, copied and embedded as CSV.

    Parameters
    ----------
    name
        Short word in kebab case: of the CSV file and of the element.
    caption
        What it is.
    heads, rows
        As many cells in a row as heads.
    notes
        Below it.
    """

    block: ClassVar[str] = "table"
    name: str
    caption: str
    heads: Sequence[Head]
    rows: Sequence[Sequence[Cell]]
    notes: Sequence[str] = ()

    @property
    def csv_uri(self) -> str:
        """The table as a `data:` URI of CSV text, ready for a link."""
        heads = [head.file or head.title for head in self.heads]
        rows = [
            [cell.text if cell.value is None else cell.value for cell in row] for row in self.rows
        ]
        return data_uri(csv_text(heads, rows))


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """A drawing with what it shows in words."""

    block: ClassVar[str] = "picture"
    name: str
    svg: Markup
    caption: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A sentence or a few; `weak` for what explains."""

    block: ClassVar[str] = "paragraph"
    text: str
    weak: bool = False


@dataclass(frozen=True, slots=True)
class Items:
    """What explains, as a list: a sentence each."""

    block: ClassVar[str] = "items"
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Subheading:
    """Heading within a section."""

    block: ClassVar[str] = "subheading"
    text: str


@dataclass(frozen=True, slots=True)
class Cautions:
    """What to heed about what stands above."""

    block: ClassVar[str] = "cautions"
    lines: tuple[str, ...]

    @classmethod
    def of(cls, labelled: Iterable[tuple[str, Caution]]) -> tuple[Cautions, ...]:
        """One block, or none where there is nothing to heed; labels as `caution_lines`."""
        lines = caution_lines(labelled)
        return (cls(tuple(said(line) for line in lines)),) if lines else ()


@dataclass(frozen=True, slots=True)
class Links:
    """Ways to other sections: the name of each, and what is said of it."""

    block: ClassVar[str] = "links"
    targets: tuple[tuple[str, str], ...]


Block = PageTable | Picture | Paragraph | Items | Subheading | Cautions | Links


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """One part of the page, with the name that links lead to."""

    name: str
    title: str
    blocks: Sequence[Block]

    @property
    def caution_count(self) -> int:
        """How many lines are to be heeded in it."""
        return sum(len(block.lines) for block in self.blocks if isinstance(block, Cautions))


def said(text: str) -> str:
    """A clause as a sentence: capital letter, full stop.

    A text that begins with a name keeps it as it is: `base` is not `Base`.
    """
    first, _, _ = text.partition(" ")
    plain = first.isalpha() and first.islower() and len(text) > len(first)
    begun = f"{text[:1].upper()}{text[1:]}" if plain else text
    return begun if begun.endswith((".", "!", "?")) else f"{begun}."


def labelled(text: str) -> str:
    """As `said`, of a text that may begin with a word and a colon, which is no name."""
    first, colon, _ = text.partition(":")
    told = said(text)
    if colon and first.isalpha() and first.islower():
        return f"{told[:1].upper()}{told[1:]}"
    return told


def bare(text: str) -> Cell:
    """A cell of text alone."""
    return Cell(text)
