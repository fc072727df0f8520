"""The rate point: what every reduced test comes down to."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from strandwise.findings import Caution
from strandwise.units import METRIC, Wording

__all__ = ["RatePoint", "without_impossible"]

# Guns end at about 800 MPa, motors and strand bombs at half of that; what burns in vacuum still
# makes some hundred Pa. Common practice, no source.
_PRESSURES = (100.0, 1e9)  # Pa
# A thousand times slower or some ten times faster than any strand or motor: another unit, or no
# burn from layer to layer. Common practice, no source.
_RATES = (1e-5, 1.0)  # m/s


@dataclass(frozen=True, kw_only=True, slots=True)
class RatePoint:
    """Burn rate of one test at one absolute pressure.

    Parameters
    ----------
    test, batch, formulation
        Names of the records it came from.
    kind
        How it was measured.
    pressure, pressure_sd
        Absolute pressure and its standard uncertainty, Pa; the latter None where nothing about
        it is known, and left to the scatter of the fit.
    rate, rate_sd
        Burn rate and its standard uncertainty, m/s; None as for the pressure.
    uncertainty
        Where the standard uncertainties come from, for a person: ``stated``,
        ``resolution``, ``frames``, ``scatter`` or a list of these.
    shared_sd
        Part of the relative standard uncertainty of the rate at its pressure that the other
        firings have in common (an assumed efficiency, γ, the calibration), so that no number of
        them averages it away; None where nothing about it is known.
    correlation
        Of the errors of pressure and rate, where both rest on one reading, such as the instants
        of a burn; 0 where they are independent.
    temperature
        Of the propellant before the burn, K.
    used, why_not
        Whether the point takes part in fits, and the reason where it does not.
    """

    test: str
    batch: str
    formulation: str
    kind: Literal["strand", "firing"]
    pressure: float
    pressure_sd: float | None
    rate: float
    rate_sd: float | None
    uncertainty: str
    shared_sd: float | None = None
    correlation: float = 0.0
    temperature: float | None = None
    used: bool = True
    why_not: str | None = None
    cautions: tuple[Caution, ...] = ()


def without_impossible(point: RatePoint, wording: Wording = METRIC) -> RatePoint:
    """Take a point out of the fits whose pressure or rate no propellant burns at.

    It comes back when the record is corrected, and in no other way; what a person left out before
    keeps that reason.

    Parameters
    ----------
    point
        As it was reduced.
    wording
        Units of the sentences.

    Returns
    -------
    RatePoint
        The same, or one not used, with the reason and a caution ``impossible-point``.
    """
    (low, high), (slow, fast) = _PRESSURES, _RATES
    if low <= point.pressure <= high and slow <= point.rate <= fast:
        return point
    if low <= point.pressure <= high:  # then it is the rate
        value = f"a burn rate of {wording.burn_rate(point.rate, 4)}"
        bounds = f"{wording.burn_rate(slow)} to {wording.burn_rate(fast)}"
    else:
        value = f"a pressure of {wording.signal(point.pressure, 'Pa', 4)}"
        bounds = f"{wording.signal(low, 'Pa')} to {wording.signal(high, 'Pa')}"
    why = f"{value} is impossible (outside {bounds}): correct the record"
    text = (
        f"{value} lies outside the {bounds} within which any propellant burns: the test is left "
        "out of every fit until its record is corrected; look for a slip of the unit or of the "
        "decimal point"
    )
    cautions = (*point.cautions, Caution("impossible-point", text, (point.test,)))
    if not point.used:
        return replace(point, cautions=cautions)
    return replace(point, used=False, why_not=why, cautions=cautions)
