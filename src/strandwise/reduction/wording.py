"""Quantities within sentences, in the units of the reader."""

from __future__ import annotations

from dataclasses import dataclass

from strandwise.units import Kind, Unit, parse_unit, parse_unit_choice, units_shown

__all__ = ["METRIC", "Wording", "wording_in"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Wording:
    """The units in which a reduction speaks.

    Parameters
    ----------
    pressure, force, velocity, length, mass
        Of signals, of c*, of nozzle and grain.
    """

    pressure: Unit
    force: Unit
    velocity: Unit
    length: Unit
    mass: Unit

    def signal(self, value: float, unit: str, digits: int = 3) -> str:
        """Return a signal in ``Pa`` or ``N`` as its reader has it: ``3.62 MPa``."""
        return _written(value, self.pressure if unit == "Pa" else self.force, digits)

    def impulse(self, value: float) -> str:
        """Return an impulse, N·s, as its reader has it: ``3825 N·s``."""
        return f"{_written(value, self.force, 3)}·s"

    def size(self, value: float, unit: str) -> str:
        """Return a length in ``m`` or a mass in ``kg`` as its reader has it: ``9.5 mm``."""
        return _written(value, self.length if unit == "m" else self.mass, 3)

    def speed(self, value: float) -> str:
        """Return a velocity, m/s, as its reader has it: ``404 m/s``."""
        return f"{value / float(self.velocity.factor):.0f} {self.velocity.symbol}"


def _written(value: float, unit: Unit, digits: int) -> str:
    shown = value / float(unit.factor)
    text = f"{shown:.{digits}g}"
    return f"{f'{shown:.0f}' if 'e+' in text else text} {unit.symbol}"


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
    units = units_shown(choice)
    feet = parse_unit_choice(choice).startswith("inch-pound")
    return Wording(
        pressure=units["pressure"],
        force=units["force"],
        length=units["length"],
        mass=units["mass"],
        velocity=parse_unit("ft/s" if feet else "m/s", Kind.VELOCITY),
    )


METRIC = wording_in("metric")
