"""Planned tests as a sheet to work through: in random order, in blocks of like size."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from strandwise.errors import DataError
from strandwise.tracking import PlannedTest

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["RunSheet", "RunSheetRow", "balanced_tests", "run_sheet"]

_T = TypeVar("_T")


@dataclass(frozen=True, kw_only=True, slots=True)
class RunSheetRow:
    """One test of the sheet.

    Parameters
    ----------
    position
        Counted from 1 over the whole sheet.
    day
        Counted from 1.
    test
        What to do.
    """

    position: int
    day: int
    test: PlannedTest


@dataclass(frozen=True, kw_only=True)
class RunSheet:
    """The order to mix and to test in.

    Parameters
    ----------
    mixing
        Batches in the order to mix them in.
    rows
        Tests in order.
    seed
        That gives the same sheet again.
    """

    mixing: tuple[str, ...]
    rows: tuple[RunSheetRow, ...]
    seed: int


def balanced_tests(
    formulations: Sequence[str],
    *,
    batches: int,
    pressures: Sequence[float],
    is_firing: bool = False,
    taken: Sequence[str] = (),
) -> tuple[PlannedTest, ...]:
    """The same tests of as many new batches of each formulation.

    Parameters
    ----------
    formulations
        Names, the baseline among them.
    batches
        Of each.
    pressures
        Absolute, Pa; one test of each batch at each.
    is_firing
        Whether the tests are firings.
    taken
        Names of batches that exist; new ones are numbered past them.

    Raises
    ------
    DataError
        Nothing to plan, a name twice, a pressure not above zero.
    """
    if not formulations or batches < 1 or not pressures or min(pressures) <= 0:
        msg = f"{batches} batches of {len(formulations)} formulations at {len(pressures)} pressures"
        raise DataError(msg, expected="at least one of each, pressures above zero")
    if len(set(formulations)) < len(formulations):
        msg = f"formulations {', '.join(formulations)}"
        raise DataError(msg, expected="each once")
    used = set(taken)
    planned = []
    for name in formulations:
        numbers = (number for number in range(1, len(used) + batches + 1))
        free = [label for number in numbers if (label := f"{name}-new-{number}") not in used]
        planned += [
            PlannedTest(batch=batch, formulation=name, is_firing=is_firing, pressure=pressure)
            for batch in free[:batches]
            for pressure in pressures
        ]
    return tuple(planned)


def run_sheet(
    tests: Sequence[PlannedTest], *, seed: int, most_per_day: int | None = None
) -> RunSheet:
    """Put tests in a random order that keeps formulations side by side.

    A block holds one batch of each formulation (as far as there are), mixed in random order; all
    its tests are shuffled together, so that weather, drying and the rig's drift fall on all
    formulations alike. A block that is too large for a day is dealt out over several, every
    batch spread evenly over them.

    Parameters
    ----------
    tests
        What to do, in any order.
    seed
        Any whole number; the same one gives the same sheet.
    most_per_day
        Tests that fit in a day; None: a block is a day.

    Raises
    ------
    DataError
        No tests, a batch under two formulations, fewer than one test a day.

    References
    ----------
    R. A. Fisher, The Design of Experiments (1935): randomisation within blocks.
    """
    if not tests or (most_per_day is not None and most_per_day < 1):
        msg = f"{len(tests)} tests with {most_per_day} a day"
        raise DataError(msg, expected="at least one test, and one a day")
    rng = np.random.default_rng(seed)
    mixing: list[str] = []
    rows: list[RunSheetRow] = []
    day = 0
    for block in _blocks(tests, rng):
        mixing += block
        for part in _days([t for t in tests if t.batch in block], most_per_day, rng):
            day += 1
            for test in part:
                rows.append(RunSheetRow(position=len(rows) + 1, day=day, test=test))
    return RunSheet(mixing=tuple(mixing), rows=tuple(rows), seed=seed)


def _blocks(tests: Sequence[PlannedTest], rng: np.random.Generator) -> list[list[str]]:
    """One batch of each formulation a block, in random order."""
    formulation_of: dict[str, str] = {}
    for test in tests:
        if formulation_of.setdefault(test.batch, test.formulation) != test.formulation:
            msg = f"batch {test.batch} is planned under two formulations"
            raise DataError(msg, expected="one formulation per batch")
    waiting: dict[str, list[str]] = {}
    for batch, formulation in formulation_of.items():
        waiting.setdefault(formulation, []).append(batch)
    queues = [_shuffled(batches, rng) for batches in waiting.values()]
    count = max(Counter(formulation_of.values()).values())
    return [
        _shuffled([queue[place] for queue in queues if place < len(queue)], rng)
        for place in range(count)
    ]


def _days(
    tests: Sequence[PlannedTest], most: int | None, rng: np.random.Generator
) -> list[list[PlannedTest]]:
    days = 1 if most is None else -(-len(tests) // most)
    by_batch: dict[str, list[PlannedTest]] = {}
    for test in _shuffled(tests, rng):
        by_batch.setdefault(test.batch, []).append(test)
    dealt: list[list[PlannedTest]] = [[] for _ in range(days)]
    in_turn = [test for own in by_batch.values() for test in own]
    for place, test in enumerate(in_turn):
        dealt[place % days].append(test)
    return [_shuffled(part, rng) for part in dealt]


def _shuffled(items: Sequence[_T], rng: np.random.Generator) -> list[_T]:
    return [items[index] for index in rng.permutation(len(items))]
