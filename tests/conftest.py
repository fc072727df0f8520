"""Settings of the tools that all tests share."""

from __future__ import annotations

from hypothesis import settings

# The same examples in every run: a failure is a fault found, not a coin that fell wrong.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")
