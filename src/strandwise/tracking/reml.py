"""Variances of a random-intercept model by restricted maximum likelihood (REML).

The covariance of the response is V = σ_b² Z Zᵀ + σ_w² I + diag(d): block-diagonal over the
batches, so that every product with V⁻¹ costs one pass over the rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IndexArray = NDArray[np.intp]

__all__ = ["BlockModel", "Evaluation", "estimate_variances"]

_MAX_SCORING_STEPS = 200
_MAX_HALVINGS = 40
_LEAST_SHARE = 1e-13
_DECREMENT = 1e-18  # of the log-likelihood: far below what any printed digit depends on
# Gains below this drown in the rounding of the likelihood: the step is taken unseen, as the last.
_UNSEEN = 1e-11


@dataclass(frozen=True, eq=False)
class BlockModel:
    """Response, design and batches, and what does not change with the variances.

    Parameters
    ----------
    response
        y, shape (N,).
    design
        X of full column rank, shape (N, p).
    group
        Number of the batch of each row, 0 … J − 1, shape (N,).
    group_count
        J.
    known_variance
        d, variance known beforehand for each row, shape (N,), in the square of y's unit.
    """

    response: FloatArray
    design: FloatArray
    group: IndexArray
    group_count: int
    known_variance: FloatArray

    def group_sum(self, rows: FloatArray) -> FloatArray:
        """Sum rows over each batch: (N, …) to (J, …)."""
        total = np.zeros((self.group_count, *rows.shape[1:]))
        np.add.at(total, self.group, rows)
        return total


class Evaluation:
    """The model at one pair of variances (unit of y, squared).

    Parameters
    ----------
    model
        Data.
    variances
        (σ_b², σ_w²); every σ_w² + d must be above zero.
    """

    def __init__(self, model: BlockModel, variances: FloatArray) -> None:
        self.model = model
        self.variances = variances
        self.weight = 1.0 / (variances[1] + model.known_variance)
        self.group_weight = model.group_sum(self.weight)
        self.shrink = 1.0 / (1.0 + variances[0] * self.group_weight)
        # Rows of a least-squares problem that has the same normal equations as V: deviations
        # from the batch means, and the means. Without it the difference Σw − Σw cancels as
        # σ_b/σ_w grows.
        target = np.concatenate(self._whitened(model.response[:, None]))[:, 0]
        q, self.r_factor = np.linalg.qr(np.concatenate(self._whitened(model.design)))
        projected = q.T @ target
        self.coefficients: FloatArray = np.linalg.solve(self.r_factor, projected)
        self.quadratic = float(np.sum((target - q @ projected) ** 2))
        self.residual: FloatArray = model.response - model.design @ self.coefficients

    def _whitened(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        model = self.model
        mean = model.group_sum(self.weight[:, None] * rows) / self.group_weight[:, None]
        inner = np.sqrt(self.weight)[:, None] * (rows - mean[model.group])
        outer = np.sqrt(self.group_weight * self.shrink)[:, None] * mean
        return inner, outer

    def solve(self, rows: FloatArray) -> FloatArray:
        """V⁻¹ times rows of shape (N, k)."""
        model = self.model
        mean = model.group_sum(self.weight[:, None] * rows) / self.group_weight[:, None]
        kept = (mean * self.shrink[:, None])[model.group]
        return np.asarray(self.weight[:, None] * ((rows - mean[model.group]) + kept))

    @cached_property
    def criterion(self) -> float:
        """−2 · restricted log-likelihood, constants included."""
        count, coefficient_count = (int(size) for size in self.model.design.shape)
        log_det = float(np.sum(np.log1p(self.variances[0] * self.group_weight)))
        log_det -= float(np.sum(np.log(self.weight)))
        log_det += 2.0 * float(np.sum(np.log(np.abs(np.diag(self.r_factor)))))
        constant = (count - coefficient_count) * float(np.log(2.0 * np.pi))
        return log_det + self.quadratic + constant

    @cached_property
    def covariance(self) -> FloatArray:
        """Φ = (Xᵀ V⁻¹ X)⁻¹, shape (p, p)."""
        inverse = np.linalg.solve(self.r_factor, np.eye(self.r_factor.shape[0]))
        return np.asarray(inverse @ inverse.T)

    @cached_property
    def solved_design(self) -> FloatArray:
        """V⁻¹ X, shape (N, p)."""
        return self.solve(self.model.design)

    @cached_property
    def first_products(self) -> FloatArray:
        """−Xᵀ V⁻¹ V_i V⁻¹ X for i = batch, residual; shape (2, p, p)."""
        by_group = self.model.group_sum(self.solved_design)
        return -np.stack([by_group.T @ by_group, self.solved_design.T @ self.solved_design])

    @cached_property
    def second_products(self) -> FloatArray:
        """Xᵀ V⁻¹ V_i V⁻¹ V_j V⁻¹ X; shape (2, 2, p, p)."""
        by_group = self.model.group_sum(self.solved_design)
        twice = self.solve(self.solved_design)
        size = by_group.shape[1]
        out = np.empty((2, 2, size, size))
        out[0, 0] = by_group.T @ ((self.group_weight * self.shrink)[:, None] * by_group)
        out[0, 1] = by_group.T @ self.model.group_sum(twice)
        out[1, 0] = out[0, 1].T
        out[1, 1] = self.solved_design.T @ twice
        return out

    @cached_property
    def score(self) -> FloatArray:
        """Gradient of the restricted log-likelihood in (σ_b², σ_w²)."""
        solved = self.solve(self.residual[:, None])[:, 0]
        squares = np.array([np.sum(self.model.group_sum(solved) ** 2), np.sum(solved**2)])
        squared_weights = self.model.group_sum(self.weight**2)
        traces = np.array(
            [
                np.sum(self.group_weight * self.shrink),
                np.sum(self.weight) - self.variances[0] * np.sum(self.shrink * squared_weights),
            ]
        )
        traces += np.einsum("ikl,kl->i", self.first_products, self.covariance)
        return np.asarray(0.5 * (squares - traces))

    @cached_property
    def information(self) -> FloatArray:
        """Expected information of (σ_b², σ_w²), ½ tr(P V_i P V_j); shape (2, 2)."""
        gain = self.variances[0] * self.shrink
        second = self.model.group_sum(self.weight**2)
        third = self.model.group_sum(self.weight**3)
        batch_batch = np.sum((self.group_weight * self.shrink) ** 2)
        batch_residual = np.sum(second * self.shrink**2)
        residual_residual = np.sum(self.weight**2) + np.sum(gain * (gain * second**2 - 2 * third))
        traces = np.array([[batch_batch, batch_residual], [batch_residual, residual_residual]])
        # What the design takes up is subtracted: rounding must not leave less than nothing.
        least = _LEAST_SHARE * np.diag(traces)
        traces -= 2.0 * np.einsum("ijkl,kl->ij", self.second_products, self.covariance)
        turned = self.covariance @ self.first_products
        traces += np.einsum("ikl,jlk->ij", turned, turned)
        diagonal = np.maximum(np.diag(traces), least)
        largest = np.sqrt(diagonal[0] * diagonal[1])
        traces[0, 1] = traces[1, 0] = np.clip(traces[0, 1], -largest, largest)
        np.fill_diagonal(traces, diagonal)
        return np.asarray(0.5 * traces)


def estimate_variances(model: BlockModel, *, with_batch: bool, floor: float) -> Evaluation:
    """Maximise the restricted likelihood over σ_b² ≥ 0 and σ_w² ≥ `floor`.

    Fisher scoring with halved steps, the variances at a bound held there while the likelihood
    falls inwards; begun from the best of a coarse grid, as the likelihood can have two maxima.

    Parameters
    ----------
    model
        Data, the response scaled so that its residual variance about the design is near 1.
    with_batch
        False holds σ_b² at 0.
    floor
        Smallest σ_w², above zero where some known variance is zero.

    References
    ----------
    D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320 (REML and scoring; from memory).
    """
    lower = np.array([0.0, floor])
    movable = np.array([with_batch, True])
    anything_known = bool(np.any(model.known_variance > 0))
    starts = _start_grid(lower, with_batch=with_batch, anything_known=anything_known)
    tried = [Evaluation(model, variances) for variances in starts]
    best = min(tried, key=lambda evaluation: evaluation.criterion)
    for _ in range(_MAX_SCORING_STEPS):
        step, decrement = _scoring_step(best, lower, movable)
        if decrement < _DECREMENT:
            break
        if decrement < _UNSEEN:
            return Evaluation(model, np.maximum(best.variances + step, lower))
        better = _halved(model, best, step, lower)
        if better is None:
            break
        best = better
    return best


def _start_grid(lower: FloatArray, *, with_batch: bool, anything_known: bool) -> list[FloatArray]:
    batch_shares = (0.0, 0.1, 0.4, 0.9) if with_batch else (0.0,)
    # The response is scaled to a total near 1, of which the known variances may be a part.
    totals = (1.0, 0.1, 0.0) if anything_known else (1.0,)
    pairs = np.array([[share * t, (1.0 - share) * t] for share in batch_shares for t in totals])
    return list(np.maximum(pairs, lower))


def _scoring_step(
    at: Evaluation, lower: FloatArray, movable: NDArray[np.bool_]
) -> tuple[FloatArray, float]:
    at_bound = at.variances <= lower
    free = movable & ~(at_bound & (at.score <= 0))
    step = np.zeros(2)
    for _ in range(2):  # a bound met by the joint step is held in the second pass
        if not free.any():
            return step, 0.0
        picked = np.ix_(free, free)
        step = np.zeros(2)
        step[free] = np.linalg.lstsq(at.information[picked], at.score[free])[0]
        outwards = free & at_bound & (step < 0)
        if not outwards.any():
            break
        free &= ~outwards
    return step, float(step @ at.score)


def _halved(
    model: BlockModel, at: Evaluation, step: FloatArray, lower: FloatArray
) -> Evaluation | None:
    length = 1.0
    for _ in range(_MAX_HALVINGS):
        candidate = Evaluation(model, np.maximum(at.variances + length * step, lower))
        if candidate.criterion < at.criterion:
            return candidate
        length *= 0.5
    return None
