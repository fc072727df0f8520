"""Which random effects of batches a design can tell, and the model that holds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.tracking.reml import BlockModel

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = [
    "Classes",
    "Degrees",
    "degrees_of_freedom",
    "design_degrees",
    "numbered",
    "orthonormal",
    "random_effects_model",
]

Degrees = tuple[int, int, int]
"""Degrees of freedom of batches' levels, of their slopes, and of rows within batches."""

_RANK_TOLERANCE = 1e-9


@dataclass(frozen=True, eq=False, kw_only=True)
class Classes:
    """What is not taken to spread alike; every class has a variance of its own.

    Parameters
    ----------
    batches
        Number of the class of each row's batch, from 0 and without gaps, shape (N,).
    rows
        Number of the class of each row's own scatter, likewise.
    """

    batches: NDArray[np.intp]
    rows: NDArray[np.intp]


def design_degrees(
    design: ArrayLike, groups: Sequence[str], slopes: ArrayLike | None = None
) -> Degrees | None:
    """Degrees of freedom beside a design: of batches' levels, their slopes, and rows within.

    Parameters
    ----------
    design
        Shape (N, p).
    groups
        Batch of each row, length N.
    slopes
        x, shape (N,); None: batches do not differ in slope.

    Returns
    -------
    Three numbers, the second 0 where nothing would be left to tell slopes from scatter; None
    where a column of the design is a combination of the others.
    """
    X = np.asarray(design, dtype=np.float64)
    if X.shape[0] < X.shape[1]:
        return None
    try:
        q = orthonormal(X, None)
    except DataError:
        return None
    _, group = numbered(groups)
    x = None if slopes is None else np.asarray(slopes, dtype=np.float64)
    return degrees_of_freedom(q, group, x)


def random_effects_model(
    response: FloatArray,
    design: FloatArray,
    group: NDArray[np.intp],
    known_variance: FloatArray,
    degrees: Degrees,
    *,
    slopes: FloatArray | None,
    classes: Classes | None,
) -> tuple[BlockModel, NDArray[np.bool_]]:
    """The model that its variances are estimated of, and which of them the data can tell.

    Parameters
    ----------
    response, design, group, known_variance
        As of `BlockModel`.
    degrees
        As of `design_degrees`.
    slopes, classes
        As of `fit_mixed_model`.
    """
    between, of_slopes, within = degrees
    count = response.size
    of_batches = np.zeros(count, np.intp) if classes is None else classes.batches
    levels = np.arange(int(of_batches.max()) + 1)
    random = [np.where(of_batches == level, 1.0, 0.0) for level in levels]
    free = [between > 0 and of_slopes + within > 0] * levels.size
    if slopes is not None and of_slopes > 0:
        random.append(slopes)
        free.append(True)
    scatter = np.zeros(count, np.intp) if classes is None else classes.rows
    model = BlockModel(
        response=response,
        design=design,
        group=group,
        known_variance=known_variance,
        random=np.column_stack(random),
        scatter_class=scatter,
    )
    free += [True] * (int(scatter.max()) + 1)
    return model, np.array(free)


def orthonormal(X: FloatArray, columns: Sequence[str] | None) -> FloatArray:
    """Orthonormal basis of the columns of X, (N, p); names the first column that adds nothing."""
    q = np.zeros_like(X)
    for index in range(X.shape[1]):
        column = X[:, index]
        rest = column - q @ (q.T @ column)
        rest -= q @ (q.T @ rest)
        length = float(np.linalg.norm(rest))
        if length <= _RANK_TOLERANCE * float(np.linalg.norm(column)) or length == 0.0:
            name = repr(columns[index]) if columns else f"number {index}"
            msg = f"design column {name} is a combination of the columns before it"
            raise DataError(msg, expected="independent columns", hint="leave it out")
        q[:, index] = rest / length
    return q


def numbered(groups: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Names in order of appearance, and the number of each row's."""
    number: dict[str, int] = {}
    index = [number.setdefault(name, len(number)) for name in groups]
    return tuple(number), np.asarray(index, dtype=np.intp)


def degrees_of_freedom(
    q: FloatArray, group: NDArray[np.intp], slopes: FloatArray | None
) -> Degrees:
    """What batches' levels, their slopes, and rows within batches add to the rank of a design."""
    total = q.shape[0] - q.shape[1]
    sizes = np.bincount(group)
    inside = q - _group_mean(q, group, sizes)
    rank = _rank(inside)
    between = sizes.size + rank - q.shape[1]
    within = total - between
    if slopes is None:
        return between, 0, within
    x = slopes - _group_mean(slopes[:, None], group, sizes)[:, 0]
    squares = np.bincount(group, x**2)
    told = squares > _RANK_TOLERANCE * max(float(np.max(squares)), 1e-300)
    along = np.column_stack([np.bincount(group, x * column) for column in inside.T])
    along = np.where(told[:, None], along / np.where(told, squares, 1.0)[:, None], 0.0)
    of_slopes = int(np.count_nonzero(told)) + _rank(inside - x[:, None] * along[group]) - rank
    if of_slopes >= within:
        return between, 0, within
    return between, of_slopes, within - of_slopes


def _group_mean(rows: FloatArray, group: NDArray[np.intp], sizes: NDArray[np.intp]) -> FloatArray:
    sums = np.column_stack([np.bincount(group, column) for column in rows.T])
    return np.asarray((sums / sizes[:, None])[group])


def _rank(part: FloatArray) -> int:
    """Rank of what is left of orthonormal columns."""
    singular = np.linalg.svd(np.linalg.qr(part, mode="r"), compute_uv=False)
    return int(np.sum(singular > np.sqrt(_RANK_TOLERANCE)))
