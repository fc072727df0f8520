"""The chance to show a shift against its size, as things stand and with more batches."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri

from strandwise.planning.candidates import candidates, permitted_ranges
from strandwise.planning.power import balanced_critical_t, noncentrality_for, power_of_t
from strandwise.tracking import shift_precision

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.tracking import Analysis, PlannedTest, ShiftPrecision, VarianceComponents

__all__ = ["PowerCurve", "power_curves"]

_POWER = 0.8
_LEVEL = 0.05
_POINTS = 61
_BEYOND = 1.6
_LEAST, _MOST = 0.01, 0.7  # of ln(rate), that the shifts looked at reach to
_BATCHES = (0, 1, 2, 4)


@dataclass(frozen=True, kw_only=True, slots=True)
class PowerCurve:
    """Chance to show the shift of one formulation, for shifts from none upwards.

    Parameters
    ----------
    formulation
        Whose shift.
    new_batches
        Of each formulation, the baseline included, on top of what there is.
    tests_per_batch
        Of each new batch, the most that a formulation has.
    shifts
        Changes of the burn rate as fractions, zero and below: −0.05 is 5 % slower. A faster one
        of the same ln(rate) has the same chance.
    power
        Chance at each.
    low, high
        Ends of the 95 % interval of the chance at each, as the scatter is known from so few
        batches; empty where that was assumed, or taken on the careful side, and with new batches.
    shown
        The smallest of all shifts below zero that is shown with a chance of 0.8.
    """

    formulation: str
    new_batches: int
    tests_per_batch: int
    shifts: tuple[float, ...]
    power: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    shown: float


def power_curves(
    analysis: Analysis,
    components: VarianceComponents,
    formulations: Sequence[str],
    *,
    permitted: tuple[float, float] | None = None,
    new_batches: Sequence[int] = _BATCHES,
) -> tuple[PowerCurve, ...]:
    """Chance to show the shift of each formulation, for several numbers of new batches.

    Each new batch has the tests that `next_tests` would give it. The variance of a shift with ν
    degrees of freedom lies within ν·V/χ² of its estimate V, which bounds the power (D. J. Taylor
    and K. E. Muller, The American Statistician 49 (1995) 43, from memory).

    Parameters
    ----------
    analysis
        A fitted comparison, without covariates.
    components
        The scatter to count with.
    formulations
        Whose shifts; of the baseline there is none.
    permitted
        Lowest and highest absolute pressure of new tests, Pa; None: what was tested of each.
    new_batches
        Numbers to look at, the least first; 0 is what there is.

    Returns
    -------
    Of the fewest batches with which any shift has an interval all that have one, as
    `formulations`; then with each number of more batches the one that is hardest to show. All
    over the same shifts.

    Raises
    ------
    DataError
        The permitted pressures are no range, the comparison has covariates.
    """
    ranges = permitted_ranges(analysis, analysis.names, permitted, permitted)
    decisions = dict.fromkeys(ranges, analysis.pressure)
    one_more = [
        tests
        for kind, tests in candidates(analysis, ranges, decisions, (), None)
        if kind == "new-batch"
    ]
    now = shift_precision(analysis, components)
    found: list[tuple[str, int, ShiftPrecision, int]] = []
    for number in new_batches:
        precisions = shift_precision(analysis, components, _batches(one_more, number))
        # Those that a comparison adjusts its p-values for.
        count = sum(precision is not None for precision in precisions.values())
        # The first that can be shown at all are all told, and then what is hardest to show.
        hardest = max(found, key=lambda one: _reach(*one[2:]), default=None)
        for name in formulations if hardest is None else hardest[:1]:
            precision, before = precisions[name], now[name]
            if precision is not None and before is not None:
                # As for a single new batch: more batches never tell less of the scatter.
                df = max(precision.df, before.df)
                precision = dataclasses.replace(precision, df=df)
            if precision is not None:
                found.append((name, number, precision, count))
    sizes = max((len(tests) for tests in one_more), default=0)
    shifts = _shifts([_reach(precision, count) for *_, precision, count in found])
    return tuple(
        _curve(name, number, sizes, precision, count, shifts, known=not components.cautions)
        for name, number, precision, count in found
    )


def _batches(one_more: Sequence[tuple[PlannedTest, ...]], number: int) -> list[PlannedTest]:
    return [
        dataclasses.replace(test, batch=f"{test.batch}-{place}")
        for tests in one_more
        for place in range(number)
        for test in tests
    ]


def _reach(precision: ShiftPrecision, count: int) -> float:
    """Size in ln(rate) of the shift that is shown with the usual power."""
    critical = balanced_critical_t(precision.df, count, _LEVEL)
    return noncentrality_for(precision.df, critical, _POWER) * precision.sd


def _shifts(reaches: Sequence[float]) -> list[float]:
    """Shifts that reach past what is shown now, which is the most that is looked at."""
    farthest = min(max(_BEYOND * max(reaches, default=_LEAST), _LEAST), _MOST)
    return [-x for x in np.linspace(0.0, -math.expm1(-farthest), _POINTS).tolist()]


def _curve(
    name: str,
    number: int,
    tests: int,
    precision: ShiftPrecision,
    count: int,
    shifts: Sequence[float],
    *,
    known: bool,
) -> PowerCurve:
    df = precision.df
    critical = balanced_critical_t(df, count, _LEVEL)
    # Tests to come tell nothing of the scatter yet.
    known = known and number == 0

    def powers(sd: float) -> tuple[float, ...]:
        return tuple(power_of_t(-math.log1p(shift) / sd, df, critical) for shift in shifts)

    ends = [precision.sd * math.sqrt(df / float(chdtri(df, tail))) for tail in (0.975, 0.025)]
    return PowerCurve(
        formulation=name,
        new_batches=number,
        tests_per_batch=tests,
        shifts=tuple(shifts),
        power=powers(precision.sd),
        low=powers(ends[0]) if known else (),
        high=powers(ends[1]) if known else (),
        shown=math.expm1(-_reach(precision, count)),
    )
