"""Which test tells most: what each one brings, and what the tests could show."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING

from strandwise.planning import MotorTests
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import format_number, in_unit, plain_number, unit_text
from strandwise.report.style import ACCENT, INK, MUTED, SERIES, house_style, new_figure
from strandwise.units import digits_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.planning import (
        MotorSuggestion,
        NextTests,
        PeakPrecision,
        PowerCurve,
        Suggestion,
    )
    from strandwise.report.labels import DisplayUnits

__all__ = ["draw_plan"]

_WIDTH = 9.6
_FRAME_HEIGHT = 1.75
_LEAST_HEIGHT = 4.3
_LABEL_LINE = 0.155
_ROW_GAP = 0.16
_LABEL_LETTERS = 30
_LETTER_POINTS = 4.9
_WORDS_LETTERS = 34
_USUAL_POWER = 80.0
_PER_CENT = 100.0
_MOST_PER_CENT = 1000.0
_PARTS = (
    ("batches", "how batches differ", ACCENT, ACCENT, ""),
    ("tests", "scatter of tests", "#f8dfce", SERIES[1].colour, "////"),
    ("shared", "errors that tests share", "white", SERIES[2].colour, "...."),
    ("motor", "the motor's tolerances", "#b9c4d0", INK, "\\\\\\\\"),
)
_KEY_ROWS = 0.6  # of a row's height
_LEAST_SHARE = 10.0  # per cent, that has room for its number


def draw_plan(
    found: NextTests | MotorTests,
    curves: Sequence[PowerCurve],
    units: DisplayUnits,
    title: str = "",
    *,
    shift: float | None = None,
) -> Figure:
    """What each suggested test brings, and beside it what decides whether that is enough.

    For shifts of the burn rate that is the chance to show one against its size, with the batches
    so far and with more; for a motor it is what the variance of its peak pressure comes from.

    Parameters
    ----------
    found
        From `next_tests` or `next_tests_for_motor`.
    curves
        From `power_curves`; those of a motor are not looked at.
    units
        What the reader sees.
    title
        Above the picture; says what matters where empty.
    shift
        A shift that is to be shown, as a fraction; None: none is marked.
    """
    suggestions: Sequence[Suggestion | MotorSuggestion] = found.suggestions
    labels = [_label(number, one, units) for number, one in enumerate(suggestions, start=1)]
    rows = _peak_labels(found, units) if isinstance(found, MotorTests) else []
    height = _FRAME_HEIGHT + max(_rows_height(labels), 1.4 * _rows_height(rows))
    with house_style():
        figure = new_figure(_WIDTH, max(height, _LEAST_HEIGHT))
        left, right = figure.subplots(1, 2, width_ratios=[1.0, 1.35])
        _draw_gains(left, found, labels)
        if isinstance(found, MotorTests):
            _draw_causes(right, found, rows)
            sentences = _motor_sentences(found)
        else:
            _draw_power(right, curves, shift)
            sentences = _shift_sentences(found, curves)
            if shift is not None and curves:
                sentences.append("Upright line: the shift asked for.")
        add_heading(figure, title or _title(found, units))
        add_footnote(figure, sentences)
    return figure


def _rows_height(labels: Sequence[str]) -> float:
    lines = max((label.count("\n") + 1 for label in labels), default=0)
    return len(labels) * (_LABEL_LINE * lines + _ROW_GAP)


def _title(found: NextTests | MotorTests, units: DisplayUnits) -> str:
    if isinstance(found, MotorTests):
        return "What to test next for the motor's peak pressure"
    return f"What to test next for the shift at {_pressure(found.pressure, units)} absolute"


def _pressure(value: float, units: DisplayUnits) -> str:
    return f"{format_number(in_unit(value, units.pressure))} {unit_text(units.pressure)}"


def _label(number: int, one: Suggestion | MotorSuggestion, units: DisplayUnits) -> str:
    pressures = [test.pressure for test in one.tests]
    low, high = min(pressures), max(pressures)
    where = _pressure(high, units)
    if low < high:
        where = f"{format_number(in_unit(low, units.pressure))} to {where}"
    noun = "firing" if one.tests[0].is_firing else "strand"
    if one.kind == "new-batch":
        count = len(one.tests)
        text = (
            f"{number}. new batch of {one.formulation}, {count} {noun}{'s'[: count > 1]}, {where}"
        )
    else:
        text = f"{number}. one {noun} of {one.batch} ({one.formulation}), {where}"
    return textwrap.fill(text, _LABEL_LETTERS)


def _draw_gains(ax: Axes, found: NextTests | MotorTests, labels: Sequence[str]) -> None:
    """How well the answer is known after each suggestion, beside how well it is known now."""
    if isinstance(found, MotorTests):
        now, in_percent = found.sd_now, _capped
        after = [one.sd_after for one in found.suggestions]
        name, sign, what = "Standard deviation of the peak pressure (%)", "", "off the variance"
    else:
        now, in_percent = found.interval_now, _of_ratio
        after = [one.interval_after for one in found.suggestions]
        name, sign, what = "Half-width of the 95 % interval of the shift (%)", "±", "narrower"
    values = [in_percent(value) for value in after]
    gains = [one.gain for one in found.suggestions]
    start = None if now is None else in_percent(now)
    for place, (value, gain) in enumerate(zip(values, gains, strict=True)):
        if start is not None:
            ax.plot([value, start], [place, place], color=MUTED, linewidth=1.0, zorder=2.0)
        ax.plot(value, place, marker="o", markersize=6.5, color=ACCENT, zorder=3.0)
        ax.annotate(
            _size(value, sign) + ("" if gain is None else f", {_gain(gain)} {what}"),
            (value, place),
            (-7.0, 0.0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=8.0,
        )
    if start is not None:
        ax.axvline(start, color=INK, linewidth=1.1, linestyle=(0, (5, 3)), zorder=1.5)
    ax.annotate(
        "now not known" if start is None else f"now {_size(start, sign)}",
        (1.0, 1.0) if start is None else (start, 1.0),
        (-3.0, -3.0),
        xycoords="axes fraction" if start is None else ("data", "axes fraction"),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=8.0,
    )
    if not values:
        _say(ax, "nothing to suggest at the pressures permitted: plan says why")
    ends = [*values, *([] if start is None else [start])]
    ax.set_xlim(0.0, 1.06 * max(ends) if ends and max(ends) > 0.0 else 1.0)
    ax.set_ylim(max(len(values), 1) - 0.4, -0.9)
    ax.set_yticks(range(len(labels)), labels)
    for text in ax.get_yticklabels():
        text.set_horizontalalignment("left")
    ax.tick_params(axis="y", length=0, pad=_longest(labels) * _LETTER_POINTS)
    ax.grid(visible=False, axis="y")
    ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
    ax.set(title="After each test, the best first", xlabel=textwrap.fill(name, 32))


def _longest(labels: Sequence[str]) -> int:
    return max((len(line) for label in labels for line in label.split("\n")), default=0)


def _gain(gain: float) -> str:
    return f"{_PER_CENT * gain:.{0 if gain >= 0.02 else 1}f} %"


def _capped(share: float) -> float:
    """A share as per cent, as far as a picture has use for it."""
    return min(_PER_CENT * share, _MOST_PER_CENT)


def _of_ratio(share: float) -> float:
    """Half a width in ln as per cent of the rate."""
    return _capped(math.expm1(min(share, 10.0)))


def _size(value: float, sign: str) -> str:
    if value >= _MOST_PER_CENT:
        return f"over {sign}1000 %"
    return f"{sign}{format_number(value, digits=3 if value >= _PER_CENT else 2)} %"


def _say(ax: Axes, text: str) -> None:
    ax.text(
        0.5,
        0.5,
        textwrap.fill(text, _WORDS_LETTERS),
        transform=ax.transAxes,
        ha="center",
        va="center",
        color=MUTED,
    )


def _draw_power(ax: Axes, curves: Sequence[PowerCurve], shift: float | None) -> None:
    """The formulation that is hardest to show, with more batches; the others as they are."""
    ax.set(title="Chance to show a shift", xlabel="True shift: slower by (%)", ylabel="Chance (%)")
    if not curves:
        _say(ax, "no number of new batches looked at gives a shift an interval")
        ax.set(xticks=[], ylim=(0.0, 100.0))
        return
    chief = _chief(curves)
    for other in _others(curves):
        x, y = _line(other, other.power)
        ax.plot(x, y, color=MUTED, linewidth=0.9, zorder=1.7)
    farthest = -_PER_CENT * curves[0].shifts[-1]
    for style, curve in zip(SERIES, chief, strict=False):
        x, y = _line(curve, curve.power)
        if curve is chief[0] and curve.low:
            low, high = _line(curve, curve.low)[1], _line(curve, curve.high)[1]
            ax.fill_between(x, low, high, color=style.colour, alpha=0.13, linewidth=0)
        ax.plot(x, y, color=style.colour, linestyle=style.dashes, label=_design(curve), zorder=2.5)
        at = -_PER_CENT * curve.shown
        if at < farthest:
            ax.plot(at, _USUAL_POWER, marker=style.marker, color=style.colour, zorder=3.0)
    ax.axhline(_USUAL_POWER, color=INK, linewidth=1.0, linestyle=(0, (5, 3)), zorder=1.6)
    if shift is not None:
        ax.axvline(_PER_CENT * abs(shift), color=INK, linewidth=1.0, zorder=1.6)
    ax.set_xlim(0.0, max(farthest, 1.1 * _PER_CENT * abs(shift or 0.0)))
    ax.set_ylim(0.0, 101.5)
    ax.set_yticks(range(0, 101, 20))
    ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
    ax.legend(
        loc="lower right",
        borderaxespad=0.4,
        labelspacing=0.3,
        title="Shown four times in five:",
        title_fontsize=8.0,
        frameon=True,
        framealpha=0.4,  # the lower edge of the band runs behind
        edgecolor="none",
    )


def _chief(curves: Sequence[PowerCurve]) -> list[PowerCurve]:
    """Curves of the formulation that is hardest to show, one a number of batches."""
    hardest = min(curves, key=lambda curve: curve.shown)
    return [curve for curve in curves if curve.formulation == hardest.formulation]


def _others(curves: Sequence[PowerCurve]) -> list[PowerCurve]:
    return [curve for curve in curves if curve.formulation != _chief(curves)[0].formulation]


def _line(curve: PowerCurve, values: Sequence[float]) -> tuple[list[float], list[float]]:
    return [-_PER_CENT * x for x in curve.shifts], [_PER_CENT * y for y in values]


def _design(curve: PowerCurve) -> str:
    number = curve.new_batches
    what = "as tested" if number == 0 else f"{number} more batch{'es'[: 2 * (number > 1)]} of each"
    return f"{what}: {format_number(-_PER_CENT * curve.shown, digits=2)} % slower"


def _peak_labels(found: MotorTests, units: DisplayUnits) -> list[str]:
    labels = []
    for target, now in zip(found.targets, found.now, strict=True):
        sd = ", ± not known" if now.widened is None else f" {_sd_of(now)}"
        lines = textwrap.wrap(target.formulation, 24)
        labels.append("\n".join([*lines, f"{_pressure(target.pressure, units)}{sd}"]))
    return labels


def _sd_of(now: PeakPrecision) -> str:
    return _size(_capped(math.sqrt(now.widened or 0.0)), "±")


def _draw_causes(ax: Axes, found: MotorTests, labels: Sequence[str]) -> None:
    """Shares of the variance of each peak pressure, by where they come from."""
    for number, (attribute, name, face, edge, hatch) in enumerate(_PARTS):
        for place, now in enumerate(found.now):
            start = sum(getattr(now, part[0]) for part in _PARTS[:number]) / now.variance
            share = _PER_CENT * getattr(now, attribute) / now.variance
            ax.barh(
                place,
                share,
                0.5,
                left=_PER_CENT * start,
                facecolor=face,
                edgecolor=edge,
                hatch=hatch,
                linewidth=0.8,
                label=name if place == 0 else None,
                zorder=2.0,
            )
            if share >= _LEAST_SHARE:
                ax.text(
                    _PER_CENT * start + share / 2.0,
                    place,
                    f"{share:.0f}",
                    ha="center",
                    va="center",
                    fontsize=8.0,
                    bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2},
                    zorder=3.0,
                )
    ax.set_yticks(range(len(labels)), labels)
    # Room for the key above the first bar, in which nothing may hide.
    ax.set_ylim(max(len(labels), 2) - 0.45, -0.55 - _KEY_ROWS)
    ax.set_xlim(0.0, 100.0)
    ax.grid(visible=False, axis="y")
    ax.tick_params(axis="y", length=0)
    ax.set(title="Where the spread comes from", xlabel="Share of the variance of ln P (%)")
    ax.legend(loc="upper left", ncols=2, handlelength=2.0, borderaxespad=0.1, columnspacing=1.2)


def _shift_sentences(found: NextTests, curves: Sequence[PowerCurve]) -> list[str]:
    whose = ", ".join(found.targets) if len(found.targets) <= 3 else "all formulations together"
    sentences = [f"Left: the shift of {whose}, each test worked out at the scatter seen so far."]
    if curves:
        chief, others = _chief(curves), _others(curves)
        sentences.append(
            f"Right: {chief[0].formulation}"
            + (", which is hardest to show" if others else "")
            + ". Dashed line: four times in five; faster burning by the same ratio is shown as "
            "often."
        )
        if others:
            sentences.append("Thin: the other formulations, as tested.")
        if any(curve.new_batches for curve in chief):
            tests = chief[0].tests_per_batch
            sentences.append(f"New batches with {tests} tests each, the baseline's too.")
        if chief[0].low:
            sentences.append(
                "Band: 95 %, as the scatter is known from so few batches; the other lines are as "
                "uncertain."
            )
    sentences += _scatter(found)
    return sentences


def _scatter(found: NextTests) -> list[str]:
    counted = found.components
    text = (
        f"Scatter counted with: {digits_text(_PER_CENT * counted.batch_sd)} % from batch to batch, "
        f"{digits_text(_PER_CENT * counted.test_sd)} % from test to test"
    )
    if not counted.cautions:
        return [f"{text}."]
    return [f"{text}; partly assumed, as plan says, so that no band is drawn."]


def _motor_sentences(found: MotorTests) -> list[str]:
    sentences = []
    if len(found.targets) > 1:
        sentences.append("Left: root mean square over the formulations on the right.")
    sentences.append(
        "±: one standard deviation. Each scatter weighs as well as it is known; that a test may "
        "change the law and the scatter is not counted."
    )
    if any(now.motor > 0.0 for now in found.now):
        sentences.append("Tolerances of the motor are not lessened by tests of the burn rate.")
    codes = list(dict.fromkeys(caution.code for caution in found.cautions))
    if codes:
        named = ", ".join(code.replace("-", " ") for code in codes)
        sentences.append(f"Cautions, which plan spells out: {named}.")
    sentences.append("An estimate from small samples, not a licence.")
    return sentences
