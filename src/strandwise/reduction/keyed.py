"""Logger lines that name every value: ``t=1.2 p=3.4``, ``t: 12, p: 3.4 bar``, ``{"t": 1.2}``."""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from strandwise.reduction.fields import clock_seconds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

__all__ = ["keys_of", "read_keyed"]

_VALUE = (
    r"(?P<value>(?:[\d./-]{1,20}[T ])?\d{1,2}:\d\d:\d\d(?:[.,]\d+)?"
    r"|[+-]?(?:\d+[.]?\d*|[.]\d+)(?:[eE][+-]?\d+)?|nan|null)"
)
_PAIR = re.compile(
    # Bounded, so that a long line of anything else does not take time by the square of its length.
    r"[\"']?(?P<key>[A-Za-zµ_][\w µ%/.-]{0,60}?(?:\s{0,9}[(\[][^()\[\]]{0,40}[)\]])?)"
    r"[\"']?\s{0,9}[=:]\s{0,9}[\"']?" + _VALUE,
    re.IGNORECASE,
)
_LEAST_SHARE = 0.3  # of the lines with text; boot noise may outnumber a short firing's rows


def keys_of(lines: Sequence[str]) -> tuple[list[str], int]:
    """Return the keys of a file whose lines name their values, and how many lines do.

    Parameters
    ----------
    lines
        A sample of the file.

    Returns
    -------
    tuple
        Keys, the most frequent first, none where fewer than three in ten lines hold a pair of
        key and value; and the number of lines that do.
    """
    if not any("=" in line or ":" in line for line in lines):
        return [], 0
    keys: Counter[str] = Counter()
    hits = 0
    for line in lines:
        found = dict.fromkeys(match["key"].strip() for match in _PAIR.finditer(line))
        hits += bool(found)
        keys.update(list(found))
    if hits < max(2.0, _LEAST_SHARE * sum(bool(line.strip()) for line in lines)):
        return [], hits
    return [key for key, count in keys.most_common() if count > 1], hits


def read_keyed(
    lines: Sequence[str], keys: Sequence[str], clock_scale: float | None
) -> tuple[NDArray[np.float64], int, bool]:
    """Return the values of some keys, line by line.

    Parameters
    ----------
    lines
        Of the file.
    keys
        As `keys_of` gave them; the first is the clock where `clock_scale` is given.
    clock_scale
        s per unit of the clock; None where no key is a clock.

    Returns
    -------
    tuple
        Array of shape (rows, keys), NaN where a line does not hold a key; the number of lines
        without any; whether the clock is written as a time of day.
    """
    place: dict[str, list[int]] = {}
    for i, key in enumerate(keys):
        place.setdefault(key, []).append(i)
    rows: list[list[float]] = []
    others = 0
    as_text = False
    for line in lines:
        row = [float("nan")] * len(keys)
        hit = False
        for match in _PAIR.finditer(line):
            for i in place.get(match["key"].strip(), ()):
                text = match["value"]
                seconds = clock_seconds(text) if ":" in text else None
                if seconds is not None and i == 0 and clock_scale is not None:
                    row[i], as_text = seconds / clock_scale, True
                elif ":" not in text and text.lower() not in ("nan", "null"):
                    row[i] = float(text)
                hit = True
        if hit:
            rows.append(row)
        elif line.strip():
            others += 1
    return np.asarray(rows, dtype=np.float64).reshape(-1, len(keys)), others, as_text
