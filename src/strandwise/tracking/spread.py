"""Whether the batches, or the tests, of one formulation vary more than those of the others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import fdtrc

from strandwise.tracking.random_effects import Classes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.tracking.layout import Layout, Tests
    from strandwise.tracking.mixed import MixedFit

    FloatArray = NDArray[np.float64]

__all__ = ["UnlikeSpread", "spread_classes", "unlike_spreads"]

_LEVEL = 0.05
_LEAST_SHARE = 1e-12  # of the scatter: below it the others do not vary at all, to rounding


@dataclass(frozen=True, kw_only=True)
class UnlikeSpread:
    """A formulation that varies more than all others together.

    Parameters
    ----------
    formulation
        Name.
    of_batches
        True where its batches differ more, False where its tests scatter more within batches.
    ratio
        Its standard deviation over that of the others, each with the tests' own scatter in it.
    p
        Probability of a ratio this large where all spread alike, times the formulations looked at.
    """

    formulation: str
    of_batches: bool
    ratio: float
    p: float


def unlike_spreads(tests: Tests, layout: Layout, fit: MixedFit) -> tuple[UnlikeSpread, ...]:
    """Look for a formulation whose batches, and one whose tests, vary more than the others'.

    F-tests of mean squares about the fitted model, of the batches' means and of the rows about
    their batch's own line, each formulation against all others, by Bonferroni for their number.
    Mean squares are weighted by the variances that one spread for all gives.

    Parameters
    ----------
    tests, layout
        Rows and columns.
    fit
        Of them, with one spread for all.

    Returns
    -------
    At most one of each kind, the least likely.
    """
    if fit.exact or fit.df == 0 or fit.residual_sd is None or len(layout.level_column) < 2:
        return ()
    found = [
        _most_unlike(*_between(tests, layout, fit), of_batches=True),
        _most_unlike(*_within(tests, layout, fit), of_batches=False),
    ]
    return tuple(one for one in found if one is not None)


def spread_classes(tests: Tests, unlike: tuple[UnlikeSpread, ...]) -> Classes | None:
    """Classes in which the formulations found spread by themselves; None where none was."""
    if not unlike:
        return None
    batches = rows = np.zeros(len(tests.batch), dtype=np.intp)
    for one in unlike:
        apart = tests.rows_of(one.formulation).astype(np.intp)
        batches, rows = (apart, rows) if one.of_batches else (batches, apart)
    return Classes(batches=batches, rows=rows)


def _between(
    tests: Tests, layout: Layout, fit: MixedFit
) -> tuple[dict[str, float], dict[str, int]]:
    """Weighted squares of the batches' levels about their formulation, and degrees of freedom."""
    squares, degrees = {}, {}
    if fit.batch_sd is None:
        return {}, {}
    residual = tests.log_rate - layout.design @ fit.beta
    labels = np.array(tests.batch)
    own = _row_variance(tests, layout, fit)
    for name in layout.level_column:
        rows = tests.rows_of(name)
        batches = [labels == batch for batch in dict.fromkeys(labels[rows])]
        if len(batches) < 2:
            continue
        levels = np.array([np.mean(residual[b]) for b in batches])
        noise = np.array([np.mean(own[b]) / np.sum(b) for b in batches])
        turned = np.array([np.mean(layout.slopes[b]) for b in batches])
        weight = 1.0 / (fit.batch_sd**2 + noise + (turned * (fit.slope_sd or 0.0)) ** 2)
        middle = np.sum(weight * levels) / np.sum(weight)
        squares[name] = float(np.sum(weight * (levels - middle) ** 2))
        degrees[name] = len(batches) - 1
    return squares, degrees


def _within(tests: Tests, layout: Layout, fit: MixedFit) -> tuple[dict[str, float], dict[str, int]]:
    """Weighted squares of the rows about lines of their batches, and degrees of freedom."""
    residual = tests.log_rate.copy()
    if layout.firing_column is not None:
        column = layout.firing_column
        residual = residual - layout.design[:, column] * fit.beta[column]
    labels = np.array(tests.batch)
    own = _row_variance(tests, layout, fit)
    squares = dict.fromkeys(layout.level_column, 0.0)
    degrees = dict.fromkeys(layout.level_column, 0)
    for batch, name in dict(zip(tests.batch, tests.formulation, strict=True)).items():
        rows = labels == batch
        root = 1.0 / np.sqrt(own[rows])
        line = np.column_stack([np.ones(root.size), layout.slopes[rows]]) * root[:, None]
        solution, _, rank, _ = np.linalg.lstsq(line, residual[rows] * root, rcond=1e-9)
        squares[name] += float(np.sum((residual[rows] * root - line @ solution) ** 2))
        degrees[name] += root.size - int(rank)
    return squares, degrees


def _row_variance(tests: Tests, layout: Layout, fit: MixedFit) -> FloatArray:
    exponents = {name: float(fit.beta[at]) for name, at in layout.exponent_column.items()}
    known = tests.known_variance(exponents)
    total = np.full(len(tests.batch), (fit.residual_sd or 0.0) ** 2)
    total = total if known is None else total + known
    return np.asarray(np.maximum(total, 1e-14))


def _most_unlike(
    squares: dict[str, float], degrees: dict[str, int], *, of_batches: bool
) -> UnlikeSpread | None:
    judged = [name for name in squares if degrees[name] > 0]
    all_squares, all_degrees = sum(squares[n] for n in judged), sum(degrees[n] for n in judged)
    out = []
    for name in judged:
        rest = all_degrees - degrees[name]
        others = (all_squares - squares[name]) / rest if rest else 0.0
        own = squares[name] / degrees[name]
        if rest == 0 or others <= _LEAST_SHARE * own:
            continue
        p = len(judged) * float(fdtrc(degrees[name], rest, own / others))
        out.append(
            UnlikeSpread(
                formulation=name, of_batches=of_batches, ratio=float(np.sqrt(own / others)), p=p
            )
        )
    least = min(out, key=lambda one: one.p, default=None)
    return None if least is None or least.p >= _LEVEL else least
