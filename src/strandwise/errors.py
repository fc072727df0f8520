"""The errors that callers may see.

::

    StrandwiseError
    ├── UnitError      (also ValueError) text that is no quantity, or not of the wanted kind
    ├── RecordsError   the files of a bench folder are at fault; carries the findings
    ├── RequestError   what was asked for cannot be done with these records
    │   └── UnlikelyError   a new record is possible but not likely; carries the findings
    └── DataError      (also ValueError) arrays that cannot carry the calculation

Faults in a campaign's files are data while it is read (`strandwise.findings`); `RecordsError`
is for callers that need a campaign without faults.
"""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from strandwise.findings import Finding

__all__ = [
    "DataError",
    "RecordsError",
    "RequestError",
    "StrandwiseError",
    "UnitError",
    "UnlikelyError",
    "did_you_mean",
]


class StrandwiseError(Exception):
    """Base of all errors raised on purpose.

    Parameters
    ----------
    message
        What is wrong, with the offending value in it.
    expected
        What would have been right; empty where the message says it.
    hint
        What to do next; empty where that is plain.
    """

    def __init__(self, message: str, *, expected: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.expected = expected
        self.hint = hint

    def __str__(self) -> str:
        parts = [self.message]
        if self.expected:
            parts.append(f"expected {self.expected}")
        if self.hint:
            parts.append(self.hint)
        return "; ".join(parts)


class UnitError(StrandwiseError, ValueError):
    """Text that is no quantity, is ambiguous, or is of another kind than wanted."""


class RecordsError(StrandwiseError):
    """Files of a bench folder are at fault.

    Parameters
    ----------
    findings
        Every fault found, sorted by file and line; at least one.
    """

    def __init__(self, findings: Sequence[Finding]) -> None:
        super().__init__("\n".join(str(finding) for finding in findings))
        self.findings = tuple(findings)


class RequestError(StrandwiseError):
    """The request cannot be met with these records (an unknown batch, a taken name, …)."""


class UnlikelyError(RequestError):
    """Values of a new record are possible but not likely, and nobody said that they are meant.

    Parameters
    ----------
    findings
        Every such value; at least one.
    """

    def __init__(self, findings: Sequence[Finding]) -> None:
        told = "; ".join(f"{finding.message} (likely: {finding.expected})" for finding in findings)
        hint = f"{findings[0].hint}; if it is right, give --yes; nothing was changed"
        super().__init__(f"not likely: {told}", hint=hint)
        self.findings = tuple(findings)


class DataError(StrandwiseError, ValueError):
    """Numbers that cannot carry the calculation asked for (too few, not positive, …)."""


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """The hint that names the one of `known` that a mistyped name is closest to; empty if none is.

    Closeness is that of `difflib.get_close_matches`.
    """
    close = difflib.get_close_matches(name, list(known), n=1)
    return f"did you mean `{close[0]}`?" if close else ""
