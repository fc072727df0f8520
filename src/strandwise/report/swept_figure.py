"""The swept rate of one firing: burn rate at every instant against the pressure of that instant."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading, set_log_axes
from strandwise.report.labels import (
    axis_label,
    format_interval,
    format_number,
    format_plus_minus,
    in_unit,
    plain_number,
    unit_text,
)
from strandwise.report.rate_panels import widened
from strandwise.report.style import INK, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from strandwise.reduction import FiringReduction, RatePoint, SweptRate
    from strandwise.report.labels import DisplayUnits
    from strandwise.units import Unit

    FloatArray = NDArray[np.float64]

__all__ = ["draw_swept_rate"]

_SIZE = (6.8, 5.0)
_MOST_POINTS = 150  # of either half of the burn
_LINE_POINTS = 60
_MARGIN = 0.06
# A neutral trace would otherwise fill the picture with its noise.
_LEAST_PRESSURE_SPAN, _LEAST_RATE_SPAN = 1.3, 1.2
_MOST_LEGEND, _CLEARANCE = 0.6, 0.03
_CLOSED = 0.1  # %
_HALVES = (
    ("first half of the burn", SERIES[0]),
    ("second half of the burn", SERIES[1]),
)
_LAW, _POINT = SERIES[2], SERIES[3]


def draw_swept_rate(reduction: FiringReduction, units: DisplayUnits, title: str = "") -> Figure:
    """Swept rate against absolute pressure on logarithmic axes, with the law within the firing.

    Samples of start-up and tail-off are left out, as they are from the law; of the others at most
    150 from either half of the burn are shown, evenly spaced in time. Where the two halves part,
    the grain did not burn as its drawing says, or the gas swept its core. The law has its 95 %
    band; the firing's own point, web over burn time at the rate-mean pressure, stands beside it.

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
        The firing has no swept rate.
    """
    swept = reduction.swept
    if swept is None:
        msg = f"the firing `{reduction.test}` has no swept rate to draw"
        raise RequestError(
            msg,
            expected="a trace with pressure, or thrust and nozzle, and the grain's mass or density",
            hint="the account of reduce says what is missing",
        )
    halves = _halves(swept, units)
    with house_style():
        figure = new_figure(*_SIZE)
        ax = figure.subplots()
        view = _view(halves, swept, reduction.point, units)
        set_log_axes(ax, *view)
        handles = _draw_halves(ax, halves)
        handles += _draw_law(ax, swept, units)
        handles += _draw_point(ax, reduction.point, units)
        ax.set_xlabel(axis_label("Absolute pressure", units.pressure))
        ax.set_ylabel(axis_label("Burn rate", units.rate))
        legend = ax.legend(handles=handles, loc="upper left", borderaxespad=0.2)
        add_heading(figure, title or _heading(reduction))
        add_footnote(figure, _sentences(reduction, swept, units))
        figure.draw_without_rendering()
        taken = legend.get_window_extent().height / ax.get_window_extent().height
        set_log_axes(ax, view[0], widened(*view[1], 0.0, min(taken + _CLEARANCE, _MOST_LEGEND)))
    return figure


def _halves(swept: SweptRate, units: DisplayUnits) -> list[tuple[FloatArray, FloatArray]]:
    """Pressures and rates of each half of the burn in the units shown, thinned."""
    used = np.flatnonzero(swept.used)
    halves = []
    for part in np.array_split(used, len(_HALVES)):
        kept = part[:: max(1, -(-len(part) // _MOST_POINTS))]
        halves.append(
            (in_unit(swept.pressure[kept], units.pressure), in_unit(swept.rate[kept], units.rate))
        )
    return halves


def _view(
    halves: Sequence[tuple[FloatArray, FloatArray]],
    swept: SweptRate,
    point: RatePoint | None,
    units: DisplayUnits,
) -> tuple[tuple[float, float], tuple[float, float]]:
    pressures = np.concatenate([pressure for pressure, _ in halves])
    rates = np.concatenate([rate for _, rate in halves])
    if (band := _band(swept)) is not None:
        rates = np.append(rates, in_unit(band[2], units.rate))
        rates = np.append(rates, in_unit(band[3], units.rate))
    if point is not None:
        pressures = np.append(pressures, in_unit(point.pressure, units.pressure))
        sd = point.rate_sd or 0.0
        ends = [point.rate - sd, point.rate + sd] if sd < point.rate else [point.rate]
        rates = np.append(rates, [in_unit(end, units.rate) for end in ends])
    return (
        _ends(pressures, _LEAST_PRESSURE_SPAN),
        _ends(rates, _LEAST_RATE_SPAN),
    )


def _ends(values: FloatArray, least: float) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    short = max(least / (high / low), 1.0) ** 0.5
    return widened(low / short, high * short, _MARGIN, _MARGIN)


def _draw_halves(ax: Axes, halves: Sequence[tuple[FloatArray, FloatArray]]) -> list[Line2D]:
    handles = []
    for (name, style), (pressure, rate) in zip(_HALVES, halves, strict=True):
        (line,) = ax.plot(
            pressure,
            rate,
            linestyle="none",
            marker=style.marker,
            markersize=3.2,
            markerfacecolor=style.colour,
            markeredgewidth=0.0,
            alpha=0.55,
            zorder=2.0,
            label=name,
        )
        handles.append(line)
    return handles


def _draw_law(ax: Axes, swept: SweptRate, units: DisplayUnits) -> list[Line2D]:
    band = _band(swept)
    if band is None:
        return []
    shown = in_unit(band[0], units.pressure)
    rate, low, high = (in_unit(values, units.rate) for values in band[1:])
    ax.fill_between(
        shown, low, high, facecolor=_LAW.colour, edgecolor=_LAW.colour, alpha=0.16, zorder=2.2
    )
    label = f"law within the firing: n = {_exponent(swept)}"
    return ax.plot(
        shown,
        rate,
        color=_LAW.colour,
        linestyle=_LAW.dashes,
        zorder=2.4,
        label=label,
    )


def _band(swept: SweptRate) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None:
    """Pressures used, the law there and the ends of its 95 % band, SI; None without a law."""
    if swept.exponent is None:
        return None
    inside = swept.pressure[swept.used]
    pressure = np.geomspace(float(inside.min()), float(inside.max()), _LINE_POINTS)
    rate = np.array([swept.rate_at(float(p)) for p in pressure])
    ends = np.array([swept.rate_interval(float(p)) for p in pressure])
    return pressure, rate, ends[:, 0], ends[:, 1]


def _exponent(swept: SweptRate) -> str:
    interval = swept.exponent_interval()
    if interval is None:
        return format_number(swept.exponent)
    half_width = (interval[1] - interval[0]) / 2.0
    return f"{format_number(swept.exponent, half_width)} {format_interval(interval)}"


def _draw_point(ax: Axes, point: RatePoint | None, units: DisplayUnits) -> list[Line2D]:
    if point is None:
        return []
    ax.errorbar(
        in_unit(point.pressure, units.pressure),
        in_unit(point.rate, units.rate),
        xerr=_bar(point.pressure_sd, units.pressure),
        yerr=_bar(point.rate_sd, units.rate),
        color=INK,
        elinewidth=1.1,
        linestyle="none",
        zorder=2.6,
    )
    return ax.plot(
        in_unit(point.pressure, units.pressure),
        in_unit(point.rate, units.rate),
        linestyle="none",
        marker=_POINT.marker,
        markersize=8.0,
        fillstyle="bottom",
        color=INK,
        markerfacecoloralt="white",
        zorder=2.7,
        label="the firing's point: web over burn time",
    )


def _bar(sd: float | None, unit: Unit) -> float | None:
    return None if sd is None else in_unit(sd, unit)


def _heading(reduction: FiringReduction) -> str:
    return (
        f"Swept rate of firing {reduction.test}: batch {reduction.batch}, {reduction.formulation}"
    )


def _sentences(reduction: FiringReduction, swept: SweptRate, units: DisplayUnits) -> Sequence[str]:
    sentences = []
    if swept.exponent is None:
        sentences.append(f"No exponent from this firing: {swept.why_no_exponent}.")
    else:
        sentences.append("n: exponent with its 95 % interval; shaded: 95 % band of the law.")
    point = reduction.point
    if point is not None:
        rate = format_plus_minus(in_unit(point.rate, units.rate), _bar(point.rate_sd, units.rate))
        sentences.append(
            f"Web over burn time: {rate} {unit_text(units.rate)} (bars: one standard uncertainty)."
        )
    if reduction.pressure_from == "thrust":
        sentences.append("Pressure from the thrust, not measured.")
    sentences.append(_closure(swept.closure))
    sentences.append(
        "Neighbouring samples are not separate tests: for a batch's law the firing counts once."
    )
    if point is not None and not point.used:
        sentences[-1] = f"No fit uses this firing: {point.why_not}."
    return sentences


def _closure(closure: float) -> str:
    off = 100.0 * (closure - 1.0)
    if abs(off) < _CLOSED:
        return f"The swept volume closed on the grain's within {plain_number(_CLOSED)} %."
    missed = format_number(off, digits=2, signed=True)
    return f"The swept volume missed the grain's by {missed} % before it was closed on it."
