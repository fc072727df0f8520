"""The rate point: what every reduced test comes down to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from strandwise.findings import Caution

__all__ = ["RatePoint"]


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
    temperature: float | None = None
    used: bool = True
    why_not: str | None = None
    cautions: tuple[Caution, ...] = ()
