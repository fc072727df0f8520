"""Which test to make next: the one that tells most of a motor's peak pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.findings import Caution
from strandwise.planning.candidates import RangeExtension, candidates, extensions, permitted_ranges
from strandwise.planning.peak import ASSUMED_OFFSET_SD, PeakModel
from strandwise.planning.reasons import NEAR, RANGE_SLACK, tested_range
from strandwise.planning.sentences import what_to_do
from strandwise.tracking import in_megapascals, variance_components

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator, Mapping, Sequence

    from strandwise.planning.candidates import Ranges
    from strandwise.planning.peak import MotorCause, PeakPrecision, PeakTarget
    from strandwise.planning.reasons import SuggestionKind
    from strandwise.tracking import Analysis, PlannedTest, VarianceComponents

__all__ = [
    "MotorSuggestion",
    "MotorTests",
    "next_tests_for_motor",
    "peak_sentence",
    "suggestion_for_motor_sentence",
]

_MOST_SUGGESTIONS = 8
_LEAST_GAIN = 0.005
_MOST = 0.5
_CHIEF = 0.2
_MOTOR_ADVICE: dict[MotorCause, str] = {
    "c*": (
        "{share:.0f} % of these is the characteristic velocity c*: a firing with a pressure gauge "
        "and a weighed grain, at a pressure that was tested, tells it, or `characteristic_velocity`"
        " with its `characteristic_velocity_sd` in [gas] of the motor's file where it is known; "
        "where the firings so far disagree about it, find out why"
    ),
    "throat": (
        "{share:.0f} % of these is the throat: measure it more closely, and state "
        "`throat_diameter_sd`"
    ),
    "density": (
        "{share:.0f} % of these is the density: weigh and measure the grain, and state `density` "
        "with its `density_sd`"
    ),
    "grain": (
        "{share:.0f} % of these is the grain's sizes: measure them more closely, and state their "
        "uncertainties, such as `core_diameter_sd`"
    ),
}
_ALIKE_DIGITS = 4  # of a standard deviation of ln P: 0.01 %


@dataclass(frozen=True, kw_only=True)
class MotorSuggestion:
    """One way to go on, and what it tells of the peak pressure.

    Parameters
    ----------
    kind, formulation, batch, tests
        As `strandwise.planning.Suggestion`.
    gain
        Part of the variance of ln(peak pressure) that it removes; None where that has no bound
        yet.
    sd_before, sd_after
        Of ln(peak pressure), root mean square over the forecasts, each scatter weighed by how
        well it is known (`PeakPrecision.widened`); the first None where there is none yet.
    why
        In plain words, without a full stop.
    """

    kind: SuggestionKind
    formulation: str
    batch: str
    tests: tuple[PlannedTest, ...]
    gain: float | None
    sd_before: float | None
    sd_after: float
    why: str


@dataclass(frozen=True, kw_only=True)
class MotorTests:
    """What to test next for a motor's sake.

    Parameters
    ----------
    targets
        The forecasts looked at.
    now
        How well each peak is known.
    sd_now
        Of ln(peak pressure), root mean square over them; None where one has no bound.
    suggestions
        Best first.
    extensions
        Where a peak lies outside what may be tested, or no firing may be made.
    cautions
        What the ranking assumes, and what it does not count.
    """

    targets: tuple[PeakTarget, ...]
    now: tuple[PeakPrecision, ...]
    sd_now: float | None
    suggestions: tuple[MotorSuggestion, ...]
    extensions: tuple[RangeExtension, ...]
    cautions: tuple[Caution, ...]


def next_tests_for_motor(
    analysis: Analysis,
    targets: Sequence[PeakTarget],
    *,
    strand_range: tuple[float, float] | None = None,
    firing_range: tuple[float, float] | None = None,
    batches_left: Collection[str] | None = None,
    strands_per_batch: int | None = None,
    components: VarianceComponents | None = None,
    most: int = _MOST_SUGGESTIONS,
    format_pressure: Callable[[float], str] = in_megapascals,
) -> MotorTests:
    """Rank candidate tests by how much they lessen the variance of ln(peak pressure).

    The variance is that of `PeakModel`, with and without the test; over several forecasts their
    mean. A new batch also tells more of how batches differ: Student's t has a degree of freedom
    more.

    Parameters
    ----------
    analysis
        A fitted comparison, without covariates.
    targets
        The forecasts whose peak matters, one a formulation.
    strand_range, firing_range, batches_left, strands_per_batch, components, most, format_pressure
        As `strandwise.planning.next_tests`.

    Raises
    ------
    DataError
        There is no target, one's formulation is unknown, a range is not one.
    """
    unknown = [one.formulation for one in targets if one.formulation not in analysis.names]
    if not targets or unknown:
        msg = f"tests for a motor of {', '.join(unknown) or 'no formulation'} cannot be planned"
        raise DataError(msg, expected=f"of {', '.join(analysis.names)}")
    counted = variance_components(analysis) if components is None else components
    model = PeakModel(analysis, counted)
    now = tuple(model.precision(target) for target in targets)
    before = _together(now)
    ranges = permitted_ranges(analysis, analysis.names, strand_range, firing_range)
    peaks = {target.formulation: target.pressure for target in targets}
    middle = math.exp(float(np.mean(np.log(list(peaks.values())))))
    decisions = {name: peaks.get(name, middle) for name in analysis.names}
    found = []
    for kind, tests in candidates(analysis, ranges, decisions, batches_left, strands_per_batch):
        after = _together([model.precision(target, tests) for target in targets])
        if after is not None:
            why = _reason(kind, tests, model, analysis, targets, now, format_pressure)
            found.append(
                MotorSuggestion(
                    kind=kind,
                    formulation=tests[0].formulation,
                    batch=tests[0].batch,
                    tests=tests,
                    gain=None if before is None else 1.0 - after / before,
                    sd_before=None if before is None else math.sqrt(before),
                    sd_after=math.sqrt(after),
                    why=why,
                )
            )
    wanted = {target.formulation: ranges[target.formulation] for target in targets}
    return MotorTests(
        targets=tuple(targets),
        now=now,
        sd_now=None if before is None else math.sqrt(before),
        suggestions=_best(found, decisions, most),
        extensions=(
            *extensions(analysis, wanted, decisions, format_pressure),
            *_no_firing(analysis, wanted, decisions),
        ),
        cautions=(
            *counted.cautions,
            *_motor_cautions(targets, now),
            *_cautions(model, analysis),
        ),
    )


def _together(precisions: Sequence[PeakPrecision]) -> float | None:
    """Mean variance, as well as it is known; None where one has no bound."""
    values = [one.widened for one in precisions]
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if len(known) == len(values) else None


def _best(
    found: list[MotorSuggestion], decisions: Mapping[str, float], most: int
) -> tuple[MotorSuggestion, ...]:
    """Best first, one of each kind and formulation: at the peak where it hardly matters where."""
    worth_it = [one for one in found if one.gain is None or one.gain >= _LEAST_GAIN]

    def rank(one: MotorSuggestion) -> tuple[float, int, float, str]:
        off = min(abs(math.log(t.pressure / decisions[one.formulation])) for t in one.tests)
        return (round(one.sd_after, _ALIKE_DIGITS), len(one.tests), off, one.batch)

    kept: dict[tuple[str, str], MotorSuggestion] = {}
    for one in sorted(worth_it, key=rank):
        kept.setdefault((one.kind, one.formulation), one)
    # What is alike above may still differ in the digits that a reader sees.
    return tuple(sorted(kept.values(), key=lambda one: one.sd_after)[:most])


def _reason(
    kind: SuggestionKind,
    tests: tuple[PlannedTest, ...],
    model: PeakModel,
    analysis: Analysis,
    targets: Sequence[PeakTarget],
    now: Sequence[PeakPrecision],
    format_pressure: Callable[[float], str],
) -> str:
    name, pressure = tests[0].formulation, tests[0].pressure
    whole = sum(one.variance for one in now)
    if kind == "new-batch":
        count = analysis.tests.batches_of(name)
        rests = f"{name} rests on {count} {'batch' if count == 1 else 'batches'}"
        if any(one.batch_df <= 0 for one in now):
            return f"{rests}, and how far batches differ is not known without a second one"
        share = sum(one.batches for one in now) / whole
        return (
            f"{rests}, and {100 * share:.0f} % of the variance of the peak pressure comes from how "
            "batches differ; a new one tells more of that spread, though not what the motor's own "
            "batch will do"
        )
    if tests[0].is_firing and model.assumes_offset and not analysis.tests.is_firing.all():
        return "the strands do not tell how motors read beside them; a firing does"
    own = next((target for target in targets if target.formulation == name), None)
    if own is None:
        return f"{name} shares the difference of strands and motors, and the scatter, with the rest"
    at = format_pressure(own.pressure)
    low, high = analysis.tests.pressure_range(name)
    if not low / RANGE_SLACK <= pressure <= high * RANGE_SLACK:
        return f"{name} was not tested at that pressure before; the given range permits it"
    if tests[0].is_firing:
        return f"a firing reads as the motor will, with a peak of about {at}"
    if abs(math.log(pressure / own.pressure)) <= math.log(NEAR):
        return f"a test near the peak, about {at}, adds to what is known there directly"
    end = "below" if pressure < own.pressure else "above"
    return f"a test {end} the peak of about {at} settles the exponent, and with it the rate there"


def _no_firing(
    analysis: Analysis, ranges: Mapping[str, Ranges], decisions: Mapping[str, float]
) -> Iterator[RangeExtension]:
    if analysis.tests.is_firing.any():
        return
    for name, permitted in ranges.items():
        if permitted.firing is None and tested_range(analysis, name, is_firing=True) is None:
            yield RangeExtension(
                formulation=name,
                pressure=decisions[name],
                why=(
                    f"no firing tells how motors of {name} read beside strands, and none is "
                    "suggested, as no pressure of a test motor is known to be permitted: "
                    "--lowest and --highest say which are"
                ),
            )


def _motor_cautions(
    targets: Sequence[PeakTarget], now: Sequence[PeakPrecision]
) -> Iterator[Caution]:
    """Say what to do where the motor's own tolerances are most of the variance."""
    whole = sum(one.variance for one in now)
    share = sum(one.motor for one in now) / whole if whole > 0.0 else 0.0
    if share < _MOST:
        return
    totals: dict[MotorCause, float] = {}
    for target in targets:
        for cause, part in target.motor_parts.items():
            totals[cause] = totals.get(cause, 0.0) + part
    text = (
        f"{100 * share:.0f} % of the variance of the peak pressure comes from the motor's "
        "tolerances, which knowing the burn rate better does not lessen"
    )
    known = sum(totals.values())
    chief = [cause for cause, part in totals.items() if known and part >= _CHIEF * known]
    for cause in sorted(chief, key=lambda one: -totals[one]):
        text += f"; {_MOTOR_ADVICE[cause].format(share=100 * totals[cause] / known)}"
    yield Caution("motor-tolerances", text)


def _cautions(model: PeakModel, analysis: Analysis) -> Iterator[Caution]:
    if model.assumes_offset and not analysis.tests.is_firing.all():
        yield Caution(
            "assumed-method-offset",
            f"no test tells how motors read beside strands: {100 * ASSUMED_OFFSET_SD:.0f} % of "
            "the rate is taken as the standard error of leaving that out",
        )
    yield Caution(
        "not-counted",
        "the variance is to first order about the median peak, at the scatter and the law as "
        "fitted: that a test may change these, and may bring the law itself in doubt, is not "
        "counted; nor is what a firing tells of c* and of the throat",
    )


def peak_sentence(
    target: PeakTarget,
    now: PeakPrecision,
    *,
    format_pressure: Callable[[float], str] = in_megapascals,
) -> str:
    """Say how well a peak pressure is known, and through what, without a full stop.

    Parameters
    ----------
    target, now
        Of `MotorTests`.
    format_pressure
        Turns Pa into text with a unit.
    """
    text = f"the peak pressure of {target.formulation} is about {format_pressure(target.pressure)}"
    if now.widened is None:
        return f"{text}; how far it may be off is not known, as no formulation has two batches"
    parts = {
        "how batches differ": now.batches,
        "the scatter of tests": now.tests,
        "errors that tests share": now.shared,
        "the motor's tolerances": now.motor,
    }
    shares = ", ".join(
        f"{100 * part / now.variance:.0f} % from {what}"
        for what, part in sorted(parts.items(), key=lambda item: -item[1])
        if part > 0.005 * now.variance
    )
    return (
        f"{text}, with a standard deviation of {_percent(math.sqrt(now.widened))}; of its "
        f"variance {shares}"
    )


def suggestion_for_motor_sentence(
    suggestion: MotorSuggestion, *, format_pressure: Callable[[float], str] = in_megapascals
) -> str:
    """Say what to do, what it brings and why, without a full stop.

    Parameters
    ----------
    suggestion
        Of `MotorTests`.
    format_pressure
        Turns Pa into text with a unit.
    """
    after = _percent(suggestion.sd_after)
    if suggestion.gain is None or suggestion.sd_before is None:
        brings = f"the peak pressure is then known to a standard deviation of {after}"
    else:
        digits = 0 if suggestion.gain >= 0.02 else 1
        # Two places for both: what a test brings may lie below a tenth of a percent.
        before, after = (_percent(sd, 2) for sd in (suggestion.sd_before, suggestion.sd_after))
        brings = (
            f"takes {100 * suggestion.gain:.{digits}f} % off the variance, the standard deviation "
            f"of the peak pressure falls from {before} to {after}"
        )
    return f"{what_to_do(suggestion, format_pressure)}: {brings}; {suggestion.why}"


def _percent(sd: float, digits: int | None = None) -> str:
    if sd >= 10:
        return "more than 1000 %"
    places = (2 if sd < 0.1 else 1 if sd < 1.0 else 0) if digits is None else digits
    return f"{100 * sd:.{places}f} %"
