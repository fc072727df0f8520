"""The command line: parses, calls `strandwise.workflow`, prints."""

from __future__ import annotations

from strandwise.cli.main import main

__all__ = ["main"]
