"""Variances of a model with random effects of batches, by restricted maximum likelihood (REML).

The covariance of the response is V = Σ θ_i Z_i Z_iᵀ + diag(θ_class + d): block-diagonal over the
batches, so that every product with V⁻¹ costs one pass over the rows. Z_i holds one column of the
random effects, batch by batch: ones for the batch's level, ln P for its exponent.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import product
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
_DECREMENT = 1e-14  # of the log-likelihood: far below what any printed digit depends on
# Gains below this drown in the rounding of the likelihood: steps are taken while they shrink.
_UNSEEN = 1e-11
# Part of a random column that must be left beside the columns before it, in one batch.
_TOLD = 1e-8


@dataclass(frozen=True, eq=False, kw_only=True)
class BlockModel:
    """Response, design and batches, and what does not change with the variances.

    Parameters
    ----------
    response
        y, shape (N,).
    design
        X of full column rank, shape (N, p).
    group
        Number of the batch of each row, 0 … J − 1, each present, shape (N,).
    known_variance
        d, variance known beforehand for each row, shape (N,), in the square of y's unit.
    random
        Columns whose coefficients batches draw at random, each with a variance of its own,
        shape (N, q).
    scatter_class
        Number of the class, 0 … R − 1, whose variance each row's own scatter has, shape (N,).
    """

    response: FloatArray
    design: FloatArray
    group: IndexArray
    known_variance: FloatArray
    random: FloatArray
    scatter_class: IndexArray
    _order: IndexArray = field(init=False, repr=False)
    _starts: IndexArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        order = np.argsort(self.group, kind="stable")
        sizes = np.bincount(self.group)
        object.__setattr__(self, "_order", order)
        object.__setattr__(self, "_starts", np.concatenate([[0], np.cumsum(sizes)[:-1]]))

    @property
    def random_count(self) -> int:
        """How many random columns there are, q."""
        return int(self.random.shape[1])

    @cached_property
    def classes(self) -> FloatArray:
        """Indicator of each class of scatter, shape (R, N)."""
        numbers = np.arange(int(self.scatter_class.max()) + 1)
        return np.asarray(self.scatter_class[None, :] == numbers[:, None], dtype=np.float64)

    def group_sum(self, rows: FloatArray) -> FloatArray:
        """Sum rows over each batch: (N, …) to (J, …)."""
        return np.asarray(np.add.reduceat(rows[self._order], self._starts, axis=0))


class Evaluation:
    """The model at one set of variances (unit of y, squared).

    Parameters
    ----------
    model
        Data.
    variances
        Of the random columns, then of the classes of scatter, shape (q + R,); every class's
        variance with each d of its rows must be above zero.
    """

    def __init__(self, model: BlockModel, variances: FloatArray) -> None:
        self.model = model
        self.variances = variances
        q = model.random_count
        self.weight = 1.0 / (variances[q:][model.scatter_class] + model.known_variance)
        self.root = np.sqrt(self.weight)
        self.basis, self.triangle = self._orthonormal()
        spread = (self.triangle * variances[:q]) @ np.swapaxes(self.triangle, 1, 2)
        whole = np.eye(q) + spread
        factor = np.linalg.cholesky(whole)
        self.log_det_random = 2.0 * float(np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2))))
        self.factor_inverse = np.linalg.inv(factor)
        self.shrink = np.swapaxes(self.factor_inverse, 1, 2) @ self.factor_inverse
        self.taken = spread @ self.shrink
        # Rows of a least-squares problem that has the same normal equations as V: what is left
        # beside the batches' own columns, and the coefficients of these. Without it the
        # difference Σw − Σw cancels as the batches' spread grows beyond their tests' scatter.
        target = self._whitened(model.response[:, None])[:, 0]
        orthonormal, self.r_factor = np.linalg.qr(self._whitened(model.design))
        projected = orthonormal.T @ target
        self.coefficients: FloatArray = np.linalg.solve(self.r_factor, projected)
        self.quadratic = float(np.sum((target - orthonormal @ projected) ** 2))
        self.residual: FloatArray = model.response - model.design @ self.coefficients

    def _orthonormal(self) -> tuple[FloatArray, FloatArray]:
        """Basis P and triangle R of the weighted random columns of each batch, √w Z = P R."""
        model = self.model
        count, q = model.random.shape
        basis = np.zeros((count, q))
        triangle = np.zeros((model._starts.size, q, q))
        for i in range(q):
            column = self.root * model.random[:, i]
            whole = model.group_sum(column**2)
            for k in (*range(i), *range(i)):  # twice, so that rounding does not look like a column
                along = model.group_sum(basis[:, k] * column)
                triangle[:, k, i] += along
                column = column - along[model.group] * basis[:, k]
            squares = model.group_sum(column**2)
            told = squares > _TOLD**2 * whole
            length = np.sqrt(np.where(told, squares, 1.0))
            triangle[:, i, i] = np.where(told, length, 0.0)
            basis[:, i] = np.where(told[model.group], column / length[model.group], 0.0)
        return basis, triangle

    def split(self, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Weighted rows beside the batches' own columns, (N, k), and along these, (J, q, k)."""
        weighted = self.root[:, None] * rows
        along = self.model.group_sum(self.basis[:, :, None] * weighted[:, None, :])
        inner = weighted - self._spread(along)
        return inner, along

    def _spread(self, along: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("nq,nqk->nk", self.basis, along[self.model.group]))

    def _whitened(self, rows: FloatArray) -> FloatArray:
        inner, along = self.split(rows)
        return np.concatenate([inner, (self.factor_inverse @ along).reshape(-1, rows.shape[1])])

    def solve(self, rows: FloatArray) -> FloatArray:
        """V⁻¹ times rows of shape (N, k)."""
        inner, along = self.split(rows)
        return np.asarray(self.root[:, None] * (inner + self._spread(self.shrink @ along)))

    @cached_property
    def criterion(self) -> float:
        """−2 · restricted log-likelihood, constants included."""
        count, coefficient_count = (int(size) for size in self.model.design.shape)
        log_det = self.log_det_random - float(np.sum(np.log(self.weight)))
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
    def random_effects(self) -> FloatArray:
        """Best linear unbiased prediction of the batches' coefficients, shape (J, q)."""
        solved = self.solve(self.residual[:, None])
        sums = self.model.group_sum(self.model.random * solved)
        return np.asarray(sums * self.variances[: self.model.random_count])

    @cached_property
    def _solved_random(self) -> FloatArray:
        """V⁻¹ Z batch by batch, shape (N, q)."""
        along = (self.shrink @ self.triangle)[self.model.group]
        return np.asarray(self.root[:, None] * np.einsum("nk,nki->ni", self.basis, along))

    @cached_property
    def _random_products(self) -> FloatArray:
        """Zᵀ V⁻¹ Z of each batch, shape (J, q, q)."""
        return np.asarray(np.swapaxes(self.triangle, 1, 2) @ self.shrink @ self.triangle)

    @cached_property
    def _by_group(self) -> FloatArray:
        """Z_iᵀ V⁻¹ X of each batch, shape (q, J, p)."""
        random = self.model.random
        columns = range(self.model.random_count)
        return np.stack(
            [self.model.group_sum(random[:, i, None] * self.solved_design) for i in columns]
        )

    @cached_property
    def first_products(self) -> FloatArray:
        """−Xᵀ V⁻¹ V_i V⁻¹ X for each variance, shape (q + R, p, p)."""
        X = self.solved_design
        groups = [rows.T @ rows for rows in self._by_group]
        return -np.stack([*groups, *(X.T @ (one[:, None] * X) for one in self.model.classes)])

    @cached_property
    def second_products(self) -> FloatArray:
        """Xᵀ V⁻¹ V_i V⁻¹ V_j V⁻¹ X, shape (q + R, q + R, p, p)."""
        model, q = self.model, self.model.random_count
        size, p = self.variances.size, self.solved_design.shape[1]
        X, by_group, within = self.solved_design, self._by_group, self._random_products
        out = np.empty((size, size, p, p))
        for i, k in product(range(q), range(q)):
            out[i, k] = by_group[i].T @ (within[:, i, k, None] * by_group[k])
        for c, one in enumerate(model.classes):
            twice = self.solve(one[:, None] * X)
            for i in range(q):
                sums = model.group_sum(model.random[:, i, None] * twice)
                out[i, q + c] = by_group[i].T @ sums
                out[q + c, i] = out[i, q + c].T
            for e, other in enumerate(model.classes):
                out[q + e, q + c] = (other[:, None] * X).T @ twice
        return out

    @cached_property
    def score(self) -> FloatArray:
        """Gradient of the restricted log-likelihood in the variances."""
        model = self.model
        solved = self.solve(self.residual[:, None])
        squares = np.concatenate(
            [
                np.sum(model.group_sum(model.random * solved) ** 2, axis=0),
                model.classes @ solved[:, 0] ** 2,
            ]
        )
        diagonal = np.einsum("nk,nkl,nl->n", self.basis, self.taken[model.group], self.basis)
        traces = np.concatenate(
            [
                np.einsum("jii->i", self._random_products),
                model.classes @ (self.weight * (1.0 - diagonal)),
            ]
        )
        traces += np.einsum("ikl,kl->i", self.first_products, self.covariance)
        return np.asarray(0.5 * (squares - traces))

    @cached_property
    def information(self) -> FloatArray:
        """Expected information of the variances, ½ tr(P V_i P V_j); shape (q + R, q + R)."""
        traces = self._plain_traces()
        # What the design takes up is subtracted: rounding must not leave less than nothing.
        least = _LEAST_SHARE * np.diag(traces)
        traces -= 2.0 * np.einsum("ijkl,kl->ij", self.second_products, self.covariance)
        turned = self.covariance @ self.first_products
        traces += np.einsum("ikl,jlk->ij", turned, turned)
        diagonal = np.maximum(np.diag(traces), least)
        largest = np.sqrt(np.outer(diagonal, diagonal))
        traces = np.clip(0.5 * (traces + traces.T), -largest, largest)
        np.fill_diagonal(traces, diagonal)
        return np.asarray(0.5 * traces)

    def _plain_traces(self) -> FloatArray:
        """tr(V⁻¹ V_i V⁻¹ V_j), shape (q + R, q + R)."""
        model, q = self.model, self.model.random_count
        traces = np.empty((self.variances.size, self.variances.size))
        traces[:q, :q] = np.sum(self._random_products**2, axis=0)
        traces[:q, q:] = self._solved_random.T**2 @ model.classes.T
        traces[q:, :q] = traces[:q, q:].T
        outer = self.basis[:, :, None] * self.basis[:, None, :]
        weighted = [one * self.weight for one in model.classes]
        taken = [self.taken @ model.group_sum(w[:, None, None] * outer) for w in weighted]
        for c, w in enumerate(weighted):
            for e, other in enumerate(taken):
                traces[q + c, q + e] = np.einsum("jkl,jlk->", taken[c], other)
            twice = np.einsum("nk,nkl,nl->n", self.basis, self.taken[model.group], self.basis)
            traces[q + c, q + c] += np.sum(w**2 * (1.0 - 2.0 * twice))
        return traces


def estimate_variances(
    model: BlockModel,
    *,
    free: NDArray[np.bool_],
    floor: float,
    start: FloatArray | None = None,
) -> Evaluation:
    """Maximise the restricted likelihood, random variances ≥ 0 and those of scatter ≥ `floor`.

    Fisher scoring with halved steps, the variances at a bound held there while the likelihood
    falls inwards; begun from the best of a coarse grid, as the likelihood can have two maxima.

    Parameters
    ----------
    model
        Data, the response scaled so that its residual variance about the design is near 1.
    free
        Which variances are estimated, shape (q + R,); the others are 0 or `floor`.
    floor
        Smallest variance of scatter, above zero where some known variance is zero.
    start
        Variances near the maximum, where they are known; shape (q + R,).

    References
    ----------
    D. A. Harville, J. Am. Stat. Assoc. 72 (1977) 320 (REML and scoring; from memory).
    """
    q = model.random_count
    lower = np.where(np.arange(free.size) < q, 0.0, floor)
    starts = _start_grid(model, free, lower) if start is None else [np.maximum(start, lower)]
    best = min((Evaluation(model, one) for one in starts), key=lambda at: at.criterion)
    last = np.inf
    for _ in range(_MAX_SCORING_STEPS):
        step, decrement = _scoring_step(best, lower, free)
        if decrement < _DECREMENT:
            break
        if decrement < _UNSEEN:
            if decrement >= last:
                break
            last = decrement
            best = Evaluation(model, np.maximum(best.variances + step, lower))
            continue
        better = _halved(model, best, step, lower)
        if better is None:
            break
        best = better
    return best


def _start_grid(model: BlockModel, free: NDArray[np.bool_], lower: FloatArray) -> list[FloatArray]:
    q = model.random_count
    # The first column is that of levels, whose spread may be most of the whole.
    tried: list[tuple[float, ...]] = [(0.0, 0.2, 0.8), *[(0.0, 0.2)] * (q - 1)]
    shares = [options if free[i] else (0.0,) for i, options in enumerate(tried)]
    mean_square = np.maximum(np.mean(model.random**2, axis=0), 1e-12)
    # The response is scaled to a total near 1, of which the known variances may be a part.
    totals = (1.0, 0.05) if np.any(model.known_variance > 0) else (1.0,)
    starts = []
    for total, chosen in product(totals, product(*shares)):
        rest = max(1.0 - sum(chosen), 0.1)
        scatter = np.full(free.size - q, rest)
        at = total * np.concatenate([np.array(chosen) / mean_square, scatter])
        starts.append(np.maximum(at, lower))
    return starts


def _scoring_step(
    at: Evaluation, lower: FloatArray, movable: NDArray[np.bool_]
) -> tuple[FloatArray, float]:
    at_bound = at.variances <= lower
    free = movable & ~(at_bound & (at.score <= 0))
    step = np.zeros(free.size)
    for _ in range(free.size):  # a bound met by the joint step is held in the next pass
        if not free.any():
            return np.zeros(free.size), 0.0
        picked = np.ix_(free, free)
        scale = 1.0 / np.sqrt(np.diag(at.information)[free])
        scaled = scale[:, None] * at.information[picked] * scale
        step = np.zeros(free.size)
        step[free] = scale * np.linalg.lstsq(scaled, scale * at.score[free], rcond=1e-12)[0]
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
