"""Every law but the plain power law: one series at a time, or chosen by the evidence.

Importing this module takes about a second (it loads lmfit), so nothing else in the package does at
the top of a module.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from strandwise.progress import steps
from strandwise.ratelaw.assemble import rate_fit
from strandwise.ratelaw.choose import choose_law, solve_law
from strandwise.ratelaw.curves import fit_nonlinear
from strandwise.ratelaw.fit import reference_pressures
from strandwise.ratelaw.laws import law_named
from strandwise.ratelaw.outliers import with_outliers_named

if TYPE_CHECKING:
    from collections.abc import Sequence

    from strandwise.ratelaw.results import RateFit
    from strandwise.ratelaw.series import RateSeries

__all__ = ["fit_batches_nonlinear", "fit_nonlinear"]


def fit_batches_nonlinear(
    series: Sequence[RateSeries],
    *,
    law: str,
    reference_pressure: float | Sequence[float] | None = None,
    reference_temperature: float | None = None,
) -> list[RateFit]:
    """Fit a law to each series; as `strandwise.ratelaw.fit_batches`, any law.

    Parameters
    ----------
    series, reference_pressure, reference_temperature
        As there.
    law
        A name in `strandwise.ratelaw.LAWS`; ``segmented``, the power law with one to three breaks
        of its exponent, as many as the AICc supports; or ``auto``, the law that the points
        support, which each fit's `choice` then explains.

    Raises
    ------
    RequestError
        No such law.
    DataError
        A reference pressure that is not positive, or not one for each series; a series to which
        the law cannot be fitted.
    """
    if law not in ("segmented", "auto"):
        law_named(law)
    references = reference_pressures(series, reference_pressure)
    fits = []
    pairs = list(zip(series, references.tolist(), strict=True))
    for one, reference in steps(pairs, "fitting laws"):
        if law == "auto":
            choice, solution, reason = choose_law(one, reference, reference_temperature)
            fit = rate_fit(one, choice.law, reference, solution, reason)
            cautions = (*fit.cautions, *choice.cautions())
            fit = dataclasses.replace(fit, choice=choice, cautions=cautions)
        else:
            solution, reason = solve_law(one, law, reference, reference_temperature)
            fit = rate_fit(one, law, reference, solution, reason)
        fits.append(fit)
    return with_outliers_named(fits)
