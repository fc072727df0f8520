"""Pressure and thrust of a forecast motor over time, with the bands that the draws fill."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import axis_label, format_limit, in_unit, plain_number
from strandwise.report.style import INK, SERIES, UNTESTED, house_style, new_figure
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from strandwise.forecast import Forecast
    from strandwise.report.labels import DisplayUnits

    Floats = NDArray[np.float64]

__all__ = ["draw_forecast"]

_WIDTH = 9.2
_HEIGHT = 7.0
_LEFT, _RIGHT, _TOP, _BOTTOM, _TITLE_LINE = 0.80, 0.12, 0.42, 0.48, 0.20  # inches
_BETWEEN = 0.36
_LOWER = 0.4  # of the room for both panels
_FILL = 0.22
_MOST_FILLED = 3


def draw_forecast(found: Sequence[Forecast], units: DisplayUnits, title: str = "") -> Figure:
    """Median and 5–95 % band of pressure and thrust over time, one colour a formulation.

    Parameters
    ----------
    found
        Forecasts of one motor, made with bands.
    units
        What the reader sees.
    title
        Above the picture; names the motor where empty.

    Raises
    ------
    RequestError
        There is none, or one was made without bands.
    """
    if not found or any(one.bands is None for one in found):
        msg = "a picture of forecasts without their bands"
        raise RequestError(msg, hint="make the forecasts with bands=True")
    with house_style():
        figure = new_figure(_WIDTH, _HEIGHT)
        upper, lower = figure.subplots(2, 1, sharex=True)
        for number, one in enumerate(found):
            _draw(upper, lower, one, number, len(found), units)
        _frame(upper, "Chamber pressure", axis_label("Absolute pressure", units.pressure))
        _frame(lower, "Thrust", axis_label("Thrust", units.force))
        lower.set_xlabel("Time from ignition (s)")
        lower.set_xlim(0.0, max(_end(one) for one in found))
        _mark_limit(upper, found, units)
        _mark_tested(upper, found, units)
        if len(found) > 1:
            # On white, so that the hatching does not run through its letters.
            box = {"facecolor": "white", "edgecolor": "none", "framealpha": 0.9}
            upper.legend(loc="upper right", ncols=min(len(found), 3), frameon=True, **box)
        add_heading(figure, title or _title(found))
        _arrange(figure, upper, lower, add_footnote(figure, _sentences(found, units)))
    return figure


def _arrange(figure: Figure, upper: Axes, lower: Axes, footnote: float) -> None:
    """Place the panels by known margins, which takes half the time of measuring all letters."""
    lines = 1 + figure.get_suptitle().count("\n")
    left, width = _LEFT / _WIDTH, 1.0 - (_LEFT + _RIGHT) / _WIDTH
    bottom = footnote + _BOTTOM / _HEIGHT
    room = 1.0 - (_TOP + lines * _TITLE_LINE) / _HEIGHT - bottom - _BETWEEN / _HEIGHT
    figure.set_layout_engine("none")
    lower.set_position((left, bottom, width, _LOWER * room))
    upper.set_position(
        (left, bottom + _LOWER * room + _BETWEEN / _HEIGHT, width, (1.0 - _LOWER) * room)
    )


def _draw(
    upper: Axes, lower: Axes, one: Forecast, number: int, count: int, units: DisplayUnits
) -> None:
    bands = one.bands
    assert bands is not None
    style = SERIES[number % len(SERIES)]
    low, middle, high = (bands.levels.index(level) for level in (0.05, 0.5, 0.95))
    for ax, values, unit in (
        (upper, bands.pressure, units.pressure),
        (lower, bands.thrust, units.force),
    ):
        shown = in_unit(values, unit)
        if count <= _MOST_FILLED:
            ax.fill_between(
                bands.time, shown[low], shown[high], color=style.colour, alpha=_FILL, linewidth=0.0
            )
        ax.plot(
            bands.time,
            shown[middle],
            color=style.colour,
            linestyle=style.dashes,
            linewidth=1.8,
            label=one.formulation,
        )


def _end(one: Forecast) -> float:
    """End of the picture: where all but the slowest draws are over."""
    bands = one.bands
    assert bands is not None
    high = bands.pressure[bands.levels.index(0.95)]
    over = high > 0.10 * high.max()
    return float(bands.time[min(int(over.nonzero()[0][-1]) + 1, over.size - 1)])


def _frame(ax: Axes, title: str, label: str) -> None:
    ax.set(title=title, ylabel=label)
    ax.set_ylim(bottom=0.0)
    ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
    ax.yaxis.set_major_formatter(lambda value, _: plain_number(value))


def _mark_tested(ax: Axes, found: Sequence[Forecast], units: DisplayUnits) -> None:
    """Hatch where no formulation was tested, as far as the picture goes, which is then fixed."""
    low = in_unit(min(one.tested[0] for one in found), units.pressure)
    high = in_unit(max(one.tested[1] for one in found), units.pressure)
    top = ax.get_ylim()[1]
    ax.axhspan(0.0, low, **UNTESTED)
    if high < top:
        ax.axhspan(high, top, **UNTESTED)
    ax.set_ylim(0.0, top)


def _mark_limit(ax: Axes, found: Sequence[Forecast], units: DisplayUnits) -> None:
    case = found[0].case
    if case is None:
        return
    limit = in_unit(case.limit, units.pressure)
    if limit > 2.5 * ax.get_ylim()[1]:
        return
    ax.axhline(limit, color=INK, linewidth=1.2, linestyle=(0, (5, 3)))
    ax.text(
        0.01,
        limit,
        "stated limit of the case",
        transform=ax.get_yaxis_transform(),
        va="bottom",
        fontsize=8.0,
        color=INK,
    )
    ax.set_ylim(0.0, max(ax.get_ylim()[1], 1.12 * limit))


def _share(value: float) -> str:
    return f"{digits_text(100.0 * value)} %" if value else "none"


def _title(found: Sequence[Forecast]) -> str:
    of = f" with {found[0].formulation}" if len(found) == 1 else ""
    return f"Forecast: motor {found[0].motor}{of}"


def _sentences(found: Sequence[Forecast], units: DisplayUnits) -> list[str]:
    case = found[0].case
    sentences = ["Lines: medians at each instant."]
    if len(found) <= _MOST_FILLED:
        sentences.append("Bands: from 5 to 95 % of the draws at each instant.")
    sentences.append(
        "Hatched: pressures at which none of them was tested. The highest pressure of a draw may "
        "lie above the band, which is taken instant by instant."
    )
    if case is not None:
        limit = format_limit(case.limit, units.pressure)
        over = ", ".join(
            f"{one.formulation} {_share(one.case.probability_over)}"
            for one in found
            if one.case is not None
        )
        sentences.append(f"Draws whose peak is over the case's stated limit of {limit}: {over}.")
    sentences.append("An estimate from small samples, not a licence.")
    return sentences
