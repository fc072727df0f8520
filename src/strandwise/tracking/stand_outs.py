"""Tests that lie far off what the others of their kind say: found robustly, never left out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from numpy.typing import NDArray

    from strandwise.tracking.comparison import RateObservations

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]
    # Exponent, and the level (ln r at ln P = 0) of each batch that has one.
    Law = tuple[float, dict[str, float]]

__all__ = ["FAR_FIRING", "FAR_STRAND", "StandOut", "stand_outs"]

FAR_STRAND = 1.1
"""A strand nearer its batch's law than by this factor is never named (common practice, no
source)."""

FAR_FIRING = 1.25
"""The same of a firing beside the other firings, which differ in grain and nozzle too."""

_FAR_ALONE = 1.5
_SCATTERS = 4.5
_MOST_WIDENING = 2.0
# Strands commonly read 4 to 12 % below motors (common practice, no source).
_USUAL_OFFSET = math.log(1.08)
_FEW_FIRINGS = 3
_FEWEST_TESTS = 4
_MOST_IN_BATCH = 0.4
_LEAST_SPAN = math.log(1.2)  # of pressures that tell an exponent
_NORMAL_MAD = 1.482602  # σ over the median absolute deviation of a normal distribution
_MOST_SLOPES = 400
_MOST_ROUNDS = 5


@dataclass(frozen=True, kw_only=True, slots=True)
class StandOut:
    """One test, and how far off it is.

    Parameters
    ----------
    test, is_firing
        Which.
    off
        Its rate over what the others lead to expect, less 1.
    """

    test: str
    is_firing: bool
    off: float


def stand_outs(
    observations: RateObservations, *, bent: Collection[str] = ()
) -> tuple[StandOut, ...]:
    """Name the tests that are off by a factor that no scatter of the others explains.

    Strands are held against the line of their batch, all batches of a formulation with one
    exponent: least median of squares over the lines through two strands of a batch (Rousseeuw,
    Journal of the American Statistical Association 79 (1984) 871), then least squares without
    the tests that are far off, repeated; several bad tests of one batch do not hide each other,
    as they do where the largest residual alone is judged. Firings are held against that line of
    their batch, or of the middle batch of their formulation, at the median distance that all
    firings have from theirs; where only one or two firings have a line, at 8 %. Firings of a
    formulation without strands are held against their own line.

    A test is named beyond 4.5 times the scatter of the rest, and beyond `FAR_STRAND` or
    `FAR_FIRING` either way; a firing always beyond a factor 1.5, and one of one or two firings
    beyond that alone. The scatter is 1.4826·(1 + 5/(n − p)) times the median absolute residual
    (Rousseeuw and Leroy, Robust Regression and Outlier Detection (1987), from memory), the
    bracket 2 at most.

    Parameters
    ----------
    observations
        Of a comparison.
    bent
        Batches that no straight line describes: their strands are not judged.

    Returns
    -------
    In the order of the observations; nothing of a formulation where more than two in five of a
    batch would be named, or tests of most of its batches, as a bend of its law does that.
    """
    y, x = np.log(observations.rate), np.log(observations.pressure)
    firing = np.array(observations.is_firing, dtype=np.bool_)
    batch, whose = np.array(observations.batch), np.array(observations.formulation)
    straight = ~np.isin(batch, list(bent))
    off = np.full(y.size, np.nan)
    named = np.zeros(y.size, dtype=np.bool_)
    laws: dict[str, Law] = {}
    for name in dict.fromkeys(observations.formulation):
        rows = (whose == name) & ~firing & straight
        far = math.log(FAR_STRAND)
        groups = batch
        if not (whose == name)[~firing].any():
            # One motor a batch is usual: batches and their scatter are not told apart.
            rows, far, groups = whose == name, math.log(FAR_FIRING), whose
        law = _law(x, y, groups, rows, far)
        if law is None:
            continue
        residual, fitted = law
        if not firing[rows].any():
            laws[name] = fitted
        limit = _limit(residual[rows], far, _unknowns(groups, rows))
        if not _too_many(np.abs(residual) > limit, groups, rows):
            off[rows] = residual[rows]
            named[rows] = np.abs(residual[rows]) > limit
    _judge_firings(x, y, batch, whose, firing, laws, off, named)
    told = zip(observations.test, firing, off, named, strict=True)
    found = {
        test: StandOut(test=test, is_firing=bool(fired), off=math.expm1(value))
        for test, fired, value, is_named in told
        if is_named
    }
    return tuple(found.values())


def _law(
    x: FloatArray, y: FloatArray, groups: NDArray[np.str_], rows: BoolArray, far: float
) -> tuple[FloatArray, Law] | None:
    """Residuals (NaN where not of `rows`) and the law of one formulation; None: cannot be told."""
    own = [np.flatnonzero(rows & (groups == group)) for group in dict.fromkeys(groups[rows])]
    slopes = list(_slopes(x, y, own))
    if rows.sum() < _FEWEST_TESTS or not slopes:
        return None
    slope = slopes[int(np.argmin(_median_distances(x, y, own, slopes)))]
    residual = np.full(y.size, np.nan)
    levels: dict[str, float] = {}
    kept = rows.copy()
    for at in own:
        level = float(np.median(y[at] - slope * x[at]))
        residual[at] = y[at] - slope * x[at] - level
    for _ in range(_MOST_ROUNDS):
        now = rows & (np.abs(residual) <= _limit(residual[rows], far, 1 + len(own)))
        centred = [at[now[at]] for at in own if now[at].any()]
        dx = np.concatenate([x[at] - np.mean(x[at]) for at in centred])
        dy = np.concatenate([y[at] - np.mean(y[at]) for at in centred])
        if np.sum(dx**2) > 0.0:
            slope = float(np.sum(dx * dy) / np.sum(dx**2))
        for at in own:
            good = at[now[at]] if now[at].any() else at
            level = float(np.mean(y[good] - slope * x[good]))
            levels[str(groups[at[0]])] = level
            residual[at] = y[at] - slope * x[at] - level
        if np.array_equal(now, kept):
            break
        kept = now
    return residual, (slope, levels)


def _median_distances(
    x: FloatArray, y: FloatArray, own: list[NDArray[np.intp]], slopes: list[float]
) -> list[float]:
    """Median distance of all tests from lines of each slope, at the median level of each batch."""
    counts = np.array([at.size for at in own])
    inside = np.arange(counts.max()) < counts[:, None]
    # Behind a batch's last test nothing sorts before it.
    padded_x, padded_y = np.zeros(inside.shape), np.full(inside.shape, np.inf)
    padded_x[inside], padded_y[inside] = x[np.concatenate(own)], y[np.concatenate(own)]
    batch = np.arange(len(own))
    found = []
    for slope in slopes:
        level = padded_y - slope * padded_x
        rising = np.sort(level, axis=1)
        middle = (rising[batch, (counts - 1) // 2] + rising[batch, counts // 2]) / 2.0
        found.append(float(np.median(np.abs(level - middle[:, None])[inside])))
    return found


def _slopes(x: FloatArray, y: FloatArray, own: list[NDArray[np.intp]]) -> Iterator[float]:
    pairs = [
        (int(i), int(j))
        for at in own
        for i, j in combinations(at, 2)
        if abs(x[i] - x[j]) >= _LEAST_SPAN
    ]
    for i, j in pairs[:: max(1, len(pairs) // _MOST_SLOPES)]:
        yield float((y[i] - y[j]) / (x[i] - x[j]))


def _unknowns(groups: NDArray[np.str_], rows: BoolArray) -> int:
    """The exponent and a level of each batch."""
    return 1 + len(set(groups[rows]))


def _limit(residual: FloatArray, far: float, unknowns: int) -> float:
    """How far off is far, from the scatter of the middle half, which bad tests do not widen."""
    few = min(1.0 + 5.0 / max(residual.size - unknowns, 1), _MOST_WIDENING)
    return max(far, _SCATTERS * _NORMAL_MAD * few * float(np.median(np.abs(residual))))


def _too_many(named: BoolArray, groups: NDArray[np.str_], rows: BoolArray) -> bool:
    """Whether so many are off that the line is at fault, or nobody can tell which are bad."""
    parts = [np.mean(named[rows & (groups == group)]) for group in dict.fromkeys(groups[rows])]
    hit = sum(part > 0.0 for part in parts)
    return bool(max(parts) > _MOST_IN_BATCH or (hit > 1 and hit > len(parts) / 2))


def _judge_firings(
    x: FloatArray,
    y: FloatArray,
    batch: NDArray[np.str_],
    whose: NDArray[np.str_],
    firing: BoolArray,
    laws: dict[str, Law],
    off: FloatArray,
    named: BoolArray,
) -> None:
    """Fill in the firings that have a line of strands to be held against."""
    beside = np.full(y.size, np.nan)
    for at in np.flatnonzero(firing):
        law = laws.get(str(whose[at]))
        if law is not None:
            slope, levels = law
            level = levels.get(str(batch[at]), float(np.median(list(levels.values()))))
            beside[at] = y[at] - slope * x[at] - level
    rows = ~np.isnan(beside)
    if not rows.any():
        return
    far, middle = math.log(_FAR_ALONE), _USUAL_OFFSET
    if rows.sum() >= _FEW_FIRINGS:
        far, middle = math.log(FAR_FIRING), float(np.median(beside[rows]))
        # So few firings cannot tell their scatter, and grains of one kind do not scatter this much.
        far = min(_limit(beside[rows] - middle, far, 1), math.log(_FAR_ALONE))
    off[rows] = beside[rows] - middle
    named[rows] = np.abs(off[rows]) > far
