"""Which column of a file a record means: by heading, with or without its unit, or by number."""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["column_index", "matches"]

_WITH_UNIT = re.compile(r"(.*?)\s*[(\[]([^()\[\]]*)[)\]]\s*\Z")
_SHOWN = 12


def matches(column: str, unit: str, headings: Sequence[str]) -> list[int]:
    """Return where a heading stands.

    Parameters
    ----------
    column
        As the record names it.
    unit
        As the record gives it.
    headings
        Of the file.

    Returns
    -------
    list of int
        Columns headed exactly so; else so but for upper and lower case; else so with the
        record's unit in brackets behind it; else so with a unit in brackets behind either.
    """
    wanted = " ".join(column.split()).casefold()
    folded = [" ".join(heading.split()).casefold() for heading in headings]
    with_unit = {
        f"{wanted}{gap}{brackets[0]}{unit.casefold()}{brackets[1]}"
        for gap in ("", " ")
        for brackets in ("()", "[]")
    }
    bare = _bare(wanted)
    for found in (
        [i for i, heading in enumerate(headings) if heading == column],
        [i for i, heading in enumerate(folded) if heading == wanted],
        [i for i, heading in enumerate(folded) if heading in with_unit],
        [i for i, heading in enumerate(folded) if bare and _bare(heading) == bare],
    ):
        if found:
            return found
    return []


def _bare(heading: str) -> str:
    split = _WITH_UNIT.match(heading)
    return split.group(1) if split else heading


def column_index(column: str | int, unit: str, headings: Sequence[str], name: str) -> int:
    """Return the one column that is meant, counted from 0.

    Parameters
    ----------
    column
        Heading, or number from 1.
    unit
        As the record gives it.
    headings
        Of the file.
    name
        Of the file, for messages.

    Returns
    -------
    int

    Raises
    ------
    DataError
        No heading or several match, or the number is below 1.
    """
    if isinstance(column, int):
        if column < 1:
            msg = f"column {column} of `{name}`"
            raise DataError(msg, expected="a column number counted from 1")
        return column - 1
    found = matches(column, unit, headings)
    if len(found) == 1:
        return found[0]
    if found:
        msg = f"`{name}` has {len(found)} columns headed `{column}`"
        raise DataError(msg, hint='say which by its number: "column 2 (ms)"')
    there = [heading for heading in headings if heading]
    shown = ", ".join(f"`{heading[:40]}`" for heading in there[:_SHOWN]) or "none"
    if len(there) > _SHOWN:
        shown += ", …"
    msg = f"`{name}` has no column headed `{column}`; its headings are {shown}"
    near = difflib.get_close_matches(
        _bare(column.casefold()), [_bare(heading.casefold()) for heading in there], n=1
    )
    hint = 'a file without headings is read by number: "column 1 (ms)"'
    if near:
        meant = next(heading for heading in there if _bare(heading.casefold()) == near[0])
        hint = f"did you mean `{meant}`? Else give the column's number: " + '"column 1 (ms)"'
    raise DataError(msg, hint=hint)
