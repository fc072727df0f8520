"""Quantities within sentences, in the units of the reader."""

from __future__ import annotations

import functools
import re
from dataclasses import dataclass

from strandwise.units.kinds import Kind, Unit
from strandwise.units.quantities import parse_unit
from strandwise.units.systems import parse_unit_choice, units_shown

__all__ = ["METRIC", "Wording", "symbol_of", "wording_in"]

_WRITTEN = {"degC": "°C", "degF": "°F"}
_POWERS = str.maketrans("23", "²³")
_MINUS = "\N{MINUS SIGN}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Wording:
    """The units in which sentences speak; every method takes SI and gives text with its unit.

    Parameters
    ----------
    pressure, force, velocity, length, mass, rate, temperature, density, area, volume
        `velocity` is that of the gas, `rate` that of the burning face.
    """

    pressure: Unit
    force: Unit
    velocity: Unit
    length: Unit
    mass: Unit
    rate: Unit
    temperature: Unit
    density: Unit
    area: Unit
    volume: Unit

    def signal(self, value: float, unit: str, digits: int = 3) -> str:
        """Return a signal in ``Pa`` or ``N`` as its reader has it: ``3.62 MPa``."""
        return _written(value, self.pressure if unit == "Pa" else self.force, digits)

    def press(self, value: float) -> str:
        """Return a pressure, Pa: ``3.62 MPa``."""
        return _written(value, self.pressure, 3)

    def air(self, value: float) -> str:
        """Return a pressure near that of the air, Pa: ``101.3 kPa``, ``14.7 psi``."""
        unit = parse_unit("kPa", Kind.PRESSURE) if self.pressure.symbol == "MPa" else self.pressure
        return _written(value, unit, 4)

    def impulse(self, value: float) -> str:
        """Return an impulse, N·s, as its reader has it: ``3825 N·s``."""
        return f"{_written(value, self.force, 3)}·s"

    def size(self, value: float, unit: str, digits: int = 3) -> str:
        """Return a size in ``m``, ``m²``, ``m³``, ``kg`` or ``kg/m³``: ``9.5 mm``."""
        own = {
            "m": self.length,
            "m²": self.area,
            "m³": self.volume,
            "kg": self.mass,
            "kg/m³": self.density,
        }
        return _written(value, own[unit], digits)

    def speed(self, value: float) -> str:
        """Return a velocity of the gas, m/s: ``404 m/s``."""
        return f"{value / float(self.velocity.factor):.0f} {symbol_of(self.velocity)}"

    def burn_rate(self, value: float, digits: int = 3) -> str:
        """Return a burn rate, m/s: ``7.42 mm/s``."""
        return _written(value, self.rate, digits)

    def warmth(self, value: float) -> str:
        """Return a temperature, K: ``18.5 °C``."""
        return _written(value, self.temperature, 3)

    def warmer(self, value: float) -> str:
        """Return a difference of temperatures, K: ``15 K``, ``27 °F``."""
        kelvin = self.temperature.factor == 1
        unit = "K" if kelvin else symbol_of(self.temperature)
        return f"{value / float(self.temperature.factor):.0f} {unit}"


def symbol_of(unit: Unit) -> str:
    """Symbol of a unit as it is printed: ``°C`` for ``degC``, ``g/cm³`` for ``g/cm3``."""
    symbol = _WRITTEN.get(unit.symbol, unit.symbol)
    return re.sub("(?<=[a-z])[23]", lambda power: power[0].translate(_POWERS), symbol)


def _written(value: float, unit: Unit, digits: int) -> str:
    """Significant digits, without a power of ten where there is a plain way to write them."""
    shown = (value - float(unit.offset)) / float(unit.factor)
    text = f"{shown:.{digits}g}"
    plain = f"{shown:.0f}" if "e+" in text else text
    return f"{plain.replace('-', _MINUS, 1) if plain.startswith('-') else plain} {symbol_of(unit)}"


@functools.cache
def wording_in(choice: str) -> Wording:
    """Return the wording of a choice of units.

    Parameters
    ----------
    choice
        As `strandwise.units.parse_unit_choice` reads it.

    Raises
    ------
    UnitError
        It is no such choice.
    """
    feet = parse_unit_choice(choice).startswith("inch-pound")
    return Wording(
        **units_shown(choice), velocity=parse_unit("ft/s" if feet else "m/s", Kind.VELOCITY)
    )


METRIC = wording_in("metric")
