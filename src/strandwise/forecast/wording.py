"""How the texts of a forecast write its quantities, so that each reader sees the own units."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["IN_SI", "Wording"]


@dataclass(frozen=True, slots=True)
class Wording:
    """Quantities in SI as text with their unit.

    Parameters
    ----------
    pressure
        Absolute pressure, Pa.
    limit
        The same of a case's stated limit, which is told to more digits.
    velocity
        Of the gas, m/s.
    flux
        Of gas through a port, kg/(m²·s).
    temperature
        K, to the degree.
    volume
        m³.
    """

    pressure: Callable[[float], str]
    limit: Callable[[float], str]
    velocity: Callable[[float], str]
    flux: Callable[[float], str]
    temperature: Callable[[float], str]
    volume: Callable[[float], str]


IN_SI = Wording(
    pressure=lambda value: f"{value / 1e6:.3g} MPa",
    limit=lambda value: f"{value / 1e6:.4g} MPa",
    velocity=lambda value: f"{value:.0f} m/s",
    flux=lambda value: f"{value:.0f} kg/(m²·s)",
    temperature=lambda value: f"{value - 273.15:.0f} °C",
    volume=lambda value: f"{value * 1e6:.3g} cm³",
)
"""For programs that name no reader."""
