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
_EARLY_BURNOUT = 0.35
_PRESSURE_SOURCES = {
    "gauge": "Pressure: measured.",
    "thrust": "Pressure: from the thrust, through the thrust coefficient; not measured.",
}


@dataclass(frozen=True, slots=True)
class _Channel:
    label: str
    values: FloatArray
    colour: str


def draw_firing_trace(reduction: FiringReduction, units: DisplayUnits, title: str = "") -> Figure:
    """Pressure and thrust of a firing, each in its own panel, with its events.

    Time counts from ignition. The stretch from ignition to web burnout is shaded; the three
    instants are named above. Long traces are thinned to the lowest and highest sample of each
    of a thousand slices, so that no peak is lost.

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
        msg = f"the firing {reduction.test} has no trace to draw"
        raise RequestError(
            msg,
            expected="a firing with [trace] in its file",
            hint="a firing read by hand has numbers only; see reduce",
        )
    channels = _channels(reduction, units)
    if not channels:
        msg = f"the trace of the firing {reduction.test} carries neither pressure nor thrust"
        raise RequestError(msg, hint="name a pressure or thrust column in its [trace]")
    zero = reduction.ignition or 0.0
    with house_style():
        figure = new_figure(_SIZE[0], _SIZE[1] + _SECOND_CHANNEL * (len(channels) - 1))
        axes = figure.subplots(len(channels), 1, sharex=True, squeeze=False)[:, 0]
        window = _window(reduction, series.time)
        inside = (series.time >= window[0]) & (series.time <= window[1])
        for ax, channel in zip(axes, channels, strict=True):
            _draw_channel(ax, series.time[inside] - zero, channel, inside)
            _shade_burn(ax, reduction)
            ax.set_xlim(window[0] - zero, window[1] - zero)
            ax.set_ylabel(channel.label)
            ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
        _name_events(axes[0], reduction)
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
        channels.append(_Channel(label, values, ACCENT))
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
    ax.plot(shown, values, color=channel.colour, linewidth=1.2, zorder=2.2)
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


def _shade_burn(ax: Axes, reduction: FiringReduction) -> None:
    start = reduction.ignition
    if start is None:
        return
    if reduction.web_burnout is not None:
        ax.axvspan(0.0, reduction.web_burnout - start, color=ACCENT, alpha=0.07, linewidth=0)
    for _, instant, dashes in _events(reduction):
        ax.axvline(instant - start, color=INK, linewidth=0.9, linestyle=dashes, zorder=2.0)


def _events(
    reduction: FiringReduction,
) -> list[tuple[str, float, tuple[float, tuple[float, ...]]]]:
    named = (
        ("ignition", reduction.ignition, (0.0, ())),
        ("web burnout", reduction.web_burnout, (0.0, (5.0, 2.0))),
        ("end of action", reduction.end, (0.0, (1.5, 1.5))),
    )
    return [(name, instant, dashes) for name, instant, dashes in named if instant is not None]


def _name_events(ax: Axes, reduction: FiringReduction) -> None:
    """Names above the panel, each leaning away from its neighbour."""
    if reduction.ignition is None:
        return
    action = (reduction.end or reduction.ignition) - reduction.ignition
    burn = (reduction.web_burnout or reduction.ignition) - reduction.ignition
    early = burn < _EARLY_BURNOUT * action
    sides: dict[str, Literal["left", "right"]] = {
        "ignition": "right",
        "web burnout": "left" if early else "right",
        "end of action": "left",
    }
    for name, instant, _ in _events(reduction):
        since = instant - reduction.ignition
        text = name if name == "ignition" else f"{name} {format_number(since)} s"
        side = sides[name]
        ax.annotate(
            text,
            (since, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3 if side == "right" else -3, 4),
            textcoords="offset points",
            ha=side,
            va="bottom",
            fontsize=8.0,
        )


def _heading(reduction: FiringReduction) -> str:
    return f"Firing {reduction.test}: batch {reduction.batch}, {reduction.formulation}"


def _sentences(reduction: FiringReduction, units: DisplayUnits) -> Sequence[str]:
    sentences = []
    if reduction.burn_time is not None:
        burn = format_plus_minus(reduction.burn_time, reduction.burn_time_sd)
        sentences.append(f"Shaded: burn time, {burn} s (one standard uncertainty).")
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
            f"{unit_text(units.pressure)} absolute."
        )
    elif reduction.why_no_point:
        sentences.append(f"No burn rate: {reduction.why_no_point}.")
    return sentences
