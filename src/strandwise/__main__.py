"""`python -m strandwise`."""

from __future__ import annotations

import sys

from strandwise.cli import main

sys.exit(main())
