"""The characteristic velocity that a campaign's firings speak for, and which of them may speak."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.distributions import stdtrit

if TYPE_CHECKING:
    from strandwise.records import Firing
    from strandwise.reduction import FiringReduction
    from strandwise.workflow.reducing import ReducedCampaign

__all__ = ["FiredGas", "gas_of_firings"]

# What makes the chamber's pressure, or the propellant that made it, another than was weighed.
_UNTRUE = {
    "burst": "it may have burst",
    "chuffing": "it chuffed",
    "saturated": "its pressure channel was at the end of its range",
}
_NO_GAUGE = {
    "thrust": "its pressure, and so its c*, is from the thrust and not from a gauge",
    "summary": "its pressure, and so its c*, was read by hand and not from a gauge's trace",
}
# Losses take a few per cent to a quarter of the equilibrium's c*, and nothing adds to it; common
# practice, no source.
_RATIO = (0.75, 1.02)
_SURE = 2.0
_UNLIKE = 0.25  # from the median of three and more, where no equilibrium judges
_FEWEST_TO_COMPARE = 3
# What c* differs by from one small motor to the next; a guess, worth so many firings.
_USUAL_SPREAD = 0.04
_WORTH = 4


@dataclass(frozen=True, kw_only=True, slots=True)
class FiredGas:
    """The mean c* of the firings that may be used, m/s.

    Parameters
    ----------
    velocity, sd
        Mean, and the standard uncertainty of one motor more; None where none may be used.
    firings
        Test and c* of each that it is the mean of, m/s.
    left_out
        Test of each other one with a c*, and why.
    """

    velocity: float | None
    sd: float | None
    firings: tuple[tuple[str, float], ...]
    left_out: tuple[tuple[str, str], ...]

    @property
    def spread(self) -> float | None:
        """Standard deviation of the firings' c*, m/s; None of fewer than two."""
        values = [value for _, value in self.firings]
        return float(np.std(values, ddof=1)) if len(values) > 1 else None


def gas_of_firings(
    reduced: ReducedCampaign, *, without: str | None = None, by_ratio: bool = True
) -> FiredGas:
    """Mean c* of the firings with a gauge whose rate points are used.

    Left out are firings that a person excluded, those whose point is not used, a burst, chuffing,
    a pressure cut off by its channel, and a c* that lies outside 75 to 102 % of the one known for
    the propellant or, of three firings and more, a quarter off their median.

    Parameters
    ----------
    reduced
        The campaign's points.
    without
        Name of a firing that is to be predicted, and so tells nothing itself.
    by_ratio
        Whether the c* known for the propellant judges; not where firings are to judge that.

    Notes
    -----
    The standard uncertainty is s √(1 + 1/n) of one more motor, widened to Student's t at 95 %.
    s² is pooled with a usual spread of 4 % that counts for four firings, a guess, since two or
    three firings that happen to agree show nothing (Gelman et al., Bayesian Data Analysis, scaled
    inverse χ² prior, from memory).
    """
    records = {firing.test: firing for firing in reduced.campaign.firings}
    kept: list[FiringReduction] = []
    left_out: list[tuple[str, str]] = []
    no_gauge: list[tuple[str, str]] = []
    for result in reduced.firings:
        if result.test == without or result.characteristic_velocity is None:
            continue
        if result.pressure_from != "gauge":
            no_gauge.append((result.test, _NO_GAUGE[result.pressure_from or "summary"]))
            continue
        why = _why_not(records[result.test], result, by_ratio=by_ratio)
        if why is None:
            kept.append(result)
        else:
            left_out.append((result.test, why))
    found = {r.test: r.characteristic_velocity for r in kept if r.characteristic_velocity}
    for test in _unlike(found):
        why = f"its c* is more than {100.0 * _UNLIKE:.0f} % off the median of the firings"
        left_out.append((test, why))
        del found[test]
    velocity = float(np.mean(list(found.values()))) if found else None
    return FiredGas(
        velocity=velocity,
        sd=None if velocity is None else _one_more(list(found.values())),
        firings=tuple(found.items()),
        left_out=(*left_out, *no_gauge),
    )


def _why_not(firing: Firing, result: FiringReduction, *, by_ratio: bool) -> str | None:
    if firing.exclude:
        return f"excluded: {firing.exclude}"
    if result.point is None:
        return result.why_no_point or "it gave no rate"
    if not result.point.used:
        return result.point.why_not or "it is not used"
    codes = {caution.code for caution in (*result.cautions, *result.point.cautions)}
    why = next((text for code, text in _UNTRUE.items() if code in codes), None)
    ratio, c_star = result.characteristic_velocity_ratio, result.characteristic_velocity
    if why is not None or not by_ratio or ratio is None or c_star is None:
        return why
    least, most = _RATIO
    give = 1.0 + _SURE * (result.characteristic_velocity_sd or 0.0) / c_star
    if least / give <= ratio <= most * give:
        return None
    return f"its c* is {100.0 * ratio:.0f} % of the one known for its propellant"


def _unlike(found: dict[str, float]) -> list[str]:
    if len(found) < _FEWEST_TO_COMPARE:
        return []
    middle = float(np.median(list(found.values())))
    return [test for test, value in found.items() if abs(value / middle - 1.0) > _UNLIKE]


def _one_more(values: list[float]) -> float:
    """Standard uncertainty of the next motor's c*, m/s."""
    count, mean = len(values), float(np.mean(values))
    squares = float(np.sum((np.array(values) / mean - 1.0) ** 2))
    df = _WORTH + count - 1
    pooled = math.sqrt((_WORTH * _USUAL_SPREAD**2 + squares) / df)
    return mean * pooled * math.sqrt(1.0 + 1.0 / count) * float(stdtrit(df, 0.975)) / 1.96
