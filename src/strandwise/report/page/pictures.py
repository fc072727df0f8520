"""The pictures of the page, each with its points' names and with what it shows in words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.report.figures import (
    draw_comparison,
    draw_drift,
    draw_firing_trace,
    draw_forecast,
    draw_hindcast,
    draw_rate_laws,
)
from strandwise.report.labels import (
    format_change,
    format_change_interval,
    format_interval,
    format_number,
    in_unit,
    unit_text,
)
from strandwise.report.page.blocks import Picture, said
from strandwise.report.page.dose_picture import draw_dose
from strandwise.report.page.svg import Mark, inline_svg
from strandwise.report.rate_panels import panels_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.forecast import Forecast, Hindcast, HindcastRow
    from strandwise.ratelaw import RateFit
    from strandwise.reduction import FiringReduction, RatePoint
    from strandwise.report.page.writing import Writer
    from strandwise.tracking import Comparison, DoseSlope, DriftChart, FormulationShift

__all__ = [
    "comparison_picture",
    "dose_picture",
    "drift_picture",
    "firing_picture",
    "forecast_picture",
    "hindcast_picture",
    "law_pictures",
]

# More laws than this get pictures for each formulation, of no more than so many laws: every
# panel shows the laws of all others of its picture, which grows with the square.
_MOST_LAWS_TOGETHER = 12
_POINT_HELP = "Points name their tests: hover, tap, or use Tab and the arrow keys."


def law_pictures(
    fits: Sequence[RateFit], points: Sequence[RatePoint], write: Writer
) -> list[Picture]:
    """Laws and tests: one picture, or several of one formulation each where there are many."""
    fitted = {fit.label for fit in fits}
    shown = [point for point in points if point.batch in fitted]
    if len(fits) <= _MOST_LAWS_TOGETHER:
        return [_laws("laws", "Burn rate against pressure", fits, shown, write)]
    names = list(dict.fromkeys(fit.formulation for fit in fits))
    parts = [part for name in names for part in _parts([f for f in fits if f.formulation == name])]
    return [
        _laws(
            f"laws-{number}",
            f"Burn rate against pressure: {part[0].formulation}, {_batches_text(part)}",
            part,
            [point for point in shown if point.batch in {fit.label for fit in part}],
            write,
        )
        for number, part in enumerate(parts, start=1)
    ]


def _parts(fits: Sequence[RateFit]) -> list[Sequence[RateFit]]:
    return [fits[start : start + _MOST_LAWS_TOGETHER]
            for start in range(0, len(fits), _MOST_LAWS_TOGETHER)]  # fmt: skip


def _batches_text(fits: Sequence[RateFit]) -> str:
    first, last = fits[0].label, fits[-1].label
    return first if first == last else f"{first} to {last}"


def _laws(
    name: str,
    title: str,
    fits: Sequence[RateFit],
    points: Sequence[RatePoint],
    write: Writer,
) -> Picture:
    panels = panels_of(fits, points)
    marks = [
        Mark(
            number,
            in_unit(point.pressure, write.units.pressure),
            in_unit(point.rate, write.units.rate),
            _point_text(point, write),
        )
        for number, panel in enumerate(panels)
        for point in sorted(
            (point for series in panel.series for point in series.points),
            key=lambda point: (point.pressure, point.test),
        )
    ]
    laws = [_law_text(fit) for fit in fits]
    description = (
        f"Logarithmic axes: burn rate from absolute pressure, {len(marks)} tests, with the law of "
        f"each batch and its 95 % band over the pressures tested. {' '.join(laws)}"
    )
    figure = draw_rate_laws(fits, points, write.units)
    svg = inline_svg(figure, name=name, title=title, description=description, marks=marks)
    return Picture(name=name, svg=svg, caption=f"{title}. {_POINT_HELP}")


def _law_text(fit: RateFit) -> str:
    if fit.n is None:
        return f"{fit.label}: no law."
    interval = "no interval" if fit.n_ci95 is None else f"95 % {format_interval(fit.n_ci95)}"
    half = None if fit.n_ci95 is None else (fit.n_ci95[1] - fit.n_ci95[0]) / 2.0
    return f"{fit.label} ({fit.formulation}): n = {format_number(fit.n, half)}, {interval}."


def _point_text(point: RatePoint, write: Writer) -> str:
    text = (
        f"{point.test}: {point.kind} of {point.batch} ({point.formulation}), "
        f"{write.rate(point.rate)} at {write.pressure(point.pressure)}"
    )
    return text if point.used else f"{text}; left out: {point.why_not or 'no reason recorded'}"


def comparison_picture(comparison: Comparison, write: Writer) -> Picture:
    """Shifts of rate and exponent."""
    rows = list(enumerate(comparison.formulations))
    others = [(place, row) for place, row in rows if row.formulation != comparison.baseline]
    marks = [
        Mark(0, 100.0 * row.shift, float(place), _shift_text(row))
        for place, row in others
        if row.shift is not None
    ]
    marks += [
        Mark(1, row.n_shift, float(place), _exponent_text(row))
        for place, row in others
        if row.n_shift is not None
    ]
    title = f"Change against {comparison.baseline}"
    description = " ".join(f"{_shift_text(row)}. {_exponent_text(row)}." for _, row in others)
    svg = inline_svg(
        draw_comparison(comparison, write.units),
        name="shifts",
        title=title,
        description=description,
        marks=marks,
    )
    return Picture(name="shifts", svg=svg, caption=f"{title}, with 95 % intervals.")


def _shift_text(row: FormulationShift) -> str:
    if row.shift is None:
        return f"{row.formulation}: burn rate change not known"
    interval = row.shift_ci95
    if interval is None:
        return f"{row.formulation}: burn rate {format_change(100.0 * row.shift)} %, no interval"
    ends = (100.0 * interval[0], 100.0 * interval[1])
    return (
        f"{row.formulation}: burn rate {format_change(100.0 * row.shift, ends)} %, 95 % "
        f"{format_change_interval(ends)} %"
    )


def _exponent_text(row: FormulationShift) -> str:
    value, interval = row.n_shift, row.n_shift_ci95
    if value is None:
        return f"{row.formulation}: exponent change not known"
    if interval is None:
        return (
            f"{row.formulation}: exponent {format_number(value, digits=2, signed=True)}, "
            "no interval"
        )
    shown = format_number(value, (interval[1] - interval[0]) / 2.0, signed=True)
    return f"{row.formulation}: exponent {shown}, 95 % {format_interval(interval, signed=True)}"


def dose_picture(slope: DoseSlope, comparison: Comparison, number: int, write: Writer) -> Picture:
    """Shift against dose of one series."""
    shifts = {row.formulation: row for row in comparison.formulations}
    marks = [
        Mark(0, 100.0 * amount, 100.0 * row.shift, f"{_shift_text(row)}, at a dose of {shown} %")
        for name, amount in zip(slope.formulations, slope.amounts, strict=True)
        if (row := shifts[name]).shift is not None
        for shown in [format_number(100.0 * amount)]
    ]
    title = f"Burn rate by dose of {slope.ingredient}"
    svg = inline_svg(
        draw_dose(slope, comparison, write.units),
        name=f"dose-{number}",
        title=title,
        description=" ".join(f"{mark.text}." for mark in marks),
        marks=marks,
    )
    return Picture(name=f"dose-{number}", svg=svg, caption=f"{title}, with 95 % intervals.")


def drift_picture(chart: DriftChart, number: int, write: Writer) -> Picture:
    """Batches of one formulation over their dates; of two batches or more."""
    unit = write.units.rate
    marks = [
        Mark(
            0,
            float(place),
            in_unit(point.rate, unit),
            f"{point.batch}, mixed {point.mixed_on.isoformat()}: {write.rate(point.rate)}"
            + ("; part of a pattern" if point.rules else ""),
        )
        for place, point in enumerate(chart.points)
    ]
    title = f"Batches of {chart.formulation} in order of mixing date"
    limits = "no limits"
    if chart.lower is not None and chart.upper is not None:
        limits = f"limits {write.rate(chart.lower)} and {write.rate(chart.upper)}"
    description = f"Centre {write.rate(chart.centre)}, {limits}. " + " ".join(
        f"{mark.text}." for mark in marks
    )
    name = f"drift-{number}"
    figure = draw_drift(chart, write.units)
    svg = inline_svg(figure, name=name, title=title, description=description, marks=marks)
    return Picture(name=name, svg=svg, caption=f"{title}.")


def firing_picture(firing: FiringReduction, number: int, write: Writer) -> Picture:
    """Pressure and thrust of one firing with its events; of a firing that has a trace."""
    title = f"Firing {firing.test}: batch {firing.batch}, {firing.formulation}"
    told = []
    if firing.burn_time is not None:
        told.append(f"Burn time {format_number(firing.burn_time)} s.")
    if firing.action_time is not None:
        told.append(f"Action time {format_number(firing.action_time)} s.")
    if firing.peak_pressure is not None:
        told.append(f"Peak pressure {write.pressure(firing.peak_pressure)} absolute.")
    if firing.peak_thrust is not None:
        peak = in_unit(firing.peak_thrust, write.units.force)
        told.append(f"Peak thrust {format_number(peak)} {unit_text(write.units.force)}.")
    name = f"firing-{number}"
    svg = inline_svg(
        draw_firing_trace(firing, write.units),
        name=name,
        title=title,
        description=" ".join(["Pressure or thrust over the time from ignition.", *told]),
        marks=_event_marks(firing, write),
    )
    return Picture(name=name, svg=svg, caption=f"{title}: the trace with its events.")


def _event_marks(firing: FiringReduction, write: Writer) -> list[Mark]:
    """Ignition, web burnout and end on each channel, in the order of the panels."""
    series, marks = firing.trace_series, []
    if series is None:
        return []
    zero = firing.ignition or 0.0
    channels = [
        (what, in_unit(values, unit), unit)
        for what, values, unit in (
            ("absolute pressure", series.pressure, write.units.pressure),
            ("thrust", series.thrust, write.units.force),
        )
        if values is not None
    ]
    for panel, (what, values, unit) in enumerate(channels):
        for event, instant in (
            ("ignition", firing.ignition),
            ("web burnout", firing.web_burnout),
            ("end of action", firing.end),
        ):
            if instant is None:
                continue
            value = float(values[np.argmin(np.abs(series.time - instant))])
            if math.isfinite(value):
                text = (
                    f"{firing.test}: {event} {format_number(instant - zero)} s after ignition, "
                    f"{what} {format_number(value)} {unit_text(unit)}"
                )
                marks.append(Mark(panel, instant - zero, value, text))
    return marks


def hindcast_picture(found: Hindcast, write: Writer) -> Picture:
    """What was predicted of each firing and what it gave; of one row at least."""
    marks = []
    # As they are drawn: a panel a quantity, in it the firings predicted from all other tests.
    for number, quantity in enumerate(dict.fromkeys(score.quantity for score in found.scores)):
        rows = [row for row in found.rows if row.quantity == quantity and row.basis == "all-others"]
        marks += [
            Mark(number, _hindcast_shown(row, row.measured, write), float(place), text)
            for place, row in enumerate(rows)
            for text in [_hindcast_text(row, write)]
        ]
    title = "Firings predicted without themselves"
    svg = inline_svg(
        draw_hindcast(found, write.units),
        name="hindcast",
        title=title,
        description=" ".join(said(mark.text) for mark in marks),
        marks=marks,
    )
    return Picture(name="hindcast", svg=svg, caption=f"{title}, with 95 % intervals.")


def _hindcast_shown(row: HindcastRow, value: float, write: Writer) -> float:
    return value if row.quantity == "burn-time" else in_unit(value, write.units.pressure)


def _hindcast_text(row: HindcastRow, write: Writer) -> str:
    unit = "s" if row.quantity == "burn-time" else unit_text(write.units.pressure)
    measured, predicted, low, high = (
        format_number(_hindcast_shown(row, value, write))
        for value in (row.measured, row.predicted, *row.interval)
    )
    return (
        f"{row.test} ({row.formulation}), {row.quantity.replace('-', ' ')}: measured {measured}, "
        f"predicted {predicted} {unit}, 95 % {low} to {high}, "
        f"{'inside' if row.inside else 'outside'}"
    )


def forecast_picture(found: Sequence[Forecast], number: int, write: Writer) -> Picture:
    """Pressure and thrust of one motor over time."""
    title = f"Motor {found[0].motor}: forecast by formulation"
    told = []
    for one in found:
        median, p99 = one.peak_pressure.median, one.peak_pressure.p99
        peak = "no bound" if median is None else write.pressure(median)
        upper = "no bound" if p99 is None else write.pressure(p99)
        told.append(f"{one.formulation}: median peak {peak}, 99 % of the draws below {upper}.")
    name = f"forecast-{number}"
    svg = inline_svg(
        draw_forecast(found, write.units), name=name, title=title, description=" ".join(told)
    )
    return Picture(
        name=name, svg=svg, caption=f"{title}: medians, and bands of 5 to 95 % of the draws."
    )
