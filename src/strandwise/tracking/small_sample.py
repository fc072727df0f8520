"""Kenward and Roger's small-sample corrections of a model at given variances.

None of them looks at the response, so that they hold for tests that are only planned as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.tracking.reml import Evaluation

    FloatArray = NDArray[np.float64]

__all__ = ["adjusted_covariance", "contrast_df", "variance_covariance", "with_shared"]


def variance_covariance(at: Evaluation, kept: NDArray[np.bool_]) -> FloatArray:
    """Covariance of the estimated variances: the inverse of their expected information.

    Parameters
    ----------
    at
        The model at its variances.
    kept
        Which of them are estimated, shape (variances,).

    Returns
    -------
    Shape (variances, variances), zero for what is not estimated.
    """
    picked = np.ix_(kept, kept)
    information = at.information[picked]
    scale = 1.0 / np.sqrt(np.diag(information))
    out = np.zeros(at.information.shape)
    out[picked] = np.linalg.pinv(scale[:, None] * information * scale, rcond=1e-12)
    out[picked] *= np.outer(scale, scale)
    return out


def adjusted_covariance(at: Evaluation, W: FloatArray) -> FloatArray:
    """Covariance of the coefficients, Φ + 2Φ[Σ Wᵢⱼ(Qᵢⱼ − PᵢΦPⱼ)]Φ, shape (p, p).

    Parameters
    ----------
    at
        The model at its variances.
    W
        Covariance of these, shape (variances, variances).

    References
    ----------
    M. G. Kenward, J. H. Roger, Biometrics 53 (1997) 983.
    """
    phi = at.covariance
    first, second = at.first_products, at.second_products
    inner = np.einsum("ij,ijkl->kl", W, second)
    inner -= np.einsum("ij,ikm,mn,jnl->kl", W, first, phi, first, optimize=True)
    return np.asarray(phi + 2.0 * phi @ inner @ phi)


def contrast_df(
    weights: FloatArray,
    covariance: FloatArray,
    variance_gradient: FloatArray,
    W: FloatArray,
    *,
    limit: int,
) -> float:
    """Degrees of freedom 2v²/(gᵀWg) of one contrast, not below 1 or above `limit`.

    Parameters
    ----------
    weights
        Of the contrast, shape (p,).
    covariance
        Φ, unadjusted, shape (p, p).
    variance_gradient
        −Xᵀ V⁻¹ V_i V⁻¹ X, shape (variances, p, p).
    W
        Covariance of the variances, square.
    limit
        Rows less coefficients: neither the batches nor the rows leave more than all together.
    """
    phi_w = covariance @ weights
    unadjusted = float(weights @ phi_w)
    gradient = np.einsum("k,ikl,l->i", phi_w, variance_gradient, phi_w)
    spread = float(gradient @ W @ gradient)
    most = float(max(limit, 1))
    if spread <= 0.0:
        return most
    return min(max(2.0 * unadjusted**2 / spread, 1.0), most)


def with_shared(scatter: float, df: float, effects: FloatArray) -> tuple[float, float]:
    """Variance and degrees of freedom of a contrast with the errors that groups of rows share.

    Such an error adds its variance whole (GUM, JCGM 100:2008, 5.2), and Welch and Satterthwaite's
    degrees of freedom (G.4.1) with none of its own. How far the groups have it in common with each
    other is not known: the variance is linear in that correlation, and the larger of the ends 0
    and 1 is taken.

    Parameters
    ----------
    scatter, df
        Variance from scatter, and its degrees of freedom.
    effects
        What one standard deviation of each group's shared error does to the contrast, shape (k,).
    """
    shared = max(float(np.sum(effects)) ** 2, float(np.sum(effects**2)))
    return scatter + shared, df * (1.0 + shared / scatter) ** 2
