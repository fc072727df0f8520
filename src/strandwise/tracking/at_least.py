"""Whether a formulation is shown to burn slower, or faster, than the baseline by a wanted share."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.special import stdtrit

from strandwise.errors import DataError
from strandwise.tracking.equivalence import log_shift
from strandwise.tracking.multiple import many_to_one_p

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.tracking.comparison import Comparison

__all__ = ["AtLeast", "AtLeastVerdict", "at_least"]

_LEVEL = 0.05
_FARTHEST = 1e6  # standard errors
_WIDEST = 700.0  # in ln r; exp() of more overflows
_HALVINGS = 16  # of a bracket about one wide: to 1e-5

AtLeastVerdict = Literal["shown", "not-shown", "not-known"]


@dataclass(frozen=True, kw_only=True)
class AtLeast:
    """One-sided test of one formulation's shift against a wanted change.

    Parameters
    ----------
    formulation, baseline
        What is compared with what.
    slower
        Whether slower burning is asked about; else faster.
    change
        Wanted change of the burn rate as a fraction, from 0 (slower at all).
    verdict
        ``shown`` where p is below 0.05; ``not-shown``; ``not-known`` where the data give no
        interval.
    p
        One-sided p-value of "changes the rate by no more than that", adjusted for the number of
        formulations asked about.
    bound
        The formulation burns slower (or faster) by at least this fraction, at 95 % confidence
        for all formulations together; below 0 where not even the direction is shown.
    measured
        Change of the rate as measured, slower (or faster) above 0.
    """

    formulation: str
    baseline: str
    slower: bool
    change: float
    verdict: AtLeastVerdict
    p: float | None
    bound: float | None
    measured: float | None


def at_least(comparison: Comparison, change: float, *, slower: bool) -> tuple[AtLeast, ...]:
    """Ask of each formulation whether it is shown to change the burn rate by at least so much.

    One-sided t tests at ln(1 − change), or ln(1 + change), on the standard errors and degrees of
    freedom of the comparison. Formulations share the baseline and are several: p-values and
    bounds are those of Dunnett's many-to-one procedure. The change is to be chosen before the
    data are seen.

    Parameters
    ----------
    comparison
        From `compare_formulations`.
    change
        Fraction of the baseline's rate, from 0 and, of slower burning, below 1.
    slower
        Whether to ask for slower burning; else for faster.

    Returns
    -------
    One for each formulation other than the baseline, in the comparison's order.

    Raises
    ------
    DataError
        The change is out of range.

    References
    ----------
    C. W. Dunnett, J. Am. Stat. Assoc. 50 (1955) 1096, one-sided comparisons.
    """
    if not 0.0 <= change < (1.0 if slower else math.inf):
        msg = f"a change of {100.0 * change:.3g} % of the burn rate cannot be asked about"
        raise DataError(msg, expected="0 % or more" + (", below 100 %" if slower else ""))
    rows = [row for row in comparison.formulations if row.formulation != comparison.baseline]
    known = {row.formulation: found for row in rows if (found := log_shift(row)) is not None}
    names = list(known)
    values, sds, dfs = np.array(list(known.values())).reshape(-1, 3).T
    wanted = math.log1p(-change if slower else change)
    beyond = (wanted - values) if slower else (values - wanted)
    # A difference without a standard error lies infinitely far on its side of what is wanted.
    t = np.divide(beyond, sds, out=np.sign(beyond) * _FARTHEST, where=sds > 0.0)
    rho = comparison.shift_correlation_of(names)
    p = dict(zip(names, many_to_one_p(t, dfs, rho, one_sided=True) if names else (), strict=True))
    reach = _critical(dfs, rho) * sds
    ends = np.clip(values + reach if slower else values - reach, -_WIDEST, _WIDEST)
    bounds = dict(zip(names, -np.expm1(ends) if slower else np.expm1(ends), strict=True))
    return tuple(
        AtLeast(
            formulation=row.formulation,
            baseline=comparison.baseline,
            slower=slower,
            change=change,
            verdict=_verdict(p.get(row.formulation)),
            p=float(p[row.formulation]) if row.formulation in p else None,
            bound=float(bounds[row.formulation]) if row.formulation in p else None,
            measured=None if row.shift is None else -row.shift if slower else row.shift,
        )
        for row in rows
    )


def _verdict(p: float | None) -> AtLeastVerdict:
    if p is None:
        return "not-known"
    return "shown" if p < _LEVEL else "not-shown"


def _critical(dfs: NDArray[np.float64], rho: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the t values whose adjusted one-sided p is 5 %, each with its own df, by halving.

    They lie between those of one contrast alone and of the sum of all (Bonferroni).
    """
    low = np.asarray(stdtrit(dfs, 1.0 - _LEVEL))
    high = np.asarray(stdtrit(dfs, 1.0 - _LEVEL / max(dfs.size, 1)))
    for _ in range(_HALVINGS if dfs.size > 1 else 0):
        middle = (low + high) / 2.0
        above = many_to_one_p(middle, dfs, rho, one_sided=True) > _LEVEL
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    critical: NDArray[np.float64] = (low + high) / 2.0
    return critical
