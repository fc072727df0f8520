"""Whether points bend away from the law that was fitted to them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import betainc, fdtrc

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

__all__ = ["lack_of_fit_p"]

_LEAST_POINTS = 5
# Neighbours closer than this count as repeats at one pressure (common practice, no source).
_SAME_PRESSURE = math.log(1.03)


def lack_of_fit_p(
    adjusted: FloatArray, weights: FloatArray, design: FloatArray, residuals: FloatArray
) -> float:
    """Give the probability of as much bend about the law as is seen, where the law is true.

    The smallest probability of these tests times their number (Bonferroni): a second-, from 6
    points also a third- and from 8 a fourth-order polynomial in ln P against the law; from 7
    points, whether neighbours in pressure are off to the same side (Durbin & Watson, Biometrika
    58 (1971) 1: plateaus with several bends show so); and, where three or more pressures were
    tested and some of them again, the means at each pressure against the scatter at one pressure
    (pure error). 1 where there are fewer than five points, or three more than parameters.

    Parameters
    ----------
    adjusted
        ln(P/P0), shape (points,).
    weights, residuals
        1/variance, and residuals of ln r.
    design
        Derivatives of ln r by the law's parameters, shape (points, parameters).
    """
    if residuals.size < max(_LEAST_POINTS, design.shape[1] + 3):
        return 1.0
    relative = weights / weights.max()
    root = np.sqrt(relative)
    basis, _ = np.linalg.qr(design * root[:, None])
    left = residuals * root
    left = left - basis @ (basis.T @ left)
    found = [
        *_polynomial_ps(adjusted, root, design, left),
        *_neighbours_p(adjusted, basis, left),
        *_repeats_p(adjusted, relative, residuals, design.shape[1]),
    ]
    return min(1.0, min(found) * len(found)) if found else 1.0


def _polynomial_ps(
    adjusted: FloatArray, root: FloatArray, design: FloatArray, left: FloatArray
) -> Iterator[float]:
    k, parameters = design.shape
    z = (adjusted - adjusted.mean()) / max(float(np.ptp(adjusted)) / 2.0, 1e-300)
    powers = z[:, None] ** np.arange(2, 5)
    columns = np.concatenate([design, powers], axis=1) * root[:, None]
    basis, triangle = np.linalg.qr(columns)
    sizes = np.sqrt((columns * columns).sum(axis=0))
    along = (basis.T @ left) ** 2
    total, explained = float(left @ left), 0.0
    for order, least in ((2, 5), (3, 6), (4, 8)):
        at = parameters + order - 2
        if k < least + parameters - 2 or abs(triangle[at, at]) < 1e-6 * sizes[at]:
            return
        explained += float(along[at])
        yield _f_test(explained, order - 1, total - explained, k - parameters - order + 1)


def _neighbours_p(adjusted: FloatArray, basis: FloatArray, left: FloatArray) -> Iterator[float]:
    k, parameters = basis.shape
    total = float(left @ left)
    if k < 5 + parameters or total <= k * 1e-24:  # the latter is rounding
        return
    order = np.argsort(adjusted)
    projector = np.eye(k) - basis[order] @ basis[order].T
    steps = np.diff(projector, axis=0)
    product = steps.T @ steps
    df = k - parameters
    mean = float(np.trace(product)) / df
    variance = 2.0 * (float(np.sum(product * product)) - df * mean * mean) / (df * (df + 2))
    # The ratio lies in 0 to 4; a beta distribution with its mean and variance.
    both = mean * (4.0 - mean) / variance - 1.0
    ratio = float(np.sum(np.diff(left[order]) ** 2)) / total
    yield float(betainc(both * mean / 4.0, both * (1.0 - mean / 4.0), ratio / 4.0))


def _repeats_p(
    adjusted: FloatArray, weights: FloatArray, residuals: FloatArray, parameters: int
) -> Iterator[float]:
    order = np.argsort(adjusted)
    group = np.concatenate([[0], np.cumsum(np.diff(adjusted[order]) > _SAME_PRESSURE)])
    w, left = weights[order], residuals[order]
    groups = int(group[-1]) + 1
    df = left.size - groups
    if groups <= parameters or df < 2:
        return
    means = np.bincount(group, w * left) / np.bincount(group, w)
    between = float(np.sum(np.bincount(group, w) * means**2))
    within = float(np.sum(w * (left - means[group]) ** 2))
    yield _f_test(between, groups - parameters, within, df)


def _f_test(explained: float, df_explained: int, rest: float, df_rest: int) -> float:
    # Rounding of points that lie on the law is no bend.
    rest = max(rest, df_rest * 1e-24)
    return float(fdtrc(df_explained, df_rest, explained / df_explained / (rest / df_rest)))
