"""Whether a shift has been shown to be small, which not having seen one does not show."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from scipy.special import stdtr, stdtrit

from strandwise.errors import DataError

if TYPE_CHECKING:
    from strandwise.tracking.comparison import Comparison, FormulationShift

__all__ = ["Equivalence", "EquivalenceVerdict", "equivalence", "log_shift"]

_LEVEL = 0.05

EquivalenceVerdict = Literal["within", "beyond", "not-shown", "not-known"]


@dataclass(frozen=True, kw_only=True)
class Equivalence:
    """Two one-sided tests of one formulation's shift against a margin.

    Parameters
    ----------
    formulation, baseline
        What is compared with what.
    margin
        Largest change of the burn rate, as a fraction, that counts as no effect.
    verdict
        ``within``: shown at the 5 % level to change the rate by no more than the margin;
        ``beyond``: shown to change it by more; ``not-shown``: neither; ``not-known``: the data
        give no interval.
    p
        Larger of the two one-sided p-values of "changes the rate by the margin or more".
    ci90
        90 % interval of the shift as a fraction: inside ±margin exactly where p < 0.05.
    largest_change
        The shift is no larger than this either way, at 95 % confidence: the far end of `ci90`.
    """

    formulation: str
    baseline: str
    margin: float
    verdict: EquivalenceVerdict
    p: float | None
    ci90: tuple[float, float] | None
    largest_change: float | None


def equivalence(comparison: Comparison, margin: float) -> tuple[Equivalence, ...]:
    """Ask of each formulation whether its effect on the burn rate is shown to be small.

    Two one-sided t tests at 5 % each, at ln(1 − margin) and ln(1 + margin), on the standard
    error and the degrees of freedom of the comparison. The margin is to be chosen before the
    data are seen. Each formulation is judged alone: the level is not divided among them.

    Parameters
    ----------
    comparison
        From `compare_formulations`.
    margin
        Fraction of the baseline's rate, above 0 and below 1.

    Returns
    -------
    One for each formulation other than the baseline, in the comparison's order.

    Raises
    ------
    DataError
        The margin is out of range.

    References
    ----------
    D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 (from memory).
    """
    if not 0.0 < margin < 1.0:
        msg = f"a margin of {100.0 * margin:.3g} % of the burn rate cannot be asked about"
        raise DataError(msg, expected="more than 0 % and less than 100 %")
    return tuple(
        _judge(row, comparison.baseline, margin)
        for row in comparison.formulations
        if row.formulation != comparison.baseline
    )


def log_shift(row: FormulationShift) -> tuple[float, float, float] | None:
    """Return a shift in ln r, its standard error and degrees of freedom; None where not known."""
    df, interval = row.degrees_of_freedom, row.shift_ci95
    if row.shift is None or interval is None or df is None or min(row.shift, *interval) <= -1.0:
        return None
    # The interval holds the standard error; it is symmetric in ln r.
    half_width = (math.log1p(interval[1]) - math.log1p(interval[0])) / 2.0
    return math.log1p(row.shift), half_width / float(stdtrit(df, 0.975)), df


def _judge(row: FormulationShift, baseline: str, margin: float) -> Equivalence:
    found = log_shift(row)
    if found is None:
        return Equivalence(
            formulation=row.formulation,
            baseline=baseline,
            margin=margin,
            verdict="not-known",
            p=None,
            ci90=None,
            largest_change=None,
        )
    value, sd, df = found
    low, high = math.log1p(-margin), math.log1p(margin)
    p = max(_tail(low - value, sd, df), _tail(value - high, sd, df))
    reach = float(stdtrit(df, 1.0 - _LEVEL)) * sd
    ci90 = (math.expm1(value - reach), math.expm1(value + reach))
    verdict: EquivalenceVerdict = "not-shown"
    if p < _LEVEL:
        verdict = "within"
    elif ci90[0] > margin or ci90[1] < -margin:
        verdict = "beyond"
    return Equivalence(
        formulation=row.formulation,
        baseline=baseline,
        margin=margin,
        verdict=verdict,
        p=p,
        ci90=ci90,
        largest_change=max(map(abs, ci90)),
    )


def _tail(distance: float, sd: float, df: float) -> float:
    """P(T > −distance/sd): small where the value lies well inside the bound."""
    if sd == 0.0:
        return 0.0 if distance < 0 else 1.0
    return float(stdtr(df, distance / sd))
