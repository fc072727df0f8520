"""The command line: parses, calls `strandwise.workflow`, prints."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["main"]


def main(args: Sequence[str] | None = None) -> int:
    """Run the program on `args` (None: those of the process) and return its exit code.

    0 when done, 1 if the records or the request are at fault, 2 on wrong usage, 130 when stopped
    by Ctrl-C.
    """
    try:
        # In here, so that Ctrl-C while the libraries load ends as quietly as later.
        from strandwise.cli.program import run

        return run(args)
    except KeyboardInterrupt:
        return 130
