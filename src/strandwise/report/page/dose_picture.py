"""Change of burn rate against the dose of one ingredient."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import MaxNLocator

from strandwise.report.axes import add_footnote
from strandwise.report.labels import in_unit, plain_number, unit_text
from strandwise.report.style import ACCENT, INK, house_style, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from strandwise.report.labels import DisplayUnits
    from strandwise.tracking import Comparison, DoseSlope

__all__ = ["draw_dose"]

_SIZE = (6.4, 3.6)
_BEYOND = 1.12


def draw_dose(slope: DoseSlope, comparison: Comparison, units: DisplayUnits) -> Figure:
    """Shift of each formulation at its dose, and the slope through the baseline with its band.

    The slope is one of ln(rate), so that it is drawn as the curve it is; it ends at the highest
    dose tested.

    Parameters
    ----------
    slope
        A dose series of the comparison.
    comparison
        Whose shifts are drawn; a formulation without a shift is not.
    units
        What the reader sees.
    """
    shifts = {row.formulation: row for row in comparison.formulations}
    pressure = in_unit(comparison.pressure, units.pressure)
    place = f"{plain_number(float(f'{pressure:.4g}'))} {unit_text(units.pressure)}"
    with house_style():
        figure = new_figure(*_SIZE)
        ax = figure.subplots()
        ax.axhline(0.0, color=INK, linewidth=1.1, zorder=1.5)
        doses = np.linspace(0.0, 100.0 * max(slope.amounts), 41)
        sentences = []
        if slope.ci95 is not None:
            low, high = (_change(end, doses) for end in slope.ci95)
            ax.fill_between(doses, low, high, facecolor=ACCENT, alpha=0.14, linewidth=0)
            sentences.append("Shaded: 95 % interval of the slope.")
        if slope.percent_per_percent is not None:
            ax.plot(doses, _change(slope.percent_per_percent, doses), color=ACCENT)
            sentences.append("Line: the slope through the baseline, up to the highest dose tested.")
        ax.plot(0.0, 0.0, marker="s", markersize=6.5, color=INK, zorder=3.0)
        sentences.append("Square: the baseline.")
        for name, amount in zip(slope.formulations, slope.amounts, strict=True):
            row = shifts[name]
            if row.shift is None:
                continue
            dose, shift = 100.0 * amount, 100.0 * row.shift
            if row.shift_ci95 is not None:
                bar = [100.0 * end for end in row.shift_ci95]
                ax.plot([dose, dose], bar, color=INK, linewidth=1.6, zorder=2.5)
            ax.plot(dose, shift, marker="o", markersize=6.5, color=ACCENT, zorder=3.0)
            ax.annotate(
                name, (dose, shift), (7, 5), textcoords="offset points", fontsize=8.0, zorder=3.0
            )
        sentences.append(
            "Points: formulations, with their 95 % intervals. The intervals share the baseline."
        )
        ax.set_xlim(-0.04 * doses[-1], _BEYOND * doses[-1] + 0.1 * doses[-1])
        ax.xaxis.set_major_locator(MaxNLocator(nbins=6, steps=[1, 2, 5, 10]))
        for axis in (ax.xaxis, ax.yaxis):
            axis.set_major_formatter(lambda value, _: plain_number(value))
        ax.set_xlabel(f"Dose of {slope.ingredient} ({_of_what(slope)})")
        ax.set_ylabel(f"Change of burn rate at\n{place} absolute (%)")
        add_footnote(figure, sentences)
    return figure


def _change(percent_per_percent: float, doses: np.ndarray) -> np.ndarray:
    """Change in percent at doses in percent, by a slope that is one of the logarithm."""
    factor: np.ndarray = 100.0 * np.expm1(doses * np.log1p(percent_per_percent / 100.0))
    return factor


def _of_what(slope: DoseSlope) -> str:
    if slope.replaces == "on-top":
        return "parts per hundred, on top"
    return "% of the mixture" if slope.replaces == "all" else f"% of the {slope.replaces}"
