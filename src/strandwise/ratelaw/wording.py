"""Numbers as the sentences about a law write them."""

from __future__ import annotations

__all__ = ["degrees", "millimetres_per_second", "number_text", "pressure_text"]

_PSI = 6894.757293168  # Pa; NIST SP 811, B.8
_ZERO_CELSIUS = 273.15
_LARGEST_PLAIN = 1e6


def number_text(value: float, decimals: int) -> str:
    """A number with a true minus sign."""
    return f"{value:.{decimals}f}".replace("-", "−")


def pressure_text(value: float) -> str:
    """A pressure (Pa) in MPa and psi, for readers whose units are not known here."""
    return f"{_three_digits(value / 1e6)} MPa ({_three_digits(value / _PSI)} psi)"


def millimetres_per_second(rate: float) -> str:
    """A burn rate (m/s) in mm/s."""
    return f"{_three_digits(rate * 1e3)} mm/s"


def degrees(kelvin: float) -> str:
    """A temperature (K) in degrees Celsius."""
    return f"{_three_digits(kelvin - _ZERO_CELSIUS)} °C".replace("-", "−")


def _three_digits(value: float) -> str:
    """Three significant digits, without a power of ten where there is a plain way to write them."""
    rounded = float(f"{value:.3g}")
    return f"{rounded:g}" if abs(rounded) < _LARGEST_PLAIN else f"{rounded:.0f}"
