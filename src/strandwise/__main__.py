"""`python -m strandwise`."""

from __future__ import annotations

from strandwise.cli import main

main()
