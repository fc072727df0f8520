"""Firings that are known, against what the other tests predicted of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import axis_label, in_unit, plain_number
from strandwise.report.style import ACCENT, MUTED, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.forecast import Hindcast, HindcastRow, Quantity
    from strandwise.report.labels import DisplayUnits

__all__ = ["HINDCAST_QUANTITIES", "draw_hindcast"]

HINDCAST_QUANTITIES = {
    "mean-pressure": "Mean pressure",
    "peak-pressure": "Peak pressure",
    "burn-time": "Burn time",
}
"""What each quantity is called."""

_WIDTH = 9.2
_ROW = 0.40
_ALONE = 0.34
_MEASURED = SERIES[1]


def draw_hindcast(found: Hindcast, units: DisplayUnits, title: str = "") -> Figure:
    """One panel a quantity: the 95 % interval predicted of each firing, and what was measured.

    Parameters
    ----------
    found
        From `hindcast_firings`.
    units
        What the reader sees.
    title
        Above the picture.

    Raises
    ------
    RequestError
        No firing was predicted.
    """
    if not found.rows:
        msg = "a picture of a hindcast without a firing that was predicted"
        raise RequestError(msg, hint="see why each was left out")
    panels = list(dict.fromkeys(score.quantity for score in found.scores))
    rows = {
        q: [row for row in found.rows if row.quantity == q and row.basis == "all-others"]
        for q in panels
    }
    alone = {(row.test, row.quantity): row for row in found.rows if row.basis == "strands-alone"}
    counts = [len(rows[q]) for q in panels]
    with house_style():
        figure = new_figure(_WIDTH, 1.3 + sum(0.75 + _ROW * count for count in counts))
        axes = figure.subplots(len(panels), 1, squeeze=False, height_ratios=[c + 1 for c in counts])
        for ax, quantity in zip(axes[:, 0], panels, strict=True):
            _draw(ax, rows[quantity], alone, quantity, units)
        add_heading(figure, title or "Firings predicted without themselves")
        add_footnote(
            figure,
            [
                "Bars: where 95 % of readings of such a firing were to be expected, from all other "
                "tests; stroke: median. Squares: measured, with two standard uncertainties; open "
                "where outside."
                + (
                    " Thin bars beneath: from the strands alone, as if no motor had been fired."
                    if alone
                    else ""
                ),
                *_scores(found),
            ],
        )
    return figure


def _draw(
    ax: Axes,
    rows: list[HindcastRow],
    alone: dict[tuple[str, Quantity], HindcastRow],
    quantity: Quantity,
    units: DisplayUnits,
) -> None:
    pressure = quantity != "burn-time"

    def shown(value: float) -> float:
        return in_unit(value, units.pressure) if pressure else value

    for place, row in enumerate(rows):
        ends = [shown(end) for end in row.interval]
        ax.plot(ends, [place, place], color=ACCENT, linewidth=7.0, alpha=0.30, zorder=1.5)
        middle = shown(row.predicted)
        ax.plot([middle] * 2, [place - 0.26, place + 0.26], color=ACCENT, linewidth=1.8, zorder=2.0)
        other = alone.get((row.test, quantity))
        if other is not None:
            lower = place + _ALONE
            ends = [shown(end) for end in other.interval]
            ax.plot(ends, [lower, lower], color=MUTED, linewidth=2.2, alpha=0.55, zorder=1.5)
            middle = shown(other.predicted)
            ax.plot([middle] * 2, [lower - 0.1, lower + 0.1], color=MUTED, linewidth=1.4)
        reach = [shown(row.measured + sign * 2.0 * row.measured_sd) for sign in (-1.0, 1.0)]
        ax.plot(reach, [place, place], color=_MEASURED.colour, linewidth=1.2, zorder=2.5)
        ax.plot(
            [shown(row.measured)],
            [place],
            linestyle="none",
            marker=_MEASURED.marker,
            markersize=6.0,
            color=_MEASURED.colour,
            markerfacecolor=_MEASURED.colour if row.inside else "white",
            zorder=3.0,
        )
    label = axis_label("absolute", units.pressure) if pressure else "s"
    name = HINDCAST_QUANTITIES[quantity]
    ax.set_title(f"{name}, {label}" if pressure else f"{name} ({label})")
    ax.set_yticks(range(len(rows)), [f"{row.test}  {row.formulation}" for row in rows])
    ax.set_ylim(len(rows) - 0.4, -0.6)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", colors=MUTED)
    ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))


def _scores(found: Hindcast) -> list[str]:
    return [
        f"{HINDCAST_QUANTITIES[score.quantity]}: {score.inside} of {score.count} inside"
        + (" from strands alone." if score.basis == "strands-alone" else ".")
        for score in found.scores
    ]
