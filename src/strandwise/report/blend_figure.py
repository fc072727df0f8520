"""Burn rate of the batches against what they consist of, with the model where there is one."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from matplotlib.patheffects import withStroke
from matplotlib.text import Annotation
from matplotlib.ticker import MaxNLocator

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import axis_label, format_number, in_unit, plain_number, unit_text
from strandwise.report.style import ACCENT, INK, MUTED, SERIES, UNTESTED, house_style, new_figure
from strandwise.tracking import BlendPoint

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.transforms import Bbox

    from strandwise.report.labels import DisplayUnits
    from strandwise.report.style import SeriesStyle
    from strandwise.tracking import BlendLines, ExchangeLine, MeasuredBlend

__all__ = ["draw_blends"]

_SIZES = {1: (6.0, 4.2), 2: (4.3, 3.8)}
_PANEL_SIZE = (3.2, 3.1)
_MOST_COLUMNS = 3
_LEAST_RANGE = 5e-4  # of a mass fraction, that is a movement
_PER_CENT = 100.0
_SIDE = 0.035  # of a panel's width, over which batches of one fraction stand side by side
_SIDE_OF_LINE = 0.012  # where a line shows what a step aside is worth
_WIDEST = 0.22  # of it, that many of them take
_ALIKE = 0.015  # of it, within which fractions are drawn as one
_MARGIN = 0.13
_LETTERS_PER_INCH = 13.0
_FRAME_INCHES = 0.5
_ABOVE = 3.0  # points, of a number over its bar
_BETWEEN_NUMBERS = 1.0  # pixels
_MOST_STRETCHES = 4


def draw_blends(
    blends: Sequence[MeasuredBlend],
    model: BlendLines | None,
    pressure: float,
    units: DisplayUnits,
    title: str = "",
    *,
    why_not: str = "",
    left_out: Sequence[str] = (),
) -> Figure:
    """One panel an ingredient: rates of the batches with their 95 % intervals.

    With a model, each panel has its line and band, dashed where no blend was tested, and the
    batches as the model moves them to the mean of the other ingredients; one panel more shows the
    rates as measured against the model's. Without a model, the rates as measured.

    Parameters
    ----------
    blends
        Batches at one pressure.
    model
        Fitted to them; None where they carry none.
    pressure
        Absolute, Pa.
    units
        What the reader sees.
    title
        Above the picture; names the pressure where empty.
    why_not
        Why there is no model.
    left_out
        Batches that were not tested around the pressure.

    Raises
    ------
    RequestError
        There is no batch, or all consist of the same, so that there is nothing to draw against.
    """
    place = f"{format_number(in_unit(pressure, units.pressure))} {unit_text(units.pressure)}"
    if not blends:
        msg = f"no batch was tested around {place}, so that there is no rate to draw"
        raise RequestError(msg, hint="state another pressure with `--at`")
    names = [line.more for line in model.lines] if model is not None else _moving(blends)
    if not names:
        msg = (
            "all batches consist of the same, so that there is nothing to draw their rates against"
        )
        raise RequestError(msg, hint="`strandwise drift` charts batches of one formulation")
    numbers = {name: number for number, name in enumerate(_formulations(blends), start=1)}
    with house_style():
        figure, axes = _grid(len(names) + (model is not None))
        if model is None:
            for ax, name in zip(axes, names, strict=True):
                points = [_as_measured(blend, name) for blend in blends]
                _draw_points(ax, points, numbers, units)
                ax.set_xlabel(_wrapped(f"{name} (% by mass)", ax))
        else:
            for ax, line in zip(axes, model.lines, strict=False):
                _draw_line(ax, line, units)
                _draw_points(ax, line.points, numbers, units, side=_SIDE_OF_LINE)
                ax.set_title(_wrapped(line.more, ax))
                ax.set_xlabel(_wrapped(f"% by mass, in place of {line.less}", ax))
            _draw_agreement(axes[-1], blends, model, numbers, units)
        _share_rates(axes, blends, model, units)
        add_heading(figure, title or f"Burn rate at {place} absolute against composition")
        add_footnote(figure, _sentences(blends, model, numbers, why_not, left_out))
        _part_numbers(figure, axes)
    return figure


def _part_numbers(figure: Figure, axes: Sequence[Axes]) -> None:
    """Raise the numbers of formulations that stand close together until none covers another.

    Where that takes them over the top of a panel, the scale that all panels share is longer.
    """
    figure.draw_without_rendering()
    for _ in range(_MOST_STRETCHES):
        over = max(_raise_numbers(ax, 72.0 / figure.dpi) for ax in axes)
        if over <= 0.0:
            return
        for ax in axes:
            low, high = ax.get_ylim()
            ax.set_ylim(low, high + over * (high - low))


def _raise_numbers(ax: Axes, points_a_pixel: float) -> float:
    """How far numbers then stand over the top, as a share of the panel's height."""
    numbers = [text for text in ax.texts if isinstance(text, Annotation)]
    for number in numbers:
        number.set_position((0.0, _ABOVE))
    placed: list[Bbox] = []
    for number in sorted(numbers, key=lambda one: one.get_window_extent().y0):
        box = number.get_window_extent()
        rise = 0.0
        for other in sorted(placed, key=lambda one: one.y0):
            if box.translated(0.0, rise).overlaps(other):
                rise = other.y1 + _BETWEEN_NUMBERS - box.y0
        placed.append(box.translated(0.0, rise))
        number.set_position((0.0, _ABOVE + rise * points_a_pixel))
    frame = ax.get_window_extent()
    return max((box.y1 - frame.y1 for box in placed), default=0.0) / frame.height


def _moving(blends: Sequence[MeasuredBlend]) -> list[str]:
    """Ingredients whose fraction differs among the blends."""
    names = dict.fromkeys(name for blend in blends for name in blend.fractions)
    found = []
    for name in names:
        values = [blend.fractions.get(name, 0.0) for blend in blends]
        if max(values) - min(values) >= _LEAST_RANGE:
            found.append(name)
    return found


def _formulations(blends: Sequence[MeasuredBlend]) -> list[str]:
    return list(dict.fromkeys(blend.formulation for blend in blends))


def _as_measured(blend: MeasuredBlend, name: str) -> BlendPoint:
    return BlendPoint(
        batch=blend.batch,
        formulation=blend.formulation,
        fraction=blend.fractions.get(name, 0.0),
        rate=blend.rate,
        ci95=blend.ci95,
    )


def _grid(count: int) -> tuple[Figure, list[Axes]]:
    columns = 2 if count == 4 else min(count, _MOST_COLUMNS)
    rows = math.ceil(count / columns)
    width, height = _SIZES.get(count, _PANEL_SIZE)
    figure = new_figure(columns * width, rows * height + 0.4)
    grid = figure.subplots(rows, columns, squeeze=False)
    axes = [ax for row in grid for ax in row]
    for ax in axes[count:]:
        ax.remove()
    return figure, axes[:count]


def _wrapped(text: str, ax: Axes) -> str:
    """An axis' label on as many lines as its panel is wide."""
    spec = ax.get_subplotspec()
    count = 1 if spec is None else spec.get_gridspec().ncols
    width, _ = _SIZES.get(count, _PANEL_SIZE)
    return textwrap.fill(text, round((width - _FRAME_INCHES) * _LETTERS_PER_INCH))


def _style_of(number: int) -> SeriesStyle:
    return SERIES[(number - 1) % len(SERIES)]


def _draw_points(
    ax: Axes,
    points: Sequence[BlendPoint],
    numbers: Mapping[str, int],
    units: DisplayUnits,
    *,
    side: float = _SIDE,
) -> None:
    """Batches of one fraction stand side by side, each formulation's number above them."""
    shares = [_PER_CENT * point.fraction for point in points]
    span = max(shares) - min(shares) or 1.0
    for cluster in _clusters(points, span):
        # Many stand closer together, so that they still belong to their fraction.
        step = span * min(side, _WIDEST / len(cluster))
        start = _PER_CENT * sum(point.fraction for point in cluster) / len(cluster)
        start -= step * (len(cluster) - 1) / 2.0
        places = [start + step * place for place in range(len(cluster))]
        _draw_rates(ax, places, cluster, numbers, units)
    ax.set_xlim(min(shares) - _MARGIN * span, max(shares) + _MARGIN * span)
    _plain(ax)


def _clusters(points: Sequence[BlendPoint], span: float) -> list[list[BlendPoint]]:
    """Points of nearly one fraction together, and of one formulation beside each other."""
    found: list[list[BlendPoint]] = []
    for point in sorted(points, key=lambda point: point.fraction):
        if found and _PER_CENT * (point.fraction - found[-1][0].fraction) < _ALIKE * span:
            found[-1].append(point)
        else:
            found.append([point])
    order = list(dict.fromkeys(point.formulation for point in points))
    return [sorted(one, key=lambda point: order.index(point.formulation)) for one in found]


def _plain(ax: Axes) -> None:
    ax.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 5, 10]))
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(lambda value, _: plain_number(value))


def _draw_rates(
    ax: Axes,
    places: Sequence[float],
    points: Sequence[BlendPoint | MeasuredBlend],
    numbers: Mapping[str, int],
    units: DisplayUnits,
) -> None:
    """Draw rates, and the number of each formulation once, above its highest."""
    tops: dict[str, list[tuple[float, float]]] = {}
    for x, point in zip(places, points, strict=True):
        top = _draw_rate(ax, x, point, numbers[point.formulation], units)
        tops.setdefault(point.formulation, []).append((x, top))
    for formulation, ends in tops.items():
        middle = sum(x for x, _ in ends) / len(ends)
        _write_number(ax, middle, max(top for _, top in ends), numbers[formulation])


def _draw_rate(
    ax: Axes, x: float, point: BlendPoint | MeasuredBlend, number: int, units: DisplayUnits
) -> float:
    """Draw one rate and its interval; returns its upper end in the unit shown."""
    style = _style_of(number)
    rate = in_unit(point.rate, units.rate)
    top = rate
    if point.ci95 is not None:
        low, high = (in_unit(end, units.rate) for end in point.ci95)
        ax.plot([x, x], [low, high], color=style.colour, linewidth=1.2, zorder=2.4)
        top = high
    ax.plot(
        x,
        rate,
        marker=style.marker,
        markersize=5.5,
        color=style.colour,
        markerfacecolor="white" if point.ci95 is None else style.colour,
        label=point.batch,
        zorder=2.6,
    )
    return top


def _write_number(ax: Axes, x: float, y: float, number: int) -> None:
    ax.annotate(
        str(number),
        (x, y),
        (0.0, _ABOVE),
        textcoords="offset points",
        ha="center",
        va="bottom",
        fontsize=8.0,
        fontweight="bold",
        color=INK,
        path_effects=[withStroke(linewidth=2.0, foreground="white")],
        annotation_clip=True,
        zorder=3.0,
    )


def _draw_line(ax: Axes, line: ExchangeLine, units: DisplayUnits) -> None:
    """The model, dashed and on hatching where no blend was tested."""
    shares = [_PER_CENT * fraction for fraction in line.fractions]
    rate, low, high = (
        [in_unit(value, units.rate) for value in values]
        for values in (line.rate, line.low, line.high)
    )
    ax.fill_between(shares, low, high, color=ACCENT, alpha=0.13, linewidth=0, zorder=1.6)
    ax.plot(shares, rate, color=MUTED, linestyle=(0, (3, 2)), linewidth=1.2, zorder=2.0)
    ends = [_PER_CENT * end for end in line.tested]
    inside = [ends[0] - 1e-9 <= share <= ends[1] + 1e-9 for share in shares]
    ax.plot(
        [share for share, own in zip(shares, inside, strict=True) if own],
        [value for value, own in zip(rate, inside, strict=True) if own],
        color=ACCENT,
        zorder=2.1,
    )
    for start, end in ((shares[0], ends[0]), (ends[1], shares[-1])):
        if end > start:
            ax.axvspan(start, end, **UNTESTED)


def _draw_agreement(
    ax: Axes,
    blends: Sequence[MeasuredBlend],
    model: BlendLines,
    numbers: Mapping[str, int],
    units: DisplayUnits,
) -> None:
    modelled = [in_unit(value, units.rate) for value in model.modelled]
    ends = [*modelled, *(in_unit(blend.rate, units.rate) for blend in blends)]
    margin = _MARGIN * (max(ends) - min(ends)) or _MARGIN * max(ends)
    both = (min(ends) - margin, max(ends) + margin)
    ax.plot(both, both, color=INK, linewidth=1.0, zorder=1.6)
    _draw_rates(ax, modelled, blends, numbers, units)
    ax.set_xlim(*both)
    ax.set_xlabel(_wrapped(axis_label("By the model", units.rate), ax))
    ax.set_title("As measured")
    _plain(ax)


def _share_rates(
    axes: Sequence[Axes],
    blends: Sequence[MeasuredBlend],
    model: BlendLines | None,
    units: DisplayUnits,
) -> None:
    """One scale of rates for all panels, which holds every rate and the intervals in reason."""
    points: list[BlendPoint | MeasuredBlend] = list(blends)
    if model is not None:
        points += [point for line in model.lines for point in line.points]
    rates = [in_unit(point.rate, units.rate) for point in points]
    room = 0.6 * (max(rates) - min(rates)) or 0.1 * max(rates)
    ends = [in_unit(end, units.rate) for point in points if point.ci95 for end in point.ci95]
    low = max(min([*rates, *ends]), min(rates) - room)
    high = min(max([*rates, *ends]), max(rates) + room)
    margin = _MARGIN * (high - low)
    for ax in axes:
        ax.set_ylim(low - margin, high + 1.6 * margin)
        spec = ax.get_subplotspec()
        if spec is None or spec.is_first_col():
            ax.set_ylabel(axis_label("Burn rate", units.rate))


def _sentences(
    blends: Sequence[MeasuredBlend],
    model: BlendLines | None,
    numbers: Mapping[str, int],
    why_not: str,
    left_out: Sequence[str],
) -> list[str]:
    sentences = [f"{'; '.join(f'{number}: {name}' for name, number in numbers.items())}."]
    if any(blend.ci95 for blend in blends):
        sentences.append("Bars: 95 % intervals of each batch's own law.")
    if not all(blend.ci95 for blend in blends):
        sentences.append("Hollow: two tests, which leave no interval.")
    counts = [sum(blend.formulation == name for blend in blends) for name in numbers]
    if max(counts) > 1:
        sentences.append("Batches of one composition stand side by side.")
    if model is None:
        sentences.append("Ingredients that are not shown are the same in all batches.")
        if why_not:
            sentences.append(f"No line: {why_not}.")
    else:
        sentences.append(
            "Lines: the model with its 95 % band, all other ingredients at their mean; dashed "
            "and hatched: no blend was tested there. Points beside a line are moved along the "
            "model to that mean; in the last panel they are as measured."
        )
    if left_out:
        sentences.append(f"Not tested around this pressure: {', '.join(left_out)}.")
    return sentences
