"""A calibration: the table with its line, and beside it what the line leaves over."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import RequestError
from strandwise.report.axes import add_footnote, add_heading
from strandwise.report.labels import (
    axis_label,
    format_interval,
    format_number,
    format_plus_minus,
    plain_number,
    unit_text,
)
from strandwise.report.style import ACCENT, INK, MUTED, SERIES, house_style, new_figure

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from strandwise.reduction import CalibrationReport
    from strandwise.report.labels import DisplayUnits

    FloatArray = NDArray[np.float64]

__all__ = ["draw_calibration"]

_SIZE = (7.6, 3.9)
_LINE_POINTS = 81
_BEYOND = 0.04
_SMALLEST_SLOPE = 1e-2
_PER_THOUSAND = 1e3


@dataclass(frozen=True, slots=True)
class _Shown:
    """How loads and readings of one instrument are written."""

    quantity: str
    unit: str
    factor: float
    reading_unit: str

    def load(self, values: FloatArray) -> FloatArray:
        return values / self.factor


def draw_calibration(report: CalibrationReport, units: DisplayUnits, title: str = "") -> Figure:
    """Load against reading with the line through it, and the rows' distances from the line.

    The inner band beside it is where the line lies with 95 % confidence, the outer one where one
    more row would fall. Rows whose load was reached from above point downwards.

    Parameters
    ----------
    report
        Loads in N for a ``load-cell``, in absolute Pa for a ``pressure-transducer``.
    units
        What the reader sees.
    title
        Above the picture; the instrument's name where empty.

    Raises
    ------
    RequestError
        The report is of no known kind of instrument, so that its loads have no unit.
    """
    shown = _shown(report, units)
    with house_style():
        figure = new_figure(*_SIZE)
        left, right = figure.subplots(1, 2)
        _draw_line(left, report, shown)
        _draw_residuals(right, report, shown)
        for ax in (left, right):
            ax.xaxis.set_major_formatter(lambda value, _: plain_number(value))
            ax.yaxis.set_major_formatter(lambda value, _: plain_number(value))
            ax.locator_params(axis="x", nbins=5)
        add_heading(figure, title or f"Calibration of {report.name or 'the instrument'}")
        add_footnote(figure, _sentences(report, shown))
    return figure


def _shown(report: CalibrationReport, units: DisplayUnits) -> _Shown:
    kinds = {
        "load-cell": ("Load", units.force),
        "pressure-transducer": ("Absolute pressure", units.pressure),
    }
    if report.kind not in kinds:
        msg = f"a calibration of an instrument of kind `{report.kind}` cannot be drawn"
        raise RequestError(msg, expected=" or ".join(map(repr, kinds)))
    quantity, unit = kinds[report.kind]
    return _Shown(quantity, unit_text(unit), float(unit.factor), report.reading_unit)


def _along(report: CalibrationReport) -> FloatArray:
    margin = _BEYOND * float(np.ptp(report.readings))
    return np.linspace(report.readings.min() - margin, report.readings.max() + margin, _LINE_POINTS)


def _draw_line(ax: Axes, report: CalibrationReport, shown: _Shown) -> None:
    reading = _along(report)
    ax.plot(reading, shown.load(report.load_at(reading)), color=ACCENT, linewidth=1.2, zorder=2.0)
    _draw_rows(ax, report, report.readings, shown.load(report.loads))
    ax.set_xlabel(axis_label("Reading", shown.reading_unit))
    ax.set_ylabel(axis_label(shown.quantity, shown.unit))


def _draw_residuals(ax: Axes, report: CalibrationReport, shown: _Shown) -> None:
    reading = _along(report)
    load = shown.load(report.load_at(reading))
    line_sd, row_sd = report.line_sd_at(reading), report.reading_sd_at(reading)
    if line_sd is not None and row_sd is not None and report.t95 is not None:
        for sd, strength in ((row_sd, 0.10), (line_sd, 0.18)):
            half = report.t95 * shown.load(sd)
            ax.fill_between(load, -half, half, color=ACCENT, alpha=strength, linewidth=0)
    ax.axhline(0.0, color=ACCENT, linewidth=1.2, zorder=2.0)
    _draw_rows(ax, report, shown.load(report.loads), shown.load(report.residuals))
    ax.set_xlabel(axis_label(shown.quantity, shown.unit))
    ax.set_ylabel(axis_label(f"{shown.quantity} minus line", shown.unit))


def _draw_rows(ax: Axes, report: CalibrationReport, x: FloatArray, y: FloatArray) -> None:
    if report.from_above is None:
        sets = [(np.ones(len(x), dtype=bool), "o", ACCENT)]
    else:
        sets = [
            (~report.from_above, "^", ACCENT),
            (report.from_above, "v", SERIES[1].colour),
        ]
        ax.plot(x, y, color=MUTED, linewidth=0.5, zorder=1.8)
    for rows, marker, colour in sets:
        ax.plot(
            x[rows],
            y[rows],
            linestyle="none",
            marker=marker,
            color=colour,
            markeredgecolor="white",
            markeredgewidth=0.5,
            zorder=2.4,
        )
    if report.odd_row is not None:
        ax.plot(
            x[report.odd_row],
            y[report.odd_row],
            linestyle="none",
            marker="o",
            markersize=11.0,
            markerfacecolor="none",
            markeredgecolor=INK,
            zorder=2.5,
        )


def _sentences(report: CalibrationReport, shown: _Shown) -> Sequence[str]:
    sentences = [_law(report, shown)]
    if report.slope_ci95 is not None:
        sentences.append(
            "Bands, 95 %: of the line (inner) and of one more row (outer); an error that all "
            "known loads share is not in them."
        )
    if report.degrees_of_freedom > 0:
        sentences.append(_judgement(report))
    if report.from_above is not None:
        sentences.append("Pointing down: load reached from above.")
    if report.odd_row is not None:
        sentences.append(f"Ringed: row {report.odd_row + 1}, which stands off the others.")
    if codes := [caution.code for caution in report.cautions]:
        named = ", ".join(code.replace("-", " ") for code in codes)
        sentences.append(f"Cautions, which calibrate spells out: {named}.")
    return sentences


def _judgement(report: CalibrationReport) -> str:
    judged = [f"Largest distance from the line {_percent(report.linearity)} of the span"]
    if report.hysteresis is not None:
        judged.append(f"from above minus from below up to {_percent(report.hysteresis.largest)}")
    if report.repeatability is not None:
        judged.append(f"repeats scatter by {_percent(report.repeatability)}")
    return f"{'; '.join(judged)}."


def _law(report: CalibrationReport, shown: _Shown) -> str:
    """Slope in words, for a thousand readings where it would be a long decimal for one."""
    slope = report.line.slope / shown.factor
    many = abs(slope) < _SMALLEST_SLOPE
    scale = _PER_THOUSAND if many else 1.0
    sd = report.line.slope_sd
    text = format_plus_minus(slope * scale, None if sd is None else sd / shown.factor * scale)
    per = f"1000 {_plural(shown.reading_unit)}" if many else shown.reading_unit
    law = f"Slope {text} {shown.unit} per {per}"
    if report.slope_ci95 is None:
        return f"{law}; two rows tell no uncertainty."
    low, high = (end / shown.factor * scale for end in report.slope_ci95)
    ends = format_interval((min(low, high), max(low, high))).strip("()")
    return f"{law} (one standard uncertainty; 95 %: {ends})."


def _plural(unit: str) -> str:
    return "counts" if unit == "count" else unit


def _percent(share: float) -> str:
    return f"{format_number(100.0 * share, digits=2)} %"
