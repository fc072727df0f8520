"""Monte Carlo twin of the budget: all readings of a firing moved at once, at random.

After JCGM 101:2008: each reading is drawn from a normal distribution with its standard uncertainty,
the whole chain is run again, and the result is what comes out, with no derivative. It serves where
the first order may not hold: large uncertainties, readings near a limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.progress import steps
from strandwise.reduction.budget import FiringBudget, budget_of, logarithms
from strandwise.units import digits_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.chain import Chain

    Floats = NDArray[np.float64]

__all__ = ["Drawn", "MonteCarlo", "monte_carlo"]

_LEAST_KEPT = 0.5
_DIFFERS = 0.10


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawn:
    """Distribution of one quantity, in its own SI unit.

    Parameters
    ----------
    median, low, high
        Median, and ends of the 95 % interval.
    relative_sd
        Standard deviation of its logarithm, 1.
    first_order_sd
        The budget's figure for the same, 1.
    """

    median: float
    low: float
    high: float
    relative_sd: float
    first_order_sd: float


@dataclass(frozen=True, kw_only=True, slots=True)
class MonteCarlo:
    """What a firing gives when all its readings are moved at once.

    Parameters
    ----------
    rate, pressure, characteristic_velocity
        m/s, Pa, m/s; the last None where there is no c*.
    draws, impossible
        Runs, and those among them whose readings were impossible together and were left out.
    differences
        Where it differs from the first order by more than a tenth and more than chance, in
        sentences; empty where the budget may be trusted.
    """

    rate: Drawn
    pressure: Drawn
    characteristic_velocity: Drawn | None
    draws: int
    impossible: int
    differences: tuple[str, ...]


def monte_carlo(chain: Chain, *, draws: int, seed: int) -> MonteCarlo:
    """Run the whole chain with all readings drawn at random.

    Parameters
    ----------
    chain
        Its readings and the way from them to the result.
    draws
        Runs, at least 100.
    seed
        The same seed gives the same result.

    Returns
    -------
    MonteCarlo

    Raises
    ------
    DataError
        Fewer than 100 draws, or more than half of them impossible.
    """
    if draws < 100:
        msg = f"a Monte Carlo of {draws} draws"
        raise DataError(msg, expected="at least 100")
    rng = np.random.default_rng(seed)
    keys = [reading.key for reading in chain.readings]
    centre = np.array([reading.value for reading in chain.readings])
    spread = np.array([reading.sd for reading in chain.readings])
    table = centre + spread * rng.standard_normal((draws, len(keys)))
    kept = []
    for row in steps(list(table), f"drawing the readings of {chain.case.firing.test}"):
        try:
            outcome = chain.run(dict(zip(keys, (float(v) for v in row), strict=True)))
            kept.append(logarithms(outcome, None)[:3])
        except (DataError, ValueError):
            continue
    if len(kept) < _LEAST_KEPT * draws:
        msg = f"{draws - len(kept)} of {draws} draws were impossible"
        raise DataError(
            msg,
            expected="fewer than half",
            hint="a reading's standard uncertainty is as large as the reading",
        )
    return _summary(np.array(kept), budget_of(chain, chain.run({})), draws)


def _summary(values: Floats, budget: FiringBudget, draws: int) -> MonteCarlo:
    first_order = (budget.rate_sd, budget.pressure_sd, budget.c_star_sd or 0.0)
    drawn: list[Drawn | None] = []
    differences = []
    for name, column, expected in zip(
        ("burn rate", "pressure", "c*"), values.T, first_order, strict=True
    ):
        if not np.all(np.isfinite(column)):
            drawn.append(None)
            continue
        sd = float(np.std(column, ddof=1))
        low, median, high = (float(v) for v in np.exp(np.percentile(column, [2.5, 50.0, 97.5])))
        drawn.append(
            Drawn(median=median, low=low, high=high, relative_sd=sd, first_order_sd=expected)
        )
        chance = 3.0 / math.sqrt(2.0 * len(column))
        if abs(sd - expected) > max(_DIFFERS, chance) * max(expected, 1e-12):
            differences.append(
                f"{name}: the standard uncertainty is {digits_text(100.0 * sd)} % when all "
                f"readings move at once and {digits_text(100.0 * expected)} % by first order: "
                "trust the former"
            )
    rate, pressure, c_star = drawn
    assert rate is not None
    assert pressure is not None
    return MonteCarlo(
        rate=rate,
        pressure=pressure,
        characteristic_velocity=c_star,
        draws=draws,
        impossible=draws - len(values),
        differences=tuple(differences),
    )
