"""Whether batches differ in exponent: an F-test inside the batches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import fdtrc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["slopes_p"]

_RANK_TOLERANCE = 1e-9


def slopes_p(
    group: NDArray[np.int_], x: FloatArray, design: FloatArray, values: FloatArray
) -> float | None:
    """F-test of a slope for each batch against those of the design, with a level for each batch.

    Parameters
    ----------
    group
        Number of each row's batch, shape (N,).
    x
        What the slopes multiply, shape (N,).
    design
        Shape (N, p).
    values
        Shape (N,).

    Returns
    -------
    Probability of slopes that differ this much by chance; None without degrees of freedom.
    """
    one = _residual_sum_within(group, None, design, values)
    free = _residual_sum_within(group, x, design, values)
    extra = one.df - free.df
    if extra == 0 or free.df == 0 or free.squares <= 0.0:
        return None
    ratio = (one.squares - free.squares) / extra / (free.squares / free.df)
    return float(fdtrc(extra, free.df, max(ratio, 0.0)))


@dataclass(frozen=True)
class _ResidualSum:
    squares: float
    df: int


def _residual_sum_within(
    group: NDArray[np.int_], x: FloatArray | None, columns: FloatArray, values: FloatArray
) -> _ResidualSum:
    """Residual sum of squares with a level, and with `x` a slope, of its own for each batch.

    Both are taken out of values and columns batch by batch, which costs time in proportion to
    the number of tests.
    """
    table = _without_means(group, np.column_stack([values, columns]))
    taken = int(np.unique(group).size)
    if x is not None:
        centred = _without_means(group, x[:, None])
        squares = np.bincount(group, centred[:, 0] ** 2)
        told = squares > _RANK_TOLERANCE * max(float(np.max(squares)), 1e-300)
        products = np.column_stack([np.bincount(group, centred[:, 0] * c) for c in table.T])
        slopes = np.where(told[:, None], products / np.where(told, squares, 1.0)[:, None], 0.0)
        table = table - centred * slopes[group]
        taken += int(np.count_nonzero(told))
    rest = table[:, 1:]
    # What the batches' own terms took up is left as rounding, and is no column any more.
    size = np.linalg.norm(rest, axis=0)
    whole = np.linalg.norm(columns, axis=0)
    rest = rest[:, size > 1e-9 * np.maximum(whole, 1e-300)]
    if rest.shape[1] == 0:
        return _ResidualSum(float(table[:, 0] @ table[:, 0]), values.size - taken)
    solution, _, rank, _ = np.linalg.lstsq(rest, table[:, 0], rcond=_RANK_TOLERANCE)
    residual = table[:, 0] - rest @ solution
    return _ResidualSum(float(residual @ residual), values.size - taken - int(rank))


def _without_means(group: NDArray[np.int_], table: FloatArray) -> FloatArray:
    sizes = np.bincount(group)
    means = np.column_stack([np.bincount(group, column) for column in table.T]) / sizes[:, None]
    return np.asarray(table - means[group])
