"""The uncertainty of one firing, reading by reading: which to improve first.

First order by the GUM (JCGM 100:2008): each reading is moved by one standard uncertainty up and
down through the whole chain and half the difference is its part (5.1.3, note 2, and 5.1.2); the
parts add as squares. `montecarlo` moves all of them at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.units import digits_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.chain import Chain, Outcome
    from strandwise.reduction.readings import Reading

    Floats = NDArray[np.float64]

__all__ = ["BudgetRow", "FiringBudget", "budget_of", "logarithms"]

# Readings that one campaign's firings have in common: gas, way of making nozzles, and the channel.
_COMMON = frozenset({"efficiency", "exit", "flow", "gamma", "half-angle", "scale"})
_QUANTITIES = 5  # ln rate, ln pressure, ln c*, ln swept rate at p₀, swept exponent


@dataclass(frozen=True, kw_only=True, slots=True)
class BudgetRow:
    """What one reading does to the result.

    Parameters
    ----------
    reading
        Its name, value, standard uncertainty and where that comes from.
    rate_effect, pressure_effect, c_star_effect
        Relative change by one standard uncertainty of the reading, with its sign; the last None
        where there is no c*.
    exponent_effect
        Change of the swept exponent; None without one.
    law_effect
        Relative change of the rate against a law r = a pⁿ: `rate_effect` − n · `pressure_effect`.
    rate_share, pressure_share, c_star_share, law_share
        Part of the variance of each, 0 to 1.
    """

    reading: Reading
    rate_effect: float
    pressure_effect: float
    c_star_effect: float | None
    exponent_effect: float | None
    law_effect: float
    rate_share: float
    pressure_share: float
    c_star_share: float | None
    law_share: float


@dataclass(frozen=True, kw_only=True, slots=True)
class FiringBudget:
    """Where the uncertainty of a firing comes from.

    Parameters
    ----------
    test
        Name of the firing.
    rows
        Largest share of `law_sd` first.
    rate_sd, pressure_sd, c_star_sd
        Relative standard uncertainties, 1; the last None where there is no c*.
    law_sd
        Of the rate against a law r = a pⁿ, relative: what the point is worth to a fit.
    exponent
        n used for it.
    swept_covariance
        Of (ln r₀, n) of the swept rate, shape (2, 2): the readings' errors are the same for every
        sample of the firing, so that no number of samples makes them smaller. None without n.
    advice
        Which reading to improve first, in a sentence.
    """

    test: str
    rows: tuple[BudgetRow, ...]
    rate_sd: float
    pressure_sd: float
    c_star_sd: float | None
    law_sd: float
    exponent: float
    swept_covariance: Floats | None
    advice: str

    @property
    def correlation(self) -> float:
        """Of the errors of rate and pressure, which rest on common readings; 0 without errors."""
        if self.rate_sd == 0.0 or self.pressure_sd == 0.0:
            return 0.0
        common = sum(row.rate_effect * row.pressure_effect for row in self.rows)
        return max(-1.0, min(1.0, common / (self.rate_sd * self.pressure_sd)))

    @property
    def shared_law_sd(self) -> float:
        """The part of `law_sd` from what all firings have in common: gas, nozzle, channel."""
        shared = (row.law_effect for row in self.rows if row.reading.key in _COMMON)
        return math.sqrt(sum(effect**2 for effect in shared))


def logarithms(outcome: Outcome, reference: float | None) -> Floats:
    """Return ln rate, ln pressure, ln c*, ln swept rate at `reference` (Pa), swept exponent.

    NaN where there is none; shape (5,).
    """
    values = np.full(_QUANTITIES, np.nan)
    values[:2] = math.log(outcome.rate), math.log(outcome.pressure)
    if outcome.characteristic_velocity is not None:
        values[2] = math.log(outcome.characteristic_velocity)
    swept = outcome.swept
    if swept is not None and swept.exponent is not None and reference is not None:
        shift = math.log(reference / swept.reference_pressure)
        values[3] = math.log(swept.rate_at_reference) + swept.exponent * shift
        values[4] = swept.exponent
    return values


def budget_of(chain: Chain, nominal: Outcome) -> FiringBudget:
    """Return the first-order budget of a firing.

    Parameters
    ----------
    chain
        Its readings and the way from them to the result.
    nominal
        What the chain gives with the readings as they are.

    Returns
    -------
    FiringBudget

    Raises
    ------
    DataError
        A reading can be moved by its standard uncertainty neither up nor down.
    """
    exponent = chain.case.exponent
    effects = _effects(chain, nominal)
    law = effects[:, 0] - exponent * effects[:, 1]
    has_c_star = nominal.characteristic_velocity is not None
    has_exponent = nominal.swept is not None and nominal.swept.exponent is not None
    columns = [effects[:, 0], effects[:, 1], effects[:, 2], law]
    shares = [_shares(column) for column in columns]
    rows = [
        BudgetRow(
            reading=reading,
            rate_effect=float(effects[k, 0]),
            pressure_effect=float(effects[k, 1]),
            c_star_effect=float(effects[k, 2]) if has_c_star else None,
            exponent_effect=float(effects[k, 4]) if has_exponent else None,
            law_effect=float(law[k]),
            rate_share=float(shares[0][k]),
            pressure_share=float(shares[1][k]),
            c_star_share=float(shares[2][k]) if has_c_star else None,
            law_share=float(shares[3][k]),
        )
        for k, reading in enumerate(chain.readings)
    ]
    rows.sort(key=lambda row: row.law_share, reverse=True)
    sds = [float(np.sqrt(np.sum(column**2))) for column in columns]
    return FiringBudget(
        test=chain.case.firing.test,
        rows=tuple(rows),
        rate_sd=sds[0],
        pressure_sd=sds[1],
        c_star_sd=sds[2] if has_c_star else None,
        law_sd=sds[3],
        exponent=exponent,
        swept_covariance=effects[:, 3:].T @ effects[:, 3:] if has_exponent else None,
        advice=_advice(rows, sds[3], exponent),
    )


def _effects(chain: Chain, nominal: Outcome) -> Floats:
    """Return half the difference of up and down by one standard uncertainty, shape (R, 5).

    Where one side is impossible (a core wider than the grain) the other counts alone; 0 where
    there is no such quantity.
    """
    reference = None if nominal.swept is None else nominal.swept.reference_pressure
    middle = logarithms(nominal, reference)
    effects = np.zeros((len(chain.readings), _QUANTITIES))
    for k, reading in enumerate(chain.readings):
        sides = []
        for sign in (1.0, -1.0) if reading.sd > 0.0 else ():
            try:
                moved = chain.run({reading.key: reading.value + sign * reading.sd})
            except DataError:
                continue
            sides.append(sign * (logarithms(moved, reference) - middle))
        if not sides and reading.sd > 0.0:
            msg = f"{reading.name}: {reading.value:g} ± {reading.sd:g} {reading.unit}"
            raise DataError(msg, expected="a value that can be moved by its uncertainty")
        if not sides:
            continue
        known = np.isfinite(sides)
        total = np.sum(np.where(known, sides, 0.0), axis=0)
        effects[k] = total / np.maximum(np.sum(known, axis=0), 1)
    return effects


def _shares(effects: Floats) -> Floats:
    total = float(np.sum(effects**2))
    return effects**2 / total if total > 0.0 else np.zeros_like(effects)


def _advice(rows: list[BudgetRow], law_sd: float, exponent: float) -> str:
    if law_sd == 0.0:
        return "every reading is taken as exact: nothing to improve"
    first = rows[0]
    without = law_sd * math.sqrt(max(1.0 - first.law_share, 0.0))
    basis = "" if first.reading.basis == "stated" else f" ({first.reading.basis})"
    return (
        f"improve first: {first.reading.name}{basis}; against a law with exponent {exponent:.2g}, "
        "where errors of rate and pressure count together, the standard uncertainty is "
        f"{digits_text(100.0 * law_sd)} %: this reading makes {100.0 * first.law_share:.0f} % of "
        f"its variance, and without it {digits_text(100.0 * without)} % would be left"
    )
