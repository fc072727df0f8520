"""Whether a firing's pressure was lost faster than the chamber can empty through its throat.

Where the throat alone lets the gas out p falls as exp(−t/τ), τ = V/(Γ² c* A_t) (gas law with
R·T = (Γc*)², Sutton & Biblarz, Rocket Propulsion Elements, from memory), and slower where anything
still burns: a faster fall means that the chamber was opened. That c* by mass is far too low says
the same where the samples stand too far apart to tell. The limits are our own; no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from strandwise.findings import Caution
from strandwise.reduction.emptying import least_emptying_time
from strandwise.reduction.signals import integral_between

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from strandwise.reduction.case import Case
    from strandwise.reduction.results import Events, FiringReduction

    Floats = NDArray[np.float64]

__all__ = ["Fall", "fall_of", "last_fall", "lost_cautions", "with_loss"]

_STILL_HIGH = 0.3  # of the peak; the last fall is from above it
_GONE = 0.25  # of the level that it fell from
_RESIDUE = 0.02  # of the peak; below it zero and noise make the reading
_WINDOW = 2.0  # emptying times, either way of the last high sample
_MOST_SAMPLES = 400
# Times what the throat lets out: the gas cools as it expands (γ, up to 1.25), walls cool it too.
_TOO_FAST = 1.5
_RESOLVED_FALL = 1.1  # of honest ends; simulated ones reach 1.07, own computation
_FEW_SAMPLES = 2
_LOST_C_STAR = 0.6  # of what the propellant can give; below it a sudden end left propellant unburnt
_TOLD_BY_THRUST = 2.0  # times ambient; below it the throat is not choked and thrust tells little


@dataclass(frozen=True, kw_only=True, slots=True)
class Fall:
    """The last fall of the pressure from a high level to near ambient.

    Parameters
    ----------
    begin, duration
        s; of the two samples that enclose it.
    samples
        From the one to the other.
    share
        Of the peak above ambient, where it began.
    emptying
        How long the throat would take for it at least, s.
    """

    begin: float
    duration: float
    samples: int
    share: float
    emptying: float

    @property
    def impossible(self) -> bool:
        """Whether no chamber of this size empties so fast through its throat."""
        return self.emptying > _TOO_FAST * self.duration

    @property
    def sudden(self) -> bool:
        """Whether the sampling, or the speed, leaves it open that the chamber was opened."""
        return self.samples <= _FEW_SAMPLES or self.emptying > _RESOLVED_FALL * self.duration


def last_fall(
    time: Floats,
    pressure: Floats,
    *,
    start: float,
    end: float,
    ambient: float,
    least: float,
    emptying: float,
) -> Fall | None:
    """Return the part of the last fall that is fastest for a chamber that only empties.

    Between two samples ln p cannot fall by more than their distance over the emptying time, where
    the throat alone lets the gas out: p falls as exp(−t/τ), slower once it is no longer choked.

    Parameters
    ----------
    time, pressure
        Rising s; absolute, Pa; shape (N,).
    start, end
        Of the action, s.
    ambient
        Pa.
    least
        Pressure below which the readings tell nothing, Pa.
    emptying
        Time constant τ, s, at the least.

    Returns
    -------
    Fall or None
        None where the pressure does not fall from above 30 % of its peak to a quarter of that.
    """
    z = pressure - ambient
    inside = np.flatnonzero((time >= start) & (time <= end))
    if len(inside) < _FEW_SAMPLES:
        return None
    peak = float(np.max(z[inside]))
    step = float(np.median(np.diff(time[inside])))
    last = int(inside[z[inside] > _STILL_HIGH * peak][-1])
    reach = int(np.clip(_WINDOW * emptying / step, _FEW_SAMPLES + 1, _MOST_SAMPLES))
    a = np.arange(max(last - reach, int(inside[0])), last + 1)
    a = a[z[a] > _STILL_HIGH * peak]
    b = np.arange(last + 1, min(last + 1 + reach, len(time)))
    if not len(b):
        return None
    floor = max(least, ambient + _RESIDUE * peak)
    needed = emptying * np.log(pressure[a, None] / np.maximum(pressure[b], floor))
    # A logger that hands its samples on in packets stamps some of them too close to each other.
    took = np.maximum(time[b] - time[a, None], 0.9 * step * (b - a[:, None]))
    speed = np.where(z[b] <= _GONE * z[a, None], needed / took, 0.0)
    i, j = np.unravel_index(int(np.argmax(speed)), speed.shape)
    if speed[i, j] <= 0.0:
        return None
    return Fall(
        begin=float(time[a[i]]),
        duration=float(took[i, j]),
        samples=int(b[j] - a[i]),
        share=float(z[a[i]]) / peak,
        emptying=float(needed[i, j]),
    )


def lost_cautions(fall: Fall | None, c_star_share: float | None) -> tuple[Caution, ...]:
    """Warn where the chamber was opened while propellant still burnt.

    Parameters
    ----------
    fall
        As of `last_fall`.
    c_star_share
        c* by mass over what the propellant is known to give, 1; None where either is unknown.

    Returns
    -------
    tuple of Caution
        ``burst``, or none.
    """
    if fall is None:
        return ()
    lost = c_star_share is not None and c_star_share < _LOST_C_STAR and fall.sudden
    if not (fall.impossible or lost):
        return ()
    took = f"{fall.samples} sample{'s' if fall.samples > 1 else ''} ({_ms(fall.duration)})"
    text = (
        f"burst? The pressure is lost within {took} at {fall.begin:.3f} s, from "
        f"{100.0 * fall.share:.0f} % of its peak"
    )
    if fall.impossible:
        text += f", where the throat alone would take {_ms(fall.emptying)} to let the gas out"
    if c_star_share is not None and c_star_share < _LOST_C_STAR:
        text += (
            f", and c* by mass is {100.0 * c_star_share:.0f} % of what the propellant can give, as "
            "when part of it did not burn in the chamber"
        )
    text += (
        ": so ends a firing when a case, a closure or a nozzle lets go. If so, no web burnt "
        "through then and there is no burn time, and no rate, in this trace. If the motor is "
        "whole, the throat, the mass or the grain is recorded wrong"
    )
    return (Caution("burst", text),)


def _ms(seconds: float) -> str:
    return f"{1e3 * seconds:.2g} ms" if seconds < 0.1 else f"{1e3 * seconds:.0f} ms"


def fall_of(
    case: Case,
    time: Floats,
    pressure: Floats,
    events: Events,
    *,
    c_star: float | None,
    by_thrust: bool,
) -> Fall | None:
    """Return the last fall of a firing's pressure, with the time that its own throat needs.

    Parameters
    ----------
    case
        The firing.
    time, pressure
        Rising s; absolute, Pa; shape (N,).
    events
        Of the firing.
    c_star
        By mass, of the firing itself, m/s; None where unknown.
    by_thrust
        Whether the pressure is from thrust.
    """
    ambient = case.surroundings.ambient
    whole = integral_between(time, pressure, events.ignition, events.end)
    return last_fall(
        time,
        pressure,
        start=events.ignition,
        end=events.end,
        ambient=ambient,
        least=_TOLD_BY_THRUST * ambient if by_thrust else ambient,
        emptying=least_emptying_time(case, pressure_integral=whole, c_star=c_star),
    )


def with_loss(case: Case, result: FiringReduction, fall: Fall | None) -> FiringReduction:
    """Say whether the motor burst, by what its own throat lets out where that can be told.

    Parameters
    ----------
    case, fall
        The firing, and its `fall_of`.
    result
        With the cautions of its trace, and its c*.
    """
    c_star, known = result.characteristic_velocity, case.characteristic_velocity
    lost = lost_cautions(fall, None if c_star is None or not known else c_star / known)
    # The trace alone knows no motor: what its rule says stands where the motor leaves it open.
    if not lost and fall is not None and (fall.sudden or case.firing.nozzle is None):
        return result
    # A few coarse samples of a loss look like the decline of an uneven web.
    replaced = {"burst"} if fall is not None else set()
    if lost:
        replaced.add("uneven-burnout")
    others = [caution for caution in result.cautions if caution.code not in replaced]
    return replace(result, cautions=(*others, *lost))
