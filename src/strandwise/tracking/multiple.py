"""Several treatments against one control: p-values adjusted for looking more than once."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri, gammaln, ndtr, ndtri, stdtr

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

__all__ = ["many_to_one_p"]

_NODES = 96
_FACTOR_LIMIT = 8.5  # beyond it the normal density is below 1e-16
_PRODUCT_TOLERANCE = 1e-6
_STRONGEST_LOADING = 0.95  # above it the integrand is too steep for the nodes
_LATTICE_POINTS = 20_011
_TAIL = 1e-13


def many_to_one_p(
    t_values: ArrayLike, df: ArrayLike, correlation: ArrayLike, *, one_sided: bool = False
) -> FloatArray:
    """p-values adjusted as by Dunnett: P(max |T_j| ≥ |t_i|) with no true difference.

    One-sided it is P(max T_j ≥ t_i). T is multivariate t with the correlation of the contrasts.
    Where that has the form ρ_ij = λ_i λ_j (independent treatments against one control always do)
    the probability is a double integral over the common factor and the scale, by Gauss–Legendre
    quadrature to 1e-6 or better. Otherwise it is a fixed lattice sum after Genz, good to about 1e-4
    and the same on every call. Contrasts whose degrees of freedom differ each use their own for
    the whole maximum.

    Parameters
    ----------
    t_values
        Contrast over its standard error, shape (k,).
    df
        Degrees of freedom above zero, scalar or shape (k,).
    correlation
        Of the contrasts, shape (k, k).
    one_sided
        Whether only values above zero speak against "no difference".

    Returns
    -------
    Adjusted p-values, shape (k,); none is below its own unadjusted one or above k times it.

    Raises
    ------
    DataError
        Shapes that do not agree, values that are not finite, df not above zero.

    References
    ----------
    C. W. Dunnett, J. Am. Stat. Assoc. 50 (1955) 1096. A. Genz, J. Comput. Graph. Stat. 1 (1992)
    141 (from memory).
    """
    t = np.atleast_1d(np.asarray(t_values, dtype=np.float64))
    t = t if one_sided else np.abs(t)
    nu = np.broadcast_to(np.asarray(df, dtype=np.float64), t.shape)
    rho = np.asarray(correlation, dtype=np.float64)
    if t.ndim != 1 or rho.shape != (t.size, t.size):
        msg = f"{t.shape} contrasts with a correlation of shape {rho.shape}"
        raise DataError(msg, expected="shapes (k,) and (k, k)")
    if not (np.all(np.isfinite(t)) and np.all(np.isfinite(rho)) and np.all(nu > 0)):
        msg = "a contrast, its correlation or its degrees of freedom are not usable"
        raise DataError(msg, expected="finite numbers, degrees of freedom above zero")
    alone = stdtr(nu, -t) * (1.0 if one_sided else 2.0)
    if t.size == 1:
        return np.asarray(alone)
    loadings = _loadings(rho)
    together = np.array(
        [
            _one_factor_p(value, float(own), loadings, one_sided=one_sided)
            if loadings is not None
            else _lattice_p(value, float(own), rho, one_sided=one_sided)
            for value, own in zip(t, nu, strict=True)
        ]
    )
    return np.asarray(np.clip(together, alone, np.minimum(t.size * alone, 1.0)))


def _loadings(rho: FloatArray) -> FloatArray | None:
    """λ with ρ_ij = λ_i λ_j off the diagonal, or None where there is none."""
    size = rho.shape[0]
    if size == 2:
        root = np.sqrt(abs(rho[0, 1]))
        loadings = np.array([root, np.copysign(root, rho[0, 1])])
    else:
        loadings = np.empty(size)
        strongest = int(np.argmax(np.sum(np.abs(rho), axis=0)))
        others = [index for index in range(size) if index != strongest]
        i, j = max(
            ((a, b) for a in others for b in others if a < b), key=lambda pair: abs(rho[pair])
        )
        if rho[i, j] == 0.0 or rho[strongest, i] * rho[strongest, j] / rho[i, j] <= 0.0:
            return np.zeros(size) if np.allclose(rho, np.eye(size), atol=1e-12) else None
        loadings[strongest] = np.sqrt(rho[strongest, i] * rho[strongest, j] / rho[i, j])
        loadings[others] = rho[strongest, others] / loadings[strongest]
    product = np.outer(loadings, loadings)
    np.fill_diagonal(product, 1.0)
    misfit = float(np.max(np.abs(product - rho)))
    strongest_loading = float(np.max(np.abs(loadings)))
    if misfit > _PRODUCT_TOLERANCE or strongest_loading > _STRONGEST_LOADING:
        return None
    return loadings


@cache
def _legendre() -> tuple[FloatArray, FloatArray]:
    node, weight = np.polynomial.legendre.leggauss(_NODES)
    return node, weight


def _scale_nodes(df: float) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights for s = χ_ν/√ν, spaced evenly in ln s so that small df keep accuracy."""
    node, weight = _legendre()
    low, high = (0.5 * np.log(chdtri(df, p) / df) for p in (1.0 - _TAIL, _TAIL))
    log_s = 0.5 * (high - low) * node + 0.5 * (high + low)
    log_density = np.log(2.0) + 0.5 * df * np.log(0.5 * df) - gammaln(0.5 * df)
    log_density = log_density + df * log_s - 0.5 * df * np.exp(2.0 * log_s)
    mass = weight * 0.5 * (high - low) * np.exp(log_density)
    return np.exp(log_s), mass / np.sum(mass)


def _one_factor_p(limit: float, df: float, loadings: FloatArray, *, one_sided: bool) -> float:
    scale, scale_mass = _scale_nodes(df)
    node, weight = _legendre()
    z = _FACTOR_LIMIT * node
    z_mass = weight * np.exp(-0.5 * z**2)
    z_mass /= np.sum(z_mass)
    inside = np.ones((scale.size, z.size))
    for loading in loadings:
        rest = np.sqrt(1.0 - loading**2)
        upper = (limit * scale[:, None] + loading * z[None, :]) / rest
        lower = (-limit * scale[:, None] + loading * z[None, :]) / rest
        inside *= ndtr(upper) - (0.0 if one_sided else ndtr(lower))
    return float(scale_mass @ (1.0 - inside) @ z_mass)


def _lattice_p(limit: float, df: float, rho: FloatArray, *, one_sided: bool) -> float:
    """Separation of variables on a Richtmyer lattice, periodised by the tent map."""
    size = rho.shape[0]
    # Contrasts that are combinations of others have no Cholesky factor without this.
    factor = np.linalg.cholesky(rho + 1e-9 * np.eye(size))
    count = np.arange(1, _LATTICE_POINTS + 1, dtype=np.float64)[:, None]
    lattice = count * np.sqrt(_first_primes(size)) % 1.0
    uniform = np.clip(np.abs(2.0 * lattice - 1.0), 1e-15, 1.0 - 1e-15)
    scale = limit * np.sqrt(chdtri(df, uniform[:, 0]) / df)
    normal = np.zeros((_LATTICE_POINTS, size))
    inside = np.ones(_LATTICE_POINTS)
    for index in range(size):
        shift = normal[:, :index] @ factor[index, :index]
        low = 0.0 if one_sided else ndtr((-scale - shift) / factor[index, index])
        high = ndtr((scale - shift) / factor[index, index])
        inside *= high - low
        if index + 1 < size:
            inner = low + uniform[:, index + 1] * (high - low)
            normal[:, index] = ndtri(np.clip(inner, 1e-300, 1.0 - 1e-16))
    return float(1.0 - np.mean(inside))


def _first_primes(count: int) -> FloatArray:
    primes: list[int] = []
    candidate = 2
    while len(primes) < count:
        if all(candidate % prime for prime in primes):
            primes.append(candidate)
        candidate += 1
    return np.asarray(primes, dtype=np.float64)
