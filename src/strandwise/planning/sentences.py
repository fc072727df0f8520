"""Plans in plain sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.tracking import change_size, in_megapascals

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from strandwise.planning.motor_tests import MotorSuggestion
    from strandwise.planning.next_test import NextTests, Suggestion
    from strandwise.planning.power import DesignPower, DetectableShift

__all__ = [
    "design_sentence",
    "detectable_sentence",
    "next_tests_sentence",
    "suggestion_sentence",
    "what_to_do",
]


def next_tests_sentence(
    plan: NextTests, *, format_pressure: Callable[[float], str] = in_megapascals
) -> str:
    """Say where things stand, without a full stop.

    Parameters
    ----------
    plan
        From `next_tests`.
    format_pressure
        Turns Pa into text with a unit.
    """
    at, whose = format_pressure(plan.pressure), _listed(plan.targets)
    if plan.interval_now is None:
        return f"the shift of {whose} at {at} has no interval yet"
    text = f"the shift of {whose} at {at} is known to about ±{_percent(plan.interval_now)}"
    if plan.batch_share is None:
        return text
    return (
        f"{text}; {100 * plan.batch_share:.0f} % of its variance comes from how batches differ, "
        "the rest from the tests"
    )


def suggestion_sentence(
    suggestion: Suggestion, *, format_pressure: Callable[[float], str] = in_megapascals
) -> str:
    """Say what to do, what it brings and why, without a full stop.

    Parameters
    ----------
    suggestion
        From `next_tests`.
    format_pressure
        Turns Pa into text with a unit.
    """
    after = f"±{_percent(suggestion.interval_after)}"
    if suggestion.gain is None:
        brings = f"the shift then has an interval, of about {after}"
    else:
        digits = 0 if suggestion.gain >= 0.02 else 1
        gain = f"{100 * suggestion.gain:.{digits}f} %"
        brings = f"the interval becomes {gain} narrower, about {after}"
    return f"{what_to_do(suggestion, format_pressure)}: {brings}; {suggestion.why}"


def what_to_do(
    suggestion: Suggestion | MotorSuggestion, format_pressure: Callable[[float], str]
) -> str:
    """The tests of a suggestion as an instruction."""
    pressures = list(dict.fromkeys(format_pressure(test.pressure) for test in suggestion.tests))
    where = pressures[0] if len(pressures) == 1 else f"{pressures[0]} to {pressures[-1]}"
    if suggestion.kind == "new-batch":
        noun = "firing" if suggestion.tests[0].is_firing else "strand"
        count = len(suggestion.tests)
        return (
            f"mix a new batch of {suggestion.formulation} and test {count} "
            f"{noun}{'' if count == 1 else 's'} at {where}"
        )
    if suggestion.kind == "firing":
        return f"fire one more motor of {suggestion.batch} ({suggestion.formulation}) at {where}"
    return f"burn one more strand of {suggestion.batch} ({suggestion.formulation}) at {where}"


def design_sentence(design: DesignPower) -> str:
    """Say what a design can show, without a full stop.

    Parameters
    ----------
    design
        From `designs_that_detect`.
    """
    way = "slower" if design.shift < 0 else "faster"
    tests = f"{design.tests_per_batch} {'test' if design.tests_per_batch == 1 else 'tests'}"
    others = (
        "the formulation" if design.formulations == 1 else f"the {design.formulations} formulations"
    )
    return (
        f"{design.batches} batches each of the baseline and of {others}, with {tests} of every "
        f"batch, show a burn rate "
        f"{abs(100 * design.shift):.3g} % {way} with a chance of {100 * design.power:.0f} %"
    )


def detectable_sentence(found: DetectableShift) -> str:
    """Say which shift the tests so far could have shown, without a full stop.

    Parameters
    ----------
    found
        From `detectable_shifts`.
    """
    if found.slower is None or found.faster is None:
        return f"no shift of {found.formulation} can be shown with the tests so far"
    return (
        f"the tests so far show a shift of {found.formulation} with a chance of "
        f"{100 * found.power:.0f} % only where it is {_two_digits(found.slower)} % slower or "
        f"{_two_digits(found.faster)} % faster, or more"
    )


def _two_digits(change: float) -> str:
    """A change of a rate in percent, to two significant digits, never as a power of ten."""
    size = abs(100.0 * change)
    return change_size(change, max(0, 1 - math.floor(math.log10(size))) if size else 1)


def _listed(names: Sequence[str]) -> str:
    return " and ".join([*([", ".join(names[:-1])] if len(names) > 1 else []), names[-1]])


def _percent(half_width: float) -> str:
    """Half width in ln(rate) as percent of the rate, two digits."""
    share = math.expm1(min(half_width, 700.0))
    return f"{_two_digits(share)} %" if share < 10 else "more than 1000 %"
