"""Recipes side by side: what each consists of, its oxygen balance and its density."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import (
    axis_label,
    format_plus_minus,
    in_unit,
    plain_number,
)
from strandwise.report.style import ACCENT, FAINT, INK, MUTED, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.findings import Caution
    from strandwise.formulation import Porosity, Recipe, RecipeProperties
    from strandwise.report.labels import DisplayUnits

__all__ = ["RecipeRow", "draw_recipes"]

_WIDTH = 9.2
_FRAME_HEIGHT = 1.55
_ROW_GAP = 0.22
_LABEL_LINE = 0.16
_LEAST_ROW = 0.52
_LEGEND_LINE = 0.19
_NAME_LETTERS = 26
_LEGEND_LETTERS = 105
_SAMPLE_LETTERS = 7  # what a legend's sample takes beside its name
_BAR = 0.46
_LETTER_SHARE = 1.75  # of 100 % of the mass, that a digit in a bar takes
_PAD_SHARE = 1.6
_WHOLE = 100.0
_MOST_NAMED = 4
_NUMBER_ROOM = 0.8
_HEADING_LINE = 0.22


@dataclass(frozen=True, slots=True)
class _Fill:
    """How the share of one ingredient is filled: lightness and hatch tell it without its colour."""

    face: str
    edge: str
    hatch: str


_FILLS = (
    _Fill(SERIES[0].colour, SERIES[0].colour, ""),
    _Fill("#f8dfce", SERIES[1].colour, "////"),
    _Fill("white", SERIES[2].colour, "...."),
    _Fill("#8e97a3", INK, "\\\\\\\\"),
    _Fill("white", SERIES[3].colour, "xxxx"),
    _Fill("#d9ecea", SERIES[2].colour, "----"),
    _Fill("#5d6673", "white", "ooo"),
    _Fill("#f1e4f4", SERIES[3].colour, "||||"),
    _Fill("white", INK, "++++"),
    _Fill("#b9c4d0", INK, ""),
    _Fill(SERIES[2].colour, "white", "///"),
    _Fill("#f8dfce", INK, "OO"),
    _Fill("white", SERIES[1].colour, "\\\\\\"),
    _Fill(SERIES[3].colour, "white", ".."),
    _Fill("white", INK, "**"),
    _Fill("#2f3a48", "white", "--"),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class RecipeRow:
    """One recipe of the picture.

    Parameters
    ----------
    label, note
        What it is called, and what stands below its name.
    recipe, properties
        What it consists of, and what follows.
    density_sd
        Standard uncertainty of its void-free density, kg/m³; None where that is not known.
    porosities
        Of its batches whose density was measured.
    cautions
        What is to be heeded about it.
    """

    label: str
    note: str = ""
    recipe: Recipe
    properties: RecipeProperties
    density_sd: float | None = None
    porosities: tuple[Porosity, ...] = ()
    cautions: tuple[Caution, ...] = ()


def draw_recipes(rows: Sequence[RecipeRow], units: DisplayUnits, title: str = "") -> Figure:
    """Mass fractions as bars of hatched shares, with oxygen balance and density beside them.

    Parameters
    ----------
    rows
        From top to bottom.
    units
        What the reader sees.
    title
        Above the picture.

    Raises
    ------
    RequestError
        There is no recipe.
    """
    if not rows:
        msg = "a picture of no recipe"
        raise RequestError(msg, expected="at least one formulation")
    names = list(dict.fromkeys(key for row in rows for key in row.recipe.mass_fractions))
    labels = [_row_label(row) for row in rows]
    lines = max(label.count("\n") + 1 for label in labels)
    row_height = max(_ROW_GAP + _LABEL_LINE * lines, _LEAST_ROW)
    columns = _legend_columns(names)
    with house_style():
        key = _LEGEND_LINE * math.ceil(len(names) / columns)
        figure = new_figure(_WIDTH, _FRAME_HEIGHT + row_height * len(rows) + key)
        shares, balance, density = figure.subplots(1, 3, sharey=True, width_ratios=[5.0, 1.5, 2.3])
        for place, row in enumerate(rows):
            _draw_shares(shares, place, row, names)
        _draw_balances(balance, rows)
        _draw_densities(density, rows, units)
        shares.set_yticks(range(len(rows)), labels)
        shares.set_ylim(len(rows) - 0.45, -0.55)
        shares.set_xlim(0.0, _WHOLE)
        shares.set(title="Composition", xlabel="Mass fraction (%)")
        for ax in (shares, balance, density):
            ax.tick_params(axis="y", length=0)
            ax.grid(visible=False, axis="y")
            ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
        add_heading(figure, title)
        _add_legend(figure, names, columns, add_footnote(figure, _sentences(rows)))
    return figure


def _row_label(row: RecipeRow) -> str:
    lines = textwrap.wrap(row.label, _NAME_LETTERS)
    if row.note:
        lines += textwrap.wrap(row.note, _NAME_LETTERS + 2)
    return "\n".join(lines)


def _fill_of(place: int) -> _Fill:
    return _FILLS[place % len(_FILLS)]


def _draw_shares(ax: Axes, place: int, row: RecipeRow, names: Sequence[str]) -> None:
    start = 0.0
    narrow: list[tuple[float, str]] = []
    for number, name in enumerate(names):
        share = _WHOLE * row.recipe.mass_fractions.get(name, 0.0)
        if share == 0.0:
            continue
        fill = _fill_of(number)
        ax.barh(
            place,
            share,
            _BAR,
            left=start,
            facecolor=fill.face,
            edgecolor=fill.edge,
            hatch=fill.hatch,
            linewidth=0.8,
            zorder=2.0,
        )
        text = plain_number(round(share, 2))
        middle = start + share / 2.0
        if share >= _LETTER_SHARE * len(text) + _PAD_SHARE:
            ax.text(
                middle,
                place,
                text,
                ha="center",
                va="center",
                fontsize=8.0,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2},
                zorder=3.0,
            )
        else:
            narrow.append((middle, text))
        start += share
    _label_narrow(ax, place, narrow)


def _label_narrow(ax: Axes, place: int, narrow: Sequence[tuple[float, str]]) -> None:
    """Write the shares that have no room in the bar below it, side by side."""
    widths = [_LETTER_SHARE * len(text) for _, text in narrow]
    at = [middle for middle, _ in narrow]
    edge = _WHOLE + _LETTER_SHARE
    for number in reversed(range(len(at))):  # leftwards as far as each needs
        at[number] = min(at[number], edge - widths[number] / 2.0)
        edge = at[number] - widths[number] / 2.0 - _PAD_SHARE
    edge = 0.0
    for number in range(len(at)):  # and back from the left end
        at[number] = max(at[number], edge + widths[number] / 2.0)
        edge = at[number] + widths[number] / 2.0 + _PAD_SHARE
    for (middle, text), x in zip(narrow, at, strict=True):
        ax.plot(
            [middle, x],
            [place + _BAR / 2.0, place + _BAR / 2.0 + 0.07],
            color=INK,
            linewidth=0.7,
            clip_on=False,
        )
        ax.text(x, place + _BAR / 2.0 + 0.08, text, ha="center", va="top", fontsize=7.5)


def _draw_balances(ax: Axes, rows: Sequence[RecipeRow]) -> None:
    known = [row.properties.oxygen_balance for row in rows]
    values = [value for value in known if value is not None]
    for place, value in enumerate(known):
        below = value is None or value < 0.0
        if value is not None:
            ax.barh(place, value, 0.16, facecolor=FAINT, edgecolor=INK, linewidth=0.8, zorder=2.0)
        ax.annotate(
            "not known" if value is None else f"{value:+.2f}".replace("-", "−"),
            (0.0, place - 0.12),
            (-4.0 if below else 4.0, 0.0),
            textcoords="offset points",
            ha="right" if below else "left",
            va="bottom",
            fontsize=8.0,
            color=MUTED if value is None else INK,
        )
    ax.set_xlim(*_balance_ends(values, unknown=len(values) < len(rows)))
    ax.axvline(0.0, color=INK, linewidth=1.0, zorder=2.5)
    ax.xaxis.set_major_locator(MaxNLocator(nbins=3, steps=[1, 2, 5, 10]))
    ax.set(title="Oxygen", xlabel="Oxygen balance (%)")


def _balance_ends(values: Sequence[float], *, unknown: bool) -> tuple[float, float]:
    """Ends of the axis, with room for the numbers on their side of zero."""
    low, high = min([0.0, *values]), max([0.0, *values])
    room = _NUMBER_ROOM * (high - low) or 1.0
    if low < 0.0 or unknown:
        low = min(1.12 * low, -room)
    if high > 0.0 or 0.0 in values:
        high = max(1.12 * high, room)
    return min(low, -0.05 * room), max(high, 0.05 * room)


def _draw_densities(ax: Axes, rows: Sequence[RecipeRow], units: DisplayUnits) -> None:
    ends: list[float] = []
    for place, row in enumerate(rows):
        value = row.properties.void_free_density
        sd = row.density_sd or 0.0
        if value is not None:
            shown, half = in_unit(value, units.density), in_unit(sd, units.density)
            ends += [shown - half, shown + half]
            ax.plot([shown - half, shown + half], [place] * 2, color=INK, linewidth=1.4, zorder=2.0)
            ax.plot([shown] * 2, [place - 0.13, place + 0.13], color=INK, linewidth=2.0, zorder=2.1)
        ends += _draw_measured(ax, place, row, units)
        ax.text(
            1.0,
            place - 0.16,
            _density_text(row, units),
            transform=ax.get_yaxis_transform(),
            ha="right",
            va="bottom",
            fontsize=8.0,
            color=MUTED if value is None else INK,
        )
    if ends:
        margin = 0.08 * (max(ends) - min(ends)) or 0.01 * max(ends)
        ax.set_xlim(min(ends) - margin, max(ends) + margin)
        ax.xaxis.set_major_locator(MaxNLocator(nbins=4, steps=[1, 2, 5, 10]))
    else:
        ax.set_xticks([])
    ax.set(title="Density", xlabel=axis_label("Density", units.density))


def _draw_measured(ax: Axes, place: int, row: RecipeRow, units: DisplayUnits) -> list[float]:
    """Measured densities below the stroke, side by side in height; returns the ends of the bars."""
    ends = []
    count = len(row.porosities)
    for number, one in enumerate(row.porosities):
        at = place + 0.22 + (0.18 * (number + 0.5) / count)
        shown = in_unit(one.density, units.density)
        half = in_unit(one.density_sd or 0.0, units.density)
        ends += [shown - half, shown + half]
        if half:
            ax.plot([shown - half, shown + half], [at, at], color=ACCENT, linewidth=1.0, zorder=2.0)
        ax.plot(
            shown,
            at,
            marker="o",
            markersize=4.5,
            color=ACCENT,
            markerfacecolor=ACCENT if half else "white",
            zorder=2.5,
        )
    return ends


def _density_text(row: RecipeRow, units: DisplayUnits) -> str:
    value = row.properties.void_free_density
    if value is None:
        return "void-free: not known"
    sd = None if row.density_sd is None else in_unit(row.density_sd, units.density)
    return format_plus_minus(in_unit(value, units.density), sd)


def _legend_columns(names: Sequence[str]) -> int:
    """As many columns of the key as the width of the picture has room for."""
    for columns in range(len(names), 1, -1):
        widest = [max(map(len, names[place::columns])) for place in range(columns)]
        if sum(widest) + columns * _SAMPLE_LETTERS <= _LEGEND_LETTERS:
            return columns
    return 1


def _add_legend(figure: Figure, names: Sequence[str], columns: int, footnote: float) -> None:
    """Put the key between the heading and the panels, for which room is made."""
    height = figure.get_figheight()
    heading = figure.get_suptitle()
    taken = _HEADING_LINE * (heading.count("\n") + 1) if heading else 0.0
    room = _LEGEND_LINE * math.ceil(len(names) / columns) / height
    engine = figure.get_layout_engine()
    assert isinstance(engine, ConstrainedLayoutEngine)
    engine.set(rect=(0.0, footnote, 1.0, 1.0 - footnote - room))
    patches = [
        Patch(
            facecolor=_fill_of(number).face,
            edgecolor=_fill_of(number).edge,
            hatch=_fill_of(number).hatch,
            linewidth=0.8,
            label=name,
        )
        for number, name in enumerate(names)
    ]
    legend = figure.legend(
        # Keys are filled in column by column, and read line by line.
        handles=[patch for place in range(columns) for patch in patches[place::columns]],
        loc="upper left",
        bbox_to_anchor=(0.004, 1.0 - taken / height),
        borderpad=0.2,
        ncols=columns,
        handlelength=2.2,
        handleheight=1.1,
        columnspacing=1.4,
    )
    legend.set_in_layout(False)


def _sentences(rows: Sequence[RecipeRow]) -> list[str]:
    sentences = ["Shares stand in the order of the key; those too narrow for their number below."]
    alkali = rows[0].properties.alkali
    sentences.append(
        f"Oxygen balance: potassium, sodium and other metals to their {alkali}s; it follows from "
        "the recipe alone."
        if alkali == "oxide"
        else "Oxygen balance: potassium and sodium to carbonate; it follows from the recipe alone."
    )
    if any(row.properties.void_free_density is not None for row in rows):
        sentences.append(
            "Stroke: density without voids, as the ingredients' densities have it; bars are one "
            "standard uncertainty, most of which recipes of the same ingredients share."
        )
    measured = [one for row in rows for one in row.porosities]
    if measured:
        sentences.append("Points: measured of batches; what lies between is porosity.")
    if any(not one.density_sd for one in measured):
        sentences.append("Hollow: its uncertainty is not stated.")
    codes = list(dict.fromkeys(caution.code for row in rows for caution in row.cautions))
    if codes:
        named = ", ".join(code.replace("-", " ") for code in codes[:_MOST_NAMED])
        more = f" and {len(codes) - _MOST_NAMED} more" if len(codes) > _MOST_NAMED else ""
        sentences.append(f"Cautions, which mix spells out: {named}{more}.")
    return sentences
