"""How large the chamber is, by how fast it empties after burnout.

Without a flame p falls as exp(−t/τ), τ = V/(Γ² c* A_t), while the throat is choked (gas law with
R·T = (Γc*)², Sutton & Biblarz, Rocket Propulsion Elements, from memory). A surface that dies
away (an uneven web, slivers) makes the fall long or no exponential, and then nothing is told; a
slow gauge would not show, so that what was assumed of the chamber stays within two standard
uncertainties.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.motor import propellant_volume
from strandwise.reduction.assumptions import ASSUMED_GAMMA
from strandwise.reduction.swept import vandenkerckhove

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.case import Case
    from strandwise.reduction.readings import Reading

    Floats = NDArray[np.float64]

__all__ = [
    "by_tail_off",
    "emptied_volume",
    "least_emptying_time",
    "steady_pace",
    "volume_cautions",
]

_BETWEEN = (0.8, 0.4, 0.2)  # of the level at burnout: two stretches whose pace is compared
_LEAST_SAMPLES = 4  # in each
_STRAIGHT = 1.15  # largest ratio of the two paces; of a dying surface it is 1.3 and more
_LONGEST = 0.025  # of the burn time, the fall from 80 to 20 %
_CHOKED = 2.0  # times ambient; below it the throat is not choked for every γ
_EMPTIED_SD = (
    0.1  # of the whole chamber: the gas cools as it expands, γ; common practice, no source
)
_FAR_OFF = 2.0  # standard uncertainties of what is assumed
# High ones of solid propellants, kg/m³ and m/s, where none is known: they give the shortest time.
_HIGH_DENSITY, _HIGH_C_STAR = 2200.0, 1600.0


def emptied_volume(
    time: Floats,
    pressure: Floats,
    *,
    burn_time: float,
    web_burnout: float,
    ambient: float,
    throat_area: float,
    characteristic_velocity: float,
    gamma: float,
) -> float | None:
    """Return the volume of the chamber without propellant, m³, from the tail-off.

    Parameters
    ----------
    time, pressure
        Rising s; absolute, Pa; shape (N,).
    burn_time, web_burnout
        s.
    ambient
        Pa.
    throat_area, characteristic_velocity, gamma
        At burnout, m²; m/s; 1.

    Returns
    -------
    float or None
        None where the fall is sampled too coarsely, is not exponential, is not choked, or takes so
        long that a web of uneven thickness is as likely: near n = 0.5 its fall is exponential too.
    """
    level = float(np.interp(web_burnout, time, pressure))
    if _BETWEEN[-1] * level < _CHOKED * ambient:
        return None
    begin = int(np.searchsorted(time, web_burnout))
    pace = steady_pace(time, pressure, begin=begin, level=level, most=_STRAIGHT)
    if pace is None or math.log(_BETWEEN[0] / _BETWEEN[-1]) > _LONGEST * burn_time * pace:
        return None
    return vandenkerckhove(gamma) ** 2 * characteristic_velocity * throat_area / pace


def least_emptying_time(case: Case, *, pressure_integral: float, c_star: float | None) -> float:
    """Return the shortest time constant, s, with which the chamber can empty after burnout.

    The space that the propellant left has to empty through the throat, τ = V/(Γ² c* A_t); what
    else the chamber holds only makes it slower. Without a nozzle the throat is the one that makes
    the firing's pressure, A_t = c* m / ∫ p dt.

    Parameters
    ----------
    case
        The firing.
    pressure_integral
        ∫ p dt over the action, Pa·s.
    c_star
        By mass, of the firing itself, m/s; None where unknown. The higher of it and the one
        known for the propellant is used, as a burst leaves it too low.
    """
    firing = case.firing
    volume = float(propellant_volume(firing.grain))
    flow = vandenkerckhove(ASSUMED_GAMMA if case.gamma is None else case.gamma) ** 2
    known = case.characteristic_velocity
    if firing.nozzle is None:
        mass = _HIGH_DENSITY * volume if case.mass is None else case.mass
        velocity = _HIGH_C_STAR if known is None else known
        return volume * pressure_integral / (flow * velocity**2 * mass)
    velocity = max(c_star or 0.0, _HIGH_C_STAR if known is None else known)
    area = max(firing.nozzle.throat_area, firing.nozzle.throat_area_after)
    return (volume + (firing.free_volume or 0.0)) / (flow * velocity * area)


def steady_pace(
    time: Floats, signal: Floats, *, begin: int, level: float, most: float
) -> float | None:
    """Return how fast the logarithm of a signal falls, 1/s, where that is steady.

    Parameters
    ----------
    time, signal
        Rising s; any unit; shape (N,).
    begin
        First sample of the fall.
    level
        Before it, in the unit of the signal.
    most
        Ratio of the paces from 80 to 40 % and from 40 to 20 % of the level, either way.

    Returns
    -------
    float or None
        None where the two differ more, or one is sampled too coarsely.
    """
    cuts = []
    for share in _BETWEEN:
        under = np.flatnonzero(signal[begin:] < share * level)
        if not len(under):
            return None
        cuts.append(begin + int(under[0]))
    high, low, whole = (_pace(time[a:b], signal[a:b]) for a, b in (cuts[:2], cuts[1:], cuts[::2]))
    if high is None or low is None or whole is None or not 1.0 / most < low / high < most:
        return None
    return whole


def _pace(t: Floats, p: Floats) -> float | None:
    """Return how fast ln p falls, 1/s, weighed for noise of equal size in p; None of too few."""
    if len(t) < _LEAST_SAMPLES or float(np.min(p)) <= 0.0:
        return None
    weights = p**2 / np.sum(p**2)
    dt, y = t - float(weights @ t), np.log(p)
    pace = -float(weights @ (dt * y)) / float(weights @ dt**2)
    return pace if pace > 0.0 else None


def by_tail_off(free: Reading, case: Case, emptied: float | None) -> Reading:
    """Return the free volume before the burn as the tail-off shows it, m³.

    Parameters
    ----------
    free
        As recorded or assumed, m³.
    case
        The firing.
    emptied
        As of `emptied_volume`, m³.

    Returns
    -------
    Reading
        `free` itself where it is recorded or the tail-off does not tell it.
    """
    if emptied is None or case.firing.free_volume is not None:
        return free
    volume = emptied - float(propellant_volume(case.firing.grain))
    if volume <= 0.0:
        return free
    sd = max(_EMPTIED_SD * emptied, abs(volume - free.value) / _FAR_OFF)
    return replace(free, value=volume, sd=sd, basis="from the trace")


def volume_cautions(free: Reading, case: Case, emptied: float | None) -> tuple[Caution, ...]:
    """Warn where the tail-off shows a chamber far larger than the grain's record suggests.

    Parameters
    ----------
    free, case, emptied
        As of `by_tail_off`.
    """
    shown = by_tail_off(free, case, emptied)
    if shown.value <= free.value + _FAR_OFF * free.sd:
        return ()
    found, recorded = (case.wording.size(one.value, "m³") for one in (shown, free))
    text = (
        f"after burnout the pressure falls as from a chamber with {found} free "
        f"before the burn, where the grain's record suggests {recorded}: the "
        "former is used for the rate within the burn, its exponent among it; a slow gauge shows "
        "the same. Measure the volume (fill the chamber, grain in, with water) and record "
        "free_volume"
    )
    return (Caution("free-volume-unlike", text),)
