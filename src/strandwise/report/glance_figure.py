"""A campaign at a glance: every test of every batch by its pressure, and what is wrong."""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

from strandwise.report.axes import add_footnote, add_heading, log_ticks
from strandwise.report.labels import axis_label, in_unit, plain_number
from strandwise.report.rate_panels import widened
from strandwise.report.style import FAINT, INK, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from strandwise.findings import Finding
    from strandwise.report.glance import CampaignGlance, GlanceBatch, GlanceTest
    from strandwise.report.labels import DisplayUnits

__all__ = ["draw_glance"]

_WIDTH = 9.6
_FRAME_HEIGHT = 1.55
_LINE = 0.135  # inches
_STEP, _NAMED_STEP = 0.065, 0.135  # between one test and the next
_ROW_GAP = 0.16
_LEAST_ROW = 0.42
_NAME_LETTERS = 27
_WORDS_LETTERS = 50
_LIST_LETTERS = 128
_MOST_LETTERS = 150
_MOST_LISTED = 10
_MOST_BATCHES = 60
_MOST_WORDS = 14  # lines beside one batch
_TALLEST = 1.6  # inches of one batch's tests
_SMALL = 7.5
_MARGIN = 0.06
_STYLES = {"strand": SERIES[0], "firing": SERIES[1]}
_PROBLEM, _REMARK = "!", "?"


@dataclass(frozen=True, slots=True)
class _Row:
    """One batch in the picture; heights in inches."""

    batch: GlanceBatch
    label: str
    words: tuple[str, ...]
    steps: tuple[float, ...]

    @property
    def height(self) -> float:
        """From its upper edge to its lower."""
        lines = max(self.label.count("\n") + 1, len(self.words))
        return max(sum(self.steps), lines * _LINE, _LEAST_ROW) + _ROW_GAP


def draw_glance(glance: CampaignGlance, units: DisplayUnits, title: str = "") -> Figure:
    """One row a batch: its tests over absolute pressure, and in words what each mark is about.

    Tests left out of the fits are hollow and named, problems stand in a diamond and carry ``!``,
    what is not likely carries ``?``. What has no mark is listed below the rows. Of very many
    batches the last are drawn, and the picture says so.

    Parameters
    ----------
    glance
        From the campaign's records.
    units
        What the reader sees.
    title
        Above the picture; counts what there is where empty.
    """
    rows = [_row(batch) for batch in glance.batches[-_MOST_BATCHES:]]
    listed = _listed(glance)
    body = sum(row.height for row in rows) or _LEAST_ROW
    below = len(listed) * _LINE * 1.15
    told = any(row.words for row in rows)
    with house_style():
        figure = new_figure(_WIDTH, _FRAME_HEIGHT + body + below)
        axes = figure.subplots(
            2 if listed else 1,
            2 if told else 1,
            width_ratios=[1.75, 1.0] if told else [1.0],
            height_ratios=[body, below] if listed else [body],
            squeeze=False,
        )
        ax, *words = axes[0]
        _frame(ax, rows, body, units)
        top = 0.0
        for row in rows:
            _draw_row(ax, row, top, units)
            if words:
                _write_row(words[0], row, top)
            top += row.height
        if words:
            words[0].set(ylim=(body, 0.0), xlim=(0.0, 1.0))
            words[0].axis("off")
        if listed:
            _draw_list(axes[1], listed)
        add_heading(figure, title or _title(glance))
        add_footnote(figure, _sentences(glance))
    return figure


def _row(batch: GlanceBatch) -> _Row:
    words: list[str] = []
    words += _findings_lines("", batch.problems, batch.remarks)
    for test in batch.tests:
        words += _findings_lines(test.test, test.problems, test.remarks)
        if test.pressure is None:
            words += _wrapped(f"{test.test}: no pressure known{_because(test.why_not)}")
        elif test.why_not:
            words += _wrapped(f"{test.test} left out: {test.why_not}")
    if not batch.tests:
        words.append("no test of it")
    if len(words) > _MOST_WORDS:
        words = [*words[: _MOST_WORDS - 1], "and more, which check and reduce tell"]
    steps = [_NAMED_STEP if _named(test) else _STEP for test in batch.tests]
    closer = min(1.0, _TALLEST / sum(steps)) if steps else 1.0
    return _Row(
        batch=batch,
        label=_batch_label(batch),
        words=tuple(words),
        steps=tuple(closer * step for step in steps),
    )


def _because(reason: str) -> str:
    return f", {reason}" if reason else ""


def _findings_lines(
    name: str, problems: Sequence[Finding], remarks: Sequence[Finding]
) -> list[str]:
    lines = []
    for sign, findings in ((_PROBLEM, problems), (_REMARK, remarks)):
        for finding in findings:
            start = f"{sign} {name}: " if name else f"{sign} "
            lines += _wrapped(start + _short(finding))
    return lines


def _short(finding: Finding) -> str:
    """What is wrong without its place, at a length that a picture has room for."""
    name = (finding.source.field or "").partition(" ")[0]
    field = "" if name in finding.message else f"{finding.source.field}: "
    return textwrap.shorten(f"{field}{finding.message}", _MOST_LETTERS, placeholder=" …")


def _wrapped(text: str) -> list[str]:
    return textwrap.wrap(text, _WORDS_LETTERS, subsequent_indent="   ")


def _named(test: GlanceTest) -> bool:
    return bool(test.why_not or test.problems or test.remarks)


def _batch_label(batch: GlanceBatch) -> str:
    what = batch.formulation or "no such batch on record"
    mixed = "no date" if batch.mixed is None else batch.mixed.isoformat()
    sign = f"{_PROBLEM} " if batch.problems or not batch.formulation else ""
    return "\n".join(
        [
            *textwrap.wrap(f"{sign}{batch.batch}, {what}", _NAME_LETTERS),
            f"{mixed}; {_counted(batch.tests)}",
        ]
    )


def _counted(tests: Sequence[GlanceTest]) -> str:
    counts = [
        f"{number} {kind}{'s'[: number > 1]}"
        for kind in _STYLES
        if (number := sum(test.kind == kind for test in tests))
    ]
    return ", ".join(counts) or "no test"


def _frame(ax: Axes, rows: Sequence[_Row], body: float, units: DisplayUnits) -> None:
    """Axes with a logarithmic scale of pressure that holds every test."""
    known = [
        in_unit(test.pressure, units.pressure)
        for row in rows
        for test in row.batch.tests
        if test.pressure is not None and test.pressure > 0.0
    ]
    if known:
        low, high = widened(min(known), max(known), _MARGIN, 2.0 * _MARGIN)
        ticks = log_ticks(low, high)
        ax.set(xscale="log", xlim=(low, high))
        ax.xaxis.set_major_locator(FixedLocator(ticks))
        ax.xaxis.set_major_formatter(FixedFormatter([plain_number(tick) for tick in ticks]))
        ax.xaxis.set_minor_locator(NullLocator())
    else:
        ax.set_xticks([])
    middles, top = [], 0.0
    for row in rows:
        middles.append(top + row.height / 2.0)
        top += row.height
        if row is not rows[-1]:
            ax.axhline(top, color=FAINT, linewidth=0.8, zorder=1.0)
    ax.set_ylim(body, 0.0)
    ax.set_yticks(middles, [row.label for row in rows])
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.set_xlabel(axis_label("Absolute pressure", units.pressure))


def _draw_row(ax: Axes, row: _Row, top: float, units: DisplayUnits) -> None:
    at = top + (row.height - sum(row.steps)) / 2.0
    placed: list[tuple[GlanceTest, float]] = []
    for test, step in zip(row.batch.tests, row.steps, strict=True):
        if test.pressure is not None and test.pressure > 0.0:
            placed.append((test, at + step / 2.0))
        at += step
    for kind in _STYLES:
        for left_out in (False, True):
            own = [
                one for one in placed if one[0].kind == kind and bool(one[0].why_not) == left_out
            ]
            _draw_tests(ax, own, units, hollow=left_out)
    for test, y in placed:
        if _named(test):
            _name_test(ax, test, y, units)


def _draw_tests(
    ax: Axes, placed: Sequence[tuple[GlanceTest, float]], units: DisplayUnits, *, hollow: bool
) -> None:
    """Tests of one kind with their bars; all hollow and crossed, or none."""
    if not placed:
        return
    kind = placed[0][0].kind
    style = _STYLES[kind]
    heights = [y for _, y in placed]
    shown = [in_unit(test.pressure or 0.0, units.pressure) for test, _ in placed]
    halves = [in_unit(test.pressure_sd or 0.0, units.pressure) for test, _ in placed]
    ax.hlines(
        heights,
        [x - half for x, half in zip(shown, halves, strict=True)],
        [x + half for x, half in zip(shown, halves, strict=True)],
        color=style.colour,
        linewidth=1.0,
    )
    ax.plot(
        shown,
        heights,
        linestyle="none",
        marker=style.marker,
        markersize=4.8 if kind == "strand" else 6.0,
        color=style.colour,
        markerfacecolor="white" if hollow else style.colour,
        markeredgewidth=1.0,
        zorder=2.5,
    )
    if hollow:
        ax.plot(shown, heights, linestyle="none", marker="x", color=INK, markersize=7.0, zorder=2.6)


def _write_row(ax: Axes, row: _Row, top: float) -> None:
    ax.axhline(top + row.height, color=FAINT, linewidth=0.8)
    ax.text(
        0.0,
        top + row.height / 2.0,
        "\n".join(row.words),
        va="center",
        fontsize=_SMALL,
        linespacing=1.15,
    )


def _name_test(ax: Axes, test: GlanceTest, at: float, units: DisplayUnits) -> None:
    """Write the name beside the mark, and the diamond of a problem around it."""
    shown = in_unit(test.pressure or 0.0, units.pressure)
    half = in_unit(test.pressure_sd or 0.0, units.pressure)
    if test.problems:
        ax.plot(
            shown,
            at,
            marker="D",
            markersize=11.0,
            markerfacecolor="none",
            markeredgecolor=INK,
            markeredgewidth=1.6,
            zorder=2.7,
        )
    sign = _PROBLEM if test.problems else _REMARK if test.remarks else ""
    low, high = ax.get_xlim()
    to_left = shown > math.sqrt(low * high)  # where there is more room
    ax.annotate(
        f"{sign} {test.test}".strip(),
        (shown + (-half if to_left else half), at),
        (-9.0 if to_left else 9.0, 0.0),
        textcoords="offset points",
        ha="right" if to_left else "left",
        va="center",
        fontsize=_SMALL,
        zorder=3.0,
    )


def _not_drawn(glance: CampaignGlance) -> tuple[GlanceBatch, ...]:
    return glance.batches[:-_MOST_BATCHES]


def _findings(batch: GlanceBatch) -> tuple[list[Finding], list[Finding]]:
    """Problems and remarks of a batch and its tests."""
    places: list[GlanceBatch | GlanceTest] = [batch, *batch.tests]
    return (
        [one for place in places for one in place.problems],
        [one for place in places for one in place.remarks],
    )


def _listed(glance: CampaignGlance) -> list[str]:
    """What has no mark, a line each where it fits."""
    unseen = _not_drawn(glance)
    problems = [*glance.problems, *(one for batch in unseen for one in _findings(batch)[0])]
    remarks = [*glance.remarks, *(one for batch in unseen for one in _findings(batch)[1])]
    told = [*((_PROBLEM, one) for one in problems), *((_REMARK, one) for one in remarks)]
    lines = []
    for sign, finding in told[:_MOST_LISTED]:
        text = f"{sign} {finding.source}: {finding.message}"
        lines.append(textwrap.shorten(text, _LIST_LETTERS, placeholder=" …"))
    if len(told) > _MOST_LISTED:
        lines.append(f"and {len(told) - _MOST_LISTED} more")
    return ["Without a mark above:", *lines] if lines else []


def _draw_list(axes: Sequence[Axes], lines: Sequence[str]) -> None:
    for ax in axes:
        ax.axis("off")
    text = axes[0].text(
        0.0,
        1.0,
        "\n".join(lines),
        transform=axes[0].transAxes,
        va="top",
        fontsize=_SMALL,
        linespacing=1.2,
    )
    text.set_in_layout(False)


def _title(glance: CampaignGlance) -> str:
    tests = [test for batch in glance.batches for test in batch.tests]
    found = [_findings(batch) for batch in glance.batches]
    problems = len(glance.problems) + sum(len(one) for one, _ in found)
    remarks = len(glance.remarks) + sum(len(one) for _, one in found)
    parts = [
        f"{number} {noun}{ending[: len(ending) * (number != 1)]}"
        for number, noun, ending in (
            (len(glance.batches), "batch", "es"),
            (len(tests), "test", "s"),
            (problems, "problem", "s"),
            (remarks, "remark", "s"),
        )
        if number or noun in ("batch", "test")
    ]
    return f"{glance.name}: {', '.join(parts)}"


def _sentences(glance: CampaignGlance) -> list[str]:
    drawn = glance.batches[-_MOST_BATCHES:]
    tests = [test for batch in drawn for test in batch.tests]
    sentences = ["Batches in the order of their dates, and so the tests of each, from the top."]
    if unseen := _not_drawn(glance):
        sentences.append(f"Earlier batches are not drawn: {len(unseen)}.")
    kinds = {test.kind for test in tests}
    if "strand" in kinds:
        sentences.append("Circles: strands.")
    if "firing" in kinds:
        sentences.append("Squares: firings, at the mean pressure of the burn.")
    if any(test.pressure_sd for test in tests):
        sentences.append("Bars: one standard uncertainty, often smaller than the mark.")
    if any(not test.pressure_sd and test.pressure for test in tests):
        sentences.append("Without a bar: that of the pressure is not known.")
    if any(test.why_not for test in tests):
        sentences.append("Hollow and crossed: left out of the fits.")
    if any(test.problems for test in tests) or any(batch.problems for batch in drawn):
        sentences.append("!, in a diamond: a problem; records at fault are drawn as far as read.")
    elif glance.problems:
        sentences.append("!: a problem; what could not be read is not drawn.")
    if glance.remarks or any(test.remarks for test in tests):
        sentences.append("?: possible, but not likely.")
    return sentences
