"""One firing: pressure and thrust against time, with the instants that the rate rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import (
    axis_label,
    format_number,
    format_plus_minus,
    in_unit,
    plain_number,
    unit_text,
)
from strandwise.report.style import ACCENT, INK, MUTED, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from strandwise.reduction import FiringReduction
    from strandwise.report.labels import DisplayUnits

    FloatArray = NDArray[np.float64]

__all__ = ["draw_firing_trace"]

_SIZE = (7.2, 3.6)
_SECOND_CHANNEL = 2.1
_MOST_SAMPLES = 4000
_SLICES = 1000
# Share of the action time shown before ignition and after the end.
_BEFORE, _AFTER = 0.15, 0.3
# So few samples within the picture are marked one by one: what lies between them is not known.
_FEW_SAMPLES = 250
_LETTER_POINTS = 4.7
_EVENT_SIZE = 8.0
_EVENT_GAP, _EVENT_ROW = 3.0, 12.0
_PRESSURE_SOURCES = {
    "gauge": "Pressure: measured.",
    "thrust": "Pressure: from the thrust, through the thrust coefficient; not measured.",
}


@dataclass(frozen=True, slots=True)
class _Channel:
    label: str
    values: FloatArray
    colour: str
    level: float | None = None
    absolute: bool = False


@dataclass(frozen=True, slots=True)
class _Event:
    text: str
    since: float
    dashes: tuple[float, tuple[float, ...]]


def draw_firing_trace(reduction: FiringReduction, units: DisplayUnits, title: str = "") -> Figure:
    """Pressure and thrust of a firing, each in its own panel, with its events.

    Time counts from ignition. The stretch from ignition to web burnout is shaded, and so is one
    standard uncertainty either side of web burnout; the three instants are named above. Long
    traces are thinned to the lowest and highest sample of each of a thousand slices, so that no
    peak is lost; the samples of short ones are marked. Cautions are named below.

    Parameters
    ----------
    reduction
        One firing.
    units
        What the reader sees.
    title
        Above the picture; names test, batch and formulation where empty.

    Raises
    ------
    RequestError
        The firing was read by hand, or its trace carries neither pressure nor thrust.
    """
    series = reduction.trace_series
    if series is None:
        msg = f"the firing `{reduction.test}` has no trace to draw"
        raise RequestError(
            msg,
            expected="a firing with [trace] in its file",
            hint="a firing read by hand has numbers only; see reduce",
        )
    channels = _channels(reduction, units)
    if not channels:
        msg = f"the trace of the firing `{reduction.test}` carries neither pressure nor thrust"
        raise RequestError(msg, hint="name a pressure or thrust column in its [trace]")
    zero = reduction.ignition or 0.0
    with house_style():
        figure = new_figure(_SIZE[0], _SIZE[1] + _SECOND_CHANNEL * (len(channels) - 1))
        axes = figure.subplots(len(channels), 1, sharex=True, squeeze=False)[:, 0]
        window = _window(reduction, series.time)
        inside = (series.time >= window[0]) & (series.time <= window[1])
        for ax, channel in zip(axes, channels, strict=True):
            _draw_channel(ax, series.time[inside] - zero, channel, inside)
            _shade_burn(ax, reduction, channel.level)
            ax.set_xlim(window[0] - zero, window[1] - zero)
            ax.set_ylabel(channel.label)
            ax.yaxis.set_major_formatter(lambda value, _: plain_number(value))
            ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
        _name_events(axes[0], _events(reduction), (window[0] - zero, window[1] - zero))
        axes[-1].set_xlabel(
            "Time from ignition (s)" if reduction.ignition is not None else "Time (s)"
        )
        figure.align_ylabels(list(axes))
        add_heading(figure, title or _heading(reduction))
        add_footnote(figure, _sentences(reduction, units))
    return figure


def _channels(reduction: FiringReduction, units: DisplayUnits) -> list[_Channel]:
    series = reduction.trace_series
    channels = []
    if series is not None and series.pressure is not None:
        label = axis_label("Absolute pressure", units.pressure)
        if reduction.pressure_from == "thrust":
            label = f"{label},\nfrom the thrust"
        values = in_unit(series.pressure, units.pressure)
        mean = reduction.rate_mean_pressure
        level = None if mean is None else in_unit(mean, units.pressure)
        channels.append(_Channel(label, values, ACCENT, level, absolute=True))
    if series is not None and series.thrust is not None:
        values = in_unit(series.thrust, units.force)
        channels.append(_Channel(axis_label("Thrust", units.force), values, SERIES[1].colour))
    return channels


def _window(reduction: FiringReduction, time: FloatArray) -> tuple[float, float]:
    first, last = float(time[0]), float(time[-1])
    if reduction.ignition is None or reduction.end is None:
        return first, last
    span = reduction.end - reduction.ignition
    return (
        max(first, reduction.ignition - _BEFORE * span),
        min(last, reduction.end + _AFTER * span),
    )


def _draw_channel(ax: Axes, time: FloatArray, channel: _Channel, inside: NDArray[np.bool_]) -> None:
    shown, values = _thinned(time, channel.values[inside])
    marker = "." if len(shown) <= _FEW_SAMPLES else None
    ax.plot(
        shown,
        values,
        color=channel.colour,
        linewidth=1.2,
        marker=marker,
        markersize=3.5,
        zorder=2.2,
    )
    if channel.absolute and np.nanmin(values) >= 0.0:
        ax.set_ylim(bottom=0.0)
    else:
        ax.axhline(0.0, color=MUTED, linewidth=0.7, zorder=1.5)


def _thinned(time: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest sample of each slice, in order of time; missing values break the line."""
    if len(time) <= _MOST_SAMPLES:
        return time, values
    keep: set[int] = {0, len(time) - 1}
    for part in np.array_split(np.arange(len(time)), _SLICES):
        finite = part[np.isfinite(values[part])]
        chosen = finite if len(finite) else part[:1]
        keep.add(int(chosen[np.argmin(values[chosen])]))
        keep.add(int(chosen[np.argmax(values[chosen])]))
    order = np.array(sorted(keep))
    return time[order], values[order]


def _shade_burn(ax: Axes, reduction: FiringReduction, level: float | None) -> None:
    start, burnout = reduction.ignition, reduction.web_burnout
    if start is None:
        return
    if burnout is not None:
        ax.axvspan(0.0, burnout - start, color=ACCENT, alpha=0.07, linewidth=0)
        if reduction.burn_time_sd:
            spread = reduction.burn_time_sd
            ends = burnout - start - spread, burnout - start + spread
            ax.axvspan(*ends, color=ACCENT, alpha=0.13, linewidth=0)
        if level is not None:
            ax.plot(
                [0.0, burnout - start], [level, level], color=INK, linewidth=0.9, dashes=(1.0, 2.0)
            )
    for event in _events(reduction):
        ax.axvline(event.since, color=INK, linewidth=0.9, linestyle=event.dashes, zorder=2.0)


def _events(reduction: FiringReduction) -> list[_Event]:
    start = reduction.ignition
    if start is None:
        return []
    # To the same digits as the burn time below, which is the same instant.
    named: tuple[tuple[str, float | None, float | None, tuple[float, ...]], ...] = (
        ("ignition", start, None, ()),
        ("web burnout", reduction.web_burnout, reduction.burn_time_sd, (5.0, 2.0)),
        ("end of action", reduction.end, None, (1.5, 1.5)),
    )
    return [
        _Event(
            name if name == "ignition" else f"{name} {format_number(instant - start, sd)} s",
            instant - start,
            (0.0, dashes),
        )
        for name, instant, sd, dashes in named
        if instant is not None
    ]


def _name_events(ax: Axes, events: Sequence[_Event], window: tuple[float, float]) -> None:
    """Names above the panel, beside their lines, where there is room; else a row higher."""
    width = 72.0 * _SIZE[0] * 0.88
    taken: list[tuple[int, float, float]] = []
    for event in events:
        place = (event.since - window[0]) / (window[1] - window[0]) * width
        needs = len(event.text) * _LETTER_POINTS + _EVENT_GAP
        for row, side in _places(event.text):
            low, high = (place - needs, place) if side == "right" else (place, place + needs)
            free = all(high <= left or low >= right for at, left, right in taken if at == row)
            if free and low >= -_EVENT_ROW and high <= width + _EVENT_ROW:
                break
        taken.append((row, low, high))
        ax.annotate(
            event.text,
            (event.since, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(_EVENT_GAP if side == "left" else -_EVENT_GAP, 4 + row * _EVENT_ROW),
            textcoords="offset points",
            ha=side,
            va="bottom",
            fontsize=_EVENT_SIZE,
        )


def _places(text: str) -> list[tuple[int, Literal["left", "right"]]]:
    """Row and alignment to try, in order: the end of action stands right of its line if it can."""
    first: Literal["left", "right"] = "left" if text.startswith("end") else "right"
    second: Literal["left", "right"] = "right" if first == "left" else "left"
    return [(row, side) for row in (0, 1, 2) for side in (first, second)]


def _heading(reduction: FiringReduction) -> str:
    return f"Firing {reduction.test}: batch {reduction.batch}, {reduction.formulation}"


def _sentences(reduction: FiringReduction, units: DisplayUnits) -> Sequence[str]:
    sentences = []
    if reduction.burn_time is not None:
        burn = format_plus_minus(reduction.burn_time, reduction.burn_time_sd)
        darker = "; darker: this uncertainty" if reduction.burn_time_sd else ""
        sentences.append(f"Shaded: burn time, {burn} s (one standard uncertainty{darker}).")
    if peaks := _peaks(reduction, units):
        sentences.append(f"Peak {peaks}.")
    if reduction.pressure_from in _PRESSURE_SOURCES:
        sentences.append(_PRESSURE_SOURCES[reduction.pressure_from])
    point = reduction.point
    if point is not None:
        rate = format_plus_minus(
            in_unit(point.rate, units.rate),
            None if point.rate_sd is None else in_unit(point.rate_sd, units.rate),
        )
        pressure = format_number(
            in_unit(point.pressure, units.pressure),
            None if point.pressure_sd is None else in_unit(point.pressure_sd, units.pressure),
        )
        sentences.append(
            f"Burn rate {rate} {unit_text(units.rate)} at {pressure} "
            f"{unit_text(units.pressure)} absolute"
            + (" (level line)." if reduction.rate_mean_pressure is not None else ".")
        )
        if not point.used:
            sentences.append(f"No fit uses it: {point.why_not}.")
    elif reduction.why_no_point:
        sentences.append(f"No burn rate: {reduction.why_no_point}.")
    if codes := list(dict.fromkeys(caution.code for caution in reduction.cautions)):
        named = ", ".join(code.replace("-", " ") for code in codes)
        sentences.append(f"Cautions, which reduce spells out: {named}.")
    return sentences


def _peaks(reduction: FiringReduction, units: DisplayUnits) -> str:
    parts = []
    if reduction.peak_pressure is not None:
        peak = format_number(in_unit(reduction.peak_pressure, units.pressure))
        parts.append(f"{peak} {unit_text(units.pressure)} absolute")
    if reduction.peak_thrust is not None:
        peak = format_number(in_unit(reduction.peak_thrust, units.force))
        parts.append(f"{peak} {unit_text(units.force)}")
    return ", ".join(parts)
