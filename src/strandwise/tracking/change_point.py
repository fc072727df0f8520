"""Where a row of values may have changed its level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["ChangePoint", "change_point_from_arrays"]

_FEWEST_A_SIDE = 2
_PERMUTATIONS = 4999


@dataclass(frozen=True, kw_only=True)
class ChangePoint:
    """The split of a row into two levels that sets them furthest apart.

    Parameters
    ----------
    last_before, first_after
        Batches at the split.
    before, after
        Geometric mean rates before and after it, m/s.
    shift
        Change of the rate as a fraction. It is too large on average, as the split was chosen
        for it.
    p
        Share of random orders of the same values that show as clear a split: small where the
        order matters.
    """

    last_before: str
    first_after: str
    before: float
    after: float
    shift: float
    p: float


def change_point_from_arrays(
    log_rate: ArrayLike, *, names: Sequence[str], seed: int, permutations: int = _PERMUTATIONS
) -> ChangePoint:
    """Split by the cumulative sum S_k = Σ_{i≤k} (xᵢ − x̄), largest |S_k|/√(k(n − k)/n).

    That is the likelihood-ratio split of normal values with one step. Each side keeps two
    values at least. The p-value is by permutation, so that no spread has to be known.

    Parameters
    ----------
    log_rate
        In order, shape (n,), n ≥ 4.
    names
        Batch of each value.
    seed
        Of the permutations.
    permutations
        How many.

    Raises
    ------
    DataError
        Fewer than four values, or names that do not agree.

    References
    ----------
    D. M. Hawkins, J. Am. Stat. Assoc. 72 (1977) 180 (the split; from memory).
    """
    x = np.asarray(log_rate, dtype=np.float64)
    if x.ndim != 1 or x.size < 2 * _FEWEST_A_SIDE or len(names) != x.size:
        msg = f"{x.shape} values and {len(names)} names"
        raise DataError(msg, expected="at least four values, one name for each")
    observed = _statistic(x[None, :])[0]
    place = int(np.argmax(observed)) + _FEWEST_A_SIDE
    rng = np.random.default_rng(seed)
    shuffled = rng.permuted(np.tile(x, (permutations, 1)), axis=1)
    # Rounding must not make an equal split look smaller.
    least = float(np.max(observed)) * (1.0 - 1e-12)
    as_clear = int(np.sum(np.max(_statistic(shuffled), axis=1) >= least))
    before, after = float(np.mean(x[:place])), float(np.mean(x[place:]))
    return ChangePoint(
        last_before=names[place - 1],
        first_after=names[place],
        before=math.exp(before),
        after=math.exp(after),
        shift=math.expm1(after - before),
        p=(1 + as_clear) / (1 + permutations),
    )


def _statistic(rows: FloatArray) -> FloatArray:
    """Scaled |S_k| for k = 2 … n − 2, shape (…, n − 3)."""
    n = rows.shape[-1]
    k = np.arange(1, n)
    sums = np.cumsum(rows - np.mean(rows, axis=-1, keepdims=True), axis=-1)[..., :-1]
    scaled = np.abs(sums) / np.sqrt(k * (n - k) / n)
    return np.asarray(scaled[..., _FEWEST_A_SIDE - 1 : n - _FEWEST_A_SIDE])
