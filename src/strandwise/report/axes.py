"""Parts that every picture shares: plain ticks on logarithmic axes, headings and footnotes."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedFormatter, FixedLocator, MaxNLocator, NullLocator

from strandwise.report.labels import plain_number
from strandwise.report.style import MUTED

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["add_footnote", "add_heading", "few_ticks", "log_ticks", "set_log_axes"]

_TICK_SERIES = ((1.0, 2.0, 5.0), (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0))
_FEWEST_TICKS = 3
_MOST_TICKS = 9
_FEW_STEPS = ((5.0, 2.0, 1.0), (8.0, 6.0, 4.0, 3.0))
_FEW_TICKS = 5
_FOOTNOTE_SIZE = 7.5
_FOOTNOTE_LETTERS_PER_INCH = 17.0
_TITLE_LETTERS_PER_INCH = 11.0
_LINE_HEIGHT_INCHES = 0.135


def log_ticks(low: float, high: float) -> list[float]:
    """Round numbers between two ends of a logarithmic axis.

    Parameters
    ----------
    low, high
        Ends of the axis in the unit shown, 0 < low < high.

    Returns
    -------
    list of float
        From the series 1, 2, 5 (or its decades, or a finer one), or evenly spaced where even
        the finer series has too few within a narrow span.
    """
    decades = range(math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1)
    for series in _TICK_SERIES:
        ticks = [
            float(f"{step}e{decade}")
            for decade in decades
            for step in series
            if low <= float(f"{step}e{decade}") <= high
        ]
        if _FEWEST_TICKS <= len(ticks) <= _MOST_TICKS:
            return ticks
        if len(ticks) > _MOST_TICKS:
            whole = [float(f"1e{decade}") for decade in decades if low <= 10.0**decade <= high]
            return whole[:: math.ceil(len(whole) / _MOST_TICKS)]
    even = MaxNLocator(nbins=5, steps=[1, 2, 5, 10]).tick_values(low, high)
    return [float(tick) for tick in even if low <= tick <= high]


def few_ticks(low: float, high: float) -> list[float]:
    """Three to five round numbers between two ends of an even axis, `low` below `high`.

    Few, so that labels with a sign and decimals do not touch; at least three, so that they show a
    scale. Steps of 1, 2 or 5 where one of them gives as many, else of 3, 4, 6 or 8.
    """
    top = math.floor(math.log10(high - low))
    for series in _FEW_STEPS:
        for decade in (top, top - 1):
            for step in (float(f"{step}e{decade}") for step in series):
                first, last = math.ceil(low / step), math.floor(high / step)
                if _FEWEST_TICKS <= last - first + 1 <= _FEW_TICKS:
                    return [round(place * step, 1 - decade) for place in range(first, last + 1)]
    even = MaxNLocator(nbins=_FEW_TICKS).tick_values(low, high)
    return [float(tick) for tick in even if low <= tick <= high]


def set_log_axes(ax: Axes, x: tuple[float, float], y: tuple[float, float]) -> None:
    """Make both axes logarithmic between the ends given, with plain numbers at their ticks."""
    ax.set(xscale="log", yscale="log", xlim=x, ylim=y)
    for axis, (low, high) in ((ax.xaxis, x), (ax.yaxis, y)):
        ticks = log_ticks(low, high)
        axis.set_major_locator(FixedLocator(ticks))
        axis.set_major_formatter(FixedFormatter([plain_number(tick) for tick in ticks]))
        axis.set_minor_locator(NullLocator())


def add_heading(figure: Figure, title: str) -> None:
    """Title at the upper left, wrapped to the width of the picture; nothing where it is empty."""
    if not title:
        return
    letters = round(figure.get_figwidth() * _TITLE_LETTERS_PER_INCH)
    figure.suptitle(textwrap.fill(title, letters), x=0.012, ha="left")


def add_footnote(figure: Figure, sentences: Sequence[str]) -> float:
    """Explain the signs in small print below the picture, for which room is made.

    Returns
    -------
    float
        Share of the picture's height that it takes.
    """
    if not sentences:
        return 0.0
    letters = round(figure.get_figwidth() * _FOOTNOTE_LETTERS_PER_INCH)
    lines = textwrap.wrap(" ".join(sentences), letters)
    height = (len(lines) + 0.8) * _LINE_HEIGHT_INCHES / figure.get_figheight()
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        engine.set(rect=(0.0, height, 1.0, 1.0 - height))
    figure.text(
        0.012,
        height - 0.25 * _LINE_HEIGHT_INCHES / figure.get_figheight(),
        "\n".join(lines),
        fontsize=_FOOTNOTE_SIZE,
        color=MUTED,
        va="top",
        linespacing=1.25,
    )
    return height
