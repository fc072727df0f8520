"""The segmented power law: straight pieces in ln r against ln P that meet at breaks.

Plateaus and falling rates between rising ones are real in nitrate and sugar propellants. The breaks
are searched over all their places between the points together, then refined; what the points say
of them is a mixture (`strandwise.ratelaw.mixture`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.ratelaw.columns import ColumnFit, Readings, fit_columns
from strandwise.ratelaw.mixture import LawMixture, hinges

if TYPE_CHECKING:
    import numpy.typing as npt

    from strandwise.ratelaw.columns import Bends, Columns

    FloatArray = npt.NDArray[np.float64]
    BoolArray = npt.NDArray[np.bool_]

__all__ = ["MOST_BREAKS", "SegmentSolution", "fit_segments", "levels_of", "most_breaks"]

MOST_BREAKS = 3
# Neighbours closer than this count as repeats at one pressure (common practice, no source): no
# exponent can be read from two of them.
_SAME_PRESSURE = math.log(1.03)
_SPARE_POINTS = 3
_MEMBERS = 240
_ROUNDS, _SEARCHES = 8, 2
_STILL = 1e-6
_COARSE = {1: 200, 2: 60, 3: 30}
_FINE = {1: 61, 2: 25, 3: 13}
_ZOOM = 9
_CHUNK = 40_000


@dataclass(frozen=True, eq=False, slots=True)
class SegmentSolution:
    """A segmented law in numbers, x = ln(P/P0).

    Parameters
    ----------
    breaks
        Where the exponent changes, shape (m,), ascending.
    columns
        The fit at these breaks; coefficients of `hinges`, then of the fixed columns.
    mean_square
        Weighted residual mean square, over points less 2 + 2m + q degrees of freedom.
    design
        Derivatives of ln r by (ln r at 0, exponents, breaks, fixed), at the adjusted points.
    mixture
        What the points say of the whole.
    break_intervals
        95 % interval of each break.
    """

    breaks: FloatArray
    columns: ColumnFit
    mean_square: float
    design: FloatArray
    mixture: LawMixture
    break_intervals: tuple[tuple[float, float], ...]

    @property
    def theta(self) -> FloatArray:
        """(ln r at 0, exponents, breaks, coefficients of the fixed columns)."""
        count = self.breaks.size
        beta = self.columns.coefficients
        at_zero = hinges(np.zeros(1), self.breaks)[0] @ beta[: 2 + count]
        slopes = np.cumsum(beta[1 : 2 + count])
        return np.concatenate([[at_zero], slopes, self.breaks, beta[2 + count :]])

    def slope_at(self, x: FloatArray) -> FloatArray:
        """Exponent at x, any shape; at a break that of the segment below it."""
        slopes = np.cumsum(self.columns.coefficients[1 : 2 + self.breaks.size])
        return np.asarray(slopes[np.searchsorted(self.breaks, x, side="left")])


def levels_of(x: FloatArray) -> FloatArray:
    """Pressures that can be told apart: sorted x, neighbours within 3 % averaged."""
    ordered = np.sort(x)
    group = np.concatenate([[0], np.cumsum(np.diff(ordered) > _SAME_PRESSURE)])
    return np.asarray(np.bincount(group, ordered) / np.bincount(group))


def most_breaks(x: FloatArray, fixed: int = 0) -> int:
    """How many breaks these pressures allow, 0 to 3.

    A law with m breaks has 2 + 2m parameters: it needs three points more than those, and as many
    pressures that can be told apart, two at least in each segment.
    """
    levels = levels_of(x).size if x.size else 0
    allowed = [
        m
        for m in range(1, MOST_BREAKS + 1)
        if x.size >= 2 + 2 * m + fixed + _SPARE_POINTS and levels >= 2 + 2 * m
    ]
    return max(allowed, default=0)


def fit_segments(readings: Readings, count: int, *, scatter: bool = True) -> SegmentSolution:
    """Fit a power law of `count` breaks to one series.

    Raises
    ------
    DataError
        The pressures do not allow as many breaks; see `most_breaks`.
    """
    if not 1 <= count <= most_breaks(readings.x, readings.fixed.shape[1]):
        msg = f"{readings.x.size} tests at {levels_of(readings.x).size} pressures were to decide "
        msg += f"a law with {count} breaks"
        raise DataError(
            msg, expected=f"{2 + 2 * count} pressures and {2 + 2 * count + _SPARE_POINTS} tests"
        )
    levels = levels_of(readings.x)
    grid = np.linspace(levels[1], levels[-2], _COARSE[count] + 1)
    fit = fit_columns(readings, _with_breaks(np.empty(0)), _slopes(np.empty(0)), scatter=scatter)
    breaks = np.empty(0)
    for turn in range(_ROUNDS):
        search = _Search(readings, fit, levels)
        found = search.best(grid, count) if turn < _SEARCHES else breaks
        if breaks.size and search.squares(breaks[None])[0] <= search.squares(found[None])[0]:
            found = breaks
        found = search.refined(found)
        still = breaks.size and bool(np.abs(found - breaks).max() <= _STILL * np.ptp(levels))
        breaks = found
        fit = fit_columns(
            readings,
            _with_breaks(breaks),
            _slopes(breaks),
            scatter=scatter,
            bends=_bends_at(breaks),
        )
        if still:
            break
    return _solution(readings, fit, breaks, levels)


def _with_breaks(breaks: FloatArray) -> Columns:
    return lambda x: hinges(x, breaks)


def _slopes(breaks: FloatArray) -> Columns:
    def derivative(x: FloatArray) -> FloatArray:
        beyond = (x[:, None] > breaks[None, :]).astype(np.float64)
        return np.column_stack([np.zeros_like(x), np.ones_like(x), beyond])

    return derivative


def _bends_at(breaks: FloatArray) -> Bends:
    return lambda x, beta: _bends(x, beta, breaks)


def _bends(x: FloatArray, beta: FloatArray, breaks: FloatArray) -> FloatArray:
    """Derivatives of ln r by the breaks."""
    return np.asarray(-beta[2 : 2 + breaks.size] * (x[:, None] > breaks[None, :]))


@dataclass(frozen=True, eq=False, slots=True)
class _Search:
    """Sums of squares for many places of the breaks, at one fit's weights and adjusted points."""

    readings: Readings
    fit: ColumnFit
    levels: FloatArray

    def allowed(self, breaks: FloatArray, outer: int = 2) -> BoolArray:
        """Whether each segment holds two pressures; breaks of shape (places, m).

        `outer` pressures in the first and the last: an interval must also hear of the places
        beyond the last but one pressure, where a best value would hang on a single test.
        """
        below = np.searchsorted(self.levels, breaks, side="left")
        upto = np.searchsorted(self.levels, breaks, side="right")
        good = (upto[:, 0] >= outer) & (self.levels.size - below[:, -1] >= outer)
        # Adjusted points may have left a level that was only just apart from the next.
        seen = self.fit.adjusted
        good &= (breaks[:, 0] > seen.min()) & (breaks[:, -1] < seen.max())
        if breaks.shape[1] > 1:
            good &= (upto[:, 1:] - below[:, :-1] >= 2).all(axis=1)
        return np.asarray(good)

    def solve(self, breaks: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """XᵀWX, coefficients and S at each place; shapes (places, c, c), (places, c), (places,)."""
        w, x = self.fit.weights, self.fit.adjusted
        y = self.fit.design @ self.fit.coefficients + self.fit.residuals
        design = hinges(x, breaks)
        if self.readings.fixed.shape[1]:
            shape = (*design.shape[:-1], self.readings.fixed.shape[1])
            design = np.concatenate([design, np.broadcast_to(self.readings.fixed, shape)], axis=-1)
        weighted = design * w[:, None]
        gram = np.swapaxes(weighted, 1, 2) @ design
        # A trace of a ridge: columns that rounding makes alike must not stop the search.
        diagonal = np.arange(gram.shape[-1])
        size = gram[:, diagonal, diagonal]
        gram[:, diagonal, diagonal] = np.where(size > 0.0, size * (1.0 + 1e-12), 1.0)
        right = np.swapaxes(weighted, 1, 2) @ y
        beta = np.asarray(np.linalg.solve(gram, right[..., None])[..., 0], dtype=np.float64)
        left = y - (design @ beta[..., None])[..., 0]
        return gram, beta, np.asarray((left * left) @ w)

    def squares(self, breaks: FloatArray) -> FloatArray:
        parts = [
            self.solve(breaks[first : first + _CHUNK])[2] for first in range(0, len(breaks), _CHUNK)
        ]
        return np.concatenate(parts)

    def best(self, grid: FloatArray, count: int) -> FloatArray:
        places = _combined(grid, count)
        places = places[self.allowed(places)]
        return np.asarray(places[int(np.argmin(self.squares(places)))])

    def refined(self, breaks: FloatArray) -> FloatArray:
        """Closest minimum, by a grid about the best place that halves around it."""
        span = float(self.levels[-1] - self.levels[0])
        width = span / 20.0
        best, least = breaks, float(self.squares(breaks[None])[0])
        points = _ZOOM if breaks.size < 3 else 5
        offsets = np.linspace(-1.0, 1.0, points)
        steps = np.stack(np.meshgrid(*[offsets] * breaks.size, indexing="ij"), axis=-1)
        steps = steps.reshape(-1, breaks.size)
        while width > 1e-9 * span:
            places = best + width * steps
            places = places[(np.diff(places, axis=1) > 0.0).all(axis=1)]
            places = places[self.allowed(places)]
            squares = self.squares(places) if len(places) else np.empty(0)
            if squares.size and squares.min() < least:
                best, least = places[int(np.argmin(squares))], float(squares.min())
            width *= 0.5
        return np.asarray(best)


def _combined(grid: FloatArray, count: int) -> FloatArray:
    if count == 1:
        return grid[:, None]
    picked = np.array(list(combinations(range(grid.size), count)), dtype=np.int64)
    return np.asarray(grid[picked])


def _solution(
    readings: Readings, fit: ColumnFit, breaks: FloatArray, levels: FloatArray
) -> SegmentSolution:
    count, k = breaks.size, readings.x.size
    bends = _bends(fit.adjusted, fit.coefficients, breaks)
    # By (ln r at 0, exponents, breaks, fixed): the coefficients of the columns are the first
    # exponent and the changes of it.
    at_zero = hinges(np.zeros(1), breaks)[0]
    own = fit.design[:, : 2 + count].copy()
    own[:, 1:] -= at_zero[1:]
    by_slopes = own[:, 1:].copy()
    by_slopes[:, :-1] -= own[:, 2:]
    zero_bends = _bends(np.zeros(1), fit.coefficients, breaks)
    design = np.column_stack([own[:, 0], by_slopes, bends - zero_bends, fit.design[:, 2 + count :]])
    df = k - design.shape[1]
    mean_square = float(np.sum(fit.weights * fit.residuals**2)) / df
    search = _Search(readings, fit, levels)
    mixture, intervals = _mixture(search, breaks, bends, mean_square)
    return SegmentSolution(breaks, fit, mean_square, design, mixture, intervals)


def _mixture(
    search: _Search, breaks: FloatArray, bends: FloatArray, mean_square: float
) -> tuple[LawMixture, tuple[tuple[float, float], ...]]:
    count, k = breaks.size, search.readings.x.size
    low, high = search.levels[0], search.levels[-1]
    whole = np.column_stack([search.fit.design, bends])
    phi = np.linalg.pinv((whole.T * search.fit.weights) @ whole, hermitian=True)
    sds = np.sqrt(np.maximum(np.diag(phi)[-count:], 0.0) * mean_square)
    fine = np.linspace(-4.0, 4.0, _FINE[count])
    near = [at + fine * max(sd, 1e-9) for at, sd in zip(breaks, sds, strict=True)]
    grid = np.unique(np.concatenate([np.linspace(low, high, _COARSE[count]), *near]))
    grid = grid[(grid > low) & (grid < high)]
    edges = np.concatenate([[low], 0.5 * (grid[1:] + grid[:-1]), [high]])
    cells = np.diff(edges)
    index = (
        np.arange(grid.size)[:, None]
        if count == 1
        else np.array(list(combinations(range(grid.size), count)), dtype=np.int64)
    )
    index = index[search.allowed(grid[index], outer=1)]
    log_weight, df = _log_weights(search, grid[index], k)
    log_weight += np.log(np.maximum(cells[index], 1e-300)).sum(axis=1)
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    intervals = tuple(
        _grid_interval(
            np.asarray(np.bincount(index[:, j], weight, minlength=grid.size), np.float64), edges
        )
        for j in range(count)
    )
    # Members of equal weight, taken evenly along the cumulative weight: no random numbers.
    places = (np.arange(_MEMBERS) + 0.5) / _MEMBERS
    chosen = np.minimum(np.searchsorted(np.cumsum(weight), places), len(weight) - 1)
    members = grid[index[chosen]]
    gram, beta, squares = search.solve(members)
    per_test = k / float(search.fit.weights.sum())
    variance = squares / df
    mixture = LawMixture(
        breaks=members,
        coefficients=beta,
        covariances=np.linalg.inv(gram) * variance[:, None, None],
        own_variance=variance * per_test,
        df=df,
    )
    return mixture, intervals


def _log_weights(search: _Search, places: FloatArray, k: int) -> tuple[FloatArray, int]:
    low, high = search.levels[0], search.levels[-1]
    logs = []
    df = k - (2 + places.shape[1] + search.readings.fixed.shape[1])
    for first in range(0, len(places), _CHUNK):
        part = places[first : first + _CHUNK]
        gram, _, squares = search.solve(part)
        ends = np.column_stack([np.full(len(part), low), part, np.full(len(part), high)])
        lengths = np.log(np.maximum(np.diff(ends, axis=1), 1e-300)).sum(axis=1)
        size = np.linalg.slogdet(gram)[1]
        logs.append(lengths - 0.5 * size - 0.5 * df * np.log(np.maximum(squares, 1e-300)))
    return np.concatenate(logs), df


def _grid_interval(mass: FloatArray, edges: FloatArray) -> tuple[float, float]:
    cumulative = np.concatenate([[0.0], np.cumsum(mass)])
    low, high = np.interp([0.025, 0.975], cumulative, edges)
    return float(low), float(high)
