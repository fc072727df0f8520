"""What a calibration is worth: its line's uncertainty, linearity, hysteresis, repeatability."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit
from strandwise.findings import Caution
from strandwise.reduction.calibration import Calibration, calibration_from_arrays
from strandwise.reduction.calibration_checks import (
    LEVEL,
    TRIFLE,
    Curvature,
    Hysteresis,
    approaches,
    curvature_of,
    hysteresis_of,
    odd_row_of,
    repeatability_of,
    rows_by_load,
)
from strandwise.units import digits_text

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from strandwise.records import Instrument

    Floats = NDArray[np.float64]

__all__ = [
    "CalibrationReport",
    "calibration_report_from_arrays",
    "report_calibration",
]

_FEW_ROWS = 5
_NOTABLE = 0.01  # of the span; common practice, no source
_SLIP = 0.1  # of the span; no instrument is as crooked


@dataclass(frozen=True, kw_only=True, slots=True)
class CalibrationReport:
    """A calibration line and how far to trust it; loads in SI, shares of the calibrated span.

    Parameters
    ----------
    name, kind, reading_unit
        Of the instrument; empty where only arrays were given. `kind` is ``load-cell`` (loads in
        N) or ``pressure-transducer`` (loads in absolute Pa).
    line
        load = intercept + slope · reading.
    readings, loads, residuals
        The table in the order taken, and loads minus line; shape (N,).
    from_above
        Which loads were reached from above, shape (N,); None where the loads do not go up and
        down in order.
    covariance
        Of (intercept, slope), shape (2, 2); None with two rows.
    degrees_of_freedom
        N − 2.
    slope_ci95, intercept_ci95
        95 % intervals by Student's t; None with two rows.
    linearity
        Largest distance of a row from the line.
    curvature
        None with fewer than four rows or three different loads.
    hysteresis
        None where no load was reached from both sides in such an order.
    odd_row
        Index of the row that stands off the others by more than chance; None without one.
    repeatability
        Standard deviation of rows of one load (reached from one side), pooled; None where no
        load was repeated so.
    cautions
        What to know before the line is used.
    """

    name: str = ""
    kind: str = ""
    reading_unit: str = ""
    line: Calibration
    readings: Floats
    loads: Floats
    residuals: Floats
    from_above: NDArray[np.bool_] | None
    covariance: Floats | None
    degrees_of_freedom: int
    slope_ci95: tuple[float, float] | None
    intercept_ci95: tuple[float, float] | None
    linearity: float
    curvature: Curvature | None
    hysteresis: Hysteresis | None
    repeatability: float | None
    odd_row: int | None
    cautions: tuple[Caution, ...] = ()

    @property
    def span(self) -> float:
        """Highest minus lowest load."""
        return self.line.highest - self.line.lowest

    @property
    def t95(self) -> float | None:
        """Student's t that makes a standard uncertainty a 95 % half-width; None with two rows."""
        return _t95(self.degrees_of_freedom)

    def load_at(self, reading: ArrayLike) -> Floats:
        """Load of a reading, of any shape."""
        return np.asarray(self.line.intercept + self.line.slope * np.asarray(reading))

    def line_sd_at(self, reading: ArrayLike) -> Floats | None:
        """Standard uncertainty of the line at a reading, of any shape; None with two rows."""
        if self.line.residual_sd is None or self.line.slope_sd is None:
            return None
        away = np.asarray(reading, dtype=np.float64) - self.readings.mean()
        at_mean = self.line.residual_sd / math.sqrt(len(self.readings))
        return np.asarray(np.hypot(at_mean, self.line.slope_sd * away))

    def reading_sd_at(self, reading: ArrayLike) -> Floats | None:
        """Standard uncertainty of one load read off the line: the line's and one row's scatter."""
        line_sd = self.line_sd_at(reading)
        if line_sd is None or self.line.residual_sd is None:
            return None
        return np.hypot(line_sd, self.line.residual_sd)


def report_calibration(instrument: Instrument) -> CalibrationReport:
    """Judge the calibration of an instrument, as `calibration_report_from_arrays`."""
    return calibration_report_from_arrays(
        instrument.readings,
        instrument.loads,
        name=instrument.name,
        kind=instrument.kind,
        reading_unit=instrument.reading_unit,
    )


def calibration_report_from_arrays(
    readings: ArrayLike,
    loads: ArrayLike,
    *,
    name: str = "",
    kind: str = "",
    reading_unit: str = "",
) -> CalibrationReport:
    """Fit a calibration line by least squares and judge it.

    The intervals are those of ordinary least squares (Altman and Gardner, Br. Med. J. 296 (1988)
    1238), the loads known exactly; an error that all known loads share, such as that of the
    scales they were weighed on, is not in them. A row that stands off the others is found by its
    externally studentised residual, the level shared among all rows (Cook and Weisberg,
    Residuals and Influence in Regression (1982) § 2.2).

    Parameters
    ----------
    readings, loads
        What was read and what was applied, in the order taken; shape (N,), N of at least 2.
    name, kind, reading_unit
        As of `CalibrationReport`.

    Returns
    -------
    CalibrationReport

    Raises
    ------
    DataError
        As of `calibration_from_arrays`.
    """
    line = calibration_from_arrays(readings, loads)
    x, y = np.array(readings, dtype=np.float64), np.array(loads, dtype=np.float64)
    residuals = y - (line.intercept + line.slope * x)
    span = line.highest - line.lowest
    freedom = len(x) - 2
    approach = approaches(y, span)
    curvature = curvature_of(x, y, line, span)
    hysteresis = hysteresis_of(x, y, approach, line, span)
    odd_row = odd_row_of(x, residuals, span)
    return CalibrationReport(
        name=name,
        kind=kind,
        reading_unit=reading_unit,
        line=line,
        readings=x,
        loads=y,
        residuals=residuals,
        from_above=None if approach is None else approach < 0,
        covariance=_covariance(x, line),
        degrees_of_freedom=freedom,
        slope_ci95=_interval(line.slope, line.slope_sd, freedom),
        intercept_ci95=_interval(line.intercept, line.intercept_sd, freedom),
        linearity=line.largest_residual,
        curvature=curvature,
        hysteresis=hysteresis,
        repeatability=repeatability_of(x, y, approach, line, span),
        odd_row=odd_row,
        cautions=tuple(_cautions(x, y, line, odd_row, curvature, hysteresis)),
    )


def _t95(freedom: int) -> float | None:
    return float(stdtrit(freedom, 0.975)) if freedom > 0 else None


def _interval(value: float, sd: float | None, freedom: int) -> tuple[float, float] | None:
    t = _t95(freedom)
    if t is None or sd is None:
        return None
    return value - t * sd, value + t * sd


def _covariance(x: Floats, line: Calibration) -> Floats | None:
    if line.slope_sd is None or line.intercept_sd is None:
        return None
    shared = -float(x.mean()) * line.slope_sd**2
    return np.array([[line.intercept_sd**2, shared], [shared, line.slope_sd**2]])


def _cautions(
    x: Floats,
    y: Floats,
    line: Calibration,
    odd: int | None,
    curvature: Curvature | None,
    hysteresis: Hysteresis | None,
) -> list[Caution]:
    cautions = []
    rows = len(x)
    if rows < _FEW_ROWS:
        left = "nothing tells how good it is" if rows == 2 else "its uncertainty is hardly known"
        text = f"the line rests on {rows} rows, so {left}; take at least {_FEW_ROWS} loads"
        cautions.append(Caution("few-rows", text))
    if rows > 2 and len(rows_by_load(y, float(np.ptp(y)))) == 2:
        text = "only two different loads were applied: nothing tells whether the line is straight"
        cautions.append(Caution("two-loads", text))
    if odd is not None:
        text = (
            f"row {odd + 1} (reading {x[odd]:.10g}) stands off the line through the others by more "
            "than chance: check that reading and load were written down right, or repeat it"
        )
        cautions.append(Caution("odd-row", text))
    elif curvature is not None and curvature.p_value < LEVEL and curvature.bow > TRIFLE:
        text = (
            f"the table bends away from the line by up to {digits_text(100.0 * curvature.bow)} % "
            "of its span: the line is wrong by that; calibrate over the range that is used"
        )
        cautions.append(Caution("curved", text))
    return cautions + _size_cautions(x, y, line, hysteresis)


def _size_cautions(
    x: Floats, y: Floats, line: Calibration, hysteresis: Hysteresis | None
) -> list[Caution]:
    cautions = []
    if line.largest_residual > _NOTABLE:
        farthest = int(np.argmax(np.abs(y - line.intercept - line.slope * x)))
        text = (
            f"row {farthest + 1} (reading {x[farthest]:.10g}) lies "
            f"{digits_text(100.0 * line.largest_residual)} % of the span off the line, where 1 % "
            "is common"
        )
        if line.largest_residual > _SLIP:
            text += ": look for a slip of the unit or of a digit in it and in its neighbours"
        cautions.append(Caution("not-linear", text))
    if hysteresis is not None and abs(hysteresis.largest) > _NOTABLE:
        text = (
            f"the same load reads up to {digits_text(100.0 * abs(hysteresis.largest))} % of the "
            f"span {'higher' if hysteresis.largest > 0.0 else 'lower'} when it is reached from "
            "above: a falling thrust or pressure is misread by that; look for friction in the "
            "mounting"
        )
        cautions.append(Caution("hysteresis", text))
    return cautions
