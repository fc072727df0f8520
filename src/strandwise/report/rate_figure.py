"""Burn rate against pressure: the tests, the laws fitted to them and how well they are known."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patheffects import withStroke

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading, set_log_axes
from strandwise.report.labels import axis_label, format_interval, format_number, in_unit, unit_text
from strandwise.report.rate_panels import (
    alone,
    curve_of,
    outliers_of,
    panels_of,
    view_of,
    widened,
)
from strandwise.report.style import (
    FAINT,
    INK,
    house_style,
    new_figure,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.ratelaw import RateBand, RateFit
    from strandwise.reduction import RatePoint
    from strandwise.report.labels import DisplayUnits
    from strandwise.report.rate_panels import Panel, Series, View
    from strandwise.units import Unit

__all__ = ["draw_rate_laws"]

_LEGEND_LETTERS_PER_INCH = 15.0
_TITLE_LETTERS_PER_INCH = 12.0
# What the frame and a legend's sample of a line take of a panel's width.
_FRAME_INCHES = 1.1
_SINGLE_SIZE = (6.8, 5.0)
_PANEL_SIZE = (3.3, 3.5)
_MOST_COLUMNS = 3
_MOST_LEGEND, _CLEARANCE = 0.6, 0.03
_DOTS = (0, (1.0, 2.0))


def draw_rate_laws(
    fits: Sequence[RateFit],
    points: Sequence[RatePoint],
    units: DisplayUnits,
    title: str = "",
) -> Figure:
    """Burn rate against absolute pressure on logarithmic axes.

    Up to four laws share one panel; more are spread over panels by formulation, which share
    their axes. A law is drawn only over the pressures it was tested at, with its 95 %
    confidence band, and with its prediction band where it is alone in its panel. Error bars are
    one standard uncertainty, on each axis where it is known.
    Points left out of the fits are hollow and crossed; outliers carry their test's name.

    Parameters
    ----------
    fits
        One for each batch or pool; a fit that its points do not decide shows its points alone.
    points
        Reduced tests. Those of no fit (by batch, or by formulation for a pool) are not drawn.
    units
        What the reader sees.
    title
        Above the picture; none where empty.

    Raises
    ------
    RequestError
        None of the points belongs to one of the fits.
    """
    panels = panels_of(fits, points)
    drawn = [point for panel in panels for series in panel.series for point in series.points]
    if not drawn:
        msg = f"none of the {len(points)} tests belongs to one of the {len(fits)} rate laws"
        raise RequestError(msg, expected="at least one test to draw", hint="log tests first")
    with house_style():
        view = view_of(panels, units)
        figure, axes = _grid(len(panels))
        for ax, panel in zip(axes, panels, strict=True):
            _draw_panel(ax, panel, panels, units, view)
        _label_axes(axes, units)
        add_heading(figure, title)
        add_footnote(figure, _sentences(panels, drawn, units, view))
        _make_room_for_legends(figure, axes, view)
    return figure


def _panel_size(count: int) -> tuple[float, float]:
    return _SINGLE_SIZE if count == 1 else _PANEL_SIZE


def _columns(count: int) -> int:
    return 2 if count == 4 else min(count, _MOST_COLUMNS)


def _grid(count: int) -> tuple[Figure, list[Axes]]:
    columns = _columns(count)
    rows = math.ceil(count / columns)
    width, height = _panel_size(count)
    figure = new_figure(columns * width, rows * height)
    grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
    axes = [ax for row in grid for ax in row]
    for ax in axes[count:]:
        ax.remove()
    return figure, axes[:count]


def _label_axes(axes: Sequence[Axes], units: DisplayUnits) -> None:
    columns = _columns(len(axes))
    for ax in axes[::columns]:
        ax.set_ylabel(axis_label("Burn rate", units.rate))
    # Whole rows are labelled, also where only a part of one has nothing below it.
    for ax in axes[max(len(axes) - columns, 0) // columns * columns :]:
        ax.tick_params(labelbottom=True)
        ax.set_xlabel(axis_label("Absolute pressure", units.pressure))


def _make_room_for_legends(figure: Figure, axes: Sequence[Axes], view: View) -> None:
    """Raise the upper end of the rate axis until every legend stands clear of what is drawn."""
    figure.draw_without_rendering()
    taken = max(
        legend.get_window_extent().height / ax.get_window_extent().height
        for ax in axes
        if (legend := ax.get_legend()) is not None
    )
    room = widened(*view.rate, 0.0, min(taken + _CLEARANCE, _MOST_LEGEND))
    for ax in axes:
        set_log_axes(ax, view.pressure, room)


def _draw_panel(
    ax: Axes, panel: Panel, panels: Sequence[Panel], units: DisplayUnits, view: View
) -> None:
    set_log_axes(ax, view.pressure, view.rate)
    if panel.title:
        letters = round(_PANEL_SIZE[0] * _TITLE_LETTERS_PER_INCH)
        ax.set_title(textwrap.fill(panel.title, letters))
    for other in panels:
        if other is not panel:
            _draw_ghosts(ax, other, units)
    for depth, series in enumerate(panel.series):
        _draw_law(ax, series, units, view, depth)
        if alone(panel):
            _draw_prediction(ax, series, units, view)
        _draw_points(ax, series, units)
        _name_outliers(ax, series, units, view)
    labels = _legend_labels(panel, _panel_size(len(panels))[0])
    handles = [
        Line2D(
            [],
            [],
            color=series.style.colour,
            marker=series.style.marker,
            linestyle=series.style.dashes if series.fit.identified else "none",
        )
        for series in panel.series
    ]
    ax.legend(handles, labels, loc="upper left", borderaxespad=0.2, labelspacing=0.3)


def _draw_ghosts(ax: Axes, panel: Panel, units: DisplayUnits) -> None:
    for series in panel.series:
        curve = curve_of(series.fit)
        if curve is not None:
            ax.plot(
                in_unit(curve.pressure, units.pressure),
                in_unit(curve.rate, units.rate),
                color=FAINT,
                linewidth=0.9,
                zorder=1.5,
            )


def _draw_law(ax: Axes, series: Series, units: DisplayUnits, view: View, depth: int) -> None:
    curve = curve_of(series.fit)
    if curve is None:
        return
    pressure = in_unit(curve.pressure, units.pressure)
    style = series.style
    if np.isfinite(curve.low).all():
        ax.fill_between(
            pressure,
            np.clip(in_unit(curve.low, units.rate), *view.rate),
            np.clip(in_unit(curve.high, units.rate), *view.rate),
            facecolor=style.colour,
            edgecolor=style.colour,
            alpha=0.14,
            linewidth=0.8,
            zorder=1.6 + 0.01 * depth,
        )
    ax.plot(
        pressure,
        in_unit(curve.rate, units.rate),
        color=style.colour,
        linestyle=style.dashes,
        zorder=2.0,
    )
    _draw_breaks(ax, series, units)


def _draw_prediction(ax: Axes, series: Series, units: DisplayUnits, view: View) -> None:
    curve = curve_of(series.fit)
    if curve is None or not np.isfinite(curve.new_low).all():
        return
    for end in (curve.new_low, curve.new_high):
        ax.plot(
            in_unit(curve.pressure, units.pressure),
            np.clip(in_unit(end, units.rate), *view.rate),
            color=series.style.colour,
            linestyle=_DOTS,
            linewidth=1.1,
            zorder=1.9,
        )


def _draw_breaks(ax: Axes, series: Series, units: DisplayUnits) -> None:
    """Mark where a segmented law bends, with the pressures that the tests allow for it."""
    fit = series.fit
    for one in fit.breaks:
        rate = in_unit(fit.rate_at(one.value).rate, units.rate)
        if one.ci95 is not None:
            ax.plot(
                [in_unit(end, units.pressure) for end in one.ci95],
                [rate, rate],
                color=series.style.colour,
                linewidth=1.1,
                marker="|",
                markersize=7.0,
                zorder=2.2,
            )


def _draw_points(ax: Axes, series: Series, units: DisplayUnits) -> None:
    colour = series.style.colour
    for point in series.points:
        pressure, rate = in_unit(point.pressure, units.pressure), in_unit(point.rate, units.rate)
        ax.errorbar(
            pressure,
            rate,
            xerr=_bar(point.pressure_sd, units.pressure),
            yerr=_bar(point.rate_sd, units.rate),
            color=colour,
            elinewidth=0.9,
            linestyle="none",
            marker=series.style.marker,
            fillstyle="bottom" if point.kind == "firing" and point.used else "full",
            markerfacecolor=colour if point.used else "white",
            markerfacecoloralt="white",
            markeredgecolor="white" if point.used and point.kind == "strand" else colour,
            markeredgewidth=0.6 if point.used and point.kind == "strand" else 1.0,
            label=point.test,
            zorder=2.4,
        )
        if not point.used:
            ax.plot(pressure, rate, marker="x", color=INK, markersize=7.5, zorder=2.5)


def _bar(sd: float | None, unit: Unit) -> float | None:
    return None if sd is None else in_unit(sd, unit)


def _name_outliers(ax: Axes, series: Series, units: DisplayUnits, view: View) -> None:
    """Write the test's name on the side of it that lies away from the law."""
    above = outliers_of(series.fit)
    for point in series.points:
        if not point.used or point.test not in above:
            continue
        pressure = in_unit(point.pressure, units.pressure)
        place = math.log(pressure / view.pressure[0]) / math.log(
            view.pressure[1] / view.pressure[0]
        )
        ax.annotate(
            point.test,
            (pressure, in_unit(point.rate, units.rate)),
            xytext=(0, 6 if above[point.test] else -6),
            textcoords="offset points",
            ha="left" if place < 0.2 else "right" if place > 0.8 else "center",
            va="bottom" if above[point.test] else "top",
            fontsize=8.0,
            fontweight="bold",
            color=series.style.colour,
            path_effects=[withStroke(linewidth=2.5, foreground="white")],
            zorder=3.0,
        )


def _legend_labels(panel: Panel, width: float) -> list[str]:
    letters = round((width - _FRAME_INCHES) * _LEGEND_LETTERS_PER_INCH)
    return [textwrap.fill(_law_text(series.fit), letters) for series in panel.series]


def _law_text(fit: RateFit) -> str:
    if fit.n is None:
        return f"{fit.label}: no law"
    if fit.breaks:
        exponents = ", ".join(
            format_number(one.value, None if one.ci95 is None else one.ci95[1] - one.value)
            for one in fit.exponents
        )
        return f"{fit.label}: n = {exponents} between its breaks"
    if fit.law != "power":
        return f"{fit.label}: {fit.law} law"
    if fit.n_ci95 is None:
        return f"{fit.label}: n = {format_number(fit.n, digits=2)}, no interval"
    half_width = (fit.n_ci95[1] - fit.n_ci95[0]) / 2.0
    return f"{fit.label}: n = {format_number(fit.n, half_width)} {format_interval(fit.n_ci95)}"


def _sentences(
    panels: Sequence[Panel], points: Sequence[RatePoint], units: DisplayUnits, view: View
) -> list[str]:
    """Say what each sign in the picture means, for those signs that occur."""
    fits = [fit for panel in panels for fit in _fits(panel)]
    curves = [(fit, curve) for fit in fits if (curve := curve_of(fit)) is not None]
    banded = [(fit, curve) for fit, curve in curves if fit.covariance is not None]
    kinds = {point.kind for point in points if point.used}
    sentences = []
    if any(fit.n_ci95 and fit.law == "power" for fit in fits):
        sentences.append("n: exponent with its 95 % interval.")
    if banded:
        sentences.append(
            "Shaded: 95 % confidence band of the law, over the pressures it was tested at."
        )
    if any(fit.covariance is not None for panel in panels if alone(panel) for fit in _fits(panel)):
        sentences.append("Dotted: where one more test of it would fall, 95 %.")
    if warm := [fit.temperature.reference for fit in fits if fit.temperature is not None]:
        shown = sorted({_rounded_temperature(one, units) for one in warm})
        sentences.append(
            f"Laws that hold an effect of temperature are drawn at {' and '.join(shown)}; tests at "
            "other temperatures lie off them."
        )
    if any(fit.breaks for fit in fits):
        sentences.append("Between ticks: where the law bends, 95 % interval of that pressure.")
    if any(point.pressure_sd or point.rate_sd for point in points):
        sentences.append("Bars: one standard uncertainty.")
    fitted = {test for fit in fits for test in fit.tests}
    apart = any(point.used and point.kind == "firing" for point in points) and not any(
        point.test in fitted for point in points if point.kind == "firing"
    )
    if kinds == {"strand", "firing"}:
        firings = "motor firings, which these laws leave out" if apart else "motor firings"
        sentences.append(f"Half-filled: {firings}; filled: strands.")
    elif kinds == {"firing"}:
        sentences.append("Half-filled: motor firings.")
    if not all(point.used for point in points):
        sentences.append("Hollow and crossed: left out of the fit.")
    if any(map(outliers_of, fits)):
        sentences.append("Named: an outlier, which the fit keeps.")
    if len(panels) > 1 and curves:
        sentences.append("Pale thin lines: the laws of the other panels.")
    bare_panels = {id(fit) for panel in panels if alone(panel) for fit in _fits(panel)}
    beyond = [
        fit.label
        for fit, curve in banded
        if _runs_out(curve, units, view, predicted=id(fit) in bare_panels)
    ]
    if beyond:
        sentences.append(f"Band wider than the picture: {', '.join(beyond)}.")
    if bare := [fit.label for fit, _ in curves if fit.covariance is None]:
        sentences.append(f"Two tests leave no band: {', '.join(bare)}.")
    if without := [fit.label for fit in fits if not fit.identified]:
        sentences.append(f"Tests that decide no law: {', '.join(without)}.")
    return sentences


def _rounded_temperature(kelvin: float, units: DisplayUnits) -> str:
    return f"{in_unit(kelvin, units.temperature):.0f} {unit_text(units.temperature)}"


def _fits(panel: Panel) -> list[RateFit]:
    return [series.fit for series in panel.series]


def _runs_out(curve: RateBand, units: DisplayUnits, view: View, *, predicted: bool) -> bool:
    ends = (curve.new_low, curve.new_high) if predicted else (curve.low, curve.high)
    low, high = (in_unit(end, units.rate) for end in ends)
    return bool((low < view.rate[0]).any() or (high > view.rate[1]).any())
