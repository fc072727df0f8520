"""What drives a fit, in plain sentences."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.distributions import stdtrit
from strandwise.ratelaw.wording import number_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from strandwise.ratelaw.explain import Explanation, Influence
    from strandwise.ratelaw.results import RateFit

    Writer = Callable[[float], str]

__all__ = ["explain_sentences"]

_SHOWN = 2
_TREND_P = 0.05
_USUAL_NORMAL = 1.959963984540054


def explain_sentences(
    fit: RateFit,
    found: Explanation,
    *,
    stated: bool,
    ordered_by: str,
    format_pressure: Writer,
    format_rate: Writer,
) -> tuple[str, ...]:
    """Say what was found of a fit that has an interval, one fact a sentence, without full stops.

    Parameters
    ----------
    fit, found
        The law and what drives it.
    stated
        Whether any test states how uncertain its readings are.
    ordered_by
        By what the tests are in order, such as ``by the dates``.
    format_pressure, format_rate
        Turn Pa and m/s into text with a unit.
    """
    return (
        _interval_sentence(fit),
        *_influence_sentences(found.influences),
        _residual_sentence(found.influences),
        _share_sentence(fit, found.readings_share or 0.0, stated=stated),
        _trend_sentence(found, ordered_by),
        *_next_sentences(fit, found, format_pressure, format_rate),
    )


def _interval_sentence(fit: RateFit) -> str:
    if fit.n is None or fit.n_ci95 is None:
        return f"{fit.label}: n has no interval"
    text = (
        f"{fit.label}: {fit.points} tests give n = {number_text(fit.n, 3)}, in "
        f"{number_text(fit.n_ci95[0], 3)} to {number_text(fit.n_ci95[1], 3)} at 95 %"
    )
    times = float(stdtrit(fit.df, 0.975)) / _USUAL_NORMAL
    if times > 1.15:
        text += (
            f"; because so few tests have to tell their own scatter, that is {times:.1f} times as "
            "wide as it would be if the scatter were known"
        )
    return text


def _influence_sentences(influences: Sequence[Influence]) -> Iterator[str]:
    for one in influences[:_SHOWN]:
        if one.n_without is None:
            yield f"without {one.test} the other tests would not decide this law at all"
        else:
            yield (
                f"without {one.test}, n would be {number_text(one.n_without, 3)} (it decides "
                f"{100.0 * one.leverage:.0f} % of its own fitted rate)"
            )


def _residual_sentence(influences: Sequence[Influence]) -> str:
    largest = max(influences, key=lambda one: abs(one.residual))
    off = 100.0 * math.expm1(largest.residual)
    times = abs(largest.standardised_residual)
    return (
        f"the test farthest from the law is {largest.test}: it burned {abs(off):.1f} % "
        f"{'faster' if off > 0 else 'slower'} than the law, {times:.1f} times its usual deviation"
    )


def _share_sentence(fit: RateFit, share: float, *, stated: bool) -> str:
    scatter = f"{100.0 * (fit.scatter or 0.0):.1f} % of the rate"
    if not stated:
        return (
            "no test states how uncertain its readings are, so all of the interval comes from how "
            f"the tests scatter about the law, {scatter}"
        )
    return (
        f"of the uncertainty of n, {100.0 * share:.0f} % comes from the readings (length, time, "
        f"pressure) and {100.0 * (1.0 - share):.0f} % from scatter between tests ({scatter}): "
        + ("better instruments" if share > 0.5 else "more tests, or more even ones,")
        + " would narrow it most"
    )


def _trend_sentence(found: Explanation, ordered_by: str) -> str:
    if found.trend_percent is None or found.trend_p is None:
        return f"whether rates drifted from test to test cannot be told: {found.trend_reason}"
    if found.trend_p >= _TREND_P:
        return f"{ordered_by} no drift shows from the first test to the last"
    change = number_text(abs(found.trend_percent), 1)
    way = "rose" if found.trend_percent > 0 else "fell"
    return (
        f"{ordered_by} rates {way} by {change} % from the first test to the last (so much "
        f"comes by chance in {100.0 * found.trend_p:.1f} % of cases): ageing, moisture or the "
        "instrument"
    )


def _next_sentences(
    fit: RateFit, found: Explanation, write_pressure: Writer, write_rate: Writer
) -> Iterator[str]:
    repeat = next(one for one in found.influences if one.test == found.repeat)
    if repeat.test in found.outliers:
        text = f"look at the record of {repeat.test}, which stands out, and repeat it first"
    else:
        text = f"to make sure of n, repeat {repeat.test}: n hangs on it most"
    if repeat.expected is not None:
        low, high = (write_rate(end) for end in repeat.expected)
        text += (
            f"; by the law of the other tests, one at {write_pressure(repeat.pressure)} burns "
            f"between {low} and {high} (95 %)"
        )
    yield text
    at = write_pressure(fit.reference_pressure)
    if found.one_more is not None:
        low, high = (write_rate(end) for end in found.one_more)
        yield (
            f"one more test at {at}, made and read as these were, would burn between {low} and "
            f"{high} (95 %)"
        )
    for one in found.next_tests:
        what = "n" if one.about == "n" else f"the rate at {at}"
        yield (
            f"one more test at {write_pressure(one.pressure)} would narrow the interval of {what} "
            f"by about {100.0 * one.narrower:.0f} %, more than at any other pressure in the range "
            "tested"
        )
