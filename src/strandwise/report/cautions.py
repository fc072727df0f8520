"""Cautions of many results as few lines."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from strandwise.findings import Caution

__all__ = ["caution_lines"]

_NUMBER = re.compile(r"(?<![\w.\-−+])([0-9]+(?:\.[0-9]+)?)(?![\w.]*[\w])")
_COUNTED = re.compile(r"^[0-9]+(?: to [0-9]+)? (?:firings?|strands?|tests?|batch(?:es)?)(?= )")


def caution_lines(labelled: Iterable[tuple[str, Caution]]) -> tuple[str, ...]:
    """One line for each thing to heed, with everything it applies to before it.

    Parameters
    ----------
    labelled
        Label (a batch, a test, a formulation; empty for the whole) and caution, in order.

    Returns
    -------
    tuple of str
        Such as ``M-01, M-02: 1 firing each left out …``. Messages that differ in one number alone
        become one line with the number's range. A label that its message begins with stands only
        once.
    """
    groups: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for label, caution in labelled:
        message = caution.message
        key = (caution.code, *_NUMBER.split(message)[::2])
        groups.setdefault(key, []).append((label, message))
    lines: list[str] = []
    for members in groups.values():
        merged = _merged([message for _, message in members])
        if merged is not None:
            lines.append(_line([label for label, _ in members], merged))
            continue
        same: dict[str, list[str]] = {}
        for label, message in members:
            same.setdefault(message, []).append(label)
        lines += [_line(labels, message) for message, labels in same.items()]
    return tuple(lines)


def _merged(messages: Sequence[str]) -> str | None:
    """Messages of the same words as one, with a range where one number differs; else None."""
    parts = [_NUMBER.split(message) for message in messages]
    differing = [
        place for place in range(1, len(parts[0]), 2) if len({part[place] for part in parts}) > 1
    ]
    if len(differing) > 1:
        return None
    merged = list(parts[0])
    for place in differing:
        numbers = sorted({part[place] for part in parts}, key=float)
        merged[place] = f"{numbers[0]} to {numbers[-1]}"
    return "".join(merged)


def _line(labels: Sequence[str], message: str) -> str:
    named = list(dict.fromkeys(label for label in labels if label))
    if not named or (len(named) == 1 and message.startswith(f"{named[0]} ")):
        return message
    if len(named) > 1:
        message = _COUNTED.sub(r"\g<0> each", message)
    return f"{', '.join(named)}: {message}"
