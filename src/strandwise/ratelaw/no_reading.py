"""Rates that lie closer to a law than readings of burns can."""

from __future__ import annotations

__all__ = ["closer_than_readings"]

_NO_READING = 5e-4
"""Scatter of ln r that no reading of a burn is as good as; common practice, no source."""
_LEAST_DF = 3
"""Tests that really scatter by 1 % seem to do so by a twentieth of that, by luck, once in 400 cases
with two degrees of freedom, once in 6000 with three (own computation: χ²_ν below ν/400)."""


def closer_than_readings(scatter: float, df: int) -> bool:
    """Whether rates scatter so little that they were worked out from a law rather than measured.

    Parameters
    ----------
    scatter
        Standard deviation of ln r about the law.
    df
        Degrees of freedom that it rests on; with fewer than three it may be luck.
    """
    return scatter < _NO_READING and df >= _LEAST_DF
