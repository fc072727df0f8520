"""Which test to make next: the one that narrows the shift at the decision pressure most."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from strandwise.errors import DataError
from strandwise.planning.candidates import candidates, extensions, permitted_ranges
from strandwise.planning.reasons import SuggestionKind, reason
from strandwise.tracking import (
    ShiftPrecision,
    VarianceComponents,
    in_megapascals,
    shift_precision,
    variance_components,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from strandwise.findings import Caution
    from strandwise.planning.candidates import RangeExtension
    from strandwise.tracking import Analysis, PlannedTest

__all__ = ["NextTests", "Suggestion", "next_tests"]

_MOST_SUGGESTIONS = 8
_LEAST_GAIN = 0.005


@dataclass(frozen=True, kw_only=True)
class Suggestion:
    """One way to go on, and what it brings.

    Parameters
    ----------
    kind
        One more strand of an existing batch, one more firing of one, or a new batch with tests.
    formulation, batch
        Of what; for a new batch a name that no batch has yet.
    tests
        The tests to make.
    gain
        Part of the width of the 95 % interval of the shift that it removes, as a fraction; None
        where there is no interval yet.
    interval_after
        Half of that width after it, in ln(rate): 0.03 is ±3 % of the rate.
    why
        In plain words, without a full stop.
    """

    kind: SuggestionKind
    formulation: str
    batch: str
    tests: tuple[PlannedTest, ...]
    gain: float | None
    interval_after: float
    why: str


@dataclass(frozen=True, kw_only=True)
class NextTests:
    """What to test next.

    Parameters
    ----------
    targets
        Formulations whose shift is to be known better.
    pressure
        Decision pressure, absolute, Pa.
    interval_now
        Half the width of the 95 % interval of the shift in ln(rate), root mean square over the
        targets; None where one of them has no interval.
    components
        The scatter counted with.
    batch_share
        Part of the shifts' variance that comes from batches, not from tests; None where there
        is no interval.
    suggestions
        Best first.
    extensions
        Where the decision pressure lies outside what may be tested.
    cautions
        Reasons to trust this less.
    """

    targets: tuple[str, ...]
    pressure: float
    interval_now: float | None
    components: VarianceComponents
    batch_share: float | None
    suggestions: tuple[Suggestion, ...]
    extensions: tuple[RangeExtension, ...]
    cautions: tuple[Caution, ...] = ()


def next_tests(
    analysis: Analysis,
    *,
    formulation: str | None = None,
    strand_range: tuple[float, float] | None = None,
    firing_range: tuple[float, float] | None = None,
    batches_left: Collection[str] | None = None,
    strands_per_batch: int | None = None,
    components: VarianceComponents | None = None,
    most: int = _MOST_SUGGESTIONS,
    format_pressure: Callable[[float], str] = in_megapascals,
) -> NextTests:
    """Rank candidate tests by how much they narrow the shift at the decision pressure.

    Each candidate is added to the design of the fitted mixed model, and the 95 % interval of the
    shift worked out anew at the same scatter (`shift_precision`). Degrees of freedom change with
    a new batch alone, and never fall: what they do when a test is added to an existing batch
    comes from the approximation, which weighs the batches' share, and not from knowing less.
    No test is suggested at a pressure outside the permitted range. Where none is given, that is
    what tests of the same formulation and kind have covered: a case that held at one pressure
    says nothing of a higher one.

    Parameters
    ----------
    analysis
        A fitted comparison, without covariates; its pressure is the decision pressure.
    formulation
        Whose shift matters; None: all, root mean square.
    strand_range, firing_range
        Lowest and highest absolute pressure at which strands and firings may be made, Pa; None:
        what was tested.
    batches_left
        Existing batches of which there is material left; None: all.
    strands_per_batch
        Tests of a new batch; None: as many as the middle batch so far, three at least.
    components
        The scatter to count with; None: the comparison's, on the careful side.
    most
        How many suggestions.
    format_pressure
        Turns Pa into text with a unit.

    Raises
    ------
    DataError
        The formulation is the baseline or unknown, a range is not one, there is nothing to
        compare.
    """
    targets = _targets(analysis, formulation)
    ranges = permitted_ranges(analysis, (analysis.baseline, *targets), strand_range, firing_range)
    decisions = dict.fromkeys(ranges, analysis.pressure)
    counted = variance_components(analysis) if components is None else components
    precisions = shift_precision(analysis, counted)
    now = _interval(precisions, targets)
    share = _batch_share(analysis, counted, targets)
    tried = candidates(analysis, ranges, decisions, batches_left, strands_per_batch)
    found = []
    for kind, tests in tried:
        after = _interval(_with_tests(analysis, counted, tests, precisions), targets)
        if after is not None:
            why = reason(kind, tests, analysis, share, format_pressure)
            found.append(_suggestion(kind, tests, now, after, why))
    return NextTests(
        targets=targets,
        pressure=analysis.pressure,
        interval_now=now,
        components=counted,
        batch_share=share,
        suggestions=_best(found, most),
        extensions=tuple(extensions(analysis, ranges, decisions, format_pressure)),
        cautions=counted.cautions,
    )


def _suggestion(
    kind: SuggestionKind, tests: tuple[PlannedTest, ...], now: float | None, after: float, why: str
) -> Suggestion:
    return Suggestion(
        kind=kind,
        formulation=tests[0].formulation,
        batch=tests[0].batch,
        tests=tests,
        gain=None if now is None else 1.0 - after / now,
        interval_after=after,
        why=why,
    )


def _targets(analysis: Analysis, formulation: str | None) -> tuple[str, ...]:
    others = analysis.names[1:]
    if not others:
        msg = f"only the baseline {analysis.baseline} has burn rates"
        raise DataError(msg, expected="a formulation to compare", hint="test another one first")
    if formulation is None:
        return others
    if formulation not in others:
        msg = f"the shift of `{formulation}` cannot be planned for"
        raise DataError(msg, expected=f"one of {', '.join(others)}")
    return (formulation,)


def _interval(
    precisions: Mapping[str, ShiftPrecision | None], targets: tuple[str, ...]
) -> float | None:
    """Half width, root mean square over the targets; None where one has no interval."""
    widths = []
    for name in targets:
        precision = precisions[name]
        if precision is None:
            return None
        widths.append(precision.half_width)
    return math.sqrt(sum(width**2 for width in widths) / len(widths))


def _with_tests(
    analysis: Analysis,
    components: VarianceComponents,
    tests: tuple[PlannedTest, ...],
    now: Mapping[str, ShiftPrecision | None],
) -> dict[str, ShiftPrecision | None]:
    new_batch = tests[0].batch not in analysis.tests.batch
    found = shift_precision(analysis, components, tests)
    for name, before in now.items():
        after = found[name]
        if before is not None and after is not None:
            df = max(before.df, after.df) if new_batch else before.df
            found[name] = dataclasses.replace(after, df=df)
    return found


def _batch_share(
    analysis: Analysis, components: VarianceComponents, targets: tuple[str, ...]
) -> float | None:
    alone = dataclasses.replace(components, batch_sd=0.0)
    both, tests = (shift_precision(analysis, scatter) for scatter in (components, alone))
    total = within = 0.0
    for name in targets:
        all_of_it, tests_only = both[name], tests[name]
        if all_of_it is None or tests_only is None:
            return None
        total += all_of_it.sd**2
        within += tests_only.sd**2
    return min(max(1.0 - within / total, 0.0), 1.0)


def _best(found: list[Suggestion], most: int) -> tuple[Suggestion, ...]:
    """Best first; of one kind and formulation only the best pressure and batch of each."""
    worth_it = [one for one in found if one.gain is None or one.gain >= _LEAST_GAIN]
    ranked = sorted(worth_it, key=lambda one: (one.interval_after, len(one.tests), one.batch))
    kept: dict[tuple[str, str, float | None], Suggestion] = {}
    for one in ranked:
        pressure = one.tests[0].pressure if len(one.tests) == 1 else None
        kept.setdefault((one.kind, one.formulation, pressure), one)
    return tuple(list(kept.values())[:most])
