"""Test-to-test scatter of weighted fits.

Model: Var(y_i) = d_i + τ² with d_i known; X the design, W = diag(1/Var), P the residual projector
W − WX(XᵀWX)⁻¹XᵀW. τ² maximises the restricted likelihood (Patterson & Thompson, Biometrika 58
(1971) 545). `reml_step` and `parameter_covariance` take any design of one fit; `line_reml_step` and
`line_covariance` are the same formulas for straight lines, many at once, whose design has been
made orthonormal.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

__all__ = ["line_reml_step", "reml_step"]

# Nothing is left of tr PP where the fit passes through all the points that carry weight.
_LEAST_TRACE = 1e-9


def _inverse(gram: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.pinv(gram, hermitian=True), dtype=np.float64)


def _trace_pp(w2: FloatArray, phi: FloatArray, gram2: FloatArray, gram3: FloatArray) -> float:
    hat = phi @ gram2
    trace = w2.sum() - 2.0 * np.trace(phi @ gram3) + np.trace(hat @ hat)
    return float(max(trace, _LEAST_TRACE * w2.sum()))


def reml_step(weights: FloatArray, squared: FloatArray, design: FloatArray, tau2: float) -> float:
    """One step of Fisher scoring on the restricted likelihood of τ², kept at or above 0.

    Parameters
    ----------
    weights
        1/variance at the present τ², shape (points,).
    squared
        Squared residuals of the weighted fit at those weights, same shape.
    design
        Derivatives of the fitted values by the parameters, shape (points, parameters).
    tau2
        Present τ².

    Returns
    -------
    New τ².
    """
    w2 = weights * weights
    phi = _inverse((design.T * weights) @ design)
    gram2 = (design.T * w2) @ design
    trace_p = weights.sum() - np.trace(phi @ gram2)
    score = float(w2 @ squared - trace_p)
    step = score / _trace_pp(w2, phi, gram2, (design.T * (w2 * weights)) @ design)
    return max(tau2 + step, 0.0)


def line_reml_step(
    weights: FloatArray,
    squared: FloatArray,
    unit: FloatArray,
    total: FloatArray,
    tau2: FloatArray,
) -> FloatArray:
    """`reml_step` of many lines whose design is (1, `unit`).

    Parameters
    ----------
    weights, squared
        As in `reml_step`, 0 at masked points; shape (points, lines).
    unit
        Weighted mean 0 and weighted mean square 1, so that XᵀWX is `total` times the identity.
    total
        Sum of the weights, shape (lines,).
    tau2
        Present τ², shape (lines,).
    """
    w2 = weights * weights
    w2u = w2 * unit
    s0, s1, s2 = w2.sum(axis=0), w2u.sum(axis=0), (w2u * unit).sum(axis=0)
    cubes = (weights * (w2 + w2u * unit)).sum(axis=0)
    score = (w2 * squared).sum(axis=0) - total + (s0 + s2) / total
    trace = s0 - 2.0 * cubes / total + (s0 * s0 + 2.0 * s1 * s1 + s2 * s2) / (total * total)
    return np.asarray(np.maximum(tau2 + score / np.maximum(trace, _LEAST_TRACE * s0), 0.0))
