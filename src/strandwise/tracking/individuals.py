"""Centre and limits of a row of single values."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["IndividualsLimits", "individuals_limits_from_arrays"]

# Mean range of two normal values over their standard deviation, 2/√π, and the upper limit of
# the moving range over its mean, 1 + 3·√(1 − 2/π)·√(π/2) (constants d₂ and D₄ for two).
_D2 = 2.0 / math.sqrt(math.pi)
_D4 = 1.0 + 3.0 * math.sqrt(math.pi / 2.0 - 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class IndividualsLimits:
    """Centre and limits of an individuals chart.

    Parameters
    ----------
    centre
        Mean of the values.
    sigma
        MR̄/1.128: spread from one value to the next, free of what changes slowly.
    lower, upper
        Centre ∓ 3σ = centre ∓ 2.66 MR̄.
    moving_range
        |xᵢ − xᵢ₋₁|, shape (n − 1,).
    mean_moving_range, moving_range_limit
        MR̄, and its upper limit 3.267 MR̄.
    """

    centre: float
    sigma: float
    lower: float
    upper: float
    moving_range: FloatArray
    mean_moving_range: float
    moving_range_limit: float


def individuals_limits_from_arrays(values: ArrayLike) -> IndividualsLimits:
    """Limits of an individuals and moving-range chart.

    Parameters
    ----------
    values
        In order of time, shape (n,), n ≥ 2.

    Raises
    ------
    DataError
        Fewer than two values, or one that is not finite.

    References
    ----------
    ASTM MNL 7 (constants 3/d₂ = 2.66 and D₄ = 3.267 for ranges of two).
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or x.size < 2:
        msg = f"values of shape {x.shape} have no moving range"
        raise DataError(msg, expected="at least two values in order of time")
    if not np.all(np.isfinite(x)):
        msg = "a value of the chart is not finite"
        raise DataError(msg, expected="finite numbers", hint="leave such batches out")
    moving_range = np.abs(np.diff(x))
    mean_range = float(np.mean(moving_range))
    centre, sigma = float(np.mean(x)), mean_range / _D2
    return IndividualsLimits(
        centre=centre,
        sigma=sigma,
        lower=centre - 3.0 * sigma,
        upper=centre + 3.0 * sigma,
        moving_range=moving_range,
        mean_moving_range=mean_range,
        moving_range_limit=_D4 * mean_range,
    )
