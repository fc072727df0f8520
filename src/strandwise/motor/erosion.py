"""Erosive burning: a core that burns faster where gas streams along it.

A rate that grows with the gas flux beyond a threshold, r = r(P) + k·(G − G_th), on the aft part of
the grain, G = P·A_t/(c*·A_port): the open course "Propulsion", module 20, worked example 4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from strandwise.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["ErosiveBurning"]


@dataclass(frozen=True, kw_only=True, slots=True)
class ErosiveBurning:
    """How a propellant burns faster in a stream of gas.

    Parameters
    ----------
    threshold_flux
        G_th, gas flux through the port from which it does, kg/(m²·s).
    coefficient
        k, m/s of burn rate for each kg/(m²·s) beyond the threshold (m³/kg).
    area_share
        Share of the burning area that it happens on, above 0 up to 1.

    Raises
    ------
    DataError
        A value is out of range.
    """

    threshold_flux: float
    coefficient: float
    area_share: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.threshold_flux) and self.threshold_flux >= 0.0):
            msg = f"a threshold of {self.threshold_flux:g} kg/(m²·s) for erosive burning"
            raise DataError(msg, expected="0 or more")
        if not 0.0 <= self.coefficient < math.inf:
            msg = f"a coefficient of {self.coefficient:g} m³/kg for erosive burning"
            raise DataError(msg, expected="0 or more")
        if not 0.0 < self.area_share <= 1.0:
            msg = f"erosive burning on {self.area_share:g} of the area"
            raise DataError(msg, expected="a share above 0, up to 1")

    @property
    def gain(self) -> float:
        """Rise of the mean burn rate per gas flux beyond the threshold, m³/kg."""
        return self.coefficient * self.area_share

    def extra_rate(self, flux: ArrayLike) -> NDArray[np.float64]:
        """How much faster the burning area recedes on the whole, m/s.

        Parameters
        ----------
        flux
            Gas flux through the port where all gas passes, kg/(m²·s), of any shape.
        """
        beyond = np.asarray(flux, dtype=np.float64) - self.threshold_flux
        return np.asarray(self.gain * np.maximum(beyond, 0.0))
