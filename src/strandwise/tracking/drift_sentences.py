"""A drift chart in plain sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.tracking.sentences import in_megapascals, in_millimetres_per_second

if TYPE_CHECKING:
    from collections.abc import Callable

    from strandwise.tracking.drift import DriftChart, DriftSignal

__all__ = ["drift_sentences", "signal_sentence"]

_SIGNIFICANT = 0.05
# Mean run length of the five rules together on normal values with known centre and spread: 76
# (own simulation); Champ and Woodall (1987) give 92 for the four without the trend (from memory).
_FALSE_ALARM_EVERY = 75


def drift_sentences(
    chart: DriftChart,
    *,
    format_pressure: Callable[[float], str] = in_megapascals,
    format_rate: Callable[[float], str] = in_millimetres_per_second,
) -> tuple[str, ...]:
    """Say what a chart shows, one fact a sentence, without full stops.

    Parameters
    ----------
    chart
        From `drift_chart`.
    format_pressure, format_rate
        Turn Pa and m/s into text with a unit.
    """
    return tuple(
        line
        for line in (
            _level(chart, format_pressure, format_rate),
            *(signal_sentence(signal) for signal in chart.signals),
            _jumps(chart),
            _false_alarms(chart),
            _change(chart, format_rate),
        )
        if line
    )


def signal_sentence(signal: DriftSignal) -> str:
    """Say what one pattern is, without a full stop.

    Parameters
    ----------
    signal
        Of a chart.
    """
    side = "above" if signal.upwards else "below"
    names = signal.batches
    span = names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}"
    if signal.rule == "beyond-limits":
        return f"{span} lies {side} the limits"
    if signal.rule == "two-of-three":
        return f"{span}: two of three batches in a row lie far {side} the centre (beyond 2σ)"
    if signal.rule == "four-of-five":
        return f"{span}: four of five batches in a row lie well {side} the centre (beyond 1σ)"
    if signal.rule == "one-side":
        return f"{span}: {len(names)} batches in a row lie {side} the centre"
    way = "faster" if signal.upwards else "slower"
    return f"{span}: {len(names)} batches in a row, each {way} than the one before"


def _level(
    chart: DriftChart, format_pressure: Callable[[float], str], format_rate: Callable[[float], str]
) -> str:
    count = len(chart.points)
    burn = f"{format_rate(chart.centre)} at {format_pressure(chart.pressure)}"
    if count == 1:
        return f"the one batch of {chart.formulation} burns {burn}"
    text = f"{count} batches of {chart.formulation} burn {burn} on average"
    if chart.lower is None or chart.upper is None or chart.sigma is None:
        return text
    return (
        f"{text}, and neighbours differ as by a spread (σ) of {100 * chart.sigma:.1f} %: a steady "
        f"process keeps between {format_rate(chart.lower)} and {format_rate(chart.upper)}"
    )


def _jumps(chart: DriftChart) -> str:
    if not chart.wide_ranges:
        return ""
    return (
        f"{', '.join(chart.wide_ranges)}: differs more from the batch before than neighbours of "
        "a steady process do"
    )


def _false_alarms(chart: DriftChart) -> str:
    if chart.sigma is None or chart.lower is None:
        return ""
    if chart.signals:
        return (
            f"a steady process shows one of these patterns about every {_FALSE_ALARM_EVERY} "
            "batches by chance, and more often where limits rest on few batches"
        )
    if any(caution.code == "few-batches" for caution in chart.cautions):
        return "no pattern shows, and so few batches could hide a drift"
    return "no pattern shows that a steady process seldom has"


def _change(chart: DriftChart, format_rate: Callable[[float], str]) -> str:
    change = chart.change
    if change is None:
        return ""
    split = f"between {change.last_before} and {change.first_after}"
    if change.p >= _SIGNIFICANT:
        return (
            f"no change of level stands out (the clearest, {split}, can be chance: "
            f"p = {change.p:.2f})"
        )
    way = "slower" if change.shift < 0 else "faster"
    p = "p < 0.001" if change.p < 0.001 else f"p = {change.p:.3f}"
    return (
        f"the level changed {split}, from {format_rate(change.before)} to "
        f"{format_rate(change.after)} ({abs(100 * change.shift):.1f} % {way}, {p}), or drifted "
        "over these dates; the size is rather too large than too small, as the place was chosen "
        "for it"
    )
