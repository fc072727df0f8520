"""Batches of one formulation over their mixing dates, with the limits of a steady process."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import axis_label, format_number, in_unit, plain_number, unit_text
from strandwise.report.style import ACCENT, FAINT, INK, MUTED, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.report.labels import DisplayUnits
    from strandwise.tracking import DriftChart

__all__ = ["draw_drift"]

_WIDTH = 9.2
_HEIGHT = 5.6
_MOST_LABELS = 16
_SIGNAL = SERIES[1]
_LEVEL = 0.05
_PER_CENT = 100.0


def draw_drift(chart: DriftChart, units: DisplayUnits, title: str = "") -> Figure:
    """Burn rate of each batch with centre and limits, and below it the step from the one before.

    Parameters
    ----------
    chart
        From `drift_chart`.
    units
        What the reader sees.
    title
        Above the picture; names formulation and pressure where empty.

    Raises
    ------
    RequestError
        There is one batch alone.
    """
    if len(chart.points) == 1:
        msg = f"one batch of {chart.formulation} shows no drift"
        raise RequestError(msg, expected="two batches at least", hint="mix and test another")
    pressure = in_unit(chart.pressure, units.pressure)
    place = f"{format_number(pressure)} {unit_text(units.pressure)}"
    with house_style():
        figure = new_figure(_WIDTH, _HEIGHT)
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[5, 2])
        _draw_rates(upper, chart, units)
        _draw_steps(lower, chart)
        _label_batches(lower, chart)
        add_heading(figure, title or f"{chart.formulation}: batches at {place} absolute")
        add_footnote(figure, _sentences(chart))
    return figure


def _draw_rates(ax: Axes, chart: DriftChart, units: DisplayUnits) -> None:
    places = range(len(chart.points))
    for place, point in zip(places, chart.points, strict=True):
        if point.log_rate_sd:
            ends = [point.rate * math.exp(sign * 2.0 * point.log_rate_sd) for sign in (-1.0, 1.0)]
            shown = [in_unit(end, units.rate) for end in ends]
            ax.plot([place, place], shown, color=MUTED, linewidth=1.0, zorder=2.0)
    rates = [in_unit(point.rate, units.rate) for point in chart.points]
    ax.plot(places, rates, color=ACCENT, linewidth=1.0, marker="o", markersize=5.0, zorder=2.5)
    flagged = [place for place, point in zip(places, chart.points, strict=True) if point.rules]
    ax.plot(
        flagged,
        [rates[place] for place in flagged],
        linestyle="none",
        marker=_SIGNAL.marker,
        markersize=9.0,
        markerfacecolor="none",
        markeredgecolor=_SIGNAL.colour,
        markeredgewidth=1.8,
        zorder=3.0,
    )
    _rule(ax, chart.centre, units, "centre", dashed=False)
    for limit, name in ((chart.upper, "upper limit"), (chart.lower, "lower limit")):
        if limit is not None:
            _rule(ax, limit, units, name, dashed=True)
    _draw_change(ax, chart, units)
    ax.grid(visible=False, axis="x")
    ax.yaxis.set_major_formatter(lambda value, _: plain_number(value))
    ax.set(title="Burn rate of each batch", ylabel=axis_label("Burn rate", units.rate))
    ax.set_xlim(-0.6, len(chart.points) - 0.4)


def _rule(ax: Axes, rate: float, units: DisplayUnits, name: str, *, dashed: bool) -> None:
    value = in_unit(rate, units.rate)
    ax.axhline(
        value, color=INK, linewidth=1.0, linestyle=(0, (5, 3)) if dashed else "solid", zorder=1.5
    )
    ax.text(
        1.01,
        value,
        f"{name}\n{format_number(value)}",
        transform=ax.get_yaxis_transform(),
        va="center",
        fontsize=8.0,
        color=INK,
    )


def _draw_change(ax: Axes, chart: DriftChart, units: DisplayUnits) -> None:
    change = chart.change
    if change is None or change.p >= _LEVEL:
        return
    names = [point.batch for point in chart.points]
    split = names.index(change.first_after) - 0.5
    ax.axvline(split, color=_SIGNAL.colour, linewidth=1.2, linestyle=_SIGNAL.dashes, zorder=1.4)
    for start, end, rate in ((-0.4, split, change.before), (split, len(names) - 0.6, change.after)):
        level = in_unit(rate, units.rate)
        ax.plot([start, end], [level, level], color=_SIGNAL.colour, linewidth=1.6, zorder=1.6)


def _draw_steps(ax: Axes, chart: DriftChart) -> None:
    steps = [
        (place, _PER_CENT * point.moving_range)
        for place, point in enumerate(chart.points)
        if point.moving_range is not None
    ]
    ax.vlines(
        [place for place, _ in steps], 0.0, [size for _, size in steps], color=FAINT, linewidth=1.0
    )
    wide = set(chart.wide_ranges)
    for place, size in steps:
        jump = chart.points[place].batch in wide
        ax.plot(
            place,
            size,
            marker=_SIGNAL.marker if jump else "o",
            color=_SIGNAL.colour if jump else ACCENT,
            markersize=6.0 if jump else 4.5,
        )
    if chart.moving_range_limit is not None:
        limit = _PER_CENT * chart.moving_range_limit
        ax.axhline(limit, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
        ax.text(
            1.01,
            limit,
            f"limit\n{format_number(limit, digits=2)} %",
            transform=ax.get_yaxis_transform(),
            va="center",
            fontsize=8.0,
        )
    ax.set(
        title="Moving range: size of the difference from the batch before", ylabel="Difference (%)"
    )
    limit = 0.0 if chart.moving_range_limit is None else _PER_CENT * chart.moving_range_limit
    ax.set_ylim(0.0, 1.15 * max([limit, *(size for _, size in steps)]) or 1.0)
    ax.yaxis.set_major_formatter(lambda value, _: plain_number(value))
    ax.grid(visible=False, axis="x")


def _label_batches(ax: Axes, chart: DriftChart) -> None:
    count = len(chart.points)
    every = math.ceil(count / _MOST_LABELS)
    places = list(range(0, count, every))
    labels = [f"{chart.points[p].batch}\n{chart.points[p].mixed_on.isoformat()}" for p in places]
    crowded = len(places) > 1 and max(map(len, labels)) * len(places) > 110
    ax.set_xticks(
        places,
        labels,
        rotation=40 if crowded else 0,
        ha="right" if crowded else "center",
        rotation_mode="anchor",
    )
    ax.set_xlabel("Batch, in order of mixing date (not to scale)")


def _sentences(chart: DriftChart) -> list[str]:
    sentences = []
    if chart.upper is not None:
        sentences.append(
            "Limits: three spreads from the centre; the spread is taken from the differences "
            "between neighbours."
        )
    if any(point.log_rate_sd for point in chart.points):
        sentences.append("Bars: two standard uncertainties of the batch's own tests.")
    if chart.signals:
        sentences.append(
            "Open squares: part of a pattern that a steady process seldom shows, by chance about "
            "once in 75 batches."
        )
    if chart.wide_ranges:
        sentences.append("Filled squares: a jump larger than neighbours of a steady process show.")
    if chart.change is not None and chart.change.p < _LEVEL:
        sentences.append("Heavy lines: mean levels before and after the clearest change.")
    sentences += [
        f"{caution.message[0].upper()}{caution.message[1:]}."
        for caution in chart.cautions
        if caution.code == "few-batches"
    ]
    return sentences
