"""Test-to-test scatter of weighted fits.

Model: Var(y_i) = d_i + τ² with d_i known; X the design, W = diag(1/Var), P the residual projector
W − WX(XᵀWX)⁻¹XᵀW. τ² maximises the restricted likelihood (Patterson & Thompson, Biometrika 58
(1971) 545). `reml_step` and `parameter_covariance` take any design of one fit; `line_reml_step` and
`line_covariance` are the same formulas for straight lines, many at once, whose design has been
made orthogonal.

The step is Newton's, taken on the score times (τ² + d)², d a typical d_i: where all d_i are equal
that is a straight line in τ², and one step is enough. The score is half of yᵀPPy − tr P, the
observed information half of 2 yᵀPPPy − tr PP, the expected one half of tr PP (Gilmour, Thompson and
Cullis, Biometrics 51 (1995) 1440), and Py = We with e the residuals of the weighted fit at those
very weights. Where the likelihood is too flat the step is that of Fisher's scoring, which rests at
the same τ².
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

__all__ = ["line_reml_step", "reml_step"]

# Nothing is left of P where the fit passes through all the points that carry weight.
_LEAST_TRACE = 1e-9
# Below this part of the expected information the likelihood is too flat for Newton's step.
_LEAST_BEND = 0.02


def _inverse(gram: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.pinv(gram, hermitian=True), dtype=np.float64)


def reml_step(weights: FloatArray, residuals: FloatArray, design: FloatArray, tau2: float) -> float:
    """One step uphill on the restricted likelihood of τ², kept at or above 0.

    Parameters
    ----------
    weights
        1/variance at the present τ², shape (points,).
    residuals
        Of the weighted fit at those weights, same shape.
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
    hat = phi @ ((design.T * w2) @ design)
    cubes = float(np.trace(phi @ ((design.T * (w2 * weights)) @ design)))
    whole = float(weights.sum())
    projector = max(whole - float(np.trace(hat)), _LEAST_TRACE * whole)
    expected = float(w2.sum() - 2.0 * cubes + np.trace(hat @ hat))
    expected = max(expected, _LEAST_TRACE * float(w2.sum()))
    score = float(w2 @ residuals**2) - projector
    across = (design.T * w2) @ residuals
    bend = float((w2 * weights) @ residuals**2 - across @ phi @ across)
    information = 2.0 * bend - expected - 2.0 * score * expected / projector
    information = information if information > _LEAST_BEND * expected else expected
    return max(tau2 + score / information, 0.0)


def line_reml_step(
    weights: FloatArray,
    residuals: FloatArray,
    centred: FloatArray,
    total: FloatArray,
    square: FloatArray,
    tau2: FloatArray,
) -> FloatArray:
    """`reml_step` of many lines whose design is (1, `centred`).

    Parameters
    ----------
    weights, residuals
        As in `reml_step`, the weights 0 at masked points; shape (points, lines).
    centred
        Weighted mean 0.
    total, square
        Sum of the weights, and weighted sum of squares of `centred`, shape (lines,).
    tau2
        Present τ², shape (lines,).
    """
    w2 = weights * weights
    w2c, w2e = w2 * centred, w2 * residuals
    s0, s1 = w2.sum(axis=0), w2c.sum(axis=0)
    s2 = np.einsum("ij,ij->j", w2c, centred) / square
    cubes = np.einsum("ij,ij->j", weights, w2) / total
    cubes += np.einsum("ij,ij,ij->j", weights, w2c, centred) / square
    mean = s0 / total
    projector = np.maximum(total - mean - s2, _LEAST_TRACE * total)
    expected = s0 - 2.0 * cubes + mean * mean + 2.0 * s1 * s1 / (total * square) + s2 * s2
    expected = np.maximum(expected, _LEAST_TRACE * s0)
    score = np.einsum("ij,ij->j", w2e, residuals) - projector
    e0, e1 = w2e.sum(axis=0), np.einsum("ij,ij->j", w2e, centred)
    bend = np.einsum("ij,ij,ij->j", w2e, residuals, weights) - e0 * e0 / total - e1 * e1 / square
    information = 2.0 * bend - expected - 2.0 * score * expected / projector
    information = np.where(information > _LEAST_BEND * expected, information, expected)
    return np.asarray(np.maximum(tau2 + score / information, 0.0))
