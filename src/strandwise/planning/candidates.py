"""Tests that may be made next: which pressures are permitted, which batches and kinds there are."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.planning.reasons import RANGE_SLACK, SuggestionKind, tested_range
from strandwise.tracking import PlannedTest, in_megapascals

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping

    from strandwise.tracking import Analysis

__all__ = [
    "RangeExtension",
    "Ranges",
    "candidates",
    "extensions",
    "permitted_ranges",
]

_MOST_BATCHES_TRIED = 6
_FEWEST_STRANDS = 3
# Nearer pressures are one suggestion: no rig is set as closely (common practice, no source).
_SAME_PRESSURE = 1.03


@dataclass(frozen=True, kw_only=True, slots=True)
class RangeExtension:
    """Pressures that only tests outside the permitted range would cover.

    Parameters
    ----------
    formulation
        Of which formulation.
    pressure
        The decision pressure, absolute, Pa.
    why
        What is missing and what has to be judged first, without a full stop.
    """

    formulation: str
    pressure: float
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Ranges:
    """Pressures (Pa) at which each kind of test of one formulation may be made."""

    strand: tuple[float, float] | None
    firing: tuple[float, float] | None

    def of(self, *, is_firing: bool) -> tuple[float, float] | None:
        """Lowest and highest of one kind; None where it may not be made."""
        return self.firing if is_firing else self.strand


def permitted_ranges(
    analysis: Analysis,
    names: Iterable[str],
    strand_range: tuple[float, float] | None,
    firing_range: tuple[float, float] | None,
) -> dict[str, Ranges]:
    """Pressures of each formulation's tests: as given, else what was tested of its kind.

    Raises
    ------
    DataError
        What is given is no range.
    """
    for limits in (strand_range, firing_range):
        _check_range(limits)
    return {
        name: Ranges(
            strand=strand_range or tested_range(analysis, name, is_firing=False),
            firing=firing_range or tested_range(analysis, name, is_firing=True),
        )
        for name in names
    }


def _check_range(limits: tuple[float, float] | None) -> None:
    if limits is None:
        return
    low, high = limits
    if not (math.isfinite(high) and 0.0 < low <= high):
        msg = f"the permitted pressures run from {in_megapascals(low)} to {in_megapascals(high)}"
        raise DataError(msg, expected="absolute pressures above zero, the lower one first")


def _usual_tests(analysis: Analysis) -> int:
    sizes = sorted(Counter(analysis.tests.batch).values())
    return max(sizes[len(sizes) // 2], _FEWEST_STRANDS)


def candidates(
    analysis: Analysis,
    ranges: Mapping[str, Ranges],
    decisions: Mapping[str, float],
    batches_left: Collection[str] | None,
    strands: int | None,
) -> Iterator[tuple[SuggestionKind, tuple[PlannedTest, ...]]]:
    """Tests to choose from.

    Parameters
    ----------
    analysis
        A fitted comparison.
    ranges, decisions
        Of each formulation: what is permitted, and the pressure that matters, Pa.
    batches_left
        Existing batches of which there is material left; None: all.
    strands
        Tests of a new batch; None: as many as the middle batch so far, three at least.
    """
    tests = analysis.tests
    strands = strands or _usual_tests(analysis)
    for name, permitted in ranges.items():
        decision = decisions[name]
        sizes = Counter(
            batch
            for batch, own in zip(tests.batch, tests.formulation, strict=True)
            if own == name and (batches_left is None or batch in batches_left)
        )
        # The batches with the fewest tests have the most to tell; the others are left out.
        fewest = sorted(sizes, key=lambda batch: sizes[batch])[:_MOST_BATCHES_TRIED]
        new = _new_name(name, tests.batch)
        for is_firing in (False, True):
            limits = permitted.of(is_firing=is_firing)
            if limits is None:
                continue
            kind: SuggestionKind = "firing" if is_firing else "strand"
            pressures = _pressures(limits, decision)
            for batch in fewest:
                for pressure in pressures:
                    yield kind, (_test(batch, name, pressure, is_firing=is_firing),)
            if not is_firing:
                spread = np.geomspace(*limits, strands)
                # The ends as given: rounding must not leave the permitted range.
                spread = np.clip(spread, *limits)
                rows = tuple(_test(new, name, float(p), is_firing=False) for p in spread)
                yield "new-batch", rows
            elif permitted.strand is None:
                nearest = min(max(decision, limits[0]), limits[1])
                yield "new-batch", (_test(new, name, nearest, is_firing=True),)


def _pressures(limits: tuple[float, float], decision: float) -> list[float]:
    low, high = limits
    middle = min(max(math.sqrt(low * high), low), high)
    wanted = [low, high, *([decision] if low <= decision <= high else []), middle]
    kept: list[float] = []
    for pressure in wanted:
        if all(max(pressure, other) > _SAME_PRESSURE * min(pressure, other) for other in kept):
            kept.append(pressure)
    return sorted(kept)


def _test(batch: str, formulation: str, pressure: float, *, is_firing: bool) -> PlannedTest:
    return PlannedTest(batch=batch, formulation=formulation, is_firing=is_firing, pressure=pressure)


def _new_name(formulation: str, taken: Collection[str]) -> str:
    number = 1
    while f"{formulation}-new-{number}" in taken:
        number += 1
    return f"{formulation}-new-{number}"


def extensions(
    analysis: Analysis,
    ranges: Mapping[str, Ranges],
    decisions: Mapping[str, float],
    format_pressure: Callable[[float], str],
) -> Iterator[RangeExtension]:
    """Where the pressure that matters lies outside what was tested and what is permitted."""
    for name, permitted in ranges.items():
        at = decisions[name]
        limits = [each for each in (permitted.strand, permitted.firing) if each is not None]
        inside = any(low / RANGE_SLACK <= at <= high * RANGE_SLACK for low, high in limits)
        low, high = analysis.tests.pressure_range(name)
        tested = low / RANGE_SLACK <= at <= high * RANGE_SLACK
        if inside or tested:
            continue
        span = format_pressure(low) if low == high else f"{format_pressure(low)} to "
        span += "" if low == high else format_pressure(high)
        way = "above" if at > high else "below"
        risk = (
            "whether rig and case allow that pressure has to be judged first, in small steps"
            if at > high
            else "a propellant may burn unsteadily or go out there"
        )
        yield RangeExtension(
            formulation=name,
            pressure=at,
            why=(
                f"{format_pressure(at)} lies {way} what was tested of {name} ({span}); no test "
                f"inside that range replaces one there, and none is suggested here: {risk}"
            ),
        )
