"""Burn rates and mean pressures of one firing, as pure functions of arrays.

Sources: burn rate = web / burn time, NASA SP-8039 (1971) p. 77; time-mean and rate-mean
pressures, DeLuca et al., NATO RTO-MP-091 paper 35 (nomenclature); mass balance and experimental
c*, Fry, CPIA CPTR-75 (2002), formulas from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError
from strandwise.motor import burning_area, web
from strandwise.reduction.signals import integral_between, window

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.motor import Grain

    Floats = NDArray[np.float64]

__all__ = ["Rates", "rates_from_arrays", "shape_mismatch"]

_LARGEST_EXPONENT = 0.8  # towards 1 the expected pressure loses its meaning


@dataclass(frozen=True, kw_only=True, slots=True)
class Rates:
    """Means and rates over one burn.

    Parameters
    ----------
    mean_pressure, rate_mean_pressure
        Pa: time-mean, and ((1/t_b) ∫ pⁿ dt)^(1/n), both over the burn time.
    thickness_over_time, mass_balance
        m/s: w/t_b, and w/t_b times the share of ∫ p A_t dt that falls within the burn time.
    pressure_throat_integral
        ∫ p A_t dt over the action time, N·s.
    """

    mean_pressure: float
    rate_mean_pressure: float
    thickness_over_time: float
    mass_balance: float
    pressure_throat_integral: float


def rates_from_arrays(
    time: Floats,
    pressure: Floats,
    throat_area: Floats | float,
    *,
    ignition: float,
    web_burnout: float,
    end: float,
    web_thickness: float,
    exponent: float,
) -> Rates:
    """Return thickness-over-time and mass-balance rates with their mean pressures.

    For r = a pⁿ the thickness-over-time rate is exactly a times the rate-mean pressure to the
    n; the time-mean would overstate the pressure of a trace that is not neutral. For |n| below
    1e-6 the rate-mean is its limit, the geometric mean.

    Parameters
    ----------
    time
        Rising, s; shape (N,).
    pressure
        Absolute, Pa, above 0; shape (N,).
    throat_area
        m², one value or shape (N,).
    ignition, web_burnout, end
        s, in that order, within `time`.
    web_thickness
        m.
    exponent
        n of the rate law, 1.

    Returns
    -------
    Rates

    Raises
    ------
    DataError
        The instants are not in order, or the pressure is not above 0 within them.
    """
    if not ignition < web_burnout <= end:
        msg = f"ignition {ignition:g} s, web burnout {web_burnout:g} s, end {end:g} s"
        raise DataError(msg, expected="three instants in that order")
    t, p = window(time, pressure, ignition, web_burnout)
    if not np.all(p > 0.0):
        share = 100.0 * float(np.min(p)) / float(np.max(np.abs(p)) or 1.0)
        msg = f"an absolute pressure of {share:.3g} % of the highest during the burn"
        raise DataError(
            msg, expected="above 0", hint="check whether readings are gauge or absolute"
        )
    burn = web_burnout - ignition
    if abs(exponent) < 1e-6:
        rate_mean = float(np.exp(np.trapezoid(np.log(p), t) / burn))
    else:
        reference = float(np.max(p))
        powered = float(np.trapezoid((p / reference) ** exponent, t)) / burn
        rate_mean = reference * powered ** (1.0 / exponent)
    flow = pressure * throat_area
    within = integral_between(time, flow, ignition, web_burnout)
    whole = integral_between(time, flow, ignition, end)
    rate = web_thickness / burn
    return Rates(
        mean_pressure=float(np.trapezoid(p, t)) / burn,
        rate_mean_pressure=rate_mean,
        thickness_over_time=rate,
        mass_balance=rate * within / whole,
        pressure_throat_integral=whole,
    )


def shape_mismatch(
    grain: Grain,
    time: Floats,
    pressure: Floats,
    *,
    ignition: float,
    web_burnout: float,
    exponent: float,
) -> float:
    """Return how far the pressure's course is from what the grain's burning area asks for.

    With x the depth that ∫ pⁿ dt gives, the quasi-steady balance asks for
    p ∝ A_b(x)^(1/(1−n)); the result is the root mean square of ln p minus ln of that, over the
    burn without its first and last twentieth, the constant taken out.

    Parameters
    ----------
    grain
        Sizes in m.
    time, pressure
        s and absolute Pa; shape (N,).
    ignition, web_burnout
        s.
    exponent
        n; taken as no more than 0.8.

    Returns
    -------
    float
        1; 0.1 is a difference of about 10 %.
    """
    n = min(exponent, _LARGEST_EXPONENT)
    t, p = window(time, pressure, ignition, web_burnout)
    relative = p / float(np.max(p))
    steps = np.diff(t) * (relative[1:] ** n + relative[:-1] ** n) / 2.0
    grown = np.concatenate([[0.0], np.cumsum(steps)])
    depth = web(grain) * grown / grown[-1]
    area = burning_area(grain, depth)
    margin = 0.05 * (web_burnout - ignition)
    inner = (t > ignition + margin) & (t < web_burnout - margin) & (area > 0.0)
    if np.count_nonzero(inner) < 4:
        return 0.0
    off = np.log(relative[inner]) - np.log(area[inner]) / (1.0 - n)
    return float(np.std(off))
