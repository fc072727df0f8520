"""Why a test is suggested."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.tracking import Analysis, PlannedTest

__all__ = ["NEAR", "RANGE_SLACK", "SuggestionKind", "reason", "tested_range"]

SuggestionKind = Literal["strand", "firing", "new-batch"]
"""One more strand of an existing batch, one more firing of one, or a new batch with tests."""

NEAR = 1.1
"""Pressures within this factor are called near each other (common practice, no source)."""

RANGE_SLACK = 1.0 + 1e-9
"""A pressure at the end of a range is inside it, for all that rounding does."""


def tested_range(analysis: Analysis, name: str, *, is_firing: bool) -> tuple[float, float] | None:
    """Lowest and highest pressure (Pa) of one formulation's strands or firings; None without."""
    chosen = analysis.tests.rows_of(name) & (analysis.tests.is_firing == is_firing)
    if not chosen.any():
        return None
    pressures = analysis.tests.pressure[chosen]
    return float(np.min(pressures)), float(np.max(pressures))


def reason(
    kind: SuggestionKind,
    tests: tuple[PlannedTest, ...],
    analysis: Analysis,
    share: float | None,
    format_pressure: Callable[[float], str],
) -> str:
    """Say why a test narrows the shift, in plain words without a full stop.

    Parameters
    ----------
    kind, tests
        The suggestion.
    analysis
        A fitted comparison.
    share
        Part of the shift's variance that comes from batches; None where it has no interval.
    format_pressure
        Turns Pa into text with a unit.
    """
    name, at = tests[0].formulation, format_pressure(analysis.pressure)
    count = analysis.tests.batches_of(name)
    is_firing = tests[0].is_firing
    other_method = tested_range(analysis, name, is_firing=is_firing) is None
    if other_method and (kind != "new-batch" or (share is None and count > 1)):
        return f"{name} was measured by one method only; measured both ways it ties them together"
    if kind == "new-batch":
        batches = f"{name} rests on {count} {'batch' if count == 1 else 'batches'}"
        if share is None and count > 1:
            return f"{batches}, and its shift has no interval yet"
        if share is None:
            return (
                f"{batches}, and without a second batch a formulation cannot be told from a batch"
            )
        return (
            f"{batches}, and {100 * share:.0f} % of the variance of the shift comes from how "
            "batches differ, which more tests of the same batches do not lessen; a new batch also "
            "tells more of that spread"
        )
    pressure = tests[0].pressure
    low, high = analysis.tests.pressure_range(name)
    if not low / RANGE_SLACK <= pressure <= high * RANGE_SLACK:
        return (
            f"{name} was not tested at that pressure before, only at {format_pressure(low)} to "
            f"{format_pressure(high)}; the given range permits it"
        )
    within = "" if share is None else f"{100 * (1 - share):.0f} % of the variance is test scatter; "
    if pressure <= low * RANGE_SLACK or pressure >= high / RANGE_SLACK:
        end = "lower" if pressure <= low * RANGE_SLACK else "upper"
        return (
            f"{within}a test at the {end} end of what was tested of {name} settles its exponent, "
            f"and with it the rate at {at}"
        )
    if abs(math.log(pressure / analysis.pressure)) <= math.log(NEAR):
        return f"{within}a test near {at} adds to what is known there directly"
    return (
        f"{within}one at {format_pressure(pressure)} tells of the rate at {at} through the law "
        "between them"
    )
