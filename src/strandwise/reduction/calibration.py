"""Counts and volts to newtons and pascals: a least-squares line through a calibration table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["Calibration", "calibration_from_arrays"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Calibration:
    """A line load = intercept + slope · reading, ordinary least squares.

    Parameters
    ----------
    slope, intercept
        Load unit per reading unit; load unit.
    slope_sd, intercept_sd, residual_sd
        Standard errors and residual standard deviation; None with two pairs, where the line
        goes through both and nothing is left to judge it by.
    lowest, highest
        Loads between which it was calibrated.
    largest_residual
        As a share of the calibrated span.
    """

    slope: float
    intercept: float
    slope_sd: float | None
    intercept_sd: float | None
    residual_sd: float | None
    lowest: float
    highest: float
    largest_residual: float


def calibration_from_arrays(readings: ArrayLike, loads: ArrayLike) -> Calibration:
    """Fit the calibration line (textbook ordinary least squares; NIST StRD Norris checks it).

    Parameters
    ----------
    readings, loads
        What was read and what was applied; shape (N,), N of at least 2.

    Returns
    -------
    Calibration

    Raises
    ------
    DataError
        Fewer than two pairs, lengths that differ, values that are not finite, or readings or
        loads that are all the same.
    """
    x = np.asarray(readings, dtype=np.float64)
    y = np.asarray(loads, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1 or len(x) < 2:
        msg = f"a calibration of {x.size} readings and {y.size} loads"
        raise DataError(msg, expected="as many loads as readings, at least two of each")
    if not (np.all(np.isfinite(x)) and np.all(np.isfinite(y))):
        msg = "a calibration with a value that is not a finite number"
        raise DataError(msg, hint="remove the row from the instrument's calibration")
    if np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        msg = f"all {len(x)} rows of the calibration hold one reading or one load"
        raise DataError(msg, expected="at least two different loads with different readings")
    dx = x - x.mean()
    sxx = float(np.sum(dx**2))
    slope = float(np.sum(dx * (y - y.mean()))) / sxx
    intercept = float(y.mean()) - slope * float(x.mean())
    residual = y - (intercept + slope * x)
    slope_sd = intercept_sd = residual_sd = None
    if len(x) > 2:
        residual_sd = float(np.sqrt(np.sum(residual**2) / (len(x) - 2)))
        slope_sd = residual_sd / float(np.sqrt(sxx))
        intercept_sd = residual_sd * float(np.sqrt(1.0 / len(x) + x.mean() ** 2 / sxx))
    return Calibration(
        slope=slope,
        intercept=intercept,
        slope_sd=slope_sd,
        intercept_sd=intercept_sd,
        residual_sd=residual_sd,
        lowest=float(y.min()),
        highest=float(y.max()),
        largest_residual=float(np.max(np.abs(residual)) / np.ptp(y)),
    )
