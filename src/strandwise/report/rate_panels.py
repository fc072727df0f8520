"""Which laws and tests share a panel of the burn-rate picture, and what its axes span."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.report.labels import in_unit
from strandwise.report.style import SERIES, SeriesStyle

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.ratelaw import RateBand, RateFit
    from strandwise.reduction import RatePoint
    from strandwise.report.labels import DisplayUnits
    from strandwise.units import Unit

__all__ = [
    "Panel",
    "Series",
    "View",
    "alone",
    "curve_of",
    "outliers_of",
    "panels_of",
    "view_of",
    "widened",
]

_MOST_TOGETHER = len(SERIES)
_LINE_POINTS = 80
_MARGIN = 0.06
# A law known from few tests may have a band over decades, which would flatten the tests: this
# share of their own height is shown of it above and below.
_BAND_ROOM = 0.35
_OUTLIER = "outlier"


@dataclass(frozen=True, slots=True)
class Series:
    """A law, its tests (those left out of the fit too) and how both are drawn."""

    fit: RateFit
    points: tuple[RatePoint, ...]
    style: SeriesStyle


@dataclass(frozen=True, slots=True)
class Panel:
    """Series drawn together; the title is empty where there is only one panel."""

    title: str
    series: tuple[Series, ...]


@dataclass(frozen=True, slots=True)
class View:
    """Ends of the axes in the units shown."""

    pressure: tuple[float, float]
    rate: tuple[float, float]


def panels_of(fits: Sequence[RateFit], points: Sequence[RatePoint]) -> list[Panel]:
    """Put up to four laws into one panel, more into panels by formulation.

    Parameters
    ----------
    fits, points
        As for `draw_rate_laws`; a point goes with the fit of its batch, or else with the pool
        of its formulation.
    """
    if len(fits) <= _MOST_TOGETHER:
        return [_panel("", fits, points)]
    panels = []
    for formulation in dict.fromkeys(fit.formulation for fit in fits):
        own = [fit for fit in fits if fit.formulation == formulation]
        # Equal shares: five batches become 3 and 2, not 4 and 1.
        shares = math.ceil(len(own) / _MOST_TOGETHER)
        for share in range(shares):
            first, last = (len(own) * end // shares for end in (share, share + 1))
            part = own[first:last]
            title = formulation if shares == 1 else f"{formulation}, {share + 1} of {shares}"
            panels.append(_panel(title, part, points))
    return panels


def _panel(title: str, fits: Sequence[RateFit], points: Sequence[RatePoint]) -> Panel:
    series = tuple(
        Series(fit, _points_of(fit, points), style)
        for fit, style in zip(fits, SERIES, strict=False)
    )
    return Panel(title, series)


def _points_of(fit: RateFit, points: Sequence[RatePoint]) -> tuple[RatePoint, ...]:
    """Points of a batch by its name, or else of the pool of the fit's formulation."""
    by_batch = tuple(point for point in points if point.batch == fit.label)
    return by_batch or tuple(point for point in points if point.formulation == fit.formulation)


def view_of(panels: Sequence[Panel], units: DisplayUnits) -> View:
    """Find ends of the axes that hold every test, bar and law, and the bands within reason.

    Parameters
    ----------
    panels
        With at least one test among them.
    units
        What the reader sees.
    """
    pressures: list[float] = []
    rates: list[float] = []
    bands: list[float] = []
    for panel in panels:
        for series in panel.series:
            for point in series.points:
                pressures += _ends(point.pressure, point.pressure_sd)
                rates += _ends(point.rate, point.rate_sd)
            curve = curve_of(series.fit)
            if curve is not None:
                rates += [float(curve.rate.min()), float(curve.rate.max())]
                ends = (curve.new_low, curve.new_high) if alone(panel) else (curve.low, curve.high)
                bands += [float(x) for end in ends for x in end if math.isfinite(x) and x > 0]
    rates = _with_bands(rates, bands)
    return View(
        widened(*_span(pressures, units.pressure), _MARGIN, _MARGIN),
        widened(*_span(rates, units.rate), _MARGIN, _MARGIN),
    )


def alone(panel: Panel) -> bool:
    """Whether a panel holds one law, which leaves room for its prediction band."""
    return len(panel.series) == 1


def _ends(value: float, sd: float | None) -> list[float]:
    low = value - (sd or 0.0)
    # A bar that reaches zero has no lower end on a logarithmic axis.
    return [low if low > value / 10.0 else value, value + (sd or 0.0)]


def _with_bands(rates: Sequence[float], bands: Sequence[float]) -> list[float]:
    low, high = min(rates), max(rates)
    room = (high / low) ** _BAND_ROOM * 1.05
    return [*rates, *(min(max(end, low / room), high * room) for end in bands)]


def _span(values: Sequence[float], unit: Unit) -> tuple[float, float]:
    return in_unit(min(values), unit), in_unit(max(values), unit)


def widened(low: float, high: float, below: float, above: float) -> tuple[float, float]:
    """Move the ends of a logarithmic axis apart.

    Parameters
    ----------
    low, high
        Positive; drawn apart to a ratio of 1.3 where they are closer than 1.15.
    below, above
        Room wanted at either end, as shares of the finished axis; below 1 together.
    """
    if high < 1.15 * low:
        middle = math.sqrt(low * high)
        low, high = middle / 1.15, middle * 1.15
    decades = math.log10(high / low) / (1.0 - below - above)
    return low * 10.0 ** (-below * decades), high * 10.0 ** (above * decades)


def curve_of(fit: RateFit) -> RateBand | None:
    """Evaluate the law over its tested pressures and nowhere else; None where there is none."""
    if not fit.identified or fit.pressure_range is None:
        return None
    low, high = fit.pressure_range
    corners = [one.value for one in fit.breaks if low < one.value < high]
    pressures = np.sort(np.concatenate([np.geomspace(low, high, _LINE_POINTS), corners]))
    return fit.band(pressures, 0.95)


def outliers_of(fit: RateFit) -> dict[str, bool]:
    """Find the tests that the cautions call outliers.

    Returns
    -------
    dict
        True for a test above the law, False for one below.
    """
    named = {test for c in fit.cautions if c.code == _OUTLIER for test in c.tests}
    if not named:
        return {}
    residuals = zip(fit.tests, fit.standardised_residuals, strict=True)
    return {test: residual > 0.0 for test, residual in residuals if test in named}
