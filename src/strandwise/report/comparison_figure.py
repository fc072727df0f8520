"""What each formulation did to burn rate and exponent, beside the baseline."""

from __future__ import annotations

import statistics
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.ticker import FixedLocator

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading, few_ticks
from strandwise.report.labels import (
    format_change,
    format_change_interval,
    format_interval,
    format_number,
    in_unit,
    plain_number,
    unit_text,
)
from strandwise.report.style import ACCENT, INK, MUTED, house_style, new_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.report.labels import DisplayUnits
    from strandwise.tracking import Comparison, FormulationShift

__all__ = ["draw_comparison"]

_WIDTH = 9.2
_ROW_GAP = 0.2
_LABEL_LINE = 0.16
_FRAME_HEIGHT = 1.75
_NAME_LETTERS = 26
_LEVEL = 0.05
# An interval known from one degree of freedom may be so wide that it would hide the others.
_MOST_OF_MEDIAN = 4.0
_REASONS = {
    "not-separable": "not separable from its batch",
    "exponent-not-measured": "tested at one pressure",
    "method-confounded": "not separable from the method",
}
# Which of the cautions tells why an interval is missing (False) or even the estimate (True).
_RATE_REASONS = {
    False: ("not-separable",),
    True: ("method-confounded", "exponent-not-measured", "not-separable"),
}
_REFERENCE = "reference"
# Cautions that leave the exponents of formulations untold from those of their batches.
_OF_BATCHES = {"not-separable", "exponents-not-separable"}


@dataclass(frozen=True, slots=True)
class _Effect:
    """One mark: an estimate in the unit shown, or the words in its place."""

    estimate: float | None
    interval: tuple[float, float] | None
    differs: bool
    words: str
    dashed: bool


@dataclass(frozen=True, slots=True)
class _Asked:
    """Changes of the rate, in percent, that somebody asked about, and how they are drawn."""

    places: tuple[float, ...]
    dashes: tuple[float, ...]
    sentence: str


def draw_comparison(
    comparison: Comparison,
    units: DisplayUnits,
    title: str = "",
    *,
    within: float | None = None,
    slower: float | None = None,
    faster: float | None = None,
) -> Figure:
    """Shift of burn rate and of exponent against the baseline, one row a formulation.

    Parameters
    ----------
    comparison
        Its first row is the baseline; shifts are drawn in percent of the baseline's rate.
    units
        What the reader sees.
    title
        Above the picture; names baseline and pressure where empty.
    within, slower, faster
        Changes of the rate that were asked about, as fractions: a margin either way, and the
        least slower or faster; None: not asked.

    Raises
    ------
    RequestError
        The comparison holds the baseline alone.
    """
    pressure = in_unit(comparison.pressure, units.pressure)
    place = f"{format_number(pressure)} {unit_text(units.pressure)}"
    rows = comparison.formulations
    others = [row for row in rows if row.formulation != comparison.baseline]
    if not others:
        msg = f"no formulation has tests to set beside the baseline `{comparison.baseline}`"
        raise RequestError(msg, hint="log tests of another formulation first")
    labels = [_row_label(row, comparison) for row in rows]
    row_height = _ROW_GAP + _LABEL_LINE * max(label.count("\n") + 1 for label in labels)
    with house_style():
        figure = new_figure(_WIDTH, _FRAME_HEIGHT + row_height * len(rows))
        left, right = figure.subplots(1, 2, sharey=True, width_ratios=[3, 2])
        asked = _asked(within, slower, faster)
        _draw_effects(left, [_rate_effect(row, comparison) for row in rows], unit=" %", asked=asked)
        _draw_effects(right, [_exponent_effect(row, comparison) for row in rows], unit="")
        left.set(title="Burn rate", xlabel="Change of burn rate (% of the baseline's)")
        right.set(title="Exponent n", xlabel="Change of the exponent n")
        left.set_yticks(range(len(rows)), labels)
        left.set_ylim(len(rows) - 0.5, -0.5)
        heading = title or f"Formulations beside {comparison.baseline} at {place} absolute"
        add_heading(figure, heading)
        add_footnote(figure, [*_sentences(others, comparison), *(one.sentence for one in asked)])
    return figure


def _asked(within: float | None, slower: float | None, faster: float | None) -> list[_Asked]:
    found = []
    if within is not None:
        margin = 100.0 * within
        said = f"Dotted: the margin of \N{PLUS-MINUS SIGN}{plain_number(margin)} % asked about."
        found.append(_Asked((-margin, margin), (1.0, 1.6), said))
    for change, sign, word in ((slower, -1.0, "slower"), (faster, 1.0, "faster")):
        if change:  # at 0 % there is a line anyway
            said = f"Dots and dashes: {plain_number(100.0 * change)} % {word}, as asked about."
            found.append(_Asked((sign * 100.0 * change,), (6.0, 1.6, 1.0, 1.6), said))
    return found


def _rate_effect(row: FormulationShift, comparison: Comparison) -> _Effect:
    interval = row.shift_ci95
    return _Effect(
        estimate=None if row.shift is None else 100.0 * row.shift,
        interval=None if interval is None else (100.0 * interval[0], 100.0 * interval[1]),
        differs=row.shift_p is not None and row.shift_p < _LEVEL,
        words=_words(row, comparison, *_RATE_REASONS[row.shift is None]),
        dashed=_extrapolated(row),
    )


def _exponent_effect(row: FormulationShift, comparison: Comparison) -> _Effect:
    return _Effect(
        estimate=row.n_shift,
        interval=row.n_shift_ci95,
        differs=row.n_shift_p is not None and row.n_shift_p < _LEVEL,
        words=_words(row, comparison, "exponent-not-measured"),
        dashed=False,
    )


def _words(row: FormulationShift, comparison: Comparison, *codes: str) -> str:
    if row.formulation == comparison.baseline:
        return _REFERENCE
    present = {caution.code for caution in (*row.cautions, *comparison.cautions)}
    return next((_REASONS[code] for code in codes if code in present), "too few tests")


def _extrapolated(row: FormulationShift) -> bool:
    return any(caution.code == "extrapolated" for caution in row.cautions)


def _row_label(row: FormulationShift, comparison: Comparison) -> str:
    name = row.formulation
    if name == comparison.baseline:
        name += " (baseline)"
    lines = textwrap.wrap(name, _NAME_LETTERS)
    lines.append(f"{_counted(row.batches, 'batch')}, {_counted(row.points, 'test')}")
    if _extrapolated(row):
        lines.append("not tested at this pressure")
    return "\n".join(lines)


def _counted(number: int, noun: str) -> str:
    if number == 1:
        return f"1 {noun}"
    return f"{number} {noun}{'es' if noun.endswith('ch') else 's'}"


def _draw_effects(
    ax: Axes, effects: Sequence[_Effect], *, unit: str, asked: Sequence[_Asked] = ()
) -> None:
    low, high = _limits(effects, [place for one in asked for place in one.places])
    ax.set_xlim(low, high)
    ax.axvline(0.0, color=INK, linewidth=1.1, zorder=1.5)
    for one in asked:
        for place in one.places:
            ax.axvline(place, color=INK, linewidth=1.1, linestyle=(0, one.dashes), zorder=1.5)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)
    ax.xaxis.set_major_locator(FixedLocator(few_ticks(low, high)))
    ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
    for place, effect in enumerate(effects):
        _draw_mark(ax, place, effect, low, high)
        ax.text(
            1.02,
            place,
            _value_text(effect, unit),
            transform=ax.get_yaxis_transform(),
            va="center",
            fontsize=8.0,
            color=INK if effect.interval is not None else MUTED,
        )


def _limits(effects: Sequence[_Effect], asked: Sequence[float]) -> tuple[float, float]:
    reaches = []
    for effect in effects:
        if effect.interval is not None:
            reaches.append(max(map(abs, effect.interval)))
        elif effect.estimate:
            reaches.append(abs(effect.estimate))
    if not reaches:  # words alone
        furthest = 1.2 * max(map(abs, asked)) if asked else 1.0
        return -furthest, furthest
    estimates = [abs(effect.estimate) for effect in effects if effect.estimate is not None]
    most = max(_MOST_OF_MEDIAN * statistics.median(reaches), 1.2 * max(estimates))
    ends = [0.0, *(e.estimate for e in effects if e.estimate is not None)]
    ends += [end for e in effects if e.interval is not None for end in e.interval]
    low, high = max(min(ends), -most), min(max(ends), most)
    low, high = min([low, *asked]), max([high, *asked])
    margin = 0.08 * (high - low) or 1.0
    return low - margin, high + margin


def _draw_mark(ax: Axes, place: int, effect: _Effect, low: float, high: float) -> None:
    if effect.estimate is None or effect.words == _REFERENCE:
        return
    if effect.interval is not None:
        start, end = effect.interval
        ax.plot(
            [max(start, low), min(end, high)],
            [place, place],
            color=ACCENT,
            linewidth=2.4,
            linestyle=(0, (0.9, 0.6)) if effect.dashed else "solid",
            solid_capstyle="butt",
        )
        inset = 0.012 * (high - low)
        for edge, beyond, marker in (
            (low + inset, start < low, "<"),
            (high - inset, end > high, ">"),
        ):
            if beyond:
                ax.plot(edge, place, marker=marker, color=ACCENT, markersize=7.0)
    ax.plot(
        effect.estimate,
        place,
        marker="o",
        markersize=6.5,
        color=ACCENT,
        markerfacecolor=ACCENT if effect.differs else "white",
        markeredgewidth=1.5,
        zorder=3.0,
    )


def _value_text(effect: _Effect, unit: str) -> str:
    if effect.words == _REFERENCE:
        return _REFERENCE
    if effect.estimate is None:
        return f"not known:\n{effect.words}"
    if effect.interval is None:
        value = (
            format_change(effect.estimate)
            if unit
            else format_number(effect.estimate, digits=2, signed=True)
        )
        return f"{value}{unit}, no interval:\n{effect.words}"
    if unit:
        value = format_change(effect.estimate, effect.interval)
        return f"{value}{unit}\n{format_change_interval(effect.interval)}{unit}"
    half_width = (effect.interval[1] - effect.interval[0]) / 2.0
    value = format_number(effect.estimate, half_width, signed=True)
    return f"{value}\n{format_interval(effect.interval, signed=True)}"


def _sentences(others: Sequence[FormulationShift], comparison: Comparison) -> list[str]:
    sentences = []
    if any(row.shift_ci95 or row.n_shift_ci95 for row in others):
        sentences.append(
            "Bars and brackets: 95 % intervals, each for its formulation alone, not widened for "
            "the number compared."
        )
    if any(row.shift_p is not None or row.n_shift_p is not None for row in others):
        many = f", {len(others)} comparisons allowed for" if len(others) > 1 else ""
        sentences.append(
            f"Filled: differs from the baseline at the 5 % level{many}; hollow: no difference "
            "was shown, which does not show that there is none."
        )
    elif any(row.shift is not None or row.n_shift is not None for row in others):
        sentences.append("Hollow: whether it differs from the baseline cannot be told.")
    codes = {caution.code for caution in comparison.cautions}
    if codes & _OF_BATCHES and any(row.n_shift_ci95 for row in others):
        sentences.append(
            "Exponents are compared as those of the batches tested: how far batches of one "
            "formulation differ in it is not known."
        )
    if any(map(_extrapolated, comparison.formulations)):
        sentences.append(
            "Dashed: extrapolated; that formulation was not tested at the pressure of the "
            "comparison."
        )
    if comparison.rate_kind == "mixed":
        sentences.append(
            "Strands and firings could not be tied together: each rate is as its own tests read it."
        )
    return sentences
