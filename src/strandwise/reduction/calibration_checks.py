"""Measures of a calibration table: bend, hysteresis, repeatability, a row that stands off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.calibration import Calibration

    Floats = NDArray[np.float64]

__all__ = [
    "LEVEL",
    "TRIFLE",
    "Curvature",
    "Hysteresis",
    "approaches",
    "curvature_of",
    "hysteresis_of",
    "odd_row_of",
    "repeatability_of",
    "rows_by_load",
]

LEVEL = 0.01
TRIFLE = 0.001
"""Of the span: what is smaller may be beyond chance (one step of a converter in an exact table)
and still matter to nobody."""

_FEWEST_ROWS = 5
_SAME_LOAD = 1e-6  # of the span
# Steps in one direction before it turns, on average: fewer means no series up and down.
_STEPS_PER_RUN = 2.0
_ROUNDING = 1e-12
_BOW_POINTS = 201


@dataclass(frozen=True, kw_only=True, slots=True)
class Curvature:
    """A parabola through the table beside the line.

    Parameters
    ----------
    bow
        Largest distance between parabola and line within the table, as a share of the span.
    p_value
        Of the quadratic term, two-sided Student's t.
    """

    bow: float
    p_value: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Hysteresis:
    """What the same load reads when it is reached from above instead of from below.

    Parameters
    ----------
    largest
        Largest difference, from above minus from below, as a share of the span.
    at_load
        The load at which it was found.
    loads
        How many loads were reached from both sides.
    """

    largest: float
    at_load: float
    loads: int


def curvature_of(x: Floats, y: Floats, line: Calibration, span: float) -> Curvature | None:
    """Fit a parabola of readings, in units of load, on loads, which are the ones known exactly.

    Parameters
    ----------
    x, y
        Readings and loads; shape (N,).
    line, span
        The calibration line; highest minus lowest load.

    Returns
    -------
    Curvature or None
        None with fewer than four rows or three different loads.
    """
    if len(x) < 4 or len(rows_by_load(y, span)) < 3:
        return None
    u = (y - (line.highest + line.lowest) / 2.0) / (span / 2.0)
    read = line.intercept + line.slope * x
    q, r = np.linalg.qr(np.stack([np.ones_like(u), u, u**2], axis=1))
    terms = np.linalg.solve(r, q.T @ read)
    left = read - (terms[0] + terms[1] * u + terms[2] * u**2)
    sd = math.sqrt(float(left @ left) / (len(x) - 3)) / abs(float(r[2, 2]))
    even = np.linspace(-1.0, 1.0, _BOW_POINTS)
    straight = (even * span + line.highest + line.lowest) / 2.0
    bow = np.max(np.abs(terms[0] + terms[1] * even + terms[2] * even**2 - straight))
    bend = abs(float(terms[2]))
    if sd <= _ROUNDING * span:
        p_value = 1.0 if bend <= _ROUNDING * span else 0.0
    else:
        p_value = 2.0 * float(stdtr(len(x) - 3, -bend / sd))
    return Curvature(bow=float(bow) / span, p_value=p_value)


def approaches(y: Floats, span: float) -> NDArray[np.int_] | None:
    """Tell whether each load was reached from below (1) or above (−1).

    Parameters
    ----------
    y
        Loads in the order taken; shape (N,).
    span
        Highest minus lowest.

    Returns
    -------
    ndarray or None
        Shape (N,); None where the loads do not go up and down in order.
    """
    steps = np.diff(y)
    signs = np.where(np.abs(steps) <= _SAME_LOAD * span, 0, np.sign(steps)).astype(int)
    moves = signs[signs != 0]
    turns = int(np.count_nonzero(np.diff(moves)))
    if turns == 0 or len(moves) < _STEPS_PER_RUN * (turns + 1):
        return None
    approach = np.empty(len(y), dtype=int)
    approach[0] = moves[0]
    for row, sign in enumerate(signs, start=1):
        approach[row] = sign or approach[row - 1]
    return approach


def hysteresis_of(
    x: Floats, y: Floats, approach: NDArray[np.int_] | None, line: Calibration, span: float
) -> Hysteresis | None:
    """Return the largest difference between a load's mean readings from above and from below.

    Parameters
    ----------
    x, y
        Readings and loads in the order taken; shape (N,).
    approach
        From `approaches`.
    line, span
        The calibration line; highest minus lowest load.

    Returns
    -------
    Hysteresis or None
        None where no load was reached from both sides in such an order.
    """
    if approach is None:
        return None
    found = []
    for load, rows in rows_by_load(y, span):
        below, above = rows & (approach > 0), rows & (approach < 0)
        if below.any() and above.any():
            gap = line.slope * float(x[above].mean() - x[below].mean())
            found.append((gap / span, load))
    if not found:
        return None
    largest, at_load = max(found, key=lambda pair: abs(pair[0]))
    return Hysteresis(largest=largest, at_load=at_load, loads=len(found))


def repeatability_of(
    x: Floats, y: Floats, approach: NDArray[np.int_] | None, line: Calibration, span: float
) -> float | None:
    """Return the pooled standard deviation of rows of one load, as a share of the span.

    Rows reached from below and from above count apart, so that hysteresis is not in it.

    Parameters
    ----------
    x, y
        Readings and loads in the order taken; shape (N,).
    approach
        From `approaches`.
    line, span
        The calibration line; highest minus lowest load.

    Returns
    -------
    float or None
        None where no load was repeated so.
    """
    squares, freedom = 0.0, 0
    sides = np.zeros(len(y), dtype=int) if approach is None else approach
    for _, rows in rows_by_load(y, span):
        for side in np.unique(sides[rows]):
            same = x[rows & (sides == side)]
            squares += float(np.sum((same - same.mean()) ** 2))
            freedom += len(same) - 1
    if freedom == 0:
        return None
    return abs(line.slope) * math.sqrt(squares / freedom) / span


def rows_by_load(y: Floats, span: float) -> list[tuple[float, NDArray[np.bool_]]]:
    """Each different load (alike within 1e-6 of the span) and which rows have it, shape (N,)."""
    grid = np.round(y / (_SAME_LOAD * span))
    return [(float(y[grid == step].mean()), grid == step) for step in np.unique(grid)]


def odd_row_of(x: Floats, residuals: Floats, span: float) -> int | None:
    """Return the index of the row whose residual is too large for chance, at 1 % for all rows.

    Parameters
    ----------
    x, residuals
        Readings, and loads minus line; shape (N,).
    span
        Highest minus lowest load.

    Returns
    -------
    int or None
        None where no row stands off, or where there are fewer than five.
    """
    rows = len(x)
    if rows < _FEWEST_ROWS:
        return None
    offset = x - x.mean()
    leverage = 1.0 / rows + offset**2 / float(offset @ offset)
    left = 1.0 - leverage
    square = residuals**2 / np.where(left > _ROUNDING, left, np.inf)
    others = (float(residuals @ residuals) - square) / (rows - 3)
    row = int(np.argmax(square))
    if abs(float(residuals[row])) <= TRIFLE * span:
        return None
    if others[row] <= _ROUNDING * square[row]:
        return row
    t = math.sqrt(float(square[row] / others[row]))
    return row if rows * 2.0 * float(stdtr(rows - 3, -t)) < LEVEL else None
